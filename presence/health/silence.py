"""Sensors that are silent when others say that they should not be: dead, or stuck.

Silence is measured in three ways, each with its own record: by the reports that the model owed, by people seen to have
passed, and by how busy the home was. The last knows habits only, and habits change: it counts when the model is at
odds with the silence as never before, or when the sensor has been on all the time.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import Floorplan
from presence.health.findings import NAMED, Finding, counted, lasting
from presence.health.odds import ChangeOdds, probability
from presence.health.step import OFF, ON, Step
from presence.passages import utc

Array = NDArray[np.float64]

WALK = 3.0
"""Reports owed for one person seen to have passed unseen. Common practice, no source."""
MEASURES = {"owed": (1.0, 6.0), "owed or passed": (1.0, 6.0), "passed": (0.3, 1.2), "busy": (30.0, 120.0)}
"""Threshold below which a silence is ordinary, and what one is expected to go beyond it before any has been."""
SPEAKING = ("motion", "occupancy", "camera", "contact", "lock", "switch", "power", "pressure")
"""Kinds whose silence means something; a phone or a tag that keeps quiet may just lie still."""
HABITUAL = ("motion", "occupancy")
"""Kinds that speak whenever their room is used at all."""


class SilenceWatch:
    """Watches for sensors that no longer report.

    Args:
        plan: the home.
        seconds: when watching begins.
    """

    def __init__(self, plan: Floorplan, seconds: float) -> None:
        self.plan = plan
        self.sensors = list(plan.sensors)
        self._index = {sensor: n for n, sensor in enumerate(self.sensors)}
        count = len(self.sensors)
        self._odds = {name: ChangeOdds(count, seconds, *law) for name, law in MEASURES.items()}
        kinds = [s.kind for s in plan.sensors.values()]
        self._speaking = np.array([float(kind in SPEAKING) for kind in kinds])
        self._habitual = np.array([kind in HABITUAL for kind in kinds])
        self._heard: Array = np.full(count, seconds)
        self._value: list[str | None] = [None] * count
        self._unreachable: set[int] = set()
        self._talking = -1
        self.named: dict[str, Finding] = {}

    def take(self, step: Step) -> Finding | None:
        """Take in one step; a finding that the sensor itself has just refuted."""
        listening = self._speaking.copy()
        listening[list(self._unreachable)] = 0.0
        self._odds["owed"].reach += listening * step.expected
        self._odds["passed"].reach += listening * step.passed
        self._odds["owed or passed"].reach += listening * (step.expected + WALK * step.passed)
        if step.sensor is None:
            return None
        n = self._index[step.sensor]
        if n != self._talking:  # however much one sensor says, it is one stir
            self._talking = n
            self._odds["busy"].reach += listening * self._habitual
        if step.value == "offline":
            self._unreachable.add(n)
            return self._heard_from(n, step.seconds)
        self._unreachable.discard(n)
        self._value[n] = step.value if step.value != "online" else None
        return self._heard_from(n, step.seconds)

    def _heard_from(self, n: int, seconds: float) -> Finding | None:
        for odds in self._odds.values():
            odds.end(n, float(odds.reach[n]))
        self._heard[n] = seconds
        return self.named.pop(self.sensors[n], None)

    def forgive(self) -> None:
        """What others said is in doubt: silences begin anew, those apart that have been named."""
        for odds in self._odds.values():
            odds.reach[[n for n, sensor in enumerate(self.sensors) if sensor not in self.named]] = 0.0

    def weigh(self, seconds: float, *, naming: bool = True) -> None:
        """Name who has been silent for too long, unless what others say is in doubt."""
        for odds in self._odds.values():
            odds.weigh(seconds)
        if not naming:
            return
        log_odds, by = self._log_odds()
        for n in np.flatnonzero(log_odds > NAMED):
            sensor = self.sensors[n]
            if sensor not in self.named:
                self.named[sensor] = self._finding(int(n), float(log_odds[n]), by[int(n)], seconds)

    def _log_odds(self) -> tuple[Array, list[str]]:
        """Log odds of each sensor's having died, shape (N,), and which measure says so most."""
        owed = self._odds["owed"]
        stuck = np.array([self._is_stuck(n) for n in range(len(self.sensors))])
        at_odds = (owed.reach > owed.tails.longest) | stuck
        names = list(self._odds)
        each = np.array([self._odds[name].log_odds for name in names])
        each[names.index("busy"), ~at_odds] = -np.inf
        return each.max(axis=0), [names[i] for i in each.argmax(axis=0)]

    def _is_stuck(self, n: int) -> bool:
        return self._value[n] in ON and self.plan.sensors[self.sensors[n]].kind in OFF

    def _finding(self, n: int, log_odds: float, by: str, seconds: float) -> Finding:
        kind = "stuck" if self._is_stuck(n) else "dead"
        odds, passed = self._odds[by], self._odds["passed"]
        said = f"Its last word was {self._value[n]}" if self._value[n] else "It has never said a word"
        parts = [f"{said}, {lasting(seconds - self._heard[n])} before this was noticed."]
        meanwhile: dict[str, Any] = {
            "owed": f"the model expected {counted(self._odds['owed'].reach[n], 'report')}",
            "passed": f"people were seen on both sides of it {counted(passed.reach[n], 'time')}",
            "busy": f"other sensors took turns {counted(self._odds['busy'].reach[n], 'time')}",
        }
        wanted = {"owed or passed": ["passed", "owed"], "busy": ["busy", "owed"]}.get(by, [by])
        shown = [meanwhile[name] for name in wanted if round(float(self._odds[name].reach[n])) > 0]
        parts.append(f"Meanwhile {' and '.join(shown or [meanwhile[wanted[0]]])};")
        share = odds.reach[n] / max(float(odds.tails.longest[n]), float(odds.tails.thresholds[0]))
        parts.append(f"that is {share:.1f} times its longest silence before, measured so.")
        since = utc(float(self._heard[n]))
        return Finding(self.sensors[n], kind, probability(log_odds), since, " ".join(parts))
