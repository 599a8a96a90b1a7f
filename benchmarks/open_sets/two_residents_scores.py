"""What the two residents' answers are scored on: who caused each firing, and which rooms were occupied."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets import scores
from benchmarks.open_sets.following import instants
from benchmarks.open_sets.two_residents import Row, Session, TwoResidents, true_rooms

Array = NDArray[np.float64]

STRETCH = 300.0
"""Seconds after which "who" may be matched anew in the score that asks for tracking rather than naming."""


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


def _single_pairs(session: Session, same: Sequence[float]) -> list[tuple[float, bool]]:
    """How likely "the same as before" was, and whether it was, where both firings have one tag."""
    rows = firings(session)
    pairs = zip(pairwise(rows), same[1:], strict=True)
    return [(p, a.residents == b.residents) for (a, b), p in pairs if len(a.residents) == len(b.residents) == 1]


def log_loss(session: Session, same: Sequence[float]) -> Array:
    """Loss of each answer in nats."""
    return np.array([-np.log(max(p if truth else 1 - p, 1e-6)) for p, truth in _single_pairs(session, same)])


def when_sure(session: Session, same: Sequence[float]) -> Array:
    """Hits of the answers given with .9 or more."""
    return np.array([hit(p, truth) for p, truth in _single_pairs(session, same) if max(p, 1 - p) >= 0.9])
