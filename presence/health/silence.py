"""Sensors that are silent when others say that they should not be: dead, or stuck.

Silence is measured in several ways, each with its own record: by the reports that the model expected, by people seen to
have passed, by how busy the home was, and by what its neighbours said (`spans`) together with what the model expected.
How busy the home was knows habits only, and habits change: it counts when the model is at odds with the silence as
never before, or when the sensor has been on all the time. What neighbours said tells most, once a week has shown what
is usual. Who is suspect by that gets a second opinion (`second`), which joins the log odds.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from presence.errors import counted
from presence.floorplan import OFF, ON_VALUES, TWO_STATES, Floorplan
from presence.health.findings import NAMED, Finding, Watch
from presence.health.odds import ChangeOdds, probability
from presence.health.second import SecondOpinion
from presence.health.spans import SpanMeter
from presence.health.step import Step
from presence.times import duration, utc

Array = NDArray[np.float64]

OWED, PASSED, BUSY, TOGETHER, JOINED = range(5)
MEASURES = {OWED: (1.0, 4.0), PASSED: (0.3, 1.2), BUSY: (30.0, 120.0), TOGETHER: (1.0, 4.0)}
"""Threshold below which a silence is ordinary, and what one is expected to go beyond it before any has been."""
LEAST = {TOGETHER: 4.5, JOINED: 4.5}
"""Log odds from which on a measure names; `NAMED` for the others. Where tails are right, healthy sensors come this far
`sensors x failure rate x exp(-odds)` times: twenty of them once in 110 months (`benchmarks/naming_curve.py`)."""
DOUBT = 4.5
"""Log odds that it takes beyond that in the first days, and while a sensor may be chattering: neighbours of chattering
sensors of a simulated home came up to 7.4."""
FIRST_DAYS = 7 * 86400.0
"""Seconds until neighbours' reports have shown what is usual: a full round of habits. Common practice, no source."""
SUSPICIOUS = -3.0
"""Log odds by neighbours and model from which on a second opinion is wanted. From -4 on the tracker worked three
quarters more in the second and third week of a healthy garage house (seed 73), with three times as many looks as from
here on, and one more of sixteen dead or stuck sensors was named in time (seed 410). No source."""
SPEAKING = (*TWO_STATES, "switch")
"""Kinds whose silence means something; a phone or a tag that keeps quiet may just lie still."""
HABITUAL = ("motion", "occupancy")
"""Kinds that speak whenever their room is used at all."""


class SilenceWatch(Watch):
    """Watches for sensors that no longer report.

    Args:
        plan: the home.
        seconds: when watching begins.
    """

    def __init__(self, plan: Floorplan, seconds: float) -> None:
        super().__init__(plan)
        count = len(self.sensors)
        threshold, scale = np.repeat(np.array(list(MEASURES.values())), count, axis=0).T
        self._odds = ChangeOdds(len(MEASURES) * count, seconds, threshold, scale)  # all measures are weighed at once
        self._speaking = np.array([float(kind in SPEAKING) for kind in self.kinds])
        self._habitual = np.array([kind in HABITUAL for kind in self.kinds])
        self._spans = SpanMeter(plan)
        self._second = SecondOpinion(count)
        self._began = seconds
        self.heard: Array = np.full(count, seconds)
        """Shape (N,), epoch seconds: when each sensor was last heard."""
        self.odds_to_name: Array = np.full(count, -np.inf)
        """Shape (N,): log odds by neighbours, model and second opinion, as of the last weighing."""
        self._value: list[str | None] = [None] * count
        self._unreachable: set[int] = set()
        self._listening: Array = self._speaking.copy()
        """Shape (N,): 1 where silence means something and the sensor can be reached, else 0."""
        self._talking = -1

    def take(self, step: Step, *, trusted: bool = True) -> list[Finding]:
        """Take in one step, with its event trusted to tell of others; findings that the sensor has just refuted."""
        reach = self._reach
        reach[OWED] += self._listening * step.expected
        reach[PASSED] += self._listening * step.passed
        if step.sensor is None:
            return []
        n = self.index[step.sensor]
        if n != self._talking:  # however much one sensor says, it is one stir
            self._talking = n
            reach[BUSY] += self._listening * self._habitual
        if step.value == "offline":
            self._unreachable.add(n)
            self._listening[n] = 0.0
            self._value[n] = None
            return self._heard_from(n, step.seconds)
        self._unreachable.discard(n)
        self._listening[n] = self._speaking[n]
        self._value[n] = step.value if step.value != "online" else None
        if trusted:
            self._spans.hear(n, step.value, step.seconds)
            for m in self._unreachable:
                self._spans.forgive(m)
        return self._heard_from(n, step.seconds)

    def _heard_from(self, n: int, seconds: float) -> list[Finding]:
        reach = self._reach
        reach[TOGETHER, n] = reach[OWED, n] + self._speaking[n] * self._spans.reach_of(n)
        for measure, furthest in enumerate(reach[:, n].tolist()):
            self._odds.end(measure * len(self.sensors) + n, furthest)
        self._second.end(n)
        self.odds_to_name[n] = -np.inf
        self._spans.end(n, self._value[n])
        self.heard[n] = seconds
        finding = self.named.pop(self.sensors[n], None)
        return [] if finding is None else [finding]

    def forgive(self) -> None:
        """What others said is in doubt: silences begin anew, those apart that have been named."""
        doubtful = [n for n, sensor in enumerate(self.sensors) if sensor not in self.named]
        self._reach[:, doubtful] = 0.0
        for n in doubtful:
            self._second.forgive(n)
            self._spans.forgive(n)

    def suspects(self) -> list[str]:
        """Sensors, not named, of which a second opinion is wanted, the most suspicious first."""
        order = np.argsort(-self.log_odds, kind="stable").tolist()
        found = [self.sensors[n] for n in order if self.log_odds[n] > SUSPICIOUS and n not in self._unreachable]
        return [sensor for sensor in found if sensor not in self.named]

    def look(self, opinions: Iterable[tuple[str, float]]) -> None:
        """What second opinions say: (sensor, nats of its silence)."""
        for sensor, nats in opinions:
            self._second.take(self.index[sensor], nats)

    def weigh(self, seconds: float, *, doubtful: bool = False, excused: Sequence[int] = ()) -> None:
        """Name who has been silent for too long; while others may be chattering only on the strongest evidence.

        Args:
            seconds: the present instant.
            doubtful: whether others may be chattering.
            excused: neighbours of theirs, who are not named.
        """
        reach = self._reach
        reach[TOGETHER] = reach[OWED] + self._speaking * self._spans.reach
        self._odds.weigh(seconds)
        by_measure = self._by_measure(self._odds.log_odds)
        each = np.concatenate([by_measure, [by_measure[TOGETHER] + self._second.evidence()]])
        at_odds = reach[OWED] > self._by_measure(self._odds.tails.longest)[OWED]
        for n in np.flatnonzero(~at_odds & (each[BUSY] > 0.0)).tolist():
            if not self._is_stuck(n):
                each[BUSY, n] = -np.inf
        if doubtful:
            each[[OWED, PASSED, BUSY]] = -np.inf
            each[:, list(excused)] = -np.inf
        if doubtful or seconds < self._began + FIRST_DAYS:
            each[[TOGETHER, JOINED]] -= DOUBT
        self.odds_to_name = each[[TOGETHER, JOINED]].max(axis=0)
        beyond = each - np.array([[LEAST.get(measure, NAMED)] for measure in (*MEASURES, JOINED)])
        for n in np.flatnonzero(beyond.max(axis=0) > 0.0).tolist():
            if self.sensors[n] not in self.named:
                by = int(beyond[:, n].argmax())
                self.named[self.sensors[n]] = self._finding(n, by, seconds, float(each[by, n]))

    @property
    def log_odds(self) -> Array:
        """Shape (N,): log odds by neighbours and model together, as of the last weighing."""
        log_odds: Array = self._by_measure(self._odds.log_odds)[TOGETHER]
        return log_odds

    @property
    def _reach(self) -> Array:
        """Shape (measures, N): how far each silence has come by each measure."""
        return self._by_measure(self._odds.reach)

    def _by_measure(self, values: Array) -> Array:
        """Values of all measures, one after the other, with shape (measures, N)."""
        by_measure: Array = values.reshape(len(MEASURES), -1)
        return by_measure

    def _is_stuck(self, n: int) -> bool:
        return self._value[n] in ON_VALUES and self.kinds[n] in OFF

    def _finding(self, n: int, by: int, seconds: float, log_odds: float) -> Finding:
        kind = "stuck" if self._is_stuck(n) else "dead"
        word = self._value[n] or ("online" if self.heard[n] > self._began else None)
        said = f"Its last word was {word}" if word else "It has never said a word"
        meanwhile = self._by_record(n, by) if by in (OWED, PASSED, BUSY) else self._by_neighbours(n)
        if by == JOINED:
            meanwhile += f"; {self._second.said(n)}"
        evidence = f"{said}, {duration(seconds - self.heard[n])} before this was noticed. Meanwhile {meanwhile}."
        return Finding(self.sensors[n], kind, probability(log_odds), utc(float(self.heard[n])), evidence)

    def _by_neighbours(self, n: int) -> str:
        owed, most = self._spans.owed(n)
        return (
            f"it would usually have spoken about {counted(owed, 'time')}, going by what its neighbours said; the most"
            f" that it ever missed before was {round(most)}"
        )

    def _by_record(self, n: int, by: int) -> str:
        reach = self._reach[:, n].tolist()
        meanwhile = [
            f"the model expected {counted(reach[OWED], 'report')}",
            f"people were seen on both sides of it {counted(reach[PASSED], 'time')}",
            f"other sensors took turns {counted(reach[BUSY], 'time')}",
        ]
        times = reach[by] / max(float(self._by_measure(self._odds.tails.longest)[by, n]), MEASURES[by][0])
        return f"{meanwhile[by]}: {times:.1f} times as many as in its longest silence before"
