"""One cell of the accuracy benchmark: live, replay, score, compare; a flat row of figures."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from benchmarks.trust import curves
from benchmarks.trust.garage import rule_accuracy
from benchmarks.trust.homes import Cell, Lived, live
from benchmarks.trust.regret import regret_of
from presence.evaluate import Scores, Scoring
from presence.occupancy import DARK_COST
from presence.replay import replay
from presence.switching import SwitchingSums

EVERY = 60.0
"""Seconds between the instants that are scored."""
SECTIONS = ("rooms", "at_home", "people", "direction", "switching", "timer")
RIVALS = ("timer", "room_timers")
KEYS = ("plan", "people", "variant", "seed", "days", "hypotheses", "code")
SCORES = (
    *(f"rooms_{key}" for key in ("accuracy", "balanced_accuracy", "f1", "brier", "log_loss", "ece")),
    *(f"at_home_{key}" for key in ("accuracy", "mae", "rps")),
    "people_accuracy",
    *(
        f"direction_{key}"
        for key in ("passages", "accuracy_at_once", "accuracy", "log_loss", "covered_share", "median_delay_s")
    ),
    *(f"switching_{key}_minutes_per_day" for key in ("false_off", "wasted")),
    *(f"timer_{key}_minutes_per_day" for key in ("false_off", "wasted")),
    "timer_minutes",
)
"""Section 6 of the contract, `section_key`."""
COMPARED = ("false_off", "wasted", "library_wasted_at_equal_false_off", "library_false_off_at_equal_wasted",
            "points_beaten")  # fmt: skip
EXTRA = ("garage_door", "garage_passages", "garage_accuracy", "garage_accuracy_at_once", "garage_rule_accuracy",
         "regret_nats_per_event", "regret_events", "events", "samples", "seconds")  # fmt: skip
CURVES = (
    *(f"off_below_{off:g}_{axis}" for off in curves.OFF_BELOW for axis in ("false_off", "wasted")),
    *(f"timer_{minutes:g}_min_{axis}" for minutes in curves.MINUTES for axis in ("false_off", "wasted")),
    *(f"room_timers_cost_{cost:g}_{axis}" for cost in curves.COSTS for axis in ("false_off", "wasted")),
)
ENDS = ("always_off_false_off", "always_on_wasted")
COLUMNS = (*KEYS, *SCORES, *(f"{r}_best_{c}" for r in RIVALS for c in COMPARED), *EXTRA, *CURVES, *ENDS)


def run(cell: Cell, hypotheses: int = 16) -> dict[str, Any]:
    """Every figure of one cell, by the names in `COLUMNS`."""
    begin = time.perf_counter()
    lived = live(cell)
    scoring, sums = score(lived, hypotheses)
    scores = scoring.scores()
    row: dict[str, Any] = {**asdict(cell), "hypotheses": hypotheses}
    for section in SECTIONS:
        row |= {f"{section}_{key}": value for key, value in getattr(scores, section).items()}
    row |= compared(sums)
    row |= garage(lived, scores)
    row |= regret_of(cell, hypotheses)
    row |= {"events": len(lived.log), "samples": scores.covered["samples"]}
    return row | {"seconds": round(time.perf_counter() - begin, 1)}


def score(lived: Lived, hypotheses: int) -> tuple[Scoring, SwitchingSums]:
    """Replay a log into the scores, and into the sums of both curves."""
    sums = curves.sums_of(len(lived.plan.rooms) - 1)
    scoring = Scoring(lived.plan, lived.truth, EVERY, further=(sums,))
    for line in replay(lived.plan, scoring.watch(lived.log), every=EVERY, hypotheses=hypotheses):
        if not scoring.line(line):
            break
    return scoring, sums


def compared(sums: SwitchingSums) -> dict[str, float]:
    """The library against one timer for all rooms and against a timer tuned for each, and the curves' points."""
    found = curves.points(sums)
    occupied = float(sums.occupied) * 1440.0 / sums.samples
    most = (occupied, 1440.0 * sums.rooms - occupied)
    library = curves.frontier(found["library"], most)
    row: dict[str, float] = dict(zip(ENDS, most, strict=True))
    for rival in RIVALS:
        points = found[rival]
        result = curves.compare(library, points, curves.cheapest(points, DARK_COST))
        row |= {f"{rival}_best_{key}": value for key, value in result.items()}
    names = iter(CURVES)
    for curve in found.values():
        row |= {next(names): float(value) for value in curve.ravel()}
    return row


def garage(lived: Lived, scores: Scores) -> dict[str, Any]:
    """The door between garage and house: the tracker and the five-minute rule."""
    rule = rule_accuracy(lived.plan, lived.log, lived.truth)
    if rule is None:
        return {}
    door, passages, accuracy = rule
    ours: Mapping[str, float] = scores.per_door.get(door, {})
    return {
        "garage_door": door,
        "garage_passages": passages,
        "garage_accuracy": ours.get("accuracy"),
        "garage_accuracy_at_once": ours.get("accuracy_at_once"),
        "garage_rule_accuracy": accuracy,
    }
