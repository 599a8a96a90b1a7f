"""Every default of the model in one place, with its source, all overridable: `Settings(door_rate=0.2)`.

`Settings` has those of movement, which stand in `movement_settings`, and those of sensors, which stand here.
Rates are per second, durations in seconds, probabilities in [0, 1]. Where four values stand in a row they belong to
the paces moving, active, settled, asleep.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from presence.errors import SettingError, did_you_mean
from presence.habits import Habit, from_mapping
from presence.movement_settings import MovementSettings, PaceRates
from presence.permitted import check_setting


@dataclass(frozen=True, slots=True)
class Settings(MovementSettings):
    """How people move and how sensors see, until a home's own log teaches better.

    Raises:
        SettingError: if a value is not finite, not positive (a few may be 0), or a probability is not inside (0, 1).
    """

    # --- motion sensors -------------------------------------------------------------------------------------------
    motion_rates: PaceRates = (0.6, 0.08, 1 / 500, 1 / 5000)
    """Rate of firing while it can; low for the still: too high costs more than too low. Common practice, no source."""
    motion_false_alarm_rate: float = 1 / 43200
    """A motion sensor fires with nobody there: twice a day. Common practice, no source."""
    outdoor_false_alarm_rate: float = 1 / 14400
    """The same outdoors, by wind, sun, animals, traffic; then its own record tells. Common practice, no source."""
    outdoor_false_alarm_period: float = 86400.0
    """Seconds of that record that this expectation is worth. Common practice, no source."""
    hold_expiry: float = 240.0
    """A sensor still on after this many times its hold (and a second) is taken to have lost its off message, sooner
    where the home's own record says so (`lingering.holds_waited`): who keeps moving keeps it on. Common practice, no
    source."""
    pet_rate_share: float = 0.7
    """A pet sets a motion sensor off, relative to a person. Common practice, no source."""
    # --- doors ----------------------------------------------------------------------------------------------------
    door_miss: float = 0.05
    """A contact misses an opening, or somebody passes without one: .03 to .1 in experiments before this code."""
    outer_door_miss: float = 0.01
    """The same at a door to the outside, which hardly anybody leaves ajar: what is left are lost messages. In
    experiments before this code .001 to .01."""
    door_idle_share: float = 0.06
    """A door is opened and nobody passes, relative to passing. Common practice, no source."""
    door_put_back_share: float = 0.9
    """The same of an inner door that stands open all the rest of the time: whoever shut it, to have a bath or keep
    smells in, puts it back as it was, and goes on in there about as often as they leave. Common practice, no source."""
    door_guest_share: float = 0.06
    """Somebody inside opens a door to the outside for an unknown person and stays, relative to passing: as often as
    they open it for nothing. Common practice, no source."""
    door_company_share: float = 0.33
    """Whoever goes out or comes back through a door to the outside asks one other resident along, who comes if they
    can: half the passengers of a car (1.67 people less the driver: National Household Travel Survey 2017, average
    vehicle occupancy, from memory), for either of two may be told as the one who goes with the other. 0: never."""
    door_closing_rate: float = 1 / 20
    """Somebody moving beside an open door closes it. Common practice, no source."""
    door_pulled_shut_share: float = 0.9
    """After this share of openings, whoever opened the door shuts it in the same move: half of these come..."""
    door_pulled_shut_delay: float = 5.0
    """...within so many seconds. Both by how long doors stood open in two logs, see `unprompted.pulled_shut_rate`."""
    door_step_delay: float = 0.5
    """Half of those who open a door have passed it within so many seconds (`doorways`). Common practice, no source. 0:
    at once."""
    door_shut_behind_share: float = 0.1
    """Somebody on the outer side shuts a door that usually stands open, at least, relative to somebody on the inner
    side, who shuts themselves in. Common practice, no source."""
    outer_door_expiry: float = 3600.0
    """A door to the outside that stands open so long was shut, and its message lost. Common practice, no source."""
    door_draught_factor: float = 10.0
    """A door is shut (a draught) or locked with nobody near so many times as often as an inner one is opened. Common
    practice, no source."""
    door_closing_share: float = 0.05
    """A closing is told as a passage of its own with this share only. Common practice, no source."""
    overhead_remote_share: float = 0.01
    """Somebody who walks near a garage sets its overhead door going from there, relative to the flow through it of
    those beside it: with an outing or two a day about one in ten. Common practice, no source."""
    overhead_travel: float = 15.0
    """Seconds that an overhead door may take to come down. Common practice, no source."""
    door_false_alarm_rate: float = 1 / 86400
    """A contact moves with nobody near (wind, jolt): once a day. Common practice, no source."""
    outer_door_false_alarm_rate: float = 1 / 604800
    """The same at a door to the outside, which is latched: once a week. Common practice, no source."""
    door_bounce_share: float = 0.02
    """Share of a contact's reports that it follows up by itself, for a start; from then on its own record counts
    (`DoorUse.bounce_share`): a door not latched rattles. Common practice, no source. 0: no bounces."""
    door_bounce_delay: float = 4.0
    """Half of such reports come within so many seconds: a door that is fumbled with is open again before anybody else
    can use it. By likelihood, without labels, on two open logs (van Kasteren et al. 2010, house A; ARAS house A)."""
    door_repeats: float = 0.5
    """How often a contact or lock says the same again for no reason (supervised radios do) in `door_repeat_period`,
    for a start; from then on its own record counts. Common practice, no source. 0: never."""
    door_repeat_period: float = 3600.0
    """Seconds of its record that this expectation is worth: radios check in about hourly. Common practice, no
    source."""
    lock_rate: float = 1 / 20
    """Somebody beside a door locks it (it is unlocked as often as it is passed). Common practice, no source."""
    lock_miss: float = 0.5
    """Share of passages that go unreported where a lock must do as the door's contact: one that is unlocked is passed
    again. Common practice, no source."""
    lock_itself_share: float = 0.02
    """Share of lockings that a lock is taken to have made by itself, for a start, where a contact tells who passes the
    door. Common practice, no source."""
    code_slip: float = 0.001
    """Somebody else uses a person's code, relative to the person. Common practice, no source."""
    passage_window: float = 300.0
    """Seconds after which the direction of a passage is final. Common practice, no source."""
    # --- other sensors --------------------------------------------------------------------------------------------
    occupancy_rates: PaceRates = (0.6, 0.3, 0.1, 0.05)
    """A sensor that sees still people: rate of turning on with somebody there. Common practice, no source."""
    occupancy_refresh: float = 60.0
    """While such a sensor stays on it bears witness again after this many seconds. Common practice, no source."""
    occupancy_alone: float = 0.3
    """Chance that it stays on that long with nobody there, relative to somebody there. Common practice, no source."""
    occupancy_lost: float = 0.01
    """Share of its off messages lost, so that it stays on for good; motion sensors' late ones, too. Common practice, no
    source."""
    put_back_events: int = 4
    """Events taken in once more, at most, to put an off report back to the last movement (`retaken`). Common practice,
    no source."""
    camera_rates: PaceRates = (0.5, 0.2, 1 / 500, 1 / 20000)
    """A camera that recognises people once movement wakes it: still ones as seldom as by `motion_rates`. Common
    practice, no source."""
    switch_rates: PaceRates = (1 / 300, 1 / 300, 1 / 7200, 1e-7)
    """A hand-operated control. Common practice, no source."""
    power_rates: PaceRates = (1 / 1800, 1 / 1800, 1 / 36000, 1e-7)
    """An appliance started by hand. Common practice, no source."""
    object_false_alarm_rate: float = 1 / 604800
    """A switch, appliance or camera reports with nobody there: once a week. Common practice, no source."""
    object_chatter: float = 0.2
    """A switch or an appliance that has only ever reported falsely, as it just has, goes on: expected false reports per
    e-fold of the time since then, so that they come in bursts of any length. By likelihood, without labels, on half of
    one open log (ARAS house A, days 1-5): .2 over .05. With others times their own record. 0: no bursts."""
    object_chatter_delay: float = 1.0
    """Seconds before which such a sensor is no readier to report again. Common practice (contact bounce), no source."""
    seat_rate: float = 1 / 100
    """An active person turns to a given seat, bed or mat with a sensor. This and the other `seat_` values: common
    practice, tried by hand on half of one open log (ARAS house A, days 1-5)."""
    seat_press_rate: float = 1 / 5
    """Somebody perched on a seat settles on it and presses it... Common practice, no source."""
    seat_leave_rate: float = 1 / 10
    """...or leaves it. Common practice, no source."""
    seat_release_rate: float = 1 / 300
    """Who sits shifts their weight and perches, so that the sensor lets go; asleep a hundredth. Common practice, no
    source."""
    seat_flutter: float = 0.02
    """Times it lets go under who stays per e-fold of time pressed, at first (`flutter_rate`). Common practice, no
    source. 0: never."""
    seat_shared_share: float = 0.01
    """Two people on one seat, relative to one; beds that two people share are excepted. Common practice, no source."""
    seat_miss: float = 0.02
    """A pressure sensor misses a change, relative to reporting it. Common practice, no source."""
    seat_false_alarm_rate: float = 1 / 43200
    """A pressure sensor turns on with nobody there. Common practice, no source."""
    seat_brief_rate: float = 1 / 10
    """Such a false turn ends after about 10 s..."""
    seat_stuck_share: float = 0.01
    """...but this share of them sticks..."""
    seat_stuck_rate: float = 1 / 14400
    """...for hours. Common practice, no source."""
    phone_error: float = 0.02
    """A phone reports the other place than its owner's (left behind, dead, late). Common practice, no source."""
    phone_return_error: float = 0.002
    """A phone that was away reports home without its owner: it was not left behind, nor dead. Common practice, no
    source."""
    phone_doubt: float = 0.05
    """A phone that has not changed its report still tells where its owner is: likelihood of the other place, again
    `phone_still` and 4, 16, 64 ... times as long after the report (1: it tells nothing more); bounded where no
    outer door explains it (`phone_lasting_share`). Common practice, no source."""
    phone_still: float = 300.0
    """Seconds after a phone's report when its not having changed first tells something: long enough for nearly every
    phone to have noticed. Common practice, no source."""
    phone_check_in: float = 7200.0
    """A phone that says the same again within so many seconds checks in, which tells nothing new; after a longer
    silence, a change was lost. Radios check in about hourly. Common practice, no source."""
    phone_lasting_share: float = 0.02
    """Share of a phone's or a tag's wrong reports that stay wrong for hours: its battery is flat, it sleeps, it drifts.
    The more, the less is believed of who has left unheard, and whose phone says so. Common practice, no source."""
    phone_explained: float = 600.0
    """Seconds before a report within which an outer door was used that explains it. Common practice, no source."""
    badge_error: float = 0.05
    """A tag is heard in another room or lies in one; `vacant` with somebody there. Common practice, no source."""
    badge_silent_share: float = 0.01
    """Probability that a tag is not heard again, though its owner is at home: its battery, a tin. Common practice, no
    source."""
    badge_overtaken: float = 20.0
    """Seconds after a tag was told to be away within which the room by the door may be told of, which it left
    before..."""
    badge_overtaken_share: float = 0.3
    """...as likely as this, its owner being away. Common practice, no source."""
    # --- places that differ -----------------------------------------------------------------------------------------
    factors: Mapping[str, Mapping[str, float]] = field(default_factory=dict, hash=False)
    """Factors on some settings (`FACTORED`) by room, sensor or door: `{"rising_rate": {"kitchen": 2.0}}`."""
    own_places: Mapping[str, Mapping[str, float]] = field(default_factory=dict, hash=False)
    """Factors on a resident's share of time in a room, a motion sensor's zone or a seat, relative to anybody's:
    `{"P1": {"desk_motion": 3.0}}`; see `leaning`."""
    habits: Mapping[str, Habit] = field(default_factory=dict, hash=False)
    """What residents' weeks are like, where that is known better than from the plan."""

    def __post_init__(self) -> None:
        for item in fields(self):
            check_setting(item.name, getattr(self, item.name), item.default)

    def rate_at(self, name: str, where: str) -> float:
        """A setting in one room or at one door, 1/s: its value times the factor there, if there is one."""
        return float(getattr(self, name)) * self.factors.get(name, {}).get(where, 1.0)

    def rates_at(self, name: str, where: str) -> PaceRates:
        """A setting of four paces at one sensor, 1/s."""
        factor = self.factors.get(name, {}).get(where, 1.0)
        moving, active, settled, asleep = getattr(self, name)
        return moving * factor, active * factor, settled * factor, asleep * factor

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any]) -> Settings:
        """Settings with some values replaced; lists become tuples.

        Raises:
            SettingError: if a name is unknown or a value is out of range.
        """
        known = {item.name for item in fields(cls)}
        unknown = sorted(set(values) - known)
        if unknown:
            raise SettingError(f"unknown setting {unknown[0]!r}; {did_you_mean(unknown[0], sorted(known))}")
        given: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}
        if isinstance(given.get("habits"), Mapping):
            habits = given["habits"].items()
            given["habits"] = {k: v if isinstance(v, Habit) else from_mapping(k, v) for k, v in habits}
        return cls(**given)
