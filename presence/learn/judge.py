"""The judge of settings that needs no labels: how well what is believed tells what will be seen.

    score = mean log p(largest number of places at once, 2-32 min ahead | the same 32-2 min before, belief about number)
          + sum over rooms of mean log p(any event there in the next 5 min | belief about the room)

Without what was seen before, the first part asks above all whether people are up: who believed five at home on busy
evenings and six in quiet nights then told it better than who knew that there are six.

The two parts and the likelihood are told apart: where a model is only nearly right each of them can rank settings
the wrong way round (`benchmarks/judges.py`), so that `fit.choose` asks for all three.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import Floorplan
from presence.learn.later import DAYS, Later, Timescales, look_ahead
from presence.learn.recordings import Stretch
from presence.learn.tables import fit_table, log_scores
from presence.settings import Settings
from presence.times import utc
from presence.tracker import Tracker
from presence.unprompted import false_alarm_rate, stray_rate

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

PART = 86400.0
"""Seconds after which a candidate that is far behind may be given up."""
TOO_MANY = 0.05
"""Prior odds of each place at once beyond the number of people."""
PRIOR_SAMPLES = 20.0
"""Samples that the prior of each row of an emission table is worth."""
ROOM_PRIOR = ((0.98, 0.02), (0.5, 0.5))
"""Prior chances of no event and of one in the minutes to come, in an empty room and in one with somebody. Common
practice, no source."""


class Course(NamedTuple):
    """A stretch to be tracked, and what is seen later on its grid; the same for every candidate."""

    stretch: Stretch
    later: Later


class Foresight(NamedTuple):
    """Beliefs over a part of a stretch, and what was seen later."""

    grid: Array
    """Shape (T,): epoch seconds."""
    at_home: Array
    """Shape (T, N + 1): probability of each number at home."""
    rooms: Array
    """Shape (T, R): probability that somebody is in the room."""
    most: IndexArray
    """Shape (T,)."""
    before: IndexArray
    """Shape (T,): what was seen before, the same for every candidate."""
    seen: IndexArray
    """Shape (T, R)."""
    log_likelihood: float
    """Of all that came in this part, nats; less the false alarms that did not come (see `quiet`)."""


class Verdict(NamedTuple):
    """Scores of one candidate."""

    score: float
    """Nats per instant."""
    number: float
    """The part about the number at home."""
    rooms: float
    """The part about rooms."""
    log_likelihood: float
    blocks: Array
    """Shape (B, 2): sums over each block of time of the two parts' scores, number and rooms."""
    instants: int
    """How many instants were judged."""


def courses(plan: Floorplan, stretches: Sequence[Stretch], timescales: Timescales = DAYS) -> list[Course]:
    """Stretches with what is seen later in them."""
    grids = [instants(stretch, timescales) for stretch in stretches]
    return [Course(s, look_ahead(plan, s.events, grid, timescales)) for s, grid in zip(stretches, grids, strict=True)]


def foresee(plan: Floorplan, settings: Settings, course: Course, hypotheses: int) -> Iterator[Foresight]:
    """Track one stretch afresh; a `Foresight` for each day of it, as soon as that is tracked."""
    stretch, later = course
    heard = replace(settings, put_back_events=0)  # which off reports are put back hangs on the belief: another log each
    tracker = Tracker(plan, heard, hypotheses=hypotheses, reordering_window=0.0, watching=False)
    tracker.advance(utc(stretch.begin))
    events, told, rate = iter(stretch.events), 0.0, quiet(plan, settings)
    coming = next(events, None)
    if not len(later.grid):
        return
    cuts = np.unique(later.grid // PART, return_index=True)[1].tolist()
    for first, last in zip(cuts, [*cuts[1:], len(later.grid)], strict=True):
        at_home, rooms = [], []
        for now in later.grid[first:last].tolist():
            while coming is not None and coming.seconds <= now:
                tracker.observe(coming)
                coming = next(events, None)
            tracker.advance(utc(now))
            belief = tracker.belief
            at_home.append(belief.at_home)
            rooms.append([belief.rooms[room] for room in later.rooms])
        so_far = tracker.log_likelihood - rate * (now - stretch.begin)
        yield Foresight(
            later.grid[first:last],
            np.array(at_home),
            np.array(rooms).reshape(last - first, len(later.rooms)),
            np.minimum(later.most[first:last], len(plan.people) + plan.visitors + 1),
            later.before[first:last],
            later.seen[first:last],
            so_far - told,
        )
        told = so_far


def instants(stretch: Stretch, timescales: Timescales = DAYS) -> Array:
    """The grid of a stretch: after the warm-up, and as long as what is seen later lies inside it."""
    last = stretch.end - timescales.count_ahead[1]
    return np.arange(
        np.ceil((stretch.begin + timescales.warm_up) / timescales.step) * timescales.step, last, timescales.step
    )


def quiet(plan: Floorplan, settings: Settings) -> float:
    """Expected number of false alarms per second, which the tracker's own likelihood leaves out: it is always the same.

    A rate of events that is not also taken off what happens in silence would be pushed up without end by a fit.
    """
    doors = [sensor.door for sensor in plan.sensors.values() if sensor.kind in ("contact", "lock")]
    by_itself = sum(false_alarm_rate(plan, settings, door) for door in doors if door is not None)
    in_rooms = [sensor for sensor in plan.sensors.values() if sensor.room is not None]
    seats = sum(sensor.kind == "pressure" for sensor in in_rooms)
    stray = sum(stray_rate(plan, settings, sensor) for sensor in in_rooms if sensor.kind != "pressure")
    return by_itself + seats * settings.seat_false_alarm_rate + stray


def judge(
    fitting: Sequence[Foresight], judged: Sequence[Foresight] | None = None, block_length: float = DAYS.block
) -> Verdict:
    """Fit the emission tables on some stretches, and score those or others with them.

    Args:
        fitting: beliefs, and what was seen later, that the tables are fitted on.
        judged: those that are scored; None: the same.
        block_length: seconds of a block of time, whose sums are told apart.
    """
    judged = fitting if judged is None else judged
    count = _number(fitting, judged)
    each, prior = np.zeros(len(count)), PRIOR_SAMPLES * np.array(ROOM_PRIOR)
    for room in range(fitting[0].rooms.shape[1]):
        each += _parts([_room(f, room) for f in fitting], [_room(f, room) for f in judged], prior)
    grid = np.concatenate([f.grid for f in judged])
    _, block = np.unique(grid // block_length, return_inverse=True)
    return Verdict(
        float((count + each).mean()),
        float(count.mean()),
        float(each.mean()),
        sum(f.log_likelihood for f in judged),
        np.stack([np.bincount(block, weights=part) for part in (count, each)], axis=1),
        len(grid),
    )


def gain(candidate: Verdict, other: Verdict) -> tuple[Array, Array]:
    """What a candidate gains over another in each part (number, rooms, both), nats per instant, and its standard error.

    Differences in different blocks are taken to be independent. Shapes (3,), (3,).
    """
    blocks = candidate.blocks - other.blocks
    differences = np.column_stack([blocks, blocks.sum(axis=1)])
    total = differences.sum(axis=0) / candidate.instants
    spread = differences.std(axis=0, ddof=1) if len(blocks) > 1 else np.full(3, np.inf)
    return total, spread * np.sqrt(len(blocks)) / candidate.instants


def _parts(
    fitting: Sequence[tuple[Array, IndexArray]], judged: Sequence[tuple[Array, IndexArray]], prior: Array
) -> Array:
    (belief, seen), (other, later) = (
        (np.concatenate([b for b, _ in pairs]), np.concatenate([s for _, s in pairs])) for pairs in (fitting, judged)
    )
    return log_scores(other, later, fit_table(belief, seen, prior))


def _number(fitting: Sequence[Foresight], judged: Sequence[Foresight]) -> Array:
    """Scores of the number at home, shape (T,): a table for each answer to what was seen before."""
    prior, before = count_prior(fitting[0]), np.concatenate([f.before for f in judged])
    scores = np.zeros(len(before))
    for seen in np.unique(before):
        known, asked = (
            [(f.at_home[f.before == seen], f.most[f.before == seen]) for f in part] for part in (fitting, judged)
        )
        scores[before == seen] = _parts(known, asked, prior)
    return scores


def _room(foresight: Foresight, room: int) -> tuple[Array, IndexArray]:
    p = foresight.rooms[:, room]
    return np.stack([1.0 - p, p], axis=1), foresight.seen[:, room]


def count_prior(foresight: Foresight) -> Array:
    """Prior samples of seeing so many places at once with so many at home, shape (N + 1, N + 2).

    Nobody is in two places at once, but for hold times and false alarms.
    """
    people = np.arange(foresight.at_home.shape[1])[:, None]
    places = np.arange(foresight.at_home.shape[1] + 1)[None]
    prior = TOO_MANY ** np.maximum(places - people, 0.0)
    return np.asarray(PRIOR_SAMPLES * prior / prior.sum(axis=1, keepdims=True), dtype=np.float64)
