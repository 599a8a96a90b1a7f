"""The command `presence advise`: which sensor to add next, and which ones could go."""

from __future__ import annotations

import click

from presence.cli_options import AS_JSON, EVERY, LEARNED, PLAN
from presence.cli_source import load_learned
from presence.errors import DONE, FAILED


@click.command()
@PLAN
@click.option(
    "--days", type=click.FloatRange(min=0, min_open=True), default=3.0, show_default=True, help="Days of each life."
)
@click.option("--seeds", default="1-5", show_default=True, help="Which lives: a range (1-5) or a list (3,5,9).")
@click.option(
    "--kinds",
    default="motion,contact",
    show_default=True,
    help="Kinds of sensors to try; also occupancy, camera, pressure, phone.",
)
@click.option("--removals/--no-removals", default=True, show_default=True, help="Also try to take each sensor away.")
@EVERY
@LEARNED
@AS_JSON
@click.option("--workers", type=click.IntRange(min=1), help="Processes.  [default: all cores]")
@click.option("--scheduler", metavar="ADDRESS", help="The Dask cluster that does the work.")
def advise(
    plan: str,
    days: float,
    seeds: str,
    kinds: str,
    removals: bool,
    every: float,
    learned: str | None,
    as_json: bool,
    workers: int | None,
    scheduler: str | None,
) -> int:
    """Say which sensor to add and which could go.

    The same lives are simulated with and without it.
    """
    import json

    from presence.advice_text import text, to_mapping
    from presence.advise import advise as ask
    from presence.cli_many import cores, progress, whole_numbers

    home, settings = load_learned(plan, learned)
    advice = ask(
        home,
        days=days,
        seeds=whole_numbers("--seeds", seeds),
        kinds=[kind.strip() for kind in kinds.split(",") if kind.strip()],
        removals=removals,
        every=every,
        settings=settings,
        workers=cores(workers),
        scheduler=scheduler,
        watch=lambda done, total: progress(done, total, "lives"),
    )
    click.echo(json.dumps(to_mapping(advice), indent=2) if as_json else text(advice), nl=as_json)
    return FAILED if advice.failed else DONE
