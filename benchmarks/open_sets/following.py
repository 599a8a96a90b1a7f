"""Runs the tracker over a recording and keeps what the scores need: beliefs on a grid, who caused what, passages."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets.recording import Recording
from presence.floorplan import AWAY, Floorplan
from presence.times import utc

if TYPE_CHECKING:
    from presence import Belief, Passage, Settings, Tracker

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Caused:
    """Who caused one event, and how likely that is the one who caused the event before it."""

    time: float
    sensor: str
    value: str
    people: dict[str, float]
    nobody: float
    same: float | None


@dataclass(frozen=True)
class Trace:
    """What the tracker said over one recording."""

    grid: Array
    """Shape (T,): epoch seconds."""
    rooms: Array
    """Shape (T, R): `p(somebody in room)`, rooms in the plan's order without `away`."""
    at_home: NDArray[np.intp]
    """Shape (T,): the likeliest number of people on the property."""
    expected: Array
    """Shape (T,): the mean number of people on the property."""
    people: dict[str, Array]
    """Per person shape (T, R + 1): distribution over the rooms, then `away`."""
    caused: tuple[Caused, ...]
    passages: tuple[Passage, ...]
    log_likelihood: float


def follow(
    plan: Floorplan, recording: Recording, every: float, settings: Settings | None = None, hypotheses: int = 16
) -> Trace:
    """A fresh tracker over a recording; each belief of the grid uses the events up to its instant only."""
    from presence.tracker import Tracker

    tracker = Tracker(plan, settings, hypotheses=hypotheses, reordering_window=0.0)
    grid = instants(recording, every)
    rooms = [room for room in plan.rooms if room != AWAY]
    beliefs: list[Belief] = []
    caused: list[Caused] = []
    passages: list[Passage] = []
    tracker.advance(utc(recording.start))
    cuts = np.searchsorted([event.seconds for event in recording.events], grid, side="right").tolist()
    for now, start, stop in zip(grid.tolist(), [0, *cuts], cuts, strict=False):
        for event in recording.events[start:stop]:
            tracker.observe(event)
            _keep_cause(tracker, caused)
        tracker.advance(utc(now))
        passages += tracker.take_passages()
        beliefs.append(tracker.belief)
    for event in recording.events[cuts[-1] if cuts else 0 :]:
        tracker.observe(event)
        _keep_cause(tracker, caused)
    passages += tracker.take_passages()
    return Trace(
        grid,
        np.array([[belief.rooms[room] for room in rooms] for belief in beliefs]).reshape(-1, len(rooms)),
        np.array([np.argmax(belief.at_home) for belief in beliefs], dtype=np.intp),
        np.array([np.dot(belief.at_home, range(len(belief.at_home))) for belief in beliefs]),
        {p: np.array([[belief.people[p][room] for room in (*rooms, AWAY)] for belief in beliefs]) for p in plan.people},
        tuple(caused),
        tuple(passages),
        float(tracker.log_likelihood),
    )


def follow_all(
    plan: Floorplan,
    recordings: Sequence[Recording],
    every: float,
    settings: Settings | None = None,
    hypotheses: int = 16,
    workers: int = 1,
) -> list[Trace]:
    """`follow` over several recordings, in processes of their own if there is more than one worker."""
    task = partial(follow, plan, every=every, settings=settings, hypotheses=hypotheses)
    if workers <= 1:
        return [task(recording) for recording in recordings]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return list(pool.map(task, recordings))


def with_learned(plan: Floorplan, settings: Settings | None, path: Path | None) -> tuple[Floorplan, Settings | None]:
    """The plan and settings that `presence learn` wrote for this plan, if a file is given.

    Raises:
        InputError: if the file is for another plan, or cannot be read.
    """
    from presence.learned import read_learned

    if path is None:
        return plan, settings
    learned = read_learned(path, plan)
    return learned.plan, learned.settings


def instants(recording: Recording, every: float) -> Array:
    """The multiples of `every` seconds that a recording covers."""
    return np.arange(np.ceil(recording.start / every) * every, recording.end + 1e-9, every)


def _keep_cause(tracker: Tracker, caused: list[Caused]) -> None:
    """Adds the latest association if it is a new one."""
    found = tracker.association
    if found is None:
        return
    last = caused[-1] if caused else None
    seconds = found.time.timestamp()
    if last is None or (seconds, found.sensor, found.value) != (last.time, last.sensor, last.value):
        same = tracker.same_as_previous
        caused.append(Caused(seconds, found.sensor, found.value, dict(found.people), found.nobody, same))
