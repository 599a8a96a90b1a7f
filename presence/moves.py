"""Where the beings are after an event, each by each way of causing it: the parts that candidates are made of.

Knows no rooms.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from presence.candidates import Kinds, Move
from presence.first_passage import pass_now

if TYPE_CHECKING:
    from presence.hypotheses import Way

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

RARELY = 1e-6
"""Who was asked along and can with less than this share of an event is not told apart from who was not asked; the mass
is counted likewise."""


def moved(
    blocks: Array, ways: Sequence[Way], moves: Sequence[Move], settling: Sequence[int]
) -> tuple[Array, Array, Array]:
    """Distributions before an event, and after each being has moved as one of several moves says.

    Args:
        blocks: shape (P, K, B, S): of each being under each hypothesis, with the tracked shares.
        ways: how a being can cause the event.
        moves: what is worked out, in M rows.
        settling: tracked windows (indices) in which a passage in this event counts.

    Returns:
        The distributions before and then row by row, shape (P, (1 + M) K, B, S); how likely each is, shape (1 + M, P,
        K): rates of ways (1/s) and probabilities of companions' passages, or odds of asking them along; and with which
        probability those can come, the same shape.
    """
    persons, count, each, states = blocks.shape
    made = max((move.row for move in moves), default=0)
    rows: Array = np.zeros((persons, 1 + made, count, each, states))
    rows[:, 0] = blocks
    masses, able, odds = np.ones((3, 1 + made, persons, count))
    for move in moves:
        mine = _those(move.beings)
        after, before = rows[mine, move.row], blocks[mine]
        for way in (ways[w] for w in move.ways):
            source, target, rates = way[:3] if way.companion is None or not move.companion else way.companion[1:4]
            came = before[..., span(source)].reshape(len(after), count * each, len(source))
            there = (came @ (rates if move.companion else rates[mine])).reshape(len(after), count, each, len(target))
            for track in settling if move.label else ():
                pair = slice(1 + 2 * track, 3 + 2 * track)
                there[:, :, pair] = pass_now(there[:, :, pair], forth=move.forth)
            if move.companion and way.companion is not None and way.companion.asked:  # who cannot come stays
                able[move.row, mine] = there[:, :, 0].sum(axis=2)
                odds[move.row, mine] = way.companion.odds
                after += before
                after[..., span(source)] = 0.0
            after[..., span(target)] += there
        rows[mine, move.row] = after
    if moves:
        masses[1:] = rows[:, 1:, :, 0].sum(axis=3).transpose(1, 0, 2)
        rows[:, 1:] /= np.maximum(masses[1:], 1e-300).transpose(1, 0, 2)[..., None, None]
    return rows.reshape(persons, (1 + made) * count, each, states), masses * odds, able


def pooled(rate: Array, weight: Array, nobody: float, kinds: Kinds, able: Array) -> tuple[Array, float]:
    """Those who were asked along and hardly can be are not told apart from those who were not.

    Args:
        rate: shape (N, K), 1/s: of each kind of causing the event, under each hypothesis.
        weight: shape (K,): weights of the hypotheses.
        nobody: rate of the event with nobody causing it, 1/s.
        kinds: the N kinds.
        able: with which probability each companion can come (see `moved`).

    Returns:
        The rates, shape (N, K), and what that loses: less than `RARELY` of the event for each.
    """
    asked = kinds.asked
    if not asked.size:
        return rate, 0.0
    asking, total = rate[asked], float((rate @ weight).sum()) + nobody
    come = asking * weight * able[kinds.companion_rows[asked], kinds.companion[asked]]
    rarely = come < RARELY * total
    rate = rate.copy()
    rate[kinds.alone] += np.add.reduceat(asking * rarely, kinds.first)
    rate[asked] = asking * ~rarely
    return rate, float((come * rarely).sum()) / total


def span(index: IndexArray) -> slice | IndexArray:
    """The same states as a slice where they follow one another, which is faster."""
    found = _span(index.tobytes())
    return index if found is None else found


@lru_cache(maxsize=256)
def _those(beings: tuple[int, ...]) -> slice | IndexArray:
    return span(np.array(beings, dtype=np.intp))


@lru_cache(maxsize=1024)
def _span(index: bytes) -> slice | None:
    states = np.frombuffer(index, dtype=np.intp).tolist()
    first, end = (states[0], states[0] + len(states)) if states else (0, 0)
    return slice(first, end) if states == list(range(first, end)) else None
