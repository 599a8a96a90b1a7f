"""The learned file: there and back, refused for another plan or version, and without it nothing changes."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from presence import Floorplan, InputError, SettingError, Settings, Tracker
from presence.habits import Habit, Hour
from presence.learned import apply, fingerprint, read_learned, to_mapping, write_learned
from presence.movement import beings, weights_and_flows
from presence.places import ACTIVE, MOVING, SETTLED, states_of
from presence.sensing import Sight
from tests.oracle import at, contact, home, motion

PLAN = home(2, hall_motion=motion("hall"), bed_motion=motion("bed"), front_contact=contact("front"))
SETTINGS = Settings(
    rising_rate=0.002,
    motion_rates=(0.5, 0.1, 0.004, 0.0002),
    factors={"rising_rate": {"bed": 0.5}, "motion_rates": {"hall_motion": 2.0}, "outer_door_rate": {"front": 3.0}},
    own_places={"P1": {"bed": 3.0, "hall_motion": 0.5}},
    habits={"P1": Habit((21600.0, 82800.0), out=(4.0,) + (1.0,) * 167, back=(1.0,) * 160 + (0.5,) * 8)},
)


def written(path: Path, **changes: Any) -> Path:
    """A learned file for PLAN, with some keys replaced."""
    learned = apply(PLAN, SETTINGS, {"hall_motion": 25.0}, {"days": 3})
    write_learned(path, PLAN, learned)
    content = json.loads(path.read_text(encoding="utf-8")) | changes
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    learned = read_learned(written(tmp_path / "learned.json"), PLAN)
    assert learned.settings == SETTINGS
    assert learned.plan.sensors["hall_motion"].hold == 25.0
    assert learned.plan.sensors["bed_motion"] == PLAN.sensors["bed_motion"]
    assert learned.report == {"days": 3}
    assert not list(tmp_path.glob("*.part"))


def test_an_empty_part_of_an_older_file_is_no_loss(tmp_path: Path) -> None:
    assert read_learned(written(tmp_path / "learned.json", awake={}), PLAN).settings == SETTINGS


def test_a_file_that_does_not_say_beside_which_defaults_it_was_learned_is_still_taken(tmp_path: Path) -> None:
    path = written(tmp_path / "learned.json")
    content = json.loads(path.read_text(encoding="utf-8"))
    del content["learned_by"]
    path.write_text(json.dumps(content), encoding="utf-8")
    assert read_learned(path, PLAN).settings == SETTINGS


def test_what_was_learned_beside_other_defaults_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only what differs from the defaults is in the file: the rest would silently be another model's."""
    path = written(tmp_path / "learned.json")
    with monkeypatch.context() as later:
        later.setattr("presence.learned.Settings", lambda: Settings(errand_rate=0.001))
        with pytest.raises(InputError, match="whose defaults were others"):
            read_learned(path, PLAN)
    assert read_learned(path, PLAN).settings == SETTINGS


def test_only_what_differs_is_written() -> None:
    content = to_mapping(PLAN, apply(PLAN, Settings(door_rate=0.3), {}, {}))
    assert content["settings"] == {"door_rate": 0.3}
    assert content["factors"] == content["holds"] == content["habits"] == content["own_places"] == {}


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"format": "recipe"}, "presence learn"),
        ({"version": 99}, "version 99"),
        ({"plan": {}}, "for which plan"),
        (
            {"learned_by": {"presence": "0.0.9", "defaults": "0" * 12}},
            r'by presence "0\.0\.9", whose defaults were others',
        ),
        ({"learned_by": {}}, "learned_by: {} does not say"),
        ({"learned_by": "me"}, "learned_by: .* does not say"),
        ({"settings": {"door_rat": 0.2}}, "door_rat"),
        ({"settings": {"door_rate": -1}}, "above zero"),
        ({"settings": {"door_rate": "often"}}, "door_rate"),
        ({"settings": {"motion_rates": [1, 2]}}, "motion_rates"),
        ({"settings": 5}, "no mapping"),
        ({"factors": {"rising_rate": {"attic": 2.0}}}, "attic"),
        ({"factors": {"phone_error": {"hall": 2.0}}}, "cannot differ"),
        ({"factors": {"rising_rate": {"hall": 0}}}, "above zero"),
        ({"own_places": {"P9": {"hall": 2.0}}}, "P9"),
        ({"own_places": {"P1": {"attic": 2.0}}}, "own_places: P1.*attic"),
        ({"own_places": {"P1": {"hall": -1}}}, "own_places: P1: hall"),
        ({"holds": {"front_motion": 3}}, "front_motion"),
        ({"holds": {"hall_motion": True}}, "hall_motion"),
        ({"holds": {"front_contact": 3}}, 'no motion sensor "front_contact"'),
        ({"report": 3}, "report: 3 is no mapping"),
        ({"settings": {"door_rate": True}}, "door_rate: True"),
        ({"settings": {"door_rate": 10**400}}, "door_rate: 10{400} is not a finite number"),
        ({"habits": {"P1": {"awake": ["25:00", "07:00"]}}}, "P1.*25:00"),
        ({"habits": {"P1": {"awake": "always"}}}, "P1.*always"),
        ({"habits": {"P1": {"naps": []}}}, "P1.*naps"),
        ({"habits": {"P9": {}}}, "P9"),
        ({"habits": {"P1": {"out": {"Someday": "1 " * 24}}}}, "P1.*Someday"),
        ({"habits": {"P1": {"out": {"Mon": "1 " * 23}}}}, "P1.*Mon"),
        ({"habits": {"P1": {"back": {"Mon": "0" + " 1" * 23}}}}, "back.*1/16"),
        ({"habits": {"P1": {"back": {"Mon": "often" + " 1" * 23}}}}, "often"),
        ({"habits": {"P1": {"back": {"Mon": [1] * 24}}}}, "line of 24"),
        ({"habits": [1]}, "no mapping"),
        ({"habits": {"P1": {"out": {"Tue": "99 " * 24}}}}, "P1: out: Tue: 99"),
        ({"awake": {"P1": ["07:30", "22:00"]}}, '"awake" is no part'),
        ({"habit": {"P1": {}}}, '"habit" is no part'),
    ],
)
def test_what_cannot_be_is_one_clear_line(tmp_path: Path, changes: dict[str, Any], text: str) -> None:
    path = written(tmp_path / "learned.json", **changes)
    with pytest.raises(InputError, match=text) as refused:
        read_learned(path, PLAN)
    assert len(refused.value.faults) == 1
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("content", ["", "[1]", "{", '"text"', "[" * 5000])
def test_what_is_no_such_file_is_refused(tmp_path: Path, content: str) -> None:
    path = tmp_path / "learned.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError):
        read_learned(path, PLAN)
    with pytest.raises(InputError, match="cannot be read"):
        read_learned(tmp_path / "nowhere.json", PLAN)


def test_a_file_for_another_plan_is_refused_and_says_what_differs(tmp_path: Path) -> None:
    path = written(tmp_path / "learned.json")
    other = home(2, hall_motion=motion("hall"), bed_motion=motion("bed", hold=30.0), front_contact=contact("front"))
    with pytest.raises(InputError, match=r"another plan \(\"tiny\"; sensors differ\)"):
        read_learned(path, other)


def test_labels_and_codes_do_not_make_another_plan() -> None:
    person = replace(PLAN.people["P1"], codes=("1234",))
    room = replace(PLAN.rooms["hall"], label="the hall")
    assert fingerprint(replace(PLAN, rooms=PLAN.rooms | {"hall": room}, people=PLAN.people | {"P1": person})) == (
        fingerprint(PLAN)
    )


@pytest.mark.parametrize("name", ["occupancy_alone", "occupancy_lost", "room_miss", "night_bed_share"])
def test_settings_refuse_chances_of_one_or_more(name: str) -> None:
    with pytest.raises(SettingError, match=f"{name}: 1.5 must be below 1"):
        Settings.from_mapping({name: 1.5})


def test_switches_may_be_taken_not_to_chatter() -> None:
    """It only adds to the rate of false reports; every other rate stays above zero."""
    assert Settings.from_mapping({"object_chatter": 0}).object_chatter == 0
    with pytest.raises(SettingError, match=r"object_chatter: -0\.1 is not a finite number of at least zero"):
        Settings(object_chatter=-0.1)
    with pytest.raises(SettingError, match=r"object_false_alarm_rate: 0\.0 is not a finite number above zero"):
        Settings(object_false_alarm_rate=0.0)


@pytest.mark.parametrize("number", [-1, 2.5, float("nan"), "4"])
def test_events_to_be_taken_in_once_more_are_counted(number: Any) -> None:
    assert Settings.from_mapping({"put_back_events": 0}).put_back_events == 0
    with pytest.raises(SettingError, match=r"put_back_events: .* is not a (finite|whole) number"):
        Settings.from_mapping({"put_back_events": number})


@pytest.mark.parametrize("factors", [{"no_rate": {}}, {"rising_rate": {"hall": float("nan")}}, {"rising_rate": 2}, 3])
def test_settings_refuse_factors_that_make_no_sense(factors: Any) -> None:
    with pytest.raises(SettingError):
        Settings(factors=factors)


def test_a_factor_changes_the_rates_of_its_own_place_only() -> None:
    """By hand, from the definition of a factor: rates of the generator and of the sensors, before and after."""
    states, (being, *_) = states_of(PLAN), beings(PLAN)
    rates = {}
    for settings in (Settings(), replace(Settings(), factors=SETTINGS.factors)):
        weights, flows = weights_and_flows(PLAN, states, being, Hour(), settings)
        sight = Sight(PLAN, states, (being,), settings, weights[None], flows[None])
        (hall,), (bed,) = states.places_of("hall"), states.places_of("bed")

        def rate(i: int, j: int, weights: Any = weights, flows: Any = flows) -> float:
            return float(flows[i, j] / weights[i])

        def state(place: int, pace: int) -> int:
            return int(states.select([place], pace)[0])

        motions = [
            sight.options(PLAN.sensors[s], "detected")[0].rates[0].diagonal() for s in ("hall_motion", "bed_motion")
        ]
        (i, j), *_ = sight.door_states("front")
        rates[bool(settings.factors)] = (
            rate(state(bed, SETTLED), state(bed, ACTIVE)),
            rate(state(hall, SETTLED), state(hall, ACTIVE)),
            rate(state(bed, ACTIVE), state(bed, MOVING)),
            motions[0][0],
            motions[1][0],
            rate(i, j),
            rate(state(hall, MOVING), state(bed, MOVING)),
        )
    before, after = rates[False], rates[True]
    assert [a / b for a, b in zip(after, before, strict=True)] == pytest.approx([0.5, 1, 1, 2, 1, 3, 1], rel=1e-12)


def test_a_tracker_believes_otherwise_with_what_was_learned() -> None:
    usual, other = Tracker(PLAN), Tracker(PLAN, SETTINGS)
    for tracker in (usual, other):
        for n in range(5):
            tracker.observe(at(200.0 * n, "bed_motion", "detected"))
            tracker.observe(at(200.0 * n + 10, "bed_motion", "clear"))
    assert usual.belief.rooms["bed"] != pytest.approx(other.belief.rooms["bed"], abs=1e-6)


def test_a_bundled_home_there_and_back(tmp_path: Path) -> None:
    garage_home = Floorplan.load(Path(__file__).parents[1] / "floorplans/two_storey_garage.yaml")
    path = tmp_path / "learned.json"
    write_learned(path, garage_home, apply(garage_home, Settings(), {}, {}))
    assert read_learned(path, garage_home).plan == garage_home


def test_what_is_private_stays_private_when_it_is_written_again(tmp_path: Path) -> None:
    path = written(tmp_path / "learned.json")
    path.chmod(0o600)
    written(path)
    assert path.stat().st_mode & 0o777 == 0o600
