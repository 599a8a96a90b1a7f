"""What the sensors said: events, read from logs and put in order.

event     Event
counts    LogCounts: what became of every line
lines     numbered lines of a file or pipe, plain or gzip, in bounded memory
reading   a line of JSON or CSV -> Event, or the fault in it
ordering  late events into their place, duplicates out
"""

from presence.events.counts import LogCounts
from presence.events.event import Event
from presence.events.ordering import reorder
from presence.events.reading import read_log

__all__ = ["Event", "LogCounts", "read_log", "reorder"]
