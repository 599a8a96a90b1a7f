"""Minutes in the dark and minutes wasted: the library's rule, and the timer that it must beat."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from presence.events import Event
from presence.floorplan import OFF, ON, Floorplan, Sensor
from presence.occupancy import DARK_COST, Switch

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
CountArray = NDArray[np.int64]

TIMER_MINUTES = (1, 2, 5, 10, 15, 20, 30)
OFF_BELOW = (0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5)
"""The rule's second threshold, moved to trade minutes in the dark for minutes wasted; the first keeps its distance."""
READINGS = 3
"""What a timer may take a report of movement for: a sensor that stays on until it goes off; a moment; its hold."""


class LastMovement:
    """How long ago each room's own sensors last saw movement; what a timer knows.

    A sensor that is on sees movement now (a motion sensor or camera no longer than any sitting goes on without a pause:
    its off message may be lost). Of one that never goes off (`never_off`, known once the log has been read) whoever
    sets a timer takes each report as a moment, or to last for the stated hold: all READINGS are told. A room without
    a sensor of its own goes by the contacts of its doors.
    """

    def __init__(self, plan: Floorplan, rooms: list[str]) -> None:
        self.sensors = plan.sensors
        self._rooms: dict[str, list[int]] = {}
        sensed = {s.room for s in plan.sensors.values() if s.room is not None}
        for sensor in plan.sensors.values():
            beside = [sensor.room] if sensor.room is not None else []
            if sensor.door is not None and sensor.kind == "contact":
                beside = [room for room in plan.doors[sensor.door].between if room not in sensed]
            self._rooms[sensor.id] = [rooms.index(room) for room in beside if room in rooms]
        self._latest = np.full((READINGS, len(rooms)), -np.inf)
        self._on_until: list[dict[str, float]] = [{} for _ in rooms]
        self._turned_on: Counter[str] = Counter()
        self._turned_off: set[str] = set()

    def event(self, event: Event) -> None:
        """Take in the next event."""
        sensor, lasts = self.sensors[event.sensor], 0.0
        on, off = event.value == ON.get(sensor.kind), event.value == OFF.get(sensor.kind)
        if on:
            self._turned_on[sensor.id] += 1
            lasts = 0.0 if sensor.id in self._turned_off else sensor.hold or 0.0
        if off:
            self._turned_off.add(sensor.id)
        for room in self._rooms[sensor.id]:
            if on:
                self._on_until[room][sensor.id] = event.seconds + _patience(sensor)
            elif off or event.value == "offline":
                self._on_until[room].pop(sensor.id, None)
            if event.value not in ("offline", "online"):
                ends = event.seconds + np.array([0.0, 0.0, lasts])
                self._latest[:, room] = np.maximum(self._latest[:, room], ends)

    def ages(self, seconds: float) -> Array:
        """Seconds since the last movement in each room by each reading, shape (READINGS, R); infinite before any."""
        ages = np.maximum(seconds - self._latest, 0.0)
        for room, on in enumerate(self._on_until):
            if still := [name for name, until in on.items() if seconds < until]:
                ages[0, room] = 0.0
                if not self._turned_off.isdisjoint(still):
                    ages[1:, room] = 0.0
        return ages

    def never_off(self) -> BoolArray:
        """Rooms of a sensor that has turned on more than once, and never off; shape (R,)."""
        rooms = np.zeros(len(self._on_until), bool)
        for name, times in self._turned_on.items():
            if times > 1 and name not in self._turned_off:
                rooms[self._rooms[name]] = True
        return rooms


def _patience(sensor: Sensor) -> float:
    """Seconds that a sensor without an off message counts as on. Common practice, no source."""
    return max(1800.0, 10.0 * (sensor.hold or 0.0)) if sensor.kind in ("motion", "camera") else np.inf


class SwitchingSums:
    """Samples in the dark with somebody there and on with nobody there, for each rule and each timer.

    Args:
        rooms: R.
        rule: the rule that is scored; the same with other second thresholds (`from_threshold`) is summed beside it.
        off_below: those thresholds; one above the rule's first threshold stands for both.
        minutes: the timers.
    """

    def __init__(
        self,
        rooms: int,
        rule: Switch | None = None,
        *,
        off_below: Sequence[float] = OFF_BELOW,
        minutes: Sequence[float] = TIMER_MINUTES,
    ) -> None:
        self.rule = rule or Switch()
        self.off_below, self.minutes = tuple(off_below), tuple(minutes)
        self.rules = [self.rule, *(Switch.from_threshold(off, max(self.rule.on_above, off)) for off in off_below)]
        self.rooms = rooms
        self.samples = self.occupied = 0
        """Instants, and room-instants with somebody there."""
        self.rule_sums: CountArray = np.zeros((len(self.rules), 2, rooms), np.int64)
        """`[rule, 0 in the dark | 1 wasted, room]`."""
        self.never_off: BoolArray = np.zeros(rooms, bool)
        """Rooms whose timers may take the reading that suits them best; the others' sensors stay on until off."""
        self._by_reading: CountArray = np.zeros((READINGS, len(self.minutes), 2, rooms), np.int64)
        self._on: BoolArray = np.zeros((len(self.rules), rooms), bool)

    def add(self, probability: Array, ages: Array, truth: BoolArray, known: BoolArray | None = None) -> None:
        """Take in T samples: of shape (T, R), the ages (T, READINGS, R), and which of them count, shape (T,); all.

        A rule goes on through those that do not count.
        """
        known = np.ones(len(truth), bool) if known is None else known
        ages, truth = ages[known], truth[known]
        self.samples += len(truth)
        self.occupied += int(truth.sum())
        for i, rule in enumerate(self.rules):
            on = rule.series(probability, self._on[i])
            self._on[i] = on[-1]
            self.rule_sums[i] += _dark_and_wasted(on[known], truth)
        for i, minutes in enumerate(self.minutes):
            for reading in range(READINGS):
                self._by_reading[reading, i] += _dark_and_wasted(ages[:, reading] < minutes * 60.0, truth)

    def timer_sums(self, dark_cost: float = DARK_COST) -> CountArray:
        """`[timer, 0 in the dark | 1 wasted, room]`, by the cheapest of the readings that a room's timers may take."""
        cost = _cost(self._by_reading.reshape(-1, 2, self.rooms), dark_cost).reshape(READINGS, -1, self.rooms)
        cost[1:, :, ~self.never_off] = np.inf
        best = cost.argmin(axis=0)
        sums: CountArray = np.take_along_axis(self._by_reading, best[None, :, None], axis=0)[0]
        return sums

    def room_timers(self, dark_cost: float = DARK_COST) -> tuple[NDArray[np.intp], CountArray]:
        """Each room's cheapest timer, chosen in hindsight, shape (R,); `[room, 0 in the dark | 1 wasted]` with it."""
        timers = self.timer_sums(dark_cost)
        best = _cost(timers, dark_cost).argmin(axis=0)
        return best, timers[best, :, np.arange(self.rooms)]

    def switching(self) -> dict[str, float]:
        """Minutes a day of the default rule, all rooms."""
        return self._per_day(self.rule_sums[0].sum(axis=1))

    def switch_table(self) -> list[dict[str, float]]:
        """The same for other second thresholds."""
        sums = self.rule_sums[1:].sum(axis=2)
        return [{"off_below": off, **self._per_day(row)} for off, row in zip(self.off_below, sums, strict=True)]

    def timer_table(self) -> list[dict[str, float]]:
        """Minutes a day of each timer, all rooms."""
        sums = self.timer_sums().sum(axis=2)
        return [{"minutes": n, **self._per_day(row)} for n, row in zip(self.minutes, sums, strict=True)]

    def best_timer(self) -> dict[str, float]:
        """The one timer for all rooms that costs least, by the rule's own costs."""
        return self.timer_table()[int(_cost(self.timer_sums().sum(axis=2)).argmin())]

    def best_timer_per_room(self, rooms: list[str]) -> dict[str, object]:
        """Each room with its own best timer, chosen in hindsight."""
        best, sums = self.room_timers()
        minutes = {room: self.minutes[i] for room, i in zip(rooms, best, strict=True)}
        return {"minutes": minutes, **self._per_day(sums.sum(axis=0))}

    def room(self, index: int) -> dict[str, float]:
        """Minutes a day of the default rule in one room."""
        return self._per_day(self.rule_sums[0, :, index])

    def room_timer(self, index: int) -> dict[str, float]:
        """The same with the room's own best timer."""
        best, sums = self.room_timers()
        return {"minutes": self.minutes[best[index]], **self._per_day(sums[index])}

    def _per_day(self, sums: CountArray) -> dict[str, float]:
        """Each sample stands for one step of the grid, so the share of samples is the share of the day's minutes."""
        per_day = [1440.0 * float(s) / self.samples if self.samples else float("nan") for s in sums]
        return {"false_off_minutes_per_day": per_day[0], "wasted_minutes_per_day": per_day[1]}


def _dark_and_wasted(on: BoolArray, truth: BoolArray) -> CountArray:
    """Samples with somebody there while off, and on with nobody there, per room; shape (2, R)."""
    return np.stack([(truth & ~on).sum(axis=0), (on & ~truth).sum(axis=0)])


def _cost(sums: CountArray, dark_cost: float = DARK_COST) -> Array:
    """What each candidate costs; sums of shape (N, 2) or (N, 2, R)."""
    return np.asarray(dark_cost * sums[:, 0] + sums[:, 1], np.float64)
