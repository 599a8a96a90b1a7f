"""What changes in the generators while a sensor is blind, a door stands open or a seat is taken."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.hypotheses import Way
from presence.places import shared_bed
from presence.sensing import Sight

Array = NDArray[np.float64]
STANDING, USUALLY = "standing ", "usually "
SELDOM = 3
"""So many sensors blind, doors open and seats taken at once are seldom met again; smaller sets mostly are. Counted in
our simulator's logs, no source."""


def standing(open_share: float) -> str:
    """The condition, beside `open`, of a door that has stood open for this share of the time: see `entries_of`."""
    return f"{STANDING}{open_share:.1f}"


def usually(open_share: float) -> str:
    """The condition of a door that stands shut, but open for this share of the time: see `entries_of`."""
    return f"{USUALLY}{open_share:.1f}"


def report_of(condition: str) -> tuple[str, float]:
    """What the contact of a door can report under such a condition, and the share of time; no value for any other."""
    for prefix, value in ((STANDING, "closed"), (USUALLY, "open")):
        if condition.startswith(prefix):
            return value, float(condition.removeprefix(prefix))
    return "", 0.0


def seldom(conditions: frozenset[tuple[str, str]]) -> bool:
    """Whether such a set is seldom met again; how a door usually stands lasts, so that it does not count."""
    return sum(not report_of(kind)[0] for kind, _ in conditions) >= SELDOM


def forget_door(conditions: frozenset[tuple[str, str]], door: str) -> frozenset[tuple[str, str]]:
    """Conditions without those that say how a door stands."""
    return frozenset(c for c in conditions if c[1] != door or not (c[0] == "open" or report_of(c[0])[0]))


class Entry(NamedTuple):
    """A changed entry of the generators: `rate` per being at [i, j], and for i != j the same flow back."""

    i: int
    j: int
    rate: Array
    """Shape (P,): a rate on the diagonal (1/s), a flow (weight per second) off it."""
    both_ways: bool = True


def entries_of(sight: Sight, condition: str, name: str) -> Iterator[Entry]:
    """Changed entries while a condition lasts.

    Conditions: `blind` (a sensor that is on, or offline, gives its losses back; a seat is taken and left in silence),
    `open` (a door lets people through unreported, and may be closed), `standing 0.3` (such a door has stood open three
    tenths of the time: who is on its outer side is slower to close it, so that its silence says less of them), `usually
    0.3` (such a door stands shut: it is opened more readily than it is passed, so that its silence says more),
    `unpassed` (all who pass it are cut off), `unwatched` (a door whose contact is offline), `pressed` (a seat). A walk
    past every sensor into the zone of a blind one is left out: it would join all zones with one another, for a loss
    that is small and the same in each.
    """
    if condition == "blind":
        sensor = sight.plan.sensors[name]
        for i, j in sight.zone_moves(name):
            seen = sight.seen_entering(sensor, i, j)
            yield Entry(i, j, seen, both_ways=False)
            yield Entry(i, i, -seen / sight.weights[:, i])
        ways = sight.motion_nearby(sensor) if sensor.kind == "motion" else sight.resting_options(sensor)
        yield from _on_diagonal(ways, 1.0)
        if sensor.kind == "pressure":
            yield from _seat_moves(sight, name, 1.0 - sight.settings.seat_miss)
    elif condition in ("open", "unwatched"):
        contact = sight.contact(name)
        if contact is None:
            return
        yield from _on_diagonal(sight.options(contact, "open"), 1.0)
        for i, j in sight.door_states(name):
            flow = (1 - sight.door_miss(name)) * sight.flows[:, i, j]
            yield Entry(i, j, flow)
            yield Entry(i, i, -flow / sight.weights[:, i])
            yield Entry(j, j, -flow / sight.weights[:, j])
        if condition == "open":
            yield from _on_diagonal(sight.options(contact, "closed"), -1.0)
    elif condition == "unpassed":
        for i, j in sight.door_states(name):
            yield Entry(i, j, -sight.flows[:, i, j])
    elif (report := report_of(condition))[0]:
        yield from _instead(sight, name, *report)
    elif condition == "pressed":
        sensor = sight.plan.sensors[name]
        yield from _on_diagonal(sight.resting_options(sensor), 1.0)
        yield from _on_diagonal(sight.options(sensor, "released"), -1.0)
        if not shared_bed(sight.plan, sensor):  # a seat that is taken takes nobody else, and is not left in silence
            yield from _seat_moves(sight, name, -sight.settings.seat_miss)


def _seat_moves(sight: Sight, name: str, share: float) -> Iterator[Entry]:
    """A share of those who sit down and get up does so in silence as well."""
    perched = dict(sight.seats())[name]
    flow = share * sight.flows[:, perched, perched + 1]
    yield Entry(perched, perched + 1, flow)
    yield Entry(perched, perched, -flow / sight.weights[:, perched])
    yield Entry(perched + 1, perched + 1, -flow / sight.weights[:, perched + 1])


def _instead(sight: Sight, door: str, value: str, open_share: float) -> Iterator[Entry]:
    """Closing or opening a door that stands open for a share of the time, instead of any door."""
    contact = sight.contact(door)
    if contact is not None:
        staying = [[w for w in sight.options(contact, value, open_share=p) if not w.label] for p in (0.0, open_share)]
        yield from _on_diagonal(staying[0], 1.0)
        yield from _on_diagonal(staying[1], -1.0)


def _on_diagonal(ways: Sequence[Way], sign: float) -> Iterator[Entry]:
    """The rates of some events given back to the diagonal (sign 1), or taken off it (sign -1)."""
    for way in ways:
        for i, rate in zip(way.source, way.losses.T, strict=True):
            yield Entry(int(i), int(i), sign * rate)
