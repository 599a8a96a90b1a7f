"""The command `presence draw`: a plan, or a replayed log, as one page."""

from __future__ import annotations

import click

from presence.cli_source import Source, load_learned
from presence.errors import DONE


@click.command()
@click.argument("plan", type=click.Path())
@click.argument("log", type=click.Path(allow_dash=True), required=False)
@click.option("--out", type=click.Path(dir_okay=False), required=True, help="The page to write.")
@click.option("--truth", type=click.Path(), help="Who was where, to be laid over what is believed.")
@click.option("--every", type=float, default=60.0, show_default=True, help="Step of the grid, seconds.")
@click.option("--learned", type=click.Path(), help="What `presence learn` wrote for this plan.")
@click.option("--explain/--no-explain", default=None, help="Show why, all of it or nothing; else for the first days.")
@click.option("--strict", is_flag=True, help="Stop at the first bad line instead of skipping it.")
@click.option("--hypotheses", type=click.IntRange(min=1), default=16, show_default=True, help="The most that are kept.")
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
    """Draw a plan, and what is believed as a log goes on, as one page that opens anywhere."""
    from presence.draw.page import page, target
    from presence.draw.recording import MOST_EXPLAINED
    from presence.truth import read_truth

    goal = target(out, plan, log, truth, learned)
    home, settings = load_learned(plan, learned)
    if log is None:
        goal.write_text(page(home), encoding="utf-8")
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
    goal.write_text(text, encoding="utf-8")
    return source.status()
