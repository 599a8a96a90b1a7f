"""How well does what is believed now tell what will be seen later? Emission tables and a proper score, on plain arrays.

A belief over hidden classes n (how many people, a room empty or not) and a table `p(seen later = m | n)` predict

    p(m_t) = sum_n belief[t, n] table[n, m].

The table is fitted by maximum a posteriori EM (Dempster, Laird & Rubin 1977, JRSS B 39:1), Dirichlet pseudo-counts keep
it from 0 and 1 and tie class n to what n people can do; the score is the mean logarithm, a proper scoring rule (Good
1952, JRSS B 14:107). No label is needed. This module knows no rooms.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

ROUNDS = 60
CLOSE = 1e-7
"""Improvement of the mean log score below which the fit has converged."""


def fit_table(belief: Array, seen: IndexArray, pseudo: Array, rounds: int = ROUNDS) -> Array:
    """The table `p(m | n)` of the highest posterior: shape (N, M), rows sum to 1, nothing 0 or 1.

    Args:
        belief: shape (T, N), rows sum to 1.
        seen: shape (T,): what was seen later, 0 to M - 1.
        pseudo: shape (N, M): prior pseudo-counts, all above 0.
        rounds: the most iterations.
    """
    table: Array = pseudo / pseudo.sum(axis=1, keepdims=True)
    before = -np.inf
    outcomes = np.eye(pseudo.shape[1])[seen]
    for _ in range(rounds):
        joint = belief * table[:, seen].T
        total = joint.sum(axis=1, keepdims=True)
        counts = (joint / np.maximum(total, 1e-300)).T @ outcomes + pseudo
        table = counts / counts.sum(axis=1, keepdims=True)
        score = float(np.log(np.maximum(total, 1e-300)).mean()) if len(seen) else 0.0
        if score - before < CLOSE:
            break
        before = score
    return table


def log_scores(belief: Array, seen: IndexArray, table: Array) -> Array:
    """`log sum_n belief[t, n] table[n, seen[t]]`, shape (T,), nats."""
    mixed = (belief * table[:, seen].T).sum(axis=1)
    scores: Array = np.log(np.maximum(mixed, 1e-300))
    return scores
