"""Plans: what a good one becomes, and that every fault of a bad one is named at its line."""

import dataclasses
import json
import pickle
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import networkx as nx
import pytest
import shapely
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from presence.draw.house import SENSOR_MARKS
from presence.errors import Fault, PlanError
from presence.floorplan import AWAY, KINDS, VALUES, Floorplan, Person, Room, Sensor
from presence.floorplan.fields import SENSOR_FIELDS
from presence.floorplan.text import MAX_SIZE
from presence.simulate.settings import FALSE_ALARMS, MISSES
from tests.strategies import plans

HOMES = sorted((Path(__file__).parent.parent / "floorplans").glob("*.yaml"))
GOOD = """\
name: two rooms and a yard
time_zone: Europe/Berlin
rooms:
  hall: {}
  den: {rest: true, outline: [[0, 0], [4, 0], [4, 3], [0, 3]]}
  yard: {outdoors: true}
doors:
  front: {between: [hall, yard], leaf: hinged}
  inner: {between: [hall, den], leaf: sliding}
  gate: {between: [yard, away], leaf: none}
sensors:
  hall_motion: {kind: motion, room: hall, hold: 20}
  front_contact: {kind: contact, door: front}
  phone: {kind: phone, person: P1}
people:
  P1: {bed: den, awake: ["06:30", "22:00"], codes: ["0123"]}
  P2:
pets:
  cat: {rooms: [hall, den]}
"""
Read = Callable[[str | bytes], Floorplan]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Reads a plan file of some content."""

    def load(content: str | bytes, name: str = "plan.yaml") -> Floorplan:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return Floorplan.load(path)

    return load


# --- good plans ------------------------------------------------------------------------------------------------------
def test_a_plan_becomes_what_it_says(read: Read) -> None:
    plan = read(GOOD)
    assert list(plan.rooms) == ["hall", "den", "yard", AWAY]
    assert plan.rooms["hall"] == Room("hall", "hall", 0, None, outdoors=False, rest=False)
    assert plan.rooms["den"].outline == ((0, 0), (4, 0), (4, 3), (0, 3))
    assert plan.doors["inner"].between == ("hall", "den")
    assert plan.sensors["hall_motion"] == Sensor("hall_motion", "motion", "hall", None, None, 20, None, None)
    assert plan.people["P1"] == Person("P1", "den", (6.5 * 3600, 22 * 3600), ("0123",))
    assert plan.people["P2"] == Person("P2", None, (7 * 3600, 22.5 * 3600), ())
    assert plan.pets["cat"].rooms == ("hall", "den")
    assert (plan.visitors, plan.location, plan.name) == (1, None, "two rooms and a yard")
    assert plan.indoor == ["hall", "den"]
    assert str(plan.zone) == "Europe/Berlin"
    assert set(plan.graph.edges(keys=True)) == {
        ("hall", "yard", "front"),
        ("hall", "den", "inner"),
        ("yard", AWAY, "gate"),
    }
    assert plan.graph is plan.graph


def test_a_plan_cannot_be_changed_and_can_be_sent_to_a_process(read: Read) -> None:
    plan = read(GOOD)
    for part in (plan, plan.rooms["hall"], plan.doors["front"], plan.sensors["phone"], plan.people["P1"]):
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(part, dataclasses.fields(part)[0].name, "other")
    assert pickle.loads(pickle.dumps(plan)) == plan


def test_labels_stand_in_for_ids(read: Read) -> None:
    plan = read(GOOD.replace("  hall: {}", "  hall:").replace("den", "box_room_2"))
    assert plan.rooms["box_room_2"].label == "box room 2"
    assert plan.rooms["hall"].label == "hall"


def test_the_kinds_are_those_of_the_contract() -> None:
    table = """
        motion room detected clear|occupancy room occupied vacant|contact door open closed|lock door unlocked locked
        |camera room person clear|switch room pressed|power room started stopped|pressure room pressed released
        |phone person home away|badge person"""
    rows = [row.split() for row in table.split("|")]
    assert {name: (kind.place, kind.values) for name, kind in KINDS.items()} == {
        name: (place, tuple(values)) for name, place, *values in rows
    }
    assert {name: kind.values for name, kind in KINDS.items()} == VALUES


def test_a_kind_that_is_named_is_known_wherever_kinds_are_told_apart() -> None:
    """Else whoever adds one by the steps in DEVELOPERS.md meets a KeyError."""
    assert SENSOR_FIELDS.keys() == MISSES.keys() == FALSE_ALARMS.keys() == KINDS.keys()
    required = {
        kind: {name for name, field in fields.model_fields.items() if field.is_required()}
        for kind, fields in SENSOR_FIELDS.items()
    }
    assert required == {
        name: {"kind", kind.place, *(["hold"] if name == "motion" else [])} for name, kind in KINDS.items()
    }
    assert SENSOR_MARKS.keys() == {name for name, kind in KINDS.items() if kind.place != "person"}


def test_values_of_a_sensor_are_its_kinds_and_those_of_its_link(read: Read) -> None:
    plan = read(GOOD.replace("phone: {kind: phone", "tag: {kind: badge, person: P2}\n  phone: {kind: phone"))
    assert plan.values("front_contact") == ("open", "closed", "offline", "online")
    assert plan.values("tag") == ("hall", "den", "yard", AWAY, "offline", "online")
    with pytest.raises(KeyError):
        plan.values("nonsense")


@given(plans())
@settings(max_examples=60)
def test_mapping_yaml_and_json_are_one_plan(plan: dict[str, Any]) -> None:
    home = Floorplan.from_mapping(plan)
    assert list(home.rooms) == [*plan["rooms"], AWAY]
    assert {d.id: list(d.between) for d in home.doors.values()} == {k: d["between"] for k, d in plan["doors"].items()}
    for name, text in (
        ("p.yaml", yaml.safe_dump(plan, allow_unicode=True, sort_keys=False)),
        ("p.json", json.dumps(plan, indent="\t")),
        ("p.json", json.dumps(plan, ensure_ascii=False)),
    ):
        assert load_text(name, text) == home


def load_text(name: str, text: str | bytes) -> Floorplan:
    """The plan in a file of some content, where Hypothesis cannot use the fixture."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return Floorplan.load(path)


def test_one_room_and_nobody_is_a_home(read: Read) -> None:
    plan = read("name: hut\ntime_zone: UTC\nrooms: {hut: }\ndoors: {door: {between: [hut, away], leaf: hinged}}")
    assert (plan.indoor, plan.people, plan.sensors) == (["hut"], {}, {})


def test_json_keeps_characters_beyond_16_bits(read: Read) -> None:
    plan = read(json.dumps(yaml.safe_load(GOOD) | {"name": "\U0001f3e0 \\ud83d \\"}), "plan.json")  # type: ignore[call-arg]
    assert plan.name == "\U0001f3e0 \\ud83d \\"


# --- every fault at its line ----------------------------------------------------------------------------------------
FAULTS: list[tuple[str, str, str]] = [
    # what is replaced, by what (#! marks the lines that must be named), what the message must say
    ("name: two", "nme: #!\nname: two", 'there is no key "nme"; did you mean "name"'),
    ("name: two rooms and a yard", "", "`name` is missing"),
    ("name: two rooms and a yard", "name: 12:30 #!", 'read as 750; for text write "12:30"'),
    ("name: two rooms and a yard", "name: no #!", 'read as false; for text write "no"'),
    ("Europe/Berlin", "Europe/Berln #!", 'did you mean "Europe/Berlin"'),
    ("Europe/Berlin", "Berlin #!", 'did you mean "Europe/Berlin"'),
    ("Europe/Berlin", "America #!", "is not the name of a time zone"),
    ("Europe/Berlin", "../../etc/passwd #!", "is not the name of a time zone"),
    ("rooms:\n", "location: {latitude: 91, longitude: 0} #!\nrooms:\n", "`latitude` is 91"),
    ("rooms:\n", "location: {latitude: 1} #!\nrooms:\n", "`longitude` is missing"),
    ("rooms:\n", "location: [1, 2] #!\nrooms:\n", "`location` is [1, 2]"),
    ("rooms:\n", "visitors: -1 #!\nrooms:\n", "whole number from 0 to 8"),
    ("rooms:\n", "visitors: 1.5 #!\nrooms:\n", "whole number from 0 to 8"),
    ("rooms:\n", "visitors: yes #!\nrooms:\n", "read as true"),
    ("rooms:\n", "visitors: 9 #!\nrooms:\n", "whole number from 0 to 8"),
    ("hall: {}", "hall: {colour: red} #!", 'there is no key "colour"'),
    ("hall: {}", "hall: {outdors: true} #!", 'did you mean "outdoors"'),
    ("hall: {}", "hall: {outdoors: maybe} #!", "`outdoors` is \"maybe\"; it should be true or false"),
    ("hall: {}", "hall: {outdoors: 'true'} #!", "(in quotes, and so text; leave them out); it should be true or false"),
    ("hall: {}", "hall: {floor: '1'} #!", '`floor` is "1" (in quotes, and so text; leave them out)'),
    ("hold: 20}", "hold: '20.5'} #!", '`hold` is "20.5" (in quotes, and so text; leave them out)'),
    ("hold: 20}", "hold: 20s} #!", '`hold` is "20s"; it should be seconds'),
    ("hall: {}", "hall: {floor: .inf} #!", "`floor` is inf"),
    ("hall: {}", "hall: {label: 12} #!", 'for text write "12"'),
    ("hall: {}", "hall: 3 #!", "should be a mapping, such as hall: {floor: 0}"),
    ("front_contact: {kind: contact, door: front}", "front_contact: contact #!", "such as hall_motion: {kind: motion"),
    ("hall: {}", "hall: {}\n  hall: {rest: true} #!", '"hall" is there already, at line 4'),
    ("hall: {}", "hall: {}\n  no: #!", 'read as false; for text write "no"'),
    ("hall: {}", "hall: {}\n  null: #!", "as a key, null without quotes is read as nothing;"),
    ("hall: {}", "hall: {}\n  12: #!", '12 without quotes is read as a number; for text write "12"'),
    ("hall: {}", "hall: {}\n  attic: #!", 'room "attic" cannot be reached from away'),
    ("hall: {}", "hall: {}\n  away: {outdoors: true} #!", "`away` is always there"),
    ("hall: {}", "hall: {}\n  'a>b': {} #!", "no > in it"),
    ("hall: {}", "hall: {outline: [[0, 0], [1, 1]]} #!", "at least three corners"),
    ("hall: {}", "hall: {outline: [[0, 0], [1, 1], [2, 2]]} #!", "encloses nothing"),
    ("hall: {}", "hall: {outline: [[0, 0], [1, .nan], [2, 0]]} #!", "`outline` has nan"),
    ("hall: {}", "hall: {outline: [[0, 0], [1, 1, 1], [2, 0]]} #!", "`outline` has [1, 1, 1]"),
    ("name: two rooms and a yard", f"name: {'x' * 201} #!", "text of 1 to 200 characters"),
    ("[hall, yard], leaf: hinged}", "[hall, yrd], leaf: hinged} #!", 'did you mean "yard"'),
    ("[hall, yard], leaf: hinged}", "'hall, yard', leaf: hinged} #!", "the ids of two rooms"),
    ("{between: [hall, yard], leaf: hinged}", "[hall, yard] #!", "such as front: {between: [hall, away]"),
    ("[hall, yard], leaf: hinged}", "[hall, yard, den], leaf: hinged} #!", "the ids of two rooms"),
    ("[hall, yard], leaf: hinged}", "[hall, yard], leaf: wooden} #!", "hinged, sliding, overhead or none"),
    ("[hall, yard], leaf: hinged}", "[hall, yard]} #!", "`leaf` is missing"),
    ("  gate", "  loop: {between: [den, den], leaf: none} #!\n  gate", "to itself"),
    ("kind: motion, room: hall, hold: 20}", "kind: motion, room: hall} #!", "`hold` is missing"),
    ("hold: 20}", "hold: 0} #!", "above 0"),
    ("hold: 20}", "hold: -20} #!", "above 0"),
    ("hold: 20}", "hold: .inf} #!", "above 0"),
    ("hold: 20}", "hold: twenty} #!", "above 0"),
    ("hold: 20}", "hold: 12:30} #!", "read as 750"),
    ("hold: 20}", "hold: 020} #!", "read as 16"),
    ("hold: 20}", "hold: 20, reach: 0} #!", "`reach` is 0"),
    ("hold: 20}", "hold: 20, at: [1]} #!", "[x, y] in metres"),
    ("kind: motion, room: hall, hold: 20}", "kind: motion, hold: 20} #!", "has no place"),
    ("kind: motion, room: hall, hold: 20}", "kind: motion, door: front, hold: 20} #!", "sits in a room"),
    ("kind: motion, room: hall, hold: 20}", "kind: motion, room: hall, door: front, hold: 20} #!", "no other place"),
    ("kind: motion, room: hall", "kind: motion, room: hal #!\n   ", 'did you mean "hall"'),
    ("room: hall, hold: 20}", "room: away, hold: 20} #!", "cannot sit in away"),
    ("kind: motion", "kind: moton #!\n   ", 'did you mean "motion"'),
    ("kind: motion, room", "room", "`kind` is missing"),
    ("door: front}", "door: gate} #!", "hinged, sliding, overhead"),
    ("door: front}", "door: fornt} #!", 'did you mean "front"'),
    ("person: P1}", "person: P3} #!", "there is P1, P2"),
    ("person: P1}", "person: cat} #!", "there is P1, P2"),
    ("front_contact: {", "hall_motion: {", "is there already, at line 12"),
    ("den: {rest: true", "den: {rest: false", "where `rest: false` says that nobody sleeps"),
    ("bed: den", "bed: dan", 'did you mean "den"'),
    ("bed: den", "bed: away", 'bed "away" is not in the plan; there is den'),
    ('"22:00"]', "22:00]", 'for text write "22:00"'),
    ('"22:00"]', '"24:00"]', "clock times in quotes"),
    ('"22:00"]', '"06:30"]', "two different clock times"),
    ('["06:30", "22:00"]', '["06:30"]', "clock times in quotes"),
    ('["0123"]', "[0123]", 'read as 83; for text write "0123"'),
    ('["0123"]', '["0123", "0123"]', "once would be right"),
    ("  P2:\n", "  nobody: #!\n", "a meaning of its own"),
    ("  P2:\n", "  visitor_1: #!\n", "a meaning of its own"),
    ("rooms: [hall, den]}", "rooms: [hall, dan]} #!", 'did you mean "den"'),
    ("cat: {rooms: [hall, den]}", "P2: {} #!", "a person already"),
    ("pets:\n", "pets: &all\n", "&all is a mark to refer to"),
    ("cat: {rooms: [hall, den]}", "cat: {rooms: *all} #!", "write it out"),
    ("cat: {", "cat: !!python/object:os.system {", "is not for plans"),
    ("  gate: {between: [yard, away], leaf: none}\n", "", "cannot be reached from away"),
]  # fmt: skip
UNMARKED = {  # where a mark would change what YAML reads: the lines, counted by hand
    'there is no key "nme"; did you mean "name"': [1],
    "`name` is missing": [2],
    "`kind` is missing": [12],
    "is there already, at line 12": [13],
    "where `rest: false` says that nobody sleeps": [16],
    'bed "away" is not in the plan; there is den': [16],
    'for text write "22:00"': [16],
    "clock times in quotes": [16],
    "two different clock times": [16],
    'read as 83; for text write "0123"': [16],
    "once would be right": [16],
    "&all is a mark to refer to": [18],
    "is not for plans": [19],
    "cannot be reached from away": [4, 5, 6],
}


@pytest.mark.parametrize("hall", ["hall: {}", "hall:", "hall: {rest: true}"])
def test_a_room_with_somebodys_bed_is_one_where_people_sleep(read: Read, hall: str) -> None:
    plan = read(GOOD.replace("hall: {}", hall).replace("  P2:", "  P2: {bed: hall}"))
    assert {room.id for room in plan.rooms.values() if room.rest} == {"hall", "den"}


@pytest.mark.parametrize(("old", "new", "says"), FAULTS)
def test_a_fault_is_named_at_its_line(read: Read, old: str, new: str, says: str) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    marked = [number for number, line in enumerate(text.splitlines(), 1) if "#!" in line]
    with pytest.raises(PlanError) as caught:
        read(text)
    assert [fault.line for fault in caught.value.faults] == (marked or UNMARKED.get(says, [16]))
    for fault in caught.value.faults:
        assert says in fault.message
        assert "\n" not in str(fault)
        assert fault.path.endswith("plan.yaml")


def test_every_fault_is_named_at_once(read: Read) -> None:
    edits = [
        ("name: two rooms and a yard", "name: 12:30"),
        ("Europe/Berlin", "Europe/Berln"),
        ("hall: {}", "hall: {outdors: true}"),
        ("[4, 3]", "[4, .inf]"),
        ("yard: {outdoors: true}", "yard: {outdoors: 1}"),
        ("[hall, yard]", "[hall, yrd]"),
        ("leaf: sliding", "leaf: slidng"),
        ("leaf: none", "leaf: nothing"),
        ("hold: 20", "hold: -1"),
        ("door: front", "room: hall"),
        ("person: P1", "person: P7"),
        ("bed: den", "bed: dan"),
        ("  P2:", "  visitor_3:"),
        ("cat: {rooms: [hall, den]}", "P1: {}"),
    ]
    text = GOOD
    for old, new in edits:
        text = text.replace(old, new, 1)
    with pytest.raises(PlanError) as caught:
        read(text)
    changed = [k for k, (a, b) in enumerate(zip(GOOD.splitlines(), text.splitlines(), strict=True), 1) if a != b]
    assert len(changed) == len(edits)
    assert [fault.line for fault in caught.value.faults] == changed


def test_a_fault_does_not_hide_another_in_the_same_entry(read: Read) -> None:
    with pytest.raises(PlanError) as caught:
        read(
            GOOD.replace("room: hall, hold: 20", "room: hal, hold: -1").replace(
                'bed: den, awake: ["06:30"', "bed: dan, awake: [6"
            )
        )
    assert [fault.line for fault in caught.value.faults] == [12, 12, 16, 16]


def test_a_misspelt_between_leaves_no_room_out_of_reach(read: Read) -> None:
    """A door whose rooms can be told leads there, whatever is wrong with it; one that is nowhere named is lost."""
    with pytest.raises(PlanError) as caught:
        read(GOOD.replace("front: {between", "front: {betwen").replace("hall: {}", "hall: {}\n  attic: {}"))
    assert [fault.line for fault in caught.value.faults] == [5, 9, 9]
    assert all(word in str(caught.value) for word in ('"attic" cannot be reached', "is missing", 'mean "between"'))


def test_what_is_said_to_be_right_of_nothing_is_right(read: Read) -> None:
    with pytest.raises(PlanError) as caught:
        read(GOOD.replace("name: two rooms and a yard", "name:"))
    (fault,) = caught.value.faults
    assert fault.message.endswith("(nothing is written; write text); it should be text of 1 to 200 characters")


def test_a_mapping_is_checked_as_a_file_is() -> None:
    with pytest.raises(PlanError) as caught:
        Floorplan.from_mapping(
            {"name": "x", "time_zone": "UTC", "rooms": {"hall": {"floor": float("nan")}}, "people": 3}
        )
    assert [fault.path for fault in caught.value.faults] == ["<mapping>"] * 3
    assert [fault.line for fault in caught.value.faults] == [0, 0, 0]
    loop: dict[str, Any] = {}
    loop["rooms"] = loop
    with pytest.raises(PlanError, match="nested"):
        Floorplan.from_mapping(loop)


# --- files that are no plans ----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("content", "line", "says"),
    [
        (b"", 1, "is empty"),
        (b"\xef\xbb\xbf \n\n", 1, "is empty"),
        (b"# nothing\n", 1, "is empty"),
        (b"hello", 1, "a plan is a mapping"),
        (b"- a\n- b\n", 1, "a plan is a mapping"),
        (b"name: x\ntime_zone: \xff\xfe\n", 2, "no UTF-8"),
        ("name: x".encode("utf-16"), 1, "no UTF-8"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", 1, "no UTF-8"),
        (b"name: x\n\x00\x00", 2, "zero byte"),
        (b"name: \x07", 1, "control character 7"),
        (b"name: two: rooms\n", 1, "text with a colon in it quotes"),
        (b"name:x\nrooms: {}\n", 2, "a blank behind it"),
        (b"rooms:\n  hall:\n den:\n", 3, "begin in one column"),
        (b"name: x\nrooms:\n\thall: {}\n", 3, "tabs"),
        (b"name: `x`\nrooms: {}\n", 1, "in quotes"),
        (b'{"time": "2026-03-02T18:00:00Z"}\n{"time": "2026-03-02T18:01:00Z"}\n', 2, "is this a log?"),
        (GOOD[: GOOD.index("hold:")].encode(), 12, "cut off"),
        (GOOD[: GOOD.index('"06:30"') + 4].encode(), 16, "cut off"),
        (b"name: x\n---\nname: y\n", 2, "second document"),
        (b"[" * 1000, 1, "nested"),
        (b"a: " * 3 + b"b", 1, "cannot be read as YAML"),
        (b"a:\n" + b"\n".join(b" " * k + b"a:" for k in range(1, 400)), 13, "nested"),
        (b"x: [" + b"a," * 60_000 + b"]", 1, "more than 50000 values"),
        (b"x" * (MAX_SIZE + 1), 0, "larger than"),
    ],
)
def test_what_is_no_plan_gets_one_clear_line(read: Read, content: bytes, line: int, says: str) -> None:
    with pytest.raises(PlanError) as caught:
        read(content)
    assert (caught.value.faults[0].line, says in caught.value.faults[0].message) == (line, True), str(caught.value)
    assert len(caught.value.faults) == 1


def test_json_is_named_as_json(read: Callable[..., Floorplan]) -> None:
    with pytest.raises(PlanError, match=r"plan\.json:3: is not JSON \(column 1\)"):
        read('{\n "name": "x",\n}\n', "plan.json")


def test_references_within_a_file_cannot_grow_it(read: Read) -> None:
    bomb = "a: &a [x, x]\n" + "".join(
        f"{chr(98 + k)}: &{chr(98 + k)} [*{chr(97 + k)}, *{chr(97 + k)}]\n" for k in range(24)
    )
    with pytest.raises(PlanError, match="write it out"):
        read(bomb)


@pytest.mark.parametrize("path", ["nowhere.yaml", ".", "a\0b"])
def test_what_cannot_be_opened_is_named(path: str) -> None:
    with pytest.raises(PlanError, match="cannot be read") as caught:
        Floorplan.load(path)
    assert [(fault.path, fault.line) for fault in caught.value.faults] == [(path, 0)]


pieces = st.sampled_from(
    [
        *"{}[]:,-?*&!|>'\"%@`#~<= \t\n",
        "  ",
        "no",
        "12:30",
        "0x1",
        ".nan",
        "1e999",
        "hall",
        "é",
        "---\n",
        "9" * 5000,
        "- ",
    ]
)


@given(st.data())
@settings(max_examples=300)
def test_no_slip_of_the_hand_ends_in_anything_but_faults(data: st.DataObject) -> None:
    text = GOOD
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text)))
        text = text[:at] + data.draw(pieces) + text[at + data.draw(st.sampled_from([0, 1, 3, 40, 2000])) :]
    refused_or_good(text.encode())


@given(st.binary(max_size=200))
@example(b"a: !!timestamp 2026-99-99")
@example(b"{a: 1, a: [}")
@example(b"? {a: b}\n: c")
@example(b"*a : &a 1")
def test_no_bytes_end_in_anything_but_faults(content: bytes) -> None:
    refused_or_good(content)


def refused_or_good(content: bytes) -> None:
    """A plan, or faults of one line each that lie inside the file."""
    faults = faults_of(lambda: load_text("plan.yaml", content))
    lines = len(re.findall(rb"\r\n|[\r\n]|\xc2\x85|\xe2\x80[\xa8\xa9]", content)) + 1
    for fault in faults:
        assert 0 <= fault.line <= lines
        assert len(str(fault).splitlines()) == 1


def faults_of(load: Callable[[], Floorplan]) -> tuple[Fault, ...]:
    """What is wrong with a plan; nothing if it is good."""
    try:
        load()
    except PlanError as error:
        return error.faults or (Fault("", -1, "refused without a fault"),)
    return ()


# --- ways in, against networkx --------------------------------------------------------------------------------------
@given(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 6)).filter(lambda ends: ends[0] != ends[1]), max_size=9))
def test_rooms_without_a_way_in_are_those_networkx_finds(ends: list[tuple[int, int]]) -> None:
    names = [AWAY, *(f"room_{k}" for k in range(1, 7))]
    doors = {f"d{k}": {"between": [names[a], names[b]], "leaf": "none"} for k, (a, b) in enumerate(ends)}
    plan = {"name": "x", "time_zone": "UTC", "rooms": dict.fromkeys(names[1:]), "doors": doors}
    graph = nx.Graph([(names[a], names[b]) for a, b in ends])
    graph.add_nodes_from(names)
    lost = set(names) - nx.node_connected_component(graph, AWAY)
    said = [fault.message for fault in faults_of(lambda: Floorplan.from_mapping(plan))]
    if ends:
        assert {name for name in names for message in said if f'room "{name}" cannot' in message} == lost
        assert len(said) == len(lost)
    else:
        assert len(said) == 1
        assert "no door leads into the home" in said[0]


# --- the schema for editors -----------------------------------------------------------------------------------------
def test_schema_takes_good_plans_and_refuses_bad_fields(read: Read) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    schema = Floorplan.schema()
    judge = jsonschema.Draft202012Validator(schema)
    judge.check_schema(schema)
    for home in HOMES:
        judge.validate(yaml.safe_load(home.read_text(encoding="utf-8")))
    assert judge.is_valid(yaml.safe_load(GOOD))
    empty = "name: hut\ntime_zone: UTC\nrooms: {hut: }\ndoors: {door: {between: [hut, away], leaf: none}}\n"
    empty += "sensors:\npeople:\npets:\nlocation:\n"
    assert judge.is_valid(yaml.safe_load(empty))
    assert read(empty).people == {}
    fields = [
        "outdors",
        "moton",
        "wooden",
        "visitors: 9",
        "hold: 0}",
        "hold: twenty",
        '"24:00"]',
        "colour",
        "latitude: 9",
    ]
    fields += ["'a>b'", "hall: 3", "[hall, yard]} #", "room: hall} #", "motion, door", "[yard, away, den]", "at: [1]"]
    for word in fields:
        for old, new, _ in [edit for edit in FAULTS if word in edit[1]]:
            assert not judge.is_valid(yaml.safe_load(GOOD.replace(old, new, 1))), new


@given(plans())
@settings(max_examples=30)
def test_schema_takes_whatever_is_a_good_plan(plan: dict[str, Any]) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.Draft202012Validator(Floorplan.schema()).validate(plan)


# --- our own homes --------------------------------------------------------------------------------------------------
def test_the_homes_differ_in_kind() -> None:
    plans = {path.stem: Floorplan.load(path) for path in HOMES}
    assert set(plans) >= {"one_room_flat", "two_storey_garage", "open_plan_bungalow", "shared_house"}
    flat, house = plans["one_room_flat"], plans["two_storey_garage"]
    assert len(flat.indoor) <= 2
    assert len({room.floor for room in house.rooms.values()}) == 2
    kinds = {frozenset(s.kind for s in house.sensors.values() if s.door == d.id): d for d in house.doors.values()}
    overhead = next(d for d in house.doors.values() if d.leaf == "overhead")
    assert {house.rooms[room].outdoors for room in overhead.between} == {True, False}
    assert kinds[frozenset({"contact", "lock"})].id == "front"
    watched = {sensor.room for sensor in house.sensors.values()} | {
        room for s in house.sensors.values() if s.door for room in house.doors[s.door].between
    }
    assert set(house.indoor) - watched  # a room known by nothing
    bungalow, shared = plans["open_plan_bungalow"], plans["shared_house"]
    dense = [sensor.room for sensor in bungalow.sensors.values() if sensor.kind == "motion"]
    assert max(dense.count(room) for room in dense) >= 5
    assert sum(door.leaf == "none" and AWAY not in door.between for door in bungalow.doors.values()) >= 3
    assert (len(shared.people), len(shared.pets)) == (6, 2)


@pytest.mark.parametrize("path", HOMES, ids=lambda path: path.stem)
def test_the_homes_can_be_drawn(path: Path) -> None:
    plan = Floorplan.load(path)
    rooms = {room.id: room for room in plan.rooms.values() if room.id != AWAY}
    assert all(room.outline for room in rooms.values())
    for door in plan.doors.values():
        ends = [rooms[room] for room in door.between if room != AWAY]
        stair = len({room.floor for room in ends}) == 2
        for room in ends:
            assert door.at is not None
            assert room.outline is not None
            on_wall, within = touches(door.at, room.outline), inside(door.at, room.outline)
            assert within if stair else on_wall, f"{door.id} is not on the wall of {room.id}"
    for sensor in plan.sensors.values():
        if sensor.at and sensor.room:
            outline = rooms[sensor.room].outline
            assert outline is not None
            assert inside(sensor.at, outline) or touches(sensor.at, outline), sensor.id


@pytest.mark.parametrize("path", HOMES, ids=lambda path: path.stem)
def test_no_two_rooms_of_a_home_overlap(path: Path) -> None:
    rooms = [room for room in Floorplan.load(path).rooms.values() if room.outline]
    for k in range(10_000):  # a grid that no wall lies on
        x, y = -1.93 + (k % 100) * 0.1907, -6.07 + (k // 100) * 0.2311
        for floor in (0, 1, 2):
            there = [room.id for room in rooms if room.floor == floor and inside((x, y), room.outline or ())]
            assert len(there) <= 1, there


@pytest.mark.parametrize(
    ("locked", "gates"), [("front", {"gate", "lane_end"}), ("back", set()), (None, {"gate", "lane_end"})]
)
def test_the_way_to_the_front_door_is_no_side_gate_where_the_only_lock_is_at_the_back(
    locked: str | None, gates: set[str]
) -> None:
    ends = {"front": ["path", "hall"], "back": ["hall", "garden"], "street": ["path", "away"]}
    ends |= {"gate": ["garden", "lane"], "lane_end": ["lane", "away"]}
    plan = Floorplan.from_mapping(
        {
            "name": "a lock",
            "time_zone": "UTC",
            "rooms": {"hall": {}} | {room: {"outdoors": True} for room in ("path", "garden", "lane")},
            "doors": {name: {"between": between, "leaf": "hinged"} for name, between in ends.items()},
            "sensors": {"lock": {"kind": "lock", "door": locked}} if locked else {},
            "people": {"ann": {}},
        }
    )
    assert plan.side_gates == gates


@pytest.mark.parametrize("locked", ["front", None])
def test_a_garage_does_not_make_the_front_path_a_side_gate(locked: str | None) -> None:
    """Whoever leaves by a front door without a lock's sensor walks down the front path, garage or not."""
    ends = {"front": ["path", "hall"], "overhead": ["drive", "garage"], "inner": ["hall", "garage"]}
    ends |= {"path_street": ["path", "away"], "drive_street": ["drive", "away"], "lawn": ["path", "drive"]}
    plan = Floorplan.from_mapping(
        {
            "name": "a garage",
            "time_zone": "UTC",
            "rooms": {"hall": {}, "garage": {}} | {room: {"outdoors": True} for room in ("path", "drive")},
            "doors": {
                name: {"between": between, "leaf": "overhead" if name == "overhead" else "hinged"}
                for name, between in ends.items()
            },
            "sensors": {"lock": {"kind": "lock", "door": locked}} if locked else {},
            "people": {"ann": {}},
        }
    )
    assert plan.side_gates == {"lawn"}
    assert plan.approaches == {"path", "drive"}


def test_side_gates_are_the_outdoor_ways_that_no_entrance_needs() -> None:
    """Read off the bundled plans by hand; where two outdoor ways are as short, either can do without the other."""
    found = {path.stem: Floorplan.load(path).side_gates for path in HOMES}
    assert found == {
        "one_room_flat": set(),
        "open_plan_bungalow": set(),
        "shared_house": {"yard_side", "side_back"},
        "two_storey_garage": {"path_drive", "side_gate"},
    }


def test_approaches_are_the_drives_and_front_paths() -> None:
    """Read off the bundled plans by hand: no garden, and no terrace behind a sliding door."""
    found = {path.stem: Floorplan.load(path).approaches for path in HOMES}
    assert found == {
        "one_room_flat": set(),
        "open_plan_bungalow": {"front_yard"},
        "shared_house": {"front_yard"},
        "two_storey_garage": {"front_path", "drive"},
    }


def test_corridors_are_where_three_parts_of_the_home_meet() -> None:
    """Read off the bundled plans by hand: halls and landings, no kitchen that has three doors, too."""
    found = {path.stem: Floorplan.load(path).corridors for path in HOMES}
    assert found == {
        "one_room_flat": set(),
        "open_plan_bungalow": {"passage"},
        "shared_house": {"hall", "landing", "top_landing", "front_yard", "back_yard"},
        "two_storey_garage": {"hall", "landing", "front_path", "drive"},
    }


Outline = tuple[tuple[float, float], ...]


def sides(outline: Outline) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    return list(zip(outline, outline[1:] + outline[:1], strict=True))


def touches(spot: tuple[float, float], outline: Outline) -> bool:
    """Whether a spot lies on an outline: on a side, by the triangle inequality."""

    def far(a: tuple[float, float], b: tuple[float, float]) -> float:
        return ((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2) ** 0.5

    return any(far(a, spot) + far(spot, b) - far(a, b) < 1e-9 for a, b in sides(outline))


def inside(spot: tuple[float, float], outline: Outline) -> bool:
    """Whether a spot lies within an outline: a ray from it crosses an odd number of sides."""
    x, y = spot
    crossed = [
        a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0]) > x for a, b in sides(outline) if (a[1] > y) != (b[1] > y)
    ]
    return sum(crossed) % 2 == 1


# --- what is good, but hardly meant -----------------------------------------------------------------------------------
def box(x: float, y: float, width: float, depth: float, times: float = 1.0) -> list[list[float]]:
    return [[times * a, times * b] for a, b in ((x, y), (x + width, y), (x + width, y + depth), (x, y + depth))]


def doubts_of(folder: Path, rooms: dict[str, dict[str, Any]]) -> list[Fault]:
    """What is odd about rooms that all have a door to the outside."""
    doors = {f"door_{room}": {"between": [room, "away"], "leaf": "hinged"} for room in rooms}
    told: list[Fault] = []
    (folder / "plan.json").write_text(
        json.dumps({"name": "x", "time_zone": "UTC", "rooms": rooms, "doors": doors}, indent=1), encoding="utf-8"
    )
    Floorplan.load(folder / "plan.json", told.append)
    return told


@pytest.mark.parametrize(("times", "unit"), [(100.0, "centimetres"), (1000.0, "millimetres")])
def test_a_plan_in_another_unit_is_doubted_once(tmp_path: Path, times: float, unit: str) -> None:
    rooms = {
        "garden": {"outdoors": True, "outline": box(0, 5, 9, 5, times)},
        "hall": {"outline": box(0, 0, 4, 5, times)},
        "den": {"outline": box(4, 0, 3, 5, times)},
        "attic": {"floor": 1, "outline": box(0, 0, 7, 5, times)},
    }
    (doubt,) = doubts_of(tmp_path, rooms)
    assert f"{20 * times**2:,.0f} m2" in doubt.message
    assert "2 more rooms" in doubt.message
    assert unit in doubt.message
    lines = (tmp_path / "plan.json").read_text(encoding="utf-8").splitlines()
    hall = next(n for n, line in enumerate(lines, 1) if '"hall"' in line)
    assert hall < doubt.line <= hall + 2


@settings(max_examples=100, deadline=None)
@given(*[st.tuples(st.integers(0, 8), st.integers(0, 8), st.integers(1, 8), st.integers(1, 8)) for _ in "ab"])
def test_rooms_that_lie_in_each_other_are_doubted(
    tmp_path_factory: pytest.TempPathFactory, a: tuple[int, ...], b: tuple[int, ...]
) -> None:
    one, other = shapely.box(a[0], a[1], a[0] + a[2], a[1] + a[3]), shapely.box(b[0], b[1], b[0] + b[2], b[1] + b[3])
    share = one.intersection(other).area / min(one.area, other.area)
    told = doubts_of(tmp_path_factory.mktemp("plan"), {"a": {"outline": box(*a)}, "b": {"outline": box(*b)}})
    assert len(told) <= 1
    if abs(share - 0.25) > 0.1:  # as a square grid tells it
        assert bool(told) == (share > 0.25)
    upstairs = {"a": {"outline": box(*a)}, "b": {"floor": 1, "outline": box(*b)}}
    assert doubts_of(tmp_path_factory.mktemp("plan"), upstairs) == []


@pytest.mark.parametrize("path", HOMES, ids=lambda path: path.stem)
def test_nothing_is_doubted_of_the_bundled_plans(path: Path) -> None:
    told: list[Fault] = []
    Floorplan.load(path, told.append)
    assert told == []
