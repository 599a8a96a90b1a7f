"""From reports to a log: messages get lost, come late, and stop when a battery dies."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from presence.floorplan import Sensor
from presence.simulate.reports import Report
from presence.simulate.settings import SimulationSettings

LATENCY = 0.08
"""s: mean of the usual delay of a message. Common practice, no source."""
NOTICED_DEAD = 4 * 3600.0
"""s after which a hub says that a dead sensor is offline."""


def send(
    sensor: Sensor, reports: list[Report], span: tuple[float, float], settings: SimulationSettings, rng: Generator
) -> list[tuple[float, Report]]:
    """(arrival, report) of the messages that arrive from a sensor, for reports inside `span` (epoch seconds)."""
    begin, end = span
    dies = begin + 86400 * settings.dead[sensor.id] if sensor.id in settings.dead else np.inf
    alive = [report for report in reports if begin <= report.time < min(end, dies)]
    lost = rng.random(len(alive)) < settings.loss(sensor.id, sensor.kind)
    late = rng.random(len(alive)) < settings.lateness(sensor.id, sensor.kind)
    delays = rng.exponential(LATENCY, len(alive)).clip(max=0.5)
    delays += late * rng.uniform(0, 1, len(alive)) * max(settings.late_up_to - 0.5, 0)
    sent = [
        (report.time + float(delay), report)
        for report, delay, gone in zip(alive, delays, lost, strict=True)
        if not gone
    ]
    if settings.offline_reports and dies + NOTICED_DEAD < end:
        sent.append((dies + NOTICED_DEAD, Report(dies + NOTICED_DEAD, "offline")))
    return sent
