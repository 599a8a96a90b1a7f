"""A hub script of some sixty lines: events come in on standard input, lights to switch go out on standard output.

    python demo/hub.py floorplans/two_storey_garage.yaml < demo/garage_evening.jsonl

Put your hub's own calls in place of `print`, and its events in place of standard input.
"""

import json
import os
import queue
import sys
import threading
import time
from datetime import datetime, timedelta

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is imported: the matrices are small
from presence import Event, Floorplan, PresenceError, Switch, Tracker

TICK = timedelta(seconds=10)
"""Silence after which the belief is looked at again: silence is evidence too."""


def read(lines: queue.Queue[str | None]) -> None:
    sys.stdin.reconfigure(errors="replace")  # a byte that is no UTF-8 spoils its own line only
    for line in sys.stdin:
        lines.put(line)
    lines.put(None)


def lights(tracker: Tracker, switch: Switch, on: dict[str, bool]) -> None:
    """Switch what the belief says; light the room that somebody is heading to before they are there."""
    heading = set()
    for passage in tracker.take_passages():
        way = max(passage.directions, key=lambda d: passage.directions[d])
        if passage.directions[way] > switch.on_above and not passage.final:
            heading.add(way.split(">")[1])
    for room, probability in tracker.belief.rooms.items():
        wanted = room in heading or switch.next(on.get(room, False), probability)
        if wanted != on.get(room, False):
            on[room] = wanted
            print(f"{tracker.belief.time:%H:%M:%S} {room} {'on' if wanted else 'off'} ({probability:.2f})", flush=True)


def wait(tracker: Tracker, until: datetime, switch: Switch, on: dict[str, bool]) -> None:
    """Let silence pass in the events' own time, so that a recorded log switches as the house itself would."""
    step = TICK if tracker.time is None else max(TICK, (until - tracker.time) / 500)  # a day away: every few minutes
    while tracker.time is not None and tracker.time + step < until:
        tracker.advance(tracker.time + step)
        lights(tracker, switch, on)


def main() -> None:
    tracker, switch, on = Tracker(Floorplan.load(sys.argv[1])), Switch(), dict[str, bool]()
    lines: queue.Queue[str | None] = queue.Queue()
    threading.Thread(target=read, args=(lines,), daemon=True).start()
    heard: tuple[datetime, float] | None = None  # the latest event's own time, and ours when it came
    while True:
        try:
            line = lines.get(timeout=TICK.total_seconds())
            if line is None:
                return
            fields = json.loads(line)
            when, by, code = datetime.fromisoformat(fields["time"]), fields.get("by"), fields.get("code")
            event = Event(when, fields["sensor"], fields["value"], by, code)  # what else is there is passed over
            tracker.check(event)
            wait(tracker, event.time, switch, on)
            tracker.observe(event)
            heard = event.time, time.monotonic()
        except queue.Empty:
            if heard is not None:
                wait(tracker, heard[0] + timedelta(seconds=time.monotonic() - heard[1]), switch, on)
            continue
        except (PresenceError, ValueError, KeyError, TypeError, RecursionError) as error:
            print(f"skipped: {error}", file=sys.stderr)
            continue
        lights(tracker, switch, on)


if __name__ == "__main__":
    main()
