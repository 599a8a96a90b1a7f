"""The converters and rivals of `benchmarks/open_logs.py`, on tiny invented homes in the formats of the three sets."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import bootstrap
from sklearn.metrics import balanced_accuracy_score, f1_score
from sklearn.naive_bayes import BernoulliNB

from benchmarks.open_logs import main, run_single_resident, run_two_residents, run_two_residents_month
from benchmarks.open_sets import (
    passages,
    rivals,
    scores,
    single_resident,
    supervised,
    two_residents,
    two_residents_month,
)
from benchmarks.open_sets.layout import read_layout
from presence import Settings
from presence.learned import apply, write_learned

# Two rooms in a row, joined by an opening: dayroom with sensors M01 M02, workroom with M03 M04 and a cupboard D07.
FLAT = {
    "rooms": {
        "dayroom": {"sensors": ["M01", "M02"]},
        "workroom": {"sensors": ["M03", "M04", "D07", "I01"]},
        "outside": {"sensors": []},
    },
    "edges": [
        {"a": "dayroom", "b": "workroom", "kind": "opening", "sensor_pair": ["M02", "M03"]},
        {"a": "dayroom", "b": "outside", "kind": "door", "contact": "D01"},
    ],
    "sensor_at_metres": {"at": {"M01": [0, 0], "M02": [1, 0], "M03": [2, 0], "M04": [3, 0]}},
}
SESSION = """2030-01-01\t10:00:00.5\tM01\tON 1 1
2030-01-01\t10:00:01.25\tM04\tON 2 3\r
2030-01-01\t10:00:02.5\tM01\tOFF 1 1
2030-01-01 \t10:00:03\tD07\tOPENv 2 3
2030-01-01\t10:00:04\tM04\tOF 2 3
2030-01-01\t10:00:05.0\tD07\tOPEN 23
2030-01-01\t10:00:06.0\tM02\tON
2030-01-01\t10:00:07.0\tM03\tON  1 1
2030-01-01\t10:00:08.0\tI01\tABSENT 1 1
2030-01-01\t10:00:09.0\tM04\tON 2 3 1 1

The rest is missing
"""


def write_flat(folder: Path, session: str = SESSION) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "layout.json").write_text(json.dumps(FLAT))
    (folder / "S1.txt").write_text(session, newline="")
    return folder


def test_two_residents_names_every_bad_line_and_keeps_what_was_good(tmp_path: Path) -> None:
    data = two_residents.load(write_flat(tmp_path))
    assert [fault.line for fault in data.faults] == [4, 5, 6, 7, 11, 12]
    assert all(fault.path == str(tmp_path / "S1.txt") for fault in data.faults)
    for fault, word in zip(data.faults, ["OPENv", "'OF'", "'23'", "no tag", "''", "rest"], strict=True):
        assert word in fault.message
    seen = [(e.seconds % 60, e.sensor, e.value) for e in data.sessions[0].recording.events]
    assert seen == [
        (0.5, "M01", "detected"),
        (1.25, "M04", "detected"),
        (2.5, "M01", "clear"),
        (5.0, "D07", "pressed"),
        (6.0, "M02", "detected"),
        (7.0, "M03", "detected"),
        (9.0, "M04", "detected"),
    ]


def test_two_residents_plan_has_places_hold_and_the_way_out(tmp_path: Path) -> None:
    data = two_residents.load(write_flat(tmp_path))
    kinds = {sensor.id: sensor.kind for sensor in data.plan.sensors.values()}
    assert kinds == dict.fromkeys(["M01", "M02", "M03", "M04"], "motion") | {"D07": "switch", "D01": "contact"}
    assert data.plan.sensors["M02"].at == (1, 0)
    assert data.hold == pytest.approx(2.0)  # M01 is the only sensor with an on-time
    assert {door.between for door in data.plan.doors.values()} == {("dayroom", "workroom"), ("dayroom", "away")}


def test_true_room_is_that_of_the_latest_event_but_an_off(tmp_path: Path) -> None:
    lines = ["00:00.0\tM01\tON 1 1", "00:01.0\tM04\tON 2 1", "00:02.0\tM03\tON 1 1", "00:03.0\tM01\tOFF 1 1"]
    text = "\n".join(f"2030-01-01\t10:{line}" for line in lines)
    data = two_residents.load(write_flat(tmp_path, text))
    grid = data.sessions[0].recording.start + np.array([0.0, 1.0, 2.0, 3.0])
    assert two_residents.true_rooms(data.sessions[0], data.layout, grid, off_edges=False).tolist() == [
        [0, -1],
        [0, 1],
        [1, 1],
        [1, 1],
    ]
    assert two_residents.true_rooms(data.sessions[0], data.layout, grid, off_edges=True)[3].tolist() == [0, 1]


def test_sessions_come_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    write_flat(tmp_path)
    for name in ("S10.txt", "S2.txt"):
        (tmp_path / name).write_text(SESSION)
    assert [s.recording.name for s in two_residents.load(tmp_path).sessions] == ["S1", "S2", "S10"]


def test_greedy_follows_two_people_at_the_ends_of_the_flat(tmp_path: Path) -> None:
    lines = [f"2030-01-01\t10:00:{t:02}.0\t{'M01' if t % 2 else 'M04'}\tON {1 + t % 2} 1" for t in range(10)]
    result = run_two_residents(write_flat(tmp_path, "\n".join(lines)), rivals_only=True)
    assert result["greedy"]["same_person"].value == pytest.approx(1.0, abs=1e-12)
    assert result["greedy"]["identity_whole_session"].value == pytest.approx(1.0, abs=1e-12)
    assert result["greedy"]["room_set"].value == pytest.approx(1.0, abs=1e-12)
    assert result["always_same"]["same_person"].value == pytest.approx(0.0, abs=1e-12)  # they take turns


def test_distances_go_through_the_opening(tmp_path: Path) -> None:
    write_flat(tmp_path)
    layout = read_layout(tmp_path / "layout.json")
    bent = dict(layout.at) | {"M03": (1.0, 1.0), "M04": (0.0, 1.0)}  # M04 lies behind the wall from M01
    distances = rivals.sensor_distances(type(layout)(layout.rooms, layout.edges, bent))
    assert distances["M01"]["M04"] == pytest.approx(3.0, abs=1e-12)


HOUSE_B = {
    "rooms": {"kitchen": [3], "hall": [1], "bathroom": [2], "bedroom": [5], "outside": []},
    "edges": [
        ["hall", "outside", "door, contact 1", "map"],
        ["hall", "bathroom", "door, contact 2", "map"],
        ["hall", "kitchen", "opening", "map"],
        ["hall", "bedroom", "door", "map"],
    ],
}
MIDNIGHT = 1893456000  # 2030-01-01 00:00 UTC


def write_house(folder: Path, letter: str = "B") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "layout.json").write_text(json.dumps({"how_known": "invented", f"house_{letter}": HOUSE_B}))
    stem = folder / f"house{letter}"
    names = {1: "Front door", 2: "Hall-Bathroom door", 3: "Cups cupboard", 5: "bed pressure mat"}
    stem.with_suffix(".sensor_names").write_text("\n".join(f"{k}\t{v}" for k, v in names.items()))
    activities = {1: "leave-house", 2: "prep-dinner", 3: "take-shower", 4: "go-to-bed"}
    stem.with_suffix(".activity_names").write_text("\n".join(f"{k}\t{v}" for k, v in activities.items()))
    sensors = [(600, 5, 3), (3600, 4, 1), (7190, 6, 1), (7300, 9, 3), (9000, 5, 2), (20000, 9000, 5), (30000, 1, 9)]
    doing = [(500, 600, 2), (3610, 3600, 1), (7300, 400, 2), (9010, 300, 3), (19900, 9500, 4)]
    for suffix, rows in ((".sensors", sensors), (".activities", doing)):
        stem.with_suffix(suffix).write_text("\n".join(f"{MIDNIGHT + a}\t{b}\t{c}" for a, b, c in rows) + "\nx y z\n")
    return folder


@pytest.mark.parametrize("letter", ["A", "B"])
def test_single_resident_reads_any_house(tmp_path: Path, letter: str) -> None:
    data = single_resident.load(write_house(tmp_path, letter))
    assert {s.id: s.kind for s in data.plan.sensors.values()} == {
        "1": "contact", "2": "contact", "3": "switch", "5": "pressure",
    }  # fmt: skip
    assert data.plan.people["P1"].bed == "bedroom"
    seen = [(int(e.seconds) - MIDNIGHT, e.sensor, e.value) for e in data.recording.events]
    assert seen[:5] == [
        (600, "3", "pressed"), (3600, "1", "open"), (3604, "1", "closed"), (7190, "1", "open"), (7196, "1", "closed"),
    ]  # fmt: skip
    assert seen[-2:] == [(20000, "5", "pressed"), (29000, "5", "released")]
    assert data.away.tolist() == [[MIDNIGHT + 3610, MIDNIGHT + 7210]]
    assert [(fault.line, "sensor 9" in fault.message) for fault in data.faults] == [(8, False), (6, False), (0, True)]


def test_single_resident_rivals_on_one_plain_outing(tmp_path: Path) -> None:
    result = run_single_resident(write_house(tmp_path), rivals_only=True)
    toggle = result["toggle_with_reset"]
    assert result["passages"] == 2
    assert toggle["direction_at_once"].value == pytest.approx(1.0, abs=1e-12)
    assert toggle["direction_final"].value == pytest.approx(1.0, abs=1e-12)
    minutes = toggle["home_accuracy"].samples  # wrong at 3600 (label from 3610) and at 7200 (label until 7210)
    assert toggle["home_accuracy"].value == pytest.approx(1 - 2 / minutes, abs=1e-12)


COLUMNS = """SENSOR EXPLANATIONS
Column\tSensor ID\tSensor Type\tPlace
1\tCo1\tContact Sensor\tHouse Door
2\tCo2\tContact Sensor\tBathroom Door
3\tDi1\tDistance\tWater Closet
4\tFo1\tForce Sensor\tBed
5\tSo1\tSonar Distance\tHall
6\tPh1\tPhotocell\tFridge
7\tTe1\tTemperature\tKitchen
8\tDi2\tDistance\tChair
ACTIVITY EXPLANATIONS
1\tOther
2\tGoing Out
3\tPreparing Lunch
4\tHaving Lunch
5\tToileting
"""
MONTH = {
    "rooms": {
        "hall": {"columns": [1, 5], "sensors": ["Co1 door", "So1 hall"]},
        "bathroom": {"columns": [2, 3], "sensors": ["Co2 door", "Di1 wc"]},
        "bedroom": {"columns": [4], "sensors": ["Fo1 bed"]},
        "kitchen": {"columns": [6, 7], "sensors": ["Ph1 fridge", "Te1 heat"]},
        "living": {"columns": [8], "sensors": ["Di2 chair"]},
        "outside": {"columns": []},
    },
    "edges": [
        {"a": "hall", "b": "outside", "kind": "door", "contact_column": 1},
        {"a": "hall", "b": "bathroom", "kind": "door", "contact_column": 2},
        {"a": "hall", "b": "bedroom", "kind": "door"},
        {"a": "hall", "b": "kitchen", "kind": "open plan"},
        {"a": "hall", "b": "living", "kind": "open plan"},
    ],
}


def write_month(folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "COLUMNS.txt").write_text(COLUMNS)
    other: dict[str, Any] = {"rooms": {"hall": {"columns": [1], "sensors": ["Xy9 door"]}}, "edges": []}
    (folder / "layout.json").write_text(json.dumps({"house_A": other, "house_B": MONTH}))
    on = [(4, 0, 30000), (2, 30100, 30400), (3, 30120, 30380), (5, 30450, 30452), (6, 31000, 31010), (7, 31000, 31500),
          (8, 31100, 33000), (1, 40000, 40005), (1, 50000, 50004)]  # fmt: skip
    rows = sorted((day, t, c, v) for day in (3, 4) for c, up, down in on for t, v in ((up, 1), (down, 0)))
    (folder / "events.tsv").write_text(
        "\n".join(["day\tsecond\tcolumn\tvalue", *("\t".join(map(str, r)) for r in rows)])
    )
    told = [
        (0, 1, 1),
        (30100, 1, 5),
        (30420, 1, 1),
        (31000, 1, 3),
        (31100, 1, 4),
        (40020, 1, 2),
        (49900, 1, 1),
        (0, 2, 2),
    ]
    labels = [(day, *row) for day in (3, 4) for row in told]
    (folder / "labels.tsv").write_text(
        "\n".join(["day\tsecond\tresident\tactivity", *("\t".join(map(str, r)) for r in labels)])
    )
    return folder


def test_month_kinds_come_from_the_words_of_the_columns(tmp_path: Path) -> None:
    data = two_residents_month.load(write_month(tmp_path))
    assert {s.id: s.kind for s in data.plan.sensors.values()} == {
        "1": "contact", "2": "contact", "3": "pressure", "4": "pressure", "5": "motion", "6": "switch", "8": "pressure",
    }  # fmt: skip
    assert [room.id for room in data.plan.rooms.values() if room.rest] == ["bedroom"]
    assert data.rooms == {2: "away", 3: "kitchen", 4: "living", 5: "bathroom"}


def test_month_days_stand_alone_and_a_door_shut_in_use_is_read_as_shut(tmp_path: Path) -> None:
    data = two_residents_month.load(write_month(tmp_path))
    assert [day.number for day in data.days] == [3, 4]
    first, second = (
        [(e.seconds - day.recording.start, e.sensor, e.value) for e in day.recording.events] for day in data.days
    )
    assert first == second
    assert first[0] == (0, "4", "pressed")
    assert {(30100, "2", "closed"), (30400, "2", "open")} <= set(first)
    assert {(40000, "1", "open"), (40005, "1", "closed")} <= set(first)


def test_what_is_on_at_midnight_ends_with_its_day() -> None:
    rows = np.array([(1, 10, 4, 1), (1, 20, 4, 0), (1, 86000, 4, 1), (2, 5, 4, 1), (2, 9, 4, 0)])
    day_0 = datetime(2001, 1, 4, tzinfo=UTC).timestamp()
    found = two_residents_month.intervals(rows, "4") - day_0 - [[86400], [86400], [2 * 86400]]
    assert found.tolist() == [[10, 20], [86000, 86400], [5, 9]]


def test_the_months_truth_and_rivals_score_as_worked_out(tmp_path: Path) -> None:
    result = run_two_residents_month(write_month(tmp_path), rivals_only=True, every=5.0)
    assert result["passages"] == 4  # one out and one in on each day
    # by the labels 1 is home but for 9,880 s of the day and 2 never is; places stay silent for most of it
    assert 0 < result["timer"]["count_accuracy"].value < 1
    assert result["timer"]["bathroom"]["balanced_accuracy"].value > 0.99
    assert result["movement_before"]["direction_at_once"].value == pytest.approx(0.5, abs=1e-12)


@pytest.mark.parametrize("name", ["two_residents", "single_resident", "two_residents_month"])
def test_the_tracker_runs_over_each_set(tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    write = {"two_residents": write_flat, "single_resident": write_house, "two_residents_month": write_month}[name]
    assert main([name, str(write(tmp_path)), "--json", "--every", "120"]) == 0
    result = json.loads(capsys.readouterr().out)
    figures = [value for value in result["tracker"].values() if isinstance(value, dict) and "samples" in value]
    assert any(figure["samples"] for figure in figures)
    assert all(figure["samples"] == 0 or 0.0 <= figure["value"] < math.inf for figure in figures)


def test_a_folder_without_a_set_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["two_residents", str(tmp_path), "--json"]) == 2
    output = capsys.readouterr()
    assert output.out == ""
    assert "layout.json" in output.err


INTERVALS = st.lists(st.tuples(st.integers(0, 200), st.integers(0, 30)), max_size=8)


@settings(max_examples=25)
@given(INTERVALS, st.lists(st.integers(0, 200), max_size=5))
def test_seconds_since_active_agree_with_looking_at_every_second(
    pairs: list[tuple[int, int]], pulses: list[int]
) -> None:
    on = np.array([(start, start + length) for start, length in pairs], dtype=float).reshape(-1, 2)
    ages = rivals.since_active(on, np.array(pulses, dtype=float), np.arange(240.0))
    for now in range(240):
        past = [t for t in range(now + 1) if any(a <= t <= b for a, b in on) or t in pulses]
        assert ages[now] == (now - past[-1] if past else np.inf)


@given(st.lists(st.integers(0, 2), min_size=1, max_size=40), st.integers(0, 10))
def test_running_maximum_agrees_with_slices(values: list[int], width: int) -> None:
    found = rivals.lately(np.array(values), width)
    assert found.tolist() == [max(values[max(0, k - width) : k + 1]) for k in range(len(values))]


def test_scores_agree_with_scikit_learn() -> None:
    generator = np.random.default_rng(5)
    truth = [generator.random(200) < 0.3 for _ in range(4)]
    said = [t ^ (generator.random(200) < 0.2) for t in truth]
    found = scores.detection(said, truth)
    whole, answers = np.concatenate(truth), np.concatenate(said)
    assert found["balanced_accuracy"].value == pytest.approx(balanced_accuracy_score(whole, answers), abs=1e-12)
    assert found["f1"].value == pytest.approx(f1_score(whole, answers), abs=1e-12)


def test_a_cut_at_the_mean_asks_no_label_and_agrees_with_scikit_learn() -> None:
    generator = np.random.default_rng(6)
    truth = [generator.random(300) < 0.1 for _ in range(3)]
    known = [generator.random(300) < 0.7 for _ in range(3)]
    p = [np.clip(0.3 * t + 0.3 * generator.random(300), 0.0, 1.0) for t in truth]
    found = scores.detection_by_probability(p, truth, known)
    asked, cut = np.concatenate(known), np.concatenate(p).mean()
    whole, q = np.concatenate(truth)[asked], np.concatenate(p)[asked]
    for name, said in (("", q > 0.5), ("_cut_at_mean", q > cut)):
        balanced = balanced_accuracy_score(whole, said)
        assert found["balanced_accuracy" + name].value == pytest.approx(balanced, abs=1e-12)
        assert found["f1" + name].value == pytest.approx(f1_score(whole, said), abs=1e-12)
    hidden = scores.detection_by_probability(p, [~t for t in truth], known)
    assert hidden["balanced_accuracy_cut_at_mean"].value == pytest.approx(
        1.0 - found["balanced_accuracy_cut_at_mean"].value, abs=1e-12
    )


def test_bootstrap_interval_has_the_width_of_the_mean_of_recordings() -> None:
    hits = [np.array([float(k % 2)]) for k in range(100)]
    score = scores.share(hits)  # mean .5 of 100 recordings: standard error .05, so 1.96 of them each way
    assert (score.low, score.high) == pytest.approx((0.402, 0.598), abs=0.015)


def test_a_difference_of_figures_of_the_same_recordings_is_known_better_than_either() -> None:
    """Against scipy's paired bootstrap; recordings differ much, their differences little."""
    generator = np.random.default_rng(7)
    hard = generator.uniform(0.2, 0.9, 12)
    before = [generator.random(400) < p for p in hard]
    after = [hits | (generator.random(400) < 0.1) for hits in before]
    one, other = scores.share(after), scores.share(before)
    gained = scores.difference(one, other)
    means = np.array([[hits.mean() for hits in each] for each in (after, before)])
    drawn = bootstrap(
        tuple(means),
        lambda a, b: a.mean() - b.mean(),
        paired=True,
        vectorized=False,
        method="percentile",
        rng=generator,
    )
    assert gained.value == pytest.approx(means[0].mean() - means[1].mean(), abs=1e-12)
    assert (gained.low, gained.high) == pytest.approx(tuple(drawn.confidence_interval), abs=0.004)
    assert gained.high - gained.low < 0.2 * (one.high - one.low)
    with pytest.raises(ValueError, match="same recordings"):
        scores.difference(one, scores.share(before[:-1]))


def test_labels_go_to_the_nearest_opening_within_five_minutes() -> None:
    opened = np.array([1000.0, 5000.0])
    labels = [(990.0, True), (995.0, True), (4800.0, False), (5301.0, True)]
    assert passages.true_passages(labels, opened) == [(1000.0, True), (5000.0, False)]


def test_toggle_counts_two_openings_of_one_visit_once() -> None:
    front, inside = np.array([100.0, 105.0, 900.0]), np.array([50.0, 950.0])
    times, home = rivals.toggle(front, inside, pause=60.0)
    assert dict(zip(times.tolist(), home.tolist(), strict=True)) == {
        50.0: True, 100.0: False, 105.0: False, 900.0: True, 950.0: True,
    }  # fmt: skip


# --- references that are given labels --------------------------------------------------------------------------------
def test_trees_that_see_the_tags_of_the_first_half_name_people_in_the_second(tmp_path: Path) -> None:
    """Resident 1 keeps to one end of the flat and resident 2 to the other, so tags of earlier sessions tell it all."""
    folder = write_flat(tmp_path)
    (folder / "S1.txt").unlink()
    for k in range(1, 5):
        generator = np.random.default_rng(k)
        ends = generator.random(120) < 0.5
        lines = [
            f"2030-01-0{k}\t10:{n // 20:02}:{3 * (n % 20):02}.0\t{'M01' if end else 'M04'}\tON {1 if end else 2} 1"
            for n, end in enumerate(ends)
        ]
        (folder / f"S{k}.txt").write_text("\n".join(lines))
    result = run_two_residents(folder, part="second", rivals_only=True)["supervised_trees"]
    assert result["identity_whole_session"].value == pytest.approx(1.0, abs=1e-12)
    assert result["same_person"].value == pytest.approx(1.0, abs=1e-12)
    assert result["room_set"].value == pytest.approx(1.0, abs=1e-12)
    assert "supervised_trees" not in run_two_residents(folder, part="first", rivals_only=True)


@given(st.integers(0, 2**32))
def test_a_chain_of_one_step_is_scikit_learns_naive_bayes(seed: int) -> None:
    generator = np.random.default_rng(seed)
    labels = np.concatenate([[0, 1, 2], generator.integers(0, 3, 40)])
    features = generator.random((43, 5)) < 0.2 + 0.2 * labels[:, None]
    asked = generator.random((9, 5)) < 0.5
    days = [(row[None], label[None]) for row, label in zip(features, labels, strict=True)]  # days of one instant
    found = supervised.naive_bayes_chain([x for x, _ in days], [y for _, y in days], [row[None] for row in asked], 3)
    prior = (np.bincount(labels, minlength=3) + 1) / 46
    bayes = BernoulliNB(alpha=1.0, class_prior=prior).fit(features, labels)
    assert np.concatenate(found).tolist() == bayes.predict(asked).tolist()


def test_the_chain_remembers_what_nothing_tells_any_more() -> None:
    """One day of two long states, of which only the beginnings show: the chain holds on, naive Bayes cannot."""
    shown = np.zeros((400, 2), dtype=np.bool_)
    shown[0:3, 0] = shown[200:203, 1] = True
    state = np.repeat([0, 1], 200)
    found = supervised.naive_bayes_chain([shown], [state], [shown], 2)[0]
    alone = BernoulliNB().fit(shown, state).predict(shown)
    assert (found == state).mean() > (alone == state).mean() + 0.2


def test_the_month_has_supervised_references(tmp_path: Path) -> None:
    month = run_two_residents_month(write_month(tmp_path / "month"), part="second", rivals_only=True, every=5.0)
    assert month["supervised_trees"]["count_accuracy"].value > 0.95  # the second day is the first one over again
    assert month["supervised_chain"]["count_accuracy"].samples == month["timer"]["count_accuracy"].samples
    assert month["supervised_trees"]["bathroom"]["balanced_accuracy"].value > 0.9


def test_what_was_learned_for_another_plan_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = tmp_path / "learned.json"
    wrong.write_text("{}")
    assert main(["single_resident", str(write_house(tmp_path / "house")), "--learned", str(wrong)]) == 2
    assert "learned.json" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["single_resident", str(tmp_path), "--learned", str(wrong), "--settings", '{"door_rate": 0.1}'])


def test_what_was_learned_is_used(tmp_path: Path) -> None:
    folder, path = write_house(tmp_path / "house"), tmp_path / "learned.json"
    plan = single_resident.load(folder).plan
    write_learned(path, plan, apply(plan, Settings(outer_door_rate=0.0123), {}, {}, {}))
    other = Settings(outer_door_rate=0.0123)
    given: list[dict[str, Any]] = [{"learned": path}, {"settings": other}, {}]
    found, same, usual = (run_single_resident(folder, **more)["tracker"]["log_likelihood"] for more in given)
    assert found == pytest.approx(same, abs=1e-9)
    assert found != pytest.approx(usual, abs=1e-3)
