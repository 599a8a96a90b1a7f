"""Scores of the direction through a front door: labels that say out or in, door events that lie near them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets.recording import Recording
from presence.floorplan import AWAY

if TYPE_CHECKING:
    from presence import Passage

Array = NDArray[np.float64]

NEAR = 300.0
"""A label belongs to the nearest opening of the front door within so many seconds."""


def openings(recording: Recording, contact: str) -> Array:
    """When a contact opened."""
    return np.array(
        [e.seconds for e in recording.events if e.sensor == contact and e.value == "open"], dtype=np.float64
    )


def true_passages(labels: Sequence[tuple[float, bool]], opened: Array) -> list[tuple[float, bool]]:
    """For labels (time, out?) the time of the nearest opening and out?; each opening and direction once."""
    found: dict[tuple[float, bool], None] = {}
    for time, out in labels:
        if len(opened):
            nearest = float(opened[np.argmin(np.abs(opened - time))])
            if abs(nearest - time) <= NEAR:
                found[nearest, out] = None
    return sorted(found)


def answers(passages: Sequence[Passage], door: str, time: float) -> tuple[float | None, float | None]:
    """P(out) - P(in) of the first and of the final answer to the door event at a time; None if there is none."""
    mine = [p for p in passages if p.door == door and not p.inferred and abs(p.time.timestamp() - time) < 0.001]
    final = [p for p in mine if p.final]
    return (lean(mine[0]) if mine else None, lean(final[-1]) if final else None)


def visit_lean(passages: Sequence[Passage], door: str, time: float) -> float | None:
    """P(out) - P(in) summed over the final answers to all events of one visit to the door: gaps up to a minute."""
    final = {p.time.timestamp(): lean(p) for p in passages if p.door == door and p.final and not p.inferred}
    times = np.array(sorted(final))
    if not len(times):
        return None
    visit = np.concatenate([[0], np.cumsum(np.diff(times) > 60.0)])
    mine = visit == visit[np.argmin(np.abs(times - time))]
    return float(sum(final[t] for t in times[mine].tolist()))


def lean(passage: Passage) -> float:
    """P(out) - P(in) of one answer."""
    return sum(p if key.endswith(f">{AWAY}") else -p for key, p in passage.directions.items())


def hits(leans: Sequence[float | None], truth: Sequence[tuple[float, bool]]) -> Array:
    """1 where the likelier direction is the true one; no answer or a tie counts one half."""
    pairs = zip(leans, truth, strict=True)
    return np.array([0.5 if not value else float((value > 0) == out) for value, (_, out) in pairs], dtype=np.float64)
