"""What homes, beliefs, passages and days show in a notebook: a picture, and beneath it a page where scripts run.

The picture stands alone: it is all that is seen where a notebook is not trusted, where scripts do not run, in print.
"""

from __future__ import annotations

import base64
import html
from typing import Any

from presence.draw.day import Day
from presence.draw.hours import timeline
from presence.draw.page import page as page_of
from presence.draw.paper import Chart
from presence.draw.passing import passage
from presence.draw.plans import plan, probabilities
from presence.floorplan import Floorplan
from presence.passages import Passage
from presence.snapshot import Belief

LONGEST = 3 * 86400.0
"""Seconds of a log that a page steps through; a longer one would make a notebook heavy."""
_latest: list[tuple[Any, Chart, bytes]] = []
"""The last picture: a notebook asks for it twice, as PNG and within HTML."""


def picture(thing: Any) -> Chart | None:
    """The picture of a home, a belief, a passage or a day; None for one that knows no plan to be drawn on."""
    if isinstance(thing, Floorplan):
        return plan(thing)
    if isinstance(thing, Day):
        return timeline(thing)
    if isinstance(thing, Belief) and thing.plan is not None:
        return probabilities(thing.plan, thing)
    if isinstance(thing, Passage) and thing.plan is not None:
        return passage(thing.plan, thing)
    return None


def png(thing: Any) -> bytes | None:
    """The picture as a PNG file."""
    if _latest and _latest[0][0] is thing:
        return _latest[0][2]
    chart = picture(thing)
    if chart is None:
        return None
    _latest[:] = [(thing, chart, chart.png())]
    return _latest[0][2]


def html_of(thing: Any) -> str | None:
    """The picture within HTML, with what it shows in words, and for a day a page to step through where scripts run."""
    data = png(thing)
    if data is None:
        return None
    alt = html.escape(_latest[0][1].alt, quote=True)
    image = f'<img alt="{alt}" style="max-width:100%" src="data:image/png;base64,{base64.b64encode(data).decode()}">'
    return f"<div>{image}{_stepping(thing)}</div>"


def _stepping(thing: Any) -> str:
    """The interactive page of a day, folded away under its picture; nothing for a part of a day or a long log."""
    if not isinstance(thing, Day) or not thing.whole:
        return ""
    if (thing.end - thing.begin).total_seconds() > LONGEST:
        return ""
    page = page_of(
        thing.plan,
        thing.events,
        truth=thing.truth or None,
        log="the day above",
        every=thing.every,
        settings=thing.settings,
        hypotheses=thing.hypotheses,
    )
    style = "width:100%;height:760px;border:0"
    frame = f'<iframe title="step through the day" style="{style}" srcdoc="{html.escape(page)}"></iframe>'
    return f"<details><summary>Step through this day</summary>{frame}</details>"
