"""Scores as running sums: array mathematics that knows no rooms, with memory that does not grow with the samples."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
CountArray = NDArray[np.int64]

BINS = 15
"""Equal-width bins of the calibration error."""
TINY = float(np.finfo(np.float64).eps)
"""A probability of 0 scores as this much, as scikit-learn's log_loss has it."""


class BinarySums:
    """Probabilities of yes against what was so, in C columns; any columns can be pooled afterwards.

    Args:
        columns: C.
    """

    def __init__(self, columns: int) -> None:
        self.outcomes: CountArray = np.zeros((columns, 2, 2), np.int64)
        """`outcomes[c, truth, told]`: samples, told at threshold 0.5."""
        self.squares: Array = np.zeros(columns)
        self.surprise: Array = np.zeros(columns)
        self.bins: Array = np.zeros((columns, BINS, 3))
        """Per bin: samples, sum of probabilities, sum of truths."""

    def add(self, probability: Array, truth: BoolArray) -> None:
        """Take in T samples; both of shape (T, C)."""
        told = probability >= 0.5
        for t in (0, 1):
            for d in (0, 1):
                self.outcomes[:, t, d] += np.count_nonzero((truth == t) & (told == d), axis=0)
        self.squares += ((probability - truth) ** 2).sum(axis=0)
        right = np.where(truth, probability, 1.0 - probability)
        self.surprise -= np.log(np.clip(right, TINY, 1.0)).sum(axis=0)
        columns = probability.shape[1]
        place = np.minimum((probability * BINS).astype(int), BINS - 1) + np.arange(columns) * BINS
        for part, weight in enumerate((None, probability.ravel(), truth.ravel())):
            sums = np.bincount(place.ravel(), weight, columns * BINS)
            self.bins[:, :, part] += sums.reshape(columns, BINS)

    def scores(self, columns: list[int] | slice = slice(None)) -> dict[str, float]:
        """The scores of some columns pooled; NaN without samples.

        accuracy: share told right. balanced_accuracy: mean of the shares told right of the yes and of the no samples
        (of one alone where there is no other). f1: 2 tp / (2 tp + fp + fn), 0 where undefined. brier: mean of
        `(p - truth)^2` (Brier 1950). log_loss: mean of -log of the probability of what was so, nats. ece: expected
        calibration error, the mean over samples of |mean probability - share of yes| of their bin (Naeini et al. 2015).
        """
        (tn, fp), (fn, tp) = self.outcomes[columns].sum(axis=0).tolist()
        samples = tn + fp + fn + tp
        if not samples:
            return dict.fromkeys(("accuracy", "balanced_accuracy", "f1", "brier", "log_loss", "ece"), math.nan)
        recalls = [hit / (hit + miss) for hit, miss in ((tp, fn), (tn, fp)) if hit + miss]
        gaps = np.abs(self.bins[columns, :, 1].sum(axis=0) - self.bins[columns, :, 2].sum(axis=0))
        return {
            "accuracy": (tp + tn) / samples,
            "balanced_accuracy": sum(recalls) / len(recalls),
            "f1": 2 * tp / (2 * tp + fp + fn) if tp + fp + fn else 0.0,
            "brier": float(self.squares[columns].sum()) / samples,
            "log_loss": float(self.surprise[columns].sum()) / samples,
            "ece": float(gaps.sum()) / samples,
        }

    def reliability(self) -> list[dict[str, float]]:
        """Per bin that has samples: its limits, how many, the mean probability and the share of yes among them."""
        return [
            {
                "from": b / BINS,
                "to": (b + 1) / BINS,
                "samples": float(samples),
                "mean_probability": float(told / samples),
                "share_occupied": float(true / samples),
            }
            for b, (samples, told, true) in enumerate(self.bins.sum(axis=0))
            if samples
        ]


class CountSums:
    """Distributions over a number against the number."""

    def __init__(self) -> None:
        self.samples = 0
        self.right = 0
        self.distance = 0
        self.ranked = 0.0

    def add(self, probability: Array, truth: CountArray) -> None:
        """Take in T samples: `probability[t, k]` of the number being k, shape (T, K), and the numbers, shape (T,)."""
        likeliest = probability.argmax(axis=1)
        self.samples += len(truth)
        self.right += int((likeliest == truth).sum())
        self.distance += int(np.abs(likeliest - truth).sum())
        numbers = np.arange(max(probability.shape[1], int(truth.max(initial=0)) + 1))
        wider = np.pad(probability, ((0, 0), (0, len(numbers) - probability.shape[1])))
        self.ranked += float(((wider.cumsum(axis=1) - (truth[:, None] <= numbers)) ** 2).sum())

    def scores(self) -> dict[str, float]:
        """The scores; NaN without samples.

        accuracy: share whose likeliest number is right. mae: mean distance of the likeliest number. rps: ranked
        probability score, mean of the sum over k of `(P(number <= k) - [truth <= k])^2` (Epstein 1969, not normalised).
        """
        n = self.samples or math.nan
        return {"accuracy": self.right / n, "mae": self.distance / n, "rps": self.ranked / n}
