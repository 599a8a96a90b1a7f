"""What a night of lying still and turning over tells of how many sleep in one room."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.nights import BLIND, HOLD, IN_BED, MORNING, START, bedroom_for_two, night, told
from presence import Settings

PLAN = bedroom_for_two()


@pytest.mark.parametrize("seen", [0.8, 1.6])
def test_a_night_tells_two_who_sleep_from_one(seen: float) -> None:
    """Nats in favour of two, in the mean of the same eight nights."""
    one, two = (
        np.mean([told(PLAN, night(sleepers, seen, seed), Settings()) for seed in range(8)]) for sleepers in (1, 2)
    )
    assert two > one + 2.0
    assert two > 0.0


def test_who_stirs_less_in_the_model_is_less_missed_in_the_night() -> None:
    """Fewer spells awake are expected, so a night in which two lie still tells less against two."""
    quiet = [night(2, 0.4, seed) for seed in range(4)]
    usual, sound = (
        np.mean([told(PLAN, log, Settings(night_waking_rate=rate)) for log in quiet]) for rate in (1 / 7200, 1 / 28800)
    )
    assert usual < sound - 1.0


def test_a_night_is_what_one_sensor_can_say() -> None:
    bedroom = [event for event in night(2, 3.0, 1) if event.sensor == "main_bedroom_motion"]
    assert [event.value for event in bedroom] == ["detected", "clear"] * (len(bedroom) // 2)
    since = [(event.time - START).total_seconds() for event in bedroom]
    gaps = np.diff([at for at in since if at > IN_BED])
    assert gaps[::2] == pytest.approx(HOLD)
    assert (gaps[1::2] >= BLIND).all()
    assert IN_BED < since[-2] < MORNING
    assert len(bedroom) > 2 * len([e for e in night(1, 0.8, 1) if e.sensor == "main_bedroom_motion"])
