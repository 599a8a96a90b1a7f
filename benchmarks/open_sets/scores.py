"""Scores as counts per recording, so that sums, means and bootstrap intervals over recordings are one operation."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.trust.page import table as markdown_table

Array = NDArray[np.float64]

DRAWS = 2000


@dataclass(frozen=True)
class Score:
    """A figure, its 95 % bootstrap interval over recordings, and how many samples it rests on."""

    value: float
    low: float
    high: float
    samples: int
    counts: Array | None = field(default=None, repr=False, compare=False)
    """Shape (recordings, C): what the figure was made of..."""
    statistic: Callable[[Array], Array] | None = field(default=None, repr=False, compare=False)
    """...and how."""


def bootstrap(counts: Array, statistic: Callable[[Array], Array], samples: int, seed: int = 1) -> Score:
    """The statistic of the summed counts, with an interval from resampling recordings (Efron 1979, percentile method).

    Args:
        counts: shape (recordings, C).
        statistic: maps sums of shape (..., C) to figures of shape (...).
        samples: how many samples the counts stand for, to be told with the figure.
        seed: of the resampling.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        value = float(statistic(counts.sum(axis=0)))
        drawn = statistic(_redrawn(len(counts), seed) @ counts)
    return Score(value, *_middle(drawn, len(counts)), samples, counts, statistic)


def difference(score: Score, other: Score, seed: int = 1) -> Score:
    """How much one figure is above another of the same recordings: they are redrawn for both at once.

    What makes one recording harder than the next falls out of the difference, so that its interval is far narrower
    than that of either figure (paired bootstrap: Efron & Tibshirani 1993, chapter 8).

    Raises:
        ValueError: if the two are not of the same recordings.
    """
    pairs = score.counts, other.counts
    if score.statistic is None or pairs[0] is None or pairs[1] is None or len(pairs[0]) != len(pairs[1]):
        raise ValueError("two scores of the same recordings have a difference; these are not")
    with np.errstate(divide="ignore", invalid="ignore"):
        drawn = [score.statistic(_redrawn(len(counts), seed) @ counts) for counts in pairs if counts is not None]
    return Score(score.value - other.value, *_middle(drawn[0] - drawn[1], len(pairs[0])), score.samples)


def _redrawn(recordings: int, seed: int) -> NDArray[np.int64]:
    """How often each recording is drawn, shape (draws, recordings)."""
    return np.random.default_rng(seed).multinomial(recordings, np.full(recordings, 1 / recordings), size=DRAWS)


def _middle(drawn: Array, recordings: int) -> tuple[float, float]:
    """The middle 95 %; no numbers where nothing can be said."""
    drawn = drawn[np.isfinite(drawn)]
    if not len(drawn) or recordings < 2:
        return math.nan, math.nan
    low, high = np.quantile(drawn, [0.025, 0.975])
    return float(low), float(high)


def share(hits: Sequence[NDArray[Any]]) -> Score:
    """Mean over all samples of per-recording arrays (of hits, errors or probabilities)."""
    counts = np.array([[np.sum(hit), len(hit)] for hit in hits], dtype=np.float64)
    return bootstrap(counts, lambda c: c[..., 0] / c[..., 1], int(counts[:, 1].sum()))


def confusion(said: NDArray[np.bool_], truth: NDArray[np.bool_]) -> Array:
    """True positives, false positives, false negatives, true negatives."""
    pairs = [said & truth, said & ~truth, ~said & truth, ~said & ~truth]
    return np.array([pair.sum() for pair in pairs], dtype=np.float64)


def balanced_accuracy(c: Array) -> Array:
    """Mean of sensitivity and specificity from counts as `confusion` orders them."""
    result: Array = 0.5 * (c[..., 0] / (c[..., 0] + c[..., 2]) + c[..., 3] / (c[..., 3] + c[..., 1]))
    return result


def f1(c: Array) -> Array:
    """Harmonic mean of precision and sensitivity."""
    result: Array = 2 * c[..., 0] / (2 * c[..., 0] + c[..., 1] + c[..., 2])
    return result


def detection(said: Sequence[NDArray[np.bool_]], truth: Sequence[NDArray[np.bool_]]) -> dict[str, Score]:
    """Balanced accuracy and F1 of yes-or-no answers per recording."""
    counts = np.array([confusion(a, b) for a, b in zip(said, truth, strict=True)])
    samples = int(counts.sum())
    return {
        "balanced_accuracy": bootstrap(counts, balanced_accuracy, samples),
        "f1": bootstrap(counts, f1, samples),
    }


def detection_by_probability(
    p: Sequence[Array], truth: Sequence[NDArray[np.bool_]], known: Sequence[NDArray[np.bool_]]
) -> dict[str, Score]:
    """`detection` where it is known, cut at .5 and at the mean probability over all instants, which asks no label.

    Args:
        p: probability at each instant, shape (T,) per recording.
        truth: what was so, shape (T,).
        known: which instants are scored, shape (T,).
    """
    own = float(np.concatenate(p).mean())
    asked = [there[k] for there, k in zip(truth, known, strict=True)]
    half, mean = (detection([(q > cut)[k] for q, k in zip(p, known, strict=True)], asked) for cut in (0.5, own))
    return {**half, **{f"{name}_cut_at_mean": score for name, score in mean.items()}}


def plain(scores: Any) -> Any:
    """Scores as JSON wants them; figures without a value become null."""
    if isinstance(scores, Score):
        told = {name: getattr(scores, name) for name in ("value", "low", "high", "samples")}
        return {k: None if isinstance(v, float) and np.isnan(v) else v for k, v in told.items()}
    if isinstance(scores, dict):
        return {key: plain(value) for key, value in scores.items()}
    return scores


def markdown(scores: dict[str, Any]) -> list[str]:
    """The second half's figures, if they are there, as a table of Markdown: one line a figure, one column a method."""
    part = "second half" if "second_half" in scores else "all that was scored"
    shown = scores.get("second_half", scores)
    methods = {name: found for name, value in shown.items() if isinstance(value, dict) and (found := _flat(value))}
    heading = [f"{scores['set']}, {part}: {shown['recordings']} recordings", *methods]
    rows = [
        [name, *(_cell(found.get(name)) for found in methods.values())]
        for name in dict.fromkeys(name for found in methods.values() for name in found)
    ]
    return markdown_table(heading, rows)


def _flat(scores: dict[str, Any], prefix: str = "") -> dict[str, Score]:
    found: dict[str, Score] = {}
    for key, value in scores.items():
        if isinstance(value, dict):
            found |= _flat(value, f"{prefix}{key} ")
        elif isinstance(value, Score):
            found[prefix + key] = value
    return found


def _cell(score: Score | None) -> str:
    if score is None or np.isnan(score.value):
        return ""
    return f"{score.value:.3f}" + ("" if np.isnan(score.low) else f" [{score.low:.3f}, {score.high:.3f}]")


def table(scores: dict[str, Any], indent: str = "") -> list[str]:
    """Scores for people, one line a figure."""
    lines = []
    for key, value in scores.items():
        if isinstance(value, Score):
            spread = "" if np.isnan(value.low) else f"  [{value.low:.3f}, {value.high:.3f}]"
            lines.append(f"{indent}{key:<32} {value.value:.3f}{spread}  n={value.samples}")
        elif isinstance(value, dict):
            lines += [f"{indent}{key}", *table(value, indent + "  ")]
        else:
            lines.append(f"{indent}{key:<32} {value}")
    return lines
