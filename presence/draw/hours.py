"""A day as rows of rooms along time: probabilities, sensor events, passages from row to row, truth underneath."""

from __future__ import annotations

from datetime import datetime, tzinfo
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from presence.draw.day import Day, rooms_of, spans
from presence.draw.paper import FAINT, HAIRLINE, HUE, INK, PAPER, SHEET, Chart, chart, fit, hour_marks, panel
from presence.floorplan import AWAY, ON_VALUES

WIDTH, ROW, LEFT = 13.0, 0.29, 1.75
"""Inches: of the whole, of a room's row, left of the rows."""
COUNT_ROW = 0.15
HEAT = (-0.28, 0.5)
"""Upper edge and height of the probabilities in a row of height 1, between the events and the truth."""
SURE, LIKELY = 0.8, 0.5
"""Probability of a direction from which its arrow is drawn whole, and drawn at all."""
CLOSE = 2.5 * 86400
"""Seconds up to which events and passages are drawn; more would hide each other."""


def timeline(day: Day) -> Chart:
    """A day: room by time, with events, passages, how many are at home, and truth where there is any."""
    rooms = rooms_of(day.plan)
    numbers = len(day.beliefs[0].at_home)
    rows, counts = ROW * (len(rooms) + 1), COUNT_ROW * numbers
    zone = day.plan.zone
    span = span_of(day)
    alt = f"{day.plan.name}, {span}: probability of somebody in each of {len(rooms)} rooms over time"
    with chart(WIDTH, rows + counts + 1.85, alt) as figure:
        what = "where somebody was, as told at the time"
        close = (day.end - day.begin).total_seconds() <= CLOSE
        figure.title(span, f"{day.plan.name}: {what}" + ("" if close else " (events and passages: see a day)"))
        upper = panel(figure, LEFT, counts + 0.98, WIDTH - LEFT - 0.25, rows)
        lower = panel(figure, LEFT, 0.78, WIDTH - LEFT - 0.25, counts)
        seconds = day.seconds()
        step = day.every
        _put_rooms(upper, day, rooms, seconds, step)
        if close:
            _put_events(upper, day, rooms)
            _put_passages(upper, day, rooms)
        _put_count(lower, day, seconds, step)
        for axes in (upper, lower):
            axes.set_xlim(seconds[0], seconds[-1] + step)
            put_hours(axes, seconds[0], seconds[-1] + step, zone, labels=axes is lower)
        _put_key(figure, close=close, truth=bool(day.truth))
    return figure


def span_of(day: Day) -> str:
    """From when to when, in local time."""
    begin, end = day.begin.astimezone(day.plan.zone), day.end.astimezone(day.plan.zone)
    first = f"{begin:%A} {begin.day} {begin:%B %Y, %H:%M}"
    return f"{first} to {end:%H:%M}" if begin.date() == end.date() else f"{first} to {end.day} {end:%B, %H:%M}"


def _put_rooms(axes: Axes, day: Day, rooms: list[str], seconds: NDArray[np.float64], step: float) -> None:
    probability = day.room_probabilities()
    edges = np.append(seconds, seconds[-1] + step)
    axes.pcolormesh(edges, np.arange(len(rooms) + 1) - 0.5, probability.T, cmap=HUE, vmin=0, vmax=1, rasterized=True)
    heads = day.true_heads()
    for row, _ in enumerate(rooms):
        likely = spans(seconds, probability[:, row] >= 0.5, step)
        axes.broken_barh(likely, (row + HEAT[0], HEAT[1]), facecolor="none", edgecolor=INK, linewidth=0.7)
        axes.axhspan(row - 0.5, row + HEAT[0], facecolor=SHEET, zorder=2)
        axes.axhspan(row + HEAT[0] + HEAT[1], row + 0.5, facecolor=SHEET, zorder=2)
        if heads is not None:
            axes.broken_barh(spans(seconds, heads[:, row] > 0, step), (row + 0.27, 0.15), facecolor=INK, zorder=4)
        axes.axhline(row + 0.5, color=HAIRLINE, linewidth=0.5, zorder=2.5)
    axes.axhspan(len(rooms) - 0.5, len(rooms) + 0.5, facecolor=PAPER, hatch="////", edgecolor=HAIRLINE, linewidth=0)
    axes.set_ylim(len(rooms) + 0.5, -0.5)
    axes.set_yticks([])
    for row, room in enumerate([*rooms, AWAY]):
        label = day.plan.rooms[room].label
        text, size = fit(label.replace(" ", "\u00a0"), 72 * (LEFT - 0.3), 13, 8.5, 6)
        style: Any = {"style": "italic", "color": FAINT} if room == AWAY or day.plan.rooms[room].outdoors else {}
        axes.text(-0.008, row, text, size=size, ha="right", va="center", transform=axes.get_yaxis_transform(), **style)


def _put_events(axes: Axes, day: Day, rooms: list[str]) -> None:
    """Ticks at the upper edge of a room's row."""
    ticks = []
    for event in day.events:
        sensor = day.plan.sensors[event.sensor]
        if event.value in ON_VALUES and sensor.room in rooms:
            row, at = rooms.index(sensor.room), event.seconds
            ticks.append([(at, row - 0.47), (at, row - 0.31)])
    axes.add_collection(LineCollection(ticks, colors=INK, linewidths=0.5, zorder=3), autolim=False)


def _put_passages(axes: Axes, day: Day, rooms: list[str]) -> None:
    """Arrows from the row of one room to that of the next, dashed where the direction is not sure."""
    rows = {room: row for row, room in enumerate([*rooms, AWAY])}
    for sure in (True, False):
        stems, tails, heads = [], [], []
        for passage in day.passages:
            way = passage.likeliest
            probability = passage.directions[way]
            if probability < LIKELY or (probability >= SURE) is not sure:
                continue
            a, b = (rows[room] for room in way.split(">"))
            at = passage.time.timestamp()
            stems.append([(at, a), (at, b)])
            tails.append((at, a))
            heads.append((at, b, "v" if b > a else "^"))
        halo = LineCollection(stems, colors=SHEET, linewidths=1.4, zorder=5, alpha=0.8)
        line = LineCollection(stems, colors=FAINT, linewidths=0.6, linestyles="-" if sure else (0, (2.5, 2)), zorder=6)
        axes.add_collection(halo, autolim=False)
        axes.add_collection(line, autolim=False)
        if tails:
            xs, ys = zip(*tails, strict=True)
            axes.scatter(xs, ys, s=5, facecolor=INK, linewidth=0, zorder=6.5)
        for mark in "v^":
            spots = [(x, y) for x, y, m in heads if m == mark]
            if spots:
                xs, ys = zip(*spots, strict=True)
                face = INK if sure else SHEET
                axes.scatter(xs, ys, s=20, marker=mark, facecolor=face, edgecolor=INK, linewidth=0.7, zorder=7)


def _put_count(axes: Axes, day: Day, seconds: NDArray[np.float64], step: float) -> None:
    """How many are at home: a row for each number, none at the bottom."""
    probability = np.array([belief.at_home for belief in day.beliefs])
    numbers = probability.shape[1]
    edges = np.append(seconds, seconds[-1] + step)
    axes.pcolormesh(edges, np.arange(numbers + 1) - 0.5, probability.T, cmap=HUE, vmin=0, vmax=1, rasterized=True)
    heads = day.true_heads()
    if heads is not None:
        axes.step(seconds, np.minimum(heads.sum(axis=1), numbers - 1), where="post", color=SHEET, linewidth=2.6)
        axes.step(seconds, np.minimum(heads.sum(axis=1), numbers - 1), where="post", color=INK, linewidth=1.3)
    axes.set_ylim(-0.5, numbers - 0.5)
    axes.set_yticks(range(numbers), [str(k) for k in range(numbers)], fontsize=7)
    axes.tick_params(axis="y", length=0)
    transform = axes.get_yaxis_transform()
    axes.text(-0.03, (numbers - 1) / 2, "at home", size=8.5, ha="right", va="center", transform=transform)


def put_hours(axes: Axes, begin: float, end: float, zone: tzinfo, *, labels: bool, rules: bool = True) -> None:
    """Marks of local time; midnight carries the date."""
    step = hour_marks(begin, end)
    start = datetime.fromtimestamp(begin, zone)
    shift = (start.utcoffset() or start - start).total_seconds()
    marks = np.arange(np.ceil((begin + shift) / step) * step - shift, end, step)
    times = [datetime.fromtimestamp(float(mark), zone) for mark in marks]
    texts = [f"{time:%a} {time.day}" if time.hour == 0 and time.minute == 0 else f"{time:%H:%M}" for time in times]
    axes.set_xticks(marks, texts if labels else [""] * len(marks), fontsize=8)
    axes.tick_params(axis="x", length=3 if labels else 0, color=FAINT)
    if rules:
        for mark in marks:
            axes.axvline(mark, color=HAIRLINE, linewidth=0.5, zorder=0.5)


def _put_key(figure: Chart, *, close: bool, truth: bool) -> None:
    """What the signs mean, in one line at the foot."""
    axes = panel(figure, LEFT, 0.08, WIDTH - LEFT - 0.25, 0.34)
    axes.set_axis_off()
    bar = panel(figure, 0.2, 0.24, 1.2, 0.12)
    bar.imshow(np.linspace(0, 1, 64)[None, :], aspect="auto", cmap=HUE, vmin=0, vmax=1)
    bar.set_yticks([])
    bar.set_xticks([])
    for x, text, side in ((0.0, "0 %", "left"), (1.0, "100 %", "right")):
        bar.text(x, -0.35, text, size=7, ha=side, va="top", transform=bar.transAxes)
    handles: list[Any] = [
        Patch(facecolor="none", edgecolor=INK, label="more likely than not"),
        Line2D([], [], color=INK, marker="|", markersize=6, linestyle="none", label="sensor event"),
        Line2D([], [], color=INK, marker="v", markersize=5, label="passage"),
        Line2D(
            [],
            [],
            color=INK,
            marker="v",
            markersize=5,
            markerfacecolor=SHEET,
            linestyle="--",
            label="less than 80 % sure",
        ),
    ]
    handles = handles if close else handles[:1]
    if truth:
        handles.append(Line2D([], [], color=INK, linewidth=3, label="truth"))
    axes.legend(handles=handles, ncols=len(handles), loc="center left", borderpad=0, fontsize=8, columnspacing=2.2)
