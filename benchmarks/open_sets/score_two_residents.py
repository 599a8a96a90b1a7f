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
from benchmarks.open_sets.recording import Layout, half
from benchmarks.open_sets.two_residents import PEOPLE, Row, Session, TwoResidents, load, true_rooms

if TYPE_CHECKING:
    from presence import Settings

Array = NDArray[np.float64]

STRETCH = 300.0
"""Seconds after which "who" may be matched anew in the score that asks for tracking rather than naming."""


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
    """Scores of the tracker, afresh each session, and of its rivals, on sessions by name or on a part of them."""
    data = load(Path(folder), visitors=visitors)
    chosen = [s for s in half(data.sessions, part) if sessions is None or s.recording.name in sessions]
    result: dict[str, Any] = {
        "set": "two_residents",
        "recordings": len(chosen),
        "events": sum(len(s.recording.events) for s in chosen),
        "hold_s": round(data.hold, 2),
        "faults": [str(fault) for fault in data.faults],
    }
    if not rivals_only:
        plan, settings = with_learned(data.plan, settings, learned)
        traces = follow_all(plan, [s.recording for s in chosen], every, settings, hypotheses, workers)
        result["tracker"] = score_tracker(data, chosen, traces, every)
    if part == "second":
        result["supervised_trees"] = score_supervised(data, chosen, every)
    result["greedy"] = score_greedy(data, chosen, every)
    result["timer"] = score_timer(data, chosen, every)
    result["always_same"] = score_people(
        chosen, [[1.0] * len(firings(s)) for s in chosen], [[0] * len(firings(s)) for s in chosen]
    )
    return result


def firings(session: Session) -> list[Row]:
    """The motion sensors' "on" rows."""
    return [row for row in session.rows if row.state == "ON"]


def score_people(
    sessions: Sequence[Session], same: Sequence[Sequence[float]], who: Sequence[Sequence[int]]
) -> dict[str, scores.Score]:
    """Scores of "the same person as before" (a probability for every firing) and of who it was (0 or 1)."""
    single, whole, naming, tracking = [], [], [], []
    for session, p_same, person in zip(sessions, same, who, strict=True):
        rows = firings(session)
        pairs = [(a.residents, b.residents, p) for (a, b), p in zip(pairwise(rows), p_same[1:], strict=True)]
        whole.append(np.array([hit(p, bool(a & b)) for a, b, p in pairs if a and b]))
        single.append(np.array([hit(p, a == b) for a, b, p in pairs if len(a) == len(b) == 1]))
        known = [
            (row.time, k == min(row.residents) - 1)
            for row, k in zip(rows, person, strict=True)
            if len(row.residents) == 1
        ]
        right = np.array([ok for _, ok in known], dtype=np.bool_)
        naming.append(best_matching(right))
        stretch = np.array([(time - session.recording.start) // STRETCH for time, _ in known])
        tracking.append(np.concatenate([right[:0], *(best_matching(right[stretch == k]) for k in np.unique(stretch))]))
    return {
        "same_person": scores.share(single),
        "same_person_shared_tags_too": scores.share(whole),
        "identity_whole_session": scores.share(naming),
        "identity_within_5_min": scores.share(tracking),
    }


def hit(p: float, truth: bool) -> float:
    """1 for the right side of one half, 0 for the wrong one, one half for no answer."""
    return 0.5 if p == 0.5 else float((p > 0.5) == truth)


def best_matching(right: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Hits under the better of the two ways to name two people."""
    return right if 2 * right.sum() >= len(right) else ~right


def score_rooms(
    data: TwoResidents, sessions: Sequence[Session], said: Sequence[NDArray[np.bool_]], every: float
) -> dict[str, scores.Score]:
    """Exact set of occupied rooms at each instant, and rooms pooled; `said` has shape (T, rooms of the plan)."""
    result: dict[str, scores.Score] = {}
    for name, off_edges in (("", False), ("_off_edges_too", True)):
        exact, answers, truths = [], [], []
        for session, occupied in zip(sessions, said, strict=True):
            truth, known = true_occupied(data, session, every, off_edges)
            exact.append((occupied[known] == truth[known]).all(axis=1))
            answers.append(occupied[known].ravel())
            truths.append(truth[known].ravel())
        result["room_set" + name] = scores.share(exact)
        if not off_edges:
            pooled = scores.detection(answers, truths)
            result |= {f"rooms_{key}": value for key, value in pooled.items()}
    return result


def indoor(data: TwoResidents) -> list[str]:
    """The layout's rooms that are in the plan."""
    return [room for room in data.layout.rooms if room in data.plan.rooms]


def true_occupied(
    data: TwoResidents, session: Session, every: float, off_edges: bool
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which rooms hold a resident at each instant, and whether both residents have been seen by then."""
    where = true_rooms(session, data.layout, instants(session.recording, every), off_edges=off_edges)
    rooms = list(data.layout.rooms)
    truth = np.stack([(where == rooms.index(room)).any(axis=1) for room in indoor(data)], axis=1)
    return truth, np.asarray((where >= 0).all(axis=1))


def score_tracker(
    data: TwoResidents, sessions: Sequence[Session], traces: Sequence[Trace], every: float
) -> dict[str, Any]:
    """Every score of the tracker."""
    same, who, cause, sure, nobody = [], [], [], [], []
    for session, trace in zip(sessions, traces, strict=True):
        p_same, people, nobodies = read_causes(firings(session), trace)
        same.append(p_same)
        who.append(people.argmax(axis=1).tolist())
        single = np.array([len(row.residents) == 1 for row in firings(session)])
        truth = np.array([min(row.residents, default=1) - 1 for row in firings(session)])
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
    return [a[0] for a in answers], np.array([a[1] for a in answers]), np.array([a[2] for a in answers])


def _single_pairs(session: Session, same: Sequence[float]) -> list[tuple[float, bool]]:
    rows = firings(session)
    pairs = zip(pairwise(rows), same[1:], strict=True)
    return [(p, a.residents == b.residents) for (a, b), p in pairs if len(a.residents) == len(b.residents) == 1]


def log_loss(session: Session, same: Sequence[float]) -> Array:
    """Loss of each answer in nats."""
    return np.array([-np.log(max(p if truth else 1 - p, 1e-6)) for p, truth in _single_pairs(session, same)])


def when_sure(session: Session, same: Sequence[float]) -> Array:
    """Hits of the answers given with .9 or more."""
    return np.array([hit(p, truth) for p, truth in _single_pairs(session, same) if max(p, 1 - p) >= 0.9])


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
    if not any(len(row.residents) == 1 for rows, _ in known for row in rows):
        return {}
    same, who = supervised.who_caused(data.layout, known, asked)
    said = [rooms_of(data, session, chosen, every) for session, chosen in zip(sessions, who, strict=True)]
    losses = [log_loss(session, p) for session, p in zip(sessions, same, strict=True)]
    scored = {**score_people(sessions, same, who), "same_person_log_loss": scores.share(losses)}
    return {**scored, **score_rooms(data, sessions, said, every)}


def score_timer(data: TwoResidents, sessions: Sequence[Session], every: float) -> dict[str, Any]:
    """Per room the best timer after its last movement, chosen on these same sessions (so it is flattered)."""
    rooms = indoor(data)
    ages = [room_ages(data.layout, session, rooms, instants(session.recording, every)) for session in sessions]
    truth = [true_occupied(data, session, every, False) for session in sessions]
    minutes = {
        room: rivals.best_timer(
            [age[known, k] for age, (_, known) in zip(ages, truth, strict=True)],
            [true[known, k] for true, known in truth],
            accuracy,
        )
        for k, room in enumerate(rooms)
    }
    said = [age <= 60 * np.array([minutes[room] for room in rooms]) for age in ages]
    return {**score_rooms(data, sessions, said, every), "minutes": str(minutes)}


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
