"""The garage story on the bundled home: which way through the door to the house, and which light to turn on.

Rule of thumb (common practice, no source): the overhead door first, then the door to the house, is an arrival; the
door to the house alone is somebody going out. The model knows no such rule; it knows rooms, doors and silence.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path

from presence.events import Event, read_log
from presence.floorplan import Floorplan
from presence.passages import Passage
from presence.replay import replay
from presence.snapshot import Belief

DOOR, OUTSIDE, INSIDE = "garage_utility", "garage", "utility"
DARK_FROM, DARK_TO = 16, 8
"""Hours between which it is dark on the demo's January evening."""


@dataclass(frozen=True, slots=True)
class Case:
    """A part of the log, and what a person who was there would say of it."""

    title: str
    begin: str
    end: str


CASES = (
    Case("The overhead door, then the door to the house: somebody comes home by car", "17:41", "17:43"),
    Case("Movement inside, then the door to the house alone: somebody goes out to the garage", "18:46", "18:48"),
    Case("The same door again, movement in the garage before it: back in with what was fetched", "18:51", "18:52"),
)


def bundled(name: str) -> Path:
    """A file of the bundled homes and logs: in the package once it is installed, beside it in a clone."""
    here = Path(__file__).parent
    inside = here / "_bundled"
    return (inside if inside.is_dir() else here.parent) / name


def light(passage: Passage, time: datetime) -> str | None:
    """The rule: if it is dark and somebody probably came through, light the room that they are heading to."""
    direction = passage.likeliest
    dark = time.hour >= DARK_FROM or time.hour < DARK_TO
    return direction.split(">")[1] if dark and passage.directions[direction] > 0.5 else None


def demo() -> Iterator[str]:
    """The story, line by line."""
    plan = Floorplan.load(bundled("floorplans/two_storey_garage.yaml"))
    log = bundled("demo/garage_evening.jsonl")
    events = list(read_log(log))
    lines = list(replay(plan, events))
    answers = [line for line in lines if isinstance(line, Passage) and line.door == DOOR and not line.inferred]
    yield f"{plan.name}: {len(plan.rooms) - 1} rooms, {len(plan.sensors)} sensors; {', '.join(plan.people)} live there."
    yield f"A January evening, dark outside; {len(events)} events from {log.name}."
    yield "Only the phones know whom they belong to; no other sensor does."
    for number, case in enumerate(CASES, 1):
        yield ""
        yield f"{number}. {case.title}"
        yield from _tell(case, events, answers, plan)
    yield ""
    yield from _at_home([line for line in lines if isinstance(line, Belief)], plan.zone)


def _tell(case: Case, events: list[Event], answers: list[Passage], plan: Floorplan) -> Iterator[str]:
    """A table of the events of one case, with the answers about its door, and the light."""
    ways = (f"{OUTSIDE}>{INSIDE}", f"{INSIDE}>{OUTSIDE}")
    yield f"   {'time':10}{'sensor':24}{'value':10}" + "".join(f"{w:>16}" for w in (*ways, "nobody"))
    opened = None
    for event in events:
        local = event.time.astimezone(plan.zone)
        if not case.begin <= f"{local:%H:%M:%S}" < case.end:
            continue
        row = f"   {local:%H:%M:%S}  {event.sensor:24}{event.value:10}"
        mine = [a for a in answers if a.time == event.time and event.value == "open"]
        if mine:
            opened = (local, mine)
            row += _row(mine[0], ways)
        yield row.rstrip()
    if opened is None:
        return
    local, (first, *_, last) = opened
    yield f"   {'five minutes later, looking back':44}{_row(last, ways)}"
    room = light(first, local)
    yield f"   -> at once: light on in the {plan.rooms[room].label}" if room else "   -> no light"


def _row(passage: Passage, ways: tuple[str, str]) -> str:
    return "".join(f"{p:16.3f}" for p in (*(passage.directions[way] for way in ways), passage.nobody))


def _at_home(beliefs: list[Belief], zone: tzinfo) -> Iterator[str]:
    """How many are at home before and after the first case."""
    yield "   at home" + "".join(f"{k:>10}" for k in range(len(beliefs[0].at_home)))
    for clock in ("17:40", "17:50", "18:50"):
        for belief in beliefs:
            if f"{belief.time.astimezone(zone):%H:%M}" == clock:
                yield f"   {clock:7}" + "".join(f"{p:10.3f}" for p in belief.at_home)
