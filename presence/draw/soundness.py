"""The health of sensors: those that look sick, on the plan and in words."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from matplotlib.axes import Axes

from presence.draw.house import SENSOR_MARKS, Extent, House, put_house
from presence.draw.layout import house_layout
from presence.draw.names import put_names
from presence.draw.paper import BACK, DARKEST, FAINT, INK, SHEET, Chart, chart, fit, panel, percent
from presence.draw.shapes import SensorShape
from presence.errors import counted
from presence.floorplan import Floorplan
from presence.health import Finding
from presence.wording import capitalised

WIDTH, HEIGHT = 7.4, 5.6
ASIDE = 3.6
"""Inches for the words beside the plan."""
LOUD = 0.05
"""Probability from which a finding is drawn."""


def health(plan: Floorplan, findings: Iterable[Finding]) -> Chart:
    """Sensors that look sick: a ring on the plan as large as the suspicion, and a list, most probable first."""
    layout = house_layout(plan)
    extent = Extent.of(layout, width=WIDTH, height=HEIGHT)
    width, height = extent.size(WIDTH, HEIGHT)
    suspected = sorted((f for f in findings if f.probability >= LOUD), key=lambda f: -f.probability)
    whole = max(height + 0.9, 0.42 * len(suspected) + 1.3)
    sick = len({finding.sensor for finding in suspected})
    said = f"{sick} of {counted(len(plan.sensors), 'sensor')} may be sick" if suspected else "no sensor is suspected"
    with chart(width + ASIDE + 0.4, whole, f"{plan.name}: {said}") as figure:
        figure.title(capitalised(said), plan.name)
        house = put_house(figure, layout, extent, (0.1, whole - height - 0.75), (width, height))
        put_names(house, sensors=True)
        numbers = {finding.sensor: k for k, finding in reversed(list(enumerate(suspected, 1)))}
        worst = {finding.sensor: finding.probability for finding in reversed(suspected)}
        for sensor in layout.sensors.values():
            _put_sensor(house, sensor, numbers.get(sensor.id), worst.get(sensor.id, 0.0))
        _put_list(figure, plan, suspected, (width + 0.35, 0.1), (ASIDE - 0.1, whole - 0.85))
    return figure


def _put_sensor(house: House, sensor: SensorShape, number: int | None, probability: float) -> None:
    """A sensor's mark; one that is suspected has a ring and the number of its finding."""
    x, y = house.place(sensor.floor, sensor.at)
    mark, size = SENSOR_MARKS[sensor.kind]
    style: dict[str, Any] = {"facecolor": FAINT if number is None else INK, "edgecolor": SHEET, "linewidth": 0.7}
    house.axes.scatter([x], [y], s=size, marker=mark, zorder=7, **style)
    if number is None:
        return
    style = {"facecolor": "none", "edgecolor": BACK, "linewidth": 1.6}
    house.axes.scatter([x], [y], s=60 + 260 * probability, marker="o", zorder=8, **style)
    _put_number(house.axes, (x + 0.55, y + 0.55), number)


def _put_number(axes: Axes, at: tuple[float, float], number: int) -> None:
    box = {"boxstyle": "circle,pad=0.18", "facecolor": BACK, "edgecolor": SHEET, "linewidth": 0.6}
    style: dict[str, Any] = {"ha": "center", "va": "center", "zorder": 11}
    axes.text(*at, str(number), size=7, color=SHEET, weight="bold", bbox=box, **style)


def _put_list(
    figure: Chart, plan: Floorplan, findings: list[Finding], at: tuple[float, float], size: tuple[float, float]
) -> None:
    axes = panel(figure, *at, *size)
    axes.set_axis_off()
    axes.set_xlim(0, size[0])
    axes.set_ylim(0, size[1])
    for number, finding in enumerate(findings, 1):
        y = size[1] - 0.42 * number + 0.2
        _put_number(axes, (0.1, y), number)
        name, points = fit(finding.sensor, 72 * (size[0] - 1.0), 12, 9, 5)
        axes.text(0.3, y + 0.02, name, size=points, weight="bold", va="center")
        axes.text(size[0], y + 0.02, percent(finding.probability), size=9, weight="bold", va="center", ha="right")
        local = finding.since.astimezone(plan.zone)
        since = f"since {local:%a} {local.day} {local:%b %H:%M}"
        text, points = fit(f"{finding.meaning}, {since}", 72 * (size[0] - 0.35), 12, 8, 5)
        axes.text(0.3, y - 0.15, text, size=points, color=DARKEST, va="center")
