"""People living in a plan, for tests, the demo and what-if questions: a log as sensors would write it, and the truth.

    plan and seed -> schedules (the frame of the days) -> activities (stays in rooms) -> walking (every movement)
                  -> visitors, doors, pets -> sensors (what is seen) -> messages (what arrives) -> log

Behaviour is driven by schedules and heavy-tailed, deliberately not the tracker's own model. The same plan, settings
and seed give the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from pathlib import Path

from presence.errors import SettingError
from presence.events import Event
from presence.floorplan import Floorplan
from presence.simulate.living import Lives, live, stream
from presence.simulate.messages import send
from presence.simulate.sensors import reports
from presence.simulate.settings import BLIND_TIMES, MISSES, SimulationSettings
from presence.simulate.sight import Sight
from presence.truth import TruthLine
from presence.writing import write_whole

__all__ = ["Simulation", "SimulationSettings", "TruthLine", "is_simulated", "simulate", "write"]

START = date(2026, 3, 2)
"""A Monday."""
MOST_DAYS = 3700
"""Ten years."""


@dataclass(frozen=True, slots=True)
class Simulation:
    """A log in order of arrival, the truth in order of time, and who caused each event."""

    log: list[Event]
    truth: list[TruthLine]
    causes: list[str | None] = field(default_factory=list)
    """One for each event of `log`: a resident, a visitor, a pet, or None for nobody."""
    roles: dict[str, str] = field(default_factory=dict)


def simulate(
    plan: Floorplan, *, days: float, seed: int, start: date = START, settings: SimulationSettings | None = None
) -> Simulation:
    """Let people live in a home, watched by its sensors: the log, and the truth about it.

    Args:
        plan: the home.
        days: how long, from midnight (local) of `start`.
        seed: the same seed and settings give the same bytes.
        start: the first day.
        settings: how people live, and how sensors and messages fail.

    Raises:
        SettingError: if `days` is not above 0, `seed` below 0, or `settings` names a sensor or person not in the plan.
    """
    settings = settings or SimulationSettings()
    _check(plan, days, seed, settings)
    lives = live(plan, days=days, seed=seed, start=start, settings=settings)
    sight = Sight.of(lives)
    sent = []
    for k, sensor in enumerate(plan.sensors.values()):
        rng = stream(seed, "sensor", sensor.id)
        made = reports(sensor, lives, sight, settings, rng)
        arrivals = send(sensor, made, (lives.begin, lives.end), settings, rng)
        sent += [(arrival, k, report, sensor.id) for arrival, report in arrivals]
    sent.sort(key=lambda item: item[:2])
    clock = _Clock(plan.zone)
    log = [Event(clock(report.time), name, report.value, report.by, report.code) for _, _, report, name in sent]
    return Simulation(log, _truth(plan, lives, clock), [report.being for _, _, report, _ in sent], lives.roles)


def write(simulation: Simulation, directory: Path | str, further: Mapping[str, str] | None = None) -> None:
    """Write `log.jsonl` and `truth.jsonl`, both or none, into `directory`, which is made where it is missing.

    So are `further` files with them, texts by their names.
    """
    folder = Path(directory)
    folder.mkdir(parents=True, exist_ok=True)
    log = (_event_line(event) + "\n" for event in simulation.log)
    truth = (_truth_line(line) + "\n" for line in simulation.truth)
    more = {folder / name: [text] for name, text in (further or {}).items()}
    write_whole({folder / "log.jsonl": log, folder / "truth.jsonl": truth, **more})


def is_simulated(directory: Path) -> bool:
    """Whether log and truth in a folder are lives that `write` put there: by its truth, which begins when all do."""
    try:
        with (directory / "truth.jsonl").open(encoding="utf-8", errors="replace") as file:
            first = file.readline(200)
    except OSError:
        return False
    return not first or first.startswith(f'{{"time": "{START}T00:00:00.000')


def _event_line(event: Event) -> str:
    line = {"time": event.time.isoformat(timespec="milliseconds"), "sensor": event.sensor, "value": event.value}
    extra = {"by": event.by, "code": event.code}
    return json.dumps(line | {key: value for key, value in extra.items() if value is not None}, ensure_ascii=False)


def _truth_line(line: TruthLine) -> str:
    fields = {"time": line.time.isoformat(timespec="milliseconds"), "person": line.person, "room": line.room}
    return json.dumps(fields | ({"door": line.door} if line.door else {}), ensure_ascii=False)


def _truth(plan: Floorplan, lives: Lives, clock: _Clock) -> list[TruthLine]:
    joined: dict[frozenset[str], int] = {}
    for door in plan.doors.values():
        joined[frozenset(door.between)] = joined.get(frozenset(door.between), 0) + 1
    lines: list[tuple[float, TruthLine]] = []
    for trace in lives.people:
        before = [room for time, room in trace.rooms if time <= lives.begin]
        first = before[-1] if before else trace.rooms[0][1]
        here = [(lives.begin, TruthLine(clock(lives.begin), trace.being, first))]
        for crossing in trace.crossings:
            if lives.begin < crossing.time < lives.end:
                several = joined[frozenset((crossing.source, crossing.target))] > 1
                line = TruthLine(clock(crossing.time), trace.being, crossing.target, crossing.door if several else None)
                here.append((crossing.time, line))
        if trace.being in plan.people or len(here) > 1:
            lines += here
    return [line for _, line in sorted(lines, key=lambda item: item[0])]


class _Clock:
    """Epoch seconds to local time with an offset, to the millisecond."""

    def __init__(self, zone: tzinfo) -> None:
        self._zone = zone
        self._offsets: dict[int, timezone] = {}

    def __call__(self, seconds: float) -> datetime:
        quarter = int(seconds // 900)  # offsets change on quarters of an hour only
        if quarter not in self._offsets:
            local = datetime.fromtimestamp(quarter * 900, self._zone)
            self._offsets[quarter] = timezone(local.utcoffset() or timedelta(0))
        whole = datetime.fromtimestamp(0, UTC) + timedelta(milliseconds=round(seconds * 1000))
        return whole.astimezone(self._offsets[quarter])


def _check(plan: Floorplan, days: float, seed: int, settings: SimulationSettings) -> None:
    if not 0 < days <= MOST_DAYS:
        raise SettingError(f"days: {days!r} must be above 0 and at most {MOST_DAYS:,}")
    if seed < 0:
        raise SettingError(f"seed: {seed!r} must be 0 or more")
    for field_name in ("hold", "blind_time", "misses", "false_alarms", "lost", "late"):
        known = BLIND_TIMES if field_name in ("hold", "blind_time") else MISSES
        able = {"*", *known, *(sensor.id for sensor in plan.sensors.values() if sensor.kind in known)}
        for name in getattr(settings, field_name):
            if name not in able:
                told = f"is no sensor of the plan of these kinds ({', '.join(known)}), nor one of them, nor '*'"
                raise SettingError(f"{field_name}: {name!r} {told}")
    for name in settings.dead:
        if name not in plan.sensors:
            raise SettingError(f"dead: the plan has no sensor {name!r}; it has {', '.join(plan.sensors) or 'none'}")
    for name in settings.roles:
        if name not in plan.people:
            raise SettingError(f"roles: the plan has no person {name!r}; it has {', '.join(plan.people) or 'nobody'}")
