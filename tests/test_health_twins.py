"""A second opinion on a silence: against Bayes' rule, from runs that were told what happened."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest

from presence import Event, Floorplan, Tracker
from presence.health import twins
from presence.health.second import DEPENDENT, SCALE, SUPPOSED, SecondOpinion
from presence.health.silence import JOINED, LEAST, SUSPICIOUS, TOGETHER, SilenceWatch
from presence.health.step import Step
from presence.health.tails import ExponentialTails
from presence.health.twins import Twins
from presence.inference import Engine
from presence.record import LOOK_EVERY
from presence.settings import Settings
from tests.oracle import NOON, at, contact, home, motion

ROOMS = {"hall": {}, "bath": {}, "bed": {}}
DOORS = {"front": ["hall", "away"], "b": ["hall", "bath"], "s": ["hall", "bed"]}


def plan() -> Floorplan:
    doors = {name: {"between": between} for name, between in DOORS.items()}
    sensors = {"bath": motion("bath", 20.0), "hall": motion("hall", 20.0), "bed": motion("bed", 20.0)}
    return home(1, rooms=ROOMS, doors=doors, **sensors, front=contact("front"))


def heard(engine: Engine, events: list[Event]) -> Twins:
    """Twins that have listened to a log."""
    found = Twins(engine)
    snapshot = engine.start(NOON.timestamp())
    for event in events:
        snapshot, _ = engine.advance(snapshot, event.seconds)
        snapshot, _ = engine.observe(snapshot, event)
        found.hear(event, snapshot)
    return found


def looked(found: Twins, suspects: list[str]) -> dict[str, float]:
    return dict(found.look(suspects, idle=True))


SAID = [
    at(0, "bath", "detected"),
    at(25, "bath", "clear"),
    at(40, "hall", "detected"),
    at(70, "hall", "clear"),
    at(400, "hall", "detected"),
    at(430, "hall", "clear"),
    at(1000, "hall", "detected"),
    at(1030, "hall", "clear"),
]


def log_likelihood(engine: Engine, events: list[Event]) -> float:
    snapshot = engine.start(NOON.timestamp())
    for event in events:
        snapshot, _ = engine.advance(snapshot, event.seconds)
        snapshot, _ = engine.observe(snapshot, event)
    return snapshot.mixture.log_likelihood


def test_it_is_the_log_probability_of_the_silence_given_what_others_said() -> None:
    """Bayes: p(others, silence) / p(others), from two runs of an engine that keeps every hypothesis."""
    engine = Engine(plan(), Settings(), None)
    ((sensor, nats),) = looked(heard(engine, SAID), ["bath"]).items()
    assert sensor == "bath"
    told = [*SAID[:2], at(25, "bath", "offline"), *SAID[2:]]
    assert nats == pytest.approx(log_likelihood(engine, told) - log_likelihood(engine, SAID), abs=1e-9)
    assert nats > 0.1


def test_a_silence_that_others_bear_out_is_no_wonder() -> None:
    """Who lives alone leaves for half an hour; or is seen in the hall, and half an hour later again."""
    nats = []
    leaving = [*SAID[2:4], at(75, "front", "open"), at(80, "front", "closed")]
    for others in (leaving, SAID[2:4]):
        engine = Engine(plan(), Settings(), None)
        nats += looked(heard(engine, [*SAID[:2], *others, at(1800, "hall", "detected")]), ["bath"]).values()
    assert 0.0 <= nats[0] < nats[1]


def test_only_the_first_suspects_are_looked_at_and_a_piece_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(twins, "MOST", 1)
    monkeypatch.setattr(twins, "PIECE_IDLE", 2)
    found = heard(Engine(plan(), Settings(), 4), SAID)
    suspects = ["bed", "bath", "hall"]  # bed has never spoken, so nothing is known of when it died
    assert [list(looked(found, suspects)) for _ in range(3)] == [[], [], ["bath"]]
    assert list(looked(found, ["hall", "bath"])) == ["hall"]  # nothing has been said since
    assert list(looked(found, ["bath"])) == ["bath"]


def test_a_busy_home_does_not_wait_for_twins() -> None:
    found = heard(Engine(plan(), Settings(), 4), SAID)
    answers = [dict(found.look(["bath"], idle=False)) for _ in range(6)]
    assert [list(answer) for answer in answers] == [[], [], [], [], [], ["bath"]]  # one event at a time


def test_what_a_twin_may_need_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(twins, "LARGEST", 4)
    found = heard(Engine(plan(), Settings(), 4), SAID)
    assert len(found._log) == 4
    assert looked(found, ["bath"]) == {}  # its last word is forgotten
    assert list(found._last) == ["hall"]
    far = at(twins.HOLE - 100.0, "hall", "detected")
    farther = at(twins.HOLE + 2000.0, "hall", "clear")
    assert len(heard(Engine(plan(), Settings(), 4), [*SAID, far, farther])._log) == 4
    monkeypatch.setattr(twins, "KEPT", 3600.0)
    assert len(heard(Engine(plan(), Settings(), 4), [*SAID, far])._log) == 1
    monkeypatch.setattr(twins, "LARGEST", 20)
    for seconds, kept in ((3600.0, 9), (3601.0, 8), (3665.0, 6), (4100.0, 3)):
        assert len(heard(Engine(plan(), Settings(), 4), [*SAID, at(seconds, "bed", "detected")])._log) == kept


def test_a_twin_that_has_fallen_behind_what_is_kept_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing that it has not taken in may be missing."""
    monkeypatch.setattr(twins, "LARGEST", 6)
    engine = Engine(plan(), Settings(), 4)
    for more, given_up in ((3, False), (4, True)):
        found, snapshot = Twins(engine), engine.start(NOON.timestamp())
        for n, event in enumerate(
            [*SAID[:6], *(at(500.0 + n, "hall", ("detected", "clear")[n % 2]) for n in range(more))]
        ):
            snapshot, _ = engine.advance(snapshot, event.seconds)
            snapshot, _ = engine.observe(snapshot, event)
            found.hear(event, snapshot)
            if n == 5:
                assert dict(found.look(["bath"], idle=False)) == {}  # one of four
        assert list(looked(found, ["bath"])) == ([] if given_up else ["bath"])


def test_who_has_spoken_is_given_another_twin() -> None:
    engine = Engine(plan(), Settings(), None)
    found, snapshot = Twins(engine), engine.start(NOON.timestamp())
    nats = []
    said = [*SAID, at(1200, "bath", "detected"), at(1230, "bath", "clear"), at(1300, "hall", "detected")]
    for event in said:
        snapshot, _ = engine.advance(snapshot, event.seconds)
        snapshot, _ = engine.observe(snapshot, event)
        found.hear(event, snapshot)
        nats.append(looked(found, ["bath"])["bath"])
    assert nats[7] > 0.1
    assert nats[8] == nats[9] == 0.0
    told = [*said[:10], at(1230, "bath", "offline"), said[10]]
    assert nats[10] == pytest.approx(log_likelihood(engine, told) - log_likelihood(engine, said), abs=1e-9)
    kept = len(found._log)
    found.hear(None, snapshot)  # a look at the sensors that changes nobody's mind
    assert len(found._log) == kept
    for _ in range(2):
        found.hear(None, engine.heed(snapshot, frozenset({"bed"}), {}))
    assert len(found._log) == kept + 1


def test_a_hole_in_the_log_is_no_silence_of_one_sensor() -> None:
    found = heard(Engine(plan(), Settings(), 4), [*SAID, at(twins.HOLE + 2000.0, "hall", "detected")])
    assert looked(found, ["bath"]) == {}


def test_a_twin_doubts_whom_the_belief_doubts() -> None:
    """Of two dead sensors the second gets its opinion, too, once the first is not believed; so beside a chatterer."""
    engine = Engine(plan(), Settings(), None)

    def run(dead: frozenset[str], found: Twins | None = None) -> float:
        snapshot = engine.start(NOON.timestamp())
        for n, event in enumerate(SAID):
            snapshot, _ = engine.advance(snapshot, event.seconds)
            snapshot = engine.heed(snapshot, snapshot.silent | ({"bed"} if n == 5 else set()), snapshot.noise)
            snapshot, _ = engine.observe(snapshot, event)
            if found is not None:
                found.hear(event, snapshot)
            if n == 1:
                snapshot = engine.heed(snapshot, dead, snapshot.noise)
            if n == 5:  # in the midst of a silence
                snapshot, _ = engine.advance(snapshot, event.seconds + 100.0)
                snapshot = engine.heed(snapshot, snapshot.silent | {"hall"}, {"hall": 0.01})
                if found is not None:
                    found.hear(None, snapshot)
        return snapshot.mixture.log_likelihood

    found = Twins(engine)
    silence = run(frozenset(), found)
    assert looked(found, ["bath"])["bath"] == pytest.approx(run(frozenset({"bath"})) - silence, abs=1e-9)


def test_the_tail_is_the_predictive_law_of_an_exponential_with_an_unknown_mean() -> None:
    """Numerical integral over the Gamma posterior of the rate, with values seen and supposed."""
    tails, seen = ExponentialTails(2, 5.0, 6.0), [3.0, 11.0, 0.0]
    for value in seen:
        tails.learn(1, value)
    rate = np.linspace(1e-6, 3.0, 300_001)
    for row, values in ((0, []), (1, seen)):
        k, t = 6.0 + len(values), 30.0 + sum(values)
        density = rate ** (k - 1.0) * np.exp(-t * rate)
        expected = np.trapezoid(density * np.exp(-20.0 * rate), rate) / np.trapezoid(density, rate)
        assert math.exp(tails.log_survival(np.full(2, 20.0))[row]) == pytest.approx(expected, rel=1e-6)
    assert tails.largest.tolist() == [0.0, 11.0]


def test_opinions_are_read_against_the_record_of_the_sensor() -> None:
    """A sensor whose silences have often seemed strange must be silent more strangely to be suspect."""
    second = SecondOpinion(3)
    assert np.isneginf(second.evidence()).all()  # nobody has looked
    second.take(0, 30.0)
    assert second.evidence()[0] == pytest.approx(SUPPOSED * math.log1p(30.0 / (SUPPOSED * SCALE)) - DEPENDENT, rel=1e-9)
    for _ in range(10):
        second.take(1, 30.0)
        second.take(1, 12.0)  # the furthest counts
        second.end(1)
    assert np.isneginf(second.evidence()[1])
    second.end(1)  # nobody has looked at that one
    second.take(1, 30.0)
    count, total = SUPPOSED + 10.0, SUPPOSED * SCALE + 300.0
    assert second.evidence()[1] == pytest.approx(count * math.log1p(30.0 / total) - DEPENDENT, rel=1e-9)
    assert second.evidence()[1] < 1.0 < second.evidence()[0]
    before = second.evidence()[0]
    second.forgive(0)
    second.take(0, 30.0)
    assert second.evidence()[0] == before  # nothing was learned
    assert np.isneginf(second.evidence()[2])
    second.take(2, -3.0)  # likelier than what the belief has foretold
    assert second.evidence()[2] == -DEPENDENT
    assert "once in 1,000,000 times" in second.said(0)
    assert "nothing unusual" in second.said(0)


def test_the_suspect_is_looked_at_and_the_belief_is_not_touched() -> None:
    """Somebody goes to and fro between hall and bath for eight days; then the bath says nothing any more."""
    tracker, unwatched = Tracker(plan(), hypotheses=4), Tracker(plan(), hypotheses=4, watching=False)
    seconds = 0.0
    for n in range(214):
        for room in ("hall", "bath") if n < 200 else ("hall",):
            for each in (tracker, unwatched):
                each.observe(at(seconds, room, "detected"))
                each.observe(at(seconds + 25.0, room, "clear"))
            seconds += 60.0
        for _ in range(2):
            seconds += 1600.0
            for each in (tracker, unwatched):
                each.advance(NOON + timedelta(seconds=seconds))
    watches = tracker.health.watches
    assert watches is not None
    assert not tracker.health.findings
    assert "bath" in watches.suspects
    looked_at = dict(zip(watches.silence.sensors, ~np.isneginf(watches.silence._second.evidence()), strict=True))
    assert looked_at == {"bath": True, "hall": False, "bed": False, "front": False}  # the last two never said a word
    assert tracker.belief.rooms == pytest.approx(unwatched.belief.rooms, rel=0, abs=1e-12)
    assert tracker.belief.at_home == pytest.approx(unwatched.belief.at_home, rel=0, abs=1e-12)
    assert tracker.log_likelihood == pytest.approx(unwatched.log_likelihood, rel=1e-12)


def test_a_second_opinion_joins_the_odds_and_names() -> None:
    watch = SilenceWatch(plan(), 0.0)
    bath = watch.index["bath"]
    expected = np.zeros(len(watch.sensors))
    for hour in range(24 * 8):
        watch.take(Step(3600.0 * hour, expected, expected, "bath", "detected"))
        watch.take(Step(3600.0 * hour + 60.0, expected, expected, "bath", "clear"))
        watch.weigh(3600.0 * hour + 300.0)
    assert "bath" not in watch.suspects()
    expected[bath] = 20.0
    began = watch.heard[bath]
    watch.take(Step(began + 7200.0, expected, np.zeros_like(expected)))
    watch.weigh(began + 7200.0)
    odds = float(watch.log_odds[bath])
    assert SUSPICIOUS < odds < LEAST[TOGETHER]
    assert watch.suspects()[0] == "bath"
    assert not watch.named
    watch.look([("bath", 200.0)])
    watch.weigh(began + 7200.0)
    joined = odds + SUPPOSED * math.log1p(200.0 / (SUPPOSED * SCALE)) - DEPENDENT
    assert watch.odds_to_name[bath] == pytest.approx(joined, rel=1e-9)
    assert joined > LEAST[JOINED]
    assert list(watch.named) == ["bath"]
    assert "bath" not in watch.suspects()
    assert "a healthy sensor would have kept silent less than once in 1,000,000 times" in watch.named["bath"].evidence
    assert watch.named["bath"].probability == pytest.approx(1.0 / (1.0 + math.exp(-joined)), rel=1e-6)
    watch.take(Step(began + 7300.0, expected, np.zeros_like(expected), "bath", "detected"))
    assert not watch.named
    assert np.isneginf(watch.odds_to_name[bath])


@pytest.mark.parametrize(
    ("days", "doubtful", "excused", "less"),
    [
        (8, False, False, 0.0),
        (8, False, True, 0.0),
        (6, False, False, 4.5),
        (8, True, False, 4.5),
        (6, True, False, 4.5),
        (8, True, True, math.inf),
    ],
)
def test_more_is_asked_for_in_the_first_week_and_beside_a_chatterer(
    days: int, doubtful: bool, excused: bool, less: float
) -> None:
    """4.5 nats more, once; and nothing is made of the silence of the chatterer's own neighbours."""
    watch = SilenceWatch(plan(), 0.0)
    bath, expected = watch.index["bath"], np.zeros(len(watch.sensors))
    for hour in range(24 * days):
        for late, value in ((0.0, "detected"), (60.0, "clear")):
            watch.take(Step(3600.0 * hour + late, expected, expected, "bath", value))
        watch.weigh(3600.0 * hour + 300.0)
    expected[bath] = 20.0
    now = float(watch.heard[bath]) + 7200.0
    watch.take(Step(now, expected, np.zeros_like(expected)))
    watch.look([("bath", 200.0)])
    watch.weigh(now, doubtful=doubtful, excused=[bath] if excused else ())
    joined = float(watch.log_odds[bath]) + SUPPOSED * math.log1p(200.0 / (SUPPOSED * SCALE)) - DEPENDENT
    assert watch.odds_to_name[bath] == pytest.approx(joined - less, rel=1e-9)
    assert list(watch.named) == (["bath"] if joined - less > 4.5 else [])


def test_how_often_anybody_asks_changes_nothing() -> None:
    """`advance(t1); advance(t2)` equals `advance(t2)` for the health of the sensors, too.

    Hall and bath are walked to and fro for eight days, then the bath says nothing any more, and in the end it is named.
    """
    seldom, often = Tracker(plan(), hypotheses=4), Tracker(plan(), hypotheses=4)
    rng, seconds, looked_at = np.random.default_rng(5), 7.0, 0
    for n in range(216):
        said = []
        for i, room in enumerate(("hall", "bath") if n < 200 else ("hall", "front", "hall")):
            values = ("open", "closed") if room == "front" else ("detected", "clear")
            said += [at(seconds + 60.0 * i + 25.0 * off, room, value) for off, value in enumerate(values)]
        for event in said:
            seldom.observe(event)
            often.observe(event)
        look = (seconds // LOOK_EVERY + 3.0) * LOOK_EVERY - seconds
        for more in sorted([look, *rng.uniform(205.0, 3399.0, 6)]):
            often.advance(NOON + timedelta(seconds=seconds + float(more)))
        seconds = 3400.0 * (n + 1) + 7.0
        for tracker in (seldom, often):
            tracker.advance(NOON + timedelta(seconds=seconds - 1.0))
        watches = [tracker.health.watches for tracker in (seldom, often)]
        odds = [watch.silence.odds_to_name for watch in watches if watch is not None]
        assert odds[0] == pytest.approx(odds[1], rel=1e-9, abs=1e-9)
        looked_at += any("bath" in watch.suspects for watch in watches if watch is not None)
    assert looked_at > 3
    assert seldom.belief.rooms == pytest.approx(often.belief.rooms, rel=0, abs=1e-9)
    assert seldom.belief.at_home == pytest.approx(often.belief.at_home, rel=0, abs=1e-9)
    (one,), (other,) = seldom.health.findings, often.health.findings
    assert one.sensor == "bath"
    assert (other.sensor, other.kind, other.since, other.evidence) == (one.sensor, one.kind, one.since, one.evidence)
    assert other.probability == pytest.approx(one.probability, rel=1e-9)
