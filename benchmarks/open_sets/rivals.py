"""The simple methods that the tracker must beat. None of them is fitted to labels, but the timers' best length is."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from benchmarks.open_sets.layout import Layout
from benchmarks.open_sets.scores import confusion

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

MINUTES = (1, 2, 5, 10, 15, 20, 30)
"""Lengths that a timer may have (the contract's list)."""
NEIGHBOUR = 1.75
"""Sensors up to this many times the typical spacing apart are neighbours: in a square grid, diagonals too."""
PAUSES = (0.0, 10.0, 30.0, 60.0, 120.0, 300.0)
"""Seconds within which door events may count as one visit to the door."""


def sensor_distances(layout: Layout) -> dict[str, dict[str, float]]:
    """Metres to walk between any two placed sensors, along neighbours in a room and the layout's openings.

    Neighbours are sensors of one room that are closer than NEIGHBOUR times the typical distance to the nearest one; an
    opening without a pair of sensors joins the nearest two of its rooms.
    """
    room_of = layout.room_of
    placed = layout.placed
    apart = {
        (a, b): float(np.hypot(*np.subtract(layout.at[a], layout.at[b]))) for a in placed for b in placed if a != b
    }
    nearest = [min((apart[a, b] for b in placed if b != a), default=np.inf) for a in placed]
    graph = nx.Graph()
    graph.add_nodes_from(placed)
    for (a, b), metres in apart.items():
        if room_of[a] == room_of[b] and metres < NEIGHBOUR * float(np.median(nearest)):
            graph.add_edge(a, b, weight=metres)
    for edge in layout.edges:
        between = [(apart[a, b], a, b) for a, b in apart if {room_of[a], room_of[b]} == {edge.a, edge.b}]
        pair = edge.pair if edge.pair in apart else min(between, default=(0.0, "", ""))[1:]
        if pair in apart:
            graph.add_edge(*pair, weight=apart[pair])
    return dict(nx.all_pairs_dijkstra_path_length(graph))


def greedy(sensors: Sequence[str], distances: dict[str, dict[str, float]], people: int = 2) -> list[int]:
    """Which of the people fired each sensor: the one whose last sensor is nearest, the more recent one of equals.

    As long as fewer people are known than there are, a sensor that is no neighbour's of a known one makes a new one.
    """
    typical = float(np.median([min((m for m in row.values() if m > 0), default=np.inf) for row in distances.values()]))
    last: list[tuple[str, int]] = []
    chosen = []
    for step, sensor in enumerate(sensors):
        ranked = sorted((distances.get(seen, {}).get(sensor, np.inf), -when, k) for k, (seen, when) in enumerate(last))
        if len(last) < people and (not ranked or ranked[0][0] > NEIGHBOUR * typical):
            last.append((sensor, step))
            chosen.append(len(last) - 1)
        else:
            last[ranked[0][2]] = (sensor, step)
            chosen.append(ranked[0][2])
    return chosen


def since_active(on: Array, pulses: Array, grid: Array) -> Array:
    """Seconds since something was last active, at each instant of an ascending grid; infinite before.

    Args:
        on: shape (n, 2), start and end of intervals in which a sensor is on.
        pulses: shape (m,), instants of events without a length.
        grid: shape (T,), seconds, ascending.
    """
    starts = np.concatenate([on[:, 0], pulses])
    ends = np.concatenate([on[:, 1], pulses])
    order = np.argsort(starts)
    starts, ends = starts[order], np.maximum.accumulate(ends[order]) if len(ends) else ends
    index = np.searchsorted(starts, grid, side="right") - 1
    latest = np.concatenate([[-np.inf], ends])[index + 1]
    age: Array = np.maximum(grid - latest, 0.0)
    return age


def best_timer(ages: Sequence[Array], truth: Sequence[Mask], judge: Callable[[Array], Array]) -> int:
    """Minutes of the best "occupied until N minutes after the last activity"; `judge` rates summed `confusion`s."""

    def rate(minutes: int) -> float:
        counts = [confusion(age <= 60 * minutes, true) for age, true in zip(ages, truth, strict=True)]
        with np.errstate(divide="ignore", invalid="ignore"):
            return float(judge(np.sum(counts, axis=0)))

    return max(MINUTES, key=rate)


def toggle(front: Array, inside: Array, pause: float) -> tuple[Array, Mask]:
    """Home or away as change points: the front door toggles, any event inside means home; it starts at home.

    Door events within `pause` of the one before are the same visit to the door. Returns times and home after each.
    """
    marks = sorted([(time, True) for time in front.tolist()] + [(time, False) for time in inside.tolist()])
    home, last = True, -np.inf
    times, states = [], []
    for time, is_front in marks:
        if not is_front:
            home = True
        elif time - last > pause:
            home = not home
        last = time if is_front else last
        times.append(time)
        states.append(home)
    return np.array(times), np.array(states, dtype=np.bool_)


def lately(values: NDArray[np.intp], samples: int) -> NDArray[np.intp]:
    """Running maximum over the latest `samples` + 1 values."""
    if not len(values):
        return values
    padded = np.concatenate([np.full(samples, values.min(initial=0)), values])
    windows = np.lib.stride_tricks.sliding_window_view(padded, samples + 1)
    result: NDArray[np.intp] = windows.max(axis=1)
    return result
