"""Minutes in the dark and minutes wasted: the library's rule, and the timer that it must beat."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from presence.events import Event
from presence.floorplan import OFF, ON, Floorplan, Sensor
from presence.occupancy import DARK_COST, Switch

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
CountArray = NDArray[np.int64]

TIMER_MINUTES = (1, 2, 5, 10, 15, 20, 30)
OFF_BELOW = (0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5)
"""The rule's second threshold, moved to trade minutes in the dark for minutes wasted; the first keeps its distance."""


class LastMovement:
    """How long ago each room's own sensors last saw movement; what a timer knows.

    A sensor that is on sees movement now (a motion sensor or camera no longer than any sitting goes on without a pause:
    its off message may be lost). A room without a sensor of its own goes by the contacts of its doors.
    """

    def __init__(self, plan: Floorplan, rooms: list[str]) -> None:
        self.sensors = plan.sensors
        self._rooms: dict[str, list[int]] = {}
        sensed = {s.room for s in plan.sensors.values() if s.room is not None}
        for sensor in plan.sensors.values():
            beside = [sensor.room] if sensor.room is not None else []
            if sensor.door is not None and sensor.kind == "contact":
                beside = [room for room in plan.doors[sensor.door].between if room not in sensed]
            self._rooms[sensor.id] = [rooms.index(room) for room in beside if room in rooms]
        self._latest = np.full(len(rooms), -np.inf)
        self._on_until: list[dict[str, float]] = [{} for _ in rooms]

    def event(self, event: Event) -> None:
        """Take in the next event."""
        sensor = self.sensors[event.sensor]
        for room in self._rooms[sensor.id]:
            if event.value == ON.get(sensor.kind):
                self._on_until[room][sensor.id] = event.seconds + _patience(sensor)
            elif event.value == OFF.get(sensor.kind) or event.value == "offline":
                self._on_until[room].pop(sensor.id, None)
            if event.value not in ("offline", "online"):
                self._latest[room] = event.seconds

    def ages(self, seconds: float) -> Array:
        """Seconds since the last movement in each room, shape (R,); infinite before the first."""
        ages = seconds - self._latest
        ages[[i for i, on in enumerate(self._on_until) if any(seconds < until for until in on.values())]] = 0.0
        return ages


def _patience(sensor: Sensor) -> float:
    """Seconds that a sensor without an off message counts as on. Common practice, no source."""
    return max(1800.0, 10.0 * (sensor.hold or 0.0)) if sensor.kind in ("motion", "camera") else np.inf


class SwitchingSums:
    """Samples in the dark with somebody there and on with nobody there, for each rule and each timer.

    Args:
        rooms: R.
        rule: the rule that is scored; the same with other second thresholds (`from_threshold`) is summed beside it.
        off_below: those thresholds; one above the rule's first threshold stands for both.
        minutes: the timers.
    """

    def __init__(
        self,
        rooms: int,
        rule: Switch | None = None,
        *,
        off_below: Sequence[float] = OFF_BELOW,
        minutes: Sequence[float] = TIMER_MINUTES,
    ) -> None:
        self.rule = rule or Switch()
        self.off_below, self.minutes = tuple(off_below), tuple(minutes)
        self.rules = [self.rule, *(Switch.from_threshold(off, max(self.rule.on_above, off)) for off in off_below)]
        self.rooms = rooms
        self.samples = self.occupied = 0
        """Instants, and room-instants with somebody there."""
        self.rule_sums: CountArray = np.zeros((len(self.rules), 2, rooms), np.int64)
        """`[rule, 0 in the dark | 1 wasted, room]`."""
        self.timer_sums: CountArray = np.zeros((len(self.minutes), 2, rooms), np.int64)
        self._on: BoolArray = np.zeros((len(self.rules), rooms), bool)

    def add(self, probability: Array, ages: Array, truth: BoolArray) -> None:
        """Take in T samples; all of shape (T, R)."""
        self.samples += len(truth)
        self.occupied += int(truth.sum())
        for i, rule in enumerate(self.rules):
            on = rule.series(probability, self._on[i])
            self._on[i] = on[-1]
            self.rule_sums[i] += _dark_and_wasted(on, truth)
        for i, minutes in enumerate(self.minutes):
            self.timer_sums[i] += _dark_and_wasted(ages < minutes * 60.0, truth)

    def switching(self) -> dict[str, float]:
        """Minutes a day of the default rule, all rooms."""
        return self._per_day(self.rule_sums[0].sum(axis=1))

    def switch_table(self) -> list[dict[str, float]]:
        """The same for other second thresholds."""
        sums = self.rule_sums[1:].sum(axis=2)
        return [{"off_below": off, **self._per_day(row)} for off, row in zip(self.off_below, sums, strict=True)]

    def timer_table(self) -> list[dict[str, float]]:
        """Minutes a day of each timer, all rooms."""
        sums = self.timer_sums.sum(axis=2)
        return [{"minutes": n, **self._per_day(row)} for n, row in zip(self.minutes, sums, strict=True)]

    def best_timer(self) -> dict[str, float]:
        """The one timer for all rooms that costs least, by the rule's own costs."""
        return self.timer_table()[int(_cost(self.timer_sums.sum(axis=2)).argmin())]

    def best_timer_per_room(self, rooms: list[str]) -> dict[str, object]:
        """Each room with its own best timer, chosen in hindsight."""
        best = _cost(self.timer_sums).argmin(axis=0)
        sums = self.timer_sums[best, :, np.arange(len(rooms))].sum(axis=0)
        return {"minutes": {r: self.minutes[i] for r, i in zip(rooms, best, strict=True)}, **self._per_day(sums)}

    def room(self, index: int) -> dict[str, float]:
        """Minutes a day of the default rule in one room."""
        return self._per_day(self.rule_sums[0, :, index])

    def room_timer(self, index: int) -> dict[str, float]:
        """The same with the room's own best timer."""
        best = int(_cost(self.timer_sums[:, :, index]).argmin())
        return {"minutes": self.minutes[best], **self._per_day(self.timer_sums[best, :, index])}

    def _per_day(self, sums: CountArray) -> dict[str, float]:
        """Each sample stands for one step of the grid, so the share of samples is the share of the day's minutes."""
        per_day = [1440.0 * float(s) / self.samples if self.samples else float("nan") for s in sums]
        return {"false_off_minutes_per_day": per_day[0], "wasted_minutes_per_day": per_day[1]}


def _dark_and_wasted(on: BoolArray, truth: BoolArray) -> CountArray:
    """Samples with somebody there while off, and on with nobody there, per room; shape (2, R)."""
    return np.stack([(truth & ~on).sum(axis=0), (on & ~truth).sum(axis=0)])


def _cost(sums: CountArray) -> Array:
    """What each candidate costs; sums of shape (N, 2) or (N, 2, R)."""
    return np.asarray(DARK_COST * sums[:, 0] + sums[:, 1], np.float64)
