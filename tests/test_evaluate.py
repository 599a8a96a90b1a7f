"""Scores against scikit-learn, worked examples, and a plain recomputation from the output lines."""

import contextlib
import io
import json
import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import groupby, pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from sklearn import metrics as sk
from sklearn.calibration import calibration_curve

from presence import Event, Floorplan, LogError, SettingError, Switch
from presence.cli import run
from presence.direction import DirectionSums, DoorEvent, TruePassage, match
from presence.evaluate import Scores, evaluate
from presence.metrics import BinarySums, CountSums
from presence.occupancy import DARK_COST
from presence.passages import Passage
from presence.replay import replay, to_json
from presence.report import report
from presence.stretches import Stretches
from presence.switching import READINGS, LastMovement, SwitchingSums
from presence.truth import TruthLine

START = datetime(2026, 3, 2, 12, tzinfo=UTC)
PLAN_TEXT = {
    "name": "two rooms and a yard",
    "time_zone": "Europe/Berlin",
    "rooms": {"hall": {}, "den": {}, "yard": {"outdoors": True}},
    "doors": {
        "front": {"between": ["yard", "hall"], "leaf": "hinged"},
        "arch": {"between": ["hall", "den"], "leaf": "none"},
        "gate": {"between": ["yard", "away"], "leaf": "none"},
    },
    "sensors": {
        "front_contact": {"kind": "contact", "door": "front"},
        "hall_motion": {"kind": "motion", "room": "hall", "hold": 10},
        "den_motion": {"kind": "motion", "room": "den", "hold": 10},
    },
    "people": {"P1": {}, "P2": {}},
}
PLAN = Floorplan.from_mapping(PLAN_TEXT)


def at(seconds: float) -> datetime:
    return START + timedelta(seconds=seconds)


def log(*events: tuple[float, str, str]) -> list[Event]:
    return [Event(at(seconds), sensor, value) for seconds, sensor, value in sorted(events)]


def truth(*lines: tuple[float, str, str]) -> list[TruthLine]:
    return [TruthLine(at(seconds), person, room, None) for seconds, person, room in sorted(lines)]


# --- running sums ----------------------------------------------------------------------------------------------------
probabilities = hnp.arrays(np.float64, st.tuples(st.integers(1, 30), st.integers(1, 3)), elements=st.floats(0, 1))


@pytest.mark.filterwarnings("ignore::UserWarning:sklearn")
@given(probabilities, st.randoms(use_true_random=False))
def test_binary_scores_agree_with_scikit_learn(probability: np.ndarray, random) -> None:
    truth = np.array([[random.random() < 0.5 for _ in row] for row in probability])
    sums = BinarySums(probability.shape[1])
    for part in (slice(0, 7), slice(7, None)):
        sums.add(probability[part], truth[part])
    scores, p, y = sums.scores(), probability.ravel(), truth.ravel()
    told = p >= 0.5
    assert scores["accuracy"] == pytest.approx(sk.accuracy_score(y, told), abs=1e-12)
    assert scores["f1"] == pytest.approx(sk.f1_score(y, told, zero_division=0.0), abs=1e-12)
    assert scores["brier"] == pytest.approx(sk.brier_score_loss(y, p, pos_label=True), abs=1e-12)
    assert scores["log_loss"] == pytest.approx(sk.log_loss(y, p, labels=[False, True]), rel=1e-9, abs=1e-12)
    assert scores["balanced_accuracy"] == pytest.approx(sk.balanced_accuracy_score(y, told), abs=1e-12)


def test_one_column_scores_like_itself_alone() -> None:
    rng = np.random.default_rng(1)
    probability, truth = rng.random((50, 3)), rng.random((50, 3)) < 0.4
    together, alone = BinarySums(3), BinarySums(1)
    together.add(probability, truth)
    alone.add(probability[:, 1:2], truth[:, 1:2])
    assert together.scores([1]) == pytest.approx(alone.scores(), abs=1e-12)


def test_calibration_error_worked_by_hand() -> None:
    sums = BinarySums(1)
    sums.add(np.array([[0.01], [0.03], [0.9], [0.9], [1.0]]), np.array([[False], [True], [True], [False], [True]]))
    # bins of 1/15: {.01, .03} mean .02, half true; {.9, .9} mean .9, half true; {1} right
    assert sums.scores()["ece"] == pytest.approx((2 * 0.48 + 2 * 0.4 + 0) / 5, abs=1e-12)
    assert [row["samples"] for row in sums.reliability()] == [2, 2, 1]


def test_no_samples_is_no_number() -> None:
    assert all(math.isnan(value) for value in BinarySums(2).scores().values())
    assert all(math.isnan(value) for value in CountSums().scores().values())


def test_count_scores_worked_by_hand() -> None:
    sums = CountSums()
    sums.add(np.array([[0.5, 0.3, 0.2], [0.1, 0.2, 0.7]]), np.array([1, 4]))
    # (.5 - 0)^2 + (.8 - 1)^2 + 0 = .29; .1^2 + .3^2 + 1 + 1 (k = 3) + 0 (k = 4) = 2.1
    assert sums.scores() == pytest.approx({"accuracy": 0.0, "mae": 1.5, "rps": (0.29 + 2.1) / 2}, abs=1e-12)


# --- switching -------------------------------------------------------------------------------------------------------
@given(probabilities, st.floats(0, 0.5), st.booleans())
def test_a_series_is_one_step_after_another(probability: np.ndarray, off: float, on: bool) -> None:
    switch = Switch(0.5, off)
    start = np.full(probability.shape[1], on)
    expected = []
    state = list(start)
    for row in probability:
        state = [switch.next(bool(s), float(p)) for s, p in zip(state, row, strict=True)]
        expected.append(state)
    np.testing.assert_array_equal(switch.series(probability, start), expected)


def test_the_switch_turns_off_where_staying_on_costs_more() -> None:
    switch = Switch.from_cost(4.0)
    for p in (0.1, 0.19, 0.21, 0.4):
        assert switch.next(True, p) == (p * 4.0 > (1 - p) * 1.0)
    assert not switch.next(False, 0.4)
    assert switch.next(False, 0.51)


def test_the_default_switch_is_that_of_the_default_cost() -> None:
    assert Switch.from_cost(DARK_COST) == Switch.from_threshold(0.2) == Switch(0.5, 0.2) == Switch()


def test_who_minds_the_dark_goes_on_sooner_and_nobody_later() -> None:
    """By hand: off at odds of 1 to 99, on at 4 to 99; who minds it less than by default goes on at evens, or above."""
    dear = Switch.from_cost(99.0)
    assert (dear.off_below, dear.on_above) == pytest.approx((0.01, 4 / 103))
    assert Switch.from_cost(1.0) == Switch(0.5, 0.5)
    assert Switch.from_cost(0.25, on_above=0.8) == Switch(0.8, 0.8)
    assert Switch.from_threshold(0.0) == Switch(0.0, 0.0)
    assert Switch.from_threshold(1.0, 1.0) == Switch(1.0, 1.0)
    for threshold in (-1.0 / 3.0, -0.1, 1.1, float("nan")):
        with pytest.raises(SettingError, match=r"off_below: .* is not a probability"):
            Switch.from_threshold(threshold)


@pytest.mark.parametrize("cost", [30.0, 100.0])
def test_the_switch_for_a_cost_is_near_the_cheapest_and_far_below_one_that_waits_for_evens(cost: float) -> None:
    """Someone comes and goes between minutes, seen by a sensor that a cat sets off, too; the exact filter."""
    rng = np.random.default_rng(17)
    there, p = np.zeros((100_000, 1), bool), np.zeros((100_000, 1))
    now, belief = False, 0.2
    for i in range(len(there)):
        now = rng.random() < (0.98 if now else 0.001)
        belief = belief * 0.98 + (1 - belief) * 0.001
        seen = rng.random() < (0.2 if now else 0.05)
        likely = (0.2, 0.05) if seen else (0.8, 0.95)
        belief = belief * likely[0] / (belief * likely[0] + (1 - belief) * likely[1])
        there[i], p[i] = now, belief

    def costs(switch: Switch) -> float:
        on = switch.series(p, np.zeros(1, bool))
        return float(cost * (there & ~on).sum() + (on & ~there).sum())

    cheapest = 1 / (1 + cost)  # with calibrated probabilities and lights that may flicker
    assert costs(Switch.from_cost(cost)) < 1.25 * costs(Switch(cheapest, cheapest))
    assert costs(Switch(0.5, cheapest)) > 1.25 * costs(Switch.from_cost(cost))


@pytest.mark.parametrize("wrong", [(0.5, 0.6), (-0.1, -0.2), (math.nan, 0.1), (2.0, 0.1)])
def test_a_switch_that_makes_no_sense_is_refused(wrong: tuple[float, float]) -> None:
    with pytest.raises(SettingError, match="off_below"):
        Switch(*wrong)


def test_the_timer_knows_the_last_movement() -> None:
    movement = LastMovement(PLAN, ["hall", "den", "yard"])
    assert np.isinf(movement.ages(START.timestamp())).all()
    assert movement.ages(START.timestamp()).shape == (READINGS, 3)
    for event in log((0, "front_contact", "open"), (5, "hall_motion", "detected")):
        movement.event(event)
    np.testing.assert_allclose(movement.ages(at(300).timestamp())[0], [0, np.inf, 300], rtol=0, atol=1e-6)
    movement.event(log((310, "hall_motion", "clear"))[0])
    for ages in movement.ages(at(370).timestamp()):
        np.testing.assert_allclose(ages, [60, np.inf, 370], rtol=0, atol=1e-6)


def test_a_lost_off_message_does_not_keep_a_timer_on_for_ever() -> None:
    movement = LastMovement(PLAN, ["hall", "den", "yard"])
    movement.event(log((0, "hall_motion", "detected"))[0])
    assert movement.ages(at(7200).timestamp())[0, 0] == pytest.approx(7200)


@pytest.mark.parametrize(("hold", "best"), [(30, 0), (590, 590)])
def test_a_sensor_that_never_goes_off_is_no_timer_of_half_an_hour(hold: int, best: int) -> None:
    """Somebody is in the hall for ten minutes of each hour, and is reported at once, or when the sensor may speak."""
    plan = Floorplan.from_mapping(
        {**PLAN_TEXT, "sensors": {"hall_motion": {"kind": "motion", "room": "hall", "hold": hold}}}
    )
    there = [(3600.0 * hour, 3600.0 * hour + 600.0) for hour in range(10)]
    reports = [t for begin, end in there for t in np.arange(begin + 1, end, max(hold, 60))]
    grid = np.arange(30.0, 36000.0, 60.0)
    occupied = np.any([(begin <= grid) & (grid < end) for begin, end in there], axis=0)
    age = np.min([np.where(grid >= t, grid - t, np.inf) for t in reports], axis=0)
    movement, waiting, ages = LastMovement(plan, ["hall"]), log(*[(t, "hall_motion", "detected") for t in reports]), []
    for now in grid:
        while waiting and waiting[0].time <= at(now):
            movement.event(waiting.pop(0))
        ages.append(movement.ages(at(now).timestamp()))
    sums = SwitchingSums(1, minutes=[1, 10])
    sums.add(np.zeros((len(grid), 1)), np.array(ages), occupied[:, None])
    half_an_hour = sums.timer_table()
    sums.never_off = movement.never_off()
    for row, before in zip(sums.timer_table(), half_an_hour, strict=True):
        fair = [
            (4 * (occupied & ~on).sum() + (on & ~occupied).sum(), reading)
            for reading in (0, hold)
            for on in [age - reading < 60 * row["minutes"]]
        ]
        cost, reading = min(fair)
        dark, wasted = row["false_off_minutes_per_day"], row["wasted_minutes_per_day"]
        assert (4 * dark + wasted) * len(grid) / 1440 == pytest.approx(cost)
        assert row["minutes"] > 1 or reading == best
        assert before["wasted_minutes_per_day"] - wasted > 24 * 10


def test_a_sensor_that_goes_off_at_last_was_on_until_then() -> None:
    """Nothing that a log tells later makes moments of what a sensor said that does go off."""
    movement = LastMovement(PLAN, ["hall", "den", "yard"])
    events = [(0, "hall_motion", "detected"), (400, "hall_motion", "detected"), (900, "hall_motion", "clear")]
    for event in log(*events, (5, "den_motion", "detected"), (950, "den_motion", "offline")):
        movement.event(event)
    assert not movement.never_off().any()  # the den's has turned on but once: it may go off yet
    movement.event(log((1000, "den_motion", "detected"))[0])
    assert movement.never_off().tolist() == [False, True, False]
    assert movement.ages(at(1004).timestamp())[:, 0] == pytest.approx([104, 104, 104])
    movement.event(log((1010, "hall_motion", "detected"))[0])
    np.testing.assert_allclose(movement.ages(at(1100).timestamp())[:, :2], [[0, 0], [0, 100], [0, 90]], atol=1e-6)


def test_evaluate_times_a_sensor_that_never_goes_off_as_if_it_went_off_at_once_or_after_its_hold() -> None:
    events, lines = life()
    silent = [event for event in events if event.value != "clear"] + log((7320, "front_contact", "closed"))
    cost = {}
    for name, off_after in (("never", None), ("at once", 0.0), ("its hold", 10.0)):
        offs = [replace(e, time=e.time + timedelta(seconds=off_after or 0), value="clear") for e in silent
                if e.value == "detected" and off_after is not None]  # fmt: skip
        scores = evaluate(PLAN, sorted([*silent, *offs], key=lambda event: event.time), lines)
        timers = {room: row["timer"] for room, row in scores.per_room.items()}
        cost[name] = {r: 4 * t["false_off_minutes_per_day"] + t["wasted_minutes_per_day"] for r, t in timers.items()}
    assert all(cost["never"][room] <= min(cost["at once"][room], cost["its hold"][room]) for room in timers)
    assert cost["never"]["yard"] == cost["at once"]["yard"] > 0  # its only sensor is a contact


def test_minutes_in_the_dark_and_wasted_worked_by_hand() -> None:
    sums = SwitchingSums(1)
    probability = np.array([[0.1], [0.6], [0.3], [0.1], [0.3]])  # off, on, on (in between), off, off
    truth = np.array([[True], [True], [False], [False], [True]])  # dark, right, wasted, right, dark
    ages = np.array([[np.inf], [0.0], [60.0], [120.0], [180.0]])
    sums.add(probability, np.stack([ages] * READINGS, axis=1), truth)
    assert sums.switching() == {"false_off_minutes_per_day": 1440 * 2 / 5, "wasted_minutes_per_day": 1440 / 5}
    first, second, third = sums.timer_table()[:3]  # 1, 2, 5 minutes
    assert first == {"minutes": 1, "false_off_minutes_per_day": 1440 * 2 / 5, "wasted_minutes_per_day": 0.0}
    assert second == {"minutes": 2, "false_off_minutes_per_day": 1440 * 2 / 5, "wasted_minutes_per_day": 1440 / 5}
    assert third == {"minutes": 5, "false_off_minutes_per_day": 1440 / 5, "wasted_minutes_per_day": 1440 * 2 / 5}
    assert sums.best_timer()["minutes"] == 5  # 4 x 1 + 2 < 4 x 2 + 0
    assert sums.best_timer_per_room(["hall"])["minutes"] == {"hall": 5}


# --- direction -------------------------------------------------------------------------------------------------------
def test_the_closest_pairs_are_matched_first_and_each_event_once() -> None:
    first, second = TruePassage(10.0, ("front",), "a>b"), TruePassage(14.0, ("front",), "a>b")
    near, far = DoorEvent(12.9, "front"), DoorEvent(-50.0, "front")
    assert match([first, second], [near, far]) == [(first, far), (second, near)]
    assert match([first, second], [near]) == [(first, None), (second, near)]
    assert match([first], [DoorEvent(10.0, "back"), DoorEvent(-50.1, "front")]) == [(first, None)]
    assert match([first], [DoorEvent(20.1, "front")]) == [(first, None)]  # opened only afterwards


def test_who_comes_back_before_the_door_is_shut_belongs_to_the_closing() -> None:
    out, back = TruePassage(10.0, ("front",), "a>b"), TruePassage(40.0, ("front",), "b>a")
    opening, closing = DoorEvent(9.0, "front"), DoorEvent(42.0, "front", ending=True)
    assert match([out, back], [opening, closing]) == [(out, opening), (back, closing)]
    assert match([back], [opening, closing]) == [(back, opening)]
    assert match([back], [closing]) == [(back, closing)]
    assert match([TruePassage(60.0, ("front",), "b>a")], [closing])[0][1] is None


def test_who_passed_unheard_before_an_opening_does_not_belong_to_its_closing() -> None:
    """Out with both reports lost, back 20 s later: the closing ends the opening of the way back."""
    sums = DirectionSums(PLAN)
    for event in log((20, "front_contact", "open"), (25, "front_contact", "closed")):
        sums.event(event)
    for seconds in (20.0, 25.0):
        sums.answer(answer(seconds, seconds + 300, 0.8, final=True))
    for seconds, direction in ((1.0, "hall>yard"), (22.0, "yard>hall")):
        sums.passage(TruePassage(at(seconds).timestamp(), ("front",), direction))
    sums.finish()
    assert (sums.scores()["covered_share"], sums.scores()["accuracy"]) == (1 / 2, 1.0)


def test_unlocking_and_opening_are_one_event() -> None:
    """Taken out and back: the second passage is not that of the unlocking, which was 27 s before it."""
    described = PLAN_TEXT | {"sensors": {"lock": {"kind": "lock", "door": "front"}} | PLAN_TEXT["sensors"]}
    plan = Floorplan.from_mapping(described)
    sums = DirectionSums(plan)
    for seconds, sensor, value in (
        (0.0, "lock", "unlocked"),
        (2.0, "front_contact", "open"),
        (30.0, "front_contact", "closed"),
        (31.0, "lock", "locked"),
    ):
        event = Event(time=at(seconds), sensor=sensor, value=value)
        sums.event(event)
        shares = {"yard>hall": 0.9, "hall>yard": 0.0} if value == "closed" else {"yard>hall": 0.0, "hall>yard": 0.9}
        sums.answer(Passage(at(seconds), at(seconds), "front", shares, 0.1, {}, final=True))
    for seconds, direction in ((3.0, "hall>yard"), (27.0, "yard>hall")):
        sums.passage(TruePassage(at(seconds).timestamp(), ("front",), direction))
    sums.finish()
    assert sums.scores()["accuracy"] == 1.0


def answer(seconds: float, decided: float, inwards: float, *, final: bool) -> Passage:
    shares = {"yard>hall": inwards, "hall>yard": 0.9 - inwards}
    return Passage(at(seconds), at(decided), "front", shares, 0.1, {}, final)


def test_direction_scores_worked_by_hand() -> None:
    sums = DirectionSums(PLAN)
    for event in log((0, "front_contact", "open"), (8, "front_contact", "closed"), (900, "front_contact", "open")):
        sums.event(event)
    for line in (
        answer(0, 0, 0.3, final=False),
        answer(0, 20, 0.6, final=False),
        answer(8, 8, 0.1, final=False),
        answer(0, 300, 0.8, final=True),
        answer(8, 308, 0.1, final=True),
        answer(900, 900, 0.7, final=False),
        answer(900, 1200, 0.4, final=True),
    ):
        sums.answer(line)
    for seconds in (7.0, 905.0, 2000.0):  # nearest to the closing, but that ended an opening; the last has no event
        sums.passage(TruePassage(at(seconds).timestamp(), ("front",), "yard>hall"))
    sums.finish()
    assert sums.scores() == pytest.approx(
        {
            "passages": 3,
            "covered_share": 2 / 3,
            "accuracy_at_once": 1 / 2,
            "accuracy": 1 / 2,
            "log_loss": -(math.log(0.8) + math.log(0.4)) / 2,
            "median_delay_s": 20.0,
        },
        abs=1e-12,
    )


@pytest.mark.parametrize("first", ["passage", "echo"])
def test_what_a_second_contact_tells_in_the_same_instant_is_no_answer_about_the_passage(first: str) -> None:
    """Two contacts on one door: somebody came in by the opening, and the other report was made by nobody."""
    plan = Floorplan.from_mapping(
        PLAN_TEXT | {"sensors": PLAN_TEXT["sensors"] | {"second_contact": {"kind": "contact", "door": "front"}}}
    )
    sums = DirectionSums(plan)
    for sensor in ("front_contact", "second_contact"):
        sums.event(Event(time=at(0), sensor=sensor, value="open"))
    shares = {
        "passage": ({"yard>hall": 0.8, "hall>yard": 0.1}, 0.1),
        "echo": ({"yard>hall": 0.01, "hall>yard": 0.02}, 0.97),
    }
    for decided, final in ((0, False), (300, True)):
        for _, (directions, nobody) in sorted(shares.items(), reverse=first == "passage"):
            sums.answer(Passage(at(0), at(decided), "front", directions, nobody, {}, final))
    sums.passage(TruePassage(at(2).timestamp(), ("front",), "yard>hall"))
    sums.finish()
    scores = sums.scores()
    assert (scores["accuracy_at_once"], scores["accuracy"], scores["median_delay_s"]) == (1.0, 1.0, 0.0)
    assert scores["log_loss"] == pytest.approx(-math.log(0.8))


def test_a_closing_without_an_opening_may_be_a_passage() -> None:
    sums = DirectionSums(PLAN)
    sums.event(log((0, "front_contact", "closed"))[0])
    sums.answer(answer(0, 0, 0.8, final=True))
    sums.passage(TruePassage(at(3).timestamp(), ("front",), "yard>hall"))
    sums.finish()
    assert sums.scores()["covered_share"] == 1.0


# --- the whole -------------------------------------------------------------------------------------------------------
def life() -> tuple[list[Event], list[TruthLine]]:
    """Two hours in which P1 comes home, sits in the den and leaves again; P2 stays away."""
    events = [(10.0, "front_contact", "open"), (16.0, "front_contact", "closed")]
    events += [(14.0, "hall_motion", "detected"), (24.0, "hall_motion", "clear")]
    for seconds in range(30, 6000, 370):
        events += [(seconds, "den_motion", "detected"), (seconds + 11.5, "den_motion", "clear")]
    events += [(6010.0, "hall_motion", "detected"), (6030.0, "hall_motion", "clear")]
    events += [(6018.0, "front_contact", "open"), (6022.0, "front_contact", "closed")]
    events += [(7260.0, "hall_motion", "detected"), (7270.0, "hall_motion", "clear")]
    lines = [(-50.0, "P1", "away"), (-50.0, "P2", "away"), (5.0, "P1", "yard"), (12.0, "P1", "hall")]
    lines += [(28.0, "P1", "den"), (6008.0, "P1", "hall"), (6020.0, "P1", "yard"), (6025.0, "P1", "away")]
    return log(*events), truth(*lines)


def recomputed(every: float) -> dict[str, float]:
    """The plain way: output lines and truth file, all in memory."""
    events, lines = life()
    output = [json.loads(to_json(line)) for line in replay(PLAN, events, every=every)]
    p, y, people, brier_at = [], [], [], []
    for line in (line for line in output if line["kind"] == "occupancy"):
        now = datetime.fromisoformat(line["time"])
        where = {t.person: t.room for t in lines if t.time <= now}
        for room, probability in line["rooms"].items():
            p.append(probability)
            y.append(room in where.values())
        for person, rooms in line["people"].items():
            people.append(max(rooms, key=rooms.get) == where[person])
        number = sum(room != "away" for room in where.values())
        brier_at.append(int(np.argmax(line["at_home"])) == number)
    front = [line for line in output if line["kind"] == "passage" and line["door"] == "front"]
    finals = {line["time"]: line for line in front if line["final"]}
    into, out = finals["2026-03-02T12:00:10+00:00"], finals["2026-03-02T13:40:18+00:00"]
    right = [into["directions"]["yard>hall"], out["directions"]["hall>yard"]]
    return {
        "samples": len(people) // 2,
        "balanced_accuracy": sk.balanced_accuracy_score(y, np.array(p) >= 0.5),
        "brier": sk.brier_score_loss(y, p),
        "log_loss": sk.log_loss(y, p),
        "people": float(np.mean(people)),
        "at_home": float(np.mean(brier_at)),
        "direction": -float(np.mean(np.log(right))),
    }


@pytest.mark.parametrize("every", [60.0, 7.0])
def test_scores_agree_with_a_plain_recomputation(every: float) -> None:
    scores, expected = evaluate(PLAN, *life(), every=every), recomputed(every)
    found = {
        "samples": scores.covered["samples"],
        "balanced_accuracy": scores.rooms["balanced_accuracy"],
        "brier": scores.rooms["brier"],
        "log_loss": scores.rooms["log_loss"],
        "people": scores.people["accuracy"],
        "at_home": scores.at_home["accuracy"],
        "direction": scores.direction["log_loss"],
    }
    assert found == pytest.approx(expected, abs=1e-9)
    assert scores.direction["passages"] == 5
    assert scores.direction["covered_share"] == pytest.approx(2 / 5)


@pytest.fixture(scope="module")
def told_and_true() -> tuple[Scores, list[dict], list[tuple[datetime, dict[str, float], list[bool]]]]:
    """Scores, replay lines, and what is told and true of each room at each instant; P2, whom nobody saw, is outside."""
    events, lines = life()
    lines = sorted([*lines, *truth((2000.0, "P2", "yard"), (4000.0, "P2", "away"))], key=lambda line: line.time)
    output = [json.loads(to_json(line)) for line in replay(PLAN, events, every=7.0)]
    grid = []
    for line in (line for line in output if line["kind"] == "occupancy"):
        now = datetime.fromisoformat(line["time"])
        where = {t.person: t.room for t in lines if t.time <= now}
        grid.append((now, line["rooms"], [room in where.values() for room in line["rooms"]]))
    return evaluate(PLAN, events, lines, every=7.0), output, grid


def test_each_doors_scores_are_of_its_own_passages(told_and_true: tuple[Scores, list[dict], list]) -> None:
    """In and out by the front door, which alone has a contact, and by the arch; out, and twice for P2, by the gate."""
    scores, output, _ = told_and_true
    front = [
        line for line in output if line["kind"] == "passage" and line["door"] == "front" and not line.get("inferred")
    ]
    loss, right, at_once = [], [], []
    for time, direction in (("12:00:10", "yard>hall"), ("13:40:18", "hall>yard")):
        answers = [line for line in front if line["time"][11:19] == time]
        loss.append(-math.log(answers[-1]["directions"][direction]))
        right.append(max(answers[-1]["directions"], key=answers[-1]["directions"].get) == direction)
        at_once.append(max(answers[0]["directions"], key=answers[0]["directions"].get) == direction)
        assert answers[-1]["final"]
    assert list(scores.per_door) == ["arch", "front", "gate"]
    assert scores.per_door["front"] == pytest.approx(
        {
            "passages": 2,
            "covered_share": 1.0,
            "accuracy": np.mean(right),
            "accuracy_at_once": np.mean(at_once),
            "log_loss": np.mean(loss),
        },
        abs=1e-9,
    )
    for door, passages in (("arch", 2), ("gate", 3)):
        assert (scores.per_door[door]["passages"], scores.per_door[door]["covered_share"]) == (passages, 0.0)
        assert math.isnan(scores.per_door[door]["accuracy"])


def test_the_worst_stretches_from_the_lines_alone(told_and_true: tuple[Scores, list[dict], list]) -> None:
    """By run length; and the line for people that says when a room was told empty with somebody in it."""
    scores, _, grid = told_and_true
    runs = []
    for k, room in enumerate(grid[0][1]):
        wrong = [(now, (p[room] >= 0.5) - there[k]) for now, p, there in grid]  # 1 told occupied, -1 told empty
        for kind, stretch in groupby(wrong, key=lambda pair: pair[1]):
            times = [now for now, _ in stretch]
            if kind:
                minutes = 7.0 * len(times) / 60
                runs.append(
                    (-minutes, room, {1: "occupied", -1: "empty"}[kind], times[0], times[-1] + timedelta(seconds=7))
                )
    runs.sort(key=lambda run: run[0])
    assert len(scores.worst) == min(20, len(runs))
    assert [row["minutes"] for row in scores.worst] == pytest.approx([-run[0] for run in runs[:20]], abs=1e-9)
    told = {
        (r["room"], r["told"], datetime.fromisoformat(r["from"]), datetime.fromisoformat(r["to"])) for r in scores.worst
    }
    longer = {run[1:] for run in runs if run[0] < runs[:20][-1][0] - 1e-9}
    assert longer <= told <= {run[1:] for run in runs}
    minutes, room, what, begin, end = runs[0]
    assert (room, what) == ("yard", "empty")
    clock = [f"{time.astimezone(PLAN.zone):%H:%M}" for time in (begin, end)]
    line = f"  2026-03-02 {clock[0]}-{clock[1]} ({-minutes:.0f} min) yard told empty with somebody in it"
    assert line in report(scores, PLAN.zone).splitlines()


def test_each_rooms_switching_and_best_timer_from_the_lines_alone(
    told_and_true: tuple[Scores, list[dict], list],
) -> None:
    """Contract, section 6, room by room: on above one half, off below a fifth; on for N minutes after movement."""
    scores, _, grid = told_and_true
    events, keys = life()[0], ("false_off_minutes_per_day", "wasted_minutes_per_day")
    sensor = {"hall": "hall_motion", "den": "den_motion", "yard": "front_contact"}  # the yard's only one
    for k, room in enumerate(sensor):
        on, rule, timers = False, np.zeros(2), np.zeros((7, 2))
        for now, p, there in grid:
            on = p[room] > 0.5 or (on and p[room] >= 0.2)
            rule += [there[k] and not on, on and not there[k]]
            own = [event for event in events if event.sensor == sensor[room] and event.time <= now]
            since = (now - own[-1].time).total_seconds() if own else math.inf
            since = 0.0 if own and own[-1].value in ("detected", "open") and room != "yard" else since
            for row, minutes in zip(timers, (1, 2, 5, 10, 15, 20, 30), strict=True):
                row += [there[k] and since >= 60 * minutes, since < 60 * minutes and not there[k]]
        share = sum(there[k] for _, _, there in grid) / len(grid)
        found, best = scores.per_room[room], int((timers @ [4.0, 1.0]).argmin())
        assert found["occupied_share"] == pytest.approx(share)
        assert [found["switching"][key] for key in keys] == pytest.approx(rule * 1440 / len(grid), abs=1e-9)
        assert [found["timer"][key] for key in keys] == pytest.approx(timers[best] * 1440 / len(grid), abs=1e-9)
        assert found["timer"]["minutes"] == (1, 2, 5, 10, 15, 20, 30)[best]


def test_the_rows_of_the_reliability_table_are_scikit_learns(told_and_true: tuple[Scores, list[dict], list]) -> None:
    scores, _, grid = told_and_true
    p = np.array([list(rooms.values()) for _, rooms, _ in grid]).ravel()
    y = np.array([there for _, _, there in grid]).ravel()
    share, mean = calibration_curve(y, p, n_bins=15)
    counts = np.histogram(p, bins=15, range=(0, 1))[0]
    rows = scores.reliability
    assert len(rows) > 5
    assert [row["share_occupied"] for row in rows] == pytest.approx(share, abs=1e-9)
    assert [row["mean_probability"] for row in rows] == pytest.approx(mean, abs=1e-9)
    assert [row["samples"] for row in rows] == counts[counts > 0].tolist()
    edges = np.linspace(0, 1, 16)
    assert [row["from"] for row in rows] == pytest.approx(edges[:-1][counts > 0], abs=1e-9)
    assert [row["to"] for row in rows] == pytest.approx(edges[1:][counts > 0], abs=1e-9)


# --- the commands, from files to scores ------------------------------------------------------------------------------
FLAT = Path(__file__).parent.parent / "floorplans" / "one_room_flat.yaml"


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict, list, list, list]:
    """What `evaluate --json` says of five simulated days, the lines of `replay`, and those of log and truth."""
    folder = tmp_path_factory.mktemp("days")
    log, truth = folder / "log.jsonl", folder / "truth.jsonl"
    assert run(["simulate", str(FLAT), "--days", "5", "--seed", "5", "--out", str(folder)]) == 0
    said = []
    for arguments in (["evaluate", str(FLAT), str(log), str(truth), "--json"], ["replay", str(FLAT), str(log)]):
        with contextlib.redirect_stdout(io.StringIO()) as out:
            assert run(arguments) == 0
        said.append(out.getvalue())
    lines = [[json.loads(line) for line in text.splitlines()] for text in (said[1], log.read_text(), truth.read_text())]
    for part in lines:
        for line in part:
            line["t"] = datetime.fromisoformat(line["time"]).timestamp()
    return json.loads(said[0]), lines[0], sorted(lines[1], key=lambda line: line["t"]), lines[2]


def test_rooms_people_and_the_count_from_the_files_alone(files: tuple[dict, list, list, list]) -> None:
    """Section 6 of the contract recomputed from the output of `replay` and the truth file, with scikit-learn."""
    scores, output, _, truth = files
    p, y, at_home, number, people = [], [], [], [], []
    for line in (line for line in output if line["kind"] == "occupancy" and line["t"] <= truth[-1]["t"] + 43200):
        where = {t["person"]: t["room"] for t in truth if t["t"] <= line["t"]}
        p.append(list(line["rooms"].values()))
        y.append([room in where.values() for room in line["rooms"]])
        at_home.append(line["at_home"])
        number.append(sum(room != "away" for room in where.values()))
        people += [max(told, key=told.get) == where[person] for person, told in line["people"].items()]
    p, y, at_home, number = np.ravel(p), np.ravel(y), np.array(at_home), np.array(number)
    share, mean = calibration_curve(y, p, n_bins=15)
    size = np.unique(np.minimum((p * 15).astype(int), 14), return_counts=True)[1]
    likeliest, counts = at_home.argmax(axis=1), np.arange(at_home.shape[1])
    assert scores["covered"]["samples"] == len(number)
    assert scores["rooms"] == pytest.approx(
        {
            "accuracy": sk.accuracy_score(y, p >= 0.5),
            "balanced_accuracy": sk.balanced_accuracy_score(y, p >= 0.5),
            "f1": sk.f1_score(y, p >= 0.5),
            "brier": sk.brier_score_loss(y, p),
            "log_loss": sk.log_loss(y, p),
            "ece": float(size @ np.abs(share - mean)) / len(p),
        },
        abs=1e-9,
    )
    assert scores["at_home"] == pytest.approx(
        {
            "accuracy": sk.accuracy_score(number, likeliest),
            "mae": sk.mean_absolute_error(number, likeliest),
            "rps": np.mean(((at_home.cumsum(axis=1) - (number[:, None] <= counts)) ** 2).sum(axis=1)),
        },
        abs=1e-9,
    )
    assert scores["people"]["accuracy"] == pytest.approx(np.mean(people), abs=1e-9)


def test_confusion_is_scikit_learns(files: tuple[dict, list, list, list]) -> None:
    scores, output, _, truth = files
    where, told = [], []
    for line in (line for line in output if line["kind"] == "occupancy"):
        where.append([t["room"] for t in truth if t["person"] == "noor" and t["t"] <= line["t"]][-1])
        told.append(max(line["people"]["noor"], key=line["people"]["noor"].get))
    rooms = list(line["people"]["noor"])
    expected = sk.confusion_matrix(where, told, labels=rooms, normalize="true")
    found = [[scores["confusion"].get(a, {}).get(b, 0.0) for b in rooms] for a in rooms]
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-9)


def test_switching_and_timers_from_the_files_alone(files: tuple[dict, list, list, list]) -> None:
    """Minute by minute: on above one half, off below a fifth; the timers from the log's own lines."""
    scores, output, log, truth = files
    samples = [line for line in output if line["kind"] == "occupancy"]
    rule, timers, on = np.zeros(2), np.zeros((7, 2)), dict.fromkeys(samples[0]["rooms"], False)
    latest, still_on, events = {}, {}, iter(log)
    event = next(events)
    for line in samples:
        while event is not None and event["t"] <= line["t"]:
            room = event["sensor"].split("_")[0] if event["sensor"] != "kettle" else "studio"
            if event["sensor"] != "front_contact":
                latest[room] = event["t"]
                still_on[room] = event["t"] + 1800 if event["value"] == "detected" else still_on.get(room, 0)
                still_on[room] = 0 if event["value"] == "clear" else still_on[room]
            event = next(events, None)
        where = {t["person"]: t["room"] for t in truth if t["t"] <= line["t"]}
        for room, p in line["rooms"].items():
            on[room] = p > 0.5 or (on[room] and p >= 0.2)
            there, since = room in where.values(), line["t"] - latest.get(room, -1e9)
            since = 0 if line["t"] < still_on.get(room, 0) else since
            rule += [there and not on[room], on[room] and not there]
            for k, minutes in enumerate((1, 2, 5, 10, 15, 20, 30)):
                timers[k] += [there and since >= 60 * minutes, since < 60 * minutes and not there]
    keys = ("false_off_minutes_per_day", "wasted_minutes_per_day")
    assert [scores["switching"][key] for key in keys] == pytest.approx(rule * 1440 / len(samples), abs=1e-9)
    best = timers[(timers @ [4.0, 1.0]).argmin()] * 1440 / len(samples)
    assert [scores["timer"][key] for key in keys] == pytest.approx(best, abs=1e-9)


def test_directions_from_the_files_alone(files: tuple[dict, list, list, list]) -> None:
    """Each passage has the nearest report of the door within a minute, each report one passage."""
    scores, output, log, truth = files
    door = [(e["t"], e["value"]) for e in log if e["sensor"] == "front_contact"]
    reports = [t for (t, v), (_, u) in zip(door, [(0.0, "closed"), *door], strict=False) if v == "open" or u != "open"]
    moves = [(b["t"], a["room"], b["room"]) for a, b in pairwise(t for t in truth if t["person"] == "noor")]
    last = max(line["t"] for line in output if line["kind"] == "occupancy")
    moves = [move for move in moves if log[0]["t"] <= move[0] <= last]
    near = sorted((abs(t - r), t, r, a, b) for t, a, b in moves for r in reports if {a, b} == {"studio", "away"})
    passages = [line for line in output if line.get("door") == "front" and not line.get("inferred")]
    right, at_once, loss, taken, covered = [], [], [], set(), 0
    for apart, t, time, a, b in near:
        if apart > 60 or {t, time} & taken:
            continue
        taken, covered = taken | {t, time}, covered + 1
        told = [line for line in passages if line["t"] == time]
        at_once.append(max(told[0]["directions"], key=told[0]["directions"].get) == f"{a}>{b}")
        if told[-1]["final"]:
            right.append(max(told[-1]["directions"], key=told[-1]["directions"].get) == f"{a}>{b}")
            loss.append(-math.log(told[-1]["directions"][f"{a}>{b}"]))
    found = scores["direction"]
    assert len(right) >= 8
    assert found["passages"] == len(moves)
    assert [found[key] for key in ("accuracy_at_once", "accuracy", "log_loss", "covered_share")] == pytest.approx(
        [np.mean(at_once), np.mean(right), np.mean(loss), covered / len(moves)], abs=1e-9
    )


def test_json_has_the_keys_of_the_contract_and_no_nan() -> None:
    def refuse(word: str) -> None:
        raise AssertionError(word)

    found = json.loads(evaluate(PLAN, *life()).to_json(), parse_constant=refuse)
    assert found["rooms"].keys() == {"accuracy", "balanced_accuracy", "f1", "brier", "log_loss", "ece"}
    assert found["at_home"].keys() == {"accuracy", "mae", "rps"}
    assert found["people"].keys() == {"accuracy"}
    assert found["direction"].keys() == {
        "passages", "accuracy_at_once", "accuracy", "log_loss", "covered_share", "median_delay_s",
    }  # fmt: skip
    assert found["switching"].keys() == {"false_off_minutes_per_day", "wasted_minutes_per_day"}
    assert found["timer"].keys() == {"false_off_minutes_per_day", "wasted_minutes_per_day", "minutes"}


def test_the_report_names_every_room_and_door() -> None:
    text = report(evaluate(PLAN, *life()))
    for name in ("hall", "den", "yard", "front", "arch", "gate", "2026-03-02 12:01", "UTC"):
        assert name in text
    assert "nan" not in text


def test_the_report_tells_times_as_the_homes_clocks_do() -> None:
    text = report(evaluate(PLAN, *life()), PLAN.zone)
    assert "2026-03-02 13:01" in text
    assert "2026-03-02 12:01" not in text
    assert "Europe/Berlin" in text


def test_the_report_fits_a_hundred_columns() -> None:
    long = {f"a_room_of_many_words_{k}": share for k, share in enumerate((0.4, 0.3, 0.2, 0.1))}
    scores = evaluate(PLAN, *life())
    scores.covered["notes"].append({"line": 7, "text": "word " * 40})
    text = report(replace(scores, confusion=dict.fromkeys(long, long)))
    assert max(map(len, text.splitlines())) <= 100
    assert "a_room_of_many_words_0" in text
    assert text.count("word") > 40


def test_the_report_tells_minutes_to_a_tenth_where_they_are_few() -> None:
    scores = evaluate(PLAN, *life())
    few = replace(scores, switching={"false_off_minutes_per_day": 9.96, "wasted_minutes_per_day": 1234.4})
    assert "Switching  10.0 min a day off with somebody there, 1,234 min a day on with nobody there" in report(few)


def said(scores: Scores) -> list[str]:
    """The notes without their lines."""
    return [note["text"] for note in scores.covered["notes"]]


def test_only_what_both_cover_is_scored() -> None:
    events, lines = life()
    late = [line for line in lines if line.person == "P1"] + truth((1000.0, "P2", "away"))
    scores = evaluate(PLAN, events, sorted(late, key=lambda line: line.time))
    assert scores.covered["from"] == "2026-03-02T12:17:00+00:00"  # the first minute at which both are known
    assert scores.covered["to"] == "2026-03-02T14:01:00+00:00"
    assert scores.direction["passages"] == 3


def test_a_log_that_goes_on_after_its_truth_is_scored_up_to_the_truths_end() -> None:
    events, lines = life()
    longer = [*events, *log((50_000.0, "hall_motion", "detected"), (50_100.0, "hall_motion", "clear"))]
    scores = evaluate(PLAN, longer, lines)
    assert scores.covered["to"] == "2026-03-02T13:40:00+00:00"
    assert said(scores) == ["ends long before the log does; scored up to its last line at 2026-03-02T13:40:25+00:00"]


def test_what_only_one_of_the_two_covers_is_said() -> None:
    events, lines = life()
    longer = [*lines, *truth((20_000.0, "P1", "hall"))]
    notes = said(evaluate(PLAN, events, longer))
    assert notes == ["goes on for 3.5 h after the log; what comes after is not scored"]
    later = [TruthLine(max(line.time, at(5000)), line.person, line.room, line.door) for line in lines]
    notes = said(evaluate(PLAN, events, later))
    assert notes == ["begins 1.4 h after the log; what came before is not scored"]


def test_a_move_through_a_wall_is_said() -> None:
    events, lines = life()
    wrong = [line for line in lines if line.room != "yard"]
    assert said(evaluate(PLAN, events, wrong)) == [
        "P1 goes from away to hall at 2026-03-02T12:00:12+00:00, which no door joins",
        "P1 goes from hall to away at 2026-03-02T13:40:25+00:00, which no door joins",
    ]


def test_nothing_covered_is_an_error_that_says_why() -> None:
    events, lines = life()
    with pytest.raises(LogError, match=r"no instant is covered .* no line by then of P2"):
        evaluate(PLAN, events, [line for line in lines if line.person == "P1"])
    with pytest.raises(LogError, match="no instant is covered"):
        evaluate(PLAN, [], lines)


def test_a_visitor_counts_but_is_nobody_of_the_plan() -> None:
    events, lines = life()
    guest = truth((3000.0, "guest", "den"), (5000.0, "guest", "away"))
    with_guest = evaluate(PLAN, events, sorted([*lines, *guest], key=lambda line: line.time))
    without = evaluate(PLAN, events, lines)
    assert with_guest.people == without.people
    assert with_guest.rooms == without.rooms  # P1 sits in the same room
    assert with_guest.at_home["mae"] > without.at_home["mae"]


def test_a_home_where_nobody_ever_was_is_scored(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A holiday home whose sensors only check in: by its truth, which has no line, it was empty all the time."""
    (tmp_path / "plan.json").write_text(json.dumps({**PLAN_TEXT, "people": {}}), encoding="utf-8")
    events = log(*((3600.0 * hour, "hall_motion", value) for hour in range(24) for value in ("offline", "online")))
    rows = ({"time": e.time.isoformat(), "sensor": e.sensor, "value": e.value} for e in events)
    (tmp_path / "log.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    (tmp_path / "truth.jsonl").touch()
    files = [str(tmp_path / name) for name in ("plan.json", "log.jsonl", "truth.jsonl")]
    assert run(["evaluate", *files, "--json"]) == 0
    scores = json.loads(capsys.readouterr().out)
    assert scores["covered"]["samples"] == 23 * 60
    assert scores["at_home"] == {"accuracy": 1.0, "mae": 0.0, "rps": pytest.approx(0.0, abs=1e-3)}
    assert (scores["rooms"]["accuracy"], scores["people"]["accuracy"]) == (1.0, None)
    assert run(["evaluate", *files]) == 0
    assert "by the truth nobody ever came" in capsys.readouterr().out


def test_memory_does_not_grow_with_the_log() -> None:
    """Truth and log are taken in as they are needed: no line before its time has come, few events ahead of it."""
    taken = []

    def pulled() -> Iterator[Event]:
        for i in range(400):
            taken.append(i)
            yield Event(at(60.0 * i), "hall_motion", "clear" if i % 2 else "detected")

    def lines() -> Iterator[TruthLine]:
        yield from truth((-1.0, "P1", "hall"), (-1.0, "P2", "away"))
        for i in range(400):
            assert i <= len(taken) <= i + 3
            yield TruthLine(at(60.0 * i), "P1", "den" if i % 2 else "hall", None)

    assert evaluate(PLAN, pulled(), lines()).covered["samples"] == 399


def test_the_worst_stretches_are_the_longest() -> None:
    stretches = Stretches(["hall", "den"], 60.0, PLAN.zone)
    seconds = [START.timestamp() + 60.0 * i for i in range(6)]
    probability = np.array([[0.1, 0.9], [0.1, 0.9], [0.9, 0.9], [0.9, 0.1], [0.1, 0.1], [0.1, 0.1]])
    occupied = np.array([[True, True], [True, True], [True, False], [True, False], [False, False], [True, False]])
    for part in (slice(0, 1), slice(1, 6)):
        stretches.add(seconds[part], probability[part], occupied[part])
    first, *rest = stretches.longest()
    assert first == {
        "room": "hall",
        "from": "2026-03-02T13:00:00+01:00",
        "to": "2026-03-02T13:02:00+01:00",
        "minutes": 2.0,
        "told": "empty",
    }
    assert [(s["room"], s["minutes"], s["told"]) for s in rest] == [("den", 1.0, "occupied"), ("hall", 1.0, "empty")]
