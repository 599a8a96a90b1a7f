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
Signature = tuple[tuple[int, tuple[int, ...], int, bool], ...]
"""Of each way: label, companions (none: nobody else moves), their label, and whether they are only asked along."""


class Kinds(NamedTuple):
    """Every being and way of causing an event, shape (N,) each; who has none has themselves, unmoved, as companion."""

    being: IndexArray
    rows: IndexArray
    """Index of the moved distributions of the being..."""
    companion: IndexArray
    companion_rows: IndexArray
    """...and of its companion; 0: as they were."""
    column: IndexArray
    """Of the label that this settles: 0 none, 1 + p passed forth, 1 + P + p passed back."""
    alone: IndexArray
    """Which kind it is when the being has asked nobody along; -1: it does not."""


class Move(NamedTuple):
    """How one being's distribution changes: in one or more ways that need not be told apart."""

    ways: tuple[int, ...]
    """Indices of the ways."""
    companion: bool
    """Whether it is the companion of the way who moves."""
    label: int

    @property
    def forth(self) -> bool:
        """Whether the passage goes forth, not back."""
        return self.label == 1


@lru_cache(maxsize=64)
def _kinds(signature: Signature, persons: int) -> tuple[Kinds, tuple[Move, ...]]:
    """Number the kinds, and the moves that they need; move n gives the moved distributions n + 1.

    Ways of one label that move nobody else are one: the being who caused the event is independent of the others.
    """
    moves: list[Move] = []
    table = []
    for label in dict.fromkeys(way[0] for way in signature if not way[1]):
        alike = tuple(n for n, way in enumerate(signature) if way[:2] == (label, ()))
        moves.append(Move(alike, False, label))
        start = 1 + (label - 1) * persons
        table += [(p, len(moves), p, 0, start + p if label else 0, -1) for p in range(persons)]
    passing = {move.label: row for row, move in enumerate(moves)}
    for n, (label, companions, companion_label, asked) in enumerate(signature):
        if asked:  # whoever causes it passes as they do alone
            moves.append(Move((n,), True, companion_label))
            start, row, rows = 1 + (label - 1) * persons, passing[label], len(moves)
            pairs = [(p, g) for p in companions for g in companions if p != g]
            table += [(p, row + 1, g, rows, start + p, row * persons + p) for p, g in pairs]
        elif companions:
            moves += [Move((n,), False, label), Move((n,), True, companion_label)]
            start, rows = 1 + (companion_label - 1) * persons, len(moves)
            table += [(p, rows - 1, g, rows, start + g, -1) for g in companions for p in range(persons) if p != g]
    return Kinds(*np.array(table, dtype=np.intp).reshape(-1, 6).T), tuple(moves)


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


@lru_cache(maxsize=256)
def every_candidate(signature: Signature, persons: int, count: int) -> tuple[Kinds, tuple[Move, ...], Every]:
    """The kinds and moves of `_kinds`, and every candidate that they give for `count` hypotheses."""
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
