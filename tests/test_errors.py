"""The error family is what its picture says; messages stay short and on one line."""

import pickle
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

import presence
from presence import errors
from presence.errors import Fault, InputError, LogError, PlanError, PresenceError, closest, did_you_mean, shown

FAMILY = {
    name: value
    for name, value in vars(errors).items()
    if isinstance(value, type) and issubclass(value, Exception) and value.__module__ == errors.__name__
}


def test_the_picture_shows_the_family() -> None:
    drawn, parents = {}, ["Exception"]
    for indent, name in re.findall(r"^( {4}[| +-]*)([A-Z]\w+)", errors.__doc__ or "", re.MULTILINE):
        depth = (len(indent) - 4) // 4
        parents[depth + 1 :] = [name]
        drawn[name] = parents[depth]
    assert set(drawn) == set(FAMILY)
    for name, parent in drawn.items():
        assert parent in [base.__name__ for base in FAMILY[name].__bases__]


def test_one_clause_catches_all() -> None:
    assert all(issubclass(error, PresenceError) for error in FAMILY.values())


def test_the_whole_family_can_be_imported_from_the_package() -> None:
    assert set(FAMILY) <= set(presence.__all__)
    assert all(getattr(presence, name) is error for name, error in FAMILY.items())


@pytest.mark.parametrize("kind", [InputError, PlanError, LogError])
def test_faults_are_kept_and_told_one_a_line(kind: type[InputError]) -> None:
    faults = [Fault("a.yaml", 3, "first"), Fault("a.yaml", 7, "second")]
    error = kind(iter(faults))
    assert error.faults == tuple(faults)
    assert str(error) == "a.yaml:3: first\na.yaml:7: second"
    again = pickle.loads(pickle.dumps(error))  # as another process would raise it
    assert (type(again), again.faults, str(again)) == (kind, error.faults, str(error))


@given(st.recursive(st.none() | st.booleans() | st.floats() | st.integers() | st.text(), st.lists) | st.binary())
def test_a_shown_value_is_short_and_on_one_line(value: object) -> None:
    text = shown(value)
    assert 0 < len(text) <= 80
    assert len(text.splitlines()) == 1


@pytest.mark.parametrize(
    ("word", "meant"),
    [("kitchn", "kitchen"), ("Kitchen", "kitchen"), ("living-room", "living_room"), ("livingroom", "living_room")],
)
def test_a_slip_finds_the_word_meant(word: str, meant: str) -> None:
    known = ["hall", "kitchen", "living_room", "garage"]
    assert closest(word, known) == meant
    assert did_you_mean(word, known) == f'did you mean "{meant}"?'


def test_what_is_like_nothing_gets_a_list() -> None:
    assert did_you_mean("xyzzy", ["hall", "den"]) == "there is hall, den"
    assert did_you_mean("xyzzy", []) == "there is none"
    assert did_you_mean("xyzzy", [f"room_{i}" for i in range(500)]).endswith("room_11 and 488 more")
