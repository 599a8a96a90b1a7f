"""Minutes in the dark against minutes wasted, as curves: the library's over its thresholds, a timer's over its length.

Any rule can be mixed with another (one on some days, the other on others), and always on and always off are rules too,
so each curve is the straight-line interpolation of its points that no other point beats, between those two ends.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from presence.switching import SwitchingSums

Array = NDArray[np.float64]

OFF_BELOW = (1e-5, 1e-4, 3e-4, 1e-3, 3e-3, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99)
MINUTES = (0.5, 1, 2, 3, 5, 7, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240)
COSTS = (0.25, 0.5, 1, 2, 4, 8, 16, 32, 64)
"""A minute in the dark in minutes wasted, for which each room's timer is tuned by itself."""


def sums_of(rooms: int) -> SwitchingSums:
    """Running sums for every point of both curves."""
    return SwitchingSums(rooms, off_below=OFF_BELOW, minutes=MINUTES)


def points(sums: SwitchingSums) -> dict[str, Array]:
    """Minutes a day (dark, wasted) of every point: the library's, one timer for all rooms, and each room its own.

    Shapes (len(OFF_BELOW), 2), (len(MINUTES), 2), (len(COSTS), 2).
    """
    per_day = 1440.0 / sums.samples
    tuned = [sums.room_timers(cost)[1].sum(axis=0) for cost in COSTS]
    return {
        "library": sums.rule_sums[1:].sum(axis=2) * per_day,
        "timer": sums.timer_sums().sum(axis=2) * per_day,
        "room_timers": np.array(tuned) * per_day,
    }


def frontier(curve: Array, most: Sequence[float]) -> Array:
    """The points that no other beats, by rising dark minutes, from always on to always off; shape (N, 2).

    Args:
        curve: shape (M, 2), dark and wasted minutes.
        most: dark minutes of always off, wasted minutes of always on.
    """
    ends = np.array([[0.0, most[1]], [most[0], 0.0]])
    ordered = np.array(sorted(np.vstack([curve, ends]).tolist()))
    lowest = np.minimum.accumulate(ordered[:, 1])
    kept = np.concatenate([[True], ordered[1:, 1] < lowest[:-1]])
    return np.asarray(ordered[kept])


def wasted_at(curve: Array, dark: float) -> float:
    """Wasted minutes of a frontier where it has so many dark minutes."""
    return float(np.interp(dark, curve[:, 0], curve[:, 1]))


def dark_at(curve: Array, wasted: float) -> float:
    """Dark minutes of a frontier where it has so many wasted minutes."""
    return float(np.interp(wasted, curve[::-1, 1], curve[::-1, 0]))


def compare(library: Array, rival: Array, at: Array) -> dict[str, float]:
    """The library and a rival where both have as many dark minutes as the rival at one of its points, or wasted ones.

    Args:
        library: the library's frontier.
        rival: the rival's points, shape (M, 2), to count those that the library beats.
        at: the rival's point that matters, shape (2,).
    """
    beaten = [wasted_at(library, float(dark)) < wasted for dark, wasted in rival.tolist()]
    return {
        "false_off": float(at[0]),
        "wasted": float(at[1]),
        "library_wasted_at_equal_false_off": wasted_at(library, float(at[0])),
        "library_false_off_at_equal_wasted": dark_at(library, float(at[1])),
        "points_beaten": float(np.mean(beaten)),
    }


def cheapest(curve: Array, cost: float) -> Array:
    """The point that costs least."""
    return np.asarray(curve[int((cost * curve[:, 0] + curve[:, 1]).argmin())])


def ahead(row: Mapping[str, float], rival: str) -> bool:
    """Whether a row of figures has the library ahead of a rival: behind neither way, and ahead one way at least."""
    spared = [
        row[f"{rival}_best_wasted"] - row[f"{rival}_best_library_wasted_at_equal_false_off"],
        row[f"{rival}_best_false_off"] - row[f"{rival}_best_library_false_off_at_equal_wasted"],
    ]
    return min(spared) >= 0 and max(spared) > 0
