"""Two door contacts whose labels are exchanged: would the log be likelier if each hung at the other's door?

Who does something behind a shut door has passed it before. So contacts that tell of each other's door soon report what
nobody can have done, and the tracker's own likelihood says so, where reports that merely come close together
(`timing`) hardly do. For a whole log only: each pair is a replay of its latest events.
"""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import combinations

from presence.events import Event
from presence.floorplan import Floorplan
from presence.health.findings import NAMED, Finding
from presence.health.odds import probability
from presence.health.timing import CLUSTERED, SWAP_PRIOR
from presence.settings import Settings
from presence.tracker import Tracker

LATEST = 1000
"""Events at the end of a log by which the pairs are weighed."""
LEAST = 5
"""Openings or closings below which nothing is said of a contact."""
AT_A_TIME = 10
"""Events between two looks whether a pair is hopeless..."""
HOPELESS = 20.0
"""...because the log is less likely by so many nats with the two exchanged: pairs that are came to 14.3 on the way."""


def exchanged_contacts(
    plan: Floorplan, events: Sequence[Event], settings: Settings | None = None, hypotheses: int = 8
) -> list[Finding]:
    """The contacts that probably hang at each other's door, likeliest first.

    Log odds: `(log p(events | exchanged) - log p(events)) / 2 + log 0.001`, for events come in clusters.

    Args:
        plan: the home.
        events: the latest ones of a log, in order of time.
        settings: rates and probabilities of the model.
        hypotheses: the largest number of hypotheses kept.
    """
    pairs = list(_candidates(plan, events))
    if not pairs:
        return []
    usual = list(_likelihoods(plan, events, settings, hypotheses))
    odds = {}
    for a, b in pairs:
        gain = -math.inf
        told = _likelihoods(_with_exchanged(plan, a, b), events, settings, hypotheses)
        for exchanged, as_told in zip(told, usual, strict=False):
            gain = exchanged - as_told
            if gain < -HOPELESS:
                break
        odds[a, b] = gain / CLUSTERED + SWAP_PRIOR
    found: dict[str, Finding] = {}
    for (a, b), log_odds in sorted(odds.items(), key=lambda item: -item[1]):
        if log_odds >= NAMED and not {a, b} & found.keys():
            found |= {x: _finding(x, y, events, log_odds) for x, y in ((a, b), (b, a))}
    return list(found.values())


def _candidates(plan: Floorplan, events: Sequence[Event]) -> Iterator[tuple[str, str]]:
    """Contacts of doors between different rooms that have both been heard often enough, of openings and of closings.

    One that hardly tells of either leaves its door open, or shut, for the tracker: that suits another door as often.
    """
    said = Counter((event.sensor, event.value) for event in events)
    contacts = [s for s in plan.sensors.values() if s.kind == "contact"]
    told = {s.id: sorted(said[s.id, value] for value in ("open", "closed")) for s in contacts}
    heard = [s for s in contacts if told[s.id][1] >= LEAST and 2 * told[s.id][0] >= told[s.id][1]]
    for a, b in combinations(heard, 2):
        if set(plan.doors[str(a.door)].between) != set(plan.doors[str(b.door)].between):
            yield a.id, b.id


def _with_exchanged(plan: Floorplan, a: str, b: str) -> Floorplan:
    """The plan with each of two sensors where the other is said to be."""
    one, other = plan.sensors[a], plan.sensors[b]
    moved = {a: dataclasses.replace(one, door=other.door), b: dataclasses.replace(other, door=one.door)}
    return dataclasses.replace(plan, sensors=plan.sensors | moved)


def _likelihoods(
    plan: Floorplan, events: Sequence[Event], settings: Settings | None, hypotheses: int
) -> Iterator[float]:
    """Log-likelihood of the events, nats, after each so many of them, and of all."""
    tracker = Tracker(plan, settings, hypotheses=hypotheses, watching=False)
    for n, event in enumerate(events, start=1):
        tracker.observe(event)
        if n % AT_A_TIME == 0 or n == len(events):
            yield tracker.log_likelihood


def _finding(sensor: str, other: str, events: Sequence[Event], log_odds: float) -> Finding:
    evidence = (
        f"What is heard behind doors fits far better if it hangs where {other} is said to be, and the other way round:"
        " are the two exchanged?"
    )
    return Finding(sensor, "misplaced", probability(log_odds), events[0].time, evidence)
