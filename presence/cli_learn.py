"""The command `presence learn`: fit the model to a home's own logs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from presence.cli_options import FILE, PLAN, STRICT, hypotheses
from presence.cli_source import Source, complain, load, say
from presence.writing import written_to


@contextmanager
def _telling_what_is_kept(state: Path) -> Iterator[None]:
    """Who stops it is told how to go on."""
    try:
        yield
    except KeyboardInterrupt:
        say("")
        complain(f"stopped; {state} holds what is worked out so far: --resume goes on" if state.exists() else "stopped")
        raise


@click.command()
@PLAN
@click.argument("logs", type=FILE, nargs=-1, required=True, metavar="LOG...")
@click.option("--out", type=click.Path(dir_okay=False, readable=False), required=True, help="File for what is learned.")
@click.option(
    "--resume", is_flag=True, help="Go on from FILE.state, which a stopped run left: else it is never replaced."
)
@click.option(
    "--turns", type=click.IntRange(min=0), default=10, show_default=True, help="Settings that the search tries."
)
@click.option("--grid/--no-grid", default=True, show_default=True, help="Also try pomegranate, for one resident.")
@click.option("--all-days", is_flag=True, help="Count rates on all days, not on the first few: a year takes hours.")
@STRICT
@hypotheses()
def learn(
    plan: str,
    logs: tuple[str, ...],
    out: str,
    resume: bool,
    turns: int,
    grid: bool,
    all_days: bool,
    strict: bool,
    hypotheses: int,
) -> int:
    """Fit the model to a home's own logs, without labels.

    Two days of log at least, better two weeks; that takes minutes. A report says what was learned, what it bought on
    days kept apart, and where the data were too few. The other commands take FILE with --learned.
    """
    from presence.learn import Effort, fit
    from presence.learn.recordings import overlapping
    from presence.learn.report import report_lines
    from presence.learned import write_learned

    home = load(plan, beside=logs)
    written_to(out, (plan, *logs))
    sources = [Source(home, log, strict) for log in logs]
    events = [list(source) for source in sources]
    if not any(events):
        status = max(source.status() for source in sources)
        complain(f"{out}: not written, for no event could be read")
        return status
    for one, other in overlapping(events):
        text = f"tells of the same time as {logs[one]}, which counts twice; logs that follow each other would be right"
        complain(f"{logs[other]}:0: {text}")
    effort, state = Effort(turns=turns, hypotheses=hypotheses, grid=grid, all_days=all_days), Path(f"{out}.state")
    with _telling_what_is_kept(state):
        learned = fit(
            home, events, effort=effort, state=state, resume=resume, say=say,
            keep=lambda learned: write_learned(out, home, learned),
        )  # fmt: skip
    say("")
    for line in report_lines(learned.report, learned.settings, learned.holds):
        click.echo(line)
    return max(source.status() for source in sources)
