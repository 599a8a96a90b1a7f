"""What learning did, for the file and for people: what changed, by how much, and what it bought on days kept apart."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from itertools import groupby
from textwrap import wrap
from typing import Any

from presence.errors import counted
from presence.habits import DAYS, WEEK, Habit, clock
from presence.learn.judge import Verdict, gain
from presence.learn.recordings import DAY, Material
from presence.permitted import WITH_NAMES
from presence.settings import Settings
from presence.times import utc

FEW = 20
"""Expected events below which a rate says little."""

FIRST = "first step"
"""The candidate that is taken where no other surely helps, unless a witness surely objects."""
VAGUE = 1.3
"""A standard error of more than this factor leaves a rate open, be the expected events many."""
WIDTH = 100
"""Characters in a line that lists much."""


def describe(given: Material, verdicts: Mapping[str, Verdict], chosen: str, notes: Sequence[str]) -> dict[str, Any]:
    """The report as it stands in the file."""
    stretches = given.stretches
    log = {
        "from": _utc(stretches[0].begin) if stretches else None,
        "to": _utc(stretches[-1].end) if stretches else None,
        "days": round(given.days, 2),
        "events": sum(len(stretch.events) for stretch in stretches),
    }
    report: dict[str, Any] = {"log": log, "chosen": chosen, "candidates": {}, "notes": list(notes)}
    for name, verdict in verdicts.items():
        total, error = gain(verdict, verdicts["defaults"])
        days = verdict.instants * given.timescales.step / DAY
        likelihood = verdict.log_likelihood - verdicts["defaults"].log_likelihood
        report["candidates"][name] = {
            "score": round(verdict.score, 4),
            "gain": round(float(total[2]), 4),
            "gain_error": _finite(error[2]),
            "gain_number_at_home": round(float(total[0]), 4),
            "gain_rooms": round(float(total[1]), 4),
            "gain_rooms_error": _finite(error[1]),
            "log_likelihood_gain_per_day": round(likelihood / days, 1),
            "days_judged": round(days, 2),
        }
    return report


def _finite(error: float) -> float | None:
    """A standard error, to four digits; of a single block of time there is none."""
    return round(float(error), 4) if math.isfinite(error) else None


def report_lines(report: Mapping[str, Any], settings: Settings, holds: Mapping[str, float]) -> Iterator[str]:
    """The report for people."""
    log = report["log"]
    if not log["events"]:
        yield "There is nothing to learn from: no stretch of the logs is long enough"
    else:
        yield f"Read {log['days']:g} days, {counted(log['events'], 'event')} ({log['from']} to {log['to']} UTC)"
    if report["candidates"]:
        judged = report["candidates"]["defaults"]["days_judged"]
        yield f"Judged on {judged:g} later days, without labels: how well what is believed tells what is seen later"
        yield "(nats an instant; gain over the defaults, by the number at home and by rooms), and how likely they are"
        yield "  candidate            score      gain    number     rooms  +- (1 s.e.)  log-lik./day"
    for name, c in report["candidates"].items():
        mark = "*" if name == report["chosen"] else " "
        error = "unknown" if c["gain_rooms_error"] is None else f"{c['gain_rooms_error']:.4f}"
        yield (
            f"{mark} {name:<16} {c['score']:9.4f} {c['gain']:9.4f} {c['gain_number_at_home']:9.4f}"
            f" {c['gain_rooms']:9.4f} {error:>12} {c['log_likelihood_gain_per_day']:13.1f}"
        )
    yield from _kept(report)
    if "days_used" in report:
        yield "Days that each part rests on: " + ", ".join(f"{k} {v:g}" for k, v in report["days_used"].items())
    yield from _changes(settings, holds, report.get("planned_holds", {}))
    few = [name for name, count in report.get("expected_events", {}).items() if count < FEW]
    if few:
        yield from _listed(f"Data too few: fewer than {FEW} events tell of these, so they are rough:", few)
    vague = {k: v for k, v in report.get("known_to", {}).items() if v > VAGUE and k not in few}
    if vague:
        told = [f"{name} ({factor:.2f})" for name, factor in vague.items()]
        yield from _listed(f"Data too few: known no better than to a factor of {VAGUE:g} (one standard error):", told)
    for note in report["notes"]:
        yield f"Note: {note}"


def _kept(report: Mapping[str, Any]) -> Iterator[str]:
    """What was kept, and why."""
    kept = report["chosen"]
    if kept not in report["candidates"]:
        return
    if kept == "defaults":
        yield "No candidate surely tells later days better (rooms by two standard errors, the number no worse, and"
        yield "likelier): the defaults stay"
        return
    bought = f"{report['candidates'][kept]['log_likelihood_gain_per_day']:g} nats a day"
    if kept == FIRST:
        yield "Nothing surely tells rooms better. How sensors see and hands work things is learned all the same:"
        yield f"it makes later days likelier ({bought}), and neither rooms nor the number are surely told worse"
    else:
        yield f"Kept: {kept}. Rooms are surely told better on later days, the number no worse, and these are"
        yield f"likelier ({bought})"


def _changes(settings: Settings, holds: Mapping[str, float], planned: Mapping[str, float | None]) -> Iterator[str]:
    usual = Settings()
    names = [f.name for f in fields(Settings) if f.name not in WITH_NAMES]
    changed = [name for name in names if getattr(settings, name) != getattr(usual, name)]
    if changed:
        yield f"  {'setting (rates: 1/s)':<26} {'default':>10} {'learned':>10} {'factor':>8}"
    paces = ("moving", "active", "settled", "asleep")
    for name in changed:
        old, new = getattr(usual, name), getattr(settings, name)
        if not isinstance(old, tuple):
            yield _row(name, old, new)
            continue
        yield from (_row(f"{name}, {pace}", a, b) for pace, a, b in zip(paces, old, new, strict=True) if a != b)
    for name, places in settings.factors.items():
        yield from _listed(f"  factors on {name}:", [f"{where} {factor:.2f}" for where, factor in places.items()])
    for name, places in settings.own_places.items():
        yield from _listed(f"  {name}'s own places:", [f"{where} {factor:.2f}" for where, factor in places.items()])
    for name, habit in settings.habits.items():
        yield from _habit(name, habit)
    for sensor, hold in holds.items():
        said = "" if (told := planned.get(sensor)) is None else f"; the plan says {told:g} s"
        yield f"  {sensor} holds {hold:g} s, as measured{said}"


def _listed(head: str, entries: Sequence[str]) -> Iterator[str]:
    """A line, or several, that names one entry after the other, each in one piece."""
    whole = "; ".join(entry.replace(" ", "\u00a0") for entry in entries)
    for line in wrap(f"{head} {whole}", WIDTH, subsequent_indent="    ", break_on_hyphens=False):
        yield line.replace("\u00a0", " ")


def _habit(name: str, habit: Habit) -> Iterator[str]:
    """Waking hours, and the times at which somebody goes out or comes back more or less readily."""
    if habit.awake is not None:
        yield f"  {name} is awake from {clock(habit.awake[0])} to {clock(habit.awake[1])}"
    for what, week in (("goes out", habit.out), ("comes back", habit.back)):
        spans: dict[tuple[float, int, int], list[str]] = {}
        for day, first in zip(DAYS, range(0, WEEK, 24), strict=True):
            begin = 0
            for factor, run in groupby(week[first : first + 24]):
                end = begin + len(list(run))
                if factor != 1.0:
                    spans.setdefault((factor, begin, end), []).append(day)
                begin = end
        for (factor, begin, end), days in sorted(spans.items(), key=lambda span: span[0][1:]):
            yield f"  {name} {what} {factor:g} times as readily {begin:02d}:00-{end:02d}:00 {', '.join(days)}"


def _row(name: str, old: float, new: float) -> str:
    return f"  {name:<26} {old:10.3g} {new:10.3g} {new / old:8.2f}"


def _utc(seconds: float) -> str:
    return f"{utc(seconds):%Y-%m-%d %H:%M}"
