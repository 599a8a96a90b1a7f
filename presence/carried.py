"""What people carry: phones that say whether their owner is at home, tags that are heard in a room.

Either may be left behind. So that one says the same again is no new evidence of where its owner is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from presence.engine import EngineCore
from presence.floorplan import AWAY, Sensor
from presence.lingering import none_passed
from presence.snapshot import Reported, Snapshot, replace
from presence.witness import Staying

Array = NDArray[np.float64]

GAPS, ENOUGH = 64, 20
"""How many of a tag's gaps are kept, and of how many its rhythm is told. Common practice, no source."""
MISSING = ("unheard", "listen")
"""What falls due of a tag that is missed: it tells, or, as its hub may have been down, only whether that is up."""
USUALLY, STEADY = 0.9, 3.0
"""A tag has a rhythm if this share of the time that its gaps make together is in gaps of at most so many medians: one
report in five may be lost, while of the time in gaps at random (exponential) little more than half is. No source."""


def longest_usual(gaps: tuple[float, ...]) -> float | None:
    """The gap, in seconds, which those that make up nearly all of the time together do not exceed; None: no rhythm.

    By time, not by number: a tag that is woken by being moved speaks often, and is silent for most of the night.
    """
    if len(gaps) < ENOUGH:
        return None
    rising = np.sort(gaps)
    usual = float(rising[np.searchsorted(np.cumsum(rising), USUALLY * rising.sum())])
    return usual if usual <= STEADY * float(np.median(rising)) else None


def _unheard(sensor: Sensor) -> str:
    """Under which the evidence of a tag's silence is kept; under its id, that of where it lies."""
    return f"{sensor.id} unheard"


class CarriedEngine(EngineCore):
    """The part of the inference that takes in phones and tags."""

    def _report(self, snapshot: Snapshot, sensor: Sensor, value: str) -> Snapshot:
        """A phone or a tag says where its owner is: a likelihood, not a switch."""
        if sensor.person is None or sensor.person not in self.names:
            return snapshot
        if sensor.kind == "badge":
            return self._tag(snapshot, sensor, sensor.person, value)
        last = snapshot.reports.get(sensor.id, Reported("", 0.0, -np.inf))
        if value == last.value and snapshot.seconds - last.heard <= self.settings.phone_check_in:
            again = last._replace(heard=snapshot.seconds)  # that it has not changed is for `_still` to tell
            return replace(snapshot, reports={**snapshot.reports, sensor.id: again})
        returned = (last.value, value) == ("away", "home")
        error = self.settings.phone_return_error if returned else self.settings.phone_error
        reports = {**snapshot.reports, sensor.id: Reported(value, snapshot.seconds, snapshot.seconds)}
        due = snapshot.seconds + self.settings.phone_still
        snapshot = self._schedule(snapshot, due, "still", sensor.id, reports=reports)
        return self._about(snapshot, sensor.person, self._phone(value, 1 - error, error))

    def _tag(self, snapshot: Snapshot, sensor: Sensor, owner: str, value: str) -> Snapshot:
        """A tag is heard in a room. Where it was before, it lies there for good with whoever was elsewhere already.

        Of those who have gone since, it was left behind by as many as it is heard apart from its owner. Once it has
        been told to be away, its silence tells, as a phone's does: its hub would say that it is not heard any more.
        """
        rooms, last = self.model.states.rooms, snapshot.reports.get(sensor.id)
        agrees, error = self.model.states.room == rooms.index(value), self.settings.badge_error
        likelihood = np.where(agrees, 1 - error, error / max(1, len(rooms) - 1))
        if last is not None and value != AWAY and self._was_missed(snapshot, sensor, last):  # somebody has brought it
            brought = self.settings.phone_return_error / max(1, len(rooms) - 1)
            likelihood = np.where(self.model.states.room == self.model.away, brought, likelihood)
        if last is not None and self._overtaken(snapshot, last, value):  # it goes on being away
            likelihood[self.model.states.room == self.model.away] = self.settings.badge_overtaken_share
            return self._about(snapshot, owner, likelihood)
        if last is not None and last.value == value:
            elsewhere = self._elsewhere(snapshot, owner, agrees)
            lying = snapshot.staying[sensor.id].at(elsewhere, error).stuck
            likelihood = np.where(agrees, 1.0, lying)
        snapshot = self._about(snapshot, owner, likelihood)
        lies = Staying(1.0, self._elsewhere(snapshot, owner, agrees))
        since = last.since if last is not None and last.value == value else snapshot.seconds
        before = "" if last is None else last.before if last.value == value else last.value
        snapshot = self._next_unheard(snapshot, sensor, last, value)
        reports = {**snapshot.reports, sensor.id: Reported(value, since, snapshot.seconds, before)}
        snapshot = replace(snapshot, reports=reports, staying={**snapshot.staying, sensor.id: lies})
        told_away = value == AWAY or snapshot.awaits("still", sensor.id)
        if since < snapshot.seconds or not told_away:
            return snapshot
        return self._schedule(snapshot, since + self.settings.phone_still, "still", sensor.id)

    def _overtaken(self, snapshot: Snapshot, last: Reported, value: str) -> bool:
        """Whether a tag may only now be told to have been in the room by the door, on its way to be away."""
        soon = last.value == AWAY and snapshot.seconds - last.since <= self.settings.badge_overtaken
        return soon and value != last.before and self.plan.graph.has_edge(AWAY, value)

    def _next_unheard(self, snapshot: Snapshot, sensor: Sensor, last: Reported | None, value: str) -> Snapshot:
        """When a tag that has a rhythm, in a hub that never says `away`, is missed if it is not heard again.

        Its rhythm is that of its owner's sleeping hours, in the room where it was before: what is heard then speaks by
        itself, without being moved.
        """
        due = tuple(note for note in snapshot.due if note[1:] not in ((what, sensor.id) for what in MISSING))
        if len(due) < len(snapshot.due):
            snapshot = replace(snapshot, due=due)
        if value == AWAY or snapshot.awaits("still", sensor.id):  # the hub would say so
            return snapshot
        if last is not None and value == last.value and snapshot.hours[self.names.index(str(sensor.person))].asleep:
            gaps = (*snapshot.gaps.get(sensor.id, ())[1 - GAPS :], snapshot.seconds - last.heard)
            snapshot = replace(snapshot, gaps={**snapshot.gaps, sensor.id: gaps})
        patience = self._patience(snapshot, sensor)
        if patience == np.inf:
            return snapshot
        missed = Staying(self.settings.badge_silent_share, self._in_reach(snapshot, sensor)[0])
        staying = {**snapshot.staying, _unheard(sensor): missed}
        return self._schedule(snapshot, snapshot.seconds + patience, "unheard", sensor.id, staying=staying)

    def _was_missed(self, snapshot: Snapshot, sensor: Sensor, last: Reported) -> bool:
        """Whether a tag that is heard in a room now was silent for so long that it was missed."""
        silence = snapshot.seconds - last.heard
        return snapshot.awaits("unheard", sensor.id) and silence > self._patience(snapshot, sensor)

    def _patience(self, snapshot: Snapshot, sensor: Sensor) -> float:
        """Seconds of silence after which a tag is missed; infinite if it has no rhythm."""
        usual = longest_usual(snapshot.gaps.get(sensor.id, ()))
        return np.inf if usual is None else max(self.settings.phone_still, 2.0 * usual)

    def _in_reach(self, snapshot: Snapshot, sensor: Sensor) -> tuple[float, NDArray[np.bool_]]:
        """Probability that a tag's owner is indoors, where it would be heard; these states, shape (S,)."""
        rooms = self.model.states.rooms
        within = np.isin(self.model.states.room, [rooms.index(room) for room in self.plan.indoor])
        return self._elsewhere(snapshot, str(sensor.person), ~within), within

    def _missed(self, snapshot: Snapshot, sensor: Sensor, what: str) -> Snapshot:
        """A tag is missed, once more: its owner is likely out of its reach.

        Or it does not speak any more, or was not with whoever has come home since: that evidence is bounded. Where
        nothing else has been heard of late, the hub may be down, and the tag gets its time anew once it is back.
        """
        again = self._patience(snapshot, sensor)
        latest = snapshot.association
        if latest is None or latest.time.timestamp() < snapshot.seconds - again / 2.0:
            return self._schedule(snapshot, snapshot.seconds + again / 2.0, "listen", sensor.id)
        if what == "unheard":
            key, doubt = _unheard(sensor), self.settings.phone_doubt
            indoors, within = self._in_reach(snapshot, sensor)
            silent, missed = snapshot.staying[key].once_more(indoors, self.settings.badge_error, doubt)
            snapshot = self._about(snapshot, str(sensor.person), np.where(within, silent, 1.0))
            snapshot = replace(snapshot, staying={**snapshot.staying, key: missed})
        return self._schedule(snapshot, snapshot.seconds + again, "unheard", sensor.id)

    def _elsewhere(self, snapshot: Snapshot, being: str, there: NDArray[np.bool_]) -> float:
        """Probability that a being is in none of some states, `there` of shape (S,)."""
        return float(self.model.marginals(snapshot.mixture)[self.names.index(being), ~there].sum())

    def _fall_due(self, snapshot: Snapshot) -> Snapshot:
        """A phone or a tag has not changed its report for a while, or a tag is missed; or anything else."""
        (_, what, sensor), *rest = snapshot.due
        if what in MISSING:
            return self._missed(replace(snapshot, due=tuple(rest)), self.plan.sensors[sensor], what)
        if what != "still":
            return super()._fall_due(snapshot)
        return self._still(replace(snapshot, due=tuple(rest)), self.plan.sensors[sensor])

    def _still(self, snapshot: Snapshot, sensor: Sensor) -> Snapshot:
        """What has not changed for a while: its owner is likely still at home, or away; told ever more rarely.

        Where nobody was heard to pass an outer door when it changed, it may be wrong, and then mostly for hours for the
        same cause: so that evidence is bounded, as that of a sensor that stays on. Of those who are found elsewhere
        since then, it missed the way as often as it is ever wrong.
        """
        value, since, *_ = snapshot.reports[sensor.id]
        owner, doubt = str(sensor.person), self.settings.phone_doubt
        key, again = f"{sensor.id} still", since + 4.0 * (snapshot.seconds - since)
        staying = {name: held for name, held in snapshot.staying.items() if name != key}
        elsewhere = self._elsewhere(snapshot, owner, self._phone(value, 1.0, 0.0) > 0.0)
        known = snapshot.staying.get(key)
        if snapshot.seconds - since < 2.0 * self.settings.phone_still:  # it tells so for the first time
            begin, lasting = since - self.settings.phone_explained, self.settings.phone_lasting_share
            known = Staying(lasting, elsewhere) if none_passed(self.plan, snapshot, begin) else None
        wrong = doubt
        if known is not None:
            wrong, staying[key] = known.once_more(elsewhere, self.settings.phone_error, doubt)
        told = self._about(snapshot, owner, self._phone(value, 1.0, wrong))
        return self._schedule(told, again, "still", sensor.id, staying=staying)

    def _phone(self, value: str, agreeing: float, other: float) -> Array:
        """Likelihood of a phone's report in each state of its owner, shape (S,)."""
        agrees = (self.model.states.room == self.model.away) == (value == "away")
        return np.where(agrees, agreeing, other)
