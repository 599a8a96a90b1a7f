"""A changed generator decomposed by itself: it is reversible again, but for very few entries, with other weights.

A chain is reversible if and only if around every cycle the product of the rates is the same either way (Kolmogorov's
criteria; Kelly 1979, "Reversibility and Stochastic Networks", section 1.5). Then the weights follow from the ratios
`q[i, j] / q[j, i]` along any spanning tree. Moves into a place whose sensor is blind are faster by one factor, so that
a cycle through it gains the factor either way. What breaks the criteria is left over, as a change of very low rank.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from presence.propagation import Change, Reversible, decomposed

Array = NDArray[np.float64]

SMALL = 64
"""With no more states than this a generator is always decomposed anew: its own decomposition is then cheap..."""
LARGE_SHARE = 0.3
"""...else where this share of the states or more is concerned: only then is it cheaper than carrying a change along."""
SAME = 1e-14
"""Rates that differ by no more than this share of the largest one are equal either way."""


def worth_absorbing(base: Reversible, change: Change) -> bool:
    """Whether decomposing a changed generator is cheaper than carrying the change along."""
    states, concerned = base.scale.shape[1], len(change.states)
    return concerned > 0 and (states <= SMALL or concerned >= LARGE_SHARE * states)


def absorb(base: Reversible, change: Change) -> tuple[Reversible, Change | None]:
    """The changed generators, decomposed; and the entries that are not reversible, as a change to those."""
    block = np.ix_(np.arange(len(base.values)), change.states, change.states)
    changed = base.symmetric.copy()
    changed[block] += change.entries
    symmetric, there = changed.copy(), changed[block]
    symmetric[block] = np.sign(there) * np.sqrt(np.abs(there * there.transpose(0, 2, 1)))
    stretch = np.sqrt(_weights(base, changed))
    changed *= stretch[:, :, None] / stretch[:, None, :]
    rest = None
    if np.abs(changed - symmetric).max(initial=0.0) > SAME * np.abs(there).max(initial=0.0):
        symmetric, rest = _reversible_part(changed)
    scale = base.scale.copy()
    for kind, beings in enumerate(base.members):
        scale[list(beings)] *= stretch[kind]
    own = decomposed(scale, symmetric, base.members, base.tree)
    nothing = np.empty((0, *symmetric.shape[1:]))  # many of these are kept, and nobody asks for it again
    return own._replace(symmetric=nothing), rest


def _reversible_part(changed: Array) -> tuple[Array, Change | None]:
    """Entries that are equal either way, shape (G, S, S), and what goes beyond them one way only."""
    other = changed.transpose(0, 2, 1)
    one_way = np.abs(changed - other) > SAME * np.abs(changed).max()
    symmetric = np.where(one_way, np.minimum(changed, other), 0.5 * (changed + other))
    rest = np.where(one_way, changed - symmetric, 0.0)
    states = np.flatnonzero(rest.any(axis=(0, 1)) | rest.any(axis=(0, 2)))
    return symmetric, Change(states, rest[:, states[:, None], states]) if states.size else None


def _weights(base: Reversible, changed: Array) -> Array:
    """Weights (G, S), relative to the base's, with which the changed generators are reversible along its tree."""
    above, paths = base.tree
    here = np.arange(len(above))
    down, up = changed[:, above, here], changed[:, here, above]
    one_way = (down != up) & (np.minimum(down, up) > 0.0)
    ratio = np.where(one_way, down, 1.0) / np.where(one_way, up, 1.0)
    weights: Array = np.exp(np.log(ratio) @ paths.T)
    return weights


def carried(rest: Change | None, more: Change, base: Reversible, own: Reversible) -> Change:
    """What is left over from a changed generator, and more entries, both in its own coordinates.

    Args:
        rest: what is left over, in those already.
        more: entries in the coordinates of its base.
        base: before the change.
        own: after it.
    """
    stretch = (own.scale / base.scale)[base.firsts][:, more.states]
    parts = [Change(more.states, more.entries * stretch[:, :, None] / stretch[:, None, :])]
    parts += [] if rest is None else [rest]
    states = np.unique(np.concatenate([part.states for part in parts]))
    entries = np.zeros((len(own.values), len(states), len(states)))
    for part in parts:
        place = np.searchsorted(states, part.states)
        entries[:, place[:, None], place] += part.entries
    return Change(states, entries)
