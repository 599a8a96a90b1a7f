"""What is odd about a truth is noted with its line, and where lines of it are missing nothing is scored."""

import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sklearn import metrics as sk

from presence import Floorplan, LogError
from presence.evaluate import LOG, Scores, Scoring, evaluate
from presence.occupancy import Switch
from presence.snapshot import Belief
from presence.stretches import Stretches
from presence.switching import READINGS, SwitchingSums
from presence.truth import TruthLine
from presence.whereabouts import MOST_NOTES, Whereabouts

START = datetime(2026, 3, 2, tzinfo=UTC)
HOUSE: dict[str, Any] = {
    "name": "house",
    "time_zone": "UTC",
    "rooms": {"hall": {}, "bedroom": {"rest": True}, "kitchen": {}},
    "doors": {
        "front": {"between": ["hall", "away"], "leaf": "hinged"},
        "back": {"between": ["kitchen", "away"], "leaf": "hinged"},
        "sleeping": {"between": ["hall", "bedroom"], "leaf": "hinged"},
        "left": {"between": ["hall", "kitchen"], "leaf": "none"},
        "right": {"between": ["hall", "kitchen"], "leaf": "none"},
    },
    "sensors": {"hall_motion": {"kind": "motion", "room": "hall", "hold": 10}},
    "people": {"ada": {}, "ben": {}},
}
PLAN = Floorplan.from_mapping(HOUSE)
DEN = {"rooms": {"den": {"rest": True}, "hall": {}}, "doors": {"front": HOUSE["doors"]["front"]}}
DEN["doors"] |= {"arch": {"between": ["hall", "den"], "leaf": "none"}}
LIVED_IN_DEN = Floorplan.from_mapping(HOUSE | DEN)
"""People eat and sleep in the den, and the plan shows no bathroom."""
Lines = list[tuple[Any, ...]]


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def truth(*rows: tuple[Any, ...]) -> list[TruthLine]:
    """Lines by hour, person, room and door; each stands in the line of the file that its place tells."""
    return [TruthLine(at(h), who, room, *rest, line=k) for k, (h, who, room, *rest) in enumerate(rows, 1)]


def notes(rows: Lines, begin: float, end: float, plan: Floorplan = PLAN) -> list[str]:
    """What is noted beside a log from hour to hour, looked at every ten minutes."""
    told = Whereabouts(plan, truth(*rows))
    grid = [at(begin + k / 6).timestamp() for k in range(round(6 * (end - begin)) + 1)]
    for seconds in grid:
        told.advance(seconds)
    return [f"{note.line}: {note.text}" for note in told.notes([grid[0], grid[-1]])]


BOTH: Lines = [(0, "ada", "hall"), (0, "ben", "away")]


@pytest.mark.parametrize(
    ("visitors", "who", "says"),
    [
        (0, "guest", '3: "guest" is not in the plan, which allows for no visitor; `visitors: 1` in it would be right'),
        (0, "Ada", '3: "Ada" is not in the plan, which allows for no visitor; did you mean "ada"?'),
        (1, "Ada", '3: "Ada" is not in the plan and counts as a visitor; did you mean "ada"?'),
        (1, "guest", None),
    ],
)
def test_who_is_not_in_the_plan_is_noted_once_where_no_visitor_may_be(visitors: int, who: str, says: str) -> None:
    plan = Floorplan.from_mapping({**HOUSE, "visitors": visitors})
    rows = [*BOTH, (1, who, "hall"), (1.5, who, "kitchen"), (2, who, "away"), (3, who, "hall")]
    assert notes(rows, 0, 4, plan) == ([says] if says else [])


def test_more_visitors_at_once_than_the_plan_allows_for_are_noted_once() -> None:
    one_by_one = [*BOTH, (1, "x", "hall"), (1, "y", "away"), (2, "x", "away"), (3, "y", "hall"), (4, "y", "away")]
    assert notes(one_by_one, 0, 5) == []
    rows = [*one_by_one, (5, "x", "hall"), (6, "y", "kitchen"), (6.5, "y", "hall"), (7, "z", "hall")]
    (told,) = notes(rows, 0, 8)
    assert told.startswith("9: is one of 2 visitors at once, and the plan allows for 1; `visitors: 2`")
    assert notes(rows, 0, 8, Floorplan.from_mapping({**HOUSE, "visitors": 3})) == []


@pytest.mark.parametrize("beyond", [0, 1, 5])
def test_notes_beyond_the_most_are_counted(beyond: int) -> None:
    walls = [(1 + k / 4, "ada", ("bedroom", "kitchen")[k % 2]) for k in range(MOST_NOTES + beyond + 1)]
    told = notes([*BOTH, *walls], 0, 10)
    assert all("which no door joins" in note for note in told[:MOST_NOTES])
    assert told[MOST_NOTES:] == ([f"{MOST_NOTES + 4}: and {beyond} more from here on"] if beyond else [])


def test_a_door_that_does_not_join_the_two_rooms_is_noted_and_any_that_does_is_taken() -> None:
    rows = [*BOTH, (1, "ada", "kitchen", "right"), (2, "ada", "hall", "left"), (3, "ada", "kitchen", "back")]
    told = notes([*rows, (3.1, "ada", "kitchen", "back"), (4, "ada", "hall")], 0, 5)  # who is there already passes none
    assert told == [
        '5: ada goes from hall to kitchen at 2026-03-02T03:00:00+00:00, which door "back" does not join; taken as'
        ' "left" or "right"'
    ]
    passages = Whereabouts(PLAN, truth(*rows)).advance(at(5).timestamp())
    assert [passage.doors for passage in passages] == [("right",), ("left",), ("left", "right")]


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([(5, "ada", "bedroom"), (5.2, "ada", "hall")], ["1: begins 8.0 h before the log; what came before is not"]),
        ([(7.5, "ada", "bedroom"), (7.6, "ada", "hall")], []),
        ([], []),  # nobody moved: a night
    ],
)
def test_a_truth_that_tells_of_moves_long_before_its_log_is_noted(rows: Lines, says: list[str]) -> None:
    told = notes([*BOTH, *rows], 8, 9)
    assert [note[: len(text)] for note, text in zip(told, says, strict=True)] == says


@pytest.mark.parametrize(
    ("room", "last", "plan", "says"),
    [
        ("bedroom", 1.0, PLAN, ["3: ends 7.0 h before the log; the last rooms are taken to hold until the log ends"]),
        ("bedroom", 2.5, PLAN, []),
        ("away", 1.0, PLAN, []),  # then everybody is
        ("den", 1.0, LIVED_IN_DEN, []),
        ("bedroom", -1.0, PLAN, []),  # a night: the log tells of no more than that she is asleep
    ],
)
def test_a_log_that_goes_on_for_hours_after_its_truth_is_noted(
    room: str, last: float, plan: Floorplan, says: list[str]
) -> None:
    assert notes([*((-2.0, *who) for _, *who in BOTH), (last, "ada", room)], 0, 8, plan) == says


# --- where lines are missing ------------------------------------------------------------------------------------------
GAP: Lines = [*BOTH, (1, "ada", "bedroom"), (2, "ben", "hall"), (3, "ben", "away"), (34, "ada", "hall")]
"""Ada is in the bedroom from one until ten on the next day; so the lines of a day are missing."""


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (GAP, ["3: ada is in bedroom for 33.0 h without a line"]),
        (GAP[:-1], ["5: ends long before the log does"]),  # for both of them
        ([*GAP[:-1], (22, "ben", "hall")], ["3: ada is in bedroom for 21.0 h without a line", "6: ends long before"]),
        ([*GAP[:-1], (44, "ada", "hall")], ["3: ada is in bedroom for 35.0 h without a line", "6: goes on for 8.0 h"]),
        ([*GAP[:-1], (17, "ada", "bedroom"), (34, "ada", "hall")], []),  # told again
        ([*GAP[:2], (0.5, "ada", "away"), (34, "ada", "hall")], []),  # on a journey
        ([*GAP[:-1], (18.9, "ada", "hall"), (36, "ada", "kitchen")], []),
        ([*GAP[:3], (5, "ada", "hall"), (25, "ada", "kitchen"), (36, "ben", "hall")], ["4: ada is in hall for 20.0 h"]),
    ],
)
def test_a_stay_at_home_longer_than_any_is_noted_where_it_begins(rows: Lines, says: list[str]) -> None:
    told = notes(rows, 0, 36)
    assert [note[: len(text)] for note, text in zip(told, says, strict=True)] == says


def test_nothing_is_missing_where_people_need_not_leave_the_room_nor_before_the_log() -> None:
    assert notes([(0, "ada", "den"), (0, "ben", "away"), (40, "ada", "hall")], 0, 41, LIVED_IN_DEN) == []
    early = [(0, "ada", "bedroom"), (0, "ben", "away"), (50, "ada", "hall")]
    assert notes(early, 50.5, 52) == []
    with_bath = HOUSE | {"rooms": {"den": {"rest": True}, "bath": {}}}
    with_bath |= {"doors": {"front": {"between": ["den", "away"], "leaf": "hinged"}}, "sensors": {}}
    with_bath["doors"] |= {"inner": {"between": ["den", "bath"], "leaf": "hinged"}}
    rows = [(0, "ada", "den"), (0, "ben", "away"), (40, "ada", "bath")]
    assert len(notes(rows, 0, 41, Floorplan.from_mapping(with_bath))) == 1


def test_a_move_after_missing_lines_is_no_passage() -> None:
    told = Whereabouts(PLAN, truth(*GAP, (34.5, "ada", "kitchen")))
    passages = [p for k in range(36) for p in told.advance(at(k).timestamp())]
    assert [passage.direction for passage in passages] == [
        "hall>bedroom", "away>hall", "hall>away", "hall>kitchen",
    ]  # fmt: skip


def believed(hours: float, every: float, seed: int = 3) -> Iterator[Belief]:
    """Beliefs at random, on a grid."""
    rng = np.random.default_rng(seed)
    for k in range(round(3600 * hours / every) + 1):
        rooms = dict(zip(("hall", "bedroom", "kitchen"), rng.random(3).tolist(), strict=True))
        people = {who: dict(zip(PLAN.rooms, rng.dirichlet(np.ones(4)).tolist(), strict=True)) for who in PLAN.people}
        yield Belief(START + timedelta(seconds=every * k), rooms, people, tuple(rng.dirichlet(np.ones(4)).tolist()))


def scored(rows: Lines, hours: float, every: float = 600.0) -> Scores:
    scoring = Scoring(PLAN, truth(*rows), every)
    for belief in believed(hours, every):
        if not scoring.line(belief):
            break
    return scoring.scores()


@pytest.mark.parametrize("batch", [1024, 7])
@pytest.mark.parametrize(
    ("rows", "hours", "gaps"),
    [
        (GAP, 36, [(1, 34)]),
        ([*GAP[:-1], (18.95, "ada", "hall")], 30, []),
        ([*GAP[:-1], (19.05, "ada", "hall")], 30, [(1, 19.05)]),  # found out by the next line alone
        (GAP[:-1], 14, []),
        ([*GAP[:-1], (31, "ben", "hall"), (32, "ben", "away")], 40, [(1, 99)]),  # her next line never comes
        ([*GAP[:4], (30, "ben", "kitchen"), (34, "ada", "hall"), (35, "ben", "hall")], 46, [(1, 34), (2, 30)]),
        ([*GAP, (40, "ada", "bedroom"), (60, "ada", "hall"), (61, "ada", "away")], 70, [(1, 34), (40, 60)]),
    ],
)
def test_no_instant_is_scored_while_lines_are_missing(
    rows: Lines, hours: float, gaps: list[tuple[float, float]], batch: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Recomputed with all in memory, from the lines: which instants count is known from the times of the gaps alone."""
    monkeypatch.setattr(sys.modules["presence.evaluate"], "BATCH", batch)
    scores, lines, switch = scored(rows, hours), truth(*rows), Switch()
    p, y, number, right, dark, on = [], [], [], [], np.zeros(2), dict.fromkeys(("hall", "bedroom", "kitchen"), False)
    for belief in believed(hours, 600):
        now = (belief.time - START).total_seconds() / 3600
        on = {room: switch.next(on[room], belief.rooms[room]) for room in on}
        if any(begin < now < end for begin, end in gaps):
            continue
        where = {line.person: line.room for line in lines if line.time <= belief.time}
        there = [room in where.values() for room in on]
        p, y = [*p, *belief.rooms.values()], [*y, *there]
        number.append(sum(room != "away" for room in where.values()))
        right += [max(told, key=told.__getitem__) == where[who] for who, told in belief.people.items()]
        lit = list(on.values())
        dark += [
            sum(t and not o for t, o in zip(there, lit, strict=True)),
            sum(o > t for t, o in zip(there, lit, strict=True)),
        ]
    assert scores.covered["samples"] == len(number)
    assert scores.covered["days"] == pytest.approx(len(number) / 144)
    assert scores.rooms["brier"] == pytest.approx(sk.brier_score_loss(y, p), abs=1e-12)
    assert scores.people["accuracy"] == pytest.approx(np.mean(right), abs=1e-12)
    keys = ("false_off_minutes_per_day", "wasted_minutes_per_day")
    assert [scores.switching[key] for key in keys] == pytest.approx(dark * 1440 / len(number), abs=1e-9)
    missing = [note for note in scores.covered["notes"] if "without a line" in note["text"]]
    assert len(missing) == len(gaps)


def test_what_waits_to_be_scored_is_bounded_however_long_lines_are_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules["presence.evaluate"], "BATCH", 10)
    rows = [*GAP[:-1], *((5.0 + k, "ben", ("hall", "away")[k % 2]) for k in range(400))]
    scoring, held = Scoring(PLAN, truth(*rows), 600.0), []
    for belief in believed(400, 600):
        scoring.line(belief)
        held.append(sum(len(rows.seconds) for rows in (*scoring._held, scoring._rows)))
    assert max(held) <= 6 * 18 + 10 + 6 + 1
    assert max(held[6 * 20 :]) <= 20  # a day of them no more than an hour


def test_where_nothing_is_left_to_be_scored_it_says_which_lines_are_missing() -> None:
    with pytest.raises(LogError) as caught:
        scored([(-20, "ada", "bedroom"), (-20, "ben", "away"), (19, "ben", "hall")], 19)
    first, second = caught.value.faults
    assert "no instant is covered" in first.message
    assert (second.line, second.message[:19]) == (1, "ada is in bedroom f")


def test_a_log_without_an_instant_does_not_blame_the_truth() -> None:
    with pytest.raises(LogError) as caught:
        evaluate(PLAN, [], truth(*GAP))
    (fault,) = caught.value.faults
    assert fault.path == LOG
    assert "the log is too short" in fault.message
    assert "ada" not in fault.message


def test_a_stretch_told_wrong_ends_where_instants_are_left_out() -> None:
    """Hall told wrong for three minutes; then nothing is known for an hour; then for two; the same within one call."""
    times = [0.0, 60.0, 120.0, 3720.0, 3780.0]
    for parts in ((slice(0, 5),), (slice(0, 3), slice(3, 5)), (slice(0, 1), slice(1, 4), slice(4, 5))):
        stretches = Stretches(["hall"], 60.0, PLAN.zone)
        for part in parts:
            rows = len(times[part])
            stretches.add(times[part], np.full((rows, 1), 0.9), np.zeros((rows, 1), bool))
        assert [(row["minutes"], row["from"][11:16]) for row in stretches.longest()] == [(3.0, "00:00"), (2.0, "01:02")]


def test_a_rule_goes_on_through_what_is_not_scored() -> None:
    probability = np.array([[0.1], [0.6], [0.3], [0.3], [0.1]])  # off, on, on, on, off
    there, ages = np.array([[True]] * 5), np.full((5, READINGS, 1), np.inf)
    sums = SwitchingSums(1)
    sums.add(probability[:2], ages[:2], there[:2], np.array([True, False]))
    sums.add(probability[2:], ages[2:], there[2:], np.array([False, True, True]))
    assert sums.samples == sums.occupied == 3
    assert sums.switching()["false_off_minutes_per_day"] == 1440 * 2 / 3
