"""A door is told to be shut that was not open: its opening was lost, maybe before what came just before the closing.

Somebody comes home, the hall's sensor sees them, they shut the door: where the first report is lost, the other two
look like somebody at home who walks into the hall and leaves. How long a door stands open in one move is known
(`unprompted.pulled_shut_rate`), so each silence of late is as likely to hold the opening as it is long, the nearer the
likelier. For each but the last the belief of that instant is taken up again (as in `retaken`): somebody passes
unreported, and what has come since is taken in once more. All of them and the last, in which the door was opened and
shut with nothing between, are weighed against each other.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from presence.events import Event
from presence.hypotheses import Way, either
from presence.merging import Mixture
from presence.passages import tracks
from presence.retaken import LiveEngine
from presence.snapshot import Association, Snapshot, replace

DELAYS = 3.0
"""Times `door_pulled_shut_delay` that is looked back: seven in eight doors have been shut by then."""


class TrackerEngine(LiveEngine):
    """The inference of a tracker."""

    @property
    def looks_back(self) -> float:
        """Seconds of which the latest events are kept in any case: within them a door may have been opened unheard."""
        return DELAYS * self.settings.door_pulled_shut_delay if self.plan.contacts else 0.0

    def _passed(
        self, snapshot: Snapshot, event: Event, ways: list[Way], by_itself: float, accepting: tuple[int, ...]
    ) -> Snapshot:
        """Somebody passes a door as it is opened; or has passed it shortly before it was shut, its opening lost."""
        earlier = self._opened_before(snapshot, event, ways)
        if not earlier:
            return super()._passed(snapshot, event, ways, by_itself, accepting)
        share = 1.0 - sum(share for share, _ in earlier)
        now = super()._passed(snapshot, event, _scaled(ways, share), by_itself, accepting)
        return self._either([now, *(passed for _, passed in earlier)])

    def _opened_before(self, snapshot: Snapshot, event: Event, ways: list[Way]) -> list[tuple[float, Snapshot]]:
        """What is known now if a door was opened before one of the latest events, and how likely it was then."""
        lately, door = snapshot.lately, str(self.plan.sensors[event.sensor].door)
        if not (self.most and self.names) or event.value != "closed" or snapshot.doors[door].given_up:
            return []
        oldest = snapshot.seconds - self.looks_back
        first = next((n for n, taken in enumerate(lately) if taken.at >= oldest), len(lately))
        doors = [n for n, taken in enumerate(lately) if self.plan.sensors[taken.event.sensor].door is not None]
        begin = max(first, 1, *(door + 1 for door in doors))
        found = []
        for n in range(begin, len(lately)):
            share = self._still_open(snapshot, lately[n].at)
            share -= self._still_open(snapshot, lately[n - 1].at) if n > begin else 0.0
            if share <= 0.0:  # they came at the same instant: nothing can have been opened between them
                continue
            passed = self._passed_before(snapshot, n, event, _scaled(ways, share))
            if passed is not None:
                found.append((share, passed))
        return found

    def _still_open(self, snapshot: Snapshot, opened: float) -> float:
        """Probability that a door that is opened and shut in one move is not shut before now: `2 ** (-age / delay)`."""
        return float(2.0 ** -((snapshot.seconds - opened) / self.settings.door_pulled_shut_delay))

    def _passed_before(self, snapshot: Snapshot, n: int, event: Event, ways: list[Way]) -> Snapshot | None:
        """What is known now if somebody passed a door unreported just before the n-th of the latest events.

        None if that is not to be compared: habits have changed since, or other passages are followed.
        """
        known = snapshot.lately[n - 1].known
        assert known is not None
        then, _ = self.advance(known, snapshot.lately[n].at)
        then = self._open_window(then, str(self.plan.sensors[event.sensor].door))
        then = replace(then, windows=(*then.windows[:-1], snapshot.windows[-1]))
        then = self._branch(replace(then, noise={}), event, ways, 0.0, (len(then.windows) - 1,))
        then, caused = replace(then, noise=known.noise), then.association
        then = self._retake(then, snapshot.lately[:n], snapshot.lately[n:], snapshot.seconds)
        then = replace(then, association=caused)
        return then if _of_what(then) == _of_what(snapshot) else None

    def _either(self, stories: Sequence[Snapshot]) -> Snapshot:
        """What is known if one of several stories is true, of the same reports up to now."""
        mixture = self._mixed(stories)
        told = [story.association for story in stories]
        weight = np.exp([story.mixture.log_likelihood - mixture.log_likelihood for story in stories]).tolist()
        first = stories[0]
        assert first.association is not None
        people = {name: sum(w * t.people[name] for w, t in zip(weight, told, strict=True) if t) for name in self.names}
        nobody = max(0.0, 1.0 - sum(people.values()))
        caused: Association = dataclasses.replace(first.association, people=people, nobody=nobody)
        holders = {**first.holders, caused.sensor: caused}
        return replace(first, mixture=mixture, association=caused, holders=holders)

    def _mixed(self, stories: Sequence[Snapshot]) -> Mixture:
        """The hypotheses of all stories."""
        return either([story.mixture for story in stories], self.most)


def _scaled(ways: list[Way], share: float) -> list[Way]:
    """The same ways, at a share of their rates."""
    return [way._replace(rates=way.rates * share) for way in ways]


def _of_what(snapshot: Snapshot) -> tuple[object, ...]:
    """Of what the hypotheses are: only those of the same can be put together."""
    windows = [(window.seconds, window.door, window.beyond) for window in snapshot.windows]
    return snapshot.hours, windows, tracks(snapshot.windows), snapshot.noted, snapshot.silent, snapshot.noise
