"""The command `presence health`: which sensors look sick in a log."""

from __future__ import annotations

import click

from presence.cli_options import AS_JSON, LEARNED, LOG, PLAN, STRICT, hypotheses
from presence.cli_source import Source, load_learned


@click.command()
@PLAN
@LOG
@LEARNED
@AS_JSON
@STRICT
@hypotheses(8)
def health(plan: str, log: str, learned: str | None, as_json: bool, strict: bool, hypotheses: int) -> int:
    """Name the sensors that look sick in a log.

    Which, since when, how sure, and why. LOG may be - for standard input.
    """
    from presence.health.report import text, to_json
    from presence.health.review import OUT_OF_STEP, review

    home, settings = load_learned(plan, learned, log)
    source = Source(home, log, strict, OUT_OF_STEP)
    found = review(home, source, settings=settings, hypotheses=hypotheses)
    click.echo(to_json(found) if as_json else text(found, home), nl=as_json)
    return source.status()
