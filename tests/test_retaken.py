"""A motion sensor that goes off saw its last movement a hold ago: what that says of who was where since."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from scipy.linalg import expm

from benchmarks.exact.dense import DenseModel
from presence import Floorplan, Settings, Tracker
from presence.inference import Engine
from presence.retaken import LiveEngine
from tests.oracle import at, contact, home, motion, time_at

Report = tuple[float, str, str]
HOLD = 60.0


def flat(people: int = 1, bath: Mapping[str, Any] | None = None, **more: Any) -> Floorplan:
    """A studio and a bathroom, joined by a door without a sensor."""
    doors = {"front": {"between": ["studio", "away"]}, "bath_door": {"between": ["studio", "bath"]}}
    sensors = {"studio_motion": motion("studio", HOLD), "bath_motion": motion("bath", HOLD)}
    return home(people, rooms={"studio": {"rest": True}, "bath": bath or {}}, doors=doors, **sensors, **more)


def evening(sensor: str = "bath_motion", lasting: float = HOLD) -> list[Report]:
    """Six times somebody stirs in one room, whose sensor stays on for so long each time."""
    return [
        (-1800.0 + n * 200.0 + k * lasting, sensor, v) for n in range(6) for k, v in enumerate(("detected", "clear"))
    ]


def visit(clear: float) -> list[Report]:
    """Into the bathroom and back to the studio, where somebody is seen on and on."""
    return [
        (0.0, "bath_motion", "detected"),
        (22.0, "studio_motion", "detected"),
        (clear, "bath_motion", "clear"),
    ]


def followed(
    plan: Floorplan, reports: list[Report], engine: type[Engine] = LiveEngine, **options: int | None
) -> Tracker:
    """A tracker that has heard some reports."""
    tracker = Tracker(plan, watching=False, **options)  # type: ignore[arg-type]
    tracker._engine = engine(plan, Settings(), tracker._engine.most, numbering=True)  # type: ignore[assignment]
    for seconds, sensor, value in reports:
        tracker.observe(at(10_000.0 + seconds, sensor, value))
    return tracker


def in_bath(reports: list[Report], engine: type[Engine] = LiveEngine, **options: int | None) -> float:
    """The probability that somebody is in the bathroom after these reports."""
    return followed(flat(), reports, engine, **options).belief.rooms["bath"]


def test_who_has_gone_back_is_not_believed_where_nothing_moved_for_a_hold() -> None:
    """Last seen in the bathroom 15 s after they went in, and 7 s before they were seen in the studio."""
    assert in_bath(evening() + visit(clear=HOLD + 15.0)) < 0.1 < in_bath(evening() + visit(clear=HOLD + 15.0), Engine)


def test_who_was_seen_there_after_they_were_seen_elsewhere_has_come_back() -> None:
    """Last seen in the bathroom 8 or 28 s after they were seen in the studio, not 7 s before."""
    before, after, later = (in_bath(evening() + visit(clear=HOLD + last)) for last in (15.0, 30.0, 50.0))
    assert 5 * before < after < later


@pytest.mark.parametrize("noise", [0.0, 0.01], ids=["sound sensor", "one that chatters"])
def test_one_person_alone_is_followed_as_the_equations_say(noise: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Written out densely: blind up to the last movement; somebody in sight made it; from then on silence."""
    monkeypatch.setattr("presence.retaken.IN_DOUBT", 0.0)  # somebody is in sight for sure
    plan, settings, last = flat(), Settings(), 25.0
    tracker = followed(plan, evening())
    assert tracker._snapshot is not None
    tracker._snapshot = tracker._snapshot._replace(noise={"bath_motion": noise})
    tracker.observe(at(10_000.0, "bath_motion", "detected"))
    known, model = tracker._snapshot, DenseModel(plan, settings)
    assert known is not None
    on = at(10_000.0, "bath_motion", "detected")
    hours = model.hours(on.seconds)
    moves = sum(cause.matrix for cause in model.causes(on, hours) if cause.being == 0)
    bath, nobody = model.room == model.rooms.index("bath"), model.nobody_rate(on) + noise
    x = known.mixture.x[0, 0] @ expm(model.silent(hours, frozenset({("blind", "bath_motion")}))[0] * last)
    x /= x.sum()
    inside = x[bath].sum()
    x = inside * (x @ moves + nobody * x) / ((x @ moves).sum() + nobody) + settings.occupancy_lost * (1.0 - inside) * x
    x = x @ expm(model.silent(hours, frozenset())[0] * HOLD)
    tracker.observe(at(10_000.0 + last + HOLD, "bath_motion", "clear"))
    assert tracker.belief.rooms["bath"] == pytest.approx(x[bath].sum() / x.sum(), abs=1e-9)
    told = tracker.log_likelihood - known.mixture.log_likelihood
    before = known.mixture.x[0, 0] @ expm(model.silent(hours, frozenset({("blind", "bath_motion")}))[0] * last)
    assert told == pytest.approx(np.log(before.sum() * x.sum()), abs=1e-9)


def test_how_many_move_how_readily_is_not_told() -> None:
    """Two hypotheses in which somebody is surely in sight stay as likely as they were, be it one or two."""
    plan = flat(2)
    tracker = followed(plan, [*evening(), (0.0, "bath_motion", "detected"), (1.0, "studio_motion", "detected")])
    engine, snapshot = tracker._engine, tracker._snapshot
    assert isinstance(engine, LiveEngine)
    assert snapshot is not None
    states, mixture = engine.model.states, snapshot.mixture
    persons, size = len(mixture.x), states.size
    active = {room: states.select(states.places_of(room))[1] for room in ("bath", "studio")}
    x = np.zeros((persons, 2, size))
    x[0, :, active["bath"]] = 1.0
    x[1, 0, active["bath"]] = x[1, 1, active["studio"]] = 1.0  # both, or one of them
    mixture = mixture._replace(
        x=x,
        weight=np.array([0.3, 0.7]),
        cause=np.full((2, persons + 1), 1.0 / (persons + 1)),
        labels=np.zeros((2, 0, 1 + 2 * persons)),
        ghosts=np.zeros((2, 0, 3)),
        tracks=np.zeros((persons, 2, 0, size)),
    )
    seen = engine._seen(snapshot._replace(mixture=mixture), plan.sensors["bath_motion"]).mixture
    in_studio = seen.weight @ seen.x[1][:, states.room == states.rooms.index("studio")].sum(axis=1)
    assert in_studio == pytest.approx(0.7, abs=1e-3)


def test_how_often_the_time_is_asked_for_changes_nothing() -> None:
    asked, plan = [], flat(2)
    for every in (1000.0, 7.0):
        tracker = Tracker(plan, watching=False)
        for seconds, sensor, value in evening() + visit(clear=HOLD + 15.0):
            event = at(10_000.0 + seconds, sensor, value)
            while tracker.time is not None and tracker.time + timedelta(seconds=every) < event.time:
                tracker.advance(tracker.time + timedelta(seconds=every))
            tracker.observe(event)
        asked.append(tracker.belief.rooms["bath"])
    assert asked[0] == pytest.approx(asked[1], abs=1e-9)


@pytest.mark.parametrize(
    ("reports", "options"),
    [
        (evening() + visit(clear=HOLD), {}),  # on for its hold alone
        (evening() + visit(clear=2 * HOLD), {}),  # one that looks once a hold
        (evening()[:8] + visit(clear=HOLD + 15.0), {}),  # gone off four times: what its hold is is not known yet
        (evening(lasting=30.0) + visit(clear=HOLD + 15.0), {}),  # its hold is shorter than the plan says
        (evening() + visit(clear=HOLD + 24.0), {}),  # seen next door just before: one walk, in either order
        (
            [
                *evening(),
                *visit(clear=HOLD + 15.0)[:2],
                (40.0, "bath_motion", "detected"),
                (HOLD + 15.0, "bath_motion", "clear"),
            ],
            {},
        ),  # says in between that it still sees somebody
        (evening() + visit(clear=HOLD + 15.0), {"hypotheses": None}),  # exact as the model is
    ],
)
def test_nothing_is_made_of_what_tells_no_last_movement(reports: list[Report], options: dict[str, None]) -> None:
    assert in_bath(reports, LiveEngine, **options) == in_bath(reports, Engine, **options)


def test_an_answer_about_a_door_that_an_off_report_changes_is_told_again_and_its_final_one_once() -> None:
    """Last seen before the front door was opened: not who came in, but who went out."""
    ways = {"front": ["hall", "away"], "hall_door": ["hall", "studio"], "bath_door": ["studio", "bath"]}
    rooms = {"hall": {}, "studio": {}, "bath": {}}
    sensors = {f"{room}_motion": motion(room, HOLD) for room in ("studio", "bath", "hall")}
    doors = {name: {"between": between} for name, between in ways.items()}
    plan = home(2, rooms=rooms, doors=doors, **sensors, front_contact=contact("front"))
    used = [(20.0, "front_contact", "open"), (23.0, "front_contact", "closed")]
    tracker = followed(plan, [*evening("studio_motion"), (0.0, "studio_motion", "detected"), *used])
    opening = [p for p in tracker.take_passages() if p.time == time_at(10_020.0)]
    tracker.observe(at(10_078.0, "studio_motion", "clear"))
    again = [p for p in tracker.take_passages() if p.time == time_at(10_020.0)]
    tracker.advance(time_at(11_000.0))
    final = [p for p in tracker.take_passages() if p.time == time_at(10_020.0)]
    told = [[max(p.directions, key=lambda way: p.directions[way]) for p in each] for each in (opening, again, final)]
    assert told == [["away>hall"], ["hall>away"], ["hall>away"]]
    assert [p.final for p in final] == [True]


def test_no_more_is_kept_than_a_sensor_that_is_on_may_have_seen_last() -> None:
    """The latest that came before the last movement that can still be told of, and all later; nothing if none is on."""
    bath = [(10.0, "bath_motion", "detected"), (20.0, "bath_motion", "clear"), (100.0, "bath_motion", "detected")]
    tracker = followed(flat(), [*evening("studio_motion"), (0.0, "studio_motion", "detected"), *bath])
    known = tracker._snapshot
    assert known is not None
    assert [known.seconds - taken.at for taken in known.lately] == [80.0, 0.0]
    tracker.observe(at(10_150.0, "bath_motion", "clear"))
    tracker.observe(at(10_155.0, "studio_motion", "clear"))
    assert tracker._snapshot is not None
    assert tracker._snapshot.lately == ()


def test_nothing_is_made_of_what_is_hardly_in_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody alone in the bathroom is believed there by far more than .95 when its sensor goes off."""
    reports = [*evening(), (0.0, "bath_motion", "detected"), (HOLD + 25.0, "bath_motion", "clear")]
    assert in_bath(reports) == in_bath(reports, Engine) > 0.95
    monkeypatch.setattr("presence.retaken.IN_DOUBT", 0.45)
    reports = evening() + visit(clear=HOLD + 15.0)
    assert in_bath(reports) == in_bath(reports, Engine) < 0.45


SECOND = {"bath_2_motion": motion("bath", HOLD)}


@pytest.mark.parametrize("plan", [flat(**SECOND), flat(bath={"outdoors": True})], ids=["two in one room", "outdoors"])
def test_nothing_is_made_of_a_sensor_that_sees_part_of_a_room_or_the_wind(plan: Floorplan) -> None:
    reports = evening() + visit(clear=HOLD + 30.0)
    put_back, as_it_came = (followed(plan, reports, engine).belief.rooms for engine in (LiveEngine, Engine))
    assert put_back == as_it_came
    assert followed(flat(), reports).belief.rooms != followed(flat(), reports, Engine).belief.rooms


@pytest.mark.parametrize("doubts", [{"silent": frozenset({"studio_motion"})}, {"noise": {"studio_motion": 0.01}}])
def test_nothing_is_made_of_it_where_a_sensor_has_come_to_be_doubted_since(doubts: dict[str, Any]) -> None:
    """What was known before was believed of sensors that are believed no more."""
    told = []
    for engine in (LiveEngine, Engine):
        tracker = followed(flat(), evening() + visit(clear=HOLD + 15.0)[:2], engine)
        assert tracker._snapshot is not None
        tracker._snapshot = tracker._snapshot._replace(**doubts)
        tracker.observe(at(10_000.0 + HOLD + 15.0, "bath_motion", "clear"))
        told.append(tracker.belief.rooms)
    assert told[0] == told[1]


def test_a_sensor_bears_no_witness_after_the_last_movement_that_it_saw() -> None:
    """It is still on then; but nobody keeps it on."""
    seats = {name: {"kind": "pressure", "room": room} for name, room in (("sofa", "studio"), ("mat", "studio"))}
    tracker = followed(flat(**seats), [*evening(), (0.0, "bath_motion", "detected")])
    engine, known = tracker._engine, tracker._snapshot
    assert isinstance(engine, LiveEngine)
    assert known is not None
    after = engine._seen(known, tracker.plan.sensors["bath_motion"])
    assert [what for _, what, name in known.due if name == "bath_motion"] == ["witness", "expire"]
    assert [what for _, what, name in after.due if name == "bath_motion"] == ["expire"]


def test_what_can_wait_waits_where_an_off_report_took_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """After one that was put back, nothing is prepared for what may come next; after any other, something is."""
    asked: list[str] = []
    tracker = followed(flat(), [*evening(), *visit(clear=HOLD + 15.0)[:2]])
    monkeypatch.setattr(tracker._engine, "foresee", lambda snapshot: asked.append("foresee"))
    tracker.observe(at(10_000.0 + HOLD + 15.0, "bath_motion", "clear"))
    assert tracker._snapshot is not None
    assert (tracker._snapshot.put_back, asked) == (True, [])
    tracker.observe(at(10_000.0 + HOLD + 22.0, "studio_motion", "clear"))
    assert (tracker._snapshot.put_back, asked) == (False, ["foresee"])


def test_nor_where_more_has_come_since_than_is_taken_in_again() -> None:
    busy = [(20.0 + n, "studio_motion", ("clear", "detected")[n % 2]) for n in range(10)]
    reports = [*evening(), (0.0, "bath_motion", "detected"), (16.0, "studio_motion", "detected"), *busy]
    assert in_bath([*reports, (HOLD + 15.0, "bath_motion", "clear")]) == in_bath(
        [*reports, (HOLD + 15.0, "bath_motion", "clear")], Engine
    )
