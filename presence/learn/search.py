"""Climbing a score that is dear to work out: pattern search over scalars on a log scale.

Source: Hooke & Jeeves 1961 (JACM 8:212).

One dial after another is turned up or down by the step; a turn that helps is kept and tried once more the same way;
when a whole round helps nowhere, the step is halved. No point is asked for twice: the best only rises, so that what was
refused once stays refused. Deterministic. This module knows no rooms.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

Point = tuple[float, ...]
"""Natural logarithms of factors, one per dial."""


def climb(
    value: Callable[[Point, float], float],
    start: Point,
    *,
    steps: Sequence[float],
    bound: float,
    most: int,
) -> tuple[Point, float]:
    """The best point found and its value.

    Args:
        value: the score of a point; told the score to beat, so that it may stop early and return any lower value.
        start: where to begin.
        steps: sizes of the turns, largest first.
        bound: no coordinate leaves [-bound, bound].
        most: the largest number of points whose value is asked for.
    """
    asked = {_rounded(start)}
    best, best_value = start, value(start, float("-inf"))
    way = [1.0] * len(start)
    for step in steps:
        improved = True
        while improved and len(asked) < most:
            improved = False
            for k in range(len(start)):
                for direction in (way[k], -way[k]):
                    moved = False
                    while len(asked) < most:
                        turn = min(bound, max(-bound, best[k] + direction * step))
                        candidate = (*best[:k], turn, *best[k + 1 :])
                        if _rounded(candidate) in asked:
                            break
                        asked.add(_rounded(candidate))
                        found = value(candidate, best_value)
                        if not found > best_value:
                            break
                        best, best_value, improved, moved = candidate, found, True, True
                        way[k] = direction
                    if moved:
                        break
    return best, best_value


def _rounded(point: Point) -> Point:
    """The same for all sums of turns that are equal but for rounding."""
    return tuple(round(x, 9) for x in point)
