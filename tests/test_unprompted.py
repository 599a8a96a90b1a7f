"""What sensors report whoever is there, as a householder knows it from doors with two contacts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from presence.snapshot import DoorUse, Said
from presence.unprompted import is_echo
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
