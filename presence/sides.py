"""On which side of each open door everybody was, noted now and then, so that its closing tells who has passed lately.

Mixtures carry what was noted (`Mixture.sides`): given the hypothesis, the probability of each being to have been on the
door's first side. Two instants a door are kept.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from presence.first_passage import near_after
from presence.floorplan import Sensor
from presence.passages import tracks
from presence.snapshot import Snapshot, replace

Array = NDArray[np.float64]

NOTED_FOR = 60.0
"""Seconds after which the sides are noted again: a closing is told as the passage of whoever has passed within one to
two minutes before it."""
CROSSED_LIKELY = 0.5
"""They are noted sooner where somebody has crossed since, with more than this probability: who comes back within a
minute has crossed twice."""


def note_sides(
    snapshot: Snapshot, near: Callable[[str], Array], persons: int, ahead_of: Sensor | None = None
) -> Snapshot:
    """Note on which side of each open door everybody is, once it is told who has passed it first.

    Args:
        snapshot: what is known.
        near: for a door, 1 for the states on its first side, else 0, shape (S,).
        persons: how many beings, the first ones, are people.
        ahead_of: whose report is taken in next, if so: it may be the first to tell of a passage. Nobody has been seen
            to cross by then, and a door that reports itself is left for later: this instant is not before its report.
    """
    for door, use in snapshot.doors.items():
        if not use.open or (ahead_of is not None and ahead_of.door == door) or _first_is_open(snapshot, door):
            continue
        mine, mixture = snapshot.noted_of(door), snapshot.mixture
        first = near(door)
        now = (mixture.x @ first).T
        if mine and snapshot.seconds - snapshot.noted[mine[-1]][0] < NOTED_FOR:
            if ahead_of is not None:
                continue
            then = mixture.sides[:, mine[-1]]
            farthest = np.maximum(then, 1.0 - then) if np.any(first % 1.0) else 1.0  # half as far from neither side
            crossed = mixture.weight @ (np.abs(then - now) / farthest)
            if crossed[:persons].max(initial=0.0) < CROSSED_LIKELY:
                continue
        snapshot = _note(forget_sides(snapshot, mine[:-1]), snapshot.seconds, door, now)
    return snapshot


def note_first_passage(snapshot: Snapshot, index: int, near: Array) -> Snapshot:
    """Who passed an open door first is carried along no longer: note where its passage left everybody.

    Who has come back since, unheard or by the very report that tells of it, is then seen to have crossed.

    Args:
        snapshot: what is known.
        index: of the window that ends to be tracked.
        near: 1 for the states on the door's first side, else 0, shape (S,).
    """
    window, mixture = snapshot.windows[index], snapshot.mixture
    if not window.accepting or snapshot.noted_of(window.door):
        return snapshot
    blocks = mixture.tracks[:, :, tracks(snapshot.windows).index(index)]
    then = near_after(mixture.x, blocks, near).T
    since = max(window.seconds, snapshot.seconds - NOTED_FOR)
    return _note(snapshot, since, window.door, then)


def _note(snapshot: Snapshot, seconds: float, door: str, sides: Array) -> Snapshot:
    """One more note: the probability (K, P) of each being to have been on the door's first side then."""
    mixture = snapshot.mixture
    old = mixture.sides if mixture.sides.size else np.zeros((len(sides), 0, sides.shape[1]))
    return replace(
        snapshot,
        noted=(*snapshot.noted, (seconds, door)),
        mixture=mixture._replace(sides=np.concatenate([old, sides[:, None]], axis=1)),
    )


def _first_is_open(snapshot: Snapshot, door: str) -> bool:
    """Whether who passes an open door first is still carried along."""
    return any(w.door == door and w.accepting and w.tracked for w in snapshot.windows)


def forget_sides(snapshot: Snapshot, indices: Sequence[int]) -> Snapshot:
    """Some of what was noted is no longer needed."""
    if not indices:
        return snapshot
    left = [i for i in range(len(snapshot.noted)) if i not in indices]
    sides = snapshot.mixture.sides[:, left]
    noted = tuple(snapshot.noted[i] for i in left)
    return replace(snapshot, noted=noted, mixture=snapshot.mixture._replace(sides=sides))


def sides_lately(snapshot: Snapshot, door: str, near: Array, persons: int) -> Array | None:
    """Probability of each being to have been on a door's first side whenever that was noted lately, and now.

    Args:
        snapshot: what is known.
        door: the door.
        near: 1 for the states on its first side, else 0, shape (S,).
        persons: how many beings, the first ones, are people.

    Returns:
        Shape (N, P, K), in order of time; None where nothing was noted. Where a pet was is hardly known.
    """
    mine = snapshot.noted_of(door)
    if not mine:
        return None
    recent = [i for i in mine if snapshot.seconds - snapshot.noted[i][0] <= 2.0 * NOTED_FOR]
    now = np.minimum(snapshot.mixture.x @ near, 1.0)
    before = snapshot.mixture.sides[:, recent or mine[-1:]].transpose(1, 2, 0)
    sides = np.concatenate([before, now[None]])
    sides[:, persons:] = now[persons:]
    return sides
