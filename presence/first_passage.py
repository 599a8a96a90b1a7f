"""Which way somebody went first while the way stood open: the label carried as part of each being's distribution.

While a door stands open people pass without an event, so whether somebody has passed is known only by where they are
found later. For each being the distribution is therefore split into blocks,

    x = (not passed yet) + (passed forth first) + (passed back first),

which move, and are conditioned, together with x. This module knows no rooms.

Source: Kemeny & Snell 1960, "Finite Markov Chains", section 3.5 (absorbing at the first passage).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.propagation import Change, Reversible, propagate

Array = NDArray[np.float64]

NOT_YET, FORTH_FIRST = range(2)
"""The blocks that are kept; who passed back first is the rest."""


class Opening(NamedTuple):
    """While a way stands open: the generators with all passages cut off, and where a passage forth begins.

    A passage that is cut off still leaves its state (the diagonal stays), so what arrives has not passed.
    """

    base: Reversible
    change: Change | None
    """Entries that differ from the base."""
    near: Array
    """Shape (S,): 1 for states on the side where a passage forth begins, else 0; a half where that is open."""


def begin(x: Array, labels: Array) -> Array:
    """Blocks that agree with labels, being by being.

    Args:
        x: shape (P, K, S).
        labels: shape (K, 1 + 2 P): nobody passed, each passed forth first, each passed back first.

    Returns:
        Shape (P, K, 2, S).
    """
    persons = len(x)
    forth, back = labels[:, 1 : 1 + persons].T, labels[:, 1 + persons :].T  # (P, K)
    return np.stack([x * np.maximum(1.0 - forth - back, 0.0)[:, :, None], x * forth[:, :, None]], axis=2)


def advance(waiting: Array, moved: Array, dt: float, opening: Opening) -> Array:
    """Blocks after a silent step with the way open.

    Exact where no other way joins the two sides; else but for those who within one silent step first went round to the
    other side and then passed.

    Args:
        waiting: shape (P, K, S), those who had not passed yet before the step.
        moved: shape (P, K, 2, S), those of them who were on the near side, and those who had passed forth first, both
            moved by the whole generator.
        dt: seconds.
        opening: the generator with passages cut off, and the near side.

    Returns:
        Shape (P, K, 2, S).
    """
    count = waiting.shape[1]
    near = waiting * opening.near
    still = propagate(opening.base, np.concatenate([near, waiting - near], axis=1), dt, opening.change)
    forth = np.maximum(moved[:, :, 0] - still[:, :count], 0.0)
    return np.stack([still[:, :count] + still[:, count:], moved[:, :, 1] + forth], axis=2)


def pass_now(moved: Array, *, forth: bool) -> Array:
    """Blocks after an event that is itself a passage: who had not passed yet passes now. Shape (..., 2, S)."""
    settled = moved.copy()
    if forth:
        settled[..., FORTH_FIRST, :] += moved[..., NOT_YET, :]
    settled[..., NOT_YET, :] = 0.0
    return settled


def label(x: Array, blocks: Array) -> Array:
    """For each hypothesis: nobody passed, each being passed forth first, each passed back first.

    Where several may have passed, each is the first in proportion to the odds that only it did.

    Args:
        x: shape (P, K, S).
        blocks: shape (P, K, 2, S).

    Returns:
        Shape (K, 1 + 2 P), rows sum to 1.
    """
    total = np.maximum(x.sum(axis=2), 1e-300)  # (P, K)
    not_yet, forth = np.clip(blocks.sum(axis=3).transpose(2, 0, 1) / total, 0.0, 1.0)
    return _one_of(not_yet, forth, np.maximum(1.0 - not_yet - forth, 0.0))


def near_after(x: Array, blocks: Array, near: Array) -> Array:
    """Probability of each being to have been on the near side after its first passage; now, if it has not passed yet.

    Args:
        x: shape (P, K, S).
        blocks: shape (P, K, 2, S).
        near: shape (S,), as in `Opening`.

    Returns:
        Shape (P, K).
    """
    back = x - blocks.sum(axis=2)
    found: Array = np.clip(blocks[:, :, NOT_YET] @ near + back.sum(axis=2), 0.0, 1.0)
    return found


def crossed(before: Array, after: Array) -> Array:
    """The label of whoever must have gone from one part of the states to the rest or back between two instants.

    Args:
        before: shape (P, K), probability of that part at the earlier instant.
        after: the same now.

    Returns:
        Shape (K, 1 + 2 P), as `label`: of all joint laws of the two instants the one in which fewest have moved.
    """
    forth, back = np.clip(before - after, 0.0, 1.0), np.clip(after - before, 0.0, 1.0)
    return _one_of(1.0 - forth - back, forth, back)


def told_apart(before: Array, after: Array, being: int) -> tuple[Array, Array]:
    """The same for hypotheses taken apart by where one being is now: in that part of the states, or not.

    `P(before | after = 1) = min(before, after) / after`, as few moving as can have.

    Args:
        before: shape (P, K), as `crossed`.
        after: shape (P, K).
        being: who is told apart.

    Returns:
        Both with shape (P, 2 K): first the hypotheses in which that being is in that part now, then the others.
    """
    was, now = (np.concatenate([values, values], axis=1) for values in (before, after))
    count = before.shape[1]
    stayed = np.minimum(before[being], after[being])
    was[being, :count] = stayed / np.maximum(after[being], 1e-300)
    was[being, count:] = (before[being] - stayed) / np.maximum(1.0 - after[being], 1e-300)
    now[being, :count], now[being, count:] = 1.0, 0.0
    return np.minimum(was, 1.0), now


def crossed_last(sides: Array, being: int) -> Array:
    """The label of whoever has gone from one part to the rest or back last, by several instants.

    Hypotheses are taken apart by where one being is now, as in `told_apart`.

    Args:
        sides: shape (N, P, K), probability of the first part at N instants in order of time, the last of them now.
        being: who is told apart.

    Returns:
        Shape (2 K, 1 + 2 P), as `label`.
    """
    label = crossed(*told_apart(sides[-2], sides[-1], being))
    for before, after in zip(sides[-3::-1], sides[-2:0:-1], strict=True):
        label = else_earlier(label, crossed(*told_apart(before, after, being)))
    return label


def else_earlier(label: Array, earlier: Array) -> Array:
    """A label where somebody has passed, and an earlier one (whose rows may sum to less than 1) where nobody has."""
    found = label.copy()
    found[:, 1:] += label[:, :1] * earlier[:, 1:]
    found[:, 0] = np.maximum(1.0 - found[:, 1:].sum(axis=1), 0.0)
    return found


def _one_of(not_yet: Array, forth: Array, back: Array) -> Array:
    """The label (K, 1 + 2 P) of beings that have passed, or not yet, with these probabilities (P, K)."""
    nobody = np.prod(not_yet, axis=0)
    odds = np.concatenate([forth, back]) / np.maximum(np.concatenate([not_yet, not_yet]), 1e-12)  # (2 P, K)
    share = odds / np.maximum(odds.sum(axis=0), 1e-300)
    someone = (1.0 - nobody) * share
    found: Array = np.concatenate([np.maximum(1.0 - someone.sum(axis=0), 0.0)[None], someone]).T
    return found
