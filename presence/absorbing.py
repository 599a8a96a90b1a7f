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
LARGE_SHARE = 0.2
"""...else where this share of the states or more is concerned: only then is it cheaper than carrying a change along."""
SAME = 1e-14
"""Rates that differ by no more than this share of the largest one are equal either way."""


def worth_absorbing(base: Reversible, change: Change) -> bool:
    """Whether decomposing a changed generator is cheaper than carrying the change along."""
    states = base.scale.shape[1]
    return bool(states <= SMALL or len(change.states) >= LARGE_SHARE * states)


def absorb(base: Reversible, change: Change) -> tuple[Reversible, Change | None]:
    """The changed generators, decomposed; and the entries that are not reversible, as a change to those."""
    changed = base.symmetric.copy()
    changed[:, change.states[:, None], change.states] += change.entries
    stretch = np.sqrt(_weights(base, changed, change))
    changed *= stretch[:, :, None] / stretch[:, None, :]
    other = changed.transpose(0, 2, 1)
    one_way = np.abs(changed - other) > SAME * np.abs(changed).max()
    symmetric = np.where(one_way, np.minimum(changed, other), 0.5 * (changed + other))
    stretched = base.scale.copy()
    for kind, beings in enumerate(base.members):
        stretched[list(beings)] *= stretch[kind]
    own = decomposed(stretched, symmetric, base.members, base.tree)
    rest = np.where(one_way, changed - symmetric, 0.0)
    states = np.flatnonzero(rest.any(axis=(0, 1)) | rest.any(axis=(0, 2)))
    return own, Change(states, rest[:, states[:, None], states]) if states.size else None


def _weights(base: Reversible, changed: Array, change: Change) -> Array:
    """Weights (G, S), relative to the base's, with which the changed generators are reversible along its tree."""
    above, paths = base.tree
    here = np.arange(len(above))
    down, up = changed[:, above, here], changed[:, here, above]
    one_way = (down != up) & (np.minimum(down, up) > 0.0)
    ratio = np.where(one_way, down, 1.0) / np.where(one_way, up, 1.0)
    weights: Array = np.exp(np.log(ratio) @ paths.T)
    return weights
