"""Which rates may a home's own log teach: where do likelihood and answers agree?

    python benchmarks/agreement.py {two_residents,two_residents_month,single_resident} FOLDER [--part first] [--json]
    python benchmarks/agreement.py homes [--plans two_storey_garage] [--people 2] [--seeds 21,22] [--days 4]
                                         [--score-days 2] [--variant plain] [--json]

Each class of rates takes one M step (`presence.learn.em`, no label is used) on the first half of a set, all others
staying the defaults; the second half is scored. One line a class: what it gains in log-likelihood there, and in each
answer, with the 95 % interval of the difference (sessions or days redrawn for both at once; in simulated homes the
homes are; what hypotheses merged in another order change is not in it). A class agrees if the log is likelier and no
answer surely falls. With `--part first` the second half of the set stays unseen: half of the first is learned from and
the other half scored, then the other way round, both together.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

if __package__ in (None, ""):
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from benchmarks.learning import add_home_options, figures, flat, gains, later_part
from benchmarks.open_sets import score_month, score_single_resident, score_two_residents, scores
from benchmarks.open_sets import single_resident as single_set
from benchmarks.open_sets import two_residents as two_residents_set
from benchmarks.open_sets import two_residents_month as month_set
from benchmarks.open_sets.following import Trace, follow_all, instants
from benchmarks.open_sets.recording import Recording, half
from benchmarks.trust.homes import Cell, live
from presence import Floorplan, Settings, Tracker
from presence.learn.em import Rate, rates_of, with_factors
from presence.learn.report import FIRST
from presence.learn.statistics import Statistics, count
from presence.learn.steps import AGREEING, grouped, one_by_one
from presence.learn.tape import record
from presence.learned import rounded

ANSWERS = {
    "two_residents": ("same_person", "identity_within_5_min", "room_set", "same_person_log_loss"),
    "two_residents_month": ("count_accuracy", "bathroom balanced_accuracy", "kitchen balanced_accuracy",
                            "living balanced_accuracy", "direction_final"),
    "single_resident": ("home_accuracy", "room_accuracy", "direction_final"),
    "homes": ("bal. acc.", "count", "people", "log loss"),
}  # fmt: skip
TREMBLE = 0.002
"""A fall of no more is none: hypotheses that are merged in another order change figures by as much."""
LOSSES = ("same_person_log_loss", "log loss")
"""These are better when smaller."""

T = TypeVar("T")
Recorded = TypeVar("Recorded", two_residents_set.Session, month_set.Day)
Stretch = tuple[float, Sequence[Any], float]
"""Begin, events, end."""


@dataclass(frozen=True)
class Material:
    """What is learned from, and how settings are scored on what follows."""

    plan: Floorplan
    stretches: list[list[Stretch]]
    """Of each home, or of each half that is learned from."""
    score: Callable[[Sequence[Settings]], dict[str, Any]]
    """Scores of what follows each under its settings; `log_likelihood` among them."""


def two_residents(folder: Path, part: str) -> Material:
    """Sessions."""
    data = two_residents_set.load(folder)

    def scored(asked: Sequence[two_residents_set.Session], traces: Sequence[Trace]) -> dict[str, Any]:
        return score_two_residents.score_tracker(data, asked, traces, 1.0)

    return _in_folds(data.plan, data.sessions, part, 1.0, scored)


def two_residents_month(folder: Path, part: str) -> Material:
    """Days that stand alone."""
    data = month_set.load(folder)

    def scored(asked: Sequence[month_set.Day], traces: Sequence[Trace]) -> dict[str, Any]:
        return score_month.score_tracker(data, asked, traces, [score_month.front_passages(data, day) for day in asked])

    return _in_folds(data.plan, data.days, part, 10.0, scored)


def _in_folds(
    plan: Floorplan,
    items: Sequence[Recorded],
    part: str,
    every: float,
    scored: Callable[[Sequence[Recorded], Sequence[Trace]], dict[str, Any]],
) -> Material:
    """What is learned from and scored of recordings that stand each alone, followed every so many seconds."""
    folds = _folds(half(items, part), part)

    def score(settings: Sequence[Settings]) -> dict[str, Any]:
        asked: list[Recorded] = []
        traces: list[Trace] = []
        for (_, later), each in zip(folds, settings, strict=True):
            asked += later
            traces += follow_all(plan, [item.recording for item in later], every, each)
        return scored(asked, traces)

    return Material(plan, [[_stretch(item.recording) for item in known] for known, _ in folds], score)


def single_resident(folder: Path, part: str) -> Material:
    """One long log: the whole is followed, the later days are scored (the likelihood is that of all)."""
    data = single_set.load(folder)
    whole = data.recording
    days = half(np.unique(instants(whole, 60.0) // score_single_resident.DAY).tolist(), part)
    later = np.array(half(days, "second"))
    truth = score_single_resident.front_passages(data, later)
    events = [e for e in whole.events if e.seconds // score_single_resident.DAY in half(days, "first")]

    def score(settings: Sequence[Settings]) -> dict[str, Any]:
        trace = follow_all(data.plan, [whole], 60.0, settings[0])[0]
        return score_single_resident.score_tracker(data, trace, later, truth)

    return Material(data.plan, [[(whole.start, events, events[-1].seconds)]], score)


def _folds(items: Sequence[T], part: str) -> list[tuple[list[T], list[T]]]:
    """What is learned from and what is scored; inside the first half, both ways."""
    earlier, later = half(items, "first"), half(items, "second")
    return [(earlier, later)] if part == "all" else [(earlier, later), (later, earlier)]


def _stretch(recording: Recording) -> Stretch:
    return recording.start, recording.events, recording.end


def homes(options: argparse.Namespace) -> list[Material]:
    """Simulated lives, those of one plan and number of people together."""
    materials = []
    for plan in options.plans.split(","):
        for people in options.people.split(","):
            days = options.days + options.score_days
            cells = [Cell(plan, int(people), options.variant, int(seed), days) for seed in options.seeds.split(",")]
            materials.append(_homes(cells, options.days))
    return materials


def _homes(cells: Sequence[Cell], days: float) -> Material:
    lives = [live(cell) for cell in cells]
    until = [lived.log[0].seconds + days * 86400.0 for lived in lives]
    earlier = [[e for e in lived.log if e.seconds < end] for lived, end in zip(lives, until, strict=True)]
    later = [later_part(lived, end) for lived, end in zip(lives, until, strict=True)]

    def score(settings: Sequence[Settings]) -> dict[str, Any]:
        found: dict[str, list[float]] = {}
        for lived, (events, truth), each in zip(lives, later, settings, strict=True):
            tracker = Tracker(lived.plan, each, watching=False, reordering_window=0.0)
            for event in events:
                tracker.observe(event)
            values = figures(lived.plan, events, truth, each) | {"log_likelihood": tracker.log_likelihood}
            for name, value in values.items():
                found.setdefault(name, []).append(value)
        likelihood = sum(found.pop("log_likelihood"))
        return {name: scores.share([np.array([v]) for v in values]) for name, values in found.items()} | {
            "log_likelihood": likelihood
        }

    stretches: list[list[Stretch]] = [[(log[0].seconds, log, end)] for log, end in zip(earlier, until, strict=True)]
    return Material(lives[0].plan, stretches, score)


def classes(plan: Floorplan) -> dict[str, list[Rate]]:
    """The rates of a home, each in its class; and those of `steps.AGREEING` together."""
    found = grouped(rates_of(plan, places=True))
    together = {FIRST: [rate for name in AGREEING for rate in found[name]]}
    return {name: rates for name, rates in (found | together).items() if rates}


def counted(material: Material) -> list[Statistics]:
    """One E step under the defaults for each home or half."""
    counts = []
    for stretches in material.stretches:
        tapes = record(material.plan, Settings(), stretches, 16)
        counts.append(count(material.plan, Settings(), tapes, range(len(material.plan.people))))
    return counts


def told(material: Material, only: Sequence[str] = ()) -> Iterator[dict[str, Any]]:
    """What each class gains."""
    usual = material.score([Settings()] * len(material.stretches))
    steps = counted(material)
    parts = classes(material.plan)
    for group in only or parts:
        joined = AGREEING if group == FIRST else group.split("+")
        chosen = [parts[name] for name in joined if name in parts]
        if not chosen:
            continue
        logs = [one_by_one(material.plan, counts, chosen) for counts in steps]
        after = material.score([rounded(with_factors(Settings(), each)) for each in logs])
        size = sum(map(len, chosen))
        yield {"class": group, "rates": size, "gains": gains(usual, after), "defaults": flat(usual)}


def agrees(name: str, gained: Mapping[str, Sequence[float]]) -> bool:
    """Whether the later log is likelier and no answer surely falls."""

    def falls(key: str) -> bool:
        sign = -1.0 if key in LOSSES else 1.0
        return sign * gained[key][0] < -TREMBLE and max(sign * bound for bound in gained[key][1:]) < 0.0

    return gained["log_likelihood"][0] > 0 and not any(falls(key) for key in ANSWERS[name])


def line(name: str, row: Mapping[str, Any]) -> str:
    """One class in words and figures."""
    gained = row["gains"]
    answers = "  ".join("{} {:+.3f} [{:+.3f}, {:+.3f}]".format(key, *gained[key]) for key in ANSWERS[name])
    mark = "agrees" if agrees(name, gained) else "-"
    return f"{row['class']:<15} {row['rates']:3} rates {gained['log_likelihood'][0]:+8.1f} nats  {mark:<7} {answers}"


SETS: dict[str, Callable[[Path, str], Material]] = {
    "two_residents": two_residents,
    "two_residents_month": two_residents_month,
    "single_resident": single_resident,
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command; 0 done."""
    parser = argparse.ArgumentParser(description="Where likelihood and answers agree, a class of rates at a time.")
    parser.add_argument("what", choices=[*SETS, "homes"])
    parser.add_argument("folder", type=Path, nargs="?", help="of the open set")
    parser.add_argument("--part", choices=["all", "first"], default="all")
    parser.add_argument(
        "--only", type=lambda text: text.split(","), default=[], help="classes, comma-separated; + joins some"
    )
    add_home_options(parser, seeds="21,22", variant="plain", days=4.0)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    if options.what != "homes" and options.folder is None:
        parser.error("the folder of the set is missing")
    given = homes(options) if options.what == "homes" else [SETS[options.what](options.folder, options.part)]
    for material in given:
        for row in told(material, options.only):
            print(json.dumps(row) if options.json else line(options.what, row), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
