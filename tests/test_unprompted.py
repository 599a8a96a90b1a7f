"""What sensors report whoever is there, as a householder knows it from doors with two contacts."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.integrate import quad

from presence import Settings
from presence.snapshot import Association, DoorUse, Said, Unprompted
from presence.unprompted import chatter_rate, is_echo, pulled_shut_rate
from tests.oracle import NOON, at, contact, home

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
