"""Hypothesis strategies: plans as mappings, events of a plan, logs out of order."""

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from hypothesis import strategies as st

from presence.events import Event
from presence.floorplan import AWAY, KINDS, LEAVES, Floorplan

START = datetime(2026, 3, 1, 7, tzinfo=UTC)
TRICKY = [
    "no",
    "yes",
    "on",
    "y",
    "~",
    "null",
    "12:30",
    "0123",
    "1e3",
    "1_0",
    ".nan",
    "<<",
    "=",
    "2026-03-01",
    "#a",
    "- b",
]
"""Ids that plain YAML would take for something else than text."""
ids = st.one_of(
    st.from_regex(r"[a-z][a-z0-9_]{0,8}", fullmatch=True),
    st.sampled_from(TRICKY),
    st.text(
        st.characters(codec="utf-8", categories=("L", "N", "P", "S"), exclude_characters=">"), min_size=1, max_size=8
    ),
)
metres = st.floats(-50, 50).map(lambda x: round(x, 2))
spots = st.tuples(metres, metres).map(list)
seconds = st.floats(0.5, 600).map(lambda x: round(x, 1))
clocks = st.times().map(lambda time: time.strftime("%H:%M"))


def some(**optional: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    """Mappings with any of some keys."""
    return st.fixed_dictionaries({}, optional=optional)


def corners(spot: list[float], width: float, depth: float) -> list[list[float]]:
    """The outline of a rectangle."""
    x, y = spot
    return [[x, y], [x + width, y], [x + width, y + depth], [x, y + depth]]


outlines = st.builds(corners, spots, st.floats(1, 9), st.floats(1, 9))
room_fields = some(
    label=st.text("abc é", min_size=1, max_size=9), floor=st.integers(-1, 3), outline=outlines, outdoors=st.booleans()
)


@st.composite
def plans(draw: st.DrawFn, max_rooms: int = 7) -> dict[str, Any]:
    """Good plans of any shape: every room can be reached, every sensor has its place."""
    rooms = draw(st.lists(ids.filter(lambda name: name != AWAY), min_size=1, max_size=max_rooms, unique=True))
    joined = [(room, draw(st.sampled_from([AWAY, *rooms[:index]]))) for index, room in enumerate(rooms)]
    more = draw(st.lists(st.tuples(st.sampled_from(rooms), st.sampled_from([AWAY, *rooms])), max_size=3))
    joined += [(a, b) for a, b in more if a != b]
    doors = {
        f"d{index}": {"between": list(draw(st.permutations(ends))), "leaf": draw(st.sampled_from(LEAVES))}
        | draw(some(at=spots))
        for index, ends in enumerate(joined)
    }
    resting = draw(st.lists(st.sampled_from(rooms), unique=True))
    names = draw(st.lists(st.sampled_from(["P1", "P2", "no", "éva", "33"]), max_size=4, unique=True))
    plan: dict[str, Any] = {
        "name": draw(st.text("ab é1", min_size=1, max_size=9)),
        "time_zone": draw(st.sampled_from(["UTC", "Europe/Berlin", "Pacific/Auckland", "America/St_Johns"])),
        "rooms": {room: draw(room_fields) | ({"rest": True} if room in resting else {}) for room in rooms},
        "doors": doors,
        "people": {name: draw(_person(resting, index)) for index, name in enumerate(names)},
        "pets": {
            f"cat{k}": {"rooms": r} for k, r in enumerate(draw(st.lists(st.lists(st.sampled_from(rooms)), max_size=2)))
        },
    }
    plan["sensors"] = draw(_sensors(rooms, [id_ for id_, door in doors.items() if door["leaf"] != "none"], names))
    return plan | draw(some(visitors=st.integers(0, 3), location=st.just({"latitude": 52.5, "longitude": 13.4})))


def _person(resting: list[str], index: int) -> st.SearchStrategy[dict[str, Any]]:
    awake = st.lists(clocks, min_size=2, max_size=2, unique=True)
    optional = {"awake": awake, "codes": st.just([f"{index}0{index}"])}
    return some(**optional, **({"bed": st.sampled_from(resting)} if resting else {}))


@st.composite
def _sensors(draw: st.DrawFn, rooms: list[str], doors: list[str], people: list[str]) -> dict[str, Any]:
    places = {"room": rooms, "door": doors, "person": people}
    kinds = [kind for kind, about in KINDS.items() if places[about.place]]
    sensors = {}
    for index, kind in enumerate(draw(st.lists(st.sampled_from(kinds), max_size=8))):
        place = KINDS[kind].place
        sensor = {"kind": kind, place: draw(st.sampled_from(places[place]))} | draw(some(at=spots, reach=seconds))
        sensors[f"{kind}{index}"] = sensor | ({"hold": draw(seconds)} if kind == "motion" else {})
    return sensors


offsets = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
aware_times = st.datetimes(datetime(2001, 1, 2), datetime(2199, 12, 30), timezones=offsets)
"""Times that a log may hold."""


@st.composite
def events(draw: st.DrawFn, plan: Floorplan, max_gap: float = 600.0, max_size: int = 30) -> list[Event]:
    """Events that the sensors of a plan may send, in order of time, sensible or not; none if there are no sensors."""
    said = [(sensor, value) for sensor in plan.sensors for value in plan.values(sensor)]
    found, time = [], START
    for _ in range(draw(st.integers(0, max_size)) if said else 0):
        time += timedelta(seconds=draw(st.one_of(st.just(0.0), st.floats(0, max_gap))))
        sensor, value = draw(st.sampled_from(said))
        lock = plan.sensors[sensor].kind == "lock"
        by = draw(st.sampled_from([None, "inside", "keypad"])) if lock else None
        found.append(Event(time, sensor, value, by, "7" if by == "keypad" else None))
    return found
