"""Places of one's own: the movement under them by linear algebra, the filter against the sum over all histories."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import null_space

from presence import Floorplan, SettingError, Settings, Tracker
from presence.floorplan import AWAY
from presence.habits import Hour
from presence.leaning import foreign_rooms
from presence.model import Model
from presence.movement import beings, weights_and_flows
from presence.places import states_of
from tests.oracle import NOON, at, brute_force, contact, home, motion, motions, time_at

FLAT = home(
    2,
    west=motion("hall", at=[0, 0]),
    east=motion("hall", at=[3, 0]),
    mat={"kind": "pressure", "room": "bed"},
    inner_contact=contact("inner"),
)
PLAIN = home(2, hall_motion=motion("hall"), bed_motion=motion("bed"), inner_contact=contact("inner"))
factors = st.floats(0.05, 20.0)
WAKING = Hour()


def stationary(plan: Floorplan, settings: Settings, hour: Hour = WAKING) -> dict[tuple[str | None, ...], float]:
    """Share of time of P1 at each place, from the null space of the generator."""
    states, being = states_of(plan), beings(plan)[0]
    weights, flows = weights_and_flows(plan, states, being, hour, settings)
    assert flows == pytest.approx(flows.T, rel=1e-12, abs=0)
    generator = flows / weights[:, None]
    np.fill_diagonal(generator, 0.0)
    np.fill_diagonal(generator, -generator.sum(axis=1))
    share = np.abs(null_space(generator.T, rcond=1e-13)[:, 0])
    share /= share.sum()
    return {tuple(place): float(share[states.place == k].sum()) for k, place in enumerate(states.places)}


@settings(max_examples=20, deadline=None)
@given(hall=factors, west=factors, bed=factors, mat=factors)
def test_time_at_home_is_shared_in_proportion_and_is_as_long(hall: float, west: float, bed: float, mat: float) -> None:
    own = {"hall": hall, "west": west, "bed": bed, "mat": mat}
    usual, leaning = (stationary(FLAT, Settings(own_places={"P1": at_home})) for at_home in ({}, own))
    home_places = [place for place in usual if place[0] != AWAY]
    expected = {place: usual[place] * np.prod([own.get(str(name), 1.0) for name in place]) for place in home_places}
    before, after = sum(expected.values()), sum(leaning[place] for place in home_places)
    assert {place: leaning[place] / after for place in home_places} == pytest.approx(
        {place: weight / before for place, weight in expected.items()}, rel=1e-6
    )
    assert after == pytest.approx(1.0 - usual[(AWAY, None, None)], rel=1e-6)


ROOMS = ("kitchen", "living", "dining", "study", "bath", "laundry", "playroom")
HOUSE = home(
    {
        "ada": {"bed": "north", "awake": ["06:00", "21:00"], "codes": ["1"]},
        "ben": {"bed": "south", "awake": ["11:00", "02:00"], "codes": ["2"]},
    },
    rooms={"hall": {}} | {room: {} for room in ROOMS} | {"north": {"rest": True}, "south": {"rest": True}},
    doors={f"hall_{room}": {"between": ["hall", room]} for room in (*ROOMS, "north", "south", "away")},
    front_contact=contact("hall_away"),
    front_lock={"kind": "lock", "door": "hall_away"},
    **motions("hall", *ROOMS, hold=30.0),
)


def test_most_of_those_at_home_are_in_their_own_bedroom_in_their_sleeping_hours() -> None:
    """By the definition of the setting; they are less away, and in other hours where they were."""
    night, day = (stationary(HOUSE, Settings(), Hour(asleep)) for asleep in (True, False))
    at_home = {asleep: 1.0 - share[(AWAY, None, None)] for asleep, share in ((True, night), (False, day))}
    assert night[("north", None, None)] / at_home[True] == pytest.approx(Settings().night_room_share, rel=1e-6)
    assert day[("north", None, None)] / at_home[False] < 0.5
    assert at_home[False] == pytest.approx(1.0 - Settings().away_share, rel=1e-6)
    assert at_home[True] > at_home[False]


def test_of_two_who_watch_a_film_the_one_whose_bedtime_it_is_has_gone_to_bed() -> None:
    """Both came home by their codes; past ada's bedtime somebody walks through the hall, and nothing sees a bedroom."""
    lines = [
        *(
            (21600.0 + 900.0 * k, "front_lock", "unlocked", {"by": "keypad", "code": code})
            for k, code in enumerate("12")
        ),
        *((21603.0 + 900.0 * k, "front_contact", value, {}) for k in (0, 1) for value in ("open", "closed")),
        *((21605.0 + 900.0 * k, "hall_motion", "detected", {}) for k in (0, 1)),
        *((21640.0 + 900.0 * k, "hall_motion", "clear", {}) for k in (0, 1)),
        *((23000.0 + 300.0 * k, "living_motion", "detected", {}) for k in range(34)),
        *((23070.0 + 300.0 * k, "living_motion", "clear", {}) for k in range(34)),
        (33600.0, "hall_motion", "detected", {}),
        (33635.0, "hall_motion", "clear", {}),
    ]
    told = {}
    for share in (0.1, 0.7):  # drawn to bed hardly at all, and as people are
        tracker = Tracker(HOUSE, Settings(night_room_share=share))
        tracker.advance(NOON)
        for seconds, sensor, value, more in sorted(lines, key=lambda line: line[0]):
            tracker.observe(at(seconds, sensor, value, **more))
        tracker.advance(time_at(33720.0))
        told[share] = tracker.belief.people
    assert told[0.7]["ada"]["north"] > 0.5 > told[0.7]["ben"]["south"]
    assert told[0.7]["ada"]["north"] > told[0.1]["ada"]["north"] + 0.01


BEDSITS = home(
    {"ada": {"bed": "north"}, "ben": {"bed": "south"}, "cy": {"bed": "den"}},
    rooms={"hall": {}, "ensuite": {"outline": [[0, 0], [2, 0], [2, 2], [0, 2]]}}
    | {room: {"rest": True} for room in ("north", "south", "den", "box")},
    doors={f"hall_{room}": {"between": ["hall", room]} for room in ("north", "south", "box", "away")}
    | {"hall_den": {"between": ["hall", "den"], "leaf": "none"}, "south_ensuite": {"between": ["south", "ensuite"]}},
    visitors=1,
    north_contact=contact("hall_north"),
    **motions("hall", "ensuite"),
)


def test_others_bedrooms_are_those_behind_doors_and_what_only_they_lead_to() -> None:
    """Not one that all live in, nor one that is nobody's, nor where somebody has no other way to their own."""
    told = {start: foreign_rooms(BEDSITS, start) for start in ("north", "south", "den", AWAY, None)}
    assert told["north"] == {"south", "ensuite"}
    assert told["south"] == {"north"}
    assert told["den"] == told[AWAY] == {"north", "south", "ensuite"}
    assert told[None] == foreign_rooms(PLAIN, AWAY) == set()
    ways = {"inner": {"between": ["hall", "bed"]}, "front": {"between": ["hall", "away"]}}
    rooms = {room: {"rest": True} for room in ("hall", "bed")}
    behind = home({"P1": {"bed": "hall"}, "P2": {"bed": "bed"}}, rooms=rooms, doors=ways)
    assert foreign_rooms(behind, "bed") == foreign_rooms(behind, AWAY) - {"bed"} == set()
    assert foreign_rooms(behind, "hall") == {"bed"}


def test_no_bedroom_is_foreign_that_others_need_to_pass_or_to_sit_in() -> None:
    """Somebody sleeps in the living room, with the kitchen behind it; a studio is all that its guests can sit in."""
    ways = {f"{a}_{b}": {"between": [a, b]} for a, b in (("hall", "away"), ("hall", "bed"), ("hall", "living"))}
    ways["living_kitchen"] = {"between": ["living", "kitchen"]}
    rooms = {"hall": {}, "kitchen": {}, "living": {"rest": True}, "bed": {"rest": True}}
    sofa = home({"P1": {"bed": "living"}, "P2": {"bed": "bed"}}, rooms=rooms, doors=ways)
    assert [foreign_rooms(sofa, start) for start in ("bed", "living", AWAY)] == [set(), {"bed"}, {"bed"}]
    studio = home({"P1": {"bed": "living"}, "P2": {"bed": "living"}}, rooms=rooms, doors=ways)
    assert foreign_rooms(studio, AWAY) == set()


def test_anothers_bedroom_is_gone_into_a_third_as_readily_and_left_as_soon() -> None:
    states, share = states_of(BEDSITS), Settings().foreign_room_share
    moving = {states.places[p].room: i for p, i in states.moving.items()}
    rates = {}
    for being in beings(BEDSITS):
        weights, flows = weights_and_flows(BEDSITS, states, being, WAKING, Settings())
        assert np.array_equal(flows, flows.T)
        rates[being.id] = flows / weights[:, None]
    doors = [("hall", "south"), ("south", "hall"), ("south", "ensuite"), ("ensuite", "south"), ("hall", "box")]
    ratios = [rates["ada"][moving[a], moving[b]] / rates["ben"][moving[a], moving[b]] for a, b in doors]
    assert ratios == pytest.approx([share, 1.0, 1.0, 1.0, 1.0], rel=1e-12)
    assert rates["visitor_1"][moving["hall"], moving["north"]] == pytest.approx(
        share * rates["ada"][moving["hall"], moving["north"]]
    )


def test_who_opens_the_door_of_a_bedroom_is_rather_the_one_whose_it_is() -> None:
    """One of them is in the hall; the others go in a third as readily."""
    tracker = Tracker(BEDSITS)
    tracker.advance(NOON)
    for seconds, sensor, value in ((0.5, "hall_motion", "detected"), (1.0, "north_contact", "open")):
        tracker.observe(at(seconds, sensor, value))
    assert tracker.association is not None
    people = tracker.association.people
    assert people["ada"] > 2.5 * max(people["ben"], people["cy"])


def test_places_of_ones_own_leave_others_moving_as_they_did() -> None:
    states, (_, other) = states_of(FLAT), beings(FLAT)[:2]
    usual, also = (
        weights_and_flows(FLAT, states, other, Hour(), s)
        for s in (Settings(), Settings(own_places={"P1": {"west": 9.0}}))
    )
    assert np.array_equal(usual[0], also[0])
    assert np.array_equal(usual[1], also[1])


LOG = [
    at(2.0, "bed_motion", "detected"),
    at(6.0, "hall_motion", "detected"),
    at(9.0, "bed_motion", "clear"),
    at(60.0, "inner_contact", "open"),
]


def test_the_filter_knows_whose_place_it_is_and_is_exact() -> None:
    """Belief and likelihood equal the sum over all histories of who caused what."""
    told = Settings(own_places={"P1": {"bed": 5.0}, "P2": {"bed": 0.2}}, phone_doubt=1.0, object_chatter=0.0)
    tracker = Tracker(PLAIN, told, hypotheses=None)  # numbers nobody: their places tell them apart
    tracker.advance(NOON)
    for event in LOG:
        tracker.observe(event)
    tracker.advance(time_at(200.0))
    answer = brute_force(PLAIN, LOG, until=time_at(200.0), settings=told)
    assert tracker.log_likelihood == pytest.approx(answer.log_likelihood, rel=0, abs=1e-9)
    for name, distribution in answer.people.items():
        assert tracker.belief.people[name] == pytest.approx(distribution, rel=0, abs=1e-9)
    assert tracker.belief.people["P1"]["bed"] > 2.0 * tracker.belief.people["P2"]["bed"]


def test_nobody_is_told_apart_by_places_of_who_does_not_live_here() -> None:
    """As with habits: settings may name people whom a plan does not have."""
    told = Settings(own_places={"somebody else": {"bed": 5.0}})
    trackers = [Tracker(PLAIN, settings) for settings in (Settings(), told)]
    for tracker in trackers:
        tracker.advance(NOON)
        for event in LOG:
            tracker.observe(event)
    assert trackers[0].belief.people == trackers[1].belief.people


@pytest.mark.parametrize("own", [5, {"P1": 3.0}, {"P1": {"bed": 0.0}}, {"P1": {"bed": "often"}}])
def test_what_are_no_places_is_refused(own: Any) -> None:
    with pytest.raises(SettingError, match="own_places"):
        Settings(own_places=own)


def test_whoever_is_drawn_to_bed_opens_no_more_doors_for_nothing() -> None:
    """How often they do hangs on a door's usual passages; this home draws people to bed by a factor of two."""
    model = Model(HOUSE, Settings())
    night, day = (model.sight((Hour(asleep), *[WAKING] * (len(model.beings) - 1))) for asleep in (True, False))
    assert night.usual_flow("hall_north") == pytest.approx(day.usual_flow("hall_north"), rel=1e-9)
    for i, j in day.door_states("hall_north"):
        assert night.flows[0, i, j] > 1.5 * day.flows[0, i, j]
