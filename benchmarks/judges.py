"""Which score without labels ranks settings as the truth does? Rank correlations over random settings.

    python benchmarks/judges.py home [--plan two_storey_garage] [--people 2] [--seed 21] [--days 3] [--settings 30]
    python benchmarks/judges.py two_residents_month FOLDER [--days 3] [--settings 30]

Each of the settings turns some of the learner's dials at random (`presence.learn.dials`; a factor with a standard
deviation of 2.3). Printed: Spearman's rank correlation of log-likelihood, of the judge's score and its two parts, of
the number's part with one table, whatever was seen before ("number, alone"), and of how well the probability that
nobody is at home tells whether anything is heard in the next half hour ("silence"), with what the truth says; and what
the truth says of the settings that each would have chosen. A few dozen settings give a correlation to about .15. The
set cannot be passed on; see `open_logs.py`.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

if __package__ in (None, ""):
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from numpy.typing import NDArray

from benchmarks.learning import figures
from benchmarks.trust.homes import Cell, live
from presence import Event, Floorplan, Settings
from presence.learn.dials import dials_of, turned
from presence.learn.judge import PRIOR_SAMPLES, Foresight, count_prior, courses, foresee, judge
from presence.learn.later import DAYS, look_ahead
from presence.learn.recordings import Stretch
from presence.learn.tables import fit_table, log_scores

Array = NDArray[np.float64]
SPREAD = float(np.log(2.3))
TURNED = 0.4
"""Share of the dials that each of the settings turns."""
WITNESSES = ("log-likelihood", "judge", "judge: number", "judge: rooms", "number, alone", "silence")
HALF_HOUR = DAYS._replace(room_ahead=(0.0, 1800.0))


class Trial(NamedTuple):
    """What the witnesses and the truth say of some settings."""

    witnesses: tuple[float, ...]
    truth: dict[str, float]


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command; 0 done."""
    parser = argparse.ArgumentParser(description="Which score without labels ranks settings as the truth does?")
    parser.add_argument("what", choices=["home", "two_residents_month"])
    parser.add_argument("folder", type=Path, nargs="?", help="of the open set")
    parser.add_argument("--plan", default="two_storey_garage")
    parser.add_argument("--people", type=int, default=2)
    parser.add_argument("--seed", type=int, default=21)
    parser.add_argument("--days", type=int, default=3)
    parser.add_argument("--settings", type=int, default=30)
    options = parser.parse_args(arguments)
    if options.what != "home" and options.folder is None:
        parser.error("the folder of the set is missing")
    plan, stretches, truth = _home(options) if options.what == "home" else _month(options)
    trials = [trial(plan, stretches, truth, settings) for settings in drawn(plan, options.settings)]
    print("\n".join(printed(trials)))
    return 0


def _home(options: argparse.Namespace) -> tuple[Floorplan, list[Stretch], Callable[[Settings], dict[str, float]]]:
    lived = live(Cell(options.plan, options.people, "plain", options.seed, options.days))
    stretch = Stretch(lived.log[0].seconds, lived.log[-1].seconds, tuple(lived.log))
    wanted = ("bal. acc.", "f1", "count")
    return (
        lived.plan,
        [stretch],
        lambda settings: {
            k: v for k, v in figures(lived.plan, lived.log, lived.truth, settings).items() if k in wanted
        },
    )


def _month(options: argparse.Namespace) -> tuple[Floorplan, list[Stretch], Callable[[Settings], dict[str, float]]]:
    from benchmarks.open_sets.score_month import run_two_residents_month
    from benchmarks.open_sets.two_residents_month import load

    data = load(options.folder)
    days = data.days[: options.days]

    def truth(settings: Settings) -> dict[str, float]:
        numbers = [day.number for day in days]
        scores = run_two_residents_month(options.folder, settings, numbers, every=60.0)["tracker"]
        rooms = {room: value["balanced_accuracy"].value for room, value in scores.items() if isinstance(value, dict)}
        return {"count": scores["count_accuracy"].value, **rooms}

    stretches = [Stretch(d.recording.start, d.recording.end, d.recording.events) for d in days]
    return data.plan, stretches, truth


def drawn(plan: Floorplan, number: int) -> Iterator[Settings]:
    """The defaults, then settings with some dials turned at random."""
    random = np.random.default_rng(1)
    yield Settings()
    for _ in range(number - 1):
        yield turned(
            Settings(),
            {dial: float(np.exp(random.normal(0.0, SPREAD))) for dial in dials_of(plan) if random.random() < TURNED},
        )


def trial(
    plan: Floorplan,
    stretches: Sequence[Stretch],
    truth: Callable[[Settings], dict[str, float]],
    settings: Settings,
) -> Trial:
    """What the witnesses and the truth say of some settings."""
    found = [f for course in courses(plan, stretches) for f in foresee(plan, settings, course, 16)]
    said = judge(found)
    heard = silence(plan, [event for stretch in stretches for event in stretch.events], found)
    witnesses = (said.log_likelihood, said.score, said.number, said.rooms, number_alone(found), heard)
    return Trial(witnesses, truth(settings))


def number_alone(found: Sequence[Foresight]) -> float:
    """How well the number at home tells the most places at once later, whatever was seen before; nats an instant."""
    belief, most = np.concatenate([f.at_home for f in found]), np.concatenate([f.most for f in found])
    return float(log_scores(belief, most, fit_table(belief, most, count_prior(found[0]))).mean())


def silence(plan: Floorplan, events: Sequence[Event], found: Sequence[Foresight]) -> float:
    """Mean log probability of what the next half hour brings, by whether nobody is at home; nats an instant."""
    grid = np.concatenate([f.grid for f in found])
    empty = np.concatenate([f.at_home[:, 0] for f in found])
    heard = look_ahead(plan, events, grid, HALF_HOUR).seen.max(axis=1, initial=0)
    belief = np.stack([empty, 1.0 - empty], axis=1)
    return float(log_scores(belief, heard, fit_table(belief, heard, np.full((2, 2), PRIOR_SAMPLES / 2.0))).mean())


def printed(trials: Sequence[Trial]) -> list[str]:
    """A line for each witness."""
    names = list(trials[0].truth)
    columns = np.array([[t.truth[name] for name in names] for t in trials])
    lines = ["rank correlation with".ljust(24) + "".join(f"{name:>12}" for name in names) + "   chosen by it:"]
    for k, witness in enumerate(WITNESSES):
        said = np.array([t.witnesses[k] for t in trials])
        ranks = "".join(f"{rank_correlation(said, column):12.2f}" for column in columns.T)
        best = " ".join(f"{value:.3f}" for value in columns[int(said.argmax())])
        lines.append(f"{witness:<24}{ranks}   {best}")
    usual, most = (" ".join(f"{value:.3f}" for value in row) for row in (columns[0], columns.max(axis=0)))
    return [*lines, f"{len(trials)} settings; the defaults: {usual}; the best of each: {most}"]


def rank_correlation(a: Array, b: Array) -> float:
    """Spearman's; NaN where one of the two is constant."""
    if not min(np.ptp(a), np.ptp(b)) > 0:
        return float("nan")
    return float(np.corrcoef(_ranks(a), _ranks(b))[0, 1])


def _ranks(values: Array) -> Array:
    """Ranks, ties by their mean."""
    below = (values[:, None] > values[None, :]).sum(axis=1)
    same = (values[:, None] == values[None, :]).sum(axis=1)
    return np.asarray(below + (same - 1) / 2.0, dtype=np.float64)


if __name__ == "__main__":
    sys.exit(main())
