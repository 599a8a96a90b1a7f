"""The accuracy benchmark: its homes, its curves, the garage rule, and a table that survives being stopped."""

from __future__ import annotations

import csv
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmarks.accuracy import main
from benchmarks.trust import curves, results
from benchmarks.trust.garage import garage_doors, rule_accuracy
from benchmarks.trust.homes import LIVED, PEOPLE, VARIANTS, Cell, home_of, live, plan_names
from benchmarks.trust.page import page
from benchmarks.trust.regret import EVENTS, regret, regret_of
from benchmarks.trust.scoring import COLUMNS, SCORES, run
from presence import Event, Floorplan
from presence.evaluate import evaluate
from presence.truth import TruthLine
from tests.oracle import contact, draw_log, home, motion

START = datetime(2026, 3, 2, 12, tzinfo=UTC)


# --- homes -----------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("variant", VARIANTS)
@pytest.mark.parametrize("name", plan_names())
def test_every_plan_can_have_any_number_of_people_in_any_variant(name: str, variant: str) -> None:
    for people in PEOPLE:
        plan = home_of(name, people, variant)
        assert len(plan.people) == people
        assert all(person.bed for person in plan.people.values())
        assert bool(plan.pets) == (variant in ("pet", "drawn pet"))
        kinds = {sensor.kind for sensor in plan.sensors.values()}
        assert ("phone" in kinds or "badge" in kinds) <= (variant != "no phones")
        assert {s.person for s in plan.sensors.values()} <= {None, *plan.people}


def test_a_variant_changes_what_it_says() -> None:
    made = {variant: live(Cell("two_storey_garage", 2, variant, 1, 2.0)) for variant in LIVED}
    plain = made["plain"]
    assert {line.person for line in plain.truth} == set(plain.plan.people)
    assert {line.person for line in made["visitor"].truth} > set(plain.plan.people)
    assert len(made["lost"].log) < len(plain.log)
    silent = {e.sensor for e in made["dead"].log if e.seconds > plain.log[0].seconds + 86400}
    assert len({e.sensor for e in plain.log if e.seconds > plain.log[0].seconds + 86400} - silent) == 1
    assert {line.room for line in made["no phones"].truth} == {line.room for line in plain.truth}


# --- curves ----------------------------------------------------------------------------------------------------------
POINTS = st.lists(st.tuples(st.integers(0, 50), st.integers(0, 50)), min_size=1, max_size=12)


@given(POINTS)
def test_a_frontier_is_what_no_point_beats(points: list[tuple[int, int]]) -> None:
    found = curves.frontier(np.array(points, float), (60.0, 70.0)).tolist()
    everything = [*points, (0, 70), (60, 0)]
    best = sorted({p for p in everything if not any(q != p and q[0] <= p[0] and q[1] <= p[1] for q in everything)})
    assert [tuple(map(int, point)) for point in found] == best


@given(POINTS, st.floats(0, 60))
def test_minutes_on_a_frontier_go_there_and_back(points: list[tuple[int, int]], dark: float) -> None:
    found = curves.frontier(np.array(points, float), (60.0, 70.0))
    wasted = curves.wasted_at(found, dark)
    assert curves.dark_at(found, wasted) <= dark + 1e-9
    assert all(curves.wasted_at(found, d) <= w + 1e-9 for d, w in points)


def test_equal_terms_worked_by_hand() -> None:
    library = curves.frontier(np.array([[10.0, 100.0], [30.0, 20.0]]), (200.0, 500.0))
    timers = np.array([[20.0, 80.0], [20.0, 50.0], [150.0, 4.0]])
    found = curves.compare(library, timers, timers[0])
    # half way between (10, 100) and (30, 20) lies (20, 60); (15, 80) lies a quarter of the way
    assert found["library_wasted_at_equal_false_off"] == pytest.approx(60.0)
    assert found["library_false_off_at_equal_wasted"] == pytest.approx(15.0)
    assert found["points_beaten"] == pytest.approx(1 / 3)  # at 150 the way to (200, 0) still has 5.9 wasted


# --- the garage rule -------------------------------------------------------------------------------------------------
GARAGE = Floorplan.from_mapping(
    {
        "name": "garage",
        "time_zone": "UTC",
        "rooms": {"utility": {}, "garage": {}, "drive": {"outdoors": True}},
        "doors": {
            "overhead": {"between": ["drive", "garage"], "leaf": "overhead"},
            "inner": {"between": ["garage", "utility"], "leaf": "hinged"},
            "street": {"between": ["drive", "away"], "leaf": "none"},
        },
        "sensors": {"overhead_contact": contact("overhead"), "inner_contact": contact("inner")},
        "people": {"P1": {}},
    }
)


def test_the_five_minute_rule_worked_by_hand() -> None:
    """Home by car (right); out to fetch something while it still counts as an arrival (wrong); out an hour later."""
    at = [START + timedelta(seconds=s) for s in range(5000)]
    log, truth = [], [TruthLine(at[0], "P1", "drive")]
    for line in (
        "10 overhead garage",
        "40 inner utility",
        "200 inner garage",
        "260 inner utility",
        "4000 inner garage",
    ):
        seconds, door, room = int(line.split()[0]), *line.split()[1:]
        log += [Event(at[seconds], f"{door}_contact", "open"), Event(at[seconds + 4], f"{door}_contact", "closed")]
        truth.append(TruthLine(at[seconds + 2], "P1", room))
    assert garage_doors(GARAGE) == ("overhead", "inner", "garage")
    # within five minutes of the door at 10 s: 40 in (right), 200 out (wrong), 260 in (right); at 4000 out (right)
    assert rule_accuracy(GARAGE, log, truth) == ("inner", 4, pytest.approx(0.75))


def test_a_home_without_a_garage_has_no_rule() -> None:
    life = live(Cell("one_room_flat", 1, "plain", 1, 0.5))
    assert rule_accuracy(life.plan, life.log, life.truth) is None


# --- regret ----------------------------------------------------------------------------------------------------------
def test_one_person_loses_nothing_and_two_lose_with_one_hypothesis() -> None:
    """One person's hypotheses merge exactly; with a single hypothesis two people's beliefs flow together."""
    sensors = {"hall_motion": motion("hall"), "bed_motion": motion("bed"), "front_contact": contact("front")}
    one, two = home(1, **sensors), home(2, **sensors)
    assert regret(one, draw_log(one, 2 * 86400.0, 1)[:150], 2) == pytest.approx(0.0, abs=1e-9)
    events = draw_log(two, 86400.0, 1)[:200]
    assert regret(two, events, 1) > abs(regret(two, events, 16))


@pytest.mark.parametrize("variant", ["plain", "no phones", "lost"])
def test_the_exact_filter_knows_of_sensors_what_the_tracker_does(variant: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """One person's hypotheses merge exactly, so that what they would differ by is what one of them does not know."""
    monkeypatch.setitem(EVENTS, 1, 150)
    found = regret_of(Cell("two_storey_garage", 1, variant, 3, 1.0), 16)
    assert found == {"regret_nats_per_event": pytest.approx(0.0, abs=1e-6), "regret_events": 150}


def test_sixteen_hypotheses_lose_next_to_nothing_of_two_lives(monkeypatch: pytest.MonkeyPatch) -> None:
    """At most .005 nats an event, which a single one exceeds."""
    monkeypatch.setitem(EVENTS, 2, 200)
    one, sixteen = (regret_of(Cell("one_room_flat", 2, "plain", 3, 1.0), hypotheses) for hypotheses in (1, 16))
    assert one["regret_events"] == sixteen["regret_events"] == 200
    assert abs(sixteen["regret_nats_per_event"]) <= 0.005 < one["regret_nats_per_event"]


# --- a row, the table, the page --------------------------------------------------------------------------------------
def test_a_row_has_the_scores_of_evaluate() -> None:
    cell = Cell("one_room_flat", 2, "plain", 3, 1.0)
    row, lived = run(cell), live(cell)
    scores = evaluate(lived.plan, lived.log, lived.truth)
    assert set(row) <= set(COLUMNS)
    assert set(row) >= set(SCORES)
    for name in SCORES:
        section = next(
            s for s in ("rooms", "at_home", "people", "direction", "switching", "timer") if name.startswith(s)
        )
        assert row[name] == pytest.approx(getattr(scores, section)[name.removeprefix(f"{section}_")], nan_ok=True)
    both = row["off_below_0.2_false_off"], row["off_below_0.2_wasted"]
    assert both == pytest.approx(tuple(scores.switching.values()))  # the default rule is one point of the curve
    assert row["timer_30_min_wasted"] == pytest.approx(scores.timer_table[-1]["wasted_minutes_per_day"])
    assert row["room_timers_best_false_off"] * 4 + row["room_timers_best_wasted"] <= (
        row["timer_best_false_off"] * 4 + row["timer_best_wasted"] + 1e-9
    )


SMALL = ["--seeds", "1", "--days", "0.5", "--people", "1", "--variants", "plain,drawn", "--plans", "one_room_flat"]


def test_the_command_makes_a_table_a_page_and_a_picture_and_goes_on_where_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("matplotlib")
    assert main([*SMALL, "--out", str(tmp_path)]) == 0
    table = tmp_path / "accuracy.csv"
    whole = table.read_bytes()
    text = (tmp_path / "accuracy.md").read_text()
    assert "nan" not in text
    assert "--people 1 --variants plain,drawn" in text
    assert (tmp_path / "accuracy.png").read_bytes().startswith(b"\x89PNG")
    table.write_bytes(whole[:-40])  # as a crash may leave it
    capsys.readouterr()
    assert main([*SMALL, "--out", str(tmp_path)]) == 0
    assert "1 of 2 cells" in capsys.readouterr().out
    with table.open() as file:
        rows = list(csv.reader(file))
    assert [len(row) == len(COLUMNS) for row in rows] == [True, True, False, True]
    kept = [name for name in COLUMNS if name != "seconds"]
    again = dict(zip(rows[0], rows[3], strict=True))
    before = dict(zip(rows[0], whole.decode().splitlines()[2].split(","), strict=True))
    assert [again[name] for name in kept] == [before[name] for name in kept]  # the same figures


def test_rows_of_other_code_do_not_count_and_other_columns_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cell = Cell("one_room_flat", 1, "plain", 1, 0.5)
    row = {"plan": cell.plan, "people": 1, "variant": "plain", "seed": 1, "days": 0.5, "hypotheses": 16}
    results.append(tmp_path / "t.csv", row | {"code": "other"})
    assert results.of(results.read(tmp_path / "t.csv"), [cell], 16) == {}
    results.append(tmp_path / "t.csv", row | {"code": results.code_of(cell.plan)})
    assert list(results.of(results.read(tmp_path / "t.csv"), [cell], 16)) == [cell]
    (tmp_path / "accuracy.csv").write_text("a,b\n1,2\n")
    assert main([*SMALL, "--out", str(tmp_path)]) == 2
    assert "accuracy.csv:1: has other columns" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("option", "value", "right"),
    [("--people", "5", "1,2,3,4,6"), ("--variants", "cat", "plain,pet"), ("--seeds", "0", "1 up")],
)
def test_options_out_of_the_grid_are_refused(
    option: str, value: str, right: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        main(["--out", str(tmp_path), option, value])
    assert right in capsys.readouterr().err


def test_a_cell_where_the_timer_is_ahead_is_on_the_page() -> None:
    row = {name: 1.0 for name in COLUMNS if name not in ("garage_door", "garage_passages", "regret_events")}
    row |= {"plan": "flat", "variant": "plain", "people": 2, "seed": 7, "days": 1.0, "hypotheses": 16}
    for rival in ("timer", "room_timers"):
        row |= {f"{rival}_best_false_off": 10.0, f"{rival}_best_wasted": 20.0}
        row |= {f"{rival}_best_library_wasted_at_equal_false_off": 19.0}
        row |= {f"{rival}_best_library_false_off_at_equal_wasted": 11.0 if rival == "timer" else 9.0}
    text = page([row], "command")
    assert "one timer: the library is ahead in 0 of 1 cells" in text
    assert "| flat, 2, plain, seed 7 | 10 | 20 | 19 | 11 |" in text
    assert "a timer tuned for each room: the library is ahead in 1 of 1 cells" in text


def test_figures_depend_on_no_module_that_the_digest_leaves_out() -> None:
    """All modules of the package that a cell needs are there before it is run: none is imported on the way."""
    code = """if True:
        import sys
        import benchmarks.accuracy
        from benchmarks.trust.homes import Cell
        from benchmarks.trust.scoring import run
        modules = lambda: {name for name in sys.modules if name.startswith(("presence", "benchmarks"))}
        before = modules()
        for variant in ("pet", "drawn"):
            run(Cell("one_room_flat", 1, variant, 1, 0.05))
        print(sorted(modules() - before))
    """
    root = Path(__file__).parents[1]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
