"""The weighted set of hypotheses about several beings: branch on who caused an event, merge, stay bounded.

Given who caused each event, beings are independent. So the belief is a mixture over who caused what, and each part
of it a product of one distribution per being:

    p(x_1..x_P) = sum_k w_k prod_p x[p, k].

At an event every hypothesis branches: one of the beings caused it in one of several ways, or nobody did. Surplus
hypotheses are never dropped: each is merged into the kept one where that loses least (`merging`).

Knows no rooms. Source: Reid 1979 (IEEE Trans. Autom. Control 24:843), hypotheses over associations.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.candidates import Signature, every_candidate
from presence.merging import NO_SIDES, Mixture, fewer, reduce
from presence.moves import moved, pooled, span

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

NOBODY, FORTH, BACK = range(3)
"""Labels of an event: nobody passed, somebody passed one way or the other."""
NEGLIGIBLE = 1e-12
"""Candidates lighter than this are folded away at once; the mass is counted in `Mixture.merged`."""


EACH = ("weight", "labels", "ghosts", "cause", "sides")
"""What a mixture has for each hypothesis, besides distributions."""


class Companion(NamedTuple):
    """Another being who moves in the same event: a guest who is let in or out, or a resident who is asked along."""

    beings: tuple[int, ...]
    """Who it may be, but not the one who causes the event; who asks others along is one of them."""
    source: IndexArray
    """Shape (m,): states."""
    target: IndexArray
    """Shape (t,): states."""
    moves: Array
    """Shape (m, t): probabilities, given that the event is caused in this way."""
    label: int
    """1 or 2: the companion's passage one way or the other."""
    odds: float = 0.0
    """For whoever passes and asks this one along: odds of that against passing alone. Who is asked and is in none of
    the sources stays where they are."""

    @property
    def asked(self) -> bool:
        """Whether they go with somebody who passes, if they can; else they are let through, and must be able to go."""
        return self.odds > 0.0


class Way(NamedTuple):
    """One way in which one of the beings can cause an event: `x[target] <- x[source] @ rates[p]`."""

    source: IndexArray
    """Shape (m,): states."""
    target: IndexArray
    """Shape (t,): states."""
    rates: Array
    """Shape (P, m, t), 1/s."""
    label: int = 0
    """0: no passage; 1 or 2: a passage one way or the other."""
    companion: Companion | None = None
    """Who moves as well; the rate is multiplied by the probability that they can, unless they are only asked."""

    @property
    def losses(self) -> Array:
        """Shape (P, m), 1/s: what silence loses in each source."""
        losses: Array = self.rates.sum(axis=2) * self.times
        return losses

    @property
    def times(self) -> float:
        """How many ways with the same rates silence speaks against.

        One for each who may be asked along; a guest goes in or out, so two ways share a loss.
        """
        if self.companion is None:
            return 1.0
        return len(self.companion.beings) - 1.0 if self.companion.asked else 0.5


class Caused(NamedTuple):
    """Who caused an event."""

    beings: Array
    """Shape (P,): probability that p did."""
    nobody: float
    same_as_before: float
    """Probability that one and the same being caused this event and the one before."""


def start(x: Array, ghosts: int, coarse: Array | None = None) -> Mixture:
    """One hypothesis: independent beings with distributions x (P, S); a coarser view of the states (S, C), if any."""
    persons = len(x)
    asleep = np.zeros((1, ghosts, 3))
    asleep[:, :, 0] = 1.0
    cause = np.zeros((1, persons + 1))
    cause[0, persons] = 1.0
    return Mixture(x[:, None, :].copy(), np.ones(1), np.zeros((1, 0, 1 + 2 * persons)), asleep, cause, coarse=coarse)


def reweigh(mixture: Mixture, blocks: Array, log_factor: Array | float = 0.0) -> Mixture:
    """Take in unnormalised distributions: their sums are the likelihoods of what was (not) seen.

    Args:
        mixture: the hypotheses before.
        blocks: shape (P, K, 1 + 2 T, S), unnormalised, with the tracked shares.
        log_factor: further log-likelihood per hypothesis, shape (K,), nats.

    Raises:
        FloatingPointError: if the evidence is impossible under every hypothesis (the models forbid that).
    """
    mass = blocks[:, :, 0].sum(axis=2)
    with np.errstate(divide="ignore"):
        log_weight = np.log(mixture.weight) + np.log(mass).sum(axis=0) + log_factor
    largest = float(log_weight.max())
    if not math.isfinite(largest):
        raise FloatingPointError("the evidence is impossible under every hypothesis")
    weight = np.exp(log_weight - largest)
    total = float(weight.sum())
    return mixture.with_blocks(
        blocks / np.maximum(mass, 1e-300)[:, :, None, None],
        weight=weight / total,
        log_likelihood=mixture.log_likelihood + largest + math.log(total),
    )


def either(mixtures: Sequence[Mixture], most: int | None) -> Mixture:
    """Hypotheses of one of several mixtures, by their log-likelihoods of the same evidence; at most `most` are kept."""
    total = float(np.logaddexp.reduce([each.log_likelihood for each in mixtures]))
    every = [each._replace(weight=each.weight * math.exp(each.log_likelihood - total)) for each in mixtures]
    if not any(each.sides.size for each in every):  # shaped as when anything was noted last
        every = [each._replace(sides=NO_SIDES) for each in every]
    joined = every[0].with_blocks(
        np.concatenate([each.blocks for each in every], axis=1),
        **{name: np.concatenate([getattr(each, name) for each in every]) for name in EACH},
    )
    return fewer(joined._replace(log_likelihood=total, merged=max(each.merged for each in every)), most)


def scaled(mixture: Mixture, factor: Array) -> Mixture:
    """Evidence about each being by itself: a likelihood per state, shape (P, S) or (P, K, S)."""
    each = factor[:, :, None, :] if factor.ndim == 3 else factor[:, None, None, :]
    return reweigh(mixture, mixture.blocks * each)


def branch(
    mixture: Mixture,
    ways: Sequence[Way],
    nobody_rate: Array,
    most: int | None,
    accepting: Sequence[int] = (),
    settling: Sequence[int] = (),
    ghost: tuple[int, Array, Array] | None = None,
) -> tuple[Mixture, Caused]:
    """Branch every hypothesis on who caused an event and how, then merge down to at most `most`.

    Args:
        mixture: the hypotheses before the event.
        ways: how a being can cause it.
        nobody_rate: shape (K,), 1/s: rate of the event with nobody causing it, per hypothesis; positive.
        most: the largest number of hypotheses kept; None keeps all (exact).
        accepting: open windows (indices) whose label a passage in this event settles.
        settling: tracked windows (indices) in which a passage in this event counts.
        ghost: for a sensor that can be on by itself, its index and why it is on (3,) if nobody caused this, else.

    Raises:
        TooManyHypothesesError: if all are kept, and take too much memory (as `reduce`).
    """
    persons, count, _ = mixture.x.shape
    if persons == count == 1 and most and not (mixture.labels.size or mixture.ghosts.size):
        return _alone(mixture, ways, float(nobody_rate[0]))
    kinds, moves, every = every_candidate(_signature(ways), persons, count)
    rows, masses, able = moved(mixture.blocks, ways, moves, settling)
    rate, lost = masses[kinds.rows, kinds.being], 0.0
    if any(move.companion for move in moves):
        rate *= masses[kinds.companion_rows, kinds.companion]
        if most:
            rate, lost = pooled(rate, mixture.weight, float(nobody_rate @ mixture.weight), kinds, able)
    weight = (np.concatenate([nobody_rate[None], rate]) * mixture.weight).ravel()
    foretold = float(weight.sum())
    weight /= foretold
    chosen = (weight > (NEGLIGIBLE if most else 0.0)).nonzero()[0]
    parent, being, weight = every.parent[chosen], every.being[chosen], weight[chosen]
    kept = float(weight.sum())
    weight /= kept
    grown = mixture._replace(
        weight=weight,
        labels=_settle(mixture.labels, parent, every.column[chosen], accepting),
        ghosts=_by_itself(mixture.ghosts[parent], being == persons, ghost),
        cause=_unit(persons + 1)[being],
        log_likelihood=mixture.log_likelihood + math.log(foretold),
        merged=mixture.merged + max(0.0, 1.0 - kept) + lost,
    )
    caused = _who_caused(weight, being, mixture.cause[parent, being], persons)
    return reduce(grown, rows, every.row.take(chosen, axis=1), parent, most), caused


def _who_caused(weight: Array, being: IndexArray, same: Array, persons: int) -> Caused:
    """Who caused an event, over all candidates.

    Args:
        weight: shape (C,), sum 1.
        being: shape (C,): who caused it; `persons` stands for nobody.
        same: shape (C,): probability that they caused the event before as well.
        persons: how many beings there are.
    """
    who = np.bincount(being, weights=weight, minlength=persons + 1).astype(np.float64)
    return Caused(who[:persons], float(who[persons]), float(weight @ (same * (being < persons))))


def attribute(mixture: Mixture, ways: Sequence[Way], nobody_rate: float) -> tuple[Mixture, Caused]:
    """Who would cause an event that is no evidence (a report told twice): only the latest cause changes.

    Args:
        mixture: the hypotheses.
        ways: how a being can cause it, without companions.
        nobody_rate: 1/s: rate of the event with nobody causing it; positive.
    """
    rates = sum(np.einsum("pkm,pmt->kp", mixture.x[:, :, way.source], way.rates) for way in ways)
    cause = np.column_stack([np.broadcast_to(rates, mixture.x.shape[1::-1]), np.full(len(mixture.weight), nobody_rate)])
    cause /= cause.sum(axis=1, keepdims=True)
    who = mixture.weight @ cause
    same = float(mixture.weight @ (mixture.cause[:, :-1] * cause[:, :-1]).sum(axis=1))
    return mixture._replace(cause=cause), Caused(who[:-1], float(who[-1]), same)


def _alone(mixture: Mixture, ways: Sequence[Way], nobody_rate: float) -> tuple[Mixture, Caused]:
    """One being, one hypothesis, nothing else to keep apart: all candidates are one again, so none is made."""
    x = mixture.x[0]
    after = nobody_rate * x
    for way in ways:
        if way.companion is None:  # there is nobody else
            after[:, span(way.target)] += x[:, span(way.source)] @ way.rates[0]
    total = float(after.sum())
    nobody = nobody_rate / total
    grown = mixture._replace(
        x=(after / total)[None],
        cause=np.array([[1.0 - nobody, nobody]]),
        log_likelihood=mixture.log_likelihood + math.log(total),
    )
    return grown, Caused(np.array([1.0 - nobody]), nobody, (1.0 - nobody) * float(mixture.cause[0, 0]))


def _signature(ways: Sequence[Way]) -> Signature:
    """What `candidates` needs to know of each way."""
    first: dict[int, int] = {}  # the same rates: they differ in who moves as well
    return tuple(
        (way.label, (), 0, False, n) if c is None else (way.label, c.beings, c.label, c.asked, first.setdefault(key, n))
        for n, way, c, key in ((n, way, way.companion, id(way.rates)) for n, way in enumerate(ways))
    )


@lru_cache(maxsize=64)
def _unit(size: int) -> Array:
    return np.eye(size)


def _by_itself(ghosts: Array, nobody: NDArray[np.bool_], ghost: tuple[int, Array, Array] | None) -> Array:
    """Why each sensor is on, for each candidate: the one concerned is on by itself where nobody caused the event."""
    if ghost is not None:
        index, by_itself, caused = ghost
        ghosts[:, index] = np.where(nobody[:, None], by_itself, caused)
    return ghosts


def _settle(labels: Array, parent: IndexArray, column: IndexArray, accepting: Sequence[int]) -> Array:
    """Labels of the candidates: a passage settles each accepting window that nobody had passed in."""
    settled: Array = labels[parent]
    passing = column.nonzero()[0] if accepting else column
    for window in accepting:
        settled[passing, window, column[passing]] += settled[passing, window, 0]
        settled[passing, window, 0] = 0.0
    return settled
