"""Two versions of the tracker take turns on one log: which is faster, and whether their answers are the same.

    python benchmarks/side_by_side.py OTHER [--people N] [--rooms N] [--visitors N] [--events N] [--runs N] [--reading]
    python benchmarks/side_by_side.py --joint --people 2 --visitors 0

OTHER is another checkout of this repository; with `--joint` it is the exact joint filter inside the same tracker. Each
runs in a process of its own, a few events at a time, so that whatever else the machine does slows both alike: ratios
hold on a busy machine, too. Prints microseconds of processor time per event, of each event the least of all runs.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[1]
TURN = 10
"""Events that each takes before it is the other's turn."""


class Runs(NamedTuple):
    """What one version did with a log."""

    times: list[list[float]]
    """Microseconds of processor time of each event, run by run."""
    answers: list[str]
    """A digest of what was answered at each event of the first run."""


# --- in a process of its own, where `presence` is that of one version ------------------------------------------------
def work(plan: Path, log: Path, *, joint: bool, reading: bool) -> None:
    """Take in the events that each line of standard input asks for (`begin end`), from 0 on anew; write what came."""
    from presence import Event, Floorplan, Tracker

    home: Any = Floorplan.load(plan)
    events = [Event(datetime.fromisoformat(at), *told) for at, *told in json.loads(log.read_text())]
    tracker: Any = None
    for line in sys.stdin:
        begin, end = map(int, line.split())
        if begin == 0 and joint:
            from benchmarks.joint_engine import joint_tracker

            tracker = joint_tracker(home)
        elif begin == 0:
            tracker = Tracker(home)
        taken = [_take(tracker, event, reading=reading) for event in events[begin:end]]
        print(json.dumps(taken), flush=True)


def _take(tracker: Any, event: Any, *, reading: bool) -> tuple[float, str]:
    """Microseconds that an event takes, and a digest of all that is known after it."""
    begin = time.process_time_ns()
    tracker.observe(event)
    if reading:
        _ = tracker.belief
    microseconds = (time.process_time_ns() - begin) / 1e3
    known = repr((tracker.log_likelihood, tracker.association, tracker.take_passages()))
    if reading:
        known += repr(tracker.belief)
    return microseconds, hashlib.sha256(known.encode()).hexdigest()


# --- both together ----------------------------------------------------------------------------------------------------
def worker(version: Path, plan: Path, log: Path, *options: str) -> subprocess.Popen[str]:
    """A process that waits for its turn."""
    environment = {**os.environ, "PYTHONPATH": str(version), "OPENBLAS_NUM_THREADS": "1", "PYTHONHASHSEED": "0"}
    command = [sys.executable, __file__, "--work", str(plan), str(log), *options]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, env=environment, cwd=version, stdin=pipe, stdout=pipe, text=True)


def take_turns(workers: Sequence[subprocess.Popen[str]], events: int, runs: int) -> list[Runs]:
    """Let all take in a log, a few events at a time; who begins changes from turn to turn."""
    found = [Runs([], []) for _ in workers]
    order = list(range(len(workers)))
    for run in range(runs):
        for each in found:
            each.times.append([])
        for begin in range(0, events, TURN):
            for n in order:
                for microseconds, answer in _ask(workers[n], begin, min(begin + TURN, events)):
                    found[n].times[run].append(microseconds)
                    found[n].answers.extend([answer] if run == 0 else [])
            order.reverse()
    for process in workers:
        process.communicate()
    return found


def _ask(process: subprocess.Popen[str], begin: int, end: int) -> list[tuple[float, str]]:
    assert process.stdin is not None, "it was begun with pipes"
    assert process.stdout is not None, "it was begun with pipes"
    process.stdin.write(f"{begin} {end}\n")
    process.stdin.flush()
    answer = process.stdout.readline()
    if not answer:
        raise SystemExit(f"{process.args!r} ended with {process.wait()}")
    return [(float(microseconds), str(known)) for microseconds, known in json.loads(answer)]


def table(kinds: Sequence[str], here: Runs, there: Runs) -> str:
    """Both by kind of event (one for each event), each time the least of all runs; the first tenth is left out."""
    import numpy as np

    start = len(kinds) // 10
    mine, other = (np.array(each.times).min(axis=0)[start:] for each in (here, there))
    kept = np.array(kinds[start:])
    lines = [f"{'here / there':<20}{'events':>8}{'median':>16}{'mean':>16}{'p99':>16}{'ratio of means':>18}"]
    for kind in ("all", *sorted(set(kept.tolist()))):
        among = (kept == kind) | (kind == "all")
        each = [(np.median(t), t.mean(), np.percentile(t, 99)) for t in (mine[among], other[among])]
        cells = "".join(f"{a:>9.0f} / {b:>4.0f}" for a, b in zip(*each, strict=True))
        lines.append(f"{kind:<20}{among.sum():>8}{cells}{each[0][1] / each[1][1]:>18.3f}")
    return "\n".join(lines)


def compared(here: Runs, there: Runs) -> str:
    """Whether all answers are the same, to the last digit."""
    pairs = zip(here.answers, there.answers, strict=True)
    differ = next((n for n, (one, another) in enumerate(pairs) if one != another), None)
    return "all answers are the same" if differ is None else f"the answers differ from event {differ} on"


def main(arguments: Sequence[str] | None = None) -> None:
    """Let both run, and print the table."""
    parser = argparse.ArgumentParser(description="Two versions of the tracker in turn.")
    parser.add_argument("other", nargs="?", type=Path, default=ROOT, help="another checkout; this one by default")
    parser.add_argument("--joint", action="store_true", help="of the other: the exact joint filter for an engine")
    parser.add_argument("--reading", action="store_true", help="read the belief after each event")
    for name, default in (("people", 4), ("rooms", 12), ("visitors", 1), ("events", 1500), ("runs", 3)):
        parser.add_argument(f"--{name}", type=int, default=default)
    asked = parser.parse_args(arguments)
    sys.path.insert(0, str(ROOT))
    from benchmarks.speed import fields, log_of
    from presence import Floorplan

    plan = fields(asked.people, asked.rooms, asked.visitors)
    home = Floorplan.from_mapping(plan)
    log = log_of(home, asked.events)
    with tempfile.TemporaryDirectory() as folder:
        files = Path(folder, "plan.json"), Path(folder, "log.json")
        files[0].write_text(json.dumps(plan))
        files[1].write_text(json.dumps([(e.time.isoformat(), e.sensor, e.value) for e in log]))
        reading, joint = ["--reading"] * asked.reading, ["--joint"] * asked.joint
        workers = [worker(ROOT, *files, *reading), worker(asked.other.resolve(), *files, *reading, *joint)]
        here, there = take_turns(workers, len(log), asked.runs)
    print(f"microseconds per event; there: {'the exact joint filter, ' * asked.joint}{asked.other.resolve()}")
    print(table([f"{home.sensors[e.sensor].kind} {e.value}" for e in log], here, there))
    if not asked.joint:  # where it keeps whole what is merged here
        print(compared(here, there))


if __name__ == "__main__":
    if sys.argv[1:2] == ["--work"]:
        work(Path(sys.argv[2]), Path(sys.argv[3]), joint="--joint" in sys.argv, reading="--reading" in sys.argv)
    else:
        main()
