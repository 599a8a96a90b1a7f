"""What each sensor's own record says of it; the new slowly takes the place of the old.

Batteries and radios are changed, latches wear, trees grow: what a sensor did years ago tells little of what it does
now. A count of occasions is kept whole up to `OCCASIONS`, one over time for `PERIOD`; after that each new one takes the
place of as much of the old.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import NamedTuple

OCCASIONS = 1000.0
"""Occasions that a record holds. Common practice, no source."""
PERIOD = 90 * 86400.0
"""Seconds that a record over time holds. Common practice, no source."""
TIMES = 100
"""Latest times on that a motion sensor's record holds. Common practice, no source."""
JITTER = 0.25
"""Share of the hold by which an off message may come late, or the hold be longer than it is known to be. Common
practice, no source."""
BOUNCE_PRIOR = 20
"""As many openings of a door as the settings' share of bounces counts for."""


def among(counts: tuple[float, ...], occasions: float) -> tuple[float, ...]:
    """Counts among so many occasions, as of the latest `OCCASIONS`: `count * min(1, OCCASIONS / occasions)`."""
    share = min(1.0, OCCASIONS / occasions) if occasions else 1.0
    return tuple(share * count for count in counts) if share < 1.0 else counts


def over(count: float, begin: float, seconds: float) -> tuple[float, float]:
    """A count from an instant on (epoch seconds), as of the latest `PERIOD`; and that begin."""
    passed = seconds - begin
    return (count * PERIOD / passed, seconds - PERIOD) if passed > PERIOD else (count, begin)


@dataclass(frozen=True, slots=True)
class DoorUse:
    """How a door stands, and how much of the time it has stood open."""

    open: bool = False
    since: float = 0.0
    """When it was told that it stands so now (epoch seconds; 0: unknown)..."""
    heard: float = 0.0
    """...and when last: radios check in."""
    open_share: float = 0.0
    weight: float = 3600.0
    """Seconds of experience behind `open_share`."""
    given_up: bool = False
    """Whether it is only taken to have been shut, having stood open for so long."""
    reopenings: float = 0
    """How often it was opened after having been shut..."""
    bounces: float = 0
    """...and how often of those so soon that it was hardly passed again."""

    def bounce_share(self, usual: float) -> float:
        """Share of its reports that its contact follows up by itself, half of them so soon; at first `usual`."""
        return min(0.95, (usual * BOUNCE_PRIOR + 2.0 * self.bounces) / (BOUNCE_PRIOR + self.reopenings))

    def reopened(self, soon: bool) -> DoorUse:
        """After it was opened, having been shut for a moment only or for longer."""
        reopenings, bounces = among((self.reopenings + 1, self.bounces + soon), self.reopenings + 1)
        return dataclasses.replace(self, reopenings=reopenings, bounces=bounces)

    @property
    def usual_share(self) -> float:
        """`open_share` to one decimal, so that few generators differ; the same while the door stands as it does."""
        return round(self.open_share, 1)

    def unknown(self) -> DoorUse:
        """After its contact has been out of reach: as before the first report, with what is known of the door."""
        return dataclasses.replace(self, open=False, since=0.0, heard=0.0, given_up=False)

    def now(self, seconds: float, *, open: bool, moved: bool = True) -> DoorUse:
        """After a report that the door is open or closed; experience fades over a week. Common practice, no source.

        Where it was so before, it has probably `moved` unheard in between, or a radio has only said so again.
        """
        passed = max(0.0, seconds - self.heard) if self.heard else 0.0
        weight = min(self.weight, 7 * 86400.0)
        share = (self.open_share * weight + passed * self.open) / (weight + passed)
        again = self.since and open == self.open and not self.given_up and not moved
        since = self.since if again else seconds
        return DoorUse(open, since, seconds, share, weight + passed, reopenings=self.reopenings, bounces=self.bounces)


@dataclass(frozen=True, slots=True)
class Said:
    """What a sensor said last, and how often it has said the same again."""

    value: str
    first: float
    """When it was first heard, epoch seconds; of long ago, since when its repeats are counted."""
    repeats: float = 0
    again: float = -math.inf
    """When that was the last time, epoch seconds."""
    both: bool = False
    """Whether it has ever said anything else."""
    reachable: bool = True
    """Whether it has not said since that it cannot report..."""
    current: bool = True
    """...and what it said last holds: it has not been out of reach since."""

    @property
    def unprompted(self) -> float:
        """When it last told what was so before: again, or first of all that a door is shut; epoch seconds."""
        shut = not self.both and self.value in ("closed", "locked")
        return max(self.again, self.first if shut else -math.inf)

    def after(self, value: str, seconds: float) -> Said:
        """After its next report."""
        if value != self.value:
            return dataclasses.replace(self, value=value, both=True, reachable=True, current=True)
        repeats, first = over(self.repeats + 1, self.first, seconds)
        return Said(value, first, repeats, seconds, self.both)


class TimesOn(NamedTuple):
    """How a motion sensor has gone off so far."""

    heard: float = 0
    """How many of its off messages have come..."""
    lost: float = 0
    """...and how many were lost."""
    shortest: float = math.inf
    """The shortest of the latest times for which it was on, seconds..."""
    times: tuple[float, ...] = ()
    """...and all of those."""
    again: float = -math.inf
    """When it last said again that it is on, epoch seconds..."""
    period: float = 0.0
    """...how long after its report before, where that was more than its hold, seconds..."""
    punctual: float = 0
    """...how often as long after it as the time before..."""
    irregular: float = 0
    """...and how often not."""
    gaps: tuple[float, ...] = ()
    """Seconds between its latest reports that it is on, as long as it has never gone off."""

    def went_off(self, on: float, hold: float) -> TimesOn:
        """After it has gone off, on for so long; `hold` seconds are what the plan says.

        One time alone that is too short for its hold, or for the others, tells of a message that came late.
        """
        times = (*self.times, on)[-TIMES:]
        first, *others = sorted(times)
        late = bool(others) and first < (1.0 - JITTER) * min(hold, others[0])
        return self.with_more(heard=1)._replace(times=times, shortest=others[0] if late else first)

    def with_more(self, *, heard: int = 0, lost: int = 0) -> TimesOn:
        """With so many off messages more; one that was taken to be lost may have come after all (-1)."""
        counts = (self.heard + heard, max(0.0, self.lost + lost))
        came, missed = among(counts, sum(counts))
        return self._replace(heard=came, lost=missed)

    def came_again(self, seconds: float, passed: float, punctual: bool) -> TimesOn:
        """After it said again that it is on, so many seconds after its report before, punctually or not."""
        counts = (self.punctual + punctual, self.irregular + (not punctual))
        on_time, irregular = among(counts, sum(counts))
        return self._replace(again=seconds, period=passed, punctual=on_time, irregular=irregular)


class Unprompted(NamedTuple):
    """How often a sensor could have reported by itself, and how often it did."""

    occasions: float = 0
    """Reports of a switch, an appliance, a lock (that it is locked) or a motion sensor outdoors; of a seat, e-folds of
    the time for which it was pressed each time that it let go."""
    by_itself: float = 0.0
    """Expected number of those that nobody caused."""
    since: float = -math.inf
    """Of a motion sensor outdoors, since when they are counted, epoch seconds."""

    def after(self, nobody: float, occasions: float = 1) -> Unprompted:
        """After one more report, caused by nobody with this probability, on so many occasions."""
        total = self.occasions + occasions
        return Unprompted(*among((total, self.by_itself + nobody), total))

    def in_time(self, nobody: float, begun: float, seconds: float) -> Unprompted:
        """The same of what is counted over time; the log began at `begun`, and it is now `seconds` (epoch)."""
        by_itself, since = over(self.by_itself + nobody, max(self.since, begun), seconds)
        return Unprompted(self.occasions + 1, by_itself, since)
