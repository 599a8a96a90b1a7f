"""The benchmark of own places: its M step by hand, its E step against smoothing, and lives drawn from the model."""

from datetime import timedelta

import numpy as np
import pytest

from benchmarks.exact.drawing import draw_life
from benchmarks.own_places import dwelling, factors, from_tracks, learned, name_of, visits
from presence import Settings
from presence.floorplan import AWAY
from presence.places import states_of
from presence.smoothing import smooth
from tests.oracle import NOON, at, home, motion

SPOTS = {"west": ("hall", 0.0), "east": ("hall", 3.0), "near": ("bed", 6.0), "far": ("bed", 9.0)}
ZONED = {name: motion(room, hold=1.0, at=[x, 0]) for name, (room, x) in SPOTS.items()}
FLAT = home(2, **ZONED)
NAMES = [name_of(place) for place in states_of(FLAT).places]


def test_factors_are_visits_over_those_expected_each_with_pseudo_counts() -> None:
    """30 of 40 visits to `west` are P1's, who makes 50 of all 100: 20 expected, 20 pseudo-counts, so 50 / 40."""
    seconds, visited = np.zeros((2, len(NAMES))), np.zeros(len(NAMES))
    for name, shares, count in (("west", (3.0, 1.0), 40), ("east", (1.0, 2.0), 60)):
        seconds[:, NAMES.index(name)], visited[NAMES.index(name)] = shares, count
    found = factors(FLAT, seconds, visited)
    assert found["P1"]["west"] == pytest.approx((30 + 20) / (20 + 20), rel=1e-12)
    assert found["P1"]["east"] == pytest.approx((20 + 20) / (30 + 20), rel=1e-12)
    assert found["P2"]["west"] == pytest.approx((10 + 20) / (20 + 20), rel=1e-12)
    assert found["P1"]["near"] == 1.0
    assert AWAY not in found["P1"]


def test_a_visit_is_what_comes_from_another_place() -> None:
    names = ("west", "west", "east", "west", "far")
    log = [at(10.0 * n, name, "detected") for n, name in enumerate(names)] + [at(60.0, "far", "clear")]
    counted = dict(zip(NAMES, visits(FLAT, [log]).tolist(), strict=True))
    assert (counted["west"], counted["east"], counted["far"], counted["near"]) == (2.0, 1.0, 1.0, 0.0)


def test_seconds_are_those_that_smoothing_tells() -> None:
    log = draw_life(FLAT, 600.0, 5).events
    seconds, _ = dwelling(FLAT, [log], {}, numbering=True, every=20.0)
    beliefs = list(smooth(FLAT, log, every=20.0, joint_states=0))
    for p, person in enumerate(FLAT.people):
        for room in ("hall", "bed"):
            told = 20.0 * sum(belief.people[person][room] for belief in beliefs)
            ours = sum(s for s, place in zip(seconds[p], states_of(FLAT).places, strict=True) if place.room == room)
            assert ours == pytest.approx(told, rel=1e-6, abs=1e-6)


def test_own_places_come_back_from_lives_drawn_from_the_model() -> None:
    """Where the model is right nothing but the log is needed: who leans where is found, whoever is called who."""
    leaning = {"west": 8.0, "east": 2.0, "near": 0.5, "far": 0.125}
    own = {"P1": leaning, "P2": {name: 1.0 / factor for name, factor in leaning.items()}}
    truly = Settings(own_places=own, away_share=0.001, outer_door_rate=1e-6, dozing_rate=1e-7)
    logs = [draw_life(FLAT, 1200.0, n, start=NOON + timedelta(hours=3 * n), settings=truly).events for n in range(4)]
    found, history = learned(FLAT, logs, 3, from_tracks(FLAT, logs[0]))
    ours = np.array([np.log(found["P1"][name] / found["P2"][name]) for name in leaning])
    true = np.log(list(leaning.values()))
    assert abs(np.corrcoef(ours, true)[0, 1]) > 0.9
    assert abs(ours).max() > np.log(2.0)
    assert history[-1] > history[0]
