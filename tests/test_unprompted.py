"""What sensors report whoever is there, as a householder knows it from doors with two contacts."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.integrate import quad

from presence import Settings
from presence.experience import DoorUse, Said, Unprompted
from presence.snapshot import Association
from presence.unprompted import (
    bounce_rate,
    chatter_rate,
    false_alarm_rate,
    is_echo,
    opened_by,
    pulled_shut_rate,
    repeat_rate,
    watched_by_another,
)
from tests.oracle import NOON, at, contact, home, time_at

BEGIN = NOON.timestamp()
GATE = home(1, front_contact=contact("front"), second_contact=contact("front"), inner_contact=contact("inner"))
OPENED = DoorUse(open=True, since=BEGIN, heard=BEGIN)
"""The first contact has told so at noon."""
FIRST, SECOND = Said("open", BEGIN - 9000.0, both=True), Said("closed", BEGIN - 9000.0, both=True)


@pytest.mark.parametrize(("seconds", "echo"), [(0.0, True), (0.4, True), (3.0, True), (10.0, False), (3600.0, False)])
def test_a_second_contact_that_tells_of_an_opening_at_once_tells_the_same_one(seconds: float, echo: bool) -> None:
    """Both hang on one leaf; what one of them tells only much later is another movement of it."""
    said = {"front_contact": FIRST, "second_contact": SECOND}
    assert is_echo(GATE, at(seconds, "second_contact", "open"), OPENED, said, BEGIN + seconds) == echo


@pytest.mark.parametrize("unheard", ["never heard", "out of reach since"])
def test_a_contact_that_is_heard_for_the_first_time_only_tells_how_the_door_has_long_stood(unheard: str) -> None:
    said = {"front_contact": FIRST}
    if unheard == "out of reach since":
        said["second_contact"] = replace(SECOND, current=False)
    assert is_echo(GATE, at(3600.0, "second_contact", "open"), OPENED, said, BEGIN + 3600.0)
    assert not is_echo(GATE, at(3600.0, "second_contact", "closed"), OPENED, said, BEGIN + 3600.0)


def test_what_no_other_contact_of_the_same_door_has_told_is_no_echo() -> None:
    """A closing after an opening; an opening of another door; of a door that is not known to stand open."""
    said = {"front_contact": FIRST, "second_contact": SECOND}
    soon = BEGIN + 1.0
    assert not is_echo(GATE, at(1.0, "second_contact", "closed"), OPENED, said, soon)
    assert not is_echo(GATE, at(1.0, "inner_contact", "open"), OPENED, said, soon)
    assert not is_echo(GATE, at(1.0, "second_contact", "open"), DoorUse(heard=BEGIN), said, soon)
    assert not is_echo(GATE, at(1.0, "second_contact", "open"), replace(OPENED, open=False), said, soon)
    assert not is_echo(GATE, at(1.0, "front_contact", "open"), OPENED, {"front_contact": FIRST}, soon)


@pytest.mark.parametrize(("other", "watched"), [(FIRST, True), (replace(FIRST, reachable=False), False), (None, False)])
def test_a_door_is_watched_by_another_contact_that_has_been_heard_and_can_report(
    other: Said | None, watched: bool
) -> None:
    said = {"inner_contact": FIRST, "second_contact": FIRST} | ({"front_contact": other} if other else {})
    assert watched_by_another(GATE, GATE.sensors["second_contact"], said) == watched


# --- rates of what follows by itself ----------------------------------------------------------------------------------
def test_most_doors_are_pulled_shut_half_of_them_within_the_delay() -> None:
    """A rate adds up to the share of doors that are: here by numerical integration."""
    settings, closed = Settings(), at(0.0, "front_contact", "closed")
    share, delay = settings.door_pulled_shut_share, settings.door_pulled_shut_delay

    def shut_by(age: float) -> float:
        return float(quad(lambda s: pulled_shut_rate(settings, closed, OPENED, BEGIN + s), 0.0, age)[0])

    assert shut_by(delay) == pytest.approx(share / 2, rel=1e-6)
    assert shut_by(40 * delay) == pytest.approx(share, rel=1e-6)
    assert pulled_shut_rate(settings, closed, replace(OPENED, open=False), BEGIN + 1.0) == 0.0
    assert pulled_shut_rate(settings, at(0.0, "front_contact", "open"), OPENED, BEGIN + 1.0) == 0.0


@pytest.mark.parametrize("bounces", [0, 3])
def test_a_door_rattles_as_often_as_its_own_record_says_half_of_the_times_within_the_delay(bounces: int) -> None:
    """Opened anew 12 times, so often at once: a share of twice as many, opened and shut (`DoorUse.bounce_share`)."""
    settings, use = Settings(), replace(OPENED, open=False, reopenings=12, bounces=bounces)
    share = use.bounce_share(settings.door_bounce_share)

    def rattled(age: float, value: str = "open", use: DoorUse = use) -> float:
        event = at(0.0, "front_contact", value)
        return float(quad(lambda s: bounce_rate(settings, event, use, BEGIN + s), 0.0, age)[0])

    assert (share > settings.door_bounce_share) == (bounces > 0)
    assert rattled(settings.door_bounce_delay) == pytest.approx(share / 2, rel=1e-6)
    assert rattled(40 * settings.door_bounce_delay) == pytest.approx(share, rel=1e-6)
    assert rattled(1.0, "closed", replace(use, open=True)) == pytest.approx(rattled(1.0), rel=1e-6)
    assert rattled(1.0, "closed") == 0.0, "the same once more is no movement of the door"
    assert rattled(1.0, use=replace(use, since=0.0)) == 0.0, "how it stood is not known"


# --- the same once more -----------------------------------------------------------------------------------------------
NOW = BEGIN + 86400.0
CHECKED_IN = Said("closed", BEGIN, repeats=23, both=True)
"""Heard a day ago first; it has said the same again 23 times since."""
JUST_TOLD = Said("closed", NOW - 4.0)
"""Another contact, first heard to be shut four seconds ago: the hub starts anew."""


def again(value: str, *, begun: bool = False, more: dict[str, str] | None = None, **said: Said) -> float:
    return repeat_rate(Settings(), at(86400.0, "front_contact", value, **more or {}), said, NOW, begun=begun)


def test_a_radio_checks_in_as_often_as_it_has() -> None:
    """The mean of a gamma distribution: as many reports as were supposed and were made, over both times."""
    settings = Settings()
    expected = (settings.door_repeats + 23) / (settings.door_repeat_period + 86400.0)
    assert again("closed", front_contact=CHECKED_IN) == pytest.approx(expected, rel=1e-12)
    assert again("open", front_contact=replace(CHECKED_IN, value="open")) == pytest.approx(expected, rel=1e-12)
    assert again("closed", front_contact=CHECKED_IN, inner_contact=CHECKED_IN) == pytest.approx(expected, rel=1e-12)


def test_what_is_news_or_done_by_hand_is_no_radio() -> None:
    assert again("open", front_contact=CHECKED_IN) == 0.0
    assert again("open", front_contact=Said("open", BEGIN)) == 0.0, "it has never said anything else: openings alone"
    assert again("closed") == 0.0, "first heard long after the log began"
    for more in ({"by": "inside"}, {"code": "17"}):
        assert again("closed", more=more, front_contact=CHECKED_IN) == 0.0


def test_a_hub_that_starts_anew_tells_one_thing_after_another() -> None:
    """Half of the next reports come within five seconds of one that was told unasked, at .1 a second."""
    alone = again("closed", front_contact=CHECKED_IN)
    for other in (JUST_TOLD, Said("open", BEGIN, again=NOW - 5.0, both=True)):
        assert again("closed", front_contact=CHECKED_IN, inner_contact=other) == pytest.approx(alone + 0.1, rel=1e-12)
    for other in (replace(JUST_TOLD, first=NOW - 6.0), replace(JUST_TOLD, both=True), replace(JUST_TOLD, value="open")):
        assert again("closed", front_contact=CHECKED_IN, inner_contact=other) == alone
    own = replace(CHECKED_IN, again=NOW - 2.0)
    assert again("closed", front_contact=own) == alone, "another, not it itself"


@pytest.mark.parametrize(("value", "told", "rate"), [("closed", False, 0.1), ("open", False, 0.0), ("open", True, 0.1)])
def test_what_is_heard_first_as_a_log_begins_is_how_a_door_stands(value: str, told: bool, rate: float) -> None:
    """One that stands open may just have been opened, unless another has told how it stands."""
    assert again(value, begun=True, **({"inner_contact": JUST_TOLD} if told else {})) == pytest.approx(rate, rel=1e-12)


def test_a_door_was_opened_by_whom_its_latest_opening_tells_and_not_by_nobody() -> None:
    """Both contacts tell of one opening, the second of them as an echo that nobody made; one told of an earlier one."""

    def told(sensor: str, age: float, nobody: float, value: str = "open") -> Association:
        return Association(time_at(-age), sensor, value, {"P1": 1.0 - nobody}, nobody)

    def by(*holders: Association) -> Association | None:
        return opened_by(GATE, "front", OPENED, {holder.sensor: holder for holder in holders})

    hand, echo = told("front_contact", 0.0, 0.1), told("second_contact", 0.0, 0.9)
    assert by(hand, echo) == by(echo, hand) == hand
    assert by(echo, told("front_contact", 9.0, 0.1)) == echo, "of the latest"
    assert by(echo, told("front_contact", 0.0, 0.1, "closed")) == echo
    assert by(told("inner_contact", 0.0, 0.1)) is None, "another door's"


@pytest.mark.parametrize(("door", "outer"), [("front", True), ("inner", False)])
def test_a_latched_door_to_the_outside_comes_open_by_itself_more_rarely(door: str, outer: bool) -> None:
    settings = Settings(door_false_alarm_rate=2e-5, outer_door_false_alarm_rate=1e-7)
    assert false_alarm_rate(GATE, settings, door) == (1e-7 if outer else 2e-5)


# --- switches that chatter --------------------------------------------------------------------------------------------
def chatter(nobody: float, age: float, *, reports: int = 30, by_itself: float = 15.0) -> float:
    last = Association(NOON, "tap", "pressed", {"P1": 1.0 - nobody}, nobody)
    return chatter_rate(Settings(), last, Unprompted(reports, by_itself), BEGIN + age)


def test_a_switch_chatters_as_its_record_says_and_the_less_the_longer_it_has_been_quiet() -> None:
    delay = Settings().object_chatter_delay
    assert chatter(1.0, 0.0) > 0.0
    assert chatter(1.0, delay) == pytest.approx(chatter(1.0, 0.0) / 2)
    assert chatter(1.0, 9 * delay) == pytest.approx(chatter(1.0, 0.0) / 10)
    assert chatter(0.75, 0.0) == pytest.approx(chatter(1.0, 0.0) / 2)
    assert chatter(0.5, 0.0) == chatter(0.2, 0.0) == 0.0, "a hand is as likely"
    assert chatter(1.0, 0.0, by_itself=0.0) == 0.0
    assert chatter(1.0, 0.0, by_itself=30.0) == pytest.approx(2 * chatter(1.0, 0.0))
    always = [chatter(1.0, 0.0, reports=n, by_itself=n) for n in (10, 100_000)]
    assert always[0] == pytest.approx(always[1] / 2, rel=1e-3), "ten reports by hand are taken for granted"
