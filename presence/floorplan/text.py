"""Plan text in YAML or JSON -> plain values, each with its line. Nothing is guessed, nothing explodes.

YAML 1.1 turns some plain words into something else than text: `no` into false, `12:30` into 750, `0123` into 83. The
values come out as YAML says, but each such word is remembered as written, so that a message can name it where text was
wanted. Size, depth, and references are bounded, so that no file can use up the memory.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, field
from typing import Any

import yaml

from presence.errors import Fault, shown

Path = tuple[str | int, ...]
"""Keys and indices from the top of a plan down to a value."""
MAX_SIZE = 1 << 20
"""Bytes; a large home takes a hundredth of this."""
MAX_DEPTH = 12
"""Levels of nesting; a plan needs five."""
MAX_VALUES = 50_000
EMPTY = "is empty; a plan needs at least `name`, `time_zone` and `rooms`"
_TAG = "tag:yaml.org,2002:"
_Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_RESOLVER: Any = yaml.resolver.Resolver()
_CONSTRUCTOR = yaml.constructor.SafeConstructor()
_ESCAPE = re.compile(r"\\(?:u([dD][89abAB][0-9a-fA-F]{2})\\u([dD][c-fC-F][0-9a-fA-F]{2})|.)", re.DOTALL)
"""A backslash in JSON with what it stands before; the two halves of a character beyond 16 bits."""


@dataclass(slots=True)
class Text:
    """A plan as plain values (dict, list, str, int, float, bool, None), and where each came from."""

    path: str
    """Of the file, as messages name it."""
    value: Any = None
    lines: dict[Path, int] = field(default_factory=dict)
    """Line of each key, and of each item of a list."""
    written: dict[Path, str] = field(default_factory=dict)
    """Unquoted words that do not stand for text, as written."""
    named: set[Path] = field(default_factory=set)
    """Values that already have a fault, so that nothing more need be said of them."""
    faults: list[Fault] = field(default_factory=list)

    def add(self, line: int, message: str) -> None:
        """Note a fault at a line."""
        self.faults.append(Fault(self.path, line, message))

    def line_of(self, where: Path) -> int:
        """The line of a value, or of the nearest thing around it; 0 if there are no lines."""
        while where and where not in self.lines:
            where = where[:-1]
        return self.lines.get(where, 0)


def read_text(path: str, raw: bytes) -> Text:
    """Take apart the bytes of a plan; `value` is None if they are beyond reading."""
    text = Text(path)
    if len(raw) > MAX_SIZE:
        text.add(0, f"is larger than {MAX_SIZE} bytes, which no floor plan is; give the plan, not the log")
        return text
    try:
        content = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        text.add(line, f"byte 0x{raw[error.start]:02x} is no UTF-8 text; a plan is YAML or JSON, saved as UTF-8")
        return text
    if "\0" in content:
        text.add(content[: content.index("\0")].count("\n") + 1, "a zero byte: this is no text; a plan is YAML or JSON")
        return text
    if not content.strip():
        text.add(1, EMPTY)
        return text
    is_json = _is_json(text, content)
    if not text.faults:
        _build(text, _as_yaml(content) if is_json else content, is_json=is_json)
    return text


def _as_yaml(content: str) -> str:
    """JSON as YAML takes it, line for line: no tabs, no characters in two halves."""

    def joined(match: re.Match[str]) -> str:
        if match[1] is None:
            return match[0]
        return bytes.fromhex(match[1] + match[2]).decode("utf-16-be")

    return _ESCAPE.sub(joined, content.replace("\t", " "))


def _is_json(text: Text, content: str) -> bool:
    """Whether a plan is JSON; a fault if its name says so and it is not."""
    if not (content.lstrip().startswith("{") or text.path.endswith(".json")):
        return False
    try:
        json.loads(content)
    except json.JSONDecodeError as error:
        if text.path.endswith(".json"):
            text.add(error.lineno, f"is not JSON (column {error.colno}): {error.msg}")
    except (RecursionError, ValueError):  # too deep, or a number too long: named when it is taken apart
        return True
    else:
        return True
    return False


def _build(text: Text, content: str, *, is_json: bool) -> None:
    """Take the text apart; where it cannot be read to its end, what was read is not judged by half."""
    builder = _Builder(text, is_json=is_json)
    try:
        if all(builder.take(event) for event in yaml.parse(content, Loader=_Loader)):
            if not builder.documents:
                text.add(1, EMPTY)
            return
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        what = " ".join(filter(None, (error.context, error.problem))) or "the YAML is damaged"
        line = min(mark.line + 1, len(content.splitlines())) if mark else 0
        text.add(line, f"cannot be read as YAML: {_hint(content, mark, what)}")
    except yaml.reader.ReaderError as error:
        line = content.count("\n", 0, error.position) + 1
        text.add(line, f"cannot be read as YAML: control character {error.character} is not allowed; write plain text")
    text.value = None


def _hint(content: str, mark: yaml.Mark | None, what: str) -> str:
    """What the parser says, and what is likely to have happened."""
    lines = content.splitlines()
    rest = (
        "".join([lines[mark.line][mark.column :], *lines[mark.line + 1 :]]) if mark and mark.line < len(lines) else ""
    )
    if not rest.strip():
        return f"{what} (is the file cut off?)"
    if mark and "\t" in lines[mark.line][: mark.column + 1]:
        return f"{what} (indent with spaces, not with tabs)"
    if "document start" in what:
        return f"{what} (is this a log? a plan is one mapping)"
    if "mapping values are not allowed" in what:
        return f"{what} (a key's colon needs a blank behind it, and text with a colon in it quotes)"
    if "block mapping" in what:
        return f"{what} (do its entries begin in one column?)"
    if "cannot start any token" in what:
        return f"{what} (put text that begins with such a character in quotes)"
    return what


@dataclass(slots=True)
class _Open:
    """A mapping or list whose end has not come yet."""

    value: dict[str, Any] | list[Any]
    where: Path
    key: str | None = None
    """Of the value that comes next; None where a key comes next, or where the value is to be dropped."""
    expects_key: bool = False


class _Builder:
    """Builds the values from the parser's events, one by one and without recursion."""

    def __init__(self, text: Text, *, is_json: bool) -> None:
        self.text, self.is_json = text, is_json
        self.open: list[_Open] = []
        self.documents = self.values = 0

    def take(self, event: yaml.Event) -> bool:
        """Take in one event; False if nothing more is to be read."""
        line = event.start_mark.line + 1 if event.start_mark else 0
        if isinstance(event, yaml.DocumentStartEvent):
            self.documents += 1
            if self.documents > 1:
                self.text.add(line, "a second document begins; a plan is one document, without a second ---")
                return False
        elif isinstance(event, yaml.AliasEvent):
            self.text.add(line, f"*{event.anchor} refers to another place in the file; write it out")
            if self.open and self.open[-1].expects_key:
                return False
            self.text.named.add(self._put(line, None))
        elif isinstance(event, yaml.ScalarEvent):
            return self._scalar(event, line)
        elif isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
            return self._begin(event, line)
        elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
            self.open.pop()
        return True

    def _begin(self, event: yaml.CollectionStartEvent, line: int) -> bool:
        self._look_at(event, line)
        self.values += 1
        if len(self.open) >= MAX_DEPTH:
            self.text.add(line, f"is nested more than {MAX_DEPTH} levels deep; a plan needs no more than six")
            return False
        if self.open and self.open[-1].expects_key:
            self.text.add(line, "a list or mapping stands where a key is wanted; write an id or the name of a field")
            return False
        is_mapping = isinstance(event, yaml.MappingStartEvent)
        value: dict[str, Any] | list[Any] = {} if is_mapping else []
        where = self._put(line, value)
        self.open.append(_Open(value, where, expects_key=is_mapping))
        return True

    def _look_at(self, event: yaml.NodeEvent, line: int) -> None:
        """Refuse anchors and tags: a plan is plain data."""
        if event.anchor:
            self.text.add(line, f"&{event.anchor} is a mark to refer to; write every part out where it belongs")
        tag = getattr(event, "tag", None)
        if tag not in (None, "!", f"{_TAG}str", f"{_TAG}map", f"{_TAG}seq"):
            self.text.add(line, f"tag {tag} is not for plans; leave it out")

    def _scalar(self, event: yaml.ScalarEvent, line: int) -> bool:
        self._look_at(event, line)
        self.values += 1
        value: Any = event.value
        if event.implicit[0] and not event.style:
            value = _plain_json(value) if self.is_json else _plain(value)
        if self.values > MAX_VALUES:
            self.text.add(line, f"here are more than {MAX_VALUES} values, which no floor plan has")
            return False
        if self.open and self.open[-1].expects_key:
            self._key(value, event.value, line)
            return True
        where = self._put(line, value)
        if not isinstance(value, str):
            self.text.written[where] = event.value
        return True

    def _key(self, value: Any, written: str, line: int) -> None:
        """Remember the key for the value that follows; say if it is no text, or there already."""
        parent = self.open[-1]
        parent.expects_key = False
        if not isinstance(value, str):
            self.text.add(line, f"as a key, {unquoted(written, value)}")
            value = written
            self.text.named.add((*parent.where, value))
        if value in parent.value:
            first = self.text.line_of((*parent.where, value))
            self.text.add(line, f"{shown(value)} is there already, at line {first}; each may be named once")
            return
        parent.key = value
        self.text.lines[*parent.where, value] = line

    def _put(self, line: int, value: Any) -> Path:
        """Put a value where it belongs; the way to it."""
        if not self.open:
            self.text.value = value
            self.text.lines[()] = line
            return ()
        parent = self.open[-1]
        if isinstance(parent.value, list):
            where = (*parent.where, len(parent.value))
            parent.value.append(value)
            self.text.lines[where] = line
            return where
        key, parent.key, parent.expects_key = parent.key, None, True
        if key is None:  # the second of two with one name: taken apart like the rest, but dropped
            return (*parent.where, "", line)
        parent.value[key] = value
        return (*parent.where, key)


def _plain_json(written: str) -> Any:
    try:
        return json.loads(written)
    except ValueError:  # thousands of digits
        return math.inf


def _plain(written: str) -> Any:
    """What YAML 1.1 takes an unquoted word for; dates and the like stay text."""
    tag = _RESOLVER.resolve(yaml.ScalarNode, written, (True, False))
    node = yaml.ScalarNode(tag, written)
    if tag == f"{_TAG}null":
        return None
    if tag == f"{_TAG}bool":
        return _CONSTRUCTOR.construct_yaml_bool(node)
    if tag == f"{_TAG}float":
        return _CONSTRUCTOR.construct_yaml_float(node)
    if tag == f"{_TAG}int":
        try:
            return _CONSTRUCTOR.construct_yaml_int(node)
        except ValueError:  # thousands of digits
            return math.inf
    return written


def unquoted(written: str, value: Any) -> str:
    """What to say of an unquoted word that does not stand for text."""
    if not written:
        return "nothing is written; write text"
    read = "nothing" if value is None else "a number" if shown(value) == written else shown(value)
    return f'{written} without quotes is read as {read}; for text write "{written}"'
