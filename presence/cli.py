"""The command `presence`: files and pipes in, lines out, one clear line for each thing that is wrong.

Exit status: 0 done; 2 the input is at fault, named as `FILE:LINE: what is wrong`; 1 anything else; 130 interrupted.
What can take long to import is imported by the command that needs it.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

# before numpy is imported: threads only slow small matrices down, and one thread gives the same bytes everywhere
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("MKL_NUM_THREADS", "1")

from presence import __version__
from presence.cli_advise import advise
from presence.cli_draw import draw
from presence.cli_health import health
from presence.cli_learn import learn
from presence.cli_options import (
    DAYS_MISSING,
    EVERY,
    FILE,
    FILE_OR_PIPE,
    LEARNED,
    LOG,
    PLAN,
    STRICT,
    WHAT_IFS,
    Scored,
    hypotheses,
)
from presence.cli_smooth import smooth
from presence.cli_source import PATIENCE, Source, complain, is_live, load, load_learned
from presence.errors import (
    DONE,
    FAILED,
    INPUT_AT_FAULT,
    INTERRUPTED,
    Fault,
    InputError,
    PresenceError,
    SettingError,
    counted,
)


def main() -> None:
    """Run the command of this process's arguments, and end the process with its exit status."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:  # closed by whoever started this process
            setattr(sys, name, Path(os.devnull).open(mode))  # noqa: SIM115
    sys.exit(run(sys.argv[1:]))


def run(arguments: Sequence[str]) -> int:
    """Run one command; the exit status. Nothing that can be foreseen ends in a traceback."""
    try:
        with cli.make_context("presence", list(arguments)) as context:
            status = cli.invoke(context)
        sys.stdout.flush()
        return int(status or DONE)
    except click.exceptions.Exit as done:  # --help, --version
        return done.exit_code
    except click.ClickException as error:
        text = error.format_message()  # of several lines: the help, where a command was left out
        command = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else "presence"
        complain(text if "\n" in text else f"presence: {text} (see {command} --help)")
        return INPUT_AT_FAULT
    except InputError as error:
        for fault in error.faults:
            complain(str(fault))
        return INPUT_AT_FAULT
    except SettingError as error:
        complain(f"presence: {error}")
        return INPUT_AT_FAULT
    except BrokenPipeError:  # the reader of our output has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except (KeyboardInterrupt, click.Abort):
        return INTERRUPTED
    except (PresenceError, OSError, MemoryError) as error:
        complain(f"presence: {_reason(error)}")
        return FAILED
    except Exception as error:
        text = " ".join(str(error).split())
        complain(f"presence: unexpected {type(error).__name__}: {text} (a fault of this program; please report it)")
        return FAILED


def _reason(error: Exception) -> str:
    """What went wrong in one line; of a file, which."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror if error.filename is None else f"{error.filename}: {error.strerror}"
    return " ".join(str(error).split()) or type(error).__name__


WORKERS = click.option("--workers", type=click.IntRange(min=1), help="Of many homes: processes.  [default: all cores]")
SCHEDULER = click.option("--scheduler", metavar="ADDRESS", help="Of many homes: the Dask cluster that does the work.")


@click.group()
@click.version_option(__version__, prog_name="presence")
def cli() -> None:
    """Who is where at home, and which way they went through a door.

    PLAN is a file of rooms, doors, sensors and people (YAML or JSON), LOG one of what the sensors said, an event a line
    (JSON Lines, CSV or Parquet); README shows both.
    """


@cli.command()
@PLAN
def check(plan: str) -> None:
    """Read a floor plan and name every fault in it at once.

    A line about a plan that is good all the same says what in it is hardly meant.
    """
    home = load(plan, lambda doubt: complain(str(doubt)))
    counts = {"room": len(home.rooms) - 1, "door": len(home.doors), "sensor": len(home.sensors)}
    parts = [counted(count, what) for what, count in counts.items()]
    click.echo(f"{plan}: good: {', '.join([*parts, counted(len(home.people), 'person', 'people')])}")


@cli.command()
@PLAN
@LOG
@EVERY
@click.option("--associations", is_flag=True, help="Also tell who caused each event.")
@click.option("--explain", is_flag=True, help="Also tell why, where a room's answer changes or a passage is final.")
@LEARNED
@STRICT
@hypotheses()
def replay(
    plan: str,
    log: str,
    every: float,
    associations: bool,
    explain: bool,
    learned: str | None,
    strict: bool,
    hypotheses: int,
) -> int:
    """Track a log and print what is believed as it goes.

    LOG may be - for standard input.
    """
    from presence.replay import replay as lines
    from presence.replay import to_json

    home, settings = load_learned(plan, learned, log)
    source = Source(home, log, strict)
    out, flushed = sys.stdout, time.monotonic()
    at_once = is_live(log) or out.isatty()
    options: dict[str, Any] = {"settings": settings, "hypotheses": hypotheses}
    for line in lines(home, source, every=every, associations=associations, explain=explain, **options):
        out.write(to_json(line) + "\n")
        if at_once or time.monotonic() - flushed > PATIENCE:
            out.flush()
            flushed = time.monotonic()
    return source.status()


@cli.command(cls=Scored)
@click.argument("given", nargs=-1, metavar="PLAN LOG TRUTH | HOMES...", type=FILE_OR_PIPE)
@EVERY
@LEARNED
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs; of many homes one line each.")
@STRICT
@hypotheses()
@WORKERS
@SCHEDULER
def evaluate(
    given: tuple[str, ...],
    every: float,
    learned: str | None,
    as_json: bool,
    strict: bool,
    hypotheses: int,
    workers: int | None,
    scheduler: str | None,
) -> int:
    """Score what is believed about a log against the truth.

    The best timer is scored beside it.

    HOMES: folders of homes (plan.yaml, log.jsonl, truth.jsonl in each), patterns of their names, or tables (.csv) of
    what-ifs, one a row (columns below).
    """
    from presence.homes import is_many

    if is_many(given):
        if learned is not None:
            raise InputError([Fault(learned, 0, "was learned for one home; --learned goes with PLAN LOG TRUTH")])
        from presence.cli_many import evaluate_many

        options = {"every": every, "strict": strict, "hypotheses": hypotheses}
        return evaluate_many(given, options, as_json=as_json, workers=workers, scheduler=scheduler)
    plan, log, truth = _named(given, "PLAN", "LOG", "TRUTH")
    _only_for_many(workers, scheduler)
    from presence.batch import score_files
    from presence.report import report

    home, settings = load_learned(plan, learned, log, truth)
    source = Source(home, log, strict)
    scores = score_files(home, source, truth, source.counts, every=every, hypotheses=hypotheses, settings=settings)
    for note in scores.covered["notes"]:
        complain(f"{truth}:{note['line']}: {note['text']}")
    click.echo(scores.to_json() if as_json else report(scores, home.zone), nl=as_json)
    return source.status()


@cli.command(epilog=WHAT_IFS)
@click.argument("given", nargs=-1, metavar="PLAN | HOMES...", type=FILE)
@click.option(
    "--days", type=click.FloatRange(min=0, min_open=True), help="For how many days.  [required, but for a table]"
)
@click.option("--seed", type=int, default=0, show_default=True, help="Same seed, same lives.")
@click.option("--seeds", help="Many lives in each home: a range (1-50) or a list (3,5,9).")
@click.option("--out", type=click.Path(file_okay=False), required=True, help="Folder for log.jsonl and truth.jsonl.")
@WORKERS
@SCHEDULER
def simulate(
    given: tuple[str, ...],
    days: float | None,
    seed: int,
    seeds: str | None,
    out: str,
    workers: int | None,
    scheduler: str | None,
) -> int:
    """Let people live in a plan: a log, and the truth behind it.

    A pressure sensor is a bed's where people sleep, else a seat's, if its id does not say otherwise (sofa, doormat).

    HOMES: folders of plans or of homes, patterns of their names, or tables (.csv) of what-ifs, one a row (columns
    below). Each home gets a folder of its own in the one of --out.
    """
    from presence.homes import is_many

    if is_many(given) or seeds is not None:
        from presence.cli_many import simulate_many

        numbers = str(seed) if seeds is None else seeds
        return simulate_many(given, days, numbers, out, workers=workers, scheduler=scheduler)
    from presence.batch import replaced
    from presence.simulate import simulate as live
    from presence.simulate import write

    (plan,) = _named(given, "PLAN")
    _only_for_many(workers, scheduler)
    if days is None:
        raise click.UsageError(DAYS_MISSING)
    home = load(plan)
    Path(out).mkdir(parents=True, exist_ok=True)  # what forbids it is said now, not after they have lived
    for note in replaced(Path(out), Path(plan)):
        complain(str(note))
    write(live(home, days=days, seed=seed), out)
    return DONE


cli.add_command(advise)
cli.add_command(draw)
cli.add_command(health)
cli.add_command(learn)
cli.add_command(smooth)


@cli.command()
def demo() -> None:
    """Tell the garage story on a bundled home."""
    from presence.demo import demo as tell

    for line in tell():
        click.echo(line)


def _only_for_many(workers: int | None, scheduler: str | None) -> None:
    if workers is not None or scheduler is not None:
        raise click.UsageError("--workers and --scheduler are for many homes; leave them out for one")


def _named(given: tuple[str, ...], *names: str) -> tuple[str, ...]:
    """Arguments by position, as many as there are names."""
    if len(given) < len(names):
        raise click.UsageError(f"Missing argument '{names[len(given)]}'.")
    if len(given) > len(names):
        raise click.UsageError(f"Got unexpected extra argument ({' '.join(given[len(names) :])})")
    return given
