"""From sensors to event rates: how sensors see, as parts of a marked Markovian arrival process.

A `Way` in which one being can cause an event: its rates from some states, and where it leads. Who fires a motion
sensor stays; the off-diagonal entry of a door contact says which way somebody went. All rates are losses of the silent
movement: silence is evidence. A sensor that cannot report now gives its rates back for as long, see `conditions`.

Source: Asmussen & Koole 1993 (J. Appl. Prob. 30:365), marked Markovian arrival processes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from presence.company import letting, together
from presence.floorplan import AWAY, VALUES, Floorplan, Sensor
from presence.hypotheses import BACK, FORTH, Way
from presence.leaning import undrawn
from presence.locks import lock_ways
from presence.movement import PET, Being
from presence.movement_settings import PaceRates
from presence.places import (
    ACTIVE,
    MOVING,
    SETTLED,
    States,
    motion_share,
    watched,
    watchers,
    zone_and_others,
)
from presence.remote import driven_off, set_going
from presence.settings import Settings
from presence.views import views
from presence.zones import close_set, door_places, entry_miss

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]
REPORTED_FLOW = 2e-3
"""1/s: slower moves between zones are left silent."""


@dataclass(frozen=True)
class Sight:
    """How one plan's sensors see beings with given movement (weights (P, S), flows (P, S, S))."""

    plan: Floorplan
    states: States
    beings: tuple[Being, ...]
    settings: Settings
    weights: Array
    flows: Array
    _known: dict[tuple[str, str, str | None, float], list[Way]] = field(default_factory=dict, init=False, repr=False)
    """What `options` has found already."""

    # --- parts of the generator ------------------------------------------------------------------------------------
    def silent_flows(self) -> Array:
        """Flows (P, S, S) that no sensor reports while doors are shut and seats empty."""
        silent = self.flows.copy()
        for door in self.plan.doors:
            for i, j in self.door_states(door):
                silent[:, i, j] = silent[:, j, i] = self.door_miss(door) * self.flows[:, i, j]
        for i, j in self.zone_moves():
            silent[:, i, j] = entry_miss(self.states, self.settings, i, j) * self.flows[:, i, j]
        for _, perched in self.seats():
            unreported = self.settings.seat_miss * self.flows[:, perched, perched + 1]
            silent[:, perched, perched + 1] = silent[:, perched + 1, perched] = unreported
        return silent

    def losses(self) -> Array:
        """Rates (P, S) of all events while sensors are off, doors are shut and seats empty."""
        total = np.zeros_like(self.weights)
        for sensor in self.plan.sensors.values():
            for option in self.resting_options(sensor):
                total[:, option.source] += option.losses
        return total

    def resting_options(self, sensor: Sensor) -> list[Way]:
        """What a sensor can report while it is off."""
        return [] if sensor.person is not None else self.options(sensor, VALUES[sensor.kind][0])

    # --- ways of causing an event ----------------------------------------------------------------------------------
    def options(self, sensor: Sensor, value: str, by: str | None = None, open_share: float = 0.0) -> list[Way]:
        """Every way in which one being can cause this report.

        Args:
            sensor: the sensor.
            value: what it reports.
            by: for a lock, `inside` or `keypad`.
            open_share: for a contact, the share of time that this door stands open.
        """
        key = sensor.id, value, by, open_share
        if key not in self._known:
            self._known[key] = self._options(sensor, value, by, open_share)
        return self._known[key]

    def _options(self, sensor: Sensor, value: str, by: str | None, open_share: float) -> list[Way]:
        s = self.settings
        if sensor.kind == "motion" and value == "detected":
            return [*self.motion_nearby(sensor), *self.unseen_walks(sensor)]
        plain = {
            ("occupancy", "occupied"): s.occupancy_rates,
            ("camera", "person"): s.camera_rates,
            ("switch", "pressed"): s.switch_rates,
            ("power", "started"): s.power_rates,
        }
        if (sensor.kind, value) in plain and sensor.room is not None:
            places = self.states.places_of(sensor.room, seats=True)
            return [self._diagonal(dict.fromkeys(places, 1.0), plain[sensor.kind, value], hands=True)]
        if sensor.kind == "contact" and sensor.door is not None:
            door = sensor.door
            return self._opening(door, open_share) if value == "open" else self._closing(door, open_share)
        if sensor.kind == "lock" and sensor.door is not None:
            return lock_ways(self, sensor.door, value, by)
        if sensor.kind == "pressure":
            return self._seat(sensor, value)
        return []

    def hands(self) -> Array:
        """1 for beings that open doors and press switches, next to nothing for pets. Shape (P,)."""
        return np.array([self.settings.pet_hands_share if being.role == PET else 1.0 for being in self.beings])

    def _diagonal(self, coverage: dict[int, float], rates: PaceRates, *, hands: bool) -> Way:
        """An event caused from some places (with a share each) at a rate by pace, moving nobody."""
        index = self.states.select(list(coverage))
        at = zip(self.states.place[index].tolist(), self.states.pace[index].tolist(), strict=True)
        rate = np.array([coverage[p] * rates[q] for p, q in at])
        share = self.hands() if hands else self._pet_share()
        matrix = np.zeros((len(self.beings), len(index), len(index)))
        matrix[:, range(len(index)), range(len(index))] = share[:, None] * rate
        return Way(index, index, matrix)

    def _pet_share(self) -> Array:
        return np.array([self.settings.pet_rate_share if b.role == PET else 1.0 for b in self.beings])

    def motion_nearby(self, sensor: Sensor) -> list[Way]:
        """What a motion sensor reports of somebody in its room or zone, and of somebody who steps into it."""
        return [self._motion(sensor), *self._zone_entry(sensor)]

    def _motion(self, sensor: Sensor) -> Way:
        """A motion sensor: everybody in its room or its own zone; in others as far as it sees into them."""
        coverage = views(self.plan, self.states)[sensor.id] | dict.fromkeys(
            watched(self.plan, self.states, sensor), motion_share(self.plan, str(sensor.room))
        )
        name = "zone_motion_rates" if close_set(self.plan, str(sensor.room)) else "motion_rates"
        return self._diagonal(coverage, self.settings.rates_at(name, sensor.id), hands=False)

    def zone_moves(self, sensor: str | None = None) -> list[tuple[int, int]]:
        """Moves (from, to) between moving states of zones, into one sensor's zone or into any: these are reported."""
        return [(i, j) for i, j, zone in self._zone_moves if sensor in (None, zone)]

    @cached_property
    def _zone_moves(self) -> list[tuple[int, int, str]]:
        """All of them, each with the sensor whose zone it leads into."""
        if not self.beings:
            return []
        reported = {pair for d in self.plan.doors if self.contact(d) is not None for pair in self.door_states(d)}
        places = enumerate(self.states.places)
        zones = [(self.states.moving[p], name) for p, at in places for name in watchers(self.plan, at)]
        most = self.flows.max(axis=0)
        return [
            (i, j, zone)
            for j, zone in zones
            for i in dict.fromkeys(i for i, _ in zones)
            if i != j and most[i, j] > REPORTED_FLOW and not {(i, j), (j, i)} & reported
        ]

    def seen_entering(self, sensor: Sensor, i: int, j: int) -> Array:
        """Flow of those who walk into a sensor's zone, from state i to j, that it reports, shape (P,)."""
        seen = 1 - entry_miss(self.states, self.settings, i, j)
        return motion_share(self.plan, str(sensor.room)) * seen * self.flows[:, i, j]

    def _zone_entry(self, sensor: Sensor) -> list[Way]:
        """Somebody walks into the zone of a sensor and is seen at once."""
        moves = self.zone_moves(sensor.id)
        if not moves:
            return []
        rates = [self.seen_entering(sensor, i, j) / self.weights[:, i] for i, j in moves]
        matrix = np.array(rates).T[:, :, None] * self._pet_share()[:, None, None]
        return [Way(np.array([i for i, _ in moves], dtype=np.intp), np.array([moves[0][1]], dtype=np.intp), matrix)]

    def unseen_walks(self, sensor: Sensor) -> list[Way]:
        """Somebody who sat still in a zone further off turns up in a sensor's, missed by all sensors between."""
        own, others = zone_and_others(self.states, sensor.id)
        near = self.states.place[[i for i, _ in self.zone_moves(sensor.id)]]
        source = others[(self.states.pace[others] == SETTLED) & ~np.isin(self.states.place[others], near)]
        if not len(own) or not len(source):
            return []
        rates = np.ones((len(source), 1)) * (self.settings.unseen_walk_rate * self._pet_share())[:, None, None]
        return [Way(source, own[self.states.pace[own] == MOVING], rates)]

    # --- doors -------------------------------------------------------------------------------------------------------
    def contact(self, door: str) -> Sensor | None:
        """The contact of a door, or the lock that must do as one."""
        return self.plan.contacts.get(door)

    def door_miss(self, door: str) -> float:
        """Share of passages that no sensor of the door reports."""
        sensor = self.contact(door)
        if sensor is None:
            return 1.0
        if sensor.kind != "contact":
            return self.settings.lock_miss
        return self.settings.door_miss if self.plan.outdoor_sides[door] is None else self.settings.outer_door_miss

    def door_states(self, door: str) -> list[tuple[int, int]]:
        """Pairs of moving states that a door joins."""
        return [(self.states.moving[a], self.states.moving[b]) for a, b, _ in self._joined(door)]

    def _joined(self, door: str) -> list[tuple[int, int, float]]:
        return door_places(self.plan, self.states, self.plan.doors[door], self.settings.zone_decay)

    def sides(self, door: str, paces: tuple[int, ...], side: int | None = None) -> list[int]:
        """States beside a door, on both sides or on one; off the property only those who walk are still beside it."""
        joined = self._joined(door)
        places = sorted({pair[k] for *pair, _ in joined for k in ((0, 1) if side is None else (side,))})
        near = [place for place in places if self.states.places[place].room != AWAY]
        return [int(i) for pace in paces for i in self.states.select(places if pace == MOVING else near, pace)]

    def _opening(self, door: str, open_share: float = 0.0) -> list[Way]:
        """Somebody opens the door and passes one way or the other, or does not."""
        passing = together(self, door, self.passing(door))
        return [*passing, self.idle(door, open_share=open_share), *self.letting(door), *set_going(self, door)]

    def passing(self, door: str) -> list[Way]:
        """Somebody opens the door and passes it one way, or the other; an animal does so only where it stands open."""
        reported = (1 - self.door_miss(door)) * self.hands()
        options = []
        for label, pairs in ((FORTH, self.door_states(door)), (BACK, [(j, i) for i, j in self.door_states(door)])):
            source, target = (np.unique(column) for column in zip(*pairs, strict=True))
            rates = np.zeros((len(self.beings), len(source), len(target)))
            for i, j in pairs:
                m, t = np.searchsorted(source, i), np.searchsorted(target, j)
                rates[:, m, t] = reported * self.flows[:, i, j] / self.weights[:, i]
            options.append(Way(source, target, rates, label))
        return sorted(options, key=lambda way: tuple(way.source))  # in either plan the same way first: ties merge alike

    def letting(self, door: str) -> list[Way]:
        """Somebody inside opens a door to the outside for a guest."""
        outer = self.plan.outdoor_sides[door]
        return [] if outer is None else letting(self, door, self.idle(door, 1 - outer))

    def idle(self, door: str, side: int | None = None, open_share: float = 0.0) -> Way:
        """Somebody opens the door and does not pass, relative to its usual flow; an inner one to put it back."""
        back = open_share if self.plan.outdoor_sides[door] is None else 0.0
        share = (1.0 - back) * self.settings.door_idle_share + back * self.settings.door_put_back_share
        return self.beside(door, share * self.usual_flow(door), (MOVING,), side)

    def usual_flow(self, door: str) -> Array:
        """1/s: how often whoever walks beside a door where most pass it, drawn to neither side, passes it, (P,)."""
        return undrawn(self.states, self.plan.indoor, self.weights, self.flows, self.door_states(door))

    def beside(self, door: str, rate: float | Array, paces: tuple[int, ...], side: int | None = None) -> Way:
        """Somebody beside the door does something to it and stays; less often where fewer pass it (`nearness`)."""
        index = np.array(self.sides(door, paces, side), dtype=np.intp)
        return Way(index, index, (rate * self.hands())[:, None, None] * np.diag(self.nearness(door, index)))

    def nearness(self, door: str, index: IndexArray) -> Array:
        """Share of passages at each state's place, relative to the likeliest place on its side, shape (N,)."""
        share = np.zeros(len(self.states.places))
        for first, second, part in self._joined(door):
            share[first] += part
            share[second] += part
        place, room = self.states.place[index], self.states.room[index]
        return np.array([share[p] / share[place[room == r]].max() for p, r in zip(place, room, strict=True)])

    def _closing(self, door: str, open_share: float) -> list[Way]:
        """Somebody closes the door; where it usually stands open, mostly somebody inside shuts themselves in."""
        closing = self.beside(door, self.settings.door_closing_rate, (MOVING, ACTIVE))
        if (inner := self.plan.inner_sides[door]) is not None:
            inside = np.isin(closing.source, self.sides(door, (MOVING, ACTIVE), inner))
            outside = max(1.0 - open_share, self.settings.door_shut_behind_share)
            closing = closing._replace(rates=closing.rates * np.where(inside, 1.0, outside)[:, None])
        return [closing, *driven_off(self, door)]

    # --- seats -------------------------------------------------------------------------------------------------------
    def seats(self) -> Iterator[tuple[str, int]]:
        """(sensor, perched state) for each pressure sensor; settled and asleep on it are the next two states."""
        for index, place in enumerate(self.states.places):
            if place.seat is not None:
                yield place.seat, int(self.states.select([index], ACTIVE)[0])

    def _seat(self, sensor: Sensor, value: str) -> list[Way]:
        """Sitting down and getting up; who sits there unnoticed is noticed as soon as they shift their weight."""
        s = self.settings
        perched = dict(self.seats())[sensor.id]
        source = np.array([perched, perched + 1, perched + 2], dtype=np.intp)
        rates = np.zeros((len(self.beings), 3, 3))
        flow = (1 - s.seat_miss) * self.flows[:, perched, perched + 1]
        if value == "pressed":
            rates[:, 0, 1] = flow / self.weights[:, perched]
            rates[:, 1, 1] = rates[:, 2, 2] = s.seat_press_rate
        else:
            rates[:, 1, 0] = flow / self.weights[:, perched + 1]
            rates[:, 2, 0] = 0.01 * rates[:, 1, 0]  # see `Settings.seat_release_rate`
        return [Way(source, source, rates)]
