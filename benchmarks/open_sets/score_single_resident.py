"""Scores on the set of one resident among contacts; see `single_resident`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets import passages, rivals, scores, supervised
from benchmarks.open_sets.following import Trace, follow_all, instants, with_learned
from benchmarks.open_sets.recording import half, held, some
from benchmarks.open_sets.single_resident import SingleResident, load
from presence.floorplan import AWAY

if TYPE_CHECKING:
    from presence import Settings

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

DAY = 86400
INSIDE = {"open", "pressed", "detected", "occupied"}
"""Values that somebody inside must have caused."""


def run_single_resident(
    folder: Path | str,
    settings: Settings | None = None,
    *,
    part: str = "all",
    house: str = "",
    hypotheses: int = 16,
    every: float = 60.0,
    visitors: int = 0,
    workers: int = 1,
    rivals_only: bool = False,
    learned: Path | None = None,
) -> dict[str, Any]:
    """Scores of the tracker and its rivals; the whole log is followed, a part of its days is scored.

    Over all days those of the second half are scored by themselves too, with what the first half chose.
    """
    data = load(Path(folder), house=house, visitors=visitors)
    grid = instants(data.recording, every)
    whole = np.unique(grid // DAY)
    days = np.array(half(whole.tolist(), part))
    some(days.tolist(), "days", len(whole), part, Path(folder))
    truth = front_passages(data, days)
    result: dict[str, Any] = {
        "set": "single_resident",
        "house": data.recording.name,
        "recordings": len(days),
        "events": len(data.recording.events),
        "passages": len(truth),
        "faults": [str(fault) for fault in data.faults],
    }
    trace = None
    if not rivals_only:
        plan, settings = with_learned(data.plan, settings, learned)
        trace = follow_all(plan, [data.recording], every, settings, hypotheses, workers)[0]
    result |= score_all(data, trace, grid, days, whole, labels=part == "second")
    if part == "all" and len(whole) > 1:
        result["second_half"] = score_second_half(data, trace, grid, whole)
    return result


def score_second_half(data: SingleResident, trace: Trace | None, grid: Array, days: Array) -> dict[str, Any]:
    """The later half of some days, with what the earlier one chose and told."""
    earlier, later = (np.array(half(days.tolist(), part)) for part in ("first", "second"))
    found = score_all(data, trace, grid, later, earlier, labels=True)
    found.get("tracker", {}).pop("log_likelihood", None)  # it is the whole log's
    return {"recordings": len(later), "passages": len(front_passages(data, later)), **found}


def score_all(
    data: SingleResident, trace: Trace | None, grid: Array, days: Array, tuned_on: Array, *, labels: bool
) -> dict[str, Any]:
    """The tracker, if it was run; what has seen labels of the first half, if asked for; the rivals."""
    truth = front_passages(data, days)
    result: dict[str, Any] = {}
    if trace is not None:
        result["tracker"] = score_tracker(data, trace, days, truth)
    if labels:
        result["supervised_trees"] = score_supervised(data, grid, days)
    result["toggle_with_reset"] = score_toggle(data, grid, days, tuned_on, truth)
    return {**result, "last_event_room": score_last_event(data, grid, days)}


def is_away(data: SingleResident, grid: Array) -> Mask:
    """Whether the resident is away by the labels."""
    result = np.zeros(len(grid), dtype=np.bool_)
    for start, end in data.away:
        result |= (grid >= start) & (grid < end)
    return result


def front_passages(data: SingleResident, days: Array) -> list[tuple[float, bool]]:
    """Openings of the front door near a beginning or an end of being away, on some days, and whether it is out."""
    labels = [(start, True) for start in data.away[:, 0]] + [(end, False) for end in data.away[:, 1]]
    found = passages.true_passages(sorted(labels), passages.openings(data.recording, data.front))
    return [(time, out) for time, out in found if time // DAY in days]


def true_room(data: SingleResident, grid: Array) -> NDArray[np.str_]:
    """The room of the latest label that covers each instant; "" where none with a room does."""
    result = np.full(len(grid), "", dtype="U64")
    for start, end, room in sorted(data.stays):
        result[(grid >= start) & (grid < end)] = room
    result[is_away(data, grid)] = ""
    return result


def by_day(values: NDArray[Any], grid: Array, days: Array, where: Mask | None = None) -> list[NDArray[Any]]:
    """Values split into days."""
    keep = np.ones(len(grid), dtype=np.bool_) if where is None else where
    return [values[keep & (grid // DAY == day)] for day in days]


def passages_by_day(hits: Array, truth: Sequence[tuple[float, bool]], days: Array) -> list[Array]:
    """Hits split into the days of their passages."""
    of = np.array([time // DAY for time, _ in truth])
    return [hits[of == day] if len(of) else hits for day in days]


def score_home(home: Mask, data: SingleResident, grid: Array, days: Array) -> dict[str, scores.Score]:
    """Home or away at each minute."""
    truth = ~is_away(data, grid)
    found = scores.detection(by_day(home, grid, days), by_day(truth, grid, days))
    return {
        "home_accuracy": scores.share(by_day(home == truth, grid, days)),
        "home_balanced_accuracy": found["balanced_accuracy"],
    }


def score_tracker(
    data: SingleResident, trace: Trace, days: Array, truth: Sequence[tuple[float, bool]]
) -> dict[str, Any]:
    """Every score of the tracker."""
    person = next(iter(trace.people.values()))
    p_away = person[:, -1]
    order = np.array([*(room for room in data.plan.rooms if room != AWAY), AWAY])
    room = true_room(data, trace.grid)
    right = order[person.argmax(axis=1)] == room
    known = room != ""
    leans = [passages.answers(trace.passages, data.front_door, time) for time, _ in truth]
    confident = np.maximum(p_away, 1 - p_away) >= 0.9
    home_right = (p_away < 0.5) == ~is_away(data, trace.grid)
    at_once = passages.hits([a for a, _ in leans], truth)
    final = passages.hits([b for _, b in leans], truth)
    visit = [passages.visit_lean(trace.passages, data.front_door, time) for time, _ in truth]
    return {
        **score_home(p_away < 0.5, data, trace.grid, days),
        "home_when_sure": scores.share(by_day(home_right, trace.grid, days, confident)),
        "direction_at_once": scores.share(passages_by_day(at_once, truth, days)),
        "direction_final": scores.share(passages_by_day(final, truth, days)),
        "direction_final_visit": scores.share(passages_by_day(passages.hits(visit, truth), truth, days)),
        "room_accuracy": scores.share(by_day(right, trace.grid, days, known)),
        "log_likelihood": trace.log_likelihood,
    }


def inside_times(data: SingleResident) -> Array:
    """When somebody inside did something, the front door apart."""
    return np.array([e.seconds for e in data.recording.events if e.sensor != data.front and e.value in INSIDE])


def score_toggle(
    data: SingleResident, grid: Array, days: Array, tuned_on: Array, truth: Sequence[tuple[float, bool]]
) -> dict[str, Any]:
    """The front door toggles home and away, any event inside means home; the pause of a visit is tuned on some days."""
    front, inside = passages.openings(data.recording, data.front), inside_times(data)
    seen = grid[np.isin(grid // DAY, tuned_on)]
    away = is_away(data, seen)

    def agreement(pause: float) -> float:
        return float((held(*rivals.toggle(front, inside, pause), seen, True) != away).mean())

    pause = max(rivals.PAUSES, key=agreement)
    times, states = rivals.toggle(front, inside, pause)
    home = held(times, states, grid, True)
    before = [held(times, states, np.array([time - 0.5]), True)[0] for time, _ in truth]
    after = [held(times, states, np.array([time + passages.NEAR]), True)[0] for time, _ in truth]
    at_once = passages.hits([1.0 if state else -1.0 for state in before], truth)
    final = passages.hits([-1.0 if state else 1.0 for state in after], truth)
    return {
        **score_home(home, data, grid, days),
        "direction_at_once": scores.share(passages_by_day(at_once, truth, days)),
        "direction_final": scores.share(passages_by_day(final, truth, days)),
        "pause_s": pause,
    }


def score_last_event(data: SingleResident, grid: Array, days: Array) -> dict[str, scores.Score]:
    """The resident is in the room of the latest event inside; a door's room is the one that is listed with it."""
    room_of = data.layout.room_of
    seen = [
        (e.seconds, room_of[e.sensor])
        for e in data.recording.events
        if e.sensor in room_of and e.sensor != data.front and e.value in INSIDE
    ]
    where = held(np.array([t for t, _ in seen]), np.array([r for _, r in seen], dtype="U64"), grid, "")
    room = true_room(data, grid)
    return {"room_accuracy": scores.share(by_day(where == room, grid, days, room != ""))}


def score_supervised(data: SingleResident, grid: Array, days: Array) -> dict[str, scores.Score]:
    """Forests that have seen the labels of the days of the first half: home or away, and the room."""
    first = np.isin(grid // DAY, half(np.unique(grid // DAY).tolist(), "first"))
    sensors = sorted({e.sensor for e in data.recording.events})
    ages = [
        rivals.since_active(
            np.empty((0, 2)), np.array([e.seconds for e in data.recording.events if e.sensor == sensor]), grid
        )
        for sensor in sensors
    ]
    features = supervised.age_features(np.stack(ages, axis=1), grid)
    away, room = is_away(data, grid), true_room(data, grid)
    known = room != ""
    if len(np.unique(away[first])) < 2 or not known[first].any() or not supervised.available():
        return {}
    _, (p_away,) = supervised.forest(features[first], away[first], [features])
    rooms, (p_room,) = supervised.forest(features[first & known], room[first & known], [features])
    right = rooms[p_room.argmax(axis=1)] == room
    return {
        **score_home(p_away[:, 1] < 0.5, data, grid, days),
        "room_accuracy": scores.share(by_day(right, grid, days, known)),
    }
