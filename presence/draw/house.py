"""A plan drawn on axes: floors side by side or one above the other, walls, doors, stairs, names."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Arc, Polygon

from presence.draw.layout import HouseLayout
from presence.draw.openings import STEP
from presence.draw.outlines import Box, Outline, Point, box_of
from presence.draw.paper import FAINT, HAIRLINE, INK, PAPER, SHEET, Chart, panel
from presence.draw.shapes import DoorShape, RoomShape, floor_name

WALL = 0.13
"""m: thickness of walls as drawn."""
MARGIN = 0.6
"""m of paper around all that is drawn."""
SENSOR_MARKS = {
    "motion": ("o", 26),
    "occupancy": ("^", 30),
    "contact": ("s", 22),
    "lock": ("D", 18),
    "camera": (">", 34),
    "switch": ("P", 30),
    "power": ("*", 52),
    "pressure": ("v", 30),
}
"""Mark by kind of sensor, and its size in square points."""
LARGEST_SCALE = 0.62
"""Inches in a metre; a flat is not drawn larger than that."""
ABOVE_FLOOR = 0.9
"""m above each floor for its name."""


@dataclass(frozen=True)
class House:
    """A layout on axes: where its floors are, and how large a metre is."""

    layout: HouseLayout
    axes: Axes
    shifts: dict[int, Point]
    points: float
    """Points (1/72 inch) in a metre."""

    def place(self, floor: int, at: Point) -> Point:
        """Where a spot of a floor is on the axes."""
        x, y = self.shifts[floor]
        return at[0] + x, at[1] + y

    def view(self, floor: int) -> Box:
        """The part of a floor that is on the axes, in the floor's own coordinates."""
        (left, right), (bottom, top) = self.axes.get_xlim(), self.axes.get_ylim()
        x, y = self.shifts[floor]
        return Box(left - x, bottom - y, right - x, top - y)

    def outline(self, room: RoomShape) -> Outline:
        """A room's corners on the axes."""
        return tuple(self.place(room.floor, corner) for corner in room.outline)


@dataclass(frozen=True)
class Extent:
    """How large a layout is on the sheet: its floors beside each other, or one above the other."""

    shifts: dict[int, Point]
    box: Box

    @classmethod
    def of(cls, layout: HouseLayout, *, width: float, height: float) -> Extent:
        """The arrangement that is larger within some inches."""
        both = [cls._arranged(layout, beside=beside) for beside in (True, False)]
        return max(both, key=lambda extent: extent.size(width, height)[0] / extent.box.width)

    @classmethod
    def _arranged(cls, layout: HouseLayout, *, beside: bool) -> Extent:
        shifts = layout.offsets(beside=beside, apart=1.6)
        boxes = [
            tuple((x + shifts[floor][0], y + shifts[floor][1]) for x, y in box.outline)
            for floor, box in layout.bounds.items()
        ]
        around = box_of(boxes)
        left, bottom, right, top = around
        above = ABOVE_FLOOR if len(boxes) > 1 else 0.0
        return cls(shifts, Box(left - MARGIN, bottom - MARGIN, right + MARGIN, top + MARGIN + above))

    def size(self, width: float, height: float) -> tuple[float, float]:
        """Inches that it takes up within some inches."""
        scale = min(width / self.box.width, height / self.box.depth, LARGEST_SCALE)
        return scale * self.box.width, scale * self.box.depth


def put_house(
    figure: Chart,
    layout: HouseLayout,
    extent: Extent,
    at: tuple[float, float],
    size: tuple[float, float],
    fill: Callable[[str], str] | None = None,
) -> House:
    """Draw walls, doors and stairs at a place in inches; `fill` gives the colour of each room."""
    axes = panel(figure, *at, *size)
    axes.set_axis_off()
    axes.set_xlim(extent.box.left, extent.box.right)
    axes.set_ylim(extent.box.bottom, extent.box.top)
    house = House(layout, axes, extent.shifts, 72 * size[0] / extent.box.width)
    for room in sorted(layout.rooms.values(), key=lambda room: not room.outdoors):
        _put_room(house, room, SHEET if fill is None else fill(room.id))
    for door in layout.doors.values():
        _put_door(house, door)
    _put_floor_names(house)
    return house


def _put_room(house: House, room: RoomShape, colour: str) -> None:
    corners = house.outline(room)
    if room.outdoors:
        house.axes.add_patch(Polygon(corners, facecolor=colour, edgecolor=HAIRLINE, hatch="...", linewidth=0, zorder=1))
        house.axes.add_patch(Polygon(corners, facecolor="none", edgecolor=FAINT, linewidth=0.8, zorder=2.5))
    else:
        house.axes.add_patch(Polygon(corners, facecolor=colour, edgecolor="none", zorder=2))
        width = max(1.0, WALL * house.points)
        house.axes.add_patch(
            Polygon(corners, facecolor="none", edgecolor=INK, linewidth=width, joinstyle="miter", zorder=3)
        )


# --- doors ------------------------------------------------------------------------------------------------------------
def _put_door(house: House, door: DoorShape) -> None:
    if door.kind == "stair":
        _put_stair(house, door)
        return
    if door.kind == "link":
        ends = [house.place(end.floor, end.at) for end in door.ends]
        xs, ys = zip(*ends, strict=True)
        house.axes.add_line(Line2D(xs, ys, color=FAINT, linewidth=1.0, linestyle=(0, (1, 1.6)), zorder=3.5))
        return
    x, y = house.place(door.floor, door.at)
    ux, uy = math.cos(door.angle), math.sin(door.angle)
    half = door.width / 2
    ends = [(x - half * ux, y - half * uy), (x + half * ux, y + half * uy)]
    outdoors = all(room not in house.layout.rooms or house.layout.rooms[room].outdoors for room in door.between)
    wall = max(1.0, WALL * house.points)
    gap = 1.2 * wall if not outdoors else 2.4
    _line(house, *ends, color=PAPER if outdoors else SHEET, linewidth=gap, zorder=3.2, solid_capstyle="butt")
    for end in ends:  # jambs
        reach = 0.5 * (WALL if not outdoors else 0.22)
        _line(house, _step(end, -uy, ux, reach), _step(end, -uy, ux, -reach), color=INK, linewidth=0.9, zorder=3.4)
    _put_leaf(house, door, ends, (ux, uy))
    if door.kind == "exit":
        out = next(end.at for end in door.ends if end.room not in house.layout.rooms)
        dx, dy = (out[0] - door.at[0]) / STEP, (out[1] - door.at[1]) / STEP
        tip = {"arrowstyle": "->", "color": FAINT, "lw": 0.9, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 8}
        head, tail = _step((x, y), dx, dy, 0.5), _step((x, y), dx, dy, 0.08)
        house.axes.annotate("", head, tail, arrowprops=tip, zorder=3.6)


def _put_leaf(house: House, door: DoorShape, ends: list[Point], along: Point) -> None:
    """The leaf by its kind: a quarter circle, two panels that pass each other, a dashed line, or none."""
    ux, uy = along
    style = {"color": INK, "linewidth": 0.8, "zorder": 3.3}
    if door.leaf == "hinged":
        inner = min(door.ends, key=lambda end: _swing_order(house, end.room))
        dx, dy = inner.at[0] - door.at[0], inner.at[1] - door.at[1]
        sign = 1.0 if dx * -uy + dy * ux > 0 else -1.0
        nx, ny = -uy * sign, ux * sign
        tip = _step(ends[0], nx, ny, door.width)
        _line(house, ends[0], tip, **style)
        start, stop = math.degrees(math.atan2(uy, ux)), math.degrees(math.atan2(ny, nx))
        low, high = (start, stop) if (stop - start) % 360 < 180 else (stop, start)
        arc = Arc(ends[0], 2 * door.width, 2 * door.width, theta1=low, theta2=high, color=FAINT, lw=0.5, zorder=3.3)
        house.axes.add_patch(arc)
    elif door.leaf == "sliding":
        middle = ((ends[0][0] + ends[1][0]) / 2, (ends[0][1] + ends[1][1]) / 2)
        for a, b, side in ((ends[0], middle, 0.05), (middle, ends[1], -0.05)):
            _line(house, _step(a, -uy, ux, side), _step(b, -uy, ux, side), **style)
    elif door.leaf == "overhead":
        _line(house, *ends, color=INK, linewidth=1.6, linestyle=(0, (3, 1.8)), zorder=3.3)


def swing(house: House, door: DoorShape) -> Box | None:
    """The box that a hinged door sweeps, metres on its own floor; None for other leaves."""
    if door.leaf != "hinged" or door.kind not in ("wall", "exit"):
        return None
    inner = min(door.ends, key=lambda end: _swing_order(house, end.room))
    (x, y), (nx, ny) = door.at, (inner.at[0] - door.at[0], inner.at[1] - door.at[1])
    ux, uy = 0.5 * door.width * math.cos(door.angle), 0.5 * door.width * math.sin(door.angle)
    far = door.width / STEP
    corners = [(x + s * ux + t * nx, y + s * uy + t * ny) for s in (-1, 1) for t in (0.0, far)]
    return box_of([tuple(corners)])


def _swing_order(house: House, room: str) -> tuple[bool, int]:
    """Doors swing into rooms rather than into the open, and into small rooms rather than into halls."""
    shape = house.layout.rooms.get(room)
    doors = sum(room in door.between for door in house.layout.doors.values())
    return shape is None or shape.outdoors, doors


def _put_stair(house: House, door: DoorShape) -> None:
    """Treads, and an arrow up or down, at both ends of a stair."""
    low = min(end.floor for end in door.ends)
    for end in door.ends:
        x, y = house.place(end.floor, end.at)
        for k in range(5):
            _line(house, (x - 0.5, y - 0.5 + 0.25 * k), (x + 0.5, y - 0.5 + 0.25 * k), color=FAINT, lw=0.7, zorder=3.3)
        up = end.floor == low
        tail, tip = (y - 0.6, y + 0.75) if up else (y + 0.6, y - 0.75)
        arrow = {"arrowstyle": "-|>", "color": INK, "lw": 0.9, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 7}
        house.axes.annotate("", (x, tip), (x, tail), arrowprops=arrow, zorder=3.6)


def _line(house: House, start: Point, stop: Point, **style: object) -> None:
    house.axes.add_line(Line2D([start[0], stop[0]], [start[1], stop[1]], **style))  # type: ignore[arg-type]


def _step(at: Point, dx: float, dy: float, metres: float) -> Point:
    return at[0] + dx * metres, at[1] + dy * metres


# --- text -------------------------------------------------------------------------------------------------------------
def _put_floor_names(house: House) -> None:
    if len(house.layout.floors) < 2:
        return
    for floor in house.layout.floors:
        box = house.layout.bounds[floor]
        x, y = house.place(floor, (box.left, box.top))
        if not house.axes.viewLim.contains(x, y):
            continue
        name = floor_name(floor, house.layout.floors).upper()
        house.axes.text(x, y + 0.3, name, size=7.5, color=FAINT, va="bottom", ha="left", zorder=6)
