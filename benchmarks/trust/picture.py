"""The one picture: minutes in the dark against minutes wasted, a panel for each plan and number of people."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.trust.curves import COSTS, MINUTES, OFF_BELOW
from benchmarks.trust.homes import CEILING
from benchmarks.trust.page import grouped, mean

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Row = dict[str, Any]
LINES = (
    ("library, thresholds moved", "#0b6e4f", [f"off_below_{off:g}" for off in OFF_BELOW], "-"),
    ("one timer, length moved", "#c8553d", [f"timer_{m:g}_min" for m in MINUTES], "-"),
    ("a timer tuned for each room", "#e0a458", [f"room_timers_cost_{cost:g}" for cost in COSTS], "--"),
)
POINTS = (
    ("library's default rule", "#0b6e4f", "switching", "o"),
    ("best timer of 1 to 30 min", "#c8553d", "timer", "s"),
)
LEAST = 1.0
"""Minutes a day; less is drawn there."""


def picture(rows: Sequence[Row], path: Path) -> None:
    """Draw the curves of the plain variant, or of the first one there is, means over seeds."""
    from matplotlib.figure import Figure

    lived = [row for row in rows if row["variant"] not in CEILING] or list(rows)
    variant = "plain" if any(row["variant"] == "plain" for row in lived) else lived[0]["variant"]
    panels = grouped([row for row in lived if row["variant"] == variant], "plan", "people")
    plans, people = sorted({plan for plan, _ in panels}), sorted({n for _, n in panels})
    figure = Figure(figsize=(2.9 * len(people) + 1.2, 2.7 * len(plans) + 1.3), layout="constrained")
    axes = figure.subplots(len(plans), len(people), squeeze=False, sharex="row", sharey="row")
    for i, plan in enumerate(plans):
        for j, number in enumerate(people):
            _panel(axes[i, j], panels.get((plan, number), []))
            living = "1 person" if number == 1 else f"{number} people"
            axes[i, j].set_title(f"{plan.replace('_', ' ')}, {living}", fontsize=9)
    for last in axes[-1]:
        last.set_xlabel("min/day off with somebody there", fontsize=8)
    for first in axes[:, 0]:
        first.set_ylabel("min/day on with nobody there", fontsize=8)
    title = (
        f"Nearer to the lower left is better ({variant}; all rooms together; under {LEAST:g} min drawn as {LEAST:g})"
    )
    figure.suptitle(title, fontsize=10, wrap=True)
    handles, names = axes[0, 0].get_legend_handles_labels()
    figure.legend(handles, names, loc="outside lower center", ncols=min(5, len(people) + 1), fontsize=8, frameon=False)
    figure.savefig(path, dpi=110)


def _panel(axes: Axes, rows: Sequence[Row]) -> None:
    for name, colour, points, style in LINES:
        x, y = _points(rows, [f"{p}_false_off" for p in points], [f"{p}_wasted" for p in points])
        axes.plot(x, y, style, color=colour, label=name, linewidth=1.6)
    for name, colour, section, marker in POINTS:
        x, y = _points(rows, *([f"{section}_{axis}_minutes_per_day"] for axis in ("false_off", "wasted")))
        axes.plot(x, y, marker, color=colour, label=name, markersize=6, markeredgecolor="white")
    axes.set_xscale("log")
    axes.set_yscale("log")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter("{x:,.0f}")
    axes.grid(visible=True, which="major", color="#dddddd", linewidth=0.6)
    axes.tick_params(labelsize=8)
    axes.spines[["top", "right"]].set_visible(False)


def _points(
    rows: Sequence[Row], dark: Sequence[str], wasted: Sequence[str]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    found = [np.array([mean(rows, column) for column in columns]) for columns in (dark, wasted)]
    return np.maximum(found[0], LEAST), np.maximum(found[1], LEAST)
