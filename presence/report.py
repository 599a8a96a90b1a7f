"""Scores as text for people."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from presence.errors import counted
from presence.evaluate import Scores

SHOWN = 10
"""Worst stretches that are shown."""
LESS_IS_BETTER = (
    "Less is better of brier, log loss, ece (calibration error), mae (people too many or too few) and rps (ranked"
    " probability score)."
)


def report(scores: Scores) -> str:
    """The scores as one page of text."""
    parts = [_summary(scores), _rooms(scores), _doors(scores), _reliability(scores), _confusion(scores), _worst(scores)]
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


def _summary(scores: Scores) -> Iterator[str]:
    covered = scores.covered
    yield f"Covered by both log and truth: {covered['from']} to {covered['to']}"
    samples = counted(covered["samples"], "sample")
    yield f"  {samples}, one every {covered['every']:g} s, together {covered['days']:.2f} days"
    truth = f"the truth {' to '.join(covered['truth'])}" if any(covered["truth"]) else "by the truth nobody ever came"
    yield f"  the log runs {' to '.join(covered['log'])}, {truth}"
    for note in covered["notes"]:
        yield f"  the truth, line {note['line']}: {note['text']}"
    yield f"Rooms      {_figures(scores.rooms)}"
    yield f"At home    {_figures(scores.at_home)}"
    yield f"People     {_figures(scores.people)}"
    yield f"Direction  {_figures(scores.direction)}"
    yield f"Switching  {_switched(scores.switching)}"
    yield f"Timer      {_switched(scores.timer)} (the best for all rooms: {scores.timer['minutes']} min)"
    yield f"           {_switched(scores.timer_per_room)} (each room its own best)"
    yield LESS_IS_BETTER


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
    for true, shares in scores.confusion.items():
        wrong = sorted(((share, room) for room, share in shares.items() if room != true), reverse=True)[:3]
        rows.append([true, shares.get(true, 0.0), ", ".join(f"{room} {share:.3f}" for share, room in wrong) or "-"])
    yield from table(["Resident in", "told right", "told instead"], rows)


def _worst(scores: Scores) -> Iterator[str]:
    yield "Longest stretches told wrong"
    for stretch in scores.worst[:SHOWN]:
        day, begin = stretch["from"][:10], stretch["from"][11:16]
        what = "empty with somebody in it" if stretch["told"] == "empty" else "occupied with nobody in it"
        yield f"  {day} {begin}-{stretch['to'][11:16]} ({stretch['minutes']:.0f} min) {stretch['room']} told {what}"
    if not scores.worst:
        yield "  none"
