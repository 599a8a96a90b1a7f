"""The one page: what was run, how good the answers are, where a timer is ahead, and how far from the ceiling."""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np

from benchmarks.trust.curves import ahead
from benchmarks.trust.homes import CEILING, VARIANTS
from presence.report import minutes

Row = dict[str, Any]
Group = tuple[Any, ...]
HARDLY = 0.5
"""Minutes a day, of which no share is told."""
RIVAL_NAMES = {"timer": "one timer", "room_timers": "a timer tuned for each room"}


def page(rows: Sequence[Row], command: str) -> str:
    """Markdown of everything that the rows say."""
    lived = [row for row in rows if row["variant"] not in CEILING]
    parts = [_heading(rows, command)]
    if lived:
        parts += [_cells(lived), _ahead(lived), _behind(lived), _garage(lived)]
    return "\n\n".join("\n".join(part) for part in [*parts, _exact(rows), _ceiling(rows)] if part) + "\n"


def grouped(rows: Iterable[Row], *keys: str) -> dict[Group, list[Row]]:
    """Rows that agree in some columns, in order of these."""
    found: dict[Group, list[Row]] = {}
    for row in rows:
        found.setdefault(tuple(row[key] for key in keys), []).append(row)

    def order(group: Group) -> Group:
        return tuple(VARIANTS.index(part) if part in VARIANTS else part for part in group)

    return {group: found[group] for group in sorted(found, key=order)}


def mean(rows: Iterable[Row], column: str) -> float:
    """Mean of a column where it has a value."""
    values = [row[column] for row in rows if row.get(column) is not None]
    return float(np.mean(values)) if values else float("nan")


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> list[str]:
    """A Markdown table; the first column to the left, the others to the right."""
    rule = ["---", *("---:" for _ in head[1:])]
    return [f"| {' | '.join(map(str, row))} |" for row in (head, rule, *rows)]


def share(value: float) -> str:
    """A score between 0 and 1."""
    return "-" if np.isnan(value) else f"{value:.3f}".removeprefix("0") if value < 1 else "1.000"


def _heading(rows: Sequence[Row], command: str) -> list[str]:
    days = sum(row["days"] for row in rows)
    versions = f"Python {platform.python_version()}, numpy {np.__version__}, {datetime.now(UTC):%Y-%m-%d}"
    seeds = sorted({row["seed"] for row in rows})
    lives = f"seed {seeds[0]}" if len(seeds) == 1 else f"seeds {seeds[0]} to {seeds[-1]}"
    return [
        "# How far to trust it",
        "",
        f"Made by `{command}` ({versions}).",
        f"{len(rows)} homes, {days:g} days together, {sum(row['events'] for row in rows):,.0f} events, {lives},"
        f" {rows[0]['hypotheses']} hypotheses. But for the ceiling, people live by the"
        " simulator's schedules, not by the tracker's model. Scores are sampled once a minute over all rooms but"
        " `away`; figures are means over seeds.",
        "",
        "*dark*: minutes a day, all rooms together, switched off with somebody there; *wasted*: on with nobody there."
        " The rule is the library's own default; the timer is the best of 1 to 30 minutes, chosen in hindsight.",
    ]


COLUMNS: tuple[tuple[str, str, Callable[[float], str]], ...] = (
    ("balanced accuracy", "rooms_balanced_accuracy", share),
    ("calibration error", "rooms_ece", share),
    ("number at home right", "at_home_accuracy", share),
    ("right resident's room", "people_accuracy", share),
    ("direction at once", "direction_accuracy_at_once", share),
    ("direction", "direction_accuracy", share),
    ("dark", "switching_false_off_minutes_per_day", minutes),
    ("wasted", "switching_wasted_minutes_per_day", minutes),
    ("timer: dark", "timer_false_off_minutes_per_day", minutes),
    ("wasted", "timer_wasted_minutes_per_day", minutes),
)


def _cells(rows: Sequence[Row]) -> list[str]:
    lines = ["## Every cell"]
    for (plan,), of_plan in grouped(rows, "plan").items():
        body = [
            [f"{people}, {variant}", *(show(mean(group, column)) for _, column, show in COLUMNS)]
            for (people, variant), group in grouped(of_plan, "people", "variant").items()
        ]
        lines += ["", f"**{plan}**", "", *table(["people, variant", *(name for name, _, _ in COLUMNS)], body)]
    return lines


def _ahead(rows: Sequence[Row]) -> list[str]:
    lines = [
        "## Against the best timer, on equal terms",
        "",
        "The library's thresholds are moved (`Switch.from_threshold`) until it has as many dark minutes as the timer,"
        " or as many wasted ones: what is then left of the timer's wasted minutes / of its dark minutes, means over"
        " seeds. Below 100 % the library is ahead. Timers are chosen in hindsight.",
    ]
    people = sorted({row["people"] for row in rows})
    for rival, name in RIVAL_NAMES.items():
        body = []
        for (plan, variant), group in grouped(rows, "plan", "variant").items():
            cells = [
                f"{_left(by, rival, 'wasted')} / {_left(by, rival, 'false_off')}" if by else "-"
                for by in ([row for row in group if row["people"] == n] for n in people)
            ]
            body.append([f"{plan}, {variant}", *cells])
        head = [f"left of {name}'s: wasted / dark", *("1 person" if n == 1 else f"{n} people" for n in people)]
        lines += ["", *table(head, body)]
    return lines


def _left(rows: Sequence[Row], rival: str, axis: str) -> str:
    """The library's minutes as a share of the rival's; in minutes where the rival has hardly any."""
    other = {"wasted": "false_off", "false_off": "wasted"}[axis]
    ours = mean(rows, f"{rival}_best_library_{axis}_at_equal_{other}")
    theirs = mean(rows, f"{rival}_best_{axis}")
    if theirs < HARDLY:
        return f"{minutes(ours)} min for {minutes(theirs)}" if ours >= HARDLY else "0%"
    return f"{ours / theirs:.0%}"


def _behind(rows: Sequence[Row]) -> list[str]:
    lines = ["## Where a timer is ahead"]
    for rival, name in RIVAL_NAMES.items():
        behind = [row for row in rows if not ahead(row, rival)]
        lines += ["", f"{name}: the library is ahead in {len(rows) - len(behind)} of {len(rows)} cells."]
        body = [
            [f"{row['plan']}, {row['people']}, {row['variant']}, seed {row['seed']}"]
            + [minutes(row[f"{rival}_best_{column}"]) for column in BEHIND]
            for row in behind
        ]
        if body:
            lines += ["", *table(["cell", "timer: dark", "wasted", "ours at equal dark", "at equal wasted"], body)]
    if any(row["variant"] == "pet" and not ahead(row, rival) for row in rows for rival in RIVAL_NAMES):
        lines += ["", PETS]
    return lines


PETS = (
    "With a pet: a motion sensor hears people and animals alike, so who sits still while the cat roams looks like a cat"
    " that rests while its owner is about. The fewer the rooms, the less else tells them apart. How much of that no"
    " filter could tell shows where lives are drawn from the model with the pet (variant `drawn pet`)."
)


BEHIND = ("false_off", "wasted", "library_wasted_at_equal_false_off", "library_false_off_at_equal_wasted")


def _garage(rows: Sequence[Row]) -> list[str]:
    rows = [row for row in rows if row.get("garage_passages")]
    if not rows:
        return []
    body = []
    for (plan, people), group in grouped(rows, "plan", "people").items():
        passages = [row["garage_passages"] for row in group]

        def weighted(column: str, group: list[Row] = group, passages: list[float] = passages) -> str:
            return share(float(np.average([row[column] for row in group], weights=passages)))

        columns = ("garage_accuracy_at_once", "garage_accuracy", "garage_rule_accuracy")
        body.append([f"{plan}, {people}", f"{sum(passages):.0f}", *map(weighted, columns)])
    return [
        "## The door between garage and house",
        "",
        "Which way somebody went, against the rule that a garage door opened within five minutes makes it an arrival.",
        "",
        *table(["people", "passages", "at once", "after the window", "five-minute rule"], body),
    ]


def _exact(rows: Sequence[Row]) -> list[str]:
    rows = [row for row in rows if row.get("regret_events")]
    if not rows:
        return []
    body = []
    for (plan, people, variant), group in grouped(rows, "plan", "people", "variant").items():
        values = [row["regret_nats_per_event"] for row in group]
        events = f"{sum(row['regret_events'] for row in group):.0f}"
        body.append([f"{plan}, {people}", variant, events, f"{np.mean(values):.5f}", f"{max(values):.5f}"])
    return [
        "## Against the exact joint filter",
        "",
        f"Log-likelihood lost by keeping {rows[0]['hypotheses']} hypotheses, nats per event, in the home without seats,"
        " occupancy sensors, pets and visitors.",
        "",
        *table(["people", "variant", "events", "mean", "worst"], body),
    ]


def _ceiling(rows: Sequence[Row]) -> list[str]:
    drawn = [row for row in rows if row["variant"] in CEILING]
    if not drawn:
        return []
    body = [
        [f"{plan}, {people}, {variant}"]
        + [f"{_left(group, 'timer', 'wasted')} / {_left(group, 'timer', 'false_off')}"]
        + [show(mean(group, column)) for _, column, show in COLUMNS]
        for (plan, people, variant), group in grouped(drawn, "plan", "people", "variant").items()
    ]
    return [
        "## The ceiling: lives drawn from the model itself",
        "",
        "Here the model is right, so what is missing is what such sensors cannot tell (there are no seats, occupancy"
        " sensors or tags among them).",
        "",
        *table(["people, variant", "left of one timer's", *(name for name, _, _ in COLUMNS)], body),
    ]
