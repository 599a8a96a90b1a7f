"""The one CSV: a row a cell, appended as it is done, so that a run that was stopped goes on where it was.

A row counts only for the code that made it: `code` is a digest of the package's and the benchmark's own modules and
of the plan. Rows of other code stay in the file and are left out of the page.
"""

from __future__ import annotations

import csv
import hashlib
import os
import sys
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

import presence.floorplan.reading  # noqa: F401  (else imported, and counted, only once a plan has been read)
from benchmarks.trust.homes import PLANS, Cell
from benchmarks.trust.scoring import COLUMNS

Row = dict[str, Any]
TEXT = ("plan", "variant", "code", "garage_door")
WHOLE = ("people", "seed", "hypotheses")


@cache
def code_of(plan: str) -> str:
    """Digest of everything that a row of this plan depends on."""
    digest = hashlib.sha256((PLANS / f"{plan}.yaml").read_bytes())
    names = (name for name in sys.modules if name.split(".")[0] in ("presence", "benchmarks"))
    for name in sorted(names):
        if name.startswith(("presence", "benchmarks.exact", "benchmarks.trust")) and _counts(name):
            digest.update(Path(str(sys.modules[name].__file__)).read_bytes())
    return digest.hexdigest()[:12]


def _counts(name: str) -> bool:
    """Whether figures depend on a module; how they are shown does not matter."""
    return name not in ("benchmarks.trust.page", "benchmarks.trust.picture", "benchmarks.trust.results")


def read(path: Path) -> list[Row]:
    """The complete rows of a file; none if there is no file. A row cut short by a crash is left out.

    Raises:
        ValueError: if the file has other columns than this version writes.
    """
    if not path.exists() or not path.stat().st_size:
        return []
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.reader(file)
        if tuple(next(reader)) != COLUMNS:
            raise ValueError(
                f"{path}:1: has other columns than this version writes; move it away or choose another --out"
            )
        rows = [dict(zip(COLUMNS, cells, strict=True)) for cells in reader if len(cells) == len(COLUMNS)]
    return [{name: _value(name, text) for name, text in row.items() if text != ""} for row in rows]


def _value(name: str, text: str) -> Any:
    return text if name in TEXT else int(text) if name in WHOLE else float(text)


def append(path: Path, row: Row) -> None:
    """Write one row, whole, after ending a line that a crash has cut short."""
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = not path.exists() or not path.stat().st_size
    with path.open("a+b") as raw:
        if not fresh:
            raw.seek(-1, os.SEEK_END)
            if raw.read(1) != b"\n":
                raw.write(b"\n")
    with path.open("a", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        if fresh:
            writer.writeheader()
        writer.writerow({name: _text(value) for name, value in row.items()})
        file.flush()
        os.fsync(file.fileno())


def _text(value: Any) -> Any:
    return "" if isinstance(value, float) and value != value else f"{value:.8g}" if isinstance(value, float) else value


def key_of(row: Row) -> tuple[Cell, int, str]:
    """What a row is about: its cell, how many hypotheses, and the code that made it."""
    cell = Cell(row["plan"], row["people"], row["variant"], row["seed"], float(row["days"]))
    return cell, row["hypotheses"], row["code"]


def of(rows: Iterable[Row], cells: Iterable[Cell], hypotheses: int) -> dict[Cell, Row]:
    """The latest row of each of these cells that this very code made."""
    wanted = set(cells)
    found = {}
    for row in rows:
        cell, most, code = key_of(row)
        if cell in wanted and most == hypotheses and code == code_of(cell.plan):
            found[cell] = row
    return found
