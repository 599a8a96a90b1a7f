"""The command `presence smooth`: who was where, after the fact; no line of a replay may use a later event."""

from __future__ import annotations

import click

from presence.cli_source import Source, load_learned


@click.command()
@click.argument("plan", type=click.Path())
@click.argument("log", type=click.Path(allow_dash=True))
@click.option("--every", type=float, default=60.0, show_default=True, help="Step of the grid, seconds.")
@click.option("--paths", is_flag=True, help="Everybody's likeliest path instead, as the lines of a truth file.")
@click.option("--learned", type=click.Path(), help="What `presence learn` wrote for this plan.")
@click.option("--strict", is_flag=True, help="Stop at the first bad line instead of skipping it.")
@click.option("--hypotheses", type=click.IntRange(min=1), default=16, show_default=True, help="The most that are kept.")
def smooth(plan: str, log: str, every: float, paths: bool, learned: str | None, strict: bool, hypotheses: int) -> int:
    """Tell after the fact who was where, from what was seen before and after each instant."""
    from presence.replay import to_json
    from presence.smoothing import path_json
    from presence.smoothing import paths as likeliest
    from presence.smoothing import smooth as smoothed

    home, settings = load_learned(plan, learned)
    source = Source(home, log, strict)
    if paths:
        for change in likeliest(home, source, every=every, settings=settings, hypotheses=hypotheses):
            click.echo(path_json(change))
        return source.status()
    for belief in smoothed(home, source, every=every, settings=settings, hypotheses=hypotheses):
        click.echo(to_json(belief, smoothed=True))
    return source.status()
