"""A year of one home: time and memory of `presence evaluate` on one core.

    python benchmarks/year.py [PLAN] [--days 365] [--parts 4] [--seed 1] [--folder DIR]

Simulates the plan (default: floorplans/two_storey_garage.yaml) for the last of --parts growing lengths of time, the
whole being --days, and scores each in a process of its own: wall-clock and processor seconds, events per processor
second and peak memory. The table was measured. If less than a year is asked for, a last line says what a year would
take at the same seconds a day, and that it is an extrapolation.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

HOME = Path(__file__).resolve().parents[1]
YEAR = 365.0

MEASURED = """
import resource, sys
from presence.cli import run
status = run(sys.argv[1:])
used = resource.getrusage(resource.RUSAGE_SELF)
print("USED", used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, file=sys.stderr)
sys.exit(status)
"""


def presence(*arguments: str) -> tuple[float, float, float]:
    """Run one command; wall-clock seconds, processor seconds, peak megabytes."""
    environment = {**os.environ, "PYTHONPATH": str(HOME), "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, *arguments], capture_output=True, text=True, env=environment, check=False
    )
    wall = time.perf_counter() - begin
    *told, used = done.stderr.splitlines() or [""]
    if done.returncode or not used.startswith("USED"):
        raise SystemExit("\n".join([*told, used]))
    seconds, megabytes = map(float, used.split()[1:])
    return wall, seconds, megabytes


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description="Time and memory of a year of one home.")
    parser.add_argument("plan", nargs="?", default=str(HOME / "floorplans/two_storey_garage.yaml"))
    parser.add_argument("--days", type=float, default=YEAR)
    parser.add_argument("--parts", type=int, default=4, help="lengths: the whole, a quarter of it, ...")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="keep the logs here")
    asked = parser.parse_args()
    print("| days | events | wall s | processor s | events per s | peak MB |")
    print("| ---: | ---: | ---: | ---: | ---: | ---: |")
    seconds, days, events = 0.0, asked.days, 1
    with ExitStack() as stack:
        folder = asked.folder or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        for part in reversed(range(asked.parts)):
            days = asked.days / 4**part
            made = folder / f"days-{days:g}"
            presence("simulate", asked.plan, "--days", str(days), "--seed", str(asked.seed), "--out", str(made))
            with (made / "log.jsonl").open("rb") as log:
                events = sum(1 for _ in log)
            files = (asked.plan, str(made / "log.jsonl"), str(made / "truth.jsonl"))
            wall, seconds, peak = presence("evaluate", *files, "--json")
            row = f"| {days:g} | {events:,} | {wall:.0f} | {seconds:.0f} | {events / seconds:.0f} | {peak:.0f} |"
            print(row, flush=True)
    print(f"\nload average after {os.getloadavg()[0]:.1f}")
    if days < YEAR:
        hours = seconds / days * YEAR / 3600
        print(
            f"Extrapolated, not measured: a year at {seconds / days:.2f} processor seconds a day takes {hours:.2f} h."
        )


if __name__ == "__main__":
    main()
