"""What ends in an error halfway is undone."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from copy import copy


@contextmanager
def undone_if_refused(*things: object) -> Iterator[None]:
    """If what follows ends in an error, some things have again what they had, and as much in their lists and queues."""
    before = [{name: _kept(value) for name, value in vars(thing).items()} for thing in things]
    try:
        yield
    except BaseException:
        for thing, attributes in zip(things, before, strict=True):
            vars(thing).update(attributes)
        raise


def _kept(value: object) -> object:
    return copy(value) if isinstance(value, list | deque) else value
