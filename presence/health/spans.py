"""Whether a sensor speaks between two reports of its neighbours, as it usually does between two such reports.

Who walks from the hall to the landing and back a minute later was in the bathroom; who unlocks the front door opens it.
So every span from one report of a sensor's neighbours to the next is a chance, and the sensor's own record says how
often it speaks in a span of this kind. With `q` that share, the evidence of its silence since its last report is

    a = sum over spans of -log(1 - q)

whatever the tracker believes: a belief explains silence as absence, a record does not. A kind of span is the report
that begins it, how long it lasts and the report that ends it; each is shrunk towards the kind that leaves the last of
these out (MacKay & Peto 1995, Natural Language Engineering 1:289, for two outcomes):

    q = (spoken + K q of the wider kind) / (spans + K)

The widest kind says how often that very span has gone by of late without a word: people who sit at a table make it
again and again, and it is no new chance each time. What is learned about a silence is kept back until it is over: it
may be the sensor's end. And a report may be lost, so that the sensor is on and not off, or the other way round: the
evidence is that of both states together.
"""

from __future__ import annotations

import math
from bisect import bisect_right

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import ON_VALUES, TWO_STATES, Floorplan
from presence.health.step import neighbours

Array = NDArray[np.float64]
Span = tuple[int, int, int]
"""The mark of the report that begins it, its length's place among `LENGTHS`, the mark of the report that ends it."""
Kinds = tuple[int, int, int, int]
"""The numbers of a span's kinds, the widest first."""

LENGTHS = (10.0, 30.0, 90.0, 300.0, 1200.0, 5400.0)
"""Seconds that tell one length of span from the next: a few steps, a walk, a visit, a sitting. Common practice, no
source."""
LONGEST = 12 * 3600.0
"""Seconds: in a longer span the hub may have been down; it is no chance. Common practice, no source."""
SHRINK = 4.0
"""K: spans of a kind that weigh as much as the wider kind. No source."""
SUPPOSED = 0.05
"""The share before anything is known. Common practice, no source."""
SUREST = 0.97
"""No chance is surer: one report in some thirty is missed or lost. Common practice, no source."""
AGAIN, OFTEN = 1800.0, 2
"""A span is looked for so many seconds back, and counted up to so many times. Common practice, no source."""
LOST = 0.01
"""Chance that the sensor's state is not what it said last. Common practice, no source."""
MEMORY = 256
"""Spans of a kind after which what is older counts half. No source."""
KINDS = 4096
"""Kinds of span that a sensor's record holds: a few months of a busy one, some 2 MB. Beyond it the half seen least is
forgotten, and for those the wider kind speaks. No source."""
MARKS = 1 << 20
"""More than there are different reports (who said what) in any home."""
TELLING = ("phone", "badge")
"""Kinds whose reports begin and end spans of every sensor: somebody came or went."""


class SpanMeter:
    """Evidence of silence for each sensor of one home.

    Args:
        plan: the home.
    """

    def __init__(self, plan: Floorplan) -> None:
        kinds = [s.kind for s in plan.sensors.values()]
        near = [set(map(int, found)) for found in neighbours(plan)]
        telling = {n for n, kind in enumerate(kinds) if kind in TELLING}
        self._rows = {n: _Row(kind in TWO_STATES) for n, kind in enumerate(kinds) if kind not in TELLING}
        self._beside = [[n for n in self._rows if n != m and (m in near[n] or m in telling)] for m in range(len(kinds))]
        self._marks: dict[tuple[int, str], int] = {}

    @property
    def reach(self) -> Array:
        """Shape (N,), nats: the evidence of each sensor's silence."""
        return np.array([self.reach_of(n) for n in range(len(self._beside))])

    def reach_of(self, n: int) -> float:
        """Nats: the evidence of one sensor's silence."""
        return self._rows[n].reach if n in self._rows else 0.0

    def hear(self, n: int, value: str, seconds: float) -> None:
        """A sensor speaks: for its neighbours a span ends and the next begins."""
        mark = self._marks.setdefault((n, value), len(self._marks))
        for m in self._beside[n]:
            self._rows[m].next(mark, seconds)

    def owed(self, n: int) -> tuple[float, float]:
        """Times that it would usually have spoken in its present silence, and at most in any silence before."""
        return self._rows[n].owed, self._rows[n].most

    def end(self, n: int, value: str | None) -> None:
        """A sensor has spoken: its silence is over, and learned from."""
        if n in self._rows:
            self._rows[n].speak(value)

    def forgive(self, n: int) -> None:
        """A sensor's silence begins anew, and nothing is learned from what has been of it."""
        if n in self._rows:
            self._rows[n].forget()


class _Row:
    """One sensor: its record of spans, and its present silence."""

    def __init__(self, two_states: bool) -> None:
        self._states = (0, 1) if two_states else (0,)
        self._record: dict[int, list[float]] = {}
        self._begun: tuple[int, float] | None = None
        self._state = self._now = 0
        self._spoken = False
        self._latest: dict[Span, list[float]] = {}
        self.most = 0.0
        self._begin_silence()

    @property
    def reach(self) -> float:
        """Nats: evidence of the present silence."""
        here, there = self._evidence[self._state], self._evidence[1 - self._state]
        if len(self._states) == 1:
            return here
        right, lost = math.log1p(-LOST) - here, math.log(LOST) - there
        return -max(right, lost) - math.log1p(math.exp(-abs(right - lost)))

    def next(self, mark: int, seconds: float) -> None:
        """A neighbour speaks."""
        if self._begun is not None and seconds - self._begun[1] < LONGEST:
            before, since = self._begun
            span = (before, bisect_right(LENGTHS, seconds - since), mark)
            latest = self._latest.get(span, [])
            again = min(OFTEN, sum([seconds - each < AGAIN for each in latest]))
            if self._spoken:
                self._learn(_kinds(self._state, again, span), 1.0)
                self._latest = {}
            else:
                self._weigh(again, span)
                if len(self._latest) >= KINDS:
                    self._latest = {s: times for s, times in self._latest.items() if seconds - times[-1] < AGAIN}
                self._latest[span] = [*latest[1 - OFTEN :], seconds]
        self._begun, self._spoken = (mark, seconds), False
        self._state = self._now

    def speak(self, value: str | None) -> None:
        """The sensor itself speaks."""
        for kinds, spans in self._silences.items():
            self._learn(kinds, 0.0, spans)
        self.most = max(self.most, self.owed)
        self._begin_silence()
        self._now = int(value in ON_VALUES) if len(self._states) == 2 else 0
        self._spoken = True

    def forget(self) -> None:
        """Begin a new silence; nothing is kept of the present one."""
        self._begin_silence()
        self._latest = {}

    def _begin_silence(self) -> None:
        self._silences: dict[Kinds, int] = {}
        self._evidence = [0.0, 0.0]
        self.owed = 0.0

    def _weigh(self, again: int, span: Span) -> None:
        """Add a span to the silence, in each state that the sensor may be in."""
        for state in self._states:
            kinds = _kinds(state, again, span)
            share = self._share(kinds)
            self._evidence[state] -= math.log1p(-share)
            if state != self._state:
                continue
            self.owed += share
            if kinds in self._silences or len(self._silences) < KINDS:
                self._silences[kinds] = self._silences.get(kinds, 0) + 1

    def _share(self, kinds: Kinds) -> float:
        share, record = SUPPOSED, self._record
        for kind in kinds:
            counts = record.get(kind)
            if counts is not None:
                share = (counts[0] + SHRINK * share) / (counts[1] + SHRINK)
        return min(share, SUREST)

    def _learn(self, kinds: Kinds, spoken: float, spans: int = 1) -> None:
        for kind in kinds:
            counts = self._record.setdefault(kind, [0.0, 0.0])
            counts[0] += spoken
            counts[1] += spans
            while counts[1] > MEMORY:
                counts[0] *= 0.5
                counts[1] *= 0.5
        if len(self._record) > KINDS:
            self._forget_rare()

    def _forget_rare(self) -> None:
        """Keep the half of the kinds that has been seen most: a kind is never seen more often than its wider ones."""
        most = sorted(self._record, key=lambda kind: (-self._record[kind][1], kind % 4))[: KINDS // 2]
        self._record = {kind: self._record[kind] for kind in most}


def _kinds(state: int, again: int, span: Span) -> Kinds:
    """The kinds of a span: its state, and the report that begins it, and its length, and the report that ends it."""
    begun, length, end = span
    first = 2 * again + state  # numbers, for tuples of tuples take long to look up; the last two bits say how wide
    second = first * MARKS + begun
    third = second * (len(LENGTHS) + 1) + length
    return 4 * first, 4 * second + 1, 4 * third + 2, 4 * (third * MARKS + end) + 3
