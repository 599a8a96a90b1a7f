"""Where each person went over a while: rooms as long as they were there, ways through doors as sure as they are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from matplotlib.patheffects import Normal, Stroke

from presence.draw.day import Day
from presence.draw.hours import put_hours, span_of
from presence.draw.house import Extent, House, put_house
from presence.draw.layout import HouseLayout, house_layout
from presence.draw.names import put_names
from presence.draw.outlines import Point
from presence.draw.paper import (
    FAINT,
    HUE,
    INK,
    SHEET,
    Chart,
    chart,
    fit,
    panel,
    person_style,
    readable_on,
    shade,
)
from presence.floorplan import AWAY, Floorplan
from presence.times import duration

WIDTH, HEIGHT = 6.0, 4.6
"""Inches that one person's plan may take up."""
STRIP = 0.42
SURE = 0.75
"""Mean probability of both ends of a way from which it is drawn whole."""
HELD = 0.5
"""Probability from which a person counts as having come to a room."""


@dataclass
class Way:
    """One person's passages from one room to the next."""

    times: int = 0
    certainty: list[float] = field(default_factory=list)


def paths(day: Day, people: Sequence[str] | None = None) -> Chart:
    """The inferred path of each person over the plan, and below it how sure their likeliest room was.

    Rooms are as dark as the share of the time that the person was probably there; ways are drawn from room to room
    through the likeliest doors, dashed where they are not sure, with a number where they were gone more than once.

    Args:
        day: what was replayed, or a part of it.
        people: whom to draw; all residents if None.
    """
    who = list(day.plan.people) if people is None else list(people)
    layout = house_layout(day.plan)
    extent = Extent.of(layout, width=WIDTH, height=HEIGHT)
    width, height = extent.size(WIDTH, HEIGHT)
    columns = 1 if len(who) < 2 else 2
    rows = max(1, math.ceil(len(who) / columns))
    cell = width + 0.5, height + STRIP + 0.95
    span = span_of(day)
    alt = f"Paths of {', '.join(who) or 'nobody'} in {day.plan.name}, {span}"
    with chart(max(columns * cell[0] + 0.2, 5.4), rows * cell[1] + 1.15, alt) as figure:
        figure.title(span, f"{day.plan.name}: where each person probably went")
        for number, person in enumerate(who):
            left = 0.2 + (number % columns) * cell[0]
            bottom = (rows - 1 - number // columns) * cell[1] + 0.62
            style = person_style(list(day.plan.people).index(person))
            _put_person(figure, day, layout, extent, person, style, (left, bottom))
        if not who:
            figure.text(0.5, 0.3, "the plan names nobody", ha="center", color=FAINT)
        _put_key(figure, truth=bool(day.truth))
    return figure


def _put_person(
    figure: Chart, day: Day, layout: HouseLayout, extent: Extent, person: str, style: Any, at: tuple[float, float]
) -> None:
    colour, mark, dashes = style
    width, height = extent.size(WIDTH, HEIGHT)
    probability = day.person_probabilities(person)
    share = dict(zip(day.plan.rooms, probability.mean(axis=0), strict=True))
    length = (day.end - day.begin).total_seconds()

    def fill(room: str) -> str:
        return shade(0.85 * share[room])

    def stay(room: str) -> str:
        return duration(share[room] * length) if share[room] * length >= 60 else ""

    house = put_house(figure, layout, extent, (at[0], at[1] + STRIP + 0.3), (width, height), fill)
    put_names(house, stay, lambda room: readable_on(0.85 * share[room]), halo=fill)
    ways = ways_of(day, person)
    for (here, there), way in ways.items():
        _put_way(house, day.plan, here, there, way, style)
    title = panel(figure, at[0], at[1] + STRIP + 0.3 + height, width, 0.25)
    title.set_axis_off()
    title.set_xlim(0, width)
    title.set_ylim(0, 0.25)
    title.plot([0.08, 0.42], [0.1, 0.1], color=colour, linestyle=dashes, linewidth=1.6)
    title.scatter([0.25], [0.1], marker=mark, s=40, facecolor=colour, edgecolor=INK, linewidth=0.6, zorder=3)
    away = share[AWAY] * length
    text = person if away < 60 else f"{person}   (away for {duration(away)})"
    title.text(0.55, 0.1, text, size=10.5, weight="bold", va="center")
    _put_strip(figure, day, person, probability, (at[0] + 0.1, at[1]), (width - 0.2, STRIP))


def ways_of(day: Day, person: str) -> dict[tuple[str, str], Way]:
    """From which room to which next room a person went, by the likeliest room of each instant."""
    import networkx

    order = list(day.plan.rooms)
    probability = day.person_probabilities(person)
    ways: dict[tuple[str, str], Way] = {}
    before: tuple[int, float] | None = None
    for row in probability:
        room = int(row.argmax())
        if row[room] < HELD:
            continue
        if before is not None and before[0] != room:
            route = networkx.shortest_path(day.plan.graph, order[before[0]], order[room])
            for here, there in pairwise(route):
                way = ways.setdefault((here, there), Way())
                way.times += 1
                way.certainty.append((before[1] + float(row[room])) / 2)
        before = room, float(row[room])
    return ways


def _put_way(house: House, plan: Floorplan, here: str, there: str, way: Way, style: Any) -> None:
    """A line through the door from room to room, to the right of its middle as one walks, with an arrow head."""
    colour = style[0]
    door = house.layout.doors[min(plan.graph[here][there], key=lambda id_: list(plan.doors).index(id_))]
    first, second = door.ends if door.ends[0].room == here else door.ends[::-1]
    sure = float(np.mean(way.certainty)) >= SURE
    line: dict[str, Any] = {"color": colour, "linestyle": "-" if sure else (0, (3.5, 2.5)), "zorder": 8}
    line["linewidth"] = min(4.0, 1.4 + 0.5 * math.log2(way.times))
    start = _middle(house, here)
    if door.kind == "stair":
        ends = [
            (start, house.place(first.floor, first.at)),
            (house.place(second.floor, second.at), _middle(house, there)),
        ]
        for a, b in ends:
            if a is not None and b is not None:
                _put_arrow(house, [a, b], line)
        return
    stop = _middle(house, there)
    middle = house.place(door.floor, door.at)
    points = [start or house.place(first.floor, first.at), middle, stop or house.place(second.floor, second.at)]
    _put_arrow(house, points, line)
    if way.times > 1:
        dx, dy = points[2][0] - points[0][0], points[2][1] - points[0][1]
        size = math.hypot(dx, dy) or 1.0
        x, y = middle[0] + 0.55 * dy / size, middle[1] - 0.55 * dx / size
        box = {"boxstyle": "round,pad=0.15", "facecolor": SHEET, "edgecolor": colour, "linewidth": 0.5}
        house.axes.text(x, y, f"{way.times}x", size=6, ha="center", va="center", bbox=box, zorder=9, color=INK)


def _middle(house: House, room: str) -> Point | None:
    shape = house.layout.rooms.get(room)
    return None if shape is None else house.place(shape.floor, shape.label_at)


def _put_arrow(house: House, points: list[Point], line: dict[str, Any]) -> None:
    """A line through points, moved a little to the right of its way so that forth and back lie side by side."""
    moved = []
    for k, (x, y) in enumerate(points):
        a, b = points[max(0, k - 1)], points[min(len(points) - 1, k + 1)]
        size = math.dist(a, b) or 1.0
        moved.append((x + 0.14 * (b[1] - a[1]) / size, y - 0.14 * (b[0] - a[0]) / size))
    xs, ys = zip(*moved, strict=True)
    house.axes.plot(xs, ys, color=SHEET, linewidth=line["linewidth"] + 2.4, zorder=7)
    house.axes.plot(xs, ys, **{**line, "color": INK, "linewidth": line["linewidth"] + 1.0, "zorder": 7.5})
    house.axes.plot(xs, ys, **line)
    (ax, ay), (bx, by) = moved[-2:]
    head = {"arrowstyle": "-|>", "color": INK, "lw": 0.4, "mutation_scale": 10, "shrinkA": 0, "shrinkB": 0}
    share = 0.55
    tip = ax + share * (bx - ax), ay + share * (by - ay)
    tail = ax + (share - 0.08) * (bx - ax), ay + (share - 0.08) * (by - ay)
    house.axes.annotate("", tip, tail, arrowprops=head, zorder=9)


def _put_strip(
    figure: Chart, day: Day, person: str, probability: Any, at: tuple[float, float], size: tuple[float, float]
) -> None:
    """How probable the likeliest room was along time, with its name where it stayed the same for long enough."""
    axes = panel(figure, *at, *size)
    seconds = day.seconds()
    likeliest = probability.argmax(axis=1)
    top = probability.max(axis=1)
    step = day.every
    axes.fill_between(seconds, top, step="post", color=HUE(0.28), linewidth=0)
    axes.step(seconds, top, where="post", color=INK, linewidth=0.6)
    changes = [0, *(np.flatnonzero(np.diff(likeliest)) + 1), len(seconds)]
    order = list(day.plan.rooms)
    span = seconds[-1] + step - seconds[0]
    for a, b in pairwise(changes):
        axes.axvline(seconds[a], color=SHEET, linewidth=0.8)
        room = order[int(likeliest[a])]
        inches = size[0] * (seconds[b - 1] + step - seconds[a]) / span
        text, points = fit(day.plan.rooms[room].label, 72 * inches - 3, 14, 7, 5)
        if "…" not in text:
            middle = (seconds[a] + seconds[b - 1] + step) / 2
            halo = [Stroke(linewidth=2.0, foreground=SHEET), Normal()]
            axes.text(middle, 0.46, text, size=points, ha="center", va="center", path_effects=halo)
    true = day.true_rooms(person)
    if any(room is not None for room in true):
        wrong = np.array([room is not None and room != order[int(k)] for room, k in zip(true, likeliest, strict=True)])
        axes.fill_between(seconds, -0.22, -0.04, where=wrong, step="post", color=INK, linewidth=0, clip_on=False)
    axes.set_ylim(-0.24, 1)
    axes.set_xlim(seconds[0], seconds[-1] + step)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0, pad=1)
    put_hours(axes, seconds[0], seconds[-1] + step, day.plan.zone, labels=True, rules=False)
    axes.tick_params(axis="x", labelsize=7)


def _put_key(figure: Chart, *, truth: bool) -> None:
    another = "; black below it where the truth says another" if truth else ""
    figure.foot(
        "Darker: longer there. Lines: solid where sure, dashed where less so. Strip: the likeliest room, as high as"
        f" it is probable{another}."
    )
