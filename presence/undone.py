"""What is refused or interrupted halfway is undone."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager

CHANGED = (list, deque)
"""What is changed in place; built once, for this runs at every event."""


@contextmanager
def undone_if_refused(*things: object) -> Iterator[None]:
    """If what follows is refused or interrupted, some things have what they had, in their lists and queues too."""
    had = [{k: v.copy() if isinstance(v, CHANGED) else v for k, v in vars(thing).items()} for thing in things]
    try:
        yield
    except BaseException:
        for thing, attributes in zip(things, had, strict=True):
            vars(thing).update(attributes)
        raise
