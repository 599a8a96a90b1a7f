"""Explanations over a whole log, beside the answers of a replay."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta

from presence.errors import UnexplainedError
from presence.explain import STRETCH
from presence.passages import Passage
from presence.snapshot import Association, Belief
from presence.telling import Explanation
from presence.tracker import Tracker

Line = Belief | Passage | Association | Explanation
"""What a replay tells."""

ORDINARY = 150
"""Pieces of the past that a reason weighs without more effort than others."""


def effort(reason: Explanation) -> float:
    """How much work a reason was, in ordinary ones: where sensors chatter, thousands of events are weighed for each."""
    return max(1.0, reason.pieces / ORDINARY)


@dataclass(slots=True)
class Allowance:
    """How many reasons may still be told, by their `effort`."""

    left: float = math.inf


class Explainer:
    """Adds reasons to the lines of a replay: where a room's answer changes sides, and where a passage is final."""

    def __init__(self, tracker: Tracker, allowance: Allowance) -> None:
        self.tracker = tracker
        self.allowance = allowance
        self._told: dict[str, tuple[bool, datetime]] = {}
        """For each room: whether it was last told as occupied, and when that was first told."""

    def after(self, lines: Iterable[Line]) -> Iterator[Line]:
        """Each line, and the reasons behind it after it."""
        for line in lines:
            yield line
            for reason in self._reasons(line) if self.allowance.left > 0 else ():
                self.allowance.left -= effort(reason)
                yield reason

    def _reasons(self, line: Line) -> Iterator[Explanation]:
        if isinstance(line, Belief):
            yield from self._changes(line)
        elif isinstance(line, Passage) and line.final and not line.inferred:
            with suppress(UnexplainedError):  # closings are answered, but have no evidence of their own
                yield self.tracker.explain_passage(line)

    def _changes(self, belief: Belief) -> Iterator[Explanation]:
        for room, p in belief.rooms.items():
            occupied, since = self._told.get(room, (p >= 0.5, belief.time))
            if occupied == (p >= 0.5):
                self._told.setdefault(room, (occupied, since))
                continue
            self._told[room] = (p >= 0.5, belief.time)
            yield self.tracker.explain(room, max(since, belief.time - timedelta(seconds=STRETCH)))
