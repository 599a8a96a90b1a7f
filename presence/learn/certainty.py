"""How well a log knows each rate: standard errors from the slopes of one block of time after another.

The sum over blocks of the outer products of their slopes estimates the information in the log (Berndt, Hall, Hall &
Hausman 1974, Annals of Economic and Social Measurement 3:653). Where two rates explain the same (a slow ridge of the
likelihood: how soon an outing grows long against how soon people come back), their slopes cancel in every block, and
neither is known, however many events each is expected to have had.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import Floorplan
from presence.learn.em import NUDGE, Factors, Rate, with_factors
from presence.learn.rates import Views
from presence.learn.statistics import Statistics, Timed, follow, weighed
from presence.learn.tape import Quiet, Tape
from presence.model import Model
from presence.settings import Settings

Array = NDArray[np.float64]

BLOCKS = 3
"""Blocks for each rate: fewer than one leave directions without any slope."""


def standard_errors(
    plan: Floorplan, tapes: Sequence[Tape], who: Sequence[int], start: Settings, logs: Factors
) -> dict[Rate, float]:
    """Standard error of the logarithm of each factor, by the log and the prior together.

    Args:
        plan: the home.
        tapes: what happened.
        who: which beings are counted.
        start: the settings about which the priors lie.
        logs: the factors that were found.

    Raises:
        FloatingPointError: if the counts cannot be worked out.
    """
    slopes = slopes_by_block(plan, tapes, who, start, logs)
    prior = np.diag([rate.pseudo * math.exp(log) for rate, log in logs.items()])
    errors = np.sqrt(np.diag(np.linalg.inv(slopes.T @ slopes + prior)))
    return dict(zip(logs, errors.tolist(), strict=True))


def slopes_by_block(
    plan: Floorplan, tapes: Sequence[Tape], who: Sequence[int], start: Settings, logs: Factors
) -> Array:
    """Slopes of the log-likelihood by the logarithm of each factor, in one block of time after another, shape (B, R).

    Their sum over a life that was drawn from these very rates is noise: squared by the inverse of the information it is
    chi-square with R degrees of freedom (Rao 1948, Proc. Camb. Phil. Soc. 44:50; from memory).

    Args:
        plan: the home.
        tapes: what happened.
        who: which beings are counted.
        start: the settings on which the factors stand.
        logs: the factors at which the slopes are taken.

    Raises:
        FloatingPointError: if the counts cannot be worked out.
    """
    blocks: dict[Hashable, Statistics] = {}
    views = Views(Model(plan, with_factors(start, logs)))
    length = sum(_length(tape) for tape in tapes) / (BLOCKS * max(1, len(logs)))
    for p in who:
        for number, tape in enumerate(tapes):
            timed = list(_by_block(tape, number, length))
            follow(views, p, tape.begin, timed, lambda name: blocks.setdefault(name, Statistics()))
    slopes = np.zeros((len(blocks), len(logs)))
    for k, (rate, log) in enumerate(logs.items()):
        up, down = (Views(Model(plan, with_factors(start, {**logs, rate: log + sign * NUDGE}))) for sign in (1.0, -1.0))
        worth = np.array([weighed(up, block) - weighed(down, block) for block in blocks.values()])
        slopes[:, k] = np.where(np.isfinite(worth), worth, 0.0) / (2.0 * NUDGE)
    return slopes


def _length(tape: Tape) -> float:
    return sum(step.dt for step in tape.steps if isinstance(step, Quiet))


def _by_block(tape: Tape, number: int, length: float) -> Iterator[Timed]:
    """The steps of a tape, each with the block of time in which it begins."""
    passed = 0.0
    for step in tape.steps:
        yield step, (number, math.floor(passed / length))
        passed += step.dt if isinstance(step, Quiet) else 0.0
