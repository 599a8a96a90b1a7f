"""The second half of a set, scored by itself: what the rivals choose and the references learn is of the first half."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchmarks.open_logs import main, run_single_resident, run_two_residents, run_two_residents_month
from benchmarks.open_sets import supervised
from benchmarks.open_sets.layout import read_layout
from benchmarks.open_sets.score_month import Look, score_most_at_once, score_timers
from benchmarks.open_sets.scores import plain
from benchmarks.open_sets.two_residents import Row
from tests.test_open_logs import MIDNIGHT, SESSION, write_flat, write_house, write_month

DAY = 86400


def two_sessions(folder: Path) -> Path:
    write_flat(folder)
    (folder / "S2.txt").write_text(SESSION)
    return folder


def two_days(folder: Path) -> Path:
    """Somebody fetches something 100 s after leaving, and on the next day comes back for good 100 s after leaving."""
    write_house(folder)
    doors = [36000, 36100, 40000, DAY + 36000, DAY + 36100]
    sensors = [(600, 5, 3), (30000, 5, 3), *((t, 4, 1) for t in doors), (40010, 5, 3), (DAY + 30000, 5, 3)]
    doing = [(500, 600, 2), (36000, 4000, 1), (DAY + 30000, 600, 2), (DAY + 36000, 100, 1), (DAY + 80000, 60, 2)]
    for suffix, rows in (("sensors", sensors), ("activities", doing)):
        (folder / f"houseB.{suffix}").write_text("\n".join(f"{MIDNIGHT + a} {b} {c}" for a, b, c in rows))
    return folder


SETS: dict[str, tuple[Callable[[Path], Path], Callable[..., dict[str, Any]], float]] = {
    "two_residents": (two_sessions, run_two_residents, 5.0),
    "single_resident": (two_days, run_single_resident, 300.0),
    "two_residents_month": (write_month, run_two_residents_month, 600.0),
}


@pytest.mark.parametrize("name", list(SETS))
def test_the_second_half_is_scored_as_if_asked_for_alone(tmp_path: Path, name: str) -> None:
    """The tracker's answers are those of the run over all; nothing of the figures above changes."""
    write, run, every = SETS[name]
    folder = write(tmp_path)
    found, alone = run(folder, every=every), run(folder, every=every, part="second")
    second = found["second_half"]
    if name == "single_resident":  # there the log is followed as a whole, and so is its likelihood
        del alone["tracker"]["log_likelihood"]
    for key in ("recordings", "passages", "tracker", "supervised_trees", "supervised_chain", "greedy"):
        assert (key in second) == (key in alone)
        assert plain(second.get(key)) == plain(alone.get(key))
    assert "supervised_trees" in second
    assert not {"supervised_trees", "supervised_chain"} & set(found)
    assert list(found)[-1] == "second_half"


def test_a_rooms_timer_is_that_of_the_first_sessions(tmp_path: Path) -> None:
    """Who fires in the dayroom is there for 70 s in the first session, for half an hour in the second."""
    folder = write_flat(tmp_path)
    for number, seconds in ((1, 70), (2, 1790)):
        clock = [f"10:{t // 60:02}:{t % 60:02}.0" for t in (0, 1, seconds, 1799)]
        fired = zip(clock, ["M01", "M04", "M03", "M04"], [1, 2, 1, 2], strict=True)
        (folder / f"S{number}.txt").write_text(
            "\n".join(f"2030-01-0{number}\t{at}\t{sensor}\tON {who} 1" for at, sensor, who in fired)
        )
    whole = run_two_residents(folder, rivals_only=True)
    first, second = (run_two_residents(folder, rivals_only=True, part=part) for part in ("first", "second"))
    assert "'dayroom': 1," in first["timer"]["minutes"]
    assert "'dayroom': 30," in second["timer"]["minutes"]
    assert whole["second_half"]["timer"]["minutes"] == first["timer"]["minutes"]
    assert whole["second_half"]["timer"]["room_set"].value < 0.1 < second["timer"]["room_set"].value


def test_the_pause_of_a_visit_to_the_door_is_that_of_the_first_days(tmp_path: Path) -> None:
    """On the first day two openings 100 s apart are one visit, on the second they are leaving and coming back."""
    result = run_single_resident(two_days(tmp_path), rivals_only=True)
    toggle, second = result["toggle_with_reset"], result["second_half"]["toggle_with_reset"]
    assert toggle["pause_s"] == 0.0  # over both days: of the second there is more
    assert second["pause_s"] == 120.0
    wrong = (80060 - 36100) / 60  # told to be away from coming back to the end of the labels
    samples = second["home_accuracy"].samples
    assert second["home_accuracy"].value == pytest.approx(1.0 - wrong / samples, abs=2.0 / samples)


def test_the_months_lengths_are_those_of_the_first_days() -> None:
    """One who is active once stays a minute on the one day and twenty on the other."""
    grid = np.arange(0.0, 3600.0, 10.0)
    short, long = (
        Look(grid, grid[None], there.astype(np.intp), {"hall": (grid, there, grid >= 0.0)})
        for there in (grid <= 60.0, grid <= 1200.0)
    )
    timer, most = score_timers([long], [short]), score_most_at_once([long], [short], 10.0)
    assert (timer["count_minutes"], timer["hall"]["minutes"], most["count_minutes"]) == (1, 1, 1)
    assert timer["count_accuracy"].value == pytest.approx(1.0 - 114 / 360, abs=1e-12)  # from 70 s to 1,200 s
    assert timer["hall"]["balanced_accuracy"].value == pytest.approx(0.5 * (7 / 121 + 1.0), abs=1e-12)
    timer, most = score_timers([long], [long]), score_most_at_once([long], [long], 10.0)
    assert (timer["count_minutes"], timer["hall"]["minutes"], most["count_minutes"]) == (20, 20, 20)


def test_trees_that_have_seen_one_answer_only_give_that(tmp_path: Path) -> None:
    """Always another than before, or always the first resident."""
    layout = read_layout(write_flat(tmp_path) / "layout.json")
    ends = [Row(float(t), "M01" if t % 2 else "M04", "ON", frozenset({1 + t % 2})) for t in range(20)]
    alone = [Row(row.time, row.sensor, "ON", frozenset({1})) for row in ends]
    same, _ = supervised.who_caused(layout, [(ends, 0.0)], [(ends, 0.0)])
    assert max(same[0][1:]) < 0.5
    same, who = supervised.who_caused(layout, [(alone, 0.0)], [(ends, 0.0), ([], 0.0)])
    assert min(same[0][1:]) > 0.5
    assert (who[0], who[1]) == ([0] * 20, [])


def test_without_scikit_learn_the_rest_is_scored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(supervised, "available", lambda: False)
    for name, (write, _, every) in SETS.items():
        command = [name, str(write(tmp_path / name)), "--rivals-only", "--json", "--every", str(every)]
        assert main(command) == 0
        output = capsys.readouterr()
        assert "extra `test`" in output.err
        assert not json.loads(output.out)["second_half"].get("supervised_trees")


def test_markdown_has_a_column_for_each_method_and_the_figures_of_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ["two_residents_month", str(write_month(tmp_path)), "--rivals-only", "--every", "60"]
    assert main([*command, "--json"]) == 0
    second = json.loads(capsys.readouterr().out)["second_half"]
    assert main([*command, "--markdown"]) == 0
    heading, line, *rows = [row.strip("| ").split(" | ") for row in capsys.readouterr().out.splitlines()]
    methods = ["timer", "supervised_chain", "supervised_trees", "most_places_at_once_lately", "movement_before"]
    assert heading == ["two_residents_month, second half: 1 recordings", *methods]
    assert line == ["---", *["---:"] * 5]
    figures = {row[0]: row[1:] for row in rows}
    assert figures["count_accuracy"][0] == f"{second['timer']['count_accuracy']['value']:.3f}"
    assert figures["bathroom f1"][2] == f"{second['supervised_trees']['bathroom']['f1']['value']:.3f}"
    assert "count_minutes" not in figures
