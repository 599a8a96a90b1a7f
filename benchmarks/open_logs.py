"""Scores of the tracker and of simple rivals on three open research logs.

    python benchmarks/open_logs.py {two_residents,single_resident,two_residents_month} FOLDER [--json | --markdown]

The sets cannot be passed on; FOLDER is where you keep yours, with a `layout.json` beside the files. Whoever quotes a
figure cites the set: CASAS "ADLMR" (Cook, Washington State University; Zenodo record 15713378); van Kasteren et al.
2010; ARAS (Alemdar et al. 2013). Intervals are 95 %, by bootstrap over sessions or days.

`second_half` is the fair comparison: the second half of the sessions or days by themselves, the rivals with the lengths
and pauses that are best on the first half, and supervised references fitted to the first half's labels (they need
scikit-learn, as in the extra `test`). Above it all sessions or days are scored, with lengths and pauses chosen on the
very data they are scored on, so there the rivals are flattered; so they are with `--part`. The tracker runs once.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.open_sets import supervised
from benchmarks.open_sets.score_month import run_two_residents_month
from benchmarks.open_sets.score_single_resident import run_single_resident
from benchmarks.open_sets.score_two_residents import run_two_residents
from benchmarks.open_sets.scores import markdown, plain, table
from presence.errors import PresenceError
from presence.settings import Settings

__all__ = ["main", "run_single_resident", "run_two_residents", "run_two_residents_month"]

SETS: dict[str, Callable[..., dict[str, Any]]] = {
    "two_residents": run_two_residents,
    "single_resident": run_single_resident,
    "two_residents_month": run_two_residents_month,
}


def _options(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Scores on open research logs, against simple rivals.")
    parser.add_argument("set", choices=list(SETS))
    parser.add_argument("folder", type=Path)
    shape = parser.add_mutually_exclusive_group()
    shape.add_argument("--json", action="store_true", help="for programs")
    shape.add_argument("--markdown", action="store_true", help="the second half only, one column for each method")
    parser.add_argument(
        "--part", choices=["all", "first", "second"], default="all", help="half of the sessions or days"
    )
    parser.add_argument("--every", type=float, help="seconds between the instants that are scored")
    parser.add_argument("--rivals-only", action="store_true", help="leave the tracker out")
    parser.add_argument("--hypotheses", type=int, default=16)
    parser.add_argument("--workers", type=int, default=1, help="processes; the figures stay the same")
    parser.add_argument("--visitors", type=int, default=0, help="unknown people allowed for; in a plan 1 by default")
    parser.add_argument("--settings", type=json.loads, default=None, help="settings to replace, as JSON")
    parser.add_argument("--learned", type=Path, help="what `presence learn` wrote for the plan of this very folder")
    parser.add_argument("--house", help="letter of the house (single_resident, where a folder holds several)")
    options = parser.parse_args(arguments)
    if options.house and options.set != "single_resident":
        parser.error("--house goes with single_resident")
    if options.learned and options.settings:
        parser.error("--learned brings settings of its own; leave --settings out")
    if options.every is not None and not options.every > 0:
        parser.error(f"--every {options.every}: a number above zero would be right")
    return options


def main(arguments: list[str] | None = None) -> int:
    """Runs the command; 0 done, 2 the folder is at fault."""
    options = _options(arguments)
    try:
        settings = None if options.settings is None else Settings.from_mapping(options.settings)
        result = SETS[options.set](
            options.folder,
            settings=settings,
            part=options.part,
            **({"house": options.house} if options.house else {}),
            hypotheses=options.hypotheses,
            visitors=options.visitors,
            workers=options.workers,
            rivals_only=options.rivals_only,
            learned=options.learned,
            **({} if options.every is None else {"every": options.every}),
        )
    except PresenceError as error:
        print(error, file=sys.stderr)
        return 2
    for fault in result["faults"]:
        print(fault, file=sys.stderr)
    if not supervised.available():
        print("supervised references are left out; they need the extra `test`: scikit-learn", file=sys.stderr)
    counted = {**result, "faults": len(result["faults"])}
    lines = markdown(result) if options.markdown else table(counted)
    print(json.dumps(plain(result)) if options.json else "\n".join(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main())
