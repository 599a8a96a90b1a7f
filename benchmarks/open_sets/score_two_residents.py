"""Scores on the set of two residents among dense motion sensors; see `two_residents`."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets import rivals, scores, supervised
from benchmarks.open_sets.following import Trace, follow_all, instants, with_learned
from benchmarks.open_sets.layout import Layout
from benchmarks.open_sets.recording import half, some
from benchmarks.open_sets.two_residents import PEOPLE, Row, Session, TwoResidents, load
from benchmarks.open_sets.two_residents_scores import (
    best_matching,
    firings,
    indoor,
    log_loss,
    score_people,
    score_rooms,
    true_occupied,
    when_sure,
)

if TYPE_CHECKING:
    from presence import Settings

Array = NDArray[np.float64]


def run_two_residents(
    folder: Path | str,
    settings: Settings | None = None,
    sessions: Sequence[str] | None = None,
    *,
    part: str = "all",
    hypotheses: int = 16,
    every: float = 1.0,
    visitors: int = 0,
    workers: int = 1,
    rivals_only: bool = False,
    learned: Path | None = None,
) -> dict[str, Any]:
    """Scores of the tracker, afresh each session, and of its rivals, on sessions by name or on a part of them.

    Over all sessions those of the second half are scored by themselves too, with what the first half chose.
    """
    data = load(Path(folder), visitors=visitors)
    chosen = [s for s in half(data.sessions, part) if sessions is None or s.recording.name in sessions]
    some(chosen, "sessions", len(data.sessions), part, Path(folder))
    result: dict[str, Any] = {
        "set": "two_residents",
        "recordings": len(chosen),
        "events": sum(len(s.recording.events) for s in chosen),
        "hold_s": round(data.hold, 2),
        "faults": [str(fault) for fault in data.faults],
    }
    traces: list[Trace] | None = None
    if not rivals_only:
        plan, settings = with_learned(data.plan, settings, learned)
        traces = follow_all(plan, [s.recording for s in chosen], every, settings, hypotheses, workers)
    result |= score_all(data, chosen, chosen, traces, every, labels=part == "second")
    earlier, later = half(chosen, "first"), half(chosen, "second")
    if part == "all" and sessions is None and earlier:
        told = None if traces is None else half(traces, "second")
        result["second_half"] = {
            "recordings": len(later),
            **score_all(data, later, earlier, told, every, labels=True),
        }
    return result


def score_all(
    data: TwoResidents,
    sessions: Sequence[Session],
    tuned_on: Sequence[Session],
    traces: Sequence[Trace] | None,
    every: float,
    *,
    labels: bool,
) -> dict[str, Any]:
    """The tracker, if it was run; what has seen labels of the first half, if asked for; the rivals."""
    result: dict[str, Any] = {}
    if traces is not None:
        result["tracker"] = score_tracker(data, sessions, traces, every)
    if labels:
        result["supervised_trees"] = score_supervised(data, sessions, every)
    if len(data.layout.placed) > 1:
        result["greedy"] = score_greedy(data, sessions, every)
    result["timer"] = score_timer(data, sessions, tuned_on, every)
    same = [[1.0] * len(firings(s)) for s in sessions]
    return {**result, "always_same": score_people(sessions, same, [[0] * len(p) for p in same])}


def score_tracker(
    data: TwoResidents, sessions: Sequence[Session], traces: Sequence[Trace], every: float
) -> dict[str, Any]:
    """Every score of the tracker."""
    same, who, cause, sure, nobody = [], [], [], [], []
    for session, trace in zip(sessions, traces, strict=True):
        p_same, people, nobodies = read_causes(firings(session), trace)
        same.append(p_same)
        who.append(people.argmax(axis=1).tolist())
        single = np.array([len(row.residents) == 1 for row in firings(session)], dtype=np.bool_)
        truth = np.array([min(row.residents, default=1) - 1 for row in firings(session)], dtype=np.intp)
        right = best_matching((people.argmax(axis=1) == truth)[single])
        swapped = not np.array_equal(right, (people.argmax(axis=1) == truth)[single])
        p_right = people[np.arange(len(truth)), 1 - truth if swapped else truth][single]
        cause.append(p_right)
        sure.append(right[people.max(axis=1)[single] >= 0.9])
        nobody.append(nobodies)
    order = [room for room in data.plan.rooms if room in data.layout.rooms]
    said = [trace.rooms[:, [order.index(room) for room in indoor(data)]] > 0.5 for trace in traces]
    return {
        **score_people(sessions, same, who),
        "same_person_log_loss": scores.share([log_loss(s, p) for s, p in zip(sessions, same, strict=True)]),
        "same_person_when_sure": scores.share([when_sure(s, p) for s, p in zip(sessions, same, strict=True)]),
        **score_rooms(data, sessions, said, every),
        "cause_mean_probability": scores.share(cause),
        "cause_when_sure": scores.share(sure),
        "cause_nobody": scores.share(nobody),
        "log_likelihood": sum(trace.log_likelihood for trace in traces),
    }


def read_causes(rows: Sequence[Row], trace: Trace) -> tuple[list[float], Array, Array]:
    """For each firing: the same person as at the firing before, each resident's share, and nobody's.

    Between two firings other things may be touched; with two people the answers of the steps between combine as
    p q + (1 - p)(1 - q). A firing the tracker has no answer for counts as one half.
    """
    found: dict[tuple[float, str], tuple[float, list[float], float]] = {}
    chain = 1.0
    for cause in trace.caused:
        if cause.value not in ("detected", "pressed"):  # an off edge repeats the answer of its on edge
            continue
        step = 0.5 if cause.same is None else cause.same
        chain = chain * step + (1 - chain) * (1 - step)
        if cause.value == "detected":
            found[cause.time, cause.sensor] = (chain, [cause.people.get(p, 0.0) for p in PEOPLE], cause.nobody)
            chain = 1.0
    answers = [found.get((row.time, row.sensor), (0.5, [0.5, 0.5], 0.0)) for row in rows]
    people = np.array([a[1] for a in answers]).reshape(-1, 2)
    return [a[0] for a in answers], people, np.array([a[2] for a in answers])


def score_greedy(data: TwoResidents, sessions: Sequence[Session], every: float) -> dict[str, scores.Score]:
    """The greedy tracker: whoever's last sensor is nearest."""
    distances = rivals.sensor_distances(data.layout)
    same, who, said = [], [], []
    for session in sessions:
        chosen = rivals.greedy([row.sensor for row in firings(session)], distances)
        who.append(chosen)
        same.append([float(k == 0 or chosen[k] == chosen[k - 1]) for k in range(len(chosen))])
        said.append(rooms_of(data, session, chosen, every))
    return {**score_people(sessions, same, who), **score_rooms(data, sessions, said, every)}


def rooms_of(data: TwoResidents, session: Session, who: Sequence[int], every: float) -> NDArray[np.bool_]:
    """Which rooms are occupied if each firing was caused by the one who is named."""
    rows = zip(firings(session), who, strict=True)
    pretended = tuple(Row(row.time, row.sensor, row.state, frozenset({k + 1})) for row, k in rows)
    return true_occupied(data, Session(pretended, session.recording), every, False)[0]


def score_supervised(data: TwoResidents, sessions: Sequence[Session], every: float) -> dict[str, scores.Score]:
    """Forests that have seen the tags of the sessions of the first half."""
    known, asked = (
        [(firings(session), session.recording.start) for session in part]
        for part in (half(data.sessions, "first"), sessions)
    )
    alone = [len(a.residents) == len(b.residents) == 1 for rows, _ in known for a, b in pairwise(rows)]
    if not any(alone) or not supervised.available():
        return {}
    same, who = supervised.who_caused(data.layout, known, asked)
    said = [rooms_of(data, session, chosen, every) for session, chosen in zip(sessions, who, strict=True)]
    losses = [log_loss(session, p) for session, p in zip(sessions, same, strict=True)]
    scored = {**score_people(sessions, same, who), "same_person_log_loss": scores.share(losses)}
    return {**scored, **score_rooms(data, sessions, said, every)}


def score_timer(
    data: TwoResidents, sessions: Sequence[Session], tuned_on: Sequence[Session], every: float
) -> dict[str, Any]:
    """Per room a timer after its last movement, the best on some sessions (flattered if these are those scored)."""
    minutes = best_minutes(data, tuned_on, every)
    rooms = list(minutes)
    ages = [room_ages(data.layout, session, rooms, instants(session.recording, every)) for session in sessions]
    said = [age <= 60 * np.array([minutes[room] for room in rooms]) for age in ages]
    return {**score_rooms(data, sessions, said, every), "minutes": str(minutes)}


def best_minutes(data: TwoResidents, sessions: Sequence[Session], every: float) -> dict[str, int]:
    """The best timer of each room on some sessions."""
    rooms = indoor(data)
    ages = [room_ages(data.layout, session, rooms, instants(session.recording, every)) for session in sessions]
    truth = [true_occupied(data, session, every, False) for session in sessions]
    return {
        room: rivals.best_timer(
            [age[known, k] for age, (_, known) in zip(ages, truth, strict=True)],
            [true[known, k] for true, known in truth],
            accuracy,
        )
        for k, room in enumerate(rooms)
    }


def accuracy(c: Array) -> Array:
    """Share of right answers from counts as `confusion` orders them."""
    result: Array = (c[..., 0] + c[..., 3]) / c.sum(axis=-1)
    return result


def room_ages(layout: Layout, session: Session, rooms: Sequence[str], grid: Array) -> Array:
    """Seconds since each room's motion sensors were last on, shape (T, rooms)."""
    room_of = layout.room_of
    columns = []
    for room in rooms:
        on, fired, since = [], [], {}
        for row in session.rows:
            if room_of.get(row.sensor) != room:
                continue
            if row.state == "ON":
                fired.append(row.time)
                since[row.sensor] = row.time
            elif row.state == "OFF" and row.sensor in since:
                on.append((since.pop(row.sensor), row.time))
        columns.append(rivals.since_active(np.array(on).reshape(-1, 2), np.array(fired), grid))
    return np.stack(columns, axis=1)
