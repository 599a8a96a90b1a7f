"""Advice on sensors: paired lives, differences that add up, words that say how sure they are."""

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from presence import cli
from presence.advice_text import sentence, text, to_mapping
from presence.advise import (
    ADDABLE,
    FIGURES,
    T_95,
    Advice,
    Change,
    Gain,
    Spread,
    Trial,
    advise,
    candidates,
    run_trial,
)
from presence.errors import SettingError
from presence.evaluate import evaluate
from presence.events import reorder
from presence.floorplan import Floorplan
from presence.learned import apply, write_learned
from presence.replay import replay
from presence.settings import Settings
from presence.simulate import simulate
from presence.snapshot import Belief

PLANS = Path(__file__).parents[1] / "floorplans"


@pytest.fixture(scope="module")
def flat() -> Floorplan:
    return Floorplan.load(PLANS / "one_room_flat.yaml")


def without(plan: Floorplan, *names: str) -> Floorplan:
    return replace(plan, sensors={name: s for name, s in plan.sensors.items() if name not in names})


# --- what is tried ---------------------------------------------------------------------------------------------------
def test_each_kind_is_tried_where_the_plan_has_none() -> None:
    plan = Floorplan.load(PLANS / "two_storey_garage.yaml")
    tried = {kind: [c.sensor for c in candidates(plan, [kind], removals=False)] for kind in ADDABLE}
    assert [s.room for s in tried["motion"]] == ["cloakroom", "ensuite"]
    assert "study" not in {s.room for s in tried["occupancy"]}
    assert len(tried["occupancy"]) == 13
    assert {s.room for s in tried["camera"]} == {"front_path", "garden"}
    assert {s.room for s in tried["pressure"]} == {"main_bedroom", "garden_bedroom", "spare_bedroom"}
    assert not tried["phone"]
    assert not {s.door for s in tried["contact"]} & {"front", "overhead", "stairs"}
    removed = [c.sensor.id for c in candidates(plan, []) if not c.added]
    assert removed == list(plan.sensors)
    with pytest.raises(SettingError, match="'lock' cannot be tried"):
        candidates(plan, ["lock"])


@pytest.mark.parametrize("name", ["two_storey_garage", "shared_house"])
def test_no_candidate_changes_the_lives_nor_what_other_sensors_report(name: str) -> None:
    plan = Floorplan.load(PLANS / f"{name}.yaml")
    before = simulate(plan, days=1, seed=3)
    added = [c.sensor for c in candidates(plan, ADDABLE, removals=False)]
    after = simulate(replace(plan, sensors={**plan.sensors, **{s.id: s for s in added}}), days=1, seed=3)
    assert after.truth == before.truth
    assert [event for event in after.log if event.sensor in plan.sensors] == before.log
    assert {event.sensor for event in after.log} - set(plan.sensors)


# --- trials ----------------------------------------------------------------------------------------------------------
def test_a_trial_is_what_evaluate_says_and_doubt_what_replay_says(flat: Floorplan) -> None:
    found = run_trial(Trial(flat, None, 2, 1.0, 60.0))
    lives = simulate(flat, days=1, seed=2)
    scores = evaluate(flat, reorder(lives.log), lives.truth)
    assert {name: found[name] for name in FIGURES[:2]} == scores.switching
    assert found["log_loss"] == scores.rooms["log_loss"]
    beliefs = [line for line in replay(flat, reorder(lives.log)) if isinstance(line, Belief)]
    bits = [sum(stats.entropy([p, 1 - p], base=2) for p in belief.rooms.values()) for belief in beliefs]
    assert found["doubt"] == pytest.approx(np.mean(bits), abs=1e-6)


def test_what_was_learned_follows_the_same_lives(flat: Floorplan) -> None:
    """Also where it names the sensor that is taken away."""
    named = {"motion_rates": {"bathroom_motion": 2.0}, "rising_rate": {"bathroom": 3.0}}
    learned = Settings(rising_rate=1 / 300, factors=named, own_places={"noor": {"bathroom_motion": 2.0}})
    lives = simulate(flat, days=1, seed=2)
    found = run_trial(Trial(flat, None, 2, 1.0, 60.0, learned))
    assert found["log_loss"] == evaluate(flat, reorder(lives.log), lives.truth, settings=learned).rooms["log_loss"]
    removed = Change(flat.sensors["bathroom_motion"], added=False)
    fewer = run_trial(Trial(flat, removed, 2, 1.0, 60.0, learned))
    assert fewer != run_trial(Trial(flat, removed, 2, 1.0, 60.0))


def test_taking_away_is_the_plan_without_and_adding_the_plan_with(flat: Floorplan) -> None:
    sensor = flat.sensors["bathroom_motion"]
    fewer = without(flat, "bathroom_motion")
    removed = run_trial(Trial(flat, Change(sensor, added=False), 1, 1.0, 60.0))
    added = run_trial(Trial(fewer, Change(sensor, added=True), 1, 1.0, 60.0))
    assert removed == run_trial(Trial(fewer, None, 1, 1.0, 60.0))
    again = replace(fewer, sensors={**fewer.sensors, sensor.id: sensor})  # the sensors in that order
    assert added == run_trial(Trial(again, None, 1, 1.0, 60.0))
    assert removed != added


def test_a_sensor_in_a_room_without_any_is_found_and_said(flat: Floorplan) -> None:
    plan = without(flat, "bathroom_motion")
    advice = advise(plan, days=1.0, seeds=(1, 2, 3), kinds=["motion", "contact"], removals=False)
    best, other = advice.gains
    assert (best.change.sensor.room, other.change.sensor.door) == ("bathroom", "studio_bathroom")
    saved = best.saved["false_off_minutes_per_day"]
    assert saved.mean > 0.5 * advice.now["false_off_minutes_per_day"]
    assert saved.mean > other.saved["false_off_minutes_per_day"].mean
    assert best.saved["doubt"].mean > 0
    assert best.saved["log_loss"].mean > 0
    alone = [run_trial(Trial(plan, c, 2, 1.0, 60.0))["doubt"] for c in (None, best.change)]
    assert best.saved["doubt"].values[1] == alone[0] - alone[1]
    told = text(advice)
    assert "A motion sensor in the bathroom" in told
    assert "over 3 seeds" in told
    found = to_mapping(advice)["changes"]
    assert [c["sensor"] for c in found] == ["bathroom_motion", "studio_bathroom_contact"]
    assert found[0]["saved"]["doubt"]["by_seed"] == list(best.saved["doubt"].values)


# --- how sure, in words ----------------------------------------------------------------------------------------------
def test_quantiles_are_those_of_students_t() -> None:
    assert pytest.approx(stats.t.ppf(0.975, np.arange(1, len(T_95) + 1)), abs=6e-4) == T_95


@pytest.mark.parametrize("values", [(1.0, 2.0, 4.0), (0.1, -0.2, 0.3, 0.2), (3.0, 3.0)])
def test_sure_is_a_paired_t_test_at_five_per_cent(values: tuple[float, ...]) -> None:
    spread = Spread(values)
    interval = (
        stats.t.interval(0.95, len(values) - 1, np.mean(values), stats.sem(values)) if len(set(values)) > 1 else 0
    )
    if interval:
        assert (spread.mean - spread.margin, spread.mean + spread.margin) == pytest.approx(interval, rel=1e-3)
        assert spread.sure == (stats.ttest_1samp(values, 0.0).pvalue < 0.05)
    else:
        assert spread.sure
    assert not Spread(values[:1]).sure


@pytest.mark.parametrize(
    ("values", "added", "words"),
    [
        (
            (12, 20, 27, 21, 20),
            True,
            "A motion sensor in the pantry would save about 20 of 60 dark minutes a day"
            " (between 12 and 27 over 5 seeds).",
        ),
        (
            (-12, -20, -27, -21, -20),
            False,
            "Without pantry_motion there would be about 20 more dark minutes a day than 60"
            " (between 12 and 27 over 5 seeds).",
        ),
        (
            (-3, 2, 1),
            True,
            "A motion sensor in the pantry: within noise (from 3 more to 2 fewer dark minutes a day over 3 seeds).",
        ),
        (
            (1, 40, 2),
            True,
            "A motion sensor in the pantry: probably fewer, but not sure (from 1 fewer to 40 fewer dark minutes a"
            " day over 3 seeds; more seeds would tell).",
        ),
        (
            (-1, -40, -2),
            False,
            "Without pantry_motion: probably more, but not sure (from 1 more to 40 more dark minutes a day over 3"
            " seeds; more seeds would tell).",
        ),
        (
            (0.1, -0.2, 0),
            False,
            "Without pantry_motion: no difference (less than half a dark minute a day over 3 seeds).",
        ),
        (
            (14,),
            True,
            "A motion sensor in the pantry: 14 fewer dark minutes a day in one life.",
        ),
        (
            (-1_234.4,),
            True,
            "A motion sensor in the pantry: 1,234 more dark minutes a day in one life.",
        ),
        (
            (1.2,),
            False,
            "Without pantry_motion: 1 fewer dark minute a day in one life.",
        ),
        (
            (-1.1, -1.2, -1.0),
            True,
            "A motion sensor in the pantry would cost about 1 more dark minute a day than 60"
            " (between 1 and 1 over 3 seeds).",
        ),
    ],
)
def test_words_say_how_much_and_how_sure(flat: Floorplan, values: tuple[float, ...], added: bool, words: str) -> None:
    sensor = replace(flat.sensors["studio_motion"], id="pantry_motion", room="pantry")
    gain = Gain(Change(sensor, added), {name: Spread(tuple(map(float, values))) for name in FIGURES})
    advice = Advice("home", 3.0, tuple(range(len(values))), dict.fromkeys(FIGURES, 60.0), (gain,), ())
    assert sentence(gain, advice) == words
    told = text(advice)
    assert words in " ".join(told.split())
    assert max(map(len, told.splitlines())) <= 110
    assert told.count("One life tells little") == (len(values) == 1)
    assert ("95 % interval" in told) == ("by chance alone" in told) == (len(values) > 1)


@pytest.mark.parametrize(
    ("door", "called"),
    [("wash_door", "the wash door"), ("side_gate", "the side gate"), ("hall_study", "the hall study door")],
)
def test_a_door_is_called_a_door_once(flat: Floorplan, door: str, called: str) -> None:
    sensor = replace(flat.sensors["studio_motion"], id="new_contact", kind="contact", room=None, door=door)
    gain = Gain(Change(sensor, True), {name: Spread((9.0,)) for name in FIGURES})
    advice = Advice("home", 3.0, (1,), dict.fromkeys(FIGURES, 60.0), (gain,), ())
    assert sentence(gain, advice).startswith(f"A contact on {called}: ")


# --- the command -----------------------------------------------------------------------------------------------------
def test_the_command_tells_gains_in_both_forms_and_names_faults(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = str(PLANS / "one_room_flat.yaml")
    monkeypatch.setattr("presence.cli_many.cores", lambda workers: 0)
    short = ["--days", "1", "--seeds", "1,2", "--no-removals"]
    assert cli.run(["advise", plan, *short, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [c["sensor"] for c in found["changes"]] == ["studio_bathroom_contact"]
    assert found["seeds"] == [1, 2]
    learned = str(tmp_path / "learned.json")
    write_learned(learned, Floorplan.load(plan), apply(Floorplan.load(plan), Settings(rising_rate=1 / 300), {}, {}))
    assert cli.run(["advise", plan, *short, "--learned", learned]) == 0
    told = capsys.readouterr().out
    assert "Sensors to add" in told
    assert cli.run(["advise", plan, *short]) == 0
    assert told != capsys.readouterr().out
    other = str(PLANS / "open_plan_bungalow.yaml")
    assert cli.run(["advise", other, *short, "--learned", learned]) == 2
    assert "another plan" in capsys.readouterr().err
    for bad in (["--kinds", "radar"], ["--seeds", "x"], ["--days", "0"], ["--every", "0.0"]):
        assert cli.run(["advise", plan, *bad]) == 2
        captured = capsys.readouterr()
        assert (captured.out, len(captured.err.splitlines())) == ("", 1)
        assert bad[1] in captured.err
        assert "unexpected" not in captured.err


def test_where_nothing_is_to_be_tried_nobody_lives_and_it_says_so(
    flat: Floorplan, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.modules["presence.advise"], "run_many", lambda *_, **__: pytest.fail("somebody lived"))
    plan = str(PLANS / "one_room_flat.yaml")
    for kinds in ("motion", ""):  # both rooms have one
        assert cli.run(["advise", plan, "--kinds", kinds, "--no-removals"]) == 2
        captured = capsys.readouterr()
        assert captured.out == ""
        assert captured.err.startswith("presence: kinds: nothing to try: ")
        assert "camera" in captured.err.partition("; ")[2]


def test_a_kind_that_is_named_twice_is_tried_once(flat: Floorplan) -> None:
    once, twice = (candidates(flat, kinds) for kinds in (["contact", "motion"], ["contact", "motion", "contact"]))
    assert twice == once
    assert any(change.added for change in once)


def test_a_home_that_says_too_little_is_told_so(flat: Floorplan) -> None:
    with pytest.raises(SettingError, match=r"in 0\.1 days its sensors say too little to be scored"):
        advise(without(flat, *flat.sensors), days=0.1, seeds=[1])


def test_the_only_sensor_is_not_taken_away(flat: Floorplan) -> None:
    only = without(flat, *[name for name in flat.sensors if name != "studio_motion"])
    assert all(change.added for change in candidates(only, []))
