"""Baum-Welch on a regular grid by pomegranate: how long one resident stays in each room.

pomegranate knows one transition matrix and no time steps of varying length, so it is used where a grid is sound: a home
with one resident, a chain of rooms, minute steps. It is let in through a narrow door: float64, emissions as
log-likelihoods, every state may end (otherwise it gives NaN). What it cannot do (blind sensors, open doors, passages
that are themselves events, several people, exact times) is fitted by `em` on the model's own likelihood.

Source: Rabiner 1989 (Proc. IEEE 77:257), section III.C; pseudo-counts make it maximum a posteriori.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import AWAY, Floorplan
from presence.learn.later import active_spans
from presence.learn.recordings import Stretch

Array = NDArray[np.float64]

STEP = 60.0
"""Seconds of one step of the grid."""
PART = 1440
"""Steps of one sequence: a day; all days are worked on side by side."""
SEEN_INSIDE, SEEN_OUTSIDE = 0.3, 0.003
"""Chance that a room's sensors see anybody within a step, from inside and from elsewhere. From memory of such logs."""
STAY = 600.0
"""Seconds that somebody stays in a room, before anything is known. Common practice, no source."""
PSEUDO = 20.0
"""Pseudo-counts behind each row of the transition matrix."""
ROUNDS = 4
WIDEST = 4.0
"""No room differs from the others by more than this factor."""


def transition_counts(initial: Array, transition: Array, log_likelihoods: Array) -> tuple[Array, float]:
    """The E step, by pomegranate: expected transitions (S, S), and the log-likelihood of all sequences.

    Args:
        initial: shape (S,).
        transition: shape (S, S), rows sum to 1.
        log_likelihoods: shape (N, T, S): N sequences of T steps.

    Raises:
        ImportError: if pomegranate is not installed (extra `learn`).
    """
    import torch
    from pomegranate.distributions import Categorical
    from pomegranate.hmm import DenseHMM

    size = len(initial)
    model = DenseHMM(
        [Categorical([[1.0]]) for _ in range(size)],
        edges=np.maximum(transition, 1e-300),
        starts=np.maximum(initial, 1e-300),
        ends=np.ones(size),
    ).double()
    counts, _, _, _, totals = model.forward_backward(emissions=torch.tensor(log_likelihoods))
    return np.asarray(counts.sum(dim=0).numpy(), dtype=np.float64), float(totals.sum())


def baum_welch(
    initial: Array, transition: Array, log_likelihoods: Array, pseudo: Array, rounds: int = ROUNDS
) -> tuple[Array, list[float]]:
    """The transition matrix of the highest posterior, and the log posterior (but for a constant) before each round.

    Args:
        initial: shape (S,).
        transition: shape (S, S), where to begin.
        log_likelihoods: shape (N, T, S).
        pseudo: shape (S, S), Dirichlet pseudo-counts, all above 0.
        rounds: iterations.
    """
    history = []
    for _ in range(rounds):
        counts, total = transition_counts(initial, transition, log_likelihoods)
        history.append(total + float((pseudo * np.log(transition)).sum()))
        transition = (counts + pseudo) / (counts + pseudo).sum(axis=1, keepdims=True)
    return transition, history


def room_emissions(plan: Floorplan, stretch: Stretch, rooms: Sequence[str]) -> Array:
    """Log-likelihood of what each room's sensors see in each step, shape (T, rooms); other rooms see little."""
    steps = int((stretch.end - stretch.begin) // STEP)
    seen = np.zeros((steps, len(rooms)), dtype=bool)
    for sensor, first, last in active_spans(plan, stretch.events):
        room = plan.sensors[sensor].room
        if room in rooms:
            a, b = (int((t - stretch.begin) // STEP) for t in (first, last))
            seen[max(a, 0) : b + 1, rooms.index(room)] = True
    outside = np.where(seen, math.log(SEEN_OUTSIDE), math.log1p(-SEEN_OUTSIDE))
    inside = np.where(seen, math.log(SEEN_INSIDE), math.log1p(-SEEN_INSIDE))
    watched = np.array([room != AWAY for room in rooms])
    emissions = (outside * watched).sum(axis=1, keepdims=True) + (inside - outside) * watched
    return np.asarray(emissions, dtype=np.float64)


def stays(plan: Floorplan, stretches: Sequence[Stretch]) -> dict[str, float]:
    """How long one resident stays in each room that sensors see, seconds.

    Raises:
        ImportError: if pomegranate is not installed (extra `learn`).
    """
    rooms = [r for r in plan.rooms if any(s.room == r and s.kind == "motion" for s in plan.sensors.values())] + [AWAY]
    parts = []
    for stretch in stretches:
        emissions = room_emissions(plan, stretch, rooms)
        parts += [emissions[n : n + PART] for n in range(0, len(emissions) - PART + 1, PART)]
    if not parts:
        return {}
    size = len(rooms)
    leaving = STEP / STAY
    transition = np.full((size, size), leaving / max(1, size - 1))
    np.fill_diagonal(transition, 1.0 - leaving)
    found, _ = baum_welch(np.full(size, 1.0 / size), transition, np.stack(parts), PSEUDO * transition)
    return {room: STEP / max(1.0 - float(found[k, k]), 1e-9) for k, room in enumerate(rooms) if room != AWAY}


def stay_factors(plan: Floorplan, stretches: Sequence[Stretch]) -> dict[str, float]:
    """Factors on how soon people stir in each room, relative to the home's rooms at large.

    Raises:
        ImportError: if pomegranate is not installed (extra `learn`).
    """
    found = stays(plan, stretches)
    if not found:
        return {}
    middle = math.exp(float(np.mean(np.log(list(found.values())))))
    return {room: float(np.clip(middle / stay, 1.0 / WIDEST, WIDEST)) for room, stay in found.items()}
