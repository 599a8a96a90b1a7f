"""Weights of evidence added up and put into words: what an explanation holds."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from presence.floorplan import ON_VALUES, Floorplan, Sensor
from presence.lingering import moved_since
from presence.record import Piece
from presence.stories import Story
from presence.times import duration, utc
from presence.wording import LINGERED, STILL, clock, due_text, event_text, likeliest

DECIBANS = 10 / math.log(10)
"""Per nat."""
SMALL = 0.5
"""Decibans below which evidence is told in one sum."""
MOST_TOLD = 12
NO_WEIGHT = 1e-9
"""Decibans times nats up to which the silence of a room's own sensors speaks for nothing: they are on, or offline."""

Key = tuple[str, int | str]
Apart = Callable[[Piece], list[float]]
"""Log odds of the claim, nats, after a silence with the first group heard, with each other in addition, all heard."""


class Part(NamedTuple):
    """A part of a silence: which sensors are heard to say nothing, and what that is called."""

    text: str
    sensors: Sequence[Sensor]
    """Empty for the last (all other sensors)."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Something that happened, or did not, and what it says of the claim."""

    kind: str
    """`event`, `quiet` (a silence), `report` (one that still holds), `time` (nothing but that), `smaller` (a sum)."""
    text: str
    begin: datetime
    end: datetime
    decibans: float
    """10 log10 of the factor on the odds of the claim; positive speaks for it."""
    people: Mapping[str, float] = field(default_factory=dict)
    """For an event: who caused it (the latest of them), `nobody` left out."""
    count: int = 1
    """How many events, or smaller things, these are."""
    parts: Mapping[str, float] = field(default_factory=dict)
    """For a silence told as one: the decibans of its parts, which add up to `decibans`."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """What moved the probability of a claim, and the hypotheses behind it."""

    claim: str
    """In words: `somebody in the kitchen`."""
    room: str | None
    """The room that the claim is about..."""
    door: str | None
    direction: str | None
    """...or the door, and the direction `a>b` of a passage through it."""
    begin: datetime
    time: datetime
    before: float
    """Probability of the claim at the beginning of the stretch that is told..."""
    probability: float
    """...and at its end."""
    decibans: float
    """Log odds at the end less those at the beginning: the sum of the weights."""
    evidence: tuple[Evidence, ...]
    """Heaviest first."""
    stories: tuple[Story, ...]
    """The heaviest hypotheses at the end."""
    pieces: int = 0
    """Events, silences and lasting reports that were weighed."""

    def text(self) -> str:
        """The explanation as lines for a person to read."""
        lines = [f"{self.claim}: {self.before:.3f} -> {self.probability:.3f} ({self.decibans:+.1f} dB)"]
        lines += [f"  {e.decibans:+6.1f} dB  {e.text}" for e in self.evidence if abs(e.decibans) >= 0.05]
        return "\n".join([*lines, *(f"  {story.weight:6.0%}  {story.text}" for story in self.stories)])


@dataclass(slots=True)
class _Told:
    """Evidence of one kind while it is being added up."""

    kind: str
    text: str
    begin: float
    end: float
    nats: float = 0.0
    seconds: float = 0.0
    count: int = 0
    people: Mapping[str, float] = field(default_factory=dict)
    silences: list[tuple[Piece, float]] = field(default_factory=list)
    """Of a silence told as one: its pieces, and the log odds before each."""


@dataclass(slots=True)
class Telling:
    """Adds up evidence of the same kind; a silence of some sensors ends where one of them speaks."""

    plan: Floorplan
    parts: Sequence[Part]
    """Of a silence of which a room is told: each group of sensors (its own first), all others."""
    first: float
    """Log odds at the beginning, nats."""
    apart: Apart | None = None
    """Takes a silence apart, where there are parts."""
    door_event: float | None = None
    """When it was, epoch seconds, where a passage is explained."""
    latest: float = field(init=False)
    _told: dict[Key, _Told] = field(default_factory=dict)
    _spoken: int = 0
    """How often the first group of sensors has spoken."""
    _after: str = ""
    """What was heard last."""

    def __post_init__(self) -> None:
        self.latest = self.first

    def time_alone(self, begin: float, end: float, log_odds: float) -> None:
        """Time goes by with nothing heard, after which the log odds are these."""
        self._add(("time", ""), "time", "people move on", begin, end, log_odds)

    def piece(self, piece: Piece, log_odds: float) -> None:
        """Add a piece; a silence is told as that of the first group of sensors, to be taken apart if it weighs much."""
        if piece.what != "silence":
            self.whole(piece, log_odds)
            return
        begin, end = piece.before.seconds, piece.after.seconds
        before = self.latest
        told = self._add(("quiet", self._spoken), "quiet", self.parts[0].text, begin, end, log_odds)
        told.silences.append((piece, before))

    def whole(self, piece: Piece, log_odds: float) -> None:
        """Add a piece as it is, after which the log odds are these."""
        begin, end = piece.before.seconds, piece.after.seconds
        if piece.what == "silence":
            self._add(("silence", str(begin)), "quiet", f"nothing else{self._after}", begin, end, log_odds)
            return
        assert piece.sensor is not None
        sensor, event = self.plan.sensors[piece.sensor], piece.event
        if event is None:
            text = due_text(self.plan, piece.what, sensor, piece.before.reports)
            self._add((sensor.id, piece.what), "report", text, end, end, log_odds)
            return
        off = None
        if (sensor.kind, event.value) == ("motion", "clear") and _is_evidence(piece):
            off = STILL if moved_since(self.plan, piece.before, sensor) is None else LINGERED
        text = event_text(self.plan, event, off)
        self._after = f" after {text}"
        if event.value in ON_VALUES:  # these end a silence of their group of sensors
            self._spoken += bool(self.parts) and sensor in self.parts[0].sensors
        what = off or event.value
        told = self._add((f"{sensor.id} {self._side(end)}", what), "event", text, end, end, log_odds)
        who = piece.after.association
        if who is not None and who.sensor == sensor.id:
            told.people = who.people

    def _side(self, seconds: float) -> int:
        """Before (-1), at (0) or after (1) the door event; 0 where there is none."""
        return 0 if self.door_event is None else (seconds > self.door_event) - (seconds < self.door_event)

    def _add(self, key: Key, kind: str, text: str, begin: float, end: float, log_odds: float) -> _Told:
        told = self._told.setdefault(key, _Told(kind, text, begin, end))
        told.nats += log_odds - self.latest
        told.seconds += end - begin
        told.end, told.count = end, told.count + 1
        self.latest = log_odds
        return told

    # --- out ---------------------------------------------------------------------------------------------------------
    def explanation(
        self,
        claim: str,
        begin: float,
        end: float,
        behind: tuple[Story, ...],
        *,
        room: str | None = None,
        door: str | None = None,
        direction: str | None = None,
    ) -> Explanation:
        """All that was added up, of a claim about a room or about the direction of a passage."""
        before, after = (1 / (1 + math.exp(-nats)) for nats in (self.first, self.latest))
        total = (self.latest - self.first) * DECIBANS
        pieces = sum(told.count for told in self._told.values())
        return Explanation(
            claim, room, door, direction, utc(begin), utc(end), before, after, total, self.evidence(), behind, pieces
        )

    def evidence(self) -> tuple[Evidence, ...]:
        """The heaviest first; what is small in one sum."""
        ranked = sorted(self._told.values(), key=lambda told: -abs(told.nats))
        many = next((n for n, told in enumerate(ranked) if n == MOST_TOLD or abs(told.nats) * DECIBANS < SMALL), None)
        heavy, small = ranked[:many], [told for told in ranked[len(ranked[:many]) :] if told.nats != 0.0]
        found = [self._evidence(told) for told in heavy]
        if small:
            begin, end = min(told.begin for told in small), max(told.end for told in small)
            nats = math.fsum(told.nats for told in small)
            text = f"{len(small)} smaller thing{'s' if len(small) > 1 else ''}"
            found.append(Evidence("smaller", text, utc(begin), utc(end), nats * DECIBANS, count=len(small)))
        return tuple(found)

    def _evidence(self, told: _Told) -> Evidence:
        count = told.count if told.kind in ("event", "report") else 1
        parts = self._parts(told)
        text, decibans = self._text(told, parts), told.nats * DECIBANS
        return Evidence(told.kind, text, utc(told.begin), utc(told.end), decibans, told.people, count, parts)

    def _parts(self, told: _Told) -> dict[str, float]:
        """Decibans of the parts of a silence told as one."""
        parts: dict[str, float] = {}
        for piece, before in told.silences:
            assert self.apart is not None
            for part, log_odds in zip(self.parts, self.apart(piece), strict=True):
                parts[part.text] = parts.get(part.text, 0.0) + (log_odds - before) * DECIBANS
                before = log_odds
        return parts

    def _text(self, told: _Told, parts: Mapping[str, float]) -> str:
        """With when or how long, and who it was where that stands out."""
        if told.kind == "time":
            return f"{told.text} in {duration(told.seconds)}"
        if told.kind == "quiet":
            speaks = not parts or told.nats * parts[told.text] > NO_WEIGHT
            main = "" if speaks else max(parts, key=lambda name: parts[name] * told.nats)
            return f"{told.text} for {duration(told.seconds)}" + (f" (mainly: {main})" if main else "")
        when = f"at {clock(self.plan, utc(told.end))}"
        if self.door_event is not None:
            apart = duration(abs(told.end - self.door_event))
            when = f"{apart} {'before' if told.end <= self.door_event else 'after'}"
        if told.count > 1:
            when = f"{'twice' if told.count == 2 else f'{told.count} times'}, the last {when}"
        who = likeliest(self.plan, told.people)
        return f"{told.text} {when}" + (f" ({who})" if who else "")


def _is_evidence(piece: Piece) -> bool:
    """Whether the belief took a report as evidence: then it had a likelihood."""
    return piece.after.mixture.log_likelihood != piece.before.mixture.log_likelihood
