"""Defaults of how people and pets move, each with its source; `settings` has the others, and how they are used.

Rates are per second, durations in seconds, probabilities in [0, 1]. Where four values stand in a row they belong to
the paces moving, active, settled, asleep.
"""

from __future__ import annotations

from dataclasses import dataclass

PaceRates = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class MovementSettings:
    """How people and pets move; a part of `Settings`."""

    door_rate: float = 0.2
    """A moving person takes a given inner door once in 5 s: 4-6 m of path at an indoor pace below the comfortable
    1.27-1.46 m/s of Bohannon 1997 (Age and Ageing 26:15). Picked by hand, among values near it, on the first sessions
    of one open log (CASAS "ADLMR")."""
    outer_door_rate: float = 0.01
    """Doors between indoors and outdoors; gives two to three outings a day. Common practice, no source."""
    outdoor_rate: float = 0.07
    """Between outdoor rooms and `away`: a path or a drive is walked in about 15 s. Common practice, no source."""
    side_gate_share: float = 0.01
    """Ways between outdoor places that no entrance needs (`Floorplan.side_gates`), relative to `outdoor_rate`: most who
    go into a garden come back by the same door. Common practice, no source."""
    zone_rate: float = 0.25
    """From one motion sensor's zone to a neighbour's in the same room. This and the other `zone_` values but
    `zone_decay`: picked by hand on the first sessions of one open log (CASAS "ADLMR"), so not independent of it."""
    zone_decay: float = 3.4
    """How fast `zone_rate` falls with distance, per spacing of the sensors: the next event comes from next door. Comes
    nearest to the hazards by distance and age measured in one flat before this code, and makes the first sessions of
    one open log (CASAS "ADLMR") likeliest, without labels; 4 and 3 are both less likely."""
    zone_pausing_rate: float = 0.25
    """Moving to active inside a sensor's zone."""
    zone_starting_rate: float = 0.06
    """Active to moving inside a sensor's zone."""
    zone_settling_rate: float = 1 / 60
    """Active to settled inside a sensor's zone."""
    zone_rising_rate: float = 1 / 160
    """Settled to active inside a sensor's zone."""
    zone_miss: float = 0.05
    """Share of moves into a zone that its sensor does not report at once."""
    unseen_walk_rate: float = 2e-4
    """Somebody who sat still in one sensor's zone turns up in a given one further off, and no sensor between has
    reported: messages are lost in bursts, so misses on one way go together. Measured in one flat before this code,
    beyond two spacings of the sensors, a minute after the last movement. 1e-4 to 3e-4, from settled, not from who
    moves, also made the first sessions of one open log (CASAS "ADLMR") likeliest."""
    room_miss: float = 0.3
    """Share of walks between two rooms of one motion sensor each that go unreported: it rarely looks at every door.
    Common practice, no source; in one real home (ARAS house A, days 1-5) a hall's sensor spoke, without labels, in .07
    to .59 of the changes between two rooms that only the hall joins, and .3 is likelier than .05 by 135 nats."""
    zone_motion_rates: PaceRates = (0.4, 0.09, 1 / 200, 1 / 5000)
    """Rate at which the sensor of a zone fires again for somebody in it, where they hang close (`zones.close_set`)."""
    pausing_rate: float = 0.12
    """Moving to active: a walk ends after about 8 s. Common practice, no source."""
    starting_rate: float = 1 / 40
    """Active to moving: somebody up and about in a room leaves it or crosses it. Common practice, no source."""
    settling_rate: float = 1 / 150
    """Active to settled. Common practice, no source."""
    rising_rate: float = 1 / 900
    """Settled to active: a sitting of a quarter of an hour before the next stir. Common practice, no source."""
    unseated_rising_rate: float = 1 / 100
    """Settled to active in a home whose seats and beds report: who rests long does so on one of them, and quiet
    elsewhere ends soon. Against 1/900 and 1/300 in trials on half of one real home (ARAS house A, days 1-5)."""
    small_room_share: float = 0.33
    """Walking into a room too small to live in (`places.is_small`), relative to others: nobody turns round there..."""
    small_room_rising_factor: float = 4.0
    """...and how much sooner quiet ends: people have come to wash or to fetch something, and go. Common practice, no
    source."""
    dozing_rate: float = 1 / 5400
    """Settled to asleep (or deeply still) outside sleeping hours. Common practice, no source."""
    nap_share: float = 0.2
    """Falling asleep in a room that is not marked `rest`, relative to one that is. Common practice, no source."""
    waking_rate: float = 1 / 1800
    """Asleep to settled outside sleeping hours. Common practice, no source."""
    bedtime_rate: float = 1 / 900
    """Settled to asleep in the own bed's room in sleeping hours. Common practice, no source."""
    night_waking_rate: float = 1 / 7200
    """Asleep to settled in sleeping hours: a few stirrings a night. Common practice, no source."""
    pet_dozing_rate: float = 1 / 900
    pet_waking_rate: float = 1 / 1800
    """A pet settled to asleep in any room, and back: it lies deeply still .6 of the time. Laboratory cats slept .57 of
    it (Sterman et al. 1965, from memory)."""
    pet_away_share: float = 1e-5
    """Share of time a pet is off the property. This and the other `pet_` shares: common practice, no source."""
    pet_astray_share: float = 1e-3
    """Weight of a room that a pet does not keep to, relative to one that it does..."""
    pet_astray_door_share: float = 1e-4
    """...and how readily it passes a door that leads to one, relative to others."""
    pet_seat_share: float = 0.01
    """How readily a pet turns to a seat with a sensor, relative to a person: most weigh too little."""
    pet_hands_share: float = 1e-6
    """How readily a pet opens a door or presses a switch, relative to a person; nothing is impossible."""
    foreign_room_share: float = 0.33
    """Going into others' bedrooms behind doors (`leaning.foreign_rooms`), relative to other rooms. Common practice, no
    source."""
    foreign_bed_share: float = 0.1
    """Falling asleep, or settling unseen, in a rest room not their own, relative to it. Common practice, no source."""
    corridor_share: float = 0.15
    """Settling in a corridor (`places.is_corridor`), relative to other rooms. Common practice, no source."""
    approach_share: float = 0.15
    """Pausing between an entrance and the street (`Floorplan.approaches`), relative to other places: who has left the
    house walks on, or drives off, and no pause is longer than the walk (`outdoor_rate`). Common practice, no source."""
    unsensed_share: float = 0.02
    """Settling in a room that no sensor sees and where nobody sleeps, relative to other rooms: whoever is
    believed there explains every silence. Picked by hand on half of one open log (ARAS house A, days 1-5)."""
    unsensed_rising_rate: float = 1 / 100
    """Settled to active there: quiet must end where nobody hears it. Best by far of 1/400, 1/1600 in one real home."""
    away_share: float = 0.313
    """Share of time away: 1 - 16.49 h / 24 h, Building America House Simulation Protocols 2010, Fig. 25."""
    night_away_share: float = 0.1
    """How much less likely somebody is away in their sleeping hours, nothing known yet (as above, from memory)."""
    night_leaving_share: float = 0.33
    """How much less readily they leave home in these hours: some are up early. Common practice, no source."""
    homeward_factor: float = 2.0
    """How much sooner they come home in the hours about bedtime (`habits.BEDTIME`). Common practice, no source."""
    night_bed_share: float = 0.9
    """Asleep in their own bed then: nine in ten people are at three, American Time Use Survey (from memory)."""
    night_room_share: float = 0.7
    """Of their time at home in these hours they are drawn to their own bedroom for so much (`leaning.to_bed`): less
    than nine tenths, for hours are not kept to the minute. Common practice, no source; picked by hand, see
    benchmarks/MEASURED.md, "Bedtime"."""
    errand_rate: float = 1 / 1800
    """Away: return of a short outing. Common practice, no source."""
    outing_rate: float = 1 / 3600
    """Away: a short outing turns into a long one. Common practice, no source."""
    return_rate: float = 1 / 14400
    """Away: end of a long outing. Common practice, no source."""
    gone_rate: float = 1 / 60
    """Whoever walks off the property has gone where no door of it is near. Common practice, no source."""
    visitor_share: float = 0.02
    """Share of time an unknown person is on the property. Common practice, no source."""
