"""Calls of several threads wait for one another: none sees what another has half done."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from threading import RLock
from typing import Any, Self


class Turns:
    """What works off the calls of its public methods and properties one at a time, whichever threads they come from.

    So does, in the same turn, what it has of this kind as an attribute.
    """

    _turn: RLock

    def __new__(cls, *_: Any, **__: Any) -> Self:
        """Also what is unpickled or copied has a lock of its own."""
        new = super().__new__(cls)
        new._turn = RLock()
        return new

    def __setattr__(self, name: str, value: object) -> None:
        """What belongs to it waits with it."""
        if isinstance(value, Turns):
            vars(value)["_turn"] = self._turn
        super().__setattr__(name, value)

    def __getstate__(self) -> dict[str, Any]:
        """A lock is no part of what is kept."""
        return {name: value for name, value in vars(self).items() if name != "_turn"}

    def __init_subclass__(cls) -> None:
        """Let every public method and property of a subclass wait its turn."""
        super().__init_subclass__()
        for name, member in list(vars(cls).items()):
            if isinstance(member, property) and member.fget is not None:
                setattr(cls, name, property(_in_turn(member.fget)))
            elif callable(member) and not name.startswith("_"):
                setattr(cls, name, _in_turn(member))


def _in_turn(call: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(call)
    def waiting(self: Turns, *arguments: Any, **options: Any) -> Any:
        with self._turn:
            return call(self, *arguments, **options)

    return waiting
