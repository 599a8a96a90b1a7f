"""Pictures of homes, beliefs, days and scores.

    presence.draw.plan(plan)                     the home: rooms, doors, sensors
    presence.draw.probabilities(plan, belief)    the home at one instant
    presence.draw.timeline(day)                  a day: room by time, with events, passages and truth
    presence.draw.paths(day)                     where each person probably went
    presence.draw.passages(day)                  door by time: which way and how sure
    presence.draw.passage(plan, passage)         one passage
    presence.draw.reliability(scores)            does 80 % mean 80 %?
    presence.draw.evaluation(scores)             all that `presence.evaluate` finds, on one page
    presence.draw.health(plan, findings)         sensors that look sick

`presence.draw.replay_day(plan, events)` makes the day. Every picture is a `matplotlib.figure.Figure` that shows itself
in a notebook and is written with `savefig`. matplotlib comes with the extra `draw`; `house_layout` does without.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from presence.draw.day import Day, replay_day
    from presence.draw.hours import timeline
    from presence.draw.layout import HouseLayout, house_layout
    from presence.draw.passing import passage, passages
    from presence.draw.plans import plan, probabilities
    from presence.draw.scoring import evaluation, reliability
    from presence.draw.soundness import health
    from presence.draw.ways import paths

__all__ = [
    "Day",
    "HouseLayout",
    "evaluation",
    "health",
    "house_layout",
    "passage",
    "passages",
    "paths",
    "plan",
    "probabilities",
    "reliability",
    "replay_day",
    "timeline",
]

_MODULES = {
    "Day": "day",
    "HouseLayout": "layout",
    "evaluation": "scoring",
    "health": "soundness",
    "house_layout": "layout",
    "passage": "passing",
    "passages": "passing",
    "paths": "ways",
    "plan": "plans",
    "probabilities": "plans",
    "reliability": "scoring",
    "replay_day": "day",
    "timeline": "hours",
}
"""Where each name lives; imported when first used."""


def __getattr__(name: str) -> Any:
    if name not in _MODULES:
        raise AttributeError(f"module 'presence.draw' has no attribute {name!r}")
    try:
        return getattr(import_module(f"presence.draw.{_MODULES[name]}"), name)
    except ModuleNotFoundError as error:
        if (error.name or "").split(".")[0] != "matplotlib":
            raise
        told = f"presence.draw.{name} needs matplotlib, of the extra `draw`: pip install 'presence[draw]'"
        raise ModuleNotFoundError(told, name="matplotlib") from None


def __dir__() -> list[str]:
    return __all__
