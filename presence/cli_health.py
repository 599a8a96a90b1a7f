"""The command `presence health`: which sensors have fallen ill in a log."""

from __future__ import annotations

import click

from presence.cli_source import Source, load_learned


@click.command()
@click.argument("plan", type=click.Path())
@click.argument("log", type=click.Path(allow_dash=True))
@click.option("--learned", type=click.Path(), help="What `presence learn` wrote.")
@click.option("--json", "as_json", is_flag=True, help="For programs.")
@click.option("--strict", is_flag=True, help="Stop at the first bad line instead of skipping it.")
@click.option("--hypotheses", type=click.IntRange(min=1), default=8, show_default=True, help="The most that are kept.")
def health(plan: str, log: str, learned: str | None, as_json: bool, strict: bool, hypotheses: int) -> int:
    """Name the sensors that fell ill in a log (- for standard input): which, since when, how sure, and why."""
    from presence.health.report import text, to_json
    from presence.health.review import review

    home, settings = load_learned(plan, learned)
    source = Source(home, log, strict)
    found = review(home, source, settings=settings, hypotheses=hypotheses)
    click.echo(to_json(found) if as_json else text(found, home), nl=as_json)
    return source.status()
