"""Two versions of the tracker in turn (`benchmarks/side_by_side.py`): whether their answers differ, and where."""

import shutil
from pathlib import Path

import pytest

from benchmarks import side_by_side
from benchmarks.side_by_side import ROOT, TURN, Runs, compared, table

FEW = ["--people", "1", "--events", "25", "--runs", "2"]


def test_a_version_answers_as_itself(capsys: pytest.CaptureFixture[str]) -> None:
    side_by_side.main([str(ROOT), *FEW, "--reading"])
    told = capsys.readouterr().out
    assert "all answers are the same" in told
    assert "motion detected" in told


def test_another_setting_is_noticed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copytree(ROOT / "presence", tmp_path / "presence")
    settings = tmp_path / "presence" / "settings.py"
    text = settings.read_text()
    assert "motion_false_alarm_rate: float = " in text
    settings.write_text(text.replace("motion_false_alarm_rate: float = ", "motion_false_alarm_rate: float = 2.0 * "))
    side_by_side.main([str(tmp_path), *FEW])
    assert "the answers differ from event" in capsys.readouterr().out


def test_the_joint_filter_is_timed_beside_the_tracker(capsys: pytest.CaptureFixture[str]) -> None:
    side_by_side.main(["--joint", "--people", "2", "--visitors", "0", "--events", "25", "--runs", "1"])
    assert "the exact joint filter" in capsys.readouterr().out


def test_of_each_event_the_least_time_counts_and_the_first_tenth_does_not() -> None:
    kinds = ["lock locked"] * TURN + ["contact open"] * 9 * TURN
    here = Runs([[9.0] * TURN + [300.0] * 90, [1.0] * TURN + [100.0] * 90], [])
    there = Runs([[5.0] * TURN + [400.0] * 90, [5.0] * TURN + [200.0] * 90], [])
    told = table(kinds, here, there)
    assert "lock" not in told
    everything = told.splitlines()[1].split()
    assert everything == ["all", "90", *["100", "/", "200"] * 3, "0.500"]


def test_the_first_answer_that_differs_is_named() -> None:
    assert compared(Runs([], ["a", "b", "c"]), Runs([], ["a", "x", "y"])) == "the answers differ from event 1 on"
    assert compared(Runs([], ["a"]), Runs([], ["a"])) == "all answers are the same"
