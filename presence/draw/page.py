"""One self-contained page of a home and what was believed about it: opens by double-click, fetches nothing.

Names come from people's files, so they are data, never markup: they reach the page inside one JSON value and are put
on it as text only. The page's own policy forbids every request and every script but its own.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Iterable, Sequence
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

from presence.draw.document import document
from presence.draw.recording import recording
from presence.errors import Fault, InputError
from presence.events import Event
from presence.floorplan import Floorplan
from presence.settings import Settings
from presence.truth import TruthLine
from presence.writing import written_to

SCRIPTS = ("unpack.js", "plan.js", "arrows.js", "timeline.js", "panels.js", "page.js")
NOTHING_ELSE = "base-uri 'none'; form-action 'none'"
ESCAPES = {ord(c): f"\\u{ord(c):04x}" for c in "<>&\u2028\u2029"}
"""What could end or open markup inside a script element, as JSON spells it."""


def page(
    plan: Floorplan,
    events: Iterable[Event] | None = None,
    *,
    truth: Sequence[TruthLine] | None = None,
    log: str = "",
    every: float = 60.0,
    settings: Settings | None = None,
    hypotheses: int = 16,
    explain: bool | int = False,
) -> str:
    """The page as HTML; the same plan, log and truth give the same bytes.

    Args:
        plan: the home.
        events: a log in order of time; None for the plan alone.
        truth: where everybody was, in order of time, to be laid over what was believed.
        log: the path or name of the log; its last part is shown.
        every: step of the grid of beliefs, seconds.
        settings: rates and probabilities of the model.
        hypotheses: the largest number of hypotheses kept.
        explain: also show the weights of evidence behind changes and passages, which takes several times as long; a
            number: about as many, from the beginning.

    Raises:
        SettingError, EventError: as `presence.replay.replay`.
    """
    kept = None
    if events is not None:
        kept = recording(plan, events, every=every, settings=settings, hypotheses=hypotheses, explain=explain)
    return assemble(plan.name, document(plan, kept, truth, Path(log).name or None))


def target(out: str, plan: str, log: str | None, truth: str | None, learned: str | None = None) -> Path:
    """Where a page is to be written, if no file that is read stands there.

    Raises:
        InputError: as `presence.writing.written_to`, or if there is a truth without a log to lay it over.
    """
    goal = written_to(out, (plan, log, truth, learned))
    if truth is not None and log is None:
        raise InputError([Fault(truth, 0, "a truth is laid over a log; the log's name after the plan would be right")])
    return goal


def assemble(title: str, data: dict[str, Any]) -> str:
    """A page out of its template files and what it is to show."""
    style = _text("page.css")
    script = '"use strict";\n(() => {\n' + "\n".join(_text(name) for name in SCRIPTS) + "})();\n"
    rules = ("default-src 'none'", f"style-src '{_digest(style)}'", f"script-src '{_digest(script)}'", NOTHING_ELSE)
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":")).translate(ESCAPES)
    parts = {"title": html.escape(title), "policy": "; ".join(rules), "style": style, "script": script, "data": text}
    return Template(_text("page.html")).substitute(parts)


def _text(name: str) -> str:
    return (files("presence.draw") / "template" / name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    """How a content security policy names an inline style or script (W3C CSP Level 3, section 2.3.1)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
