"""The command `presence draw`: a plan, or a replayed log, as one page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from presence.cli_options import EVERY, FILE, FILE_OR_PIPE, LEARNED, PLAN, STRICT, hypotheses
from presence.cli_source import Source, complain, load_learned
from presence.errors import DONE

if TYPE_CHECKING:
    from presence.truth import TruthLine


@click.command()
@PLAN
@click.argument("log", type=FILE_OR_PIPE, required=False)
@click.option("--out", type=click.Path(dir_okay=False, readable=False), required=True, help="The page to write.")
@click.option("--truth", type=FILE, help="Who was where, to be laid over what is believed.")
@EVERY
@LEARNED
@click.option("--explain/--no-explain", default=None, help="Say why: all through, or never; else for the first days.")
@STRICT
@hypotheses()
def draw(
    plan: str,
    log: str | None,
    out: str,
    truth: str | None,
    every: float,
    learned: str | None,
    explain: bool | None,
    strict: bool,
    hypotheses: int,
) -> int:
    """Draw a plan, or what is believed as a log goes on, as one page.

    The page opens anywhere, without a network. LOG may be - for standard input.
    """
    from presence.draw.page import page, target
    from presence.draw.recording import MOST_EXPLAINED
    from presence.truth import read_truth
    from presence.writing import write_whole

    goal = target(out, plan, log, truth, learned)
    home, settings = load_learned(plan, learned, *filter(None, (log, truth)))
    if log is None:
        write_whole({goal: [page(home)]})
        return DONE
    lines = None if truth is None else read_truth(truth, home)
    source = Source(home, log, strict)
    name = "standard input" if log == "-" else log
    text = page(
        home,
        source,
        truth=lines,
        log=name,
        every=every,
        settings=settings,
        hypotheses=hypotheses,
        explain=MOST_EXPLAINED if explain is None else explain,
    )
    write_whole({goal: [text]})
    if lines and source.span is not None and (odd := _of_another_time(lines, *source.span)) is not None:
        complain(f"{truth}:{odd}")
    return source.status()


def _of_another_time(truth: Sequence[TruthLine], begin: float, end: float) -> str | None:
    """Line and text of what is odd about a truth, in order of time, laid over a log of another time."""
    if truth[-1].time.timestamp() < begin:
        return f"{truth[-1].line}: the truth ends before the log begins; its last places are shown"
    if truth[0].time.timestamp() > end:
        return f"{truth[0].line}: the truth begins after the log ends; it is not shown"
    return None
