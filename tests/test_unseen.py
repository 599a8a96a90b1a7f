"""The benchmark of unseen homes: plans are sound, and nobody in them walks through a wall or is in two places."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

import networkx as nx
import pytest

from benchmarks.unseen.__main__ import lived, main, scored
from benchmarks.unseen.homes import RandomHome
from benchmarks.unseen.lives import live
from presence import Floorplan
from presence.floorplan import AWAY

SEEDS = range(1, 17)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_random_home_has_a_dozen_rooms_that_can_all_be_reached(seed: int) -> None:
    plan = Floorplan.from_mapping(RandomHome(seed, 3).fields)
    assert 12 <= len(plan.indoor) <= 13
    assert nx.is_connected(nx.Graph(tuple(door.between) for door in plan.doors.values()))
    watched = {sensor.room for sensor in plan.sensors.values() if sensor.kind in ("motion", "occupancy")}
    assert len(watched & set(plan.indoor)) > len(plan.indoor) / 2


@pytest.mark.parametrize("seed", [1, 6, 8, 13])
def test_people_walk_through_doors_and_events_are_of_the_plan(seed: int) -> None:
    plan = Floorplan.from_mapping(RandomHome(seed, 3).fields)
    log, truth = lived(plan, seed, "own", 2)
    for person in {line.person for line in truth}:
        mine = [line for line in truth if line.person == person]
        assert all(a.time <= b.time for a, b in pairwise(mine))
        for before, after in pairwise(mine):
            assert after.door is not None
            assert set(plan.doors[after.door].between) == {before.room, after.room}
    assert {line.room for line in truth} >= {AWAY, "living", "kitchen"}
    for sensor in (s.id for s in plan.sensors.values() if s.kind == "motion"):
        said = [event.value for event in log if event.sensor == sensor]
        repeats = sum(a == b for a, b in pairwise(said))
        assert repeats <= 0.02 * len(said) + 2  # only where a message was lost


def test_the_same_seed_gives_the_same_life_and_another_seed_another() -> None:
    plan = Floorplan.from_mapping(RandomHome(5, 2).fields)
    assert live(plan, days=1, seed=3) == live(plan, days=1, seed=3)
    assert live(plan, days=1, seed=3) != live(plan, days=1, seed=4)


@pytest.mark.parametrize("asked", [("--people", "1,4"), ("--lives", "simulate")])
def test_what_is_not_known_is_refused(asked: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(list(asked))
    assert " ".join(asked) in capsys.readouterr().err


def test_a_home_is_scored() -> None:
    row = scored(12, 1, "own", 1)
    assert row["rooms"] > 0.9
    assert row["dark"] < row["timer_dark"]
    assert 0 < row["outer"][0] <= row["outer"][1]


def test_an_hour_that_comes_twice_is_no_hour_in_which_nobody_moves(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same life over a change of clocks: its reports are as far apart as in a week without one."""
    lives = []
    for begin in (datetime(2026, 10, 24), datetime(2026, 10, 10), datetime(2026, 3, 28)):
        monkeypatch.setattr("benchmarks.unseen.lives.BEGIN", begin)
        log, truth = live(Floorplan.from_mapping(RandomHome(5, 2).fields), days=2, seed=3)
        lives.append([(line.time.astimezone(UTC) - log[0].time.astimezone(UTC)) for line in (*log, *truth)])
    assert lives[0] == lives[1] == lives[2]
