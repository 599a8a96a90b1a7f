"""What is odd in a set's files is named with its line, and all else is scored as if it were not there."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchmarks.open_logs import main, run_single_resident, run_two_residents, run_two_residents_month
from benchmarks.open_sets import single_resident, two_residents, two_residents_month
from benchmarks.open_sets.following import Trace
from benchmarks.open_sets.layout import read_layout
from benchmarks.open_sets.score_two_residents import read_causes
from benchmarks.open_sets.scores import plain
from presence.errors import LogError
from tests.test_open_logs import FLAT, HOUSE_B, MIDNIGHT, MONTH, SESSION, write_flat, write_house, write_month

WRITE: dict[str, Callable[[Path], Path]] = {
    "two_residents": write_flat, "single_resident": write_house, "two_residents_month": write_month,
}  # fmt: skip
EDGES: Any = FLAT["edges"]
ROOMS: Any = FLAT["rooms"]
DOORS_ONLY = "\n".join(f"2030-01-02\t10:00:{t:02}.0\tD07\tOPEN 1 1" for t in (0, 9))


def add(path: Path, *lines: str) -> int:
    """Adds lines to a file; the number of the first of them."""
    before = path.read_text().rstrip("\n")
    path.write_text("\n".join([before, *lines]) + "\n")
    return len(before.splitlines()) + 1


def only_day(folder: Path, day: int) -> Path:
    """The month with one of its days."""
    for name in ("events.tsv", "labels.tsv"):
        heading, *rows = (folder / name).read_text().splitlines()
        (folder / name).write_text("\n".join([heading, *(row for row in rows if row.startswith(f"{day}\t"))]))
    return folder


def figures(result: dict[str, Any]) -> dict[str, Any]:
    """The scores alone."""
    return {key: plain(value) for key, value in result.items() if key != "faults"}


@pytest.mark.parametrize("name", list(WRITE))
def test_a_half_without_anything_is_named(tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    folder = WRITE[name](tmp_path)
    if name == "two_residents_month":
        only_day(folder, 3)
    assert main([name, str(folder), "--part", "first", "--rivals-only"]) == 2
    output = capsys.readouterr()
    assert f"{folder}:0: part 'first' of 1 " in output.err
    assert "two or more" in output.err
    assert output.out == ""


# --- layouts ---------------------------------------------------------------------------------------------------------
BROKEN: dict[str, tuple[dict[str, Any], str]] = {
    "no a": ({"edges": [EDGES[0], {"b": "outside", "contact": "D01"}]}, "edge 2, .*its a is None"),
    "a room that is none": ({"edges": [["dayroom", "attic"]]}, "its b is 'attic'; one of dayroom, workroom"),
    "one room": ({"edges": [["dayroom"]]}, "its b is None"),
    "no edge": ({"edges": ["dayroom-workroom"]}, "a mapping with the rooms a and b"),
    "no edges": ({"edges": {"dayroom": "workroom"}}, "no list of edges"),
    "one of a pair": ({"edges": [{**EDGES[0], "sensor_pair": ["M02"]}]}, "sensor_pair is"),
    "no sensors": ({"rooms": {**ROOMS, "hall": "M09"}}, "room 'hall': 'M09' is no list"),
    "half a place": ({"sensor_at_metres": {"at": {"M01": [0]}}}, r"'M01' is at \[0\]"),
    "no number": ({"sensor_at_metres": {"at": {"M01": [0, "x"]}}}, "in metres would be right"),
    "no places": ({"sensor_at_metres": [1]}, "a mapping 'at'"),
    "nobody gets there": ({"edges": [EDGES[1]]}, "makes no plan: .*workroom"),
}


@pytest.mark.parametrize("case", list(BROKEN))
def test_a_layout_that_is_wrong_is_named_by_its_file(tmp_path: Path, case: str) -> None:
    changed, words = BROKEN[case]
    folder = write_flat(tmp_path)
    (folder / "layout.json").write_text(json.dumps({**FLAT, **changed}))
    with pytest.raises(LogError, match=f"layout.json:0: .*{words}"):
        run_two_residents(folder, rivals_only=True)


def test_all_that_is_wrong_in_a_layout_is_named_at_once(tmp_path: Path) -> None:
    (tmp_path / "layout.json").write_text(json.dumps({**FLAT, "edges": [["dayroom"], [], ["dayroom", "workroom"]]}))
    with pytest.raises(LogError) as caught:
        read_layout(tmp_path / "layout.json")
    assert ["edge 1" in caught.value.faults[0].message, "edge 2" in caught.value.faults[1].message] == [True, True]
    assert len(caught.value.faults) == 2


@pytest.mark.parametrize("at", [{}, {"M01": [0, 0]}, {"X1": [0, 0], "X2": [1, 0]}], ids=["none", "one", "strangers"])
def test_without_places_the_greedy_tracker_alone_is_left_out(tmp_path: Path, at: dict[str, list[float]]) -> None:
    folder = write_flat(tmp_path)
    whole = run_two_residents(folder, rivals_only=True)
    (folder / "layout.json").write_text(json.dumps({**FLAT, "sensor_at_metres": {"at": at}}))
    (folder / "S2.txt").write_text(SESSION)  # the trees too see where sensors are
    result = run_two_residents(folder, rivals_only=True)
    assert "greedy" in whole
    assert "greedy" not in result
    assert any("layout.json:0: places no two sensors" in fault for fault in result["faults"])
    assert result["timer"]["room_set"].value == whole["timer"]["room_set"].value
    assert result["second_half"]["supervised_trees"]["same_person"].samples > 0


def test_files_of_one_house_beside_the_layout_of_another_are_refused(tmp_path: Path) -> None:
    folder = write_house(tmp_path, "B")
    for houses, words in [({"house_A": HOUSE_B}, "holds house_A,"), ({"house_A": HOUSE_B, "house_C": {}}, "house_C,")]:
        (folder / "layout.json").write_text(json.dumps(houses))
        with pytest.raises(LogError, match=f"layout.json:0: .*{words} the files are those of 'houseB'; house_B"):
            single_resident.load(folder)
    (folder / "layout.json").write_text(json.dumps(HOUSE_B))  # a layout without a house's name is the one there is
    assert single_resident.load(folder).front == "1"


def test_a_month_beside_the_layout_of_another_house_is_refused(tmp_path: Path) -> None:
    folder = write_month(tmp_path)
    other = json.loads(json.dumps(MONTH).replace("Co", "Xy").replace("Fo", "Xy").replace("Di", "Xy"))
    (folder / "layout.json").write_text(json.dumps({"house_A": other}))
    with pytest.raises(LogError, match=r"layout.json:0: house_A .* 5 of 8 sensors otherwise than COLUMNS.txt"):
        two_residents_month.load(folder)
    plain_words = json.dumps(other).replace("Xy1", "a").replace("Xy2", "the")  # which are no sensors' names
    (folder / "layout.json").write_text(json.dumps({"house_A": json.loads(plain_words)}))
    assert len(two_residents_month.load(folder).days) == 2


# --- sessions of two -------------------------------------------------------------------------------------------------
def test_no_firings_have_no_causes() -> None:
    nothing = np.empty(0)
    trace = Trace(nothing, nothing, np.empty(0, dtype=np.intp), nothing, {}, (), (), 0.0)
    same, people, nobody = read_causes([], trace)
    assert (same, people.shape, nobody.shape) == ([], (0, 2), (0,))


def test_a_session_of_door_events_only_tells_nothing_of_who(tmp_path: Path) -> None:
    folder = write_flat(tmp_path)
    alone = run_two_residents(folder, every=5.0)
    (folder / "S2.txt").write_text(DOORS_ONLY)
    result = run_two_residents(folder, every=5.0)
    assert result["recordings"] == 2
    for name in ("tracker", "greedy"):
        for key in ("same_person", "identity_whole_session"):
            assert result[name][key].value == alone[name][key].value
            assert result["second_half"][name][key].samples == 0


@pytest.mark.parametrize("when", ["2040-01-01\t10:00:08.5", "2030-01-02\t10:00:08.5", "0001-01-01\t10:00:08.5"])
def test_a_line_hours_away_from_its_session_is_named_and_left_out(tmp_path: Path, when: str) -> None:
    folder = write_flat(tmp_path)
    usual = two_residents.load(folder)
    lines = SESSION.split("\n")
    (folder / "S1.txt").write_text("\n".join([*lines[:9], f"{when}\tM04\tON 2 3", *lines[9:]]))
    data = two_residents.load(folder)
    assert [f.line for f in data.faults] == [4, 5, 6, 7, 10, 12, 13]
    assert when.replace("\t", " ") in data.faults[4].message
    assert data.sessions == usual.sessions


# --- one resident ----------------------------------------------------------------------------------------------------
def test_rows_of_another_year_or_length_are_named_and_left_out(tmp_path: Path) -> None:
    folder = write_house(tmp_path)
    usual = single_resident.load(folder)
    sensors, doing = folder / "houseB.sensors", folder / "houseB.activities"
    ten_years = MIDNIGHT + 10 * 365 * 86400
    odd = [f"{ten_years} 5 3", f"{1000 * MIDNIGHT} 5 3", f"{MIDNIGHT + 700} -5 3", f"{10**30} 5 3", "-1 5 3"]
    first = add(sensors, *odd)
    other = add(doing, f"{ten_years} 60 2", f"{MIDNIGHT + 700} {10 * 365 * 86400} 2", f"{MIDNIGHT + 800} 60 77")
    data = single_resident.load(folder)
    named = [(Path(f.path).name, f.line) for f in data.faults]
    assert {("houseB.sensors", first + k) for k in range(5)} <= set(named)
    assert {("houseB.activities", other + k) for k in range(3)} <= set(named)
    assert len(named) == len(usual.faults) + 8
    assert data.recording == usual.recording
    assert (data.stays, data.away.tolist()) == (usual.stays, usual.away.tolist())
    assert any("activity 77 is not in houseB.activity_names" in f.message for f in data.faults)


def test_names_that_cannot_be_read_are_named_and_all_else_is_as_before(tmp_path: Path) -> None:
    """Misread, a seat is a switch and an absence is a stay; the good lines around stay what they were."""
    folder = write_house(tmp_path)
    usual = single_resident.load(folder)
    first = add(folder / "houseB.sensor_names", "kettle", "6", "7kettle on", "", "03 Kettle", f"{10**20} far")
    other = add(folder / "houseB.activity_names", "go to bed", "1 return", "-2 read")
    data = single_resident.load(folder)
    named = [(Path(f.path).name, f.line) for f in data.faults if f not in usual.faults]
    assert sorted(named) == [
        *(("houseB.activity_names", other + k) for k in (0, 1, 2)),
        *(("houseB.sensor_names", first + k) for k in (0, 1, 2, 4, 5)),
    ]
    assert all("would be right" in f.message for f in data.faults if f not in usual.faults)
    assert (data.plan, data.recording, data.stays) == (usual.plan, usual.recording, usual.stays)


def test_a_sensor_without_a_name_is_named_unless_its_door_tells_what_it_is(tmp_path: Path) -> None:
    folder = write_house(tmp_path)
    usual = single_resident.load(folder)
    (folder / "houseB.sensor_names").write_text("3\tCups cupboard\n")
    data = single_resident.load(folder)
    (fault,) = (f for f in data.faults if f not in usual.faults)
    assert (Path(fault.path).name, fault.line, fault.message[:17]) == ("houseB.sensor_names", 0, "names no sensor 5")
    assert (usual.plan.sensors["5"].kind, data.plan.sensors["5"].kind) == ("pressure", "switch")


def test_labels_of_another_time_than_the_sensors_are_named(tmp_path: Path) -> None:
    folder = write_house(tmp_path)
    (folder / "houseB.activities").write_text(f"{MIDNIGHT - 90000} 60 2\n")
    with pytest.raises(LogError, match="nothing happens between"):
        single_resident.load(folder)


def test_sensors_that_are_no_numbers_are_named(tmp_path: Path) -> None:
    folder = write_house(tmp_path)
    layout = json.dumps({"house_B": HOUSE_B}).replace("[3]", '[3, "kettle"]')
    (folder / "layout.json").write_text(layout)
    with pytest.raises(LogError, match=r"layout.json:0: sensor 'kettle'"):
        single_resident.load(folder)


# --- a month of two --------------------------------------------------------------------------------------------------
def test_a_column_that_is_not_explained_is_named(tmp_path: Path) -> None:
    folder = write_month(tmp_path)
    table = (folder / "COLUMNS.txt").read_text()
    (folder / "COLUMNS.txt").write_text(
        "\n".join(line for line in table.splitlines() if not line.startswith(("2\tCo2", "4\tFo1", "6\tPh1", "7\tTe1")))
    )
    data = two_residents_month.load(folder)
    assert [f.line for f in data.faults] == [0] * 4
    for fault, column in zip(data.faults, "2467", strict=True):
        assert f"COLUMNS.txt:0: explains no column {column}," in str(fault)
    assert data.plan.sensors["2"].kind == "contact"  # the layout says so
    assert not {"4", "6", "7"} & set(data.plan.sensors)
    result = run_two_residents_month(folder, rivals_only=True, every=60.0)
    assert result["timer"]["kitchen"]["balanced_accuracy"].value == pytest.approx(0.5)  # nothing tells of it any more


def test_a_day_without_labels_is_named_and_not_scored(tmp_path: Path) -> None:
    whole, cut = write_month(tmp_path / "whole"), only_day(write_month(tmp_path / "cut"), 3)
    labels = whole / "labels.tsv"
    labels.write_text("\n".join(line for line in labels.read_text().splitlines() if not line.startswith("4\t")))
    add(labels, "4\t0\t2\t2", "9\t0\t1\t1")  # of the first resident still nothing is told; of day 9 there are no events
    result, other = (run_two_residents_month(folder, rivals_only=True, every=60.0) for folder in (whole, cut))
    assert figures(result) == figures(other)
    assert result["recordings"] == 1
    assert [fault.split(": ")[0] for fault in result["faults"]] == [f"{labels}:0"] * 2
    assert "day 9 has labels" in result["faults"][0]
    assert "day 4 has no label of resident 1;" in result["faults"][1]


def test_labels_of_no_day_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write_month(tmp_path)
    (folder / "labels.tsv").write_text("day\tsecond\tresident\tactivity\n")
    assert main(["two_residents_month", str(folder), "--rivals-only"]) == 2
    assert "labels.tsv:0: labels no day" in capsys.readouterr().err


def test_where_nothing_is_told_of_somebody_the_number_is_not_scored(tmp_path: Path) -> None:
    """From the first day's second 0 to 30,100 nothing is told of the first resident; on the other, from 31,000 on."""
    folder = write_month(tmp_path)
    text = (folder / "labels.tsv").read_text().replace("3\t0\t1\t1\n", "")
    (folder / "labels.tsv").write_text(text.replace("4\t31000\t1\t3\n", "4\t31000\t1\t99\n"))
    result = run_two_residents_month(folder, rivals_only=True, every=100.0)
    unknown = 301 + 1  # and from 31,000 to 31,100, when the next label comes
    for part, samples in ((result, 2 * 864 - unknown), (result["second_half"], 864 - 1)):
        for name in ("timer", "most_places_at_once_lately"):
            assert part[name]["count_accuracy"].samples == samples
    assert result["second_half"]["supervised_trees"]["count_accuracy"].samples == 864 - 1
    assert result["passages"] == 4
    assert ["second 30100" in fault or "activity 99" in fault for fault in result["faults"]] == [True, True]


def test_rows_that_cannot_be_are_named_and_left_out(tmp_path: Path) -> None:
    folder = write_month(tmp_path)
    usual = run_two_residents_month(folder, rivals_only=True, every=60.0)
    odd = ["3\t86400\t1\t1", "3\t500\t99\t1", "3\t600\t99\t0", "3\t500\t3\t7", "3\t-1\t3\t1", f"{10**9}\t5\t3\t1"]
    first = add(folder / "events.tsv", *odd)
    other = add(folder / "labels.tsv", "3\t90000\t1\t2", "3\t500\t3\t2")
    result = run_two_residents_month(folder, rivals_only=True, every=60.0)
    assert figures(result) == figures(usual)
    named = [fault.split(": ")[0] for fault in result["faults"]]
    assert named == [
        *(f"{folder / 'events.tsv'}:{first + k}" for k in (0, 1, 3, 4, 5)),  # column 99 once
        *(f"{folder / 'labels.tsv'}:{other + k}" for k in (0, 1)),
    ]
    words = ["second 86400", "column 99", "value 7", "second -1", "day 1000000000", "second 90000", "resident 3"]
    assert all(word in fault for word, fault in zip(words, result["faults"], strict=True))


def test_the_file_that_is_called_so_comes_before_others(tmp_path: Path) -> None:
    folder = write_month(tmp_path)
    usual = two_residents_month.load(folder)
    for name in ("backup_events.tsv", "a_labels.tsv", "OLD_COLUMNS.txt"):
        (folder / name).write_text("1\t1\t1\t1\n")
    assert two_residents_month.load(folder).rows.tolist() == usual.rows.tolist()


def test_steps_longer_than_a_day_score_nothing_and_say_so(tmp_path: Path) -> None:
    result = run_two_residents_month(write_month(tmp_path), rivals_only=True, every=1e10)
    assert result["timer"]["count_accuracy"].samples == 0


def test_one_day_of_one_resident_has_no_second_half(tmp_path: Path) -> None:
    assert "second_half" not in run_single_resident(write_house(tmp_path), rivals_only=True)
