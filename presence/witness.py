"""Every hypothesis taken apart by who is where: disjoint branches.

Evidence that somebody is in some states, without saying who; whether one being is in some states.

This module knows no rooms.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.divergence import rounded
from presence.hypotheses import NEGLIGIBLE
from presence.merging import Mixture, reduce

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]


class Staying(NamedTuple):
    """What is believed of a sensor that stays on, should nobody be there: its off message was lost, or is not yet due.

    Each time somebody leaves, the message is lost with a fixed probability; then the sensor stays on for good, else it
    goes off soon. So with nobody there it stays on n times with probability `lost + (1 - lost) alone ** n`, which never
    falls below `lost`: the evidence that somebody is there is bounded. Told as one, n times are `alone ** n`.
    """

    stuck: float = 0.0
    """Share of the probability that nobody is there with which the off message was lost."""
    nobody: float = 0.0
    """Probability that nobody was there, when last weighed."""

    def at(self, nobody: float, lost: float) -> Staying:
        """Now that nobody is there with this probability: of what it grew by, the message is lost in this share."""
        gone = max(0.0, nobody - self.nobody)
        return Staying((self.stuck * (nobody - gone) + lost * gone) / nobody if nobody > 0.0 else lost, nobody)

    def likelihood(self, alone: float) -> float:
        """How likely it is to stay on with nobody there; `alone` if its message was not lost."""
        return self.stuck + (1.0 - self.stuck) * alone

    def after(self, alone: float) -> Staying:
        """After it has stayed on once more."""
        likelihood = self.likelihood(alone)
        return Staying(self.stuck / likelihood, self.nobody * likelihood / (1.0 - self.nobody * (1.0 - likelihood)))

    def once_more(self, nobody: float, lost: float, alone: float) -> tuple[float, Staying]:
        """It has stayed on once more: how likely that was with nobody there, and what is believed of it then."""
        now = self.at(nobody, lost)
        return now.likelihood(alone), now.after(alone)


def nobody_inside(mixture: Mixture, inside: Array) -> float:
    """Probability that no being is in the states that count, `inside` as for `witness`."""
    each = np.einsum("pks,ps->pk", mixture.x, inside)
    nobody = float(mixture.weight @ np.prod(1.0 - np.minimum(each, 1.0), axis=0))
    return min(max(nobody, 0.0), 1.0)


def witness(mixture: Mixture, inside: Array, alone: float, most: int | None) -> Mixture:
    """Evidence that at least one being is in some states: likelihood 1, or `alone` if none is.

    `1[someone inside] = sum_j 1[j inside] prod_(i < j) 1[i outside]`: disjoint branches, each a product, so the result
    is exact before merging. Two beings inside are no better explanation than one.

    Args:
        mixture: the hypotheses before.
        inside: shape (P, S), 1 for the states that count, else 0; or how likely a being in each state does what counts.
        alone: likelihood when nobody is inside.
        most: the largest number of hypotheses kept; None keeps all.

    Raises:
        TooManyHypothesesError: as `reduce`.
    """
    persons, count, _ = mixture.x.shape
    blocks = mixture.blocks
    within = blocks * inside[:, None, None, :]
    share = np.clip(within[:, :, 0].sum(axis=2), 0.0, 1.0)  # (P, K)
    rows = np.concatenate(
        [
            blocks,
            within / np.maximum(share, 1e-300)[:, :, None, None],
            (blocks - within) / np.maximum(1.0 - share, 1e-300)[:, :, None, None],
        ],
        axis=1,
    )
    order = np.argsort(-rounded(share @ mixture.weight), kind="stable")
    weight = np.empty((persons + 1, count))
    row = np.zeros((persons, persons + 1, count), dtype=np.intp)
    nobody = mixture.weight.copy()
    for j, being in enumerate(order.tolist()):
        weight[j] = nobody * share[being]
        nobody = nobody * (1.0 - share[being])
        row[being, j] = 1
        row[being, j + 1 :] = 2
    weight[persons] = nobody * alone
    who = row.reshape(persons, weight.size) * count + np.arange(weight.size) % count
    return _sieved(mixture, weight.ravel(), rows, who, most)


def divide(mixture: Mixture, being: int, part: Array, label: Array) -> Mixture:
    """Take each hypothesis apart by whether a being is in a part of the states; up to twice as many are left.

    Args:
        mixture: the hypotheses.
        being: whose distribution is divided.
        part: shape (S,), 1 for the states of that part, else 0; a half where that is open.
        label: shape (2 K, 1 + 2 P): the latest window's label of the hypotheses in which the being is there, then of
            those in which it is not.
    """
    persons, count, _ = mixture.x.shape
    rows = np.concatenate([mixture.blocks, mixture.blocks], axis=1)
    rows[being, :count] *= part
    rows[being, count:] *= 1.0 - part
    mass = rows[being, :, 0].sum(axis=1)
    rows[being] /= np.maximum(mass, 1e-300)[:, None, None]
    labels = np.concatenate([mixture.labels, mixture.labels])
    labels[:, -1] = label
    who = np.tile(np.arange(2 * count) % count, (persons, 1))
    who[being] = np.arange(2 * count)
    return _sieved(mixture, np.tile(mixture.weight, 2) * mass, rows, who, None, labels)


def _sieved(
    mixture: Mixture, weight: Array, rows: Array, row: IndexArray, most: int | None, labels: Array | None = None
) -> Mixture:
    """Merge N K candidates, K from all hypotheses in turn, but for those that are negligible: `row` as for `reduce`.

    Args:
        mixture: the hypotheses.
        weight: shape (N K,), not normalised: the sum is the likelihood.
        rows: distinct distributions of each being, shape (P, R, B, S).
        row: shape (P, N K), which one each candidate has.
        most: the largest number kept; None keeps all.
        labels: shape (N K, W, 1 + 2 P), where they are not those of the hypotheses.
    """
    total = float(weight.sum())
    chosen = np.flatnonzero(weight > (NEGLIGIBLE * total if most else 0.0))
    parent, kept = chosen % len(mixture.weight), weight[chosen]
    grown = mixture._replace(
        weight=kept / kept.sum(),
        labels=mixture.labels[parent] if labels is None else labels[chosen],
        ghosts=mixture.ghosts[parent],
        cause=mixture.cause[parent],
        log_likelihood=mixture.log_likelihood + float(np.log(total)),
        merged=mixture.merged + max(0.0, 1.0 - float(kept.sum()) / total),
    )
    return reduce(grown, rows, row[:, chosen], parent, most)
