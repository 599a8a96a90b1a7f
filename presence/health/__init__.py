"""Sick sensors: found from the model's own likelihoods, named with their evidence, and doubted by the tracker."""

from presence.health.findings import MEANING, Finding
from presence.health.monitor import AT_EASE, Monitor
from presence.health.twins import HOLE

__all__ = ["AT_EASE", "HOLE", "MEANING", "Finding", "Monitor"]
