"""From a floor plan to generators: how residents, visitors and pets move.

State of one person = (place, pace). A place is a room, or the zone of one motion sensor where a room has several, or
a seat with a pressure sensor. Paces are moving, active (on their feet in one place), settled and asleep (or deeply
still). Places are changed by those who move. The dwell law in a room is thus of phase type, and the longer ago the last
movement was, the rarer is the next: by two or three powers of ten.

The generator is reversible: each place's paces form a chain, and moving states are joined by symmetric flows along
doors, so any rates along the chain can be met by choosing the weights (Kelly 1979, section 1.5, Kolmogorov's
criteria). Habits change the weights: by the hour (sleeping hours, going out, coming back) and by the person (own bed).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import AWAY, Door, Floorplan
from presence.habits import Hour
from presence.leaning import foreign_rooms, leaning, to_bed
from presence.places import (
    ACTIVE,
    ASLEEP,
    MOVING,
    SETTLED,
    States,
    is_bed,
    is_byway,
    is_corridor,
    is_small,
    motion_zones,
    narrow,
    rest_reports,
    seat_zone,
    seen,
    watched_over,
    well_sensed,
)
from presence.settings import Settings
from presence.zones import door_places, spacing, spots_of

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

RESIDENT, VISITOR, PET = "resident", "visitor", "pet"
NEVER = 1e-9
"""1/s: the rate of what hardly ever happens; nothing is impossible."""
LEAST_ZONE_RATE = 1e-5
"""1/s: between zones however far apart; nothing is impossible."""


class Being(NamedTuple):
    """Somebody the model follows: a resident, a visitor slot or a pet."""

    id: str
    role: str
    bed: str | None = None
    awake: tuple[float, float] | None = None
    """Local seconds of the day; None: no sleeping hours are known."""
    rooms: frozenset[str] | None = None
    """Rooms that a pet keeps to."""


def beings(plan: Floorplan) -> list[Being]:
    """Everybody the model follows, in the order of the slots: residents, visitors, pets."""
    residents = [Being(p.id, RESIDENT, p.bed, p.awake) for p in plan.people.values()]
    visitors = [Being(f"visitor_{n + 1}", VISITOR) for n in range(plan.visitors)]
    pets = [Being(p.id, PET, rooms=frozenset(p.rooms or plan.indoor)) for p in plan.pets.values()]
    return residents + visitors + pets


def weights_and_flows(
    plan: Floorplan, states: States, being: Being, hour: Hour, settings: Settings
) -> tuple[Array, Array]:
    """Weights (S,) and symmetric flows (S, S) of one being's movement, doors and seats fully passable.

    The flow along a door is what a moving person would use if no sensor reported it; `sensing` takes the share that
    is reported out of the silent movement.
    """
    weights = np.ones(states.size)
    flows = np.zeros((states.size, states.size))
    at = {(int(p), int(q)): i for i, (p, q) in enumerate(zip(states.place, states.pace, strict=True))}
    foreign = foreign_rooms(plan, AWAY if being.role == VISITOR else being.bed)

    def chain(i: int, j: int, out: float, back: float) -> None:
        weights[j] = weights[i] * out / back
        flows[i, j] = flows[j, i] = weights[i] * out

    for index, place in enumerate(states.places):
        if place.seat is None:
            aside = settings.side_gate_share if being.role != PET and is_byway(plan, place.room) else 1.0
            aside *= settings.foreign_room_share if place.room in foreign else 1.0
            weights[at[index, MOVING]] = aside * _passing_share(plan, being, settings, place.room)
            for (pace, out, back), following in zip(
                _pace_rates(plan, place.room, being, hour, settings), (ACTIVE, SETTLED, ASLEEP), strict=False
            ):
                chain(at[index, pace], at[index, following], out, back)
    _add_seats(plan, states, at, being, hour, weights, flows, settings)
    _scale_away(states, being, hour, weights, flows, settings)
    for door in plan.doors.values():
        rate = _door_rate(plan, being, door, settings) * _passing_share(plan, being, settings, *door.between)
        rate *= settings.foreign_room_share if foreign & set(door.between) else 1.0
        for a, b, share in door_places(plan, states, door, settings.zone_decay):
            i, j = at[a, MOVING], at[b, MOVING]
            flows[i, j] = flows[j, i] = flows[i, j] + rate * share
    _add_zone_flows(plan, states, at, weights, flows, settings)
    outside = np.array([room not in plan.indoor for room in states.rooms])[states.room]
    out = hour.out * (settings.night_leaving_share if hour.asleep and being.role == RESIDENT else 1.0)
    weights[outside] *= out
    flows[outside[:, None] | outside] *= out
    if hour.asleep and being.bed is not None:
        weights, flows = to_bed(states, weights, flows, being.bed, settings.night_room_share)
    own = settings.own_places.get(being.id)
    return leaning(states, weights, flows, own) if own else (weights, flows)


def _passing_share(plan: Floorplan, being: Being, settings: Settings, *rooms: str) -> float:
    """How readily rooms are walked into, relative to others; as much sooner a walk ends there: nobody turns round."""
    small = being.role != PET and any(room != AWAY and is_small(plan, room) for room in rooms)
    return settings.small_room_share if small else 1.0


def stirring(plan: Floorplan, room: str, settings: Settings) -> float:
    """How much sooner than elsewhere quiet ends in a room: where who rests long is noticed, or it is small."""
    if rest_reports(plan, room):
        return settings.unseated_rising_rate / settings.rising_rate
    return settings.small_room_rising_factor if is_small(plan, room) else 1.0


def _pace_rates(
    plan: Floorplan, room: str, being: Being, hour: Hour, settings: Settings
) -> list[tuple[int, float, float]]:
    """(pace, rate to the next stiller pace, rate back) along a place's chain of paces."""
    s = settings
    if room == AWAY:
        back = s.errand_rate if being.role == RESIDENT else s.return_rate
        return [(MOVING, s.gone_rate, back * hour.back), (ACTIVE, s.outing_rate, s.return_rate * hour.back)]
    asleep, awake = _sleep_rates(plan, room, being, hour, settings)
    person = being.role != PET  # an animal lies down anywhere
    corridor = person and is_corridor(plan, room) and not plan.rooms[room].rest
    if motion_zones(plan, room):
        settling = s.rate_at("zone_settling_rate", room)
        if corridor and narrow(plan, room):
            settling, asleep = settling * s.corridor_share, NEVER
        return [
            (MOVING, s.rate_at("zone_pausing_rate", room), s.rate_at("zone_starting_rate", room)),
            (ACTIVE, settling, s.rate_at("zone_rising_rate", room)),
            (SETTLED, asleep, awake),
        ]
    settling = s.rate_at("settling_rate", room) * (s.corridor_share if corridor else 1.0)
    unseated = person and rest_reports(plan, room)
    rising = s.rate_at("rising_rate", room) * (stirring(plan, room, s) if person else 1.0)
    if unseated and not plan.rooms[room].rest:
        asleep = NEVER  # who sleeps, sleeps on one of them
    if person and not seen(plan, room) and well_sensed(plan):
        settling, rising = settling * s.unsensed_share, s.unsensed_rising_rate
        asleep = NEVER
    if being.bed not in (None, room) and plan.rooms[room].rest and not watched_over(plan, room):
        settling *= s.foreign_bed_share  # where others sleep, and a sensor would not tell
    pausing = s.rate_at("pausing_rate", room) / _passing_share(plan, being, s, room)
    starting = s.rate_at("starting_rate", room)
    if person and room in plan.approaches:
        pausing, starting = pausing * s.approach_share, max(starting, s.outdoor_rate)
    return [
        (MOVING, pausing, starting),
        (ACTIVE, settling, rising),
        (SETTLED, asleep, awake),
    ]


def _sleep_rates(plan: Floorplan, room: str, being: Being, hour: Hour, settings: Settings) -> tuple[float, float]:
    """Rates of falling asleep and of waking in a room."""
    if being.role == PET:
        return settings.pet_dozing_rate, settings.pet_waking_rate
    asleep, awake = settings.dozing_rate, settings.waking_rate
    if plan.rooms[room].rest and hour.asleep:
        asleep, awake = settings.bedtime_rate, settings.night_waking_rate
    if plan.rooms[room].rest and _foreign_bed(plan, room, being):
        asleep *= settings.foreign_bed_share
    if not plan.rooms[room].rest:
        asleep *= settings.nap_share
    if plan.rooms[room].outdoors:
        asleep *= settings.foreign_bed_share
    return asleep, awake


def _foreign_bed(plan: Floorplan, room: str, being: Being) -> bool:
    """Whether a bedroom is for others to sleep in; a visitor's is one that is no resident's."""
    if being.role == VISITOR:
        return any(person.bed in (None, room) for person in plan.people.values())
    return being.bed not in (None, room)


def _scale_away(states: States, being: Being, hour: Hour, weights: Array, flows: Array, settings: Settings) -> None:
    """Scale the weights of `away` so that a being spends its usual share of time there at an hour like any other.

    Then the rate of setting out is the same whatever the hour says of coming back.
    """
    away = states.select(states.places_of(AWAY))
    home = float(weights.sum() - weights[away].sum())
    usual = {RESIDENT: settings.away_share, VISITOR: 1 - settings.visitor_share, PET: settings.pet_away_share}
    share = usual[being.role]
    usually = float((weights[away] * hour.back ** states.pace[away]).sum())  # the chain of paces away, hour.back = 1
    factor = share / (1 - share) * home / usually
    weights[away] *= factor
    flows[np.ix_(away, away)] *= factor
    if being.role == PET and being.rooms is not None:
        for room in states.rooms:
            if room not in being.rooms and room != AWAY:
                elsewhere = states.select(states.places_of(room, seats=True))
                weights[elsewhere] *= settings.pet_astray_share
                flows[np.ix_(elsewhere, elsewhere)] *= settings.pet_astray_share


def _door_rate(plan: Floorplan, being: Being, door: Door, settings: Settings) -> float:
    """Flow along a door between moving people of weight 1."""
    outside = [room == AWAY or plan.rooms[room].outdoors for room in door.between]
    if being.role == PET:
        inside = being.rooms is not None and all(room in being.rooms for room in door.between)
        return settings.door_rate if inside else settings.door_rate * settings.pet_astray_door_share
    if all(outside):
        share = settings.side_gate_share if door.id in plan.side_gates else 1.0
        return share * settings.rate_at("outdoor_rate", door.id)
    return settings.rate_at("outer_door_rate" if any(outside) else "door_rate", door.id)


def _add_zone_flows(
    plan: Floorplan, states: States, at: dict[tuple[int, int], int], weights: Array, flows: Array, settings: Settings
) -> None:
    """Join the zones of one room: the flow falls with distance in units of the sensors' usual spacing."""
    for room in states.rooms:
        zones = [i for i in states.places_of(room) if states.places[i].zone]
        if not zones:
            continue
        points = spots_of(plan, states, zones)
        distance = np.ones((len(zones), len(zones)))
        if points is not None:
            distance = np.linalg.norm(points[:, None] - points[None], axis=2) / spacing(points)
        for m, a in enumerate(zones):
            for n, b in enumerate(zones[:m]):
                rate = settings.zone_rate * math.exp(-settings.zone_decay * max(0.0, float(distance[m, n]) - 1.0))
                i, j = at[a, MOVING], at[b, MOVING]
                flows[i, j] = flows[j, i] = weights[i] * max(rate, LEAST_ZONE_RATE)


def _add_seats(
    plan: Floorplan,
    states: States,
    at: dict[tuple[int, int], int],
    being: Being,
    hour: Hour,
    weights: Array,
    flows: Array,
    settings: Settings,
) -> None:
    """Join each seat to the active state of its room, or of the zone nearest to it."""
    for index, place in enumerate(states.places):
        if place.seat is None:
            continue
        zone = at[seat_zone(plan, states, index), ACTIVE]
        perched, settled, asleep = (at[index, pace] for pace in (ACTIVE, SETTLED, ASLEEP))
        turning = settings.seat_rate * (settings.pet_seat_share if being.role == PET else 1.0)
        up = being.role == VISITOR or (being.awake is not None and not hour.asleep)
        if up and is_bed(plan, plan.sensors[place.seat]):
            turning *= settings.dozing_rate / settings.bedtime_rate  # a bed is for the night
        weights[perched] = weights[zone] * turning / settings.seat_leave_rate
        flows[zone, perched] = flows[perched, zone] = weights[zone] * turning
        weights[settled] = weights[perched] * settings.seat_press_rate / settings.seat_release_rate
        flows[perched, settled] = flows[settled, perched] = weights[perched] * settings.seat_press_rate
        dozing, waking = _sleep_rates(plan, place.room, being, hour, settings)
        weights[asleep] = weights[settled] * dozing / waking
        flows[settled, asleep] = flows[asleep, settled] = weights[settled] * dozing
