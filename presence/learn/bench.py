"""Working out what candidates are worth: each question once, given up early where it is hopeless."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field

import numpy as np

from presence.floorplan import Floorplan
from presence.learn.journal import Journal, digest
from presence.learn.judge import Course, Foresight, Verdict, foresee, judge
from presence.learn.later import DAYS, Timescales
from presence.learn.recordings import Stretch
from presence.learn.statistics import Statistics, count
from presence.learn.tape import Tape, record
from presence.recent import Recent
from presence.settings import Settings

HOPELESS = 0.03
"""Nats per instant: a candidate so far behind the best after the same days is given up."""
Say = Callable[[str], None]


@dataclass
class Bench:
    """The home, its days for fitting and for judging, and what has been worked out."""

    plan: Floorplan
    fitting: Sequence[Course]
    judging: Sequence[Course]
    journal: Journal
    hypotheses: int = 16
    say: Say = lambda text: None
    asked: int = 0
    notes: list[str] = field(default_factory=list)
    """What could not be worked out."""
    timescales: Timescales = DAYS
    silent: frozenset[str] = frozenset()
    """Sensors of which nothing is learned (`sensors.silent_sensors`)."""
    all_days: bool = False
    """Whether rates and habits are counted on all days for fitting."""
    _tapes: Recent[list[Tape]] = field(default_factory=lambda: Recent(1))
    """What the engine did under the latest settings (the first step and EM both begin at the defaults), by a digest of
    those and the days..."""
    _counts: Recent[Statistics] = field(default_factory=lambda: Recent(1))
    """...and the expected counts."""
    _foreseen: dict[str, list[Foresight]] = field(default_factory=dict)
    """The days for fitting under all settings that were tracked to their end, by a digest of those."""

    def tapes(self, settings: Settings, stretches: Sequence[Stretch]) -> list[Tape]:
        """What the engine does on some days under settings; the latest are kept."""
        recorded = [(s.begin, s.events, s.end) for s in stretches]
        return self._tapes.get_or(
            _of(settings, stretches), lambda: record(self.plan, settings, recorded, self.hypotheses)
        )

    def counts(self, settings: Settings, stretches: Sequence[Stretch]) -> Statistics:
        """The E step for all residents on some days under settings; the latest are kept.

        Raises:
            FloatingPointError: if a generator cannot be decomposed or a step is impossible.
        """
        return self._counts.get_or(
            _of(settings, stretches),
            lambda: count(self.plan, settings, self.tapes(settings, stretches), range(len(self.plan.people))),
        )

    def verdict(self, settings: Settings) -> Verdict:
        """How settings do on the days kept apart, with emission tables from all days: those of a few days are noise."""
        question = f"judge {digest(asdict(settings))}"
        told = self.journal.ask(question)
        if told is None:
            judged = list(self._foresee(settings, self.judging))
            found = judge([*self._fitted(settings), *judged], judged, self.timescales.block)
            told = [*found[:4], found.blocks.tolist(), found.instants]
            self.journal.note(question, told)
        score, number, rooms, likelihood, blocks, instants = told
        return Verdict(score, number, rooms, likelihood, np.array(blocks), instants)

    def _fitted(self, settings: Settings) -> list[Foresight]:
        key = digest(asdict(settings))
        if key not in self._foreseen:
            self._foreseen[key] = list(self._foresee(settings, self.fitting))
        return self._foreseen[key]

    def score(self, settings: Settings, beat: Sequence[float]) -> list[float]:
        """Scores of rooms after one day, two days, ... for fitting; fewer if hopelessly behind those in `beat`."""
        key = digest(asdict(settings))
        told: list[float] = self.journal.ask(f"fit {key}") or []
        if told and (len(told) >= len(beat) or _hopeless(told, beat)):
            return told
        self.asked += 1
        foresights: list[Foresight] = []
        told = []
        for foresight in self._foreseen.get(key) or self._foresee(settings, self.fitting):
            foresights.append(foresight)
            told.append(judge(foresights).rooms)
            if _hopeless(told, beat):
                break
        else:
            self._foreseen[key] = foresights
        self.journal.note(f"fit {key}", told)
        return told

    def _foresee(self, settings: Settings, courses: Sequence[Course]) -> Iterator[Foresight]:
        for course in courses:
            yield from foresee(self.plan, settings, course, self.hypotheses)

    def samples(self) -> float:
        """How many separate samples the days for fitting hold."""
        return sum(c.stretch.end - c.stretch.begin for c in self.fitting) / self.timescales.independent


def _of(settings: Settings, stretches: Sequence[Stretch]) -> str:
    return digest([asdict(settings), [(stretch.begin, stretch.end) for stretch in stretches]])


def _hopeless(scores: Sequence[float], best: Sequence[float]) -> bool:
    n = len(scores)
    return 0 < n < len(best) and scores[n - 1] < best[n - 1] - HOPELESS
