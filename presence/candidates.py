"""How the candidates of an event are laid out: whole numbers only, worked out once for each kind of event.

An event is caused by nobody, or by one of the beings in one of several ways; so every hypothesis becomes several
candidates, which differ from it in the distribution of who moved.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

IndexArray = NDArray[np.intp]
Signature = tuple[tuple[int, tuple[int, ...], int, bool, int], ...]
"""Of each way: label, companions (none: nobody else moves), their label, whether they are only asked along, and the
first way in which the one who causes the event moves alike."""

REMEMBERED = 64
"""How candidates of more hypotheses are laid out is not remembered: where all are kept, that may be a hundred MB."""


class Kinds(NamedTuple):
    """Every being and way of causing an event; who has no companion has themselves, unmoved. Shape (N,) each..."""

    being: IndexArray
    rows: IndexArray
    """Which of the moved distributions of the being, see `Move`..."""
    companion: IndexArray
    companion_rows: IndexArray
    """...and of its companion; 0: as they were."""
    column: IndexArray
    """Of the label that this settles: 0 none, 1 + p passed forth, 1 + P + p passed back."""
    asked: IndexArray
    """...but this: shape (A,), those in which a being that might pass alone has asked another along..."""
    alone: IndexArray
    """...sorted by which kind that would be; each such kind once, shape (B,)..."""
    first: IndexArray
    """...and where those of each begin among the A."""


class Move(NamedTuple):
    """How one being's distribution changes: in one or more ways that need not be told apart."""

    ways: tuple[int, ...]
    """Indices of the ways."""
    companion: bool
    """Whether it is the companion of the way who moves."""
    label: int
    beings: tuple[int, ...]
    """Who moves so."""
    row: int
    """Where the moved distributions are, from 1 on: in one row others may have moved otherwise."""

    @property
    def forth(self) -> bool:
        """Whether the passage goes forth, not back."""
        return self.label == 1


def _row(moves: list[Move], ways: tuple[int, ...], companion: bool, label: int, beings: tuple[int, ...]) -> int:
    """The row of a move, which is added unless it is there already."""
    rows = {move.row for move in moves if not set(beings).isdisjoint(move.beings)}
    row = next(row for row in range(1, len(rows) + 2) if row not in rows)
    new = Move(ways, companion, label, beings, row)
    same = next((move for move in moves if move[:4] == new[:4]), None)
    if same is None:
        moves.append(new)
    return new.row if same is None else same.row


@lru_cache(maxsize=64)
def _kinds(signature: Signature, persons: int) -> tuple[Kinds, tuple[Move, ...]]:
    """Number the kinds, and the moves that they need.

    Ways of one label that move nobody else are one: the being who caused the event is independent of the others.
    """
    moves: list[Move] = []
    table: list[tuple[int, ...]] = []
    passing, everybody = dict[int, int](), tuple(range(persons))
    for label in dict.fromkeys(way[0] for way in signature if not way[1]):
        alike = tuple(n for n, way in enumerate(signature) if way[:2] == (label, ()))
        row, passing[label], start = _row(moves, alike, False, label, everybody), len(table), 1 + (label - 1) * persons
        table += [(p, row, p, 0, start + p if label else 0, -1) for p in everybody]
    for n, (label, companions, companion_label, asked, first) in enumerate(signature):
        if not companions:
            continue
        came = _row(moves, (n,), True, companion_label, companions)
        if asked:  # whoever causes it passes as they do alone
            alone, start = passing[label], 1 + (label - 1) * persons
            pairs = [(p, g) for p in companions for g in companions if p != g]
            table += [(p, table[alone][1], g, came, start + p, alone + p) for p, g in pairs]
        else:
            row, start = _row(moves, (first,), False, label, everybody), 1 + (companion_label - 1) * persons
            table += [(p, row, g, came, start + g, -1) for g in companions for p in everybody if p != g]
    being, rows, companion, companion_rows, column, passes = np.array(table, dtype=np.intp).reshape(-1, 6).T
    asking = np.argsort(passes, kind="stable")[np.count_nonzero(passes < 0) :]
    by_itself, begin = np.unique(passes[asking], return_index=True)
    return Kinds(being, rows, companion, companion_rows, column, asking, by_itself, begin), tuple(moves)


class Every(NamedTuple):
    """Every candidate: for nobody and then for each kind, one of each hypothesis; N of them, shape (N,) each."""

    parent: IndexArray
    """The hypothesis that it comes from."""
    being: IndexArray
    """Who caused the event; P: nobody."""
    column: IndexArray
    """See `Kinds`."""
    row: IndexArray
    """Shape (P, N), which of the moved distributions it has for each being: its parent's, or that of who moved."""


def every_candidate(signature: Signature, persons: int, count: int) -> tuple[Kinds, tuple[Move, ...], Every]:
    """The kinds and moves of `_kinds`, and every candidate that they give for `count` hypotheses."""
    laid_out = _every_candidate if count <= REMEMBERED else _every_candidate.__wrapped__
    return laid_out(signature, persons, count)


@lru_cache(maxsize=256)
def _every_candidate(signature: Signature, persons: int, count: int) -> tuple[Kinds, tuple[Move, ...], Every]:
    kinds, moves = _kinds(signature, persons)
    kind = np.arange(1, 1 + len(kinds.being))[:, None] * count + np.arange(count)
    parent = np.tile(np.arange(count), 1 + len(kinds.being))
    row = np.tile(parent, (persons, 1))
    row[kinds.companion[:, None], kind] += kinds.companion_rows[:, None] * count
    row[kinds.being[:, None], kind] += kinds.rows[:, None] * count
    being, column = (
        np.repeat(np.append(first, each), count) for first, each in ((persons, kinds.being), (0, kinds.column))
    )
    return kinds, moves, Every(parent, being, column, row)
