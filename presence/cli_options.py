"""Arguments and options of several commands, each said once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

PLAN = click.argument("plan", type=click.Path())
LOG = click.argument("log", type=click.Path(allow_dash=True))
EVERY = click.option("--every", type=float, default=60.0, show_default=True, help="Seconds from answer to answer.")
LEARNED = click.option("--learned", type=click.Path(), help="What `presence learn` wrote for this plan.")
STRICT = click.option("--strict", is_flag=True, help="Stop at the first bad line instead of skipping it.")
DAYS_MISSING = "Missing option '--days'."
"""Of one home always, of many where their table names none."""
AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")


def hypotheses(default: int = 16) -> Decorator:
    """How many hypotheses a command keeps at most, where it is not said."""
    told = "Hypotheses of who did what, at most: more are slower, and help where many people live."
    return click.option("--hypotheses", type=click.IntRange(min=1), default=default, show_default=True, help=told)
