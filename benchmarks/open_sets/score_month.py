"""Scores on the set of two residents over a month; see `two_residents_month`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets import passages, rivals, scores, supervised
from benchmarks.open_sets.following import Trace, follow_all, instants, with_learned
from benchmarks.open_sets.month_files import UNKNOWN
from benchmarks.open_sets.recording import half, held, some
from benchmarks.open_sets.two_residents_month import Day, Month, intervals, load
from presence.floorplan import AWAY

if TYPE_CHECKING:
    from presence import Settings

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Look:
    """What rivals and references are told of one day, and what they are scored on."""

    grid: Array
    """Shape (T,): the instants, epoch seconds."""
    places: Array
    """Shape (P, T): seconds since something in each place was active."""
    number: NDArray[np.intp]
    """Shape (T,): how many are at home; UNKNOWN where that is not told."""
    rooms: dict[str, tuple[Array, Mask, Mask]]
    """Room -> seconds since something there was active, whether somebody is there, whether the labels say."""


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

    Instants are every 10 s: of the seconds that the truth has, an even sample. Over all days those of the second half
    are scored by themselves too, with what the first half chose.
    """
    data = load(Path(folder), visitors=visitors)
    chosen = [day for day in half(data.days, part) if days is None or day.number in days]
    some(chosen, "labelled days", len(data.days), part, Path(folder))
    result: dict[str, Any] = {
        "set": "two_residents_month",
        "recordings": len(chosen),
        "events": sum(len(day.recording.events) for day in chosen),
        "passages": sum(len(front_passages(data, day)) for day in chosen),
        "read_as_shut_at_1": ", ".join(sorted(data.shut)),
        "faults": [str(fault) for fault in data.faults],
    }
    traces: list[Trace] | None = None
    if not rivals_only:
        plan, settings = with_learned(data.plan, settings, learned)
        traces = follow_all(plan, [day.recording for day in chosen], every, settings, hypotheses, workers)
    looks = [look(data, day, instants(day.recording, every)) for day in chosen]
    labels = [look(data, day, instants(day.recording, every)) for day in half(data.days, "first") if part == "second"]
    result |= score_all(data, chosen, traces, looks, looks, labels, every)
    if part == "all" and days is None and len(chosen) > 1:
        result["second_half"] = score_second_half(data, chosen, traces, looks, every)
    return result


def score_second_half(
    data: Month, days: Sequence[Day], traces: Sequence[Trace] | None, looks: Sequence[Look], every: float
) -> dict[str, Any]:
    """The later half of some days, with what the earlier one chose and told."""
    earlier, later = half(looks, "first"), half(days, "second")
    told = half(traces, "second") if traces else None
    found = score_all(data, later, told, half(looks, "second"), earlier, earlier, every)
    return {"recordings": len(later), "passages": sum(len(front_passages(data, day)) for day in later), **found}


def score_all(
    data: Month,
    days: Sequence[Day],
    traces: Sequence[Trace] | None,
    looks: Sequence[Look],
    tuned_on: Sequence[Look],
    labels: Sequence[Look],
    every: float,
) -> dict[str, Any]:
    """The tracker, if it was run; the rivals; what has seen labels of other days, if there are any."""
    truth = [front_passages(data, day) for day in days]
    result: dict[str, Any] = {}
    if traces is not None:
        result["tracker"] = score_tracker(data, days, traces, truth)
    result["timer"] = score_timers(looks, tuned_on)
    result |= score_supervised(labels, looks, every)
    result["most_places_at_once_lately"] = score_most_at_once(looks, tuned_on, every)
    return {**result, "movement_before": {"direction_at_once": scores.share(movement_before(data, days, truth))}}


def activities(day: Day, grid: Array) -> NDArray[np.int64]:
    """Both residents' activity at each instant, shape (T, 2); UNKNOWN before the first label."""
    return np.stack([held(times, values, grid, UNKNOWN) for times, values in day.labels], axis=1)


def out_ids(data: Month) -> list[int]:
    """The activities that take place away."""
    return [number for number, room in data.rooms.items() if room == AWAY]


def number_home(data: Month, day: Day, grid: Array) -> NDArray[np.intp]:
    """How many residents are at home at each instant; UNKNOWN where nothing is told of one of them."""
    doing = activities(day, grid)
    count: NDArray[np.intp] = (~np.isin(doing, out_ids(data))).sum(axis=1)
    return np.where((doing == UNKNOWN).any(axis=1), UNKNOWN, count)


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
        told = values != UNKNOWN
        changed = (out[1:] != out[:-1]) & told[1:] & told[:-1]
        labels += [(float(t), bool(o)) for t, o in zip(times[1:][changed], out[1:][changed], strict=True)]
    return passages.true_passages(sorted(labels), passages.openings(day.recording, data.front))


def score_count(said: Sequence[NDArray[np.intp]], truth: Sequence[NDArray[np.intp]]) -> dict[str, scores.Score]:
    """Share of instants with the right number, and the mean absolute error, where the number is known."""
    pairs = [(a[b != UNKNOWN], b[b != UNKNOWN]) for a, b in zip(said, truth, strict=True)]
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
        "count_expected_error": scores.share(
            [np.abs(t.expected - n)[n != UNKNOWN] for t, n in zip(traces, count, strict=True)]
        ),
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
    on = np.concatenate([np.empty((0, 2)), *(intervals(data.rows, sensor) for sensor in sensors)])
    today = on[(on[:, 0] >= grid.min(initial=np.inf)) & (on[:, 0] <= grid.max(initial=-np.inf))]
    return rivals.since_active(today, np.empty(0), grid)


def sensors_in(data: Month, room: str, *, seats: bool) -> list[str]:
    """A room's sensors that the plan has, but the front door's, with or without seats and beds."""
    inside = [s for s, r in data.layout.room_of.items() if r == room and s in data.plan.sensors and s != data.front]
    return [s for s in inside if seats or data.plan.sensors[s].kind != "pressure"]


def look(data: Month, day: Day, grid: Array) -> Look:
    """A day at the instants of a grid. Each seat or bed is a place by itself, each room's other sensors are one."""
    seats = {s: [s] for s, sensor in data.plan.sensors.items() if sensor.kind == "pressure"}
    others = {room: sensors_in(data, room, seats=False) for room in data.layout.rooms}
    places = [ages_of(data, sensors, grid) for sensors in (seats | others).values() if sensors]
    rooms = {
        room: (ages_of(data, sensors_in(data, room, seats=True), grid), *true_room(data, day, grid, room))
        for room in scored_rooms(data)
    }
    return Look(grid, np.array(places).reshape(len(places), len(grid)), number_home(data, day, grid), rooms)


def best_count(count: Callable[[int, Sequence[Look]], list[NDArray[np.intp]]], looks: Sequence[Look]) -> int:
    """The minutes with which the number at home is most often right."""
    truth = [day.number for day in looks]
    return max(rivals.MINUTES, key=lambda n: score_count(count(n, looks), truth)["count_accuracy"].value)


def score_timers(looks: Sequence[Look], tuned_on: Sequence[Look]) -> dict[str, Any]:
    """Rooms: the best timer of each. Number at home: places with a running timer, at most two, the best timer."""

    def count(minutes: int, days: Sequence[Look]) -> list[NDArray[np.intp]]:
        return [np.minimum((day.places <= 60 * minutes).sum(axis=0), 2) for day in days]

    minutes = best_count(count, tuned_on)
    result = {**score_count(count(minutes, looks), [day.number for day in looks]), "count_minutes": minutes}
    for room in looks[0].rooms:
        age, truth = known_ages(tuned_on, room)
        best = rivals.best_timer(age, truth, scores.balanced_accuracy)
        age, truth = known_ages(looks, room)
        result[room] = {**scores.detection([a <= 60 * best for a in age], truth), "minutes": best}
    return result


def known_ages(looks: Sequence[Look], room: str) -> tuple[list[Array], list[Mask]]:
    """Seconds since a room was active, and whether somebody is there, at the instants at which the labels say."""
    rooms = [day.rooms[room] for day in looks]
    return [age[known] for age, _, known in rooms], [there[known] for _, there, known in rooms]


def score_most_at_once(looks: Sequence[Look], tuned_on: Sequence[Look], every: float) -> dict[str, Any]:
    """Number at home: the most places active at once within the last minutes, at most two; the best length."""

    def count(minutes: int, days: Sequence[Look]) -> list[NDArray[np.intp]]:
        active = [np.minimum((day.places < every).sum(axis=0), 2) for day in days]
        return [rivals.lately(a, round(60 * minutes / every)) for a in active]

    minutes = best_count(count, tuned_on)
    return {**score_count(count(minutes, looks), [day.number for day in looks]), "count_minutes": minutes}


def score_supervised(seen: Sequence[Look], asked: Sequence[Look], every: float) -> dict[str, Any]:
    """References that have seen the labels of earlier days: a counted chain, and forests; nothing without those.

    The chain steps once a minute: what is active in one ten seconds mostly is in the next, which it could not know.
    """
    step = max(1, round(60.0 / every))
    told = [day.number[::step] != UNKNOWN for day in seen]
    if not any(t.any() for t in told) or not len(seen[0].places) or not supervised.available():
        return {}
    active = [[(day.places.T < 60.0)[::step] for day in days] for days in (seen, asked)]
    days = [(a[t], day.number[::step][t]) for a, day, t in zip(active[0], seen, told, strict=True) if t.any()]
    truth = [day.number for day in asked]
    chain = supervised.naive_bayes_chain([a for a, _ in days], [number for _, number in days], active[1], states=3)
    chain = [np.repeat(states, step)[: len(day.grid)] for states, day in zip(chain, asked, strict=True)]
    past, features = ([supervised.age_features(day.places.T, day.grid) for day in part] for part in (seen, asked))
    known = np.concatenate([part[::step] for part in past])
    labels = np.concatenate([number for _, number in days])
    classes, p = supervised.forest(known[np.concatenate(told)], labels, features)
    trees: dict[str, Any] = score_count([classes[q.argmax(axis=1)] for q in p], truth)
    for room in seen[0].rooms:
        there = np.concatenate([day.rooms[room][1][::step] for day in seen])
        usable = np.concatenate([day.rooms[room][2][::step] for day in seen])
        if len(np.unique(there[usable])) < 2:
            continue
        _, p = supervised.forest(known[usable], there[usable], features)
        masks = [day.rooms[room][1:] for day in asked]
        trees[room] = scores.detection_by_probability([q[:, 1] for q in p], *map(list, zip(*masks, strict=True)))
    return {"supervised_chain": score_count(chain, truth), "supervised_trees": trees}


def movement_before(data: Month, days: Sequence[Day], truth: Sequence[Sequence[tuple[float, bool]]]) -> list[Array]:
    """Hits of the rule: out if anything inside moved in the minute before the door, else in."""
    hits = []
    for day, pairs in zip(days, truth, strict=True):
        inside = np.array([e.seconds for e in day.recording.events if e.sensor != data.front])
        leans = [1.0 if ((inside >= time - 60) & (inside < time)).any() else -1.0 for time, _ in pairs]
        hits.append(passages.hits(leans, pairs))
    return hits
