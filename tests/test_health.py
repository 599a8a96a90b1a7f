"""Sick sensors in simulated homes: named with their evidence, doubted by the tracker, and believed again."""

from __future__ import annotations

import json
import pickle
from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from functools import cache
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from benchmarks import faults
from benchmarks.watching import follow, watch
from presence import Event, Floorplan, Tracker, cli
from presence.events import reorder
from presence.floorplan import VALUES
from presence.health import MEANING, Finding
from presence.health.chatter import ChatterWatch
from presence.health.contacts import ContactWatch
from presence.health.monitor import HOLE, Watches
from presence.health.report import text, to_json
from presence.health.review import review
from presence.health.silence import OWED
from presence.health.step import Step
from presence.health.timing import TimingWatch
from presence.health.wear import WearWatch
from presence.inference import Engine
from presence.settings import Settings
from presence.simulate import simulate, write
from tests.oracle import NOON, at, contact, home, motion

PLANS = Path(__file__).parents[1] / "floorplans"
DIES = 4.3
"""Day on which the studio's sensor dies."""


@cache
def flat() -> Floorplan:
    return Floorplan.load(PLANS / "one_room_flat.yaml")


@cache
def garage() -> Floorplan:
    return Floorplan.load(PLANS / "two_storey_garage.yaml")


@cache
def lived(name: str, days: int) -> list[Event]:
    return list(reorder(simulate({"flat": flat, "garage": garage}[name](), days=days, seed=31).log))


def look(watch: ChatterWatch | WearWatch | ContactWatch | TimingWatch, log: Iterable[Event]) -> dict[str, Finding]:
    """All that a watch names on the way; it needs no tracker, for it looks at the log alone."""
    nothing, named, weighed = np.zeros(0), {}, 0.0
    for event in log:
        if isinstance(watch, ChatterWatch) and event.seconds >= weighed + 60.0:
            watch.weigh(event.seconds)
            weighed = event.seconds
        watch.take(Step(event.seconds, nothing, nothing, event.sensor, event.value))
        named |= watch.named
    return named


@cache
def after_death() -> tuple[Tracker, list[Event]]:
    """A tracker 30 hours after the studio's sensor died, and what the sensor would have said from then on."""
    log = lived("flat", 6)
    died = faults.midnight(log, DIES)
    tracker = Tracker(flat(), hypotheses=4)
    for _ in follow(tracker, faults.die(log, "studio_motion", died), died.timestamp() + 30 * 3600.0):
        pass
    return tracker, [e for e in log if e.time > died + timedelta(hours=30)]


# --- silence ----------------------------------------------------------------------------------------------------------
def test_a_dead_sensor_is_named_since_its_last_report_and_no_other() -> None:
    tracker, _ = after_death()
    (finding,) = tracker.health.findings
    own = [
        e for e in faults.reports(lived("flat", 6), "studio_motion") if e.time < faults.midnight(lived("flat", 6), DIES)
    ]
    assert (finding.sensor, finding.since) == ("studio_motion", own[-1].time)
    assert finding.kind in ("dead", "stuck")
    assert 0.99 < finding.probability < 1.0
    assert finding.until is None
    assert f"Its last word was {own[-1].value}" in finding.evidence
    assert tracker.health.over == ()


def test_the_tracker_treats_it_as_if_told_and_believes_it_again_when_it_is_back() -> None:
    tracker: Tracker = pickle.loads(pickle.dumps(after_death()[0]))
    assert ("blind", "studio_motion") in tracker._known().conditions
    back = next(e for e in after_death()[1] if e.sensor == "studio_motion" and e.value == "detected")
    tracker.observe(back)
    assert tracker.association is not None
    assert tracker.association.sensor == "studio_motion"
    assert ("blind", "studio_motion") in tracker._known().conditions  # because it is on, not because it is doubted
    assert tracker.health.silent == frozenset()
    tracker.advance(back.time + timedelta(seconds=10))
    assert tracker.health.findings == ()
    (over,) = tracker.health.over
    assert (over.sensor, over.until) == ("studio_motion", back.time)


def test_doubting_is_the_same_as_being_told_offline() -> None:
    plan = home(2, hall_motion=motion("hall"), bed_motion=motion("bed"), front=contact("front"))
    engine = Engine(plan, Settings(), 16)
    start, _ = engine.observe(engine.start(NOON.timestamp()), at(0, "hall_motion", "detected"))
    for sensor in plan.sensors:
        told, _ = engine.observe(start, at(0, sensor, "offline"))
        doubted = engine.heed(start, frozenset({sensor}), {})
        later = [engine.advance(s, NOON.timestamp() + 900.0)[0] for s in (told, doubted)]
        assert engine.belief(later[0]) == engine.belief(later[1])
        again = engine.heed(doubted, frozenset(), {})
        assert again.conditions == engine.observe(told, at(0, sensor, "online"))[0].conditions


@cache
def eight_days() -> bytes:
    """Who has watched over the garage house's log alone for a week and a morning."""
    log = lived("garage", 9)
    watches = Watches(garage(), log[0].seconds)
    named = [found for _, found in watch(watches, log, faults.midnight(log, 7.3).timestamp()) if found]
    assert named == []
    return pickle.dumps(watches)


@pytest.mark.parametrize(("fault", "sensor"), [("dead", "kitchen_motion"), ("stuck", "hall_motion")])
def test_a_busy_sensor_that_falls_silent_is_named_within_a_day_by_the_log_alone(fault: str, sensor: str) -> None:
    log = lived("garage", 9)
    ill = faults.midnight(log, 7.3)
    sick = {"dead": faults.die, "stuck": faults.stick}[fault](log, sensor, ill)
    later = watch(pickle.loads(eight_days()), (e for e in sick if e.time >= ill), ill.timestamp() + 86400.0)
    finding = next(found for _, found in later if found)[0]
    assert (finding.sensor, finding.kind) == (sensor, fault)
    assert finding.probability > 0.98
    assert "it would usually have spoken about" in finding.evidence
    assert {f.sensor for _, found in later for f in found} == {sensor}


def test_a_chattering_sensor_gets_nobody_else_blamed() -> None:
    log = lived("garage", 9)
    ill = faults.midnight(log, 7.3)
    sick = faults.chatter(log, "garage_utility_contact", ill, np.random.default_rng(3))
    later = watch(pickle.loads(eight_days()), (e for e in sick if e.time >= ill), ill.timestamp() + 86400.0)
    assert {(f.sensor, f.kind) for _, found in later for f in found} == {("garage_utility_contact", "chattering")}


def test_a_tracker_that_is_not_to_watch_does_not() -> None:
    tracker = Tracker(home(1, hall_motion=motion("hall"), bed_motion=motion("bed")), watching=False)
    tracker.observe(at(0, "hall_motion", "detected"))
    assert tracker._heed(tracker._known()) is tracker._known()


def test_healthy_homes_get_no_finding() -> None:
    found = review(flat(), lived("flat", 6), hypotheses=2)
    assert (found.findings, found.over) == ((), ())
    assert "No sensor looks sick." in text(found, flat())
    assert found.begin is not None
    for days, said in ((6.9, True), (7.1, False)):
        lasting = replace(found, end=found.begin + timedelta(days=days))
        assert ("only clear cases" in text(lasting, flat())) == said


def test_a_review_tells_each_finding_once_however_many_there_were() -> None:
    """A contact that is the wrong way round for some hours and right for the next, 25 times over."""
    turned = [("open", 3600.0), ("closed", 15.0)]
    right = [("open", 15.0), ("closed", 3600.0)]
    seconds, log = 0.0, []
    for value, lasting in [*turned, *(2 * turned + 2 * right) * 25, *right]:
        log.append(at(seconds, "front_contact", value))
        seconds += lasting
    found = review(home(1, front_contact=contact("front")), log, hypotheses=1)
    assert (found.begin, found.end, found.events) == (log[0].time, log[-1].time, len(log))
    assert {(f.sensor, f.kind) for f in found.over} == {("front_contact", "inverted")}
    assert len(found.over) == len({f.until for f in found.over}) == 25
    assert [f.until for f in found.over if f.until] == sorted(f.until for f in found.over if f.until)


def test_a_contact_that_is_exchanged_and_wrong_besides_is_listed_for_both(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the other of the pair stood there alone, exchanged with nobody."""
    since, why = at(0.0, "front_contact", "open").time, "heard behind the other's door"
    pair = [Finding(sensor, "misplaced", 0.9, since, why) for sensor in ("front_contact", "back_contact")]
    monkeypatch.setattr("presence.health.review.exchanged_contacts", lambda *_: pair)
    turned = [(3615.0 * n + late, value) for n in range(12) for late, value in ((0.0, "open"), (3600.0, "closed"))]
    plan = home(1, front_contact=contact("front"), back_contact=contact("back"))
    found = review(plan, [at(seconds, "front_contact", value) for seconds, value in turned], hypotheses=1)
    said = {(finding.sensor, finding.kind) for finding in found.findings}
    assert said == {("front_contact", "inverted"), ("front_contact", "misplaced"), ("back_contact", "misplaced")}


def test_a_hole_in_the_log_blames_nobody() -> None:
    log = lived("flat", 4)
    week = timedelta(days=7)
    broken = [e if e.time < log[0].time + timedelta(days=2.5) else Event(e.time + week, e.sensor, e.value) for e in log]
    found = review(flat(), broken, hypotheses=3)
    assert (found.findings, found.over) == ((), ())
    watches = Watches(flat(), 0.0)
    owed = np.full(len(flat().sensors), 50.0)
    watches.take(Step(HOLE + 1.0, owed, owed, "kettle", "started"))
    assert watches.silence._reach[OWED].max() == 0.0


def test_offline_sensors_are_not_called_dead() -> None:
    watches, nothing = Watches(flat(), 0.0), np.zeros(4)
    for n in range(1, 300):  # a record of ordinary gaps
        spoke = ["studio_motion", "bathroom_motion"][n % 2]
        watches.take(Step(60.0 * n, np.full(4, 1.0), nothing, spoke, ["detected", "clear"][n // 2 % 2]))
    watches.take(Step(18000.0, nothing, nothing, "studio_motion", "offline"))
    for n in range(301, 600):
        watches.take(Step(60.0 * n, np.full(4, 1.0), nothing, "kettle", "stopped"))
    assert "studio_motion" not in watches.findings()
    assert watches.findings()["bathroom_motion"].kind in ("dead", "stuck")


def test_who_came_back_and_then_died_is_not_said_to_have_been_silent_always() -> None:
    watches, nothing = Watches(flat(), 0.0), np.zeros(4)
    for n in range(1, 300):
        spoke = ["studio_motion", "bathroom_motion"][n % 2]
        watches.take(Step(60.0 * n, np.full(4, 1.0), nothing, spoke, ["detected", "clear"][n // 2 % 2]))
    for value in ("offline", "online"):
        watches.take(Step(18000.0, nothing, nothing, "studio_motion", value))
    for n in range(301, 600):
        watches.take(Step(60.0 * n, np.full(4, 1.0), nothing, "kettle", "stopped"))
    assert watches.findings()["studio_motion"].evidence.startswith("Its last word was online")
    assert watches.findings()["bathroom_motion"].evidence.startswith("Its last word was clear")


def test_late_events_change_nothing_but_their_order() -> None:
    plan = home(1, hall_motion=motion("hall", 20.0), bed_motion=motion("bed", 20.0))
    said = [("hall_motion", "detected"), ("bed_motion", "detected"), ("hall_motion", "clear"), ("bed_motion", "clear")]
    events = [at(7.0 * n, *said[n % 4]) for n in range(40)]
    ordered, late = Tracker(plan, reordering_window=30.0), Tracker(plan, reordering_window=30.0)
    for event in events:
        ordered.observe(event)
    for n in range(0, len(events), 2):
        late.observe(events[n + 1])
        late.observe(events[n])
    for tracker in (ordered, late):
        tracker.advance(NOON + timedelta(seconds=400))
    (one, other) = (t.health.watches.silence._reach for t in (ordered, late))  # type: ignore[union-attr]
    np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-12)


def test_asking_often_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Steps are put off while somebody waits, but never if whom the belief doubts may depend on them."""
    monkeypatch.setattr("presence.health.silence.NAMED", -8.0)  # named within minutes, and doubted until heard again
    kettle = {"kind": "power", "room": "bed"}
    plan = home(1, hall_motion=motion("hall", 20.0), bed_motion=motion("bed", 20.0), kettle=kettle)
    said = [("hall_motion", "detected"), ("kettle", "started"), ("hall_motion", "detected"), ("bed_motion", "detected")]
    brief = Settings(hold_expiry=20.0)  # no off message is ever told
    asked, left, named = Tracker(plan, brief), Tracker(plan, brief), 0
    for n in range(200):
        for tracker in (asked, left):
            tracker.observe(at(40.0 * n, *said[n % (4 if n % 100 < 10 else 3)]))
        named += len(asked.health.findings)
        assert asked.log_likelihood == left.log_likelihood
    (one, other) = (t.health.watches.silence for t in (asked, left))  # type: ignore[union-attr]
    np.testing.assert_array_equal(one._reach, other._reach)
    np.testing.assert_array_equal(one.odds_to_name, other.odds_to_name)
    assert 0 < named < 200


# --- chatter ----------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("sensor", ["kitchen_motion", "front_contact"])
def test_a_chattering_sensor_is_named_within_a_day(sensor: str) -> None:
    log = lived("garage", 9)
    ill = faults.midnight(log, 7.3)
    watch = ChatterWatch(garage(), log[0].seconds)
    assert look(watch, log) == {}
    sick = faults.chatter(log, sensor, ill, np.random.default_rng(1))
    watch = ChatterWatch(garage(), log[0].seconds)
    named = look(watch, [e for e in sick if e.time < ill + timedelta(days=1)])
    assert list(named) == [sensor]
    assert 10.0 / 3600.0 < watch.rates()[sensor] < 40.0 / 3600.0  # 20 an hour were added
    assert named[sensor].since > ill - timedelta(hours=3)


@pytest.mark.parametrize(
    ("kind", "named"), [("pressure", True), ("power", True), ("motion", False), ("occupancy", False), ("camera", False)]
)
def test_bursts_give_a_mat_away_but_nothing_that_looks_into_a_room(kind: str, named: bool) -> None:
    """Twenty reports in two minutes, each hour: people tidy up, but nobody gets up and lies down so often."""
    sensor, (on, off) = "bed_sensor", VALUES[kind][:2]
    plan = home(1, bed_sensor={**motion("bed", 2.0), "kind": kind})
    usual = [86400.0 * day + 3600.0 * hour for day in range(10) for hour in (1, 9, 11, 14, 20)]
    bursts = [86400.0 * 10 + 3600.0 * hour + 6.0 * n for hour in range(24) for n in range(20)]
    log = [at(time + late, sensor, value) for time in [*usual, *bursts] for late, value in ((0.0, on), (3.0, off))]
    assert (sensor in look(ChatterWatch(plan, NOON.timestamp()), log)) == named


def test_reports_of_a_chattering_sensor_weigh_less() -> None:
    plan = home(2, hall_motion=motion("hall"), bed_motion=motion("bed"))
    engine = Engine(plan, Settings(), 16)
    start, _ = engine.advance(engine.start(NOON.timestamp()), NOON.timestamp() + 3600.0)
    event = at(3600, "bed_motion", "detected")
    nobody = []
    for rate in (0.0, 1 / 600, 1 / 60):
        after, _ = engine.observe(engine.heed(start, frozenset(), {"bed_motion": rate}), event)
        assert after.association is not None
        nobody.append(after.association.nobody)
    assert nobody == sorted(nobody)
    assert nobody[0] < 0.25 < 0.5 < nobody[2]


# --- wear, contacts, clocks, places -----------------------------------------------------------------------------------
def test_a_fading_battery_is_named_and_healthy_ones_are_not() -> None:
    log = lived("garage", 9)
    assert look(WearWatch(garage(), log[0].seconds), log) == {}
    fading = faults.fade(log, "hall_motion", faults.midnight(log, 5), 6, np.random.default_rng(1))
    named = look(WearWatch(garage(), log[0].seconds), fading)
    assert [(s, f.kind) for s, f in named.items()] == [("hall_motion", "fading")]


@pytest.mark.parametrize("sensor", ["front_contact", "overhead_contact"])
def test_a_contact_of_an_outer_door_that_is_the_wrong_way_round_is_named(sensor: str) -> None:
    log = lived("garage", 9)
    assert look(ContactWatch(garage()), log) == {}
    named = look(ContactWatch(garage()), faults.invert(log, sensor))
    assert [(s, f.kind) for s, f in named.items()] == [(sensor, "inverted")]


def test_a_clock_an_hour_behind_and_exchanged_labels_are_named() -> None:
    log = lived("garage", 9)
    assert look(TimingWatch(garage(), log[0].seconds), log) == {}
    behind = look(TimingWatch(garage(), log[0].seconds), faults.shift_clock(log, "hall_motion", -3600.0))
    assert behind["hall_motion"].kind == "clock"
    assert "60 min behind" in behind["hall_motion"].evidence
    swapped = look(TimingWatch(garage(), log[0].seconds), faults.swap(log, "kitchen_motion", "main_bedroom_motion"))
    assert swapped["kitchen_motion"].kind == swapped["main_bedroom_motion"].kind == "misplaced"
    assert "main_bedroom_motion" in swapped["kitchen_motion"].evidence


# --- words and command ------------------------------------------------------------------------------------------------
def test_findings_read_well_and_come_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    simulation = simulate(flat(), days=2, seed=32)
    simulation.log[:] = faults.invert(simulation.log, "front_contact")
    write(simulation, tmp_path)
    arguments = ["health", str(PLANS / "one_room_flat.yaml"), str(tmp_path / "log.jsonl"), "--hypotheses", "2"]
    assert cli.run([*arguments, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    (finding,) = told["findings"]
    assert finding["sensor"] == "front_contact"
    assert finding["meaning"] == MEANING["inverted"]
    assert finding["until"] is None
    assert told["events"] == len(simulation.log)
    assert cli.run(arguments) == 0
    page = capsys.readouterr().out
    assert "front_contact  says open for closed and closed for open (inverted, probability 0.99" in page
    assert max(map(len, page.splitlines())) <= 110


@pytest.mark.parametrize(("off", "said"), [(-1200.0, "20 min behind"), (5.5 * 3600.0, "5 h 30 min ahead")])
def test_the_command_names_a_clock_by_which_lines_are_out_of_order(
    off: float, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A log has its lines in the order in which they came: none is left out for a wrong time."""
    rng, rooms = np.random.default_rng(5), ("hall", "study", "den", "loft")
    ends = {"front": ("hall", "away")} | {f"{a}_{b}": (a, b) for a, b in combinations(rooms, 2)}
    mapping = {
        "name": "each beside each",
        "time_zone": "UTC",
        "rooms": {room: {} for room in rooms},
        "doors": {door: {"between": list(between), "leaf": "none"} for door, between in ends.items()},
        "sensors": {f"{room}_motion": motion(room) for room in rooms},
        "people": {"P1": {}},
        "visitors": 0,
    }
    plan, log = tmp_path / "plan.json", tmp_path / "log.jsonl"
    plan.write_text(json.dumps(mapping), encoding="utf-8")
    lines = []
    for start in np.sort(rng.uniform(0.0, 1.9 * 86400.0, 70)):
        for n, room in enumerate(rooms):
            wrong = off if room == "study" else 0.0
            lines += [at(start + 4.0 * n + wrong, f"{room}_motion", "detected")]
            lines += [at(start + 4.0 * n + 10.0 + wrong, f"{room}_motion", "clear")]
    told = ({"time": line.time.isoformat(), "sensor": line.sensor, "value": line.value} for line in lines)
    log.write_text("".join(json.dumps(each) + "\n" for each in told), encoding="utf-8")
    assert cli.run(["health", str(plan), str(log), "--json", "--hypotheses", "2"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["events"] == len(lines)
    (clock,) = [finding for finding in found["findings"] if finding["kind"] == "clock"]
    assert clock["sensor"] == "study_motion"
    assert said in clock["evidence"]


def test_the_command_names_what_is_wrong_with_its_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    empty, bad = tmp_path / "empty.jsonl", tmp_path / "bad.jsonl"
    empty.write_text("", encoding="utf-8")
    bad.write_text('{"time": "2026-03-01T12:00:00+00:00", "sensor": "attic", "value": "detected"}\n', encoding="utf-8")
    plan = str(PLANS / "one_room_flat.yaml")
    assert cli.run(["health", plan, str(empty)]) == 2
    assert "The log is empty" in capsys.readouterr().out
    assert cli.run(["health", plan, str(bad)]) == 2
    assert f"{bad}:1:" in capsys.readouterr().err
    assert json.loads(to_json(review(flat(), [])))["findings"] == []
