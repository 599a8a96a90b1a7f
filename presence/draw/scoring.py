"""How far the answers can be trusted: pictures of what `presence.evaluate` finds."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from presence.draw.paper import FAINT, FORTH, HAIRLINE, HUE, INK, SHEET, Chart, chart, fit, panel, readable_on
from presence.errors import counted
from presence.evaluate import Scores

ROW = 0.27
"""Inches for a room or a door."""


def reliability(scores: Scores) -> Chart:
    """Told against true: how often somebody was there when so much was told, and how often that much was told."""
    with chart(5.6, 6.25, "Reliability of room probabilities") as figure:
        figure.title("Does 80 % mean 80 %?", "How often somebody was in a room, by the probability that was told")
        _put_reliability(figure, scores, (0.75, 0.55), 4.5)
    return figure


def _put_reliability(figure: Chart, scores: Scores, at: tuple[float, float], size: float) -> None:
    axes = panel(figure, at[0], at[1] + 0.95, size, size - 0.55)
    below = panel(figure, at[0], at[1], size, 0.75)
    bins = scores.reliability
    told = np.array([b["mean_probability"] for b in bins])
    true = np.array([b["share_occupied"] for b in bins])
    samples = np.array([b["samples"] for b in bins])
    axes.plot([0, 1], [0, 1], color=FAINT, linewidth=0.8, linestyle=(0, (4, 3)))
    axes.text(0.98, 0.03, "dashed: exactly as told", size=7.5, color=FAINT, ha="right")
    axes.plot(told, true, color=HUE(0.85), marker="o", markersize=5, linewidth=1.3, clip_on=False)
    ece = scores.rooms["ece"]
    axes.text(0.03, 0.95, f"calibration error {ece:.3f}", size=9, weight="bold", transform=axes.transAxes, va="top")
    axes.set_ylabel("share of time somebody was there", size=8.5)
    middles = [(b["from"] + b["to"]) / 2 for b in bins]
    widths = [0.9 * (b["to"] - b["from"]) for b in bins]
    below.bar(middles, samples, widths, color=HUE(0.35), edgecolor=INK, linewidth=0.5)
    below.set_yscale("log")
    below.set_ylabel("samples", size=8)
    below.set_xlabel("probability told", size=8.5)
    for each in (axes, below):
        each.set_xlim(0, 1)
        each.set_xticks(np.linspace(0, 1, 6), [f"{k} %" for k in range(0, 101, 20)] if each is below else [""] * 6)
        each.tick_params(labelsize=8)
    axes.set_ylim(0, 1)
    axes.set_yticks(np.linspace(0, 1, 6), [f"{k} %" for k in range(0, 101, 20)])
    low, high = samples.min(initial=1), samples.max(initial=10)
    powers = [10.0**k for k in range(int(math.log10(max(low, 1))), int(math.log10(max(high, 10))) + 1)]
    below.set_yticks(powers[:: max(1, len(powers) // 3)], [f"{p:,.0f}" for p in powers[:: max(1, len(powers) // 3)]])
    below.minorticks_off()


def evaluation(scores: Scores) -> Chart:
    """The scores on one page: calibration, minutes switched wrongly beside the best timer, doors, rooms mixed up."""
    rooms, doors, mixed = len(scores.per_room), max(1, len(scores.per_door)), len(scores.confusion)
    upper, lower = max(5.2, ROW * rooms + 0.9), max(ROW * doors + 0.9, 0.22 * mixed + 1.4)
    whole = 0.75 + upper + lower
    covered = scores.covered
    days = f"{covered['days']:.1f} days, {counted(covered['samples'], 'sample')}"
    with chart(12.6, whole, f"Scores over {days}") as figure:
        figure.title("How far can it be trusted?", f"{days}; {_headline(scores)}")
        _put_reliability(figure, scores, (0.8, whole - 5.6), 4.3)
        _put_minutes(figure, scores, (7.0, whole - 1.1 - ROW * rooms), (5.3, ROW * rooms))
        _put_doors(figure, scores, (7.0, lower - 0.35 - ROW * doors), (5.3, ROW * doors))
        _put_confusion(figure, scores, (1.7, lower - 0.35 - 0.22 * mixed), (3.9, 0.22 * mixed))
    return figure


def _headline(scores: Scores) -> str:
    parts = [f"rooms {scores.rooms['balanced_accuracy']:.3f} balanced accuracy"]
    if not math.isnan(scores.at_home["accuracy"]):
        parts.append(f"number at home {scores.at_home['accuracy']:.3f}")
    if not math.isnan(scores.people["accuracy"]):
        parts.append(f"who is where {scores.people['accuracy']:.3f}")
    if not math.isnan(scores.direction["accuracy"]):
        parts.append(f"directions {scores.direction['accuracy']:.3f}")
    return ", ".join(parts)


def _put_names(axes: Axes, names: list[str], space: float) -> None:
    axes.set_yticks([])
    for row, name in enumerate(names):
        text, size = fit(name.replace("_", "\u00a0"), 72 * space, 12, 8, 5)
        transform = axes.get_yaxis_transform()
        axes.text(-0.012, row, text, size=size, ha="right", va="center", transform=transform)
    axes.set_ylim(len(names) - 0.4, -0.6)


def _heading(axes: Axes, text: str) -> None:
    axes.text(0, 1.0, text, size=10, weight="bold", transform=axes.transAxes, va="bottom")


def _put_minutes(figure: Chart, scores: Scores, at: tuple[float, float], size: tuple[float, float]) -> None:
    """Per room: minutes in the dark to the left, wasted to the right; filled for the model, hollow for the timer."""
    axes = panel(figure, *at, *size)
    most = 10.0
    for row, room in enumerate(scores.per_room.values()):
        for sign, key in ((-1, "false_off_minutes_per_day"), (1, "wasted_minutes_per_day")):
            ours, timer = room["switching"][key], room["timer"][key]
            most = max(most, *(value for value in (ours, timer) if not math.isnan(value)))
            axes.plot([sign * ours, sign * timer], [row, row], color=HAIRLINE, linewidth=2.2, zorder=1)
            style: dict[str, Any] = {"zorder": 3, "linewidth": 1.0}
            axes.scatter([sign * timer], [row], s=64, marker="o", facecolor=SHEET, edgecolor=INK, **style)
            axes.scatter([sign * ours], [row], s=26, marker="D", facecolor=HUE(0.85), edgecolor=SHEET, **style)
    axes.axvline(0, color=FAINT, linewidth=0.8)
    _put_names(axes, list(scores.per_room), 1.35)
    axes.set_xlim(-1.12 * most, 1.12 * most)
    marks = [mark for mark in axes.get_xticks() if abs(mark) <= 1.12 * most]
    axes.set_xticks(marks, [f"{abs(mark):g}" for mark in marks], fontsize=8)
    axes.set_xlabel("in the dark with somebody there   |   on with nobody there (minutes a day)", size=8.5)
    _heading(axes, "Switching by room, beside the best timer")
    handles = [
        Line2D([], [], marker="D", linestyle="none", markerfacecolor=HUE(0.85), markeredgecolor=SHEET, label="model"),
        Line2D([], [], marker="o", linestyle="none", markerfacecolor=SHEET, markeredgecolor=INK, label="timer"),
    ]
    anchor = (1.0, 1.0)
    axes.legend(handles=handles, ncols=2, loc="lower right", bbox_to_anchor=anchor, fontsize=8, borderpad=0)


def _put_doors(figure: Chart, scores: Scores, at: tuple[float, float], size: tuple[float, float]) -> None:
    """Per door: share of directions told right, at once and with the final answer; how many passages there were."""
    axes = panel(figure, *at, *size)
    names = []
    for row, (door, values) in enumerate(scores.per_door.items()):
        first, last = values["accuracy_at_once"], values["accuracy"]
        names.append(door)
        axes.plot([0, 1], [row, row], color=HAIRLINE, linewidth=0.6, zorder=0)
        axes.plot([first, last], [row, row], color=HAIRLINE, linewidth=2.2, zorder=1)
        axes.scatter([first], [row], s=64, marker="o", facecolor=SHEET, edgecolor=INK, linewidth=1.0, zorder=2)
        axes.scatter([last], [row], s=26, marker="D", facecolor=FORTH, edgecolor=SHEET, zorder=3)
        axes.text(1.03, row, f"{values['passages']:.0f}", size=8, va="center", color=FAINT)
        if math.isnan(last):
            axes.text(0.0, row, "no door event", size=7.5, va="center", color=FAINT, backgroundcolor=SHEET)
    axes.set_xlim(-0.02, 1.15)
    axes.set_xticks(np.linspace(0, 1, 6), [f"{k} %" for k in range(0, 101, 20)], fontsize=8)
    _put_names(axes, names, 1.35)
    _heading(axes, "Directions told right, by door (passages)")
    handles = [
        Line2D([], [], marker="o", linestyle="none", markerfacecolor=SHEET, markeredgecolor=INK, label="at once"),
        Line2D([], [], marker="D", linestyle="none", markerfacecolor=FORTH, markeredgecolor=SHEET, label="final"),
    ]
    axes.legend(handles=handles, ncols=2, loc="lower right", bbox_to_anchor=(1.0, 1.0), fontsize=8, borderpad=0)
    if not names:
        axes.text(0.5, -0.1, "no passage in the truth", ha="center", color=FAINT)


def _put_confusion(figure: Chart, scores: Scores, at: tuple[float, float], size: tuple[float, float]) -> None:
    """For each true room of a resident, where they were told to be."""
    axes = panel(figure, *at, *size)
    rooms = list(dict.fromkeys([*scores.confusion, *(r for row in scores.confusion.values() for r in row)]))
    share = np.array([[scores.confusion[a].get(b, 0.0) for b in rooms] for a in scores.confusion]).reshape(
        -1, len(rooms)
    )
    if not rooms:
        axes.set_axis_off()
        return
    axes.imshow(share, cmap=HUE, vmin=0, vmax=1, aspect="auto")
    for i, row in enumerate(share):
        for j, value in enumerate(row):
            if value >= 0.05:
                axes.text(j, i, f"{100 * value:.0f}", size=6, ha="center", va="center", color=readable_on(value))
    _put_names(axes, list(scores.confusion), 1.3)
    axes.set_ylim(len(scores.confusion) - 0.5, -0.5)
    axes.set_xticks(range(len(rooms)), [r.replace("_", " ") for r in rooms], rotation=60, ha="right", fontsize=7)
    axes.tick_params(axis="x", length=0, pad=1)
    _heading(axes, "Residents' rooms: true (rows), told (%)")
