"""The longest stretches in which a room was told wrong, for whoever wants to look into them."""

from __future__ import annotations

import heapq
from datetime import datetime, tzinfo
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

KEPT = 20


class Stretches:
    """Keeps the longest; a stretch is a run of samples told wrong in one way.

    Args:
        rooms: R names.
        every: step of the grid, seconds.
        zone: in which times are told.
    """

    def __init__(self, rooms: list[str], every: float, zone: tzinfo) -> None:
        self.rooms, self.every, self.zone = rooms, every, zone
        self._open: list[tuple[int, float]] = [(0, 0.0)] * len(rooms)
        """Per room: what is wrong now (0 nothing, 1 told empty, 2 told occupied) and since when."""
        self._longest: list[tuple[float, float, int, int]] = []
        self._end = 0.0

    def add(self, seconds: list[float], probability: NDArray[np.float64], occupied: NDArray[np.bool_]) -> None:
        """Take in T samples, shapes (T,) and (T, R); where some of the grid are left out, no stretch goes on."""
        left_out = np.flatnonzero(np.diff([self._end - self.every, *seconds]) > 1.5 * self.every)
        for begin, end in pairwise([0, *left_out[left_out > 0].tolist(), len(seconds)]):
            if begin in left_out:
                self._end_all()
            self._add(seconds[begin:end], probability[begin:end], occupied[begin:end])

    def _add(self, seconds: list[float], probability: NDArray[np.float64], occupied: NDArray[np.bool_]) -> None:
        told = probability >= 0.5
        wrong = np.where(occupied & ~told, 1, np.where(told & ~occupied, 2, 0))
        before = np.vstack([np.array([[what for what, _ in self._open]], wrong.dtype), wrong[:-1]])
        for t, room in zip(*np.nonzero(wrong != before), strict=True):
            self._close(int(room), seconds[t])
            self._open[room] = (int(wrong[t, room]), seconds[t])
        self._end = seconds[-1] + self.every

    def _close(self, room: int, seconds: float) -> None:
        what, since = self._open[room]
        if what:
            heapq.heappush(self._longest, (seconds - since, -since, room, what))
            if len(self._longest) > KEPT:
                heapq.heappop(self._longest)

    def _end_all(self) -> None:
        for room in range(len(self.rooms)):
            self._close(room, self._end)
            self._open[room] = (0, 0.0)

    def longest(self) -> list[dict[str, Any]]:
        """The longest first; ends the stretches that are still open."""
        self._end_all()
        return [
            {
                "room": self.rooms[room],
                "from": datetime.fromtimestamp(-start, self.zone).isoformat(timespec="seconds"),
                "to": datetime.fromtimestamp(length - start, self.zone).isoformat(timespec="seconds"),
                "minutes": length / 60.0,
                "told": "empty" if what == 1 else "occupied",
            }
            for length, start, room, what in sorted(self._longest, reverse=True)
        ]
