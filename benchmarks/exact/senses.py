"""Which sensors are on and which doors stand open, kept without the engine."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import NamedTuple

from benchmarks.exact.dense import DenseModel
from presence import Event, Floorplan, Settings
from presence.floorplan import Sensor
from presence.habits import Hours
from presence.places import bedroom_doors

USUAL = 20.0
"""Off messages that what is expected of them counts for."""
STEPS, LATE, SLACK = 5.0, 0.25, 1.0
"""Seconds in which whoever passes a door is still seen, share of the hold by which an off message may be late, seconds
by which a hold may differ."""
KNOWN = 5
"""Times on after which a hold is known."""
LATEST, LONGEST = 20, 600.0
"""How many times between reports tell how long a sensor that never goes off is blind, and for how long at most."""


@dataclass
class Senses:
    """What the sensors' own state does to the generators, by the rules of the trade."""

    plan: Floorplan
    settings: Settings
    on: dict[str, float] = field(default_factory=dict)
    """Since when each sensor has been on."""
    heard: dict[str, float] = field(default_factory=dict)
    """When each sensor that is on last said so."""
    open: dict[str, float] = field(default_factory=dict)
    """Since when each door has stood open."""
    presumed: dict[str, float] = field(default_factory=dict)
    """Since when each door has only been taken to be shut, having stood open for so long."""
    pressed: set[str] = field(default_factory=set)
    stood_open: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Seconds that each door has stood open and shut since its first report, with an hour shut to begin with."""
    reported: dict[str, float] = field(default_factory=dict)
    """When each door last reported."""
    came: Counter[str] = field(default_factory=Counter)
    """How many of each motion sensor's off messages have come..."""
    missed: Counter[str] = field(default_factory=Counter)
    """...and how many have not."""
    shortest: dict[str, float] = field(default_factory=dict)
    """The shortest time for which each motion sensor was on, seconds."""
    last: dict[str, float] = field(default_factory=dict)
    """When each motion sensor last said that it is on..."""
    gaps: defaultdict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    """...and seconds since the time before, of those that have never gone off."""
    used: dict[str, float] = field(default_factory=dict)
    """When a contact or lock of each door last reported."""
    given_up: set[str] = field(default_factory=set)
    """Motion sensors whose off message may still come after all."""
    spans: defaultdict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    """Seconds since its report before, each time a sensor that was on said so again after its hold."""
    wait: dict[str, float] = field(default_factory=dict)
    """Seconds after which each sensor that is on is given up."""
    stays: dict[str, float] = field(default_factory=dict)
    """When each motion sensor that is on will show, by being on still, that somebody has not gone out."""
    staying: tuple[float, float] = (0.0, 0.0)
    """With nobody at home, the share with which off messages were lost; and how likely that nobody was, then."""
    told: dict[str, tuple[str, float]] = field(default_factory=dict)
    """What each phone or tag last said, and when."""

    def before(self, event: Event) -> tuple[str, float] | None:
        """What a phone or a tag has said before this, and when; that is what it said last from now on."""
        last = self.told.get(event.sensor)
        self.told[event.sensor] = event.value, event.seconds
        return last

    def open_share(self, event: Event) -> float:
        """The share of time that a door stood open until its report before, to one decimal."""
        return self._share(str(self.plan.sensors[event.sensor].door))

    def tells(self, event: Event, miss: float) -> dict[str, float]:
        """What a report says, each with its weight: that a door that was not open is shut tells of an opening unheard.

        For one that comes `miss / (1 - miss)` openings are lost; a door that is only taken to be shut may have stood
        open still, and an outer one that has not reported yet stood shut, unless its opening was lost.
        """
        sensor, door = self.plan.sensors[event.sensor], str(self.plan.sensors[event.sensor].door)
        if sensor.kind != "contact" or event.value != "closed" or door in self.open:
            return {event.value: 1.0}
        if door not in self.reported:
            return {"closed": 1.0 if self.plan.outdoor_sides[door] is None else miss}
        if door not in self.presumed:
            return {"open": miss / (1.0 - miss)}
        patience = self.settings.outer_door_expiry
        still = 0.5 * patience / (patience + event.seconds - self.presumed[door])
        return {"open": 1.0 - still, "closed": still}

    def _share(self, door: str) -> float:
        opened, shut = self.stood_open.get(door, (0.0, 3600.0))
        return round(opened / (opened + shut), 1)

    def conditions(self) -> frozenset[tuple[str, str]]:
        standing = [
            (f"{'standing' if door in self.open else 'usually'} {share}", door)
            for door in self.reported
            if (share := self._share(door))
        ]
        lasting = [("blind", s) for s in self.on] + [("pressed", s) for s in self.pressed]
        lasting += [("unwatched", door) for door in bedroom_doors(self.plan) if door not in self.reported]
        return frozenset(lasting + [("open", d) for d in self.open] + standing)

    def expiries(self) -> dict[str, float]:
        """When a motion sensor that never went off is no longer taken to be on, or an outer door to be open."""
        found = {s: self.heard[s] + self.wait[s] for s in self.on}
        outer = [door for door in self.open if self.plan.outdoor_sides[door] is not None]
        return found | {door: self.open[door] + self.settings.outer_door_expiry for door in outer}

    def expire(self, name: str) -> None:
        """A sensor is off again, or a door shut, although nobody said so."""
        if self.on.pop(name, None) is not None and self.plan.sensors[name].kind == "motion":
            self.missed[name] += 1
            self.given_up.add(name)
        if name in self.open:
            self.presumed[name] = self.open.pop(name) + self.settings.outer_door_expiry
            self._stands(name, self.presumed[name], opened=True)

    def _stands(self, door: str, seconds: float, *, opened: bool) -> None:
        """Until an instant, a door has stood as it did since its last report."""
        passed, before = seconds - self.reported.get(door, seconds), self.stood_open.get(door, (0.0, 3600.0))
        self.stood_open[door] = (before[0] + passed * opened, before[1] + passed * (not opened))
        self.reported[door] = seconds

    def _patience(self, name: str) -> float:
        """One message in so many is lost: by the settings, then by the home's record, then by its own.

        A sensor that never goes off is blind for the second shortest time between its reports, if the third is alike.
        """
        gaps = sorted(self.gaps[name][-LATEST:])
        known = not self.came[name] and min(self.missed[name], len(gaps)) >= KNOWN
        if known and gaps[2] <= gaps[1] * (1.0 + LATE) and gaps[1] <= LONGEST:
            return gaps[1]
        share = 1.0 / self.settings.hold_expiry
        for sensors in ([*self.plan.sensors], [name]):
            came, missed = (sum(counts[s] for s in sensors) for counts in (self.came, self.missed))
            share = (missed + USUAL * share) / (came + missed + USUAL)
        return min(self.settings.hold_expiry, 1.0 / share) * (float(self.plan.sensors[name].hold or 60.0) + 1.0)

    def kept_on(self, name: str, seconds: float) -> float | None:
        """Seconds for which somebody who is still at home kept a motion sensor on that is on, at least; None: nobody.

        Not if they may have gone since: an outer door has reported since then, or stands open, or nobody watches it.
        """
        watched = {s.door for s in self.plan.sensors.values() if s.kind == "contact"}
        shut = watched.issuperset(self._outer()) and self.open.keys().isdisjoint(self._outer())
        moved = seconds - self._hold(name)
        stayed = self._stayed_from(name)
        return moved - self.on[name] if shut and stayed is not None and moved > stayed else None

    def _stayed_from(self, name: str) -> float | None:
        """After when a movement is neither theirs who have gone nor what turned a motion sensor on; None: not known."""
        sensor = self.plan.sensors[name]
        if sensor.kind != "motion" or name not in self.on or sensor.room not in self.plan.indoor:
            return None
        if not sensor.hold or self.came[name] < KNOWN:
            return None
        gone = [self.used[door] + STEPS + LATE * self._hold(name) for door in self._outer() if door in self.used]
        return max([self.on[name] + SLACK, *gone])

    def _hold(self, name: str) -> float:
        return max(self.plan.sensors[name].hold or 0.0, self.shortest.get(name, 0.0))

    def outer(self, name: str) -> bool:
        """Whether a sensor reports of a door to the outside."""
        sensor = self.plan.sensors[name]
        return sensor.kind in ("contact", "lock") and sensor.door in self._outer()

    def _outer(self) -> list[str]:
        return [door for door, side in self.plan.outdoor_sides.items() if side is not None]

    def lost(self, name: str) -> float:
        """Share of a motion sensor's off messages that are lost, by its own record or at least as usual."""
        usual, missed = self.settings.occupancy_lost, self.missed[name]
        return max(usual, (missed + USUAL * usual) / (self.came[name] + missed + USUAL))

    def next_stay(self, until: float) -> tuple[float, str] | None:
        """The next motion sensor that is on for so long by some instant that somebody has not gone, and when."""
        due = [(at, name) for name, at in self.stays.items() if at <= until and name in self.on]
        if not due:
            return None
        self.stays.pop(min(due)[1])
        return min(due)

    def _off_between(self, sensor: Sensor, seconds: float) -> bool:
        """Whether a sensor that is on, and says so again, was off meanwhile: not in its hold, not if it checks in."""
        passed, spans = seconds - self.heard[sensor.id], self.spans[sensor.id]
        if passed <= max(sensor.hold or 0.0, 1.0):
            return False
        spans.append(passed)
        alike = [abs(a - b) <= max(SLACK, b / 50.0) for a, b in zip([0.0, *spans], spans, strict=False)]
        return not alike[-1] or 2 * sum(alike[:-1]) < len(alike) - 1

    def take(self, event: Event) -> bool:
        """Note an event; whether it says anything new (a second "on" of a sensor that is on does not)."""
        new = self._take(event)
        sensor = self.plan.sensors[event.sensor]
        if sensor.kind == "motion" and (new or event.value == "clear"):
            self.stays.pop(sensor.id, None)
        if self.outer(event.sensor):
            stayed = {name: self._stayed_from(name) for name in self.on}
            self.stays |= {name: at + self._hold(name) + SLACK for name, at in stayed.items() if at is not None}
        return new

    def _spoke(self, name: str, seconds: float) -> None:
        """A motion sensor says that it is on, so long after it last did; what comes within five is sent twice."""
        passed = seconds - self.last.get(name, seconds)
        self.gaps[name] += [passed] if passed > 5.0 else []
        self.last[name] = seconds

    def _take(self, event: Event) -> bool:
        sensor = self.plan.sensors[event.sensor]
        if event.value == "stopped":  # machines stop by themselves: that says nothing about anybody
            return False
        if sensor.kind in ("contact", "lock"):
            self.used[str(sensor.door)] = event.seconds
        if sensor.kind in ("motion", "camera"):
            since = self.on.get(sensor.id)
            if event.value == "clear":
                late = sensor.id in self.given_up
                if since is not None:
                    lasted = event.seconds - since
                    self.shortest[sensor.id] = min(lasted, self.shortest.get(sensor.id, lasted))
                self.came[sensor.id] += sensor.kind == "motion" and (since is not None or late)
                self.missed[sensor.id] -= late
                self.given_up.discard(sensor.id)
                self.on.pop(sensor.id, None)
                return False
            if sensor.kind == "motion":
                self._spoke(sensor.id, event.seconds)
            new = since is None or self._off_between(sensor, event.seconds)
            if new and since is not None and sensor.kind == "motion":
                self.missed[sensor.id] += 1
            self.given_up.discard(sensor.id)
            self.heard[sensor.id], self.wait[sensor.id] = event.seconds, self._patience(sensor.id)
            if not new:
                return False
            self.on[sensor.id] = event.seconds
        elif sensor.kind == "contact":
            door = str(sensor.door)
            self._stands(door, event.seconds, opened=door in self.open)
            self.open.pop(door, None)
            self.presumed.pop(door, None)
            if event.value == "open":
                self.open[door] = event.seconds
        elif sensor.kind == "pressure":
            if (event.value == "pressed") == (sensor.id in self.pressed):
                return False
            (self.pressed.add if event.value == "pressed" else self.pressed.discard)(sensor.id)
        return True


class Stretch(NamedTuple):
    """A time in which the generators stay the same."""

    seconds: float
    hours: Hours
    conditions: frozenset[tuple[str, str]]


def silence(model: DenseModel, senses: Senses, begin: float, end: float) -> list[Stretch]:
    """The stretches of a silence: cut where sleeping hours change and where a sensor's off message is given up."""
    cuts = {*model.clock_changes(begin, end), end}
    cuts |= {expiry for expiry in senses.expiries().values() if begin < expiry < end}
    stretches = []
    for cut in sorted(cuts):
        for name, expiry in senses.expiries().items():
            if expiry <= begin:
                senses.expire(name)
        stretches.append(Stretch(cut - begin, model.hours(begin), senses.conditions()))
        begin = cut
    return stretches
