"""Scores on the set of two residents over a month; see `two_residents_month`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets import passages, rivals, scores, supervised
from benchmarks.open_sets.following import Trace, follow_all, instants, with_learned
from benchmarks.open_sets.recording import half, held
from benchmarks.open_sets.two_residents_month import Day, Month, intervals, load
from presence.floorplan import AWAY

if TYPE_CHECKING:
    from presence import Settings

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Places = dict[str, Array]
"""Place -> seconds since something there was active, at each instant."""


def run_two_residents_month(
    folder: Path | str,
    settings: Settings | None = None,
    days: Sequence[int] | None = None,
    *,
    part: str = "all",
    hypotheses: int = 16,
    every: float = 10.0,
    visitors: int = 0,
    workers: int = 1,
    rivals_only: bool = False,
    learned: Path | None = None,
) -> dict[str, Any]:
    """Scores of the tracker, afresh each day, and of its rivals, on days by number or on a part of them.

    Instants are every 10 s: of the seconds that the truth has, an even sample.
    """
    data = load(Path(folder), visitors=visitors)
    chosen = [day for day in half(data.days, part) if days is None or day.number in days]
    truth = [front_passages(data, day) for day in chosen]
    result: dict[str, Any] = {
        "set": "two_residents_month",
        "recordings": len(chosen),
        "events": sum(len(day.recording.events) for day in chosen),
        "passages": sum(map(len, truth)),
        "read_as_shut_at_1": ", ".join(sorted(data.shut)),
        "faults": [str(fault) for fault in data.faults],
    }
    if not rivals_only:
        plan, settings = with_learned(data.plan, settings, learned)
        traces = follow_all(plan, [day.recording for day in chosen], every, settings, hypotheses, workers)
        result["tracker"] = score_tracker(data, chosen, traces, truth)
    grids = [instants(day.recording, every) for day in chosen]
    result["timer"] = score_timers(data, chosen, grids)
    if part == "second":
        result |= score_supervised(data, chosen, grids, every)
    result["most_places_at_once_lately"] = score_most_at_once(data, chosen, grids, every)
    result["movement_before"] = {"direction_at_once": scores.share(movement_before(data, chosen, truth))}
    return result


def activities(day: Day, grid: Array) -> NDArray[np.int64]:
    """Both residents' activity at each instant, shape (T, 2); 0 before the first label."""
    return np.stack([held(times, values, grid, 0) for times, values in day.labels], axis=1)


def out_ids(data: Month) -> list[int]:
    """The activities that take place away."""
    return [number for number, room in data.rooms.items() if room == AWAY]


def number_home(data: Month, day: Day, grid: Array) -> NDArray[np.intp]:
    """How many residents are at home at each instant."""
    count: NDArray[np.intp] = (~np.isin(activities(day, grid), out_ids(data))).sum(axis=1)
    return count


def scored_rooms(data: Month) -> list[str]:
    """The rooms that some activity means."""
    return sorted(set(data.rooms.values()) - {AWAY})


def true_room(data: Month, day: Day, grid: Array, room: str) -> tuple[Mask, Mask]:
    """Whether somebody is in a room, and whether the labels say: one of them is there, or all are known elsewhere."""
    doing = activities(day, grid)
    there = np.asarray(np.isin(doing, [number for number, r in data.rooms.items() if r == room]).any(axis=1))
    known = np.asarray(np.isin(doing, list(data.rooms)).all(axis=1))
    return there, there | known


def front_passages(data: Month, day: Day) -> list[tuple[float, bool]]:
    """Openings of the front door near a change of label to or from out, and whether it is out."""
    labels = []
    for times, values in day.labels:
        out = np.isin(values, out_ids(data))
        labels += [
            (float(t), bool(o)) for t, o, before in zip(times[1:], out[1:], out[:-1], strict=True) if o != before
        ]
    return passages.true_passages(sorted(labels), passages.openings(day.recording, data.front))


def score_count(said: Sequence[NDArray[np.intp]], truth: Sequence[NDArray[np.intp]]) -> dict[str, scores.Score]:
    """Share of instants with the right number, and the mean absolute error."""
    pairs = list(zip(said, truth, strict=True))
    return {
        "count_accuracy": scores.share([a == b for a, b in pairs]),
        "count_error": scores.share([np.abs(a - b) for a, b in pairs]),
    }


def score_tracker(
    data: Month, days: Sequence[Day], traces: Sequence[Trace], truth: Sequence[Sequence[tuple[float, bool]]]
) -> dict[str, Any]:
    """Every score of the tracker."""
    count = [number_home(data, day, trace.grid) for day, trace in zip(days, traces, strict=True)]
    result: dict[str, Any] = {
        **score_count([trace.at_home for trace in traces], count),
        "count_expected_error": scores.share([np.abs(t.expected - n) for t, n in zip(traces, count, strict=True)]),
    }
    order = [room for room in data.plan.rooms if room != AWAY]
    for room in scored_rooms(data):
        p = [trace.rooms[:, order.index(room)] for trace in traces]
        masks = [true_room(data, day, trace.grid, room) for day, trace in zip(days, traces, strict=True)]
        result[room] = scores.detection_by_probability(p, [there for there, _ in masks], [known for _, known in masks])
    leans: list[list[tuple[float | None, float | None]]] = [
        [passages.answers(trace.passages, data.front_door, time) for time, _ in pairs]
        for trace, pairs in zip(traces, truth, strict=True)
    ]
    result["direction_at_once"] = scores.share(
        [passages.hits([a for a, _ in lean], pairs) for lean, pairs in zip(leans, truth, strict=True)]
    )
    result["direction_final"] = scores.share(
        [passages.hits([b for _, b in lean], pairs) for lean, pairs in zip(leans, truth, strict=True)]
    )
    visits = [
        passages.hits([passages.visit_lean(trace.passages, data.front_door, time) for time, _ in pairs], pairs)
        for trace, pairs in zip(traces, truth, strict=True)
    ]
    result["direction_final_visit"] = scores.share(visits)
    result["log_likelihood"] = sum(trace.log_likelihood for trace in traces)
    return result


def ages_of(data: Month, sensors: Sequence[str], grid: Array) -> Array:
    """Seconds since one of some sensors was last 1."""
    on = np.concatenate([intervals(data.rows, sensor) for sensor in sensors])
    today = on[(on[:, 0] >= grid[0]) & (on[:, 0] <= grid[-1])]
    return rivals.since_active(today, np.empty(0), grid)


def sensors_in(data: Month, room: str, *, seats: bool) -> list[str]:
    """A room's sensors that the plan has, but the front door's, with or without seats and beds."""
    inside = [s for s, r in data.layout.room_of.items() if r == room and s in data.plan.sensors and s != data.front]
    return [s for s in inside if seats or data.plan.sensors[s].kind != "pressure"]


def places(data: Month, grid: Array) -> Places:
    """Each seat or bed by itself, and each room's other sensors together."""
    seats = {s: [s] for s, sensor in data.plan.sensors.items() if sensor.kind == "pressure"}
    rooms = {room: sensors_in(data, room, seats=False) for room in data.layout.rooms}
    return {place: ages_of(data, sensors, grid) for place, sensors in (seats | rooms).items() if sensors}


def score_timers(data: Month, days: Sequence[Day], grids: Sequence[Array]) -> dict[str, Any]:
    """Rooms: the best timer of each. Number at home: places with a running timer, at most two, the best timer."""
    result: dict[str, Any] = {}
    truth = [number_home(data, day, grid) for day, grid in zip(days, grids, strict=True)]
    ages = [np.stack(list(places(data, grid).values())) for grid in grids]

    def count(minutes: int) -> list[NDArray[np.intp]]:
        return [np.minimum((age <= 60 * minutes).sum(axis=0), 2) for age in ages]

    minutes = max(rivals.MINUTES, key=lambda n: score_count(count(n), truth)["count_accuracy"].value)
    result |= {**score_count(count(minutes), truth), "count_minutes": minutes}
    for room in scored_rooms(data):
        masks = [true_room(data, day, grid, room) for day, grid in zip(days, grids, strict=True)]
        room_ages = [ages_of(data, sensors_in(data, room, seats=True), grid) for grid in grids]
        known_ages = [age[known] for age, (_, known) in zip(room_ages, masks, strict=True)]
        known_truth = [there[known] for there, known in masks]
        best = rivals.best_timer(known_ages, known_truth, scores.balanced_accuracy)
        said = [age <= 60 * best for age in known_ages]
        result[room] = {**scores.detection(said, known_truth), "minutes": best}
    return result


def score_most_at_once(data: Month, days: Sequence[Day], grids: Sequence[Array], every: float) -> dict[str, Any]:
    """Number at home: the most places active at once within the last minutes, at most two; the best length."""
    truth = [number_home(data, day, grid) for day, grid in zip(days, grids, strict=True)]
    active = [np.minimum(sum((age < every).astype(np.intp) for age in places(data, g).values()), 2) for g in grids]

    def count(minutes: int) -> list[NDArray[np.intp]]:
        return [rivals.lately(a, round(60 * minutes / every)) for a in active]

    minutes = max(rivals.MINUTES, key=lambda n: score_count(count(n), truth)["count_accuracy"].value)
    return {**score_count(count(minutes), truth), "count_minutes": minutes}


def score_supervised(data: Month, days: Sequence[Day], grids: Sequence[Array], every: float) -> dict[str, Any]:
    """References that have seen the labels of the days of the first half: a counted chain, and forests.

    The chain steps once a minute: what is active in one ten seconds mostly is in the next, which it could not know.
    """
    step = max(1, round(60.0 / every))
    earlier = half(data.days, "first")
    past = [instants(day.recording, every) for day in earlier]
    ages = [[np.stack(list(places(data, grid).values()), axis=1) for grid in part] for part in (past, grids)]
    if not earlier or not ages[0][0].size:
        return {}
    known, asked = ([(age < 60.0)[::step] for age in part] for part in ages)
    home = [number_home(data, day, grid) for day, grid in zip(earlier, past, strict=True)]
    truth = [number_home(data, day, grid) for day, grid in zip(days, grids, strict=True)]
    told = supervised.naive_bayes_chain(known, [number[::step] for number in home], asked, states=3)
    chain = [np.repeat(t, step)[: len(grid)] for t, grid in zip(told, grids, strict=True)]
    features = [
        [supervised.age_features(age, grid) for age, grid in zip(part, when, strict=True)]
        for part, when in zip(ages, (past, grids), strict=True)
    ]
    seen = np.concatenate([part[::step] for part in features[0]])
    classes, p = supervised.forest(seen, np.concatenate([number[::step] for number in home]), features[1])
    trees: dict[str, Any] = score_count([classes[q.argmax(axis=1)] for q in p], truth)
    for room in scored_rooms(data):
        before = [true_room(data, day, grid, room) for day, grid in zip(earlier, past, strict=True)]
        usable = np.concatenate([known[::step] for _, known in before])
        labels = np.concatenate([there[::step] for there, _ in before])[usable]
        if len(np.unique(labels)) < 2:
            continue
        _, p = supervised.forest(seen[usable], labels, features[1])
        masks = [true_room(data, day, grid, room) for day, grid in zip(days, grids, strict=True)]
        trees[room] = scores.detection_by_probability(
            [q[:, 1] for q in p], [there for there, _ in masks], [known for _, known in masks]
        )
    return {"supervised_chain": score_count(chain, truth), "supervised_trees": trees}


def movement_before(data: Month, days: Sequence[Day], truth: Sequence[Sequence[tuple[float, bool]]]) -> list[Array]:
    """Hits of the rule: out if anything inside moved in the minute before the door, else in."""
    hits = []
    for day, pairs in zip(days, truth, strict=True):
        inside = np.array([e.seconds for e in day.recording.events if e.sensor != data.front])
        leans = [1.0 if ((inside >= time - 60) & (inside < time)).any() else -1.0 for time, _ in pairs]
        hits.append(passages.hits(leans, pairs))
    return hits
