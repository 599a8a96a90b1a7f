"""What has been worked out already, in a file beside the one to be written: stop at any time, go on with `--resume`.

The search is deterministic: when it runs again, every answer that the journal holds comes at once.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from presence.errors import Fault, InputError
from presence.kept import WRITER, this_version
from presence.learned import write_json

FORMAT = "what presence learn has worked out so far"
VERSION = 5


class Journal:
    """Answers by question, kept in a file after every new one; without a path, in memory only.

    Args:
        path: the file; None: nowhere.
        about: what the answers depend on (plan, logs, options).
        resume: take up what the file holds.

    Raises:
        InputError: if the file to take up is missing, no journal, or about something else; or if there is one that is
            not to be taken up: it may be the work of hours.
    """

    def __init__(self, path: Path | None, about: Mapping[str, Any], *, resume: bool = False) -> None:
        self.path = path
        self.about = dict(about)
        self.answers: dict[str, Any] = {}
        if path is None:
            return
        if resume:
            self.answers = _read(path, self.about)
        elif path.exists():
            text = "holds what a stopped run had worked out; --resume goes on with it, and removing it starts again"
            raise InputError([Fault(str(path), 0, text)])

    def ask(self, question: str) -> Any:
        """The answer, or None."""
        return self.answers.get(question)

    def note(self, question: str, answer: Any) -> None:
        """Keep an answer (of JSON values)."""
        self.answers[question] = answer
        if self.path is not None:
            written = {"format": FORMAT, "version": VERSION, WRITER: this_version()}
            write_json(self.path, {**written, "about": self.about, "answers": self.answers})

    def close(self) -> None:
        """Remove the file: all is done."""
        if self.path is not None:
            self.path.unlink(missing_ok=True)


def digest(parts: object) -> str:
    """A short hash of JSON values or of anything with a stable text."""
    return hashlib.sha256(json.dumps(parts, default=str, sort_keys=True).encode()).hexdigest()[:12]


def _read(path: Path, about: Mapping[str, Any]) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        reason = error.strerror
        raise InputError([Fault(str(path), 0, f"there is nothing to resume ({reason}); leave --resume out")]) from None
    except (ValueError, RecursionError) as error:
        raise InputError([Fault(str(path), 0, f"is not JSON ({error}); remove it and leave --resume out")]) from None
    ours = isinstance(content, dict) and content.get("format") == FORMAT
    if ours and (content.get("version"), content.get(WRITER)) != (VERSION, this_version()):
        found = content[WRITER] if isinstance(content.get(WRITER), str) else "an older one"
        text = f"was begun by another version of presence ({found}; this one is {this_version()})"
        raise InputError([Fault(str(path), 0, f"{text}; remove it and leave --resume out to start again")])
    if not ours or not all(isinstance(content.get(part), dict) for part in ("about", "answers")):
        raise InputError([Fault(str(path), 0, "is no state of `presence learn`; remove it and leave --resume out")])
    differing = [key for key, value in about.items() if content["about"].get(key) != value]
    if differing:
        text = f"was begun with other {' and '.join(differing)}; remove it and leave --resume out to start again"
        raise InputError([Fault(str(path), 0, text)])
    answers: dict[str, Any] = content["answers"]
    return answers
