"""A bounded memory of computed values."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

T = TypeVar("T")


class Recent(OrderedDict[Hashable, T]):
    """A bounded memory of computed values: the least recently used goes first."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self.most = most

    def __reduce__(self) -> tuple[Any, ...]:
        """A copy or a pickle begins empty: what is computed can be computed again."""
        return type(self), (self.most,)

    def recall(self, key: Hashable) -> T | None:
        """The remembered value, if there is one; it is used again."""
        value = self.get(key)
        if value is not None:
            self.move_to_end(key)
        return value

    def get_or(self, key: Hashable, compute: Callable[[], T]) -> T:
        """The remembered value, or a new one that is remembered."""
        value = self.recall(key)
        return self.keep(key, compute()) if value is None else value

    def keep(self, key: Hashable, value: T) -> T:
        """Remember a value, as the one used last; it is returned."""
        self[key] = value
        self.move_to_end(key)
        while len(self) > self.most:
            self.popitem(last=False)
        return value


class Derived(Recent[tuple[object, T]]):
    """What was computed from the latest few objects, which must not be changed in place."""

    def of(self, owner: object, compute: Callable[[], T], *key: Hashable) -> T:
        """What was computed from this very object, or is now; of several such values this `key`."""
        at = (id(owner), *key)
        known = self.recall(at)
        if known is None or known[0] is not owner:  # an id is used again once its owner is gone
            known = self.keep(at, (owner, compute()))
        return known[1]
