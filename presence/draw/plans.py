"""Pictures of a home: the plan, and over it the probabilities of one instant."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.lines import Line2D

from presence.draw.house import SENSOR_MARKS, Extent, House, put_house
from presence.draw.layout import house_layout
from presence.draw.names import put_names
from presence.draw.paper import DARKEST, FAINT, HUE, INK, SHEET, Chart, chart, fit, panel, percent, readable_on, shade
from presence.draw.words import contents
from presence.floorplan import Floorplan
from presence.snapshot import Belief

WIDTH, HEIGHT = 10.4, 6.4
"""Inches that a plan may take up."""
HEAD, SIDE = 0.72, 0.1
KEY = 0.98
"""Inches for the name of one kind of sensor."""
LINE = 0.19
"""Inches of a line of the column beside a plan."""


def plan(plan: Floorplan, *, sensors: bool = True) -> Chart:
    """The home: rooms, doors, stairs, and where its sensors are."""
    layout = house_layout(plan)
    extent = Extent.of(layout, width=WIDTH, height=HEIGHT)
    width, height = extent.size(WIDTH, HEIGHT)
    alt = f"Plan of {plan.name}: " + ", ".join(room.label for room in layout.rooms.values())
    width_all = max(width + 2 * SIDE, 5.4)
    columns = max(1, int((width_all - 0.3) / KEY))
    kinds = list(dict.fromkeys(sensor.kind for sensor in layout.sensors.values())) if sensors else []
    lines = -(-len(kinds) // columns)
    foot = 0.1 + 0.24 * lines + 0.2 * len(layout.notes)
    with chart(width_all, height + HEAD + foot, alt) as figure:
        house = put_house(figure, layout, extent, (SIDE, foot), (width, height))
        put_names(house, sensors=sensors)
        figure.title(plan.name, contents(plan))
        if sensors:
            _put_sensors(house)
            _put_sensor_key(figure, kinds, columns, 0.04 + 0.2 * len(layout.notes), 0.24 * lines)
        put_notes(figure, layout.notes)
    return figure


def _put_sensors(house: House) -> None:
    for sensor in house.layout.sensors.values():
        x, y = house.place(sensor.floor, sensor.at)
        mark, size = SENSOR_MARKS[sensor.kind]
        house.axes.scatter([x], [y], s=size, marker=mark, facecolor=DARKEST, edgecolor=SHEET, linewidth=0.7, zorder=7)


def _put_sensor_key(figure: Chart, kinds: list[str], columns: int, bottom: float, height: float) -> None:
    axes = panel(figure, 0.15, bottom, figure.get_figwidth() - 0.3, height)
    axes.set_axis_off()
    handles = [
        Line2D(
            [],
            [],
            marker=SENSOR_MARKS[kind][0],
            markersize=1.25 * SENSOR_MARKS[kind][1] ** 0.5,
            color="none",
            markerfacecolor=DARKEST,
            markeredgecolor=SHEET,
            label=kind,
        )
        for kind in kinds
    ]
    if handles:
        axes.legend(handles=handles, ncols=columns, loc="center left", borderpad=0, handletextpad=0.1, fontsize=8)


def put_notes(figure: Chart, notes: Sequence[str]) -> None:
    """What is odd about the outlines, at the foot of a picture."""
    for number, note in enumerate(notes):
        at = (0.08 + 0.2 * (len(notes) - 1 - number)) / figure.get_figheight()
        figure.text(0.2 / figure.get_figwidth(), at, f"! {note}", size=8, color=INK, va="bottom")


def probabilities(plan: Floorplan, belief: Belief) -> Chart:
    """The home at one instant: how probable it is that somebody is in each room, where each resident is, how many."""
    layout = house_layout(plan)
    aside = 2.9
    extent = Extent.of(layout, width=WIDTH - aside + 1.5, height=HEIGHT)
    width, height = extent.size(WIDTH - aside + 1.5, HEIGHT)
    rows = _rows(plan, belief)
    height = max(height, 3.2, LINE * (len(rows) + 0.35 * (len(belief.people) + 1)) + 0.1)
    time = belief.time.astimezone(plan.zone)
    likely = [plan.rooms[room].label for room, p in belief.rooms.items() if p > 0.5]
    alt = f"{plan.name} at {time.day} {time:%B %Y, %H:%M}: probably somebody in {', '.join(likely) or 'no room'}"
    with chart(width + aside + 2 * SIDE, height + HEAD + 0.15, alt) as figure:
        size = extent.size(WIDTH - aside + 1.5, HEIGHT)

        def fill(room: str) -> str:
            return shade(belief.rooms[room])

        house = put_house(figure, layout, extent, (SIDE, 0.15 + (height - size[1])), size, fill)
        put_names(house, lambda room: percent(belief.rooms[room]), lambda room: readable_on(belief.rooms[room]))
        figure.title(f"{time:%A} {time.day} {time:%B %Y, %H:%M}", f"{plan.name}: is somebody there?")
        _put_residents(figure, rows, (SIDE + width + 0.25, 0.25), (aside - 0.35, height + 0.1))
    return figure


def _rows(plan: Floorplan, belief: Belief) -> list[tuple[str, float | None]]:
    """The likeliest rooms under each resident's name, and how many people are at home."""
    rows: list[tuple[str, float | None]] = []
    for person, rooms in belief.people.items():
        likely = sorted(rooms.items(), key=lambda item: -item[1])
        shown = [item for item in likely[:3] if item[1] >= 0.05] or likely[:1]
        rows += [(person, None), *((plan.rooms[room].label, p) for room, p in shown)]
    rows.append(("at home", None))
    return [*rows, *((str(k) if k else "nobody", p) for k, p in enumerate(belief.at_home) if p >= 0.01)]


def _put_residents(
    figure: Chart, rows: list[tuple[str, float | None]], at: tuple[float, float], size: tuple[float, float]
) -> None:
    """A column of bars, with headings between them."""
    axes = panel(figure, *at, *size)
    axes.set_axis_off()
    step = LINE
    axes.set_xlim(0, size[0])
    axes.set_ylim(0, size[1])
    y = size[1] - 0.05
    for text, probability in rows:
        y -= step * (1.35 if probability is None else 1.0)
        if probability is None:
            name, points = fit(text, 72 * size[0] / 1.2, 14, 9, 5.5)
            axes.text(0, y, name, size=points, weight="bold", va="center")
            axes.plot([0, size[0]], [y - 0.42 * step] * 2, color=FAINT, linewidth=0.5)
            continue
        bar = 0.85
        axes.barh([y], [bar], height=0.62 * step, left=size[0] - bar - 0.5, color=SHEET, edgecolor=FAINT, linewidth=0.4)
        axes.barh([y], [bar * probability], height=0.62 * step, left=size[0] - bar - 0.5, color=HUE(0.85))
        name, points = fit(text, 72 * (size[0] - bar - 0.6), 14, 8, 5.5)
        axes.text(0.05, y, name, size=points, va="center")
        axes.text(size[0], y, percent(probability), size=8, va="center", ha="right")
