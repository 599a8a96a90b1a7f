"""Events in the order in which they happened."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from heapq import heappop, heappush

from presence.errors import Fault
from presence.events.counts import LogCounts
from presence.events.event import Event


def reorder(
    events: Iterable[Event],
    window: float = 2.0,
    counts: LogCounts | None = None,
    on_fault: Callable[[Fault], None] | None = None,
) -> Iterator[Event]:
    """Events by time."""
    heap: list[tuple[float, int, Event]] = []
    for number, event in enumerate(events):
        heappush(heap, (event.seconds, number, event))
        while heap[0][0] <= event.seconds - window:
            yield heappop(heap)[2]
    while heap:
        yield heappop(heap)[2]
