"""Which way through a door: windows that open at a door event, are read at once, and are final when they close.

Each hypothesis carries a label distribution for every open window: nobody passed, or who passed which way. Evidence
that comes later reweighs the hypotheses and so the labels: an exact fixed-lag smoother for one variable. While it
is open whether somebody has passed at all, the label is part of each being's distribution (`first_passage`).
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from presence import first_passage
from presence.display import Shown
from presence.floorplan import Floorplan
from presence.merging import Mixture
from presence.times import utc

Array = NDArray[np.float64]

SURE_MOVE = 0.6
"""Belief in a place before and after from which an unreported passage is told at all."""
INFERRED_LIMIT = 0.95
"""An inferred passage is never claimed with certainty..."""
INFERRED_OTHER_WAY = 0.1
"""...and this share of the rest goes to the other direction. Common practice, no source."""


UNTOLD = -1
"""Stands for the likeliest answer of a window that has not been told."""


@dataclass(frozen=True, slots=True)
class Passage(Shown):
    """Which way somebody went through a door; the two directions and `nobody` sum to 1."""

    time: datetime
    """Of the door event."""
    decided: datetime
    """When this answer was given."""
    door: str
    directions: Mapping[str, float]
    """`a>b` and `b>a`: probability that somebody passed that way."""
    nobody: float
    people: Mapping[str, float]
    """Probability that it was this resident, visitor or pet."""
    final: bool
    inferred: bool = False
    """True where no sensor of the door spoke: the belief moved from one room to the next."""
    plan: Floorplan | None = field(default=None, repr=False, compare=False)
    """The home, for pictures."""

    @property
    def about(self) -> Hashable:
        """What it answers: the same for all answers about one door event, or about one person's unreported move."""
        return self.time, self.door, self.inferred, tuple(self.people) if self.inferred else ()

    @property
    def likeliest(self) -> str:
        """The likelier direction."""
        return max(self.directions, key=lambda way: self.directions[way])


@dataclass(frozen=True, slots=True)
class Window:
    """A door event whose direction is still open to evidence."""

    seconds: float
    """Of the door event, epoch seconds."""
    door: str
    due: float
    """When it closes, epoch seconds."""
    accepting: bool
    """A later passage through the still open door settles it."""
    told: int = UNTOLD
    """The likeliest label when it was last told."""
    tracked: bool = False
    """Whether its label is part of each being's distribution, because people may pass it unreported."""
    beyond: bool = False
    """Whether it is about passages beyond the first, as told when the door was closed."""


def read_label(
    plan: Floorplan, window: Window, label: Array, names: Sequence[str], now: float, *, final: bool
) -> Passage:
    """A passage's answer from its label distribution: nobody, each being forth, each being back. Shape (1 + 2 P,)."""
    persons = len(names)
    first, second = plan.doors[window.door].between
    label = np.maximum(label, 0.0) / np.maximum(label, 0.0).sum()
    forth, back = label[1 : 1 + persons], label[1 + persons :]
    directions = {f"{first}>{second}": float(forth.sum()), f"{second}>{first}": float(back.sum())}
    who = {name: float(p) for name, p in zip(names, forth + back, strict=True)}
    nobody = max(0.0, 1.0 - sum(directions.values()))
    return Passage(utc(window.seconds), utc(now), window.door, directions, nobody, who, final, plan=plan)


def tracks(windows: Sequence[Window]) -> list[int]:
    """Indices of the tracked windows, in the order of their tracks."""
    return [i for i, window in enumerate(windows) if window.tracked]


def labels_of(mixture: Mixture, windows: Sequence[Window], index: int) -> Array:
    """Each hypothesis' label distribution of a window, shape (K, 1 + 2 P)."""
    if not windows[index].tracked:
        return np.ascontiguousarray(mixture.labels[:, index])  # a pickle restores no strides, and they decide digits
    return first_passage.label(mixture.x, mixture.tracks[:, :, tracks(windows).index(index)])


def stop_accepting(windows: Sequence[Window], door: str) -> tuple[Window, ...]:
    """Windows after a door has closed: later passages are no longer theirs."""
    return tuple(replace(w, accepting=False) if w.door == door and w.accepting else w for w in windows)


def as_told(windows: Sequence[Window], before: Sequence[Window]) -> tuple[Window, ...]:
    """Windows of events that were taken in once more, with what was told of them before: now nothing was.

    One that was not there before was told as a closing by which nobody passed.
    """
    told = {(w.seconds, w.door, w.beyond): w.told for w in before}
    return tuple(replace(w, told=told.get((w.seconds, w.door, w.beyond), 0)) for w in windows)


def told_by(until: datetime, passage: Passage, told: Sequence[Passage]) -> bool:
    """Whether a final answer is one of those told by an instant: a late event has had its own taken in once more.

    An inferred passage may turn out to be another then: of somebody else, or the other way.
    """
    if not passage.final or passage.decided > until:
        return False
    return not passage.inferred or any(p.about == passage.about and p.likeliest == passage.likeliest for p in told)


def inferred_passages(
    plan: Floorplan, names: Sequence[str], before: Array, after: Array, now: float, spoken: str | None = None
) -> Iterator[Passage]:
    """Passages through doors without sensors, where the belief about somebody moved from one room to another.

    Args:
        plan: the home.
        names: the P beings that are told.
        before: shape (P, R), room probabilities before the event.
        after: shape (P, R), and after it.
        now: epoch seconds.
        spoken: the door whose sensor has told of the move: whoever passed between its rooms passed there.
    """
    rooms = list(plan.rooms)
    for name, old, new in zip(names, before, after, strict=True):
        a, b = int(old.argmax()), int(new.argmax())
        if a != b and min(old[a], new[b]) >= SURE_MOVE:
            yield from _inferred_ways(plan, name, rooms[a], rooms[b], float(old[a] * new[b]), now, spoken)


def _inferred_ways(
    plan: Floorplan, name: str, start: str, end: str, sure: float, now: float, spoken: str | None
) -> Iterator[Passage]:
    """Passages of one being through the doors without sensors on the shortest ways between two rooms.

    Each step is as `sure` as the whole. Of several ways as short each is as likely.
    """
    import networkx

    told = {plan.doors[spoken].between, plan.doors[spoken].between[::-1]} if spoken else set()
    watched = {s.door for s in plan.sensors.values() if s.door is not None}
    gone, left = (networkx.single_source_shortest_path_length(plan.graph, room) for room in (start, end))
    begun, ended = _ways(plan, gone), _ways(plan, left)
    sure = min(INFERRED_LIMIT, sure ** gone[end])
    steps = [(here, there, door) for door in plan.doors for here, there in permutations(plan.doors[door].between)]
    for here, there, door in sorted(steps, key=lambda step: gone[step[0]]):
        if gone[here] + 1 + left[there] != gone[end] or (here, there) in told or door in watched:
            continue
        first, second = plan.doors[door].between
        share = sure * begun[here] * ended[there] / begun[end] / len(plan.graph[here][there])
        other = (1.0 - share) * INFERRED_OTHER_WAY
        directions = {f"{here}>{there}": share, f"{there}>{here}": other}
        ordered = {key: directions[key] for key in (f"{first}>{second}", f"{second}>{first}")}
        yield Passage(utc(now), utc(now), door, ordered, 1.0 - share - other, {name: share}, True, True, plan)


def _ways(plan: Floorplan, steps: Mapping[str, int]) -> dict[str, int]:
    """How many shortest ways lead to each room, from that which is so many `steps` from each."""
    ways: dict[str, int] = {}
    for room in sorted(steps, key=lambda room: steps[room]):
        ways[room] = sum(ways[near] for near in plan.graph[room] if steps[near] < steps[room]) or 1
    return ways
