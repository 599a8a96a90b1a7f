"""The main loop: events in, belief and passages out.

    line of a log -> Event -> Tracker.observe -> propagate by dt -> branch and condition -> Belief, Passages

The state is one immutable `Snapshot`; an event that comes late, but within the reordering window, is put in its place
by going back to the snapshot before it and taking in the later ones again.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from datetime import datetime
from typing import TYPE_CHECKING

from presence.errors import LateEventError, SettingError, TimeError, shown
from presence.events import Event, check_event
from presence.floorplan import OFF, Floorplan
from presence.health import AT_EASE, HOLE, Monitor
from presence.kept import Kept
from presence.lost_openings import TrackerEngine
from presence.passages import Passage, told_by
from presence.permitted import check_options
from presence.reading import epoch_seconds
from presence.record import Record, next_look
from presence.settings import Settings
from presence.snapshot import Association, Belief, Counts, Snapshot
from presence.undone import undone_if_refused

if TYPE_CHECKING:
    from presence.telling import Explanation

REMEMBERED_PASSAGES = 200
"""How many answers `Tracker.passages` keeps."""
UNTAKEN_PASSAGES = 10_000


class Tracker(Kept):
    """Follows who is where in one home; calls of several threads wait for one another.

    Args:
        plan: the home.
        settings: rates and probabilities of the model.
        hypotheses: the largest number kept; None keeps all (exact, for few events: they grow severalfold with each, and
            while a sensor stays on that bears witness: an occupancy sensor, a camera).
        reordering_window: seconds by which an event may come late.
        numbering: people whom the plan cannot tell apart (no phone, tag, code, bed or hours of their own) are numbered
            in the order in which they are first noticed, so that their names stand for tracks; False leaves their
            probabilities equal.
        watching: over the sensors: `health` names those that look sick, and they count less for as long.

    Raises:
        SettingError: if `plan` is none, `hypotheses` no positive whole number or `reordering_window` no seconds.

    Example:
        >>> tracker = Tracker(Floorplan.load("plan.yaml"))  # doctest: +SKIP
        >>> tracker.observe(Event(time=now, sensor="hall_motion", value="detected"))  # doctest: +SKIP
        >>> tracker.belief.rooms["hall"]  # doctest: +SKIP
    """

    def __init__(
        self,
        plan: Floorplan,
        settings: Settings | None = None,
        *,
        hypotheses: int | None = 16,
        reordering_window: float = 2.0,
        numbering: bool = True,
        watching: bool = True,
    ) -> None:
        if not isinstance(plan, Floorplan):
            raise SettingError(f"{shown(plan)} is no floor plan; Floorplan.load() reads one from a file")
        check_options(settings, hypotheses, reordering_window)
        self.plan = plan
        self.settings = settings or Settings()
        self.reordering_window = reordering_window
        self.counts = Counts()
        self._engine = TrackerEngine(plan, self.settings, hypotheses, numbering=numbering)
        self.health = Monitor(self._engine)
        self.watching = watching
        self._snapshot: Snapshot | None = None
        self._belief: tuple[Snapshot, Belief] | None = None
        self._recent: list[tuple[float, Event | None, Snapshot]] = []
        self._record = Record()
        self._passages: tuple[Passage, ...] = ()
        self._untaken: tuple[Passage, ...] = ()
        self._started = math.inf
        self._final_until: datetime | None = None

    # --- in ----------------------------------------------------------------------------------------------------------
    def observe(self, event: Event) -> None:
        """Take in one event; belief and passages are up to date when this returns.

        Raises:
            EventError: if it is no event, or (UnknownSensorError, UnknownValueError) the plan knows no such report.
            TimeError: if the time has no offset, or its year is no year of a log.
            LateEventError: if the event is older than the reordering window.
            TooManyHypothesesError: if all are kept, and take more than 256 MB.
        """
        self.check(event)
        seconds = event.seconds
        now = seconds if self._snapshot is None else self._snapshot.seconds
        if seconds < now - self.reordering_window:
            what = f"{event.sensor} {event.value} at {event.time.isoformat()}"
            raise LateEventError.of(what, now - seconds, self.reordering_window)
        if any(at == seconds and old == event for at, old, _ in self._recent):
            self.counts.duplicates += 1
            return
        reordered = self._take_in(seconds, event)
        self.counts.observed += 1
        self.counts.reordered += reordered
        at_ease = event.value in OFF.values() and not self._known().put_back
        at_ease = at_ease and (self.health.behind or not self._engine.foresee(self._known()))
        self.health.settle(self._known().seconds - self.reordering_window, AT_EASE if at_ease else 0)

    def advance(self, now: datetime) -> None:
        """Let time pass without an event: silence is evidence too.

        Raises:
            TimeError, TooManyHypothesesError: as `observe`; a TimeError also if the time lies before the tracker's.
        """
        seconds = epoch_seconds(now)
        if self._snapshot is not None and seconds < self._snapshot.seconds:
            known = self._known().time.astimezone(now.tzinfo).isoformat()
            raise TimeError(f"{now.isoformat()} lies before the tracker's time {known}; advance() only goes forward")
        self._take_in(seconds, None)
        self.health.settle(seconds - self.reordering_window, AT_EASE)

    def check(self, event: Event) -> None:
        """Refuse an event that this home cannot have sent (see `observe`)."""
        check_event(self.plan, event)
        epoch_seconds(event.time)

    # --- out ---------------------------------------------------------------------------------------------------------
    @property
    def time(self) -> datetime | None:
        """The tracker's time: of the latest event or advance."""
        return None if self._snapshot is None else self._snapshot.time

    @property
    def belief(self) -> Belief:
        """Who is where now.

        Raises:
            TimeError: before the first event or advance.
        """
        snapshot = self._known()
        if self._belief is None or self._belief[0] is not snapshot:
            self._belief = (snapshot, self._engine.belief(snapshot))
        return self._belief[1]

    @property
    def passages(self) -> list[Passage]:
        """Recent answers about door passages, latest last."""
        return list(self._passages)

    def take_passages(self) -> list[Passage]:
        """Answers since this was last called (at most the latest 10,000)."""
        taken, self._untaken = list(self._untaken), ()
        return taken

    @property
    def association(self) -> Association | None:
        """Who caused the latest event that somebody can have caused."""
        return None if self._snapshot is None else self._snapshot.association

    @property
    def same_as_previous(self) -> float | None:
        """Probability that the being who caused the latest associated event caused the one before as well."""
        return None if self._snapshot is None else self._snapshot.same_as_previous

    @property
    def log_likelihood(self) -> float:
        """Log-likelihood of all events and silences so far, nats."""
        return self._known().mixture.log_likelihood

    @property
    def merged(self) -> float:
        """Sum of what all merges so far can have lost, in probability times squared distance (0 = exact)."""
        return self._known().mixture.merged

    def explain(self, room: str, since: datetime | None = None) -> Explanation:
        """What moved the probability that somebody is in a room; by default during the last half hour.

        Raises:
            UnexplainedError: if the plan has no such room.
            TimeError: before the first event or advance, or if `since` has no offset.
        """
        from presence.explain import explain_room

        begin = None if since is None else epoch_seconds(since)
        return explain_room(self._engine, self._record.with_latest(self._recent), self._known(), room, begin)

    def explain_passage(self, passage: Passage) -> Explanation:
        """What speaks for the likelier direction of a recent passage.

        Raises:
            UnexplainedError: if no door event that is remembered stands behind the answer.
        """
        from presence.explain import explain_passage

        return explain_passage(self._engine, self._record.with_latest(self._recent), self._known(), passage)

    # --- inside ------------------------------------------------------------------------------------------------------
    def _begin(self, seconds: float) -> None:
        """Nothing is known before the earliest instant."""
        begin, self._started = self._engine.start(seconds), seconds
        self.health.begin(begin)
        self._snapshot = begin

    def _known(self) -> Snapshot:
        if self._snapshot is None:
            raise TimeError("nothing is known before the first event; call observe() or advance() first")
        return self._snapshot

    def _take_in(self, seconds: float, event: Event | None) -> bool:
        """Take in an event, or that time has passed, then what came later once more: all of it, or nothing."""
        if self._snapshot is None:
            with undone_if_refused(self, self.health):
                self._begin(seconds)
                return self._take_in(seconds, event)
        now = self._snapshot.seconds
        if seconds >= now:  # a look at the sensors is a step of its own
            self._look_after(seconds)
        self.health.settle(max(now, seconds) - self.reordering_window, 0 if seconds >= now else math.inf)
        with undone_if_refused(self, self._record, self.health):  # what the watches have counted would not be
            later = self._go_back(seconds)
            for at, each in ((seconds, event), *later):
                if later:  # else it has been done above
                    self._look_after(at)
                if each is not None:
                    self._take(each)
                elif at > self._known().seconds or not self._recent:
                    self._pass_time(at)
            self._trim(self._known().seconds)
            self._final_until = self._known().time
        return bool(later)

    def _go_back(self, seconds: float) -> list[tuple[float, Event | None]]:
        """Return to the snapshot before everything later than an instant; what is to be taken in again."""
        self.health.go_back(seconds)
        position = bisect_right([at for at, _, _ in self._recent], seconds)
        later = self._recent[position:]
        if seconds < self._started:
            self._begin(seconds)
        elif later:
            self._snapshot = later[0][2]
        del self._recent[position:]
        return [(at, event) for at, event, _ in later]

    def _trim(self, seconds: float) -> None:
        """Drop the snapshots that no event may go back to any more at an instant."""
        while self._recent and self._recent[0][0] < seconds - self.reordering_window:
            self._record.add(*self._recent.pop(0))

    def _take(self, event: Event) -> None:
        before = self._known()
        quiet, told = self._engine.advance(before, event.seconds)
        self._snapshot, more = self._engine.observe(self._heed(quiet, event.sensor), event)
        if self.watching:
            self.health.note(quiet, self._snapshot, event)
        self._recent.append((event.seconds, event, before))
        self._tell([*told, *more])

    def _look_after(self, seconds: float) -> None:
        """While a sensor is suspected, look at it, at set instants: it does not matter how often anybody asks."""
        recent = (at for at, event, _ in reversed(self._recent) if event is not None)
        heard = next(recent, max(self._started, self._record.heard))
        look = next_look(self._known().seconds, heard)
        while self.watching and look <= min(seconds, heard + HOLE):
            self.health.settle(look - self.reordering_window, 0)
            if self.health.suspecting:
                with undone_if_refused(self, self._record, self.health):
                    quiet = self._pass_time(look)
                    self._snapshot = self._heed(quiet)
                    self.health.note(quiet, self._snapshot)
                    self._trim(look)
            look = next_look(look, heard)

    def _pass_time(self, seconds: float) -> Snapshot:
        before = self._known()
        self._snapshot, told = self._engine.advance(before, seconds)
        self._recent.append((seconds, None, before))
        self._tell(told)
        return self._snapshot

    def _heed(self, snapshot: Snapshot, heard: str | None = None) -> Snapshot:
        """Let sick sensors count less; one that has just been heard is not silent."""
        if not self.watching:
            return snapshot
        self.health.settle(snapshot.seconds - self.reordering_window, 0)
        return self._engine.heed(snapshot, self.health.silent - {heard}, self.health.noise)

    def _tell(self, passages: list[Passage]) -> None:
        """Remember answers, but not final ones that were told before a late event made us take them in again."""
        until = self._final_until
        if told := [p for p in passages if until is None or not told_by(until, p, self._passages)]:
            self._passages = (*self._passages, *told)[-REMEMBERED_PASSAGES:]
            self._untaken = (*self._untaken, *told)[-UNTAKEN_PASSAGES:]
