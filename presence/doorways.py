"""Whoever opens a door is on its near side for a moment longer, where a sensor may see them after the contact spoke.

To the model an opening is the passage itself. What the near side reports a second later would then speak against
whoever went out that way, and for somebody who came in by it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from presence.floorplan import Sensor
from presence.hypotheses import Way
from presence.merging import Mixture
from presence.sensing import Sight
from presence.snapshot import Association, Snapshot

Array = NDArray[np.float64]

LONGEST = 2.5
"""After so many delays hardly anybody who has opened a door is still to pass it."""


def newly_opened(snapshot: Snapshot, sight: Sight, sensor: Sensor, ways: list[Way]) -> Iterator[tuple[int, Array]]:
    """The doors that have just been opened, and how readily whoever passes them sets off a sensor on the near side.

    `rate * 2 ** (-(age / door_step_delay) ** 2)`, where the rate is that of who walks beside the door. As for doors
    pulled shut, it is not taken off the silence. Nothing is made of overhead doors: who passes one may have opened it
    from afar, and is seen on both sides of it before it is up.

    Args:
        snapshot: what is known.
        sight: how the home's sensors see.
        sensor: the sensor, one of a room.
        ways: how somebody in its sight sets it off.

    Yields:
        The index of the door's window, and the rate (1/s) for each of its labels, shape (1 + 2 P,).
    """
    persons, delay = len(sight.beings), sight.settings.door_step_delay
    told = set[str]()  # two contacts of one door may report in one instant
    for index, window in enumerate(snapshot.windows if delay else ()):
        door, use = sight.plan.doors[window.door], snapshot.doors.get(window.door)
        age = snapshot.seconds - window.seconds
        newly = use is not None and use.open and use.since == window.seconds and age <= LONGEST * delay
        near_by = sensor.room in door.between and door.leaf != "overhead" and not window.beyond
        if not (newly and near_by) or door.id in told:
            continue
        told.add(door.id)
        near = door.between.index(sensor.room)
        beside = {pair[near] for pair in sight.door_states(window.door)}
        share, by_label = 2.0 ** -((age / delay) ** 2), np.zeros(1 + 2 * persons)
        by_label[1 + near * persons :][:persons] = share * _most_readily(ways, beside, persons)
        yield index, by_label


def theirs_too(told: Association, names: list[str], seen: Array, others: float) -> Association:
    """Who set a sensor off, whoever was seen in a doorway among them, who are told as nobody so far.

    Args:
        told: who did.
        names: of the P beings.
        seen: shape (1 + 2 P,), 1/s: rate at which each label's being did, passing forth or back.
        others: rate at which nobody did, 1/s.
    """
    total = float(seen.sum())
    if not total:
        return told
    each = _by_being(seen) / total
    people = dict(zip(names, each.tolist(), strict=True))
    return told.credited(dataclasses.replace(told, people=people, nobody=0.0), total / (total + others))


def caused_too(before: Mixture, after: Mixture, then: Array, now: Array, others: float) -> tuple[Mixture, float]:
    """Who set a sensor off, hypothesis by hypothesis, for the event that comes next to be compared with.

    Args:
        before: the hypotheses before the event.
        after: and after it, where those in a doorway are told as nobody so far.
        then: shape (K, 1 + 2 P), 1/s: rate at which each label's being did, under each hypothesis before the event.
        now: the same under each hypothesis after it.
        others: rate at which nobody did, 1/s.

    Returns:
        The hypotheses after the event, and what share of those in a doorway caused the event before as well.
    """
    persons = before.cause.shape[1] - 1
    each, weighed = _by_being(now), _by_being(then)
    share = each / (each.sum(axis=1, keepdims=True) + others)
    cause = after.cause.copy()
    cause[:, :persons] += cause[:, persons:] * share
    cause[:, persons] *= 1.0 - share.sum(axis=1)
    weighed = before.weight[:, None] * weighed
    total = float(weighed.sum())
    same = float((weighed * before.cause[:, :persons]).sum()) / total if total else 0.0
    return after._replace(cause=cause), same


def _by_being(rates: Array) -> Array:
    """By label, shape (..., 1 + 2 P), to by being, forth or back: (..., P)."""
    forth, back = np.split(rates[..., 1:], 2, axis=-1)
    return np.asarray(forth + back)


def _most_readily(ways: list[Way], states: set[int], persons: int) -> Array:
    """The highest rate at which each being in one of some states sets a sensor off and stays there, 1/s: shape (P,)."""
    most = np.zeros(persons)
    for way in ways:
        if np.array_equal(way.source, way.target):
            rates = way.rates.diagonal(axis1=1, axis2=2)[:, np.isin(way.source, list(states))]
            most = np.maximum(most, rates.max(axis=1, initial=0.0))
    return most
