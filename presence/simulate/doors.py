"""What becomes of doors and locks as people go through them: opened, shut behind, left open, held for the next one.

All chances and delays here: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.random import Generator

from presence.floorplan import AWAY, Door, Floorplan
from presence.simulate.geometry import Geometry
from presence.simulate.rooms import BED, GARAGE, TOILET
from presence.simulate.settings import SimulationSettings
from presence.simulate.walking import ASLEEP, Crossing, Trace

OVERHEAD_TRAVEL = 12.0
"""s that an overhead door takes to open or to close."""
BRIEF_CLOSING = 0.4
"""Chance that an outer door is shut behind somebody who means to be back in minutes, relative to otherwise."""
BATH_SHUT, BATH_SHUT_BEHIND = 0.8, 0.15
"""Chance that the door of a bathroom is shut by who goes in, and by who comes out."""
BED_SHUT = 0.5
"""Chance that the door of a bedroom is shut by who goes to sleep there."""
NOTICED = 0.5
"""Chance that somebody who comes into a room shuts an outer door that stands open there."""


class Use(NamedTuple):
    """Somebody does something to a door."""

    time: float
    being: str | None
    source: str
    """The room they stand in."""
    crossing: Crossing | None = None
    """None: they open it and do not pass."""
    notice: bool = False
    """They see it stand open, and may shut it."""
    keep: float = 0.0
    """Seconds that they hold it open, or take to get to it."""


class Swing(NamedTuple):
    """A door's leaf changed to open or shut."""

    time: float
    open: bool
    being: str | None
    source: str
    """The room where whoever moved it stood."""


class Turn(NamedTuple):
    """A lock changed."""

    time: float
    locked: bool
    by: str | None
    code: str | None
    being: str | None


def is_outer(geometry: Geometry, door: Door) -> bool:
    """A door to the open, to `away` or to a garage: one that people shut behind them."""
    plan = geometry.plan
    garages = geometry.rooms.get(GARAGE, ())
    return any(plan.rooms[room].outdoors or room == AWAY or room in garages for room in door.between)


def uses_of(
    door: Door, traces: Iterable[Trace], openers: dict[tuple[str, float], str], geometry: Geometry
) -> list[Use]:
    """Everything that happens at `door`, in order; `openers` names who opens it to a visitor, by visitor and time."""
    uses: list[Use] = []
    indoors = [room for room in door.between if room in geometry.plan.indoor]
    outer = is_outer(geometry, door)
    for trace in traces:
        resident = trace.being in geometry.plan.people
        for crossing in trace.crossings:
            if crossing.door == door.id:
                being = openers.get((crossing.being, crossing.time), crossing.being)
                own = being == crossing.being or not indoors
                source = crossing.source if own else indoors[0]  # who lets a visitor in or out stands inside
                uses.append(Use(crossing.time, being, source, crossing))
        if outer and resident:
            seen = [stay for stay in trace.sojourns if stay.room in indoors and stay.end - stay.start > 8]
            uses += [Use(s.start + 2, trace.being, s.room, None, True, min(s.end - s.start - 4, 25)) for s in seen]
    return sorted(uses, key=lambda use: use.time)


def idle_uses(door: Door, traces: list[Trace], settings: SimulationSettings, rng: Generator) -> list[Use]:
    """Openings without passing: by people who are up in a room beside the door, in proportion to its passages."""
    beside = [
        (stay, trace.being)
        for trace in traces
        for stay in trace.sojourns
        if stay.room in door.between and stay.room != AWAY and stay.activity != ASLEEP and stay.end - stay.start > 20
    ]
    passages = sum(crossing.door == door.id for trace in traces for crossing in trace.crossings)
    uses: list[Use] = []
    if beside and door.leaf in ("hinged", "sliding"):
        for k in rng.integers(len(beside), size=rng.poisson(settings.idle_door_share * passages)):
            stay, being = beside[int(k)]
            time = float(rng.uniform(stay.start + 5, stay.end - 5))
            uses.append(Use(time, being, stay.room, keep=float(rng.lognormal(np.log(5), 0.6))))
    return uses


class Leaf:
    """One door as time goes by."""

    def __init__(self, door: Door, geometry: Geometry, settings: SimulationSettings, rng: Generator) -> None:
        self.door, self.rng, self.settings = door, rng, settings
        self.outer, self.overhead = is_outer(geometry, door), door.leaf == "overhead"
        self.baths = [room for room in door.between if room in geometry.rooms.get(TOILET, ())]
        self.beds = [room for room in door.between if room in geometry.rooms.get(BED, ())]
        self.swings: list[Swing] = []
        self.open = not self.outer and rng.random() > settings.inner_door_closing
        self.closing: tuple[float, str | None, str] | None = None
        """When and by whom it is about to be shut."""

    def operate(self, uses: Iterable[Use], start: float) -> list[Swing]:
        """All changes of the leaf that `uses` (in order of time) bring; the first says how it is at `start`."""
        self.swings.append(Swing(start, self.open, None, self.door.between[0]))
        for use in uses:
            lead = self._lead(use)
            self._settle(use.time - lead)
            if use.notice:
                if self.open and self.closing is None and self.outer and self.rng.random() < NOTICED:
                    travel = OVERHEAD_TRAVEL if self.overhead else 0.0
                    self._shut(use.time + travel + float(self.rng.uniform(0, use.keep)), use)
                continue
            if not self.open:
                self._swing(use.time - lead, True, use.being, use.source)
            self.closing = None
            if use.crossing is None:
                self._shut(use.time + use.keep, use)
            elif self.rng.random() < self._closing_chance(use.crossing, hosted=use.being != use.crossing.being):
                self._shut(use.time + self._delay(use.crossing), use)
        self._settle(float("inf"))
        return self.swings

    def _lead(self, use: Use) -> float:
        if use.notice:
            return 0.0
        if self.overhead:
            return OVERHEAD_TRAVEL + float(self.rng.uniform(0.5, 4))
        return float(np.clip(self.rng.lognormal(np.log(0.8), 0.4), 0.25, 3.0))

    def _delay(self, crossing: Crossing) -> float:
        if self.overhead:
            return float(OVERHEAD_TRAVEL + self.rng.lognormal(np.log(8 if crossing.car else 15), 0.6))
        return float(np.clip(self.rng.lognormal(np.log(1.6), 0.6), 0.4, 30))

    def _closing_chance(self, crossing: Crossing, *, hosted: bool) -> float:
        if self.baths:
            return BATH_SHUT if crossing.target in self.baths else BATH_SHUT_BEHIND
        if self.beds and crossing.activity == ASLEEP and crossing.target in self.beds:
            return BED_SHUT
        if not self.outer:
            return self.settings.inner_door_closing
        back_soon = crossing.brief and not hosted  # who lets a visitor in or out stands by the door
        return self.settings.outer_door_closing * (BRIEF_CLOSING if back_soon else 1.0)

    def _shut(self, time: float, use: Use) -> None:
        room = use.crossing.target if use.crossing and use.crossing.being == use.being else use.source
        self.closing = (time, use.being, room)

    def _settle(self, before: float) -> None:
        """Shut what was to be shut by then; else whoever comes next finds it open."""
        if self.closing and self.open and self.closing[0] < before:
            time, being, room = self.closing
            self.closing = None
            self._swing(time, False, being, room)

    def _swing(self, time: float, is_open: bool, being: str | None, source: str) -> None:
        self.open = is_open
        self.swings.append(Swing(max(time, self.swings[-1].time + 0.1), is_open, being, source))


def turn_lock(
    door: Door, swings: list[Swing], geometry: Geometry, settings: SimulationSettings, rng: Generator
) -> list[Turn]:
    """What a lock on `door` does: unlocked before the door opens, locked (mostly) after it is shut."""
    plan = geometry.plan
    first, second = door.between
    inside = first if geometry.depth[first] > geometry.depth[second] else second
    turns: list[Turn] = []
    locked = True
    for k, swing in enumerate(swings[1:], start=1):
        if swing.open and locked:
            by, code = _how(plan, swing.being, swing.source == inside, rng)
            time = max(swing.time - float(rng.uniform(0.8, 2.5)), swings[k - 1].time + 0.05)
            turns.append(Turn(time, False, by, code, swing.being))
            locked = False
        elif not swing.open and not locked and rng.random() < settings.locking:
            time = swing.time + float(rng.lognormal(np.log(3), 0.6))
            if k + 1 == len(swings) or time < swings[k + 1].time - 3:
                turns.append(Turn(time, True, "inside" if swing.source == inside else None, None, swing.being))
                locked = True
    return turns


def _how(plan: Floorplan, being: str | None, inside: bool, rng: Generator) -> tuple[str | None, str | None]:
    """By which means somebody unlocks: the lever inside, their code, or a key (which the lock cannot tell)."""
    if inside:
        return "inside", None
    codes = plan.people[being].codes if being in plan.people else ()
    if codes and rng.random() < 0.9:
        return "keypad", codes[int(rng.integers(len(codes)))]
    return None, None
