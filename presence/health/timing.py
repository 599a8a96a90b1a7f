"""Sensors whose reports do not fit in time or place with their neighbours': a wrong clock, or two labels exchanged.

Who walks through a home sets off neighbouring sensors within seconds. So a sensor's reports coincide with those of its
neighbours much more often than with others', and more often at lag zero than at any other. Both tests look at the
latest days of "on" reports, once a day; reports come in clusters, so evidence is counted at half its face value.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left
from datetime import datetime
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from presence.errors import counted
from presence.floorplan import ON_VALUES, Floorplan
from presence.health.findings import NAMED, Finding, Watch
from presence.health.odds import probability
from presence.health.step import Step, neighbours, sensor_rooms
from presence.times import duration, utc

Array = NDArray[np.float64]
IndexArray = NDArray[np.intp]

EVERY = 86400.0
"""Seconds between two looks."""
DAYS = 7.0
"""Days of reports that are looked at."""
LATEST = 400
"""Reports of one sensor that are looked at for its clock."""
LEAST = 30
"""Reports below which nothing is said."""
CLOSE = 15.0
"""Seconds within which two reports coincide. Common practice, no source."""
VISIT = 120.0
"""Seconds within which reports of one sensor belong to one visit, which counts once: an hour's work in one room, laid
over an hour's work next door of another time of day, is no coincidence sixty times. Common practice, no source."""
FINE, COARSE = 10.0 * np.arange(-90, 91), 20.0 * np.arange(-180, 181)
ZONES = 900.0 * np.arange(-96, 97)
LAGS = np.unique(np.concatenate([FINE, COARSE, ZONES]))
"""Seconds that a clock is tried ahead: an hour in steps, and by time zones, which differ by quarters of an hour, up to
a day."""
AHEAD = 60.0
"""Seconds: a clock that is off by less is not noticed."""
CLUSTERED = 2.0
"""Reports that tell as much as one by itself."""
CLOCK_PRIOR, SWAP_PRIOR = math.log(1e-3), math.log(1e-3)
"""One clock in a thousand is off, one sensor in a thousand exchanged. Common practice, no source."""
FAR = 3
"""Rooms apart from which on it makes no difference."""
SWAPPED = ("motion", "occupancy")
"""Kinds whose labels are tried in each other's place."""


class TimingWatch(Watch):
    """Watches for wrong clocks and exchanged labels.

    Args:
        plan: the home.
        seconds: when watching begins.
    """

    def __init__(self, plan: Floorplan, seconds: float) -> None:
        super().__init__(plan)
        self._neighbours = neighbours(plan)
        self._apart = rooms_apart(plan)
        self._times, self._who = array("d"), array("l")  # of the reports, a few bytes each
        self._look_at = seconds + EVERY

    def take(self, step: Step) -> list[Finding]:
        """Take in one step; findings that a new look no longer bears out."""
        over: list[Finding] = []
        if step.seconds >= self._look_at:
            over = self._look(step.seconds)
            self._look_at = step.seconds + EVERY
        if step.sensor is not None and step.value in ON_VALUES:
            self._times.append(step.seconds)
            self._who.append(self.index[step.sensor])
        return over

    def _look(self, seconds: float) -> list[Finding]:
        gone = bisect_left(self._times, seconds - DAYS * 86400.0)
        del self._times[:gone], self._who[:gone]
        times, who = np.array(self._times), np.array(self._who, dtype=np.intp)
        found: dict[str, Finding] = {}
        while (finding := self._worst_clock(times, who)) is not None:  # without it the others may well be right
            found[finding.sensor] = finding
            kept = who != self.index[finding.sensor]
            times, who = times[kept], who[kept]
        for finding in self._exchanged(times, who):
            found.setdefault(finding.sensor, finding)
        before, self.named = self.named, {}
        for sensor, finding in found.items():
            old = before.get(sensor)
            self.named[sensor] = old if old is not None and old.kind == finding.kind else finding
        return [finding for sensor, finding in before.items() if sensor not in found]

    # --- clocks -----------------------------------------------------------------------------------------------------
    def _worst_clock(self, times: Array, who: IndexArray) -> Finding | None:
        """By log odds: probabilities are capped, and whose neighbour's clock is wrong looks wrong, too."""
        found = [odd for n in range(len(self.sensors)) if (odd := self._clock(n, times, who)) is not None]
        return max(found, key=lambda odd: odd[0])[1] if found else None

    def _clock(self, n: int, times: Array, who: IndexArray) -> tuple[float, Finding] | None:
        own = visits(times[who == n])[-LATEST:]
        near = times[np.isin(who, self._neighbours[n])]
        if len(own) < LEAST or len(near) < LEAST:
            return None
        shares = coincidences(own, near, LAGS)
        lag = best_lag(shares, len(own))
        if lag.log_odds < NAMED:
            return None
        way = "ahead" if lag.seconds > 0 else "behind"
        evidence = (
            f"Its reports fit those of its neighbours if its clock is {_precisely(abs(lag.seconds))} {way}:"
            f" {100 * lag.share:.0f} % of {counted(len(own), 'visit')} then begin within {CLOSE:.0f} s of one,"
            f" instead of {100 * lag.at_zero:.0f} %."
        )
        finding = Finding(self.sensors[n], "clock", probability(lag.log_odds), utc(float(own[0])), evidence)
        return lag.log_odds, finding

    # --- places -----------------------------------------------------------------------------------------------------
    def _exchanged(self, times: Array, who: IndexArray) -> list[Finding]:
        """Pairs whose reports fit better in each other's place, best first, each sensor once."""
        count = len(self.sensors)
        pairs = np.zeros((count, count))
        next_door = (np.diff(times) < CLOSE) & (who[1:] != who[:-1])
        np.add.at(pairs, (who[:-1][next_door], who[1:][next_door]), 1.0)
        pairs += pairs.T
        gains = exchange_gains(pairs, self._apart)
        found: list[Finding] = []
        taken: set[int] = set()
        for flat in np.argsort(-gains, axis=None, kind="stable"):
            a, b = divmod(int(flat), count)
            log_odds = float(gains[a, b]) / CLUSTERED + SWAP_PRIOR
            if log_odds < NAMED:
                break
            if a < b and not taken & {a, b} and self.kinds[a] == self.kinds[b] and self.kinds[a] in SWAPPED:
                taken |= {a, b}
                since = utc(float(times[0]))
                found += [self._misplaced(x, y, since, log_odds, pairs) for x, y in ((a, b), (b, a))]
        return found

    def _misplaced(self, a: int, b: int, since: datetime, log_odds: float, pairs: Array) -> Finding:
        busiest = [self.sensors[n] for n in np.argsort(-pairs[a], kind="stable")[:2] if pairs[a, n] > 0]
        evidence = (
            f"Its reports come right before or after those of {' and '.join(busiest)}, as if it hung where"
            f" {self.sensors[b]} is said to be, and the other way round: are the two exchanged?"
        )
        return Finding(self.sensors[a], "misplaced", probability(log_odds), since, evidence)


def visits(times: Array) -> Array:
    """Those of some times (sorted) that come longer than `VISIT` after the one before."""
    return times[np.diff(times, prepend=-np.inf) > VISIT]


class Lag(NamedTuple):
    """The lag at which a sensor's reports fit best."""

    seconds: float
    log_odds: float
    share: float
    at_zero: float


def coincidences(own: Array, near: Array, lags: Array) -> Array:
    """Share of the times `own` that have one of `near` (sorted) close by once a lag is taken off, for each lag."""
    moved = own[None, :] - lags[:, None]
    after = np.searchsorted(near, moved)
    distance = np.minimum(
        np.abs(moved - near[np.minimum(after, len(near) - 1)]), np.abs(moved - near[np.maximum(after - 1, 0)])
    )
    return np.asarray((distance < CLOSE).mean(axis=1), np.float64)


def best_lag(shares: Array, count: int) -> Lag:
    """The best lag, and the log odds that the clock is off by it (Bernoulli trials against no lag)."""
    allowed = np.abs(LAGS) >= AHEAD
    best = int(np.argmax(np.where(allowed, shares, -1.0)))
    share, at_zero = float(shares[best]), float(shares[np.abs(LAGS) < AHEAD].max())
    high, low = (min(max(p, 0.01), 0.99) for p in (share, float(np.median(shares))))
    worth = math.log(high / (1 - high)) - math.log(low / (1 - low))
    gain = count * (share - at_zero) * max(worth, 0.0)
    log_odds = gain / CLUSTERED + CLOCK_PRIOR - math.log(int(allowed.sum()))
    return Lag(float(LAGS[best]), log_odds, share, at_zero)


def exchange_gains(pairs: Array, apart: IndexArray) -> Array:
    """Gain in log-likelihood from exchanging the labels of each two of N sensors, shape (N, N).

    Given that a report of sensor i comes next to one of another sensor, that is j with probability proportional to
    `pairs[j].sum() * closeness[apart[i, j]]`; the closeness by rooms apart is the home's own, falling with distance.

    Args:
        pairs: shape (N, N), symmetric: how often reports of two sensors came next to each other.
        apart: shape (N, N): rooms between them.
    """
    count, total = len(pairs), pairs.sum(axis=1)
    chances = np.outer(total, total) / max(float(total.sum()), 1.0)
    np.fill_diagonal(chances, 0.0)
    levels = range(FAR + 1)
    rate = np.array([(pairs[apart == d].sum() + 0.5) / (chances[apart == d].sum() + 1.0) for d in levels])
    closeness = np.maximum.accumulate(rate[::-1])[::-1][apart]

    def fit(place: IndexArray) -> float:
        """Log-likelihood of everybody's neighbours when the sensors hang in these places."""
        near = closeness[np.ix_(place, place)]
        scale = (near * total).sum(axis=1) - near.diagonal() * total
        told = (pairs * np.log(near)).sum() - (total * np.log(np.maximum(scale, 1e-300))).sum()
        return 0.5 * float(told)  # each pair is counted from both sides

    here = np.arange(count)
    now, gains = fit(here), np.zeros((count, count))
    for a in range(count):
        for b in range(a):
            if total[a] >= LEAST and total[b] >= LEAST:
                place = here.copy()
                place[[a, b]] = b, a
                gains[a, b] = gains[b, a] = fit(place) - now
    return gains


def rooms_apart(plan: Floorplan) -> IndexArray:
    """How many doors lie between each two sensors, at most `FAR`; shape (N, N)."""
    import networkx

    steps = dict(networkx.all_pairs_shortest_path_length(plan.graph))
    rooms = sensor_rooms(plan)
    apart = np.full((len(rooms), len(rooms)), FAR, dtype=np.intp)
    for n, here in enumerate(rooms):
        for m, there in enumerate(rooms):
            apart[n, m] = min([FAR, *(steps[a].get(b, FAR) for a in here for b in there)])
    return apart


def _precisely(seconds: float) -> str:
    """A clock is set by the second, as long as it is not hours out."""
    return f"{seconds:.0f} s" if seconds < 600 else duration(seconds)
