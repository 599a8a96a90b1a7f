"""Door events: who opened it, which way did they go, and what is told about it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from presence import first_passage
from presence.closings import ClosingEngine
from presence.conditions import forget_door, standing, usually
from presence.events import Event
from presence.experience import DoorUse, Said
from presence.floorplan import Sensor
from presence.hypotheses import Way
from presence.passages import UNTOLD, Passage, Window, labels_of, stop_accepting, tracks
from presence.sides import forget_sides, note_first_passage, note_sides, sides_lately
from presence.snapshot import Snapshot, replace
from presence.unprompted import (
    TOGETHER,
    bounce_rate,
    contacts_of,
    false_alarm_rate,
    is_echo,
    repeat_rate,
)
from presence.witness import divide

Array = NDArray[np.float64]

TIE = 1e-9
"""Answers closer together than this are no change of mind."""
UNDECIDED = -2
"""Stands for the likeliest answer where two are equal."""
TRACKED_SHARE = 0.1
"""A door that stands open is tracked when nobody has passed it yet with more than this probability..."""
SETTLED_SHARE = 0.02
"""...and until it falls below this one."""
MOST_WINDOWS = 32
"""How many windows one door may have open at once."""
MOST_TRACKED = 2
"""How many windows may be tracked at once; each adds about as much to the cost of an event as the belief itself."""
CROSSED_LEAST = 0.002
"""A closing is followed up like an opening where somebody has passed before it with at least this probability."""


class DoorEngine(ClosingEngine):
    """The part of the inference that takes in contacts and locks."""

    # --- doors ------------------------------------------------------------------------------------------------------
    def _door(self, snapshot: Snapshot, sensor: Sensor, event: Event, told: list[Passage]) -> Snapshot:
        """A contact or a lock reports: who was it, and which way did they go?"""
        door = str(sensor.door)
        use = snapshot.doors.get(door, DoorUse())
        said = snapshot.said.get(sensor.id)
        begun = snapshot.seconds - snapshot.begun <= TOGETHER
        by_itself = repeat_rate(self.settings, event, snapshot.said, snapshot.seconds, begun=begun)
        by_itself += bounce_rate(self.settings, event, use, snapshot.seconds) if sensor.kind == "contact" else 0.0
        if is_echo(self.plan, event, use, snapshot.said, snapshot.seconds):
            # a passage would need two reports of the other contact to be lost
            by_itself += 1.0 / (TOGETHER * self._world(snapshot).sight.door_miss(door) ** 2)
        said = Said(event.value, snapshot.seconds) if said is None else said.after(event.value, snapshot.seconds)
        snapshot = replace(snapshot, said={**snapshot.said, sensor.id: said})
        ways = self._passing(snapshot, sensor, event, use)
        if ways:
            if event.code is not None:
                ways = [w._replace(rates=w.rates * self._code_share(event.code)[:, None, None]) for w in ways]
            if sensor.kind == "lock":  # a new unlocking is a new occasion
                snapshot = replace(snapshot, windows=stop_accepting(snapshot.windows, door))
            snapshot = self._open_window(snapshot, door)
            accepting = tuple(i for i, w in enumerate(snapshot.windows) if w.accepting and w.door == door)
            by_itself += self._jolt_rate(snapshot, event, use)
            snapshot = self._passed(snapshot, event, ways, by_itself, accepting)
            told.append(self._read(snapshot, len(snapshot.windows) - 1, final=False))
        else:
            snapshot = self._shut(snapshot, event, by_itself, use)
            snapshot = self._tell_closing(snapshot, door, told)
        if event.value == "locked":  # who has crossed has been told: a closing that comes now is no second crossing
            shut = replace(snapshot, windows=stop_accepting(snapshot.windows, door))
            snapshot = forget_sides(shut, shut.noted_of(door))
        if sensor.kind == "contact":
            if use.since and not use.open and event.value == "open":
                use = use.reopened(snapshot.seconds - use.since <= self.settings.door_bounce_delay)
            moved = snapshot.association is None or snapshot.association.nobody < 0.5
            use = use.now(snapshot.seconds, open=event.value == "open", moved=moved)
            snapshot = self._stand(self._unschedule(snapshot, *contacts_of(self.plan, door)), door, use)
            if event.value == "open" and self.plan.outdoor_sides[door] is not None:
                patience = self.settings.outer_door_expiry
                snapshot = self._schedule(snapshot, snapshot.seconds + patience, "shut", sensor.id)
        return snapshot

    def _jolt_rate(self, snapshot: Snapshot, event: Event, use: DoorUse) -> float:
        """Rate at which a contact or a lock reports an opening with nobody near; or its end, the first report lost."""
        door = str(self.plan.sensors[event.sensor].door)
        rate = false_alarm_rate(self.plan, self.settings, door)
        rate *= 1.0 if event.code is None else self.settings.code_slip
        return rate * self._lost(snapshot, door) if event.value == "closed" and not use.given_up else rate

    def _passed(
        self, snapshot: Snapshot, event: Event, ways: list[Way], by_itself: float, accepting: tuple[int, ...]
    ) -> Snapshot:
        """Somebody passes a door, or its report comes by itself (1/s); `accepting`: windows that this settles."""
        return self._branch(snapshot, event, ways, by_itself, accepting)

    def _passing(self, snapshot: Snapshot, sensor: Sensor, event: Event, use: DoorUse) -> list[Way]:
        """How somebody who passes can have caused a report; nothing where it only ends a standing open.

        A door that is reported shut and was not open had been opened unseen. Where it is only taken to have been shut,
        it may have been open all the time: as likely as not at first, ever less the longer ago that is.
        """
        world, opening = self._world(snapshot), event.value in ("open", "unlocked")
        if not opening and (event.value != "closed" or use.open or not use.since):
            return []
        passing = world.ways(sensor.id, event.value if opening else "open", event.by, use.usual_share)
        if opening:
            return passing
        if not use.given_up:  # the message that it was opened has been lost
            return [way._replace(rates=way.rates * self._lost(snapshot, str(sensor.door))) for way in passing]
        patience = self.settings.outer_door_expiry
        still = 0.5 * patience / (patience + snapshot.seconds - use.since)
        closing = world.ways(sensor.id, event.value, event.by, use.usual_share)
        shares = [*((way, 1.0 - still) for way in passing), *((way, still) for way in closing)]
        return [way._replace(rates=way.rates * share) for way, share in shares]

    def _lost(self, snapshot: Snapshot, door: str) -> float:
        """Openings of a door whose message is lost, for one that comes."""
        miss = self._world(snapshot).sight.door_miss(door)
        return miss / (1.0 - miss)

    def _fall_due(self, snapshot: Snapshot) -> Snapshot:
        """An outer door that has stood open for long was shut, and the message lost; or anything else."""
        (_, what, sensor), *rest = snapshot.due
        if what != "shut":
            return super()._fall_due(snapshot)
        door = str(self.plan.sensors[sensor].door)
        given_up = dataclasses.replace(snapshot.doors[door].now(snapshot.seconds, open=False), given_up=True)
        return self._stand(replace(snapshot, due=tuple(rest)), door, given_up)

    def _code_share(self, code: str) -> Array:
        """How likely each being is to use this code, relative to its owner."""
        owners = {person.id for person in self.plan.people.values() if code in person.codes}
        others = self.settings.code_slip if owners else 1.0
        return np.array([1.0 if name in owners else others for name in self.names])

    def _stand(self, snapshot: Snapshot, door: str, use: DoorUse) -> Snapshot:
        """What changes while a door stands as it does now."""
        conditions, share = forget_door(snapshot.conditions, door) - {("unwatched", door)}, use.usual_share
        if share and (use.open or self.plan.outdoor_sides[door] is None):
            conditions |= {(standing(share) if use.open else usually(share), door)}
        if use.open:
            conditions |= {("open", door)}
        windows = snapshot.windows if use.open else stop_accepting(snapshot.windows, door)
        snapshot = forget_sides(snapshot, snapshot.noted_of(door))
        return replace(snapshot, conditions=conditions, doors={**snapshot.doors, door: use}, windows=windows)

    def _open_window(self, snapshot: Snapshot, door: str, *, beyond: bool = False) -> Snapshot:
        """A new window; an earlier one of this door still accepts while the door has not closed."""
        snapshot = self._bounded(snapshot, door)
        due = snapshot.seconds + self.settings.passage_window
        labels = snapshot.mixture.labels
        fresh = np.zeros((labels.shape[0], 1, labels.shape[2]))
        fresh[:, :, 0] = 1.0
        window = Window(snapshot.seconds, door, due, accepting=not beyond, beyond=beyond)
        return replace(
            snapshot,
            windows=(*snapshot.windows, window),
            mixture=snapshot.mixture._replace(labels=np.concatenate([labels, fresh], axis=1)),
        )

    def _bounded(self, snapshot: Snapshot, door: str) -> Snapshot:
        """Room for one more window: the oldest answers of a contact that bounces are kept as they stand."""
        same = [i for i, w in enumerate(snapshot.windows) if w.door == door]
        if len(same) < MOST_WINDOWS:
            return snapshot
        kept = [*snapshot.closings, self._read(snapshot, same[0], final=False)]
        return self._without(replace(snapshot, closings=tuple(sorted(kept, key=lambda p: p.time))), same[:1])

    def _follow(self, snapshot: Snapshot) -> Snapshot:
        """Track the doors that stand open and may not have been passed yet; stop where somebody has almost certainly.

        Most who open a door pass it there and then; only once that is in doubt is it worth the cost.
        """
        for index, window in enumerate(snapshot.windows):
            nobody = self._label(snapshot, index)[0]
            standing = window.accepting and ("open", window.door) in snapshot.conditions
            if window.tracked and nobody < SETTLED_SHARE:
                snapshot = self._untrack(snapshot, [index])
            elif self.names and not window.tracked and standing and nobody > TRACKED_SHARE:
                tracked = tracks(snapshot.windows)
                given_up = tracked[: len(tracked) + 1 - MOST_TRACKED]
                if all(earlier < index for earlier in given_up):  # else they took turns, at every event
                    snapshot = self._track(self._untrack(snapshot, given_up), index)
        return snapshot

    def _track(self, snapshot: Snapshot, index: int) -> Snapshot:
        """Make a window's label part of each being's distribution."""
        mixture = snapshot.mixture
        before = [i for i in tracks(snapshot.windows) if i < index]
        new = first_passage.begin(mixture.x, mixture.labels[:, index])
        old, n = mixture.tracks, len(before)
        both = [old[:, :, :n], new[:, :, None], old[:, :, n:]] if old.size else [new[:, :, None]]
        windows = list(snapshot.windows)
        windows[index] = replace(windows[index], tracked=True)
        return replace(
            snapshot,
            windows=tuple(windows),
            mixture=mixture._replace(tracks=np.concatenate(both, axis=2)),
        )

    # --- passages beyond the first through one opening ----------------------------------------------------------------
    def _note_sides(self, snapshot: Snapshot, ahead_of: Sensor | None = None) -> Snapshot:
        """Note now and then on which side of each open door everybody is."""
        if not self.names or not any(use.open for use in snapshot.doors.values()):
            return snapshot
        return note_sides(snapshot, self._world(snapshot).near, self.model.persons, ahead_of)

    def _tell_closing(self, snapshot: Snapshot, door: str, told: list[Passage]) -> Snapshot:
        """A closing is told as the passage of whoever has passed beyond the first; hardly as one where nobody has."""
        near = self._world(snapshot).near(door)  # what `_untrack` notes later is too late for this closing
        for index in (i for i, w in enumerate(snapshot.windows) if w.tracked and w.door == door):
            snapshot = note_first_passage(snapshot, index, near)
        sides = sides_lately(snapshot, door, near, self.model.persons)
        crossed = 0.0 if sides is None else np.abs(np.diff(sides, axis=0)).sum(axis=0) @ snapshot.mixture.weight
        if sides is None or np.max(crossed) < CROSSED_LEAST:
            return self._tell_plain_closing(snapshot, door, told)
        being = int(np.argmax(crossed))
        label = first_passage.crossed_last(sides, being)
        opening = max((i for i, w in enumerate(snapshot.windows) if w.door == door), default=None)
        first = np.full((1, label.shape[1]), 0.5 / (label.shape[1] - 1))
        if opening is not None:  # who passed at the opening may have done so only now
            first = np.tile(labels_of(snapshot.mixture, snapshot.windows, opening), (2, 1))
        label = first_passage.else_earlier(label, self.settings.door_closing_share * first)
        snapshot = self._open_window(snapshot, door, beyond=True)
        snapshot = replace(snapshot, mixture=divide(snapshot.mixture, being, near, label))
        told.append(self._read(snapshot, len(snapshot.windows) - 1, final=False))
        return snapshot

    def _tell_plain_closing(self, snapshot: Snapshot, door: str, told: list[Passage]) -> Snapshot:
        """A closing is mostly nobody's passage: say so, at once and when its window closes."""
        same = [i for i, w in enumerate(snapshot.windows) if w.door == door]
        first, second = self.plan.doors[door].between
        share = self.settings.door_closing_share
        if same:
            answer = self._read(snapshot, same[-1], final=False)
            directions = {key: share * p for key, p in answer.directions.items()}
            who: Mapping[str, float] = {key: share * p for key, p in answer.people.items()}
        else:
            directions = {f"{first}>{second}": share / 4, f"{second}>{first}": share / 4}
            who = dict.fromkeys(self.names, share / 2 / max(1, len(self.names)))
        nobody = 1.0 - sum(directions.values())
        passage = Passage(snapshot.time, snapshot.time, door, directions, nobody, who, final=False, plan=self.plan)
        told.append(passage)
        return replace(snapshot, closings=(*snapshot.closings, passage))

    def _retell(self, snapshot: Snapshot, told: list[Passage]) -> Snapshot:
        """Tell an open window again when its likeliest answer has changed."""
        if not snapshot.windows:
            return snapshot
        windows = list(snapshot.windows)
        persons = len(self.names)
        for i, window in enumerate(windows):
            label = self._label(snapshot, i)
            sums = [float(each) for each in (label[0], label[1 : 1 + persons].sum(), label[1 + persons :].sum())]
            second, first = sorted(sums)[1:]
            likeliest = sums.index(first) if first - second > TIE else UNDECIDED
            if likeliest != window.told and not (likeliest == UNDECIDED and window.told != UNTOLD):
                windows[i] = replace(window, told=likeliest)
                if window.told != UNTOLD:
                    told.append(self._read(snapshot, i, final=False))
        return replace(snapshot, windows=tuple(windows))
