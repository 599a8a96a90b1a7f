"""Scores as text for people."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any

from presence.errors import counted
from presence.evaluate import Scores

WIDTH = 100
"""Columns of a line, unless names in a table are very long."""
SHOWN = 10
"""Worst stretches that are shown."""
TITLE = "{:<11}"
LESS_IS_BETTER = (
    "Less is better of brier, log loss, ece (calibration error), mae (people too many or too few) and rps (ranked"
    " probability score)."
)


def report(scores: Scores, zone: tzinfo = UTC) -> str:
    """The scores as one page of text, times as clocks in the home's zone show them."""
    tables = [_rooms(scores), _doors(scores), _reliability(scores), _confusion(scores), _worst(scores)]
    parts = [_summary(scores, zone), *tables]
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> list[str]:
    """Lines of a table; the first column to the left, the others to the right."""
    cells = [list(head), *([cell(value) for value in row] for row in rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(head))]
    return [
        "  ".join([row[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(row[1:], widths[1:], strict=True))]).rstrip()
        for row in cells
    ]


def cell(value: object) -> str:
    """A value of a table: numbers to three digits behind the point, large ones whole, `-` where there is none."""
    if isinstance(value, float):
        return "-" if math.isnan(value) else f"{value:.3f}" if abs(value) < 10 else f"{value:.0f}"
    return str(value)


def minutes(value: float) -> str:
    """Minutes a day."""
    return "-" if math.isnan(value) else f"{value:,.0f}" if value >= 10 else f"{value:.1f}"


def _figures(figures: Mapping[str, Any]) -> str:
    return ", ".join(f"{name.replace('_', ' ')} {cell(value)}" for name, value in figures.items())


def _dark_and_wasted(figures: Mapping[str, Any]) -> list[str]:
    return [minutes(figures[f"{what}_minutes_per_day"]) for what in ("false_off", "wasted")]


def _switched(figures: Mapping[str, Any]) -> str:
    return "{} min a day off with somebody there, {} min a day on with nobody there".format(*_dark_and_wasted(figures))


def _summary(scores: Scores, zone: tzinfo) -> Iterator[str]:
    covered = scores.covered
    yield from _titled("Covered", f"{_span((covered['from'], covered['to']), zone)}, {zone}, by both log and truth")
    samples = counted(covered["samples"], "sample")
    yield from _titled("", f"{samples}, one every {covered['every']:g} s, together {covered['days']:.2f} days")
    yield from _titled("", f"the log runs {_span(covered['log'], zone)}")
    lines = _span(covered["truth"], zone)
    yield from _titled("", f"lines of the truth {lines}" if lines else "by the truth nobody ever came")
    for note in covered["notes"]:
        yield from _titled("", f"the truth, line {note['line']}: {note['text']}")
    yield from _titled("Rooms", _figures(scores.rooms))
    yield from _titled("At home", _figures(scores.at_home))
    yield from _titled("People", _figures(scores.people))
    yield from _titled("Direction", _figures(scores.direction))
    yield from _titled("Switching", _switched(scores.switching))
    yield from _titled("Timer", f"{_switched(scores.timer)} (best for all rooms: {scores.timer['minutes']} min)")
    yield from _titled("", f"{_switched(scores.timer_per_room)} (each room its own best)")
    yield from textwrap.wrap(LESS_IS_BETTER, WIDTH)


def _titled(title: str, text: str) -> list[str]:
    """A figure of the summary behind its title; what is too long goes on below."""
    indent = " " * len(TITLE.format(""))
    return textwrap.wrap(text, WIDTH, initial_indent=TITLE.format(title), subsequent_indent=indent)


def _span(times: Iterable[str], zone: tzinfo) -> str:
    """From when to when, in local time; an end that is not known is left open, and nothing said where neither is."""
    shown = [f"{datetime.fromisoformat(time).astimezone(zone):%Y-%m-%d %H:%M}" if time else "" for time in times]
    return " to ".join(shown).rstrip() if any(shown) else ""


def _rooms(scores: Scores) -> Iterator[str]:
    head = ["Room", "occupied", "bal. acc.", "f1", "brier", "dark min/d", "wasted", "timer: dark", "wasted", "N min"]
    rows = [
        [
            room,
            *(row[key] for key in ("occupied_share", "balanced_accuracy", "f1", "brier")),
            *_dark_and_wasted(row["switching"]),
            *_dark_and_wasted(row["timer"]),
            row["timer"]["minutes"],
        ]
        for room, row in scores.per_room.items()
    ]
    yield from table(head, rows)


def _doors(scores: Scores) -> Iterator[str]:
    if not scores.per_door:
        yield "No passage in the truth."
        return
    keys = ["passages", "covered_share", "accuracy_at_once", "accuracy", "log_loss"]
    rows = [[door, *(row[key] for key in keys)] for door, row in scores.per_door.items()]
    yield from table(["Door", *(key.replace("_", " ") for key in keys)], rows)


def _reliability(scores: Scores) -> Iterator[str]:
    rows = [
        [f"{b['from']:.2f}-{b['to']:.2f}", int(b["samples"]), b["mean_probability"], b["share_occupied"]]
        for b in scores.reliability
    ]
    yield from table(["Told", "samples", "mean probability", "share occupied"], rows)


def _confusion(scores: Scores) -> Iterator[str]:
    """The rooms that residents were most often told to be in instead."""
    rows = []
    free = WIDTH - max(map(len, [*scores.confusion, "Resident in"])) - len("  told right  ")
    for true, shares in scores.confusion.items():
        wrong = sorted(((share, room) for room, share in shares.items() if room != true), reverse=True)[:3]
        rows.append([true, shares.get(true, 0.0), _fitting([f"{room} {share:.3f}" for share, room in wrong], free)])
    yield from table(["Resident in", "told right", "told instead"], rows)


def _fitting(parts: list[str], width: int) -> str:
    """As many parts as fit, one at least."""
    while len(parts) > 1 and len(", ".join(parts)) > width:
        parts = parts[:-1]
    return ", ".join(parts) or "-"


def _worst(scores: Scores) -> Iterator[str]:
    yield "Longest stretches told wrong"
    for stretch in scores.worst[:SHOWN]:
        day, begin = stretch["from"][:10], stretch["from"][11:16]
        what = "empty with somebody in it" if stretch["told"] == "empty" else "occupied with nobody in it"
        yield f"  {day} {begin}-{stretch['to'][11:16]} ({stretch['minutes']:.0f} min) {stretch['room']} told {what}"
    if not scores.worst:
        yield "  none"
