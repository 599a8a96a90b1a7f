"""The command `presence smooth`: who was where, after the fact; no line of a replay may use a later event."""

from __future__ import annotations

import click

from presence.cli_options import EVERY, LEARNED, LOG, PLAN, STRICT, hypotheses
from presence.cli_source import Source, load_learned


@click.command()
@PLAN
@LOG
@EVERY
@click.option("--paths", is_flag=True, help="Everybody's likeliest path instead, as the lines of a truth file.")
@LEARNED
@STRICT
@hypotheses()
def smooth(plan: str, log: str, every: float, paths: bool, learned: str | None, strict: bool, hypotheses: int) -> int:
    """Tell after the fact who was where.

    What was seen after an instant counts as well as what was seen before. LOG may be - for standard input.
    """
    from presence.replay import to_json
    from presence.smoothing import path_json
    from presence.smoothing import paths as likeliest
    from presence.smoothing import smooth as smoothed

    home, settings = load_learned(plan, learned, log)
    source = Source(home, log, strict)
    if paths:
        for change in likeliest(home, source, every=every, settings=settings, hypotheses=hypotheses):
            click.echo(path_json(change))
        return source.status()
    for belief in smoothed(home, source, every=every, settings=settings, hypotheses=hypotheses):
        click.echo(to_json(belief, smoothed=True))
    return source.status()
