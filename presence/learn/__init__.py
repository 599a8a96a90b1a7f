"""Fitting the model to a home's own log, without labels: `fit(plan, logs)`; see `presence.learned` for the file.

logs -> stretches without holes -> first days: candidates -> later days: the best, the defaults always among them
"""

from __future__ import annotations

from presence.learn.fit import Effort, fit

__all__ = ["Effort", "fit"]
