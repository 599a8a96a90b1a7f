"""The hub script as it is run: events in, what it would switch out, bad lines named and passed over."""

import json
import re
import subprocess
import sys
from datetime import UTC, datetime, time
from pathlib import Path

ROOT = Path(__file__).parents[1]
EVENING = (ROOT / "demo/garage_evening.jsonl").read_text(encoding="utf-8")


def hub(log: str) -> tuple[list[tuple[time, str, str]], list[str]]:
    """What it printed, as (clock, room, on or off), and what it complained about."""
    command = [sys.executable, "demo/hub.py", "floorplans/two_storey_garage.yaml"]
    given = log.encode(errors="surrogateescape")
    done = subprocess.run(command, cwd=ROOT, input=given, capture_output=True, timeout=120)
    out, err = done.stdout.decode(), done.stderr.decode()
    assert done.returncode == 0, err
    found = [re.fullmatch(r"(\d\d:\d\d:\d\d) (\w+) (on|off) \(\d\.\d\d\)", line) for line in out.splitlines()]
    assert all(found), out
    return [(time.fromisoformat(m[1]), m[2], m[3]) for m in found if m], err.splitlines()


def test_the_evening_with_the_garage() -> None:
    switched, complaints = hub(EVENING)
    assert not complaints
    assert switched == sorted(switched, key=lambda line: line[0])
    for room in {room for _, room, _ in switched}:
        states = [state for _, other, state in switched if other == room]
        assert states == [("on", "off")[k % 2] for k in range(len(states))], room
    events = [json.loads(line) for line in EVENING.splitlines()]
    clock = {datetime.fromisoformat(e["time"]).astimezone(UTC).time().replace(microsecond=0) for e in events}
    assert {at for at, _, _ in switched} - clock, "silence must switch, too, and not at the next event only"
    at_once = [(room, state) for at, room, state in switched if at in (time(17, 42, 12), time(18, 46, 36))]
    assert ("utility", "on") in at_once, "lit as the door opens on the way in"
    assert ("garage", "on") in at_once, "and the garage on the way out"


def test_bad_lines_are_named_and_passed_over() -> None:
    stamp = "2026-01-15T17:{}:00+00:00"
    bad = ["{", "5", "[]", "\udcff", "[" * 100_000]
    bad += [json.dumps({"time": "yesterday", "sensor": "hall_motion", "value": "detected"})]
    bad += [json.dumps({"time": stamp.format("11"), "sensor": "nowhere", "value": "detected"})]
    bad += [json.dumps({"time": "2026-01-15T17:11:00", "sensor": "hall_motion", "value": "detected"})]
    bad += [json.dumps({"time": "2027-01-15T17:11:00+00:00", "sensor": "hall_motion", "value": "purple"})]
    first, *rest = EVENING.splitlines()[:30]
    switched, complaints = hub("\n".join([first, *bad, *rest]))
    assert len(complaints) == len(bad)
    assert all(line.startswith("skipped: ") for line in complaints)
    assert switched == hub("\n".join([first, *rest]))[0] != []
