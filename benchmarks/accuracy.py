"""How far the answers can be trusted: simulated homes, cell by cell, against the timer, a rule and the exact filter.

    python benchmarks/accuracy.py --out FOLDER [--seeds 3] [--days 14] [--people 1,2,3,4,6] [--variants plain,pet]
                                  [--plans shared_house] [--workers 1]

Writes FOLDER/accuracy.csv (a row a cell), FOLDER/accuracy.md (one page) and FOLDER/accuracy.png (one picture). Stopped
and started again with the same FOLDER, it goes on with the cells that are missing. The whole grid of 14 days and three
seeds takes some hours on one core; `--seeds 1 --days 2 --people 1,3 --variants plain` takes about a minute.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

if __package__ in (None, ""):
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.trust import results
from benchmarks.trust.homes import PEOPLE, VARIANTS, Cell, plan_names
from benchmarks.trust.scoring import run


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command; 0 done, 1 a cell failed, 2 an option or the table is at fault."""
    options = _options(arguments)
    cells = [
        Cell(plan, people, variant, seed, options.days)
        for seed in range(options.first_seed, options.first_seed + options.seeds)
        for variant in options.variants
        for people in options.people
        for plan in options.plans
    ]
    table = options.out / "accuracy.csv"
    codes = {plan: results.code_of(plan) for plan in options.plans}  # before anybody edits a module
    try:
        done = results.of(results.read(table), cells, options.hypotheses)
    except (ValueError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    missing = [cell for cell in cells if cell not in done]
    print(f"{len(done)} of {len(cells)} cells are in {table} already", flush=True)
    for number, (cell, row) in enumerate(scored(missing, options.hypotheses, options.workers), len(done) + 1):
        about = f"{number}/{len(cells)} {cell.plan}, {cell.people} people, {cell.variant}, seed {cell.seed}"
        if isinstance(row, Exception):
            print(f"{about}: {type(row).__name__}: {row}", file=sys.stderr, flush=True)
            continue
        results.append(table, row | {"code": codes[cell.plan]})
        print(f"{about}: {row['seconds']} s", flush=True)
    rows = results.of(results.read(table), cells, options.hypotheses)
    if rows:
        show(list(rows.values()), options)
    return 0 if len(rows) == len(cells) else 1


def scored(cells: Sequence[Cell], hypotheses: int, workers: int) -> Iterator[tuple[Cell, results.Row | Exception]]:
    """The cells' rows as they are done; what went wrong with one does not stop the others."""
    if workers == 1:
        yield from ((cell, _row(cell, hypotheses)) for cell in cells)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        running = {pool.submit(_row, cell, hypotheses): cell for cell in cells}
        for future in as_completed(running):
            yield running[future], future.result()


def _row(cell: Cell, hypotheses: int) -> results.Row | Exception:
    try:
        return run(cell, hypotheses)
    except Exception as error:
        return error


def show(rows: Sequence[results.Row], options: argparse.Namespace) -> None:
    """Write the page and the picture."""
    from benchmarks.trust.page import page
    from benchmarks.trust.picture import picture

    (options.out / "accuracy.md").write_text(page(rows, options.command), encoding="utf-8")
    picture(rows, options.out / "accuracy.png")
    print(f"{options.out / 'accuracy.md'} and {options.out / 'accuracy.png'} are written")


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    given = list(sys.argv[1:] if arguments is None else arguments)
    parser = argparse.ArgumentParser(description="How far the answers can be trusted, on simulated homes.")
    parser.add_argument("--out", type=Path, required=True, help="folder for the table, the page and the picture")
    parser.add_argument("--seeds", type=_positive, default=3, help="how many lives of each home")
    parser.add_argument("--first-seed", type=int, default=1, help="others than those looked at while developing")
    parser.add_argument("--days", type=float, default=14.0)
    parser.add_argument("--people", type=partial(_listed, PEOPLE), default=list(PEOPLE), help="such as 1,2,3")
    parser.add_argument("--variants", type=partial(_listed, VARIANTS), default=list(VARIANTS), help="such as plain,pet")
    parser.add_argument("--plans", type=partial(_listed, plan_names()), default=plan_names())
    parser.add_argument("--workers", type=_positive, default=1, help="processes; the figures stay the same")
    parser.add_argument("--hypotheses", type=_positive, default=16)
    options = parser.parse_args(given)
    if not options.days >= 0.5:
        parser.error(f"--days {options.days:g}: at least half a day would be right")
    options.command = " ".join(["python benchmarks/accuracy.py", *(f'"{a}"' if " " in a else a for a in given)])
    return options


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text}: a whole number from 1 up would be right")
    return number


def _listed(known: Sequence[Any], text: str) -> list[Any]:
    found = {str(item): item for item in known}
    names = [name.strip() for name in text.split(",")]
    for name in names:
        if name not in found:
            raise argparse.ArgumentTypeError(f"{name!r}; some of {','.join(found)} would be right")
    return [found[name] for name in names]


if __name__ == "__main__":
    sys.exit(main())
