"""Arguments and options of several commands, each said once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

FILE = click.Path(readable=False)
"""A path as it is: whoever reads it says what is wrong with it, in the words that all faults of files have."""
FILE_OR_PIPE = click.Path(readable=False, allow_dash=True)
PLAN = click.argument("plan", type=FILE)
LOG = click.argument("log", type=FILE_OR_PIPE)
EVERY = click.option("--every", type=float, default=60.0, show_default=True, help="Seconds from answer to answer.")
LEARNED = click.option("--learned", type=FILE, help="What `presence learn` wrote for this plan.")
STRICT = click.option("--strict", is_flag=True, help="Stop at the first bad line instead of skipping it.")
DAYS_MISSING = "Missing option '--days'."
"""Of one home always, of many where their table names none."""
WHAT_IFS = """Columns of a table: home, plan, days, seed, visits_per_week, deliveries_per_week, car_share,
together_share, no_phones, no_visitors, no_pets, walking_speed, indoor_share, outer_door_closing, inner_door_closing,
idle_door_share, locking, lost_share, late_share, late_up_to, stuck_share, forgotten_phone, phone_delay,
offline_reports, roles.PERSON, dead.SENSOR, hold.SENSOR, blind_time.SENSOR, misses.SENSOR, false_alarms.SENSOR,
lost.SENSOR, late.SENSOR. Instead of SENSOR a kind of sensor may stand (but for dead), or * for all. An empty cell
leaves the default; what each means stands in presence/simulate/settings.py."""
"""What a table of what-ifs may ask of the simulation: all of its settings."""


class Scored(click.Command):
    """A command that takes tables of what-ifs about the model; its help ends with their columns."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the columns; what they are is looked up only when somebody asks."""
        from presence.homes import columns_of
        from presence.settings import Settings

        told = f"""Columns of a table: home, plan, log, truth, every, hypotheses, {", ".join(columns_of(Settings))}. An
        empty cell leaves the default; a setting of four numbers, one for each pace, has them in one cell with blanks.
        What each means stands in presence/settings.py."""
        formatter.write_paragraph()
        formatter.write_text(" ".join(told.split()))


AS_JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")


def hypotheses(default: int = 16) -> Decorator:
    """How many hypotheses a command keeps at most, where it is not said."""
    told = "Hypotheses of who did what, at most: more are slower, and help where many people live."
    return click.option("--hypotheses", type=click.IntRange(min=1), default=default, show_default=True, help=told)
