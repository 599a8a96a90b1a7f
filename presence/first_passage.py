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
    """Entries of the generators while a way stands open: with all passages, and with some of them cut off.

    A passage that is cut off still leaves its state (the diagonal stays), so what arrives has not passed.
    """

    neither: Change | None
    forth: Change | None
    """Forth only."""
    back: Change | None
    """Back only."""


def begin(x: Array) -> Array:
    """Nobody has passed yet: blocks of shape (P, K, 2, S) for distributions of shape (P, K, S)."""
    return np.stack([x, np.zeros_like(x)], axis=2)


def advance(base: Reversible, before: Array, moved: Array, dt: float, opening: Opening) -> Array:
    """Blocks after a silent step with the way open.

    Exact but for those who passed more than once within the step and came to where they might have come the other
    way: they are taken to have come back.

    Args:
        base: the decomposed generators.
        before: shape (P, K, 2, S), blocks before the step.
        moved: shape (P, K, 2, S), each moved by the whole generator.
        dt: seconds.
        opening: the generators with passages cut off.
    """
    waiting = before[:, :, NOT_YET]
    neither = propagate(base, waiting, dt, opening.neither)
    only_forth = np.maximum(propagate(base, waiting, dt, opening.forth) - neither, 0.0)
    only_back = np.maximum(propagate(base, waiting, dt, opening.back) - neither, 0.0)
    passed = np.maximum(moved[:, :, NOT_YET] - neither, 0.0)
    once = only_forth + only_back
    share = np.divide(only_forth, once, out=np.full_like(once, 0.5), where=once > 0)
    several = np.maximum(passed - once, 0.0)
    first_forth = (passed - several) * share + several * (1.0 - share)
    return np.stack([neither, moved[:, :, FORTH_FIRST] + first_forth], axis=2)


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
    back = np.maximum(1.0 - not_yet - forth, 0.0)
    nobody = np.prod(not_yet, axis=0)
    odds = np.concatenate([forth, back]) / np.maximum(np.concatenate([not_yet, not_yet]), 1e-12)  # (2 P, K)
    share = odds / np.maximum(odds.sum(axis=0), 1e-300)
    someone = (1.0 - nobody) * share
    found: Array = np.concatenate([np.maximum(1.0 - someone.sum(axis=0), 0.0)[None], someone]).T
    return found
