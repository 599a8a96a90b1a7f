"""Passages through doors: which way, how sure, along time; and one passage on the plan."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from matplotlib.axes import Axes

from presence.draw.day import Day
from presence.draw.hours import put_hours, span_of
from presence.draw.house import Extent, House, put_house
from presence.draw.layout import HouseLayout, house_layout
from presence.draw.names import put_names
from presence.draw.outlines import Box, Point, box_of
from presence.draw.paper import (
    BACK,
    FAINT,
    FORTH,
    HAIRLINE,
    INK,
    NOBODY,
    SHEET,
    Chart,
    chart,
    fit,
    panel,
    percent,
)
from presence.floorplan import Floorplan
from presence.passages import Passage
from presence.whereabouts import Whereabouts
from presence.wording import capitalised, direction_name, door_name

WIDTH, ROW, LEFT = 13.0, 0.62, 2.5
"""Inches: of the whole, of a door's row, left of the rows."""
SIDE = 4.4
"""Inches: the plan beside one passage."""
LEAST, LONGER = 0.02, 0.35
"""Probability from which a direction has its arrow; share by which an arrow reaches beyond the spots at its door."""


def passages(day: Day) -> Chart:
    """All passages of a day: a row for each door; bars up for one direction, down for the other, as far as sure."""
    told = {passage.door for passage in day.passages}
    doors = [door for door in day.plan.doors if door in told]
    span = span_of(day)
    alt = f"{len(day.passages)} passages through {len(doors)} doors of {day.plan.name}, {span}"
    height = max(1, len(doors)) * ROW
    with chart(WIDTH, height + 1.75, alt) as figure:
        figure.title(span, f"{day.plan.name}: passages through doors, which way and how sure (last answers)")
        axes = panel(figure, LEFT, 0.75, WIDTH - LEFT - 0.25, height)
        axes.set_ylim(len(doors) - 0.5 if doors else 0.5, -0.5)
        axes.set_yticks([])
        start, stop = day.begin.timestamp(), day.end.timestamp() + 60
        axes.set_xlim(start, stop)
        put_hours(axes, start, stop, day.plan.zone, labels=True)
        for row, door in enumerate(doors):
            _put_door_row(axes, day, door, row)
        _put_truth(axes, day, doors)
        if not doors:
            axes.text((start + stop) / 2, 0, "no door event", ha="center", va="center", color=FAINT)
        key = (
            "Bars reach the line at the row's edge at 100 %. Grey: probably nobody went through. Faint: told without a"
            " sensor at the door."
        )
        key += " Triangles: the truth." if day.truth else ""
        figure.foot(key)
    return figure


def _put_door_row(axes: Axes, day: Day, door: str, row: int) -> None:
    first, second = day.plan.doors[door].between
    for ways, colour, sign in (((first, second), FORTH, -1), ((second, first), BACK, 1)):
        key = ">".join(ways)
        arrow = "▲" if sign < 0 else "▼"
        label = " → ".join(day.plan.rooms[room].label for room in ways)
        text, size = fit(label, 72 * (LEFT - 0.55), 12, 8, 5)
        y, transform = row + 0.22 * sign, axes.get_yaxis_transform()
        axes.text(-0.024, y, text.replace("\n", " "), size=size, ha="right", va="center", transform=transform)
        axes.text(-0.011, y, arrow, size=7, color=colour, ha="center", va="center", transform=transform)
        for passage in day.passages:
            if passage.door == door:
                at, reach = passage.time.timestamp(), 0.42 * passage.directions[key]
                style: dict[str, Any] = {"color": colour, "linewidth": 2.4, "alpha": 0.45 if passage.inferred else 1.0}
                axes.plot([at, at], [row, row + sign * reach], solid_capstyle="butt", zorder=4, **style)
    quiet = [p.time.timestamp() for p in day.passages if p.door == door and p.nobody > 0.5]
    axes.scatter(quiet, [row] * len(quiet), s=14, marker="s", color=NOBODY, zorder=5, linewidth=0)
    axes.axhline(row, color=FAINT, linewidth=0.7, zorder=3)
    for edge in (-0.42, 0.42):
        axes.axhline(row + edge, color=HAIRLINE, linewidth=0.6, linestyle=(0, (1, 2)), zorder=1)
    axes.axhline(row + 0.5, color=HAIRLINE, linewidth=0.8, zorder=1)


def _put_truth(axes: Axes, day: Day, doors: list[str]) -> None:
    """A small triangle at the edge of the row for every true passage."""
    truth = Whereabouts(day.plan, day.truth)
    for passage in truth.advance(day.end.timestamp()) if day.truth else ():
        if passage.seconds < day.begin.timestamp():
            continue
        for door in passage.doors:
            if door in doors:
                forth = passage.direction == ">".join(day.plan.doors[door].between)
                y = doors.index(door) + (-0.43 if forth else 0.43)
                mark = "^" if forth else "v"
                axes.scatter(
                    [passage.seconds], [y], s=18, marker=mark, facecolor=SHEET, edgecolor=INK, lw=0.7, zorder=6
                )


# --- one passage ------------------------------------------------------------------------------------------------------
def passage(plan: Floorplan, passage: Passage) -> Chart:
    """One passage: the door with its two rooms, an arrow for each direction as thick as it is probable, and who."""
    layout = house_layout(plan)
    extent = _around(layout, passage.door)
    width, height = extent.size(SIDE, 3.0)
    way = passage.likeliest
    state = "final answer" if passage.final else "answer at once"
    if passage.inferred:
        state = "inferred: no sensor at this door"
    rows = len(passage.directions) + 1 + sum(p >= 0.05 for p in passage.people.values())
    whole = max(height + 1.0, 0.26 * rows + 1.7)
    door, likely = door_name(plan, passage.door), f"{direction_name(plan, way)} {percent(passage.directions[way])}"
    alt = f"Passage through the {door}: {likely}, nobody {percent(passage.nobody)}"
    with chart(width + 4.1, whole, alt) as figure:
        local = passage.time.astimezone(plan.zone)
        figure.title(f"{capitalised(door)}, {local:%a} {local.day} {local:%B %Y, %H:%M:%S}", state)
        house = put_house(figure, layout, extent, (0.15, 0.15), (width, height))
        put_names(house, halo=lambda _: SHEET, only=plan.doors[passage.door].between)
        _put_directions(house, passage)
        _put_bars(figure, plan, passage, (width + 0.4, 0.15), (3.5, whole - 0.85))
    return figure


def _around(layout: HouseLayout, door_id: str) -> Extent:
    """The two rooms of a door and a little around them; the whole house for a stair."""
    door = layout.doors[door_id]
    if door.kind == "stair":
        return Extent.of(layout, width=SIDE, height=3.0)
    rooms = [layout.rooms[room].outline for room in door.between if room in layout.rooms]
    box = box_of([*rooms, tuple(end.at for end in door.ends)])
    x, y = door.at
    reach = 4.5
    left, right = max(box.left, x - reach) - 0.6, min(box.right, x + reach) + 0.6
    bottom, top = max(box.bottom, y - reach) - 0.6, min(box.top, y + reach) + 0.6
    shifts = {floor: (0.0, 0.0) if floor == door.floor else (1e4, 1e4) for floor in layout.floors}
    return Extent(shifts, Box(left, bottom, right, top))


def _put_directions(house: House, passage: Passage) -> None:
    """Arrows through the door, one for each direction, as thick as it is probable; at a stair up and down."""
    door = house.layout.doors[passage.door]
    for number, (key, probability) in enumerate(passage.directions.items()):
        if probability < LEAST:
            continue
        forth = key == ">".join(door.between)
        start, stop = door.ends if forth else door.ends[::-1]
        side = 0.22 if number == 0 else -0.22
        if door.kind == "stair":
            rise = 1.1 if stop.floor > start.floor else -1.1
            for end in door.ends:
                x, y = house.place(end.floor, end.at)
                _put_arrow(house, (x + 3 * side, y - rise), (x + 3 * side, y + rise), probability, forth)
            continue
        (ax, ay), (bx, by) = house.place(start.floor, start.at), house.place(stop.floor, stop.at)
        size = math.dist((ax, ay), (bx, by)) or 1.0
        turn = side if forth else -side  # the two directions lie side by side
        dx, dy = turn * (by - ay) / size, turn * (ax - bx) / size
        ex, ey = LONGER * (bx - ax), LONGER * (by - ay)
        _put_arrow(house, (ax + dx - ex, ay + dy - ey), (bx + dx + ex, by + dy + ey), probability, forth)


def _put_arrow(house: House, tail: Point, tip: Point, probability: float, forth: bool) -> None:
    arrow = {"arrowstyle": "-|>", "color": FORTH if forth else BACK, "shrinkA": 0, "shrinkB": 0}
    arrow |= {"lw": 0.8 + 4.2 * probability, "mutation_scale": 8 + 12 * probability}
    house.axes.annotate("", tip, tail, arrowprops=arrow, zorder=9)


def _put_bars(
    figure: Chart, plan: Floorplan, passage: Passage, at: tuple[float, float], size: tuple[float, float]
) -> None:
    """Probabilities of directions and people in words and bars."""
    axes = panel(figure, *at, *size)
    axes.set_axis_off()
    axes.set_xlim(0, size[0])
    axes.set_ylim(0, size[1])
    between = plan.doors[passage.door].between
    rows: list[tuple[str, float, str]] = []
    for key, probability in passage.directions.items():
        a, b = key.split(">")
        colour = FORTH if (a, b) == between else BACK
        rows.append((f"{plan.rooms[a].label} → {plan.rooms[b].label}", probability, colour))
    rows.append(("nobody", passage.nobody, NOBODY))
    y = _put_group(axes, "which way", rows, size, size[1])
    people = _likely(passage.people)
    if people:
        _put_group(axes, "who", [(name, p, INK) for name, p in people.items()], size, y - 0.1)


def _likely(people: Mapping[str, float]) -> dict[str, float]:
    ordered = sorted(people.items(), key=lambda item: -item[1])
    return {name: p for name, p in ordered if p >= 0.05}


def _put_group(
    axes: Axes, heading: str, rows: list[tuple[str, float, str]], size: tuple[float, float], top: float
) -> float:
    y = top - 0.1
    axes.text(0, y, heading, size=9, weight="bold", va="center")
    axes.plot([0, size[0]], [y - 0.12] * 2, color=FAINT, linewidth=0.5)
    for text, probability, colour in rows:
        y -= 0.25
        name, points = fit(text, 72 * (size[0] - 1.75), 16, 8.5, 5)
        axes.text(0.05, y, name, size=points, va="center")
        axes.barh([y], [1.1], height=0.13, left=size[0] - 1.65, color=SHEET, edgecolor=FAINT, linewidth=0.4)
        axes.barh([y], [1.1 * probability], height=0.13, left=size[0] - 1.65, color=colour)
        axes.text(size[0], y, percent(probability), size=8.5, va="center", ha="right")
    return y - 0.2
