"""Working out what candidates are worth: each question once, given up early where it is hopeless."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field

import numpy as np

from presence.floorplan import Floorplan
from presence.learn.journal import Journal, digest
from presence.learn.judge import Course, Foresight, Verdict, foresee, judge
from presence.learn.later import DAYS, Timescales
from presence.learn.statistics import Statistics
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
    counted: dict[str, Statistics] = field(default_factory=dict)
    """Expected counts under the latest settings that they were worked out for, by a digest of those and the days."""
    _latest: tuple[Settings, list[Foresight]] | None = None
    """What the days for fitting looked like under the latest settings."""

    def verdict(self, settings: Settings) -> Verdict:
        """How settings do on the days kept apart, with emission tables from all days: those of a few days are noise."""

        def foresights() -> tuple[Sequence[Foresight], Sequence[Foresight]]:
            judged = list(self._foresee(settings, self.judging))
            return [*self._fitted(settings), *judged], judged

        return self._judged("judge", settings, foresights)

    def in_sample(self, settings: Settings) -> Verdict:
        """How settings do on the days for fitting."""
        return self._judged("in sample", settings, lambda: (self._fitted(settings), None))

    def _fitted(self, settings: Settings) -> list[Foresight]:
        if self._latest is None or self._latest[0] != settings:
            self._latest = settings, list(self._foresee(settings, self.fitting))
        return self._latest[1]

    def _judged(
        self,
        name: str,
        settings: Settings,
        foresights: Callable[[], tuple[Sequence[Foresight], Sequence[Foresight] | None]],
    ) -> Verdict:
        question = f"{name} {digest(asdict(settings))}"
        told = self.journal.ask(question)
        if told is None:
            found = judge(*foresights(), self.timescales.block)
            told = [*found[:4], found.blocks.tolist(), found.instants]
            self.journal.note(question, told)
        score, number, rooms, likelihood, blocks, instants = told
        return Verdict(score, number, rooms, likelihood, np.array(blocks), instants)

    def score(self, settings: Settings, beat: Sequence[float]) -> list[float]:
        """Scores of rooms after one day, two days, ... for fitting; fewer if hopelessly behind those in `beat`."""
        question = f"fit {digest(asdict(settings))}"
        told: list[float] = self.journal.ask(question) or []
        if told and (len(told) >= len(beat) or _hopeless(told, beat)):
            return told
        self.asked += 1
        foresights: list[Foresight] = []
        told = []
        for foresight in self._foresee(settings, self.fitting):
            foresights.append(foresight)
            told.append(judge(foresights).rooms)
            if _hopeless(told, beat):
                break
        self.journal.note(question, told)
        return told

    def _foresee(self, settings: Settings, courses: Sequence[Course]) -> Iterator[Foresight]:
        for course in courses:
            yield from foresee(self.plan, settings, course, self.hypotheses)

    def samples(self) -> float:
        """How many separate samples the days for fitting hold."""
        return sum(c.stretch.end - c.stretch.begin for c in self.fitting) / self.timescales.independent


def _hopeless(scores: Sequence[float], best: Sequence[float]) -> bool:
    n = len(scores)
    return 0 < n < len(best) and scores[n - 1] < best[n - 1] - HOPELESS
