"""What is kept of a tracker over a restart: only the version that wrote it may take it up again.

A pickle holds values as the code lays them out: another version would take one setting for its neighbour, silently.
"""

from __future__ import annotations

import pickle
from copy import deepcopy
from functools import cache
from hashlib import sha256
from types import ModuleType
from typing import Any, Self

from presence import (
    __version__,
    events,
    experience,
    habits,
    merging,
    movement,
    passages,
    places,
    record,
    settings,
    snapshot,
    witness,
)
from presence.errors import VersionError
from presence.floorplan import home
from presence.health import findings, twins
from presence.turns import Turns

LAID_OUT: tuple[ModuleType, ...] = (
    *(home, events, habits, settings, places, movement),
    *(merging, witness, passages, experience, snapshot, record, findings, twins),
)
"""Where the records are that a tracker consists of."""
WRITER = "written_by"
"""Under which name a pickle, or a state of `learn`, says which version wrote it..."""
KEPT = "kept"
"""...and a pickle what."""


@cache
def this_version() -> str:
    """The version and, in short, of which fields its records consist: `0.1.0-1f2e3d4c`."""
    named = [(value, module.__name__) for module in LAID_OUT for value in vars(module).values()]
    records = [value for value, module in named if isinstance(value, type) and value.__module__ == module]
    fields = [(r.__qualname__, *getattr(r, "_fields", getattr(r, "__dataclass_fields__", ()))) for r in records]
    return f"{__version__}-{sha256(repr(fields).encode()).hexdigest()[:8]}"


class Kept(Turns):
    """What says, as a pickle or a copy, which version wrote it, and takes up no other's."""

    def __getstate__(self) -> dict[str, Any]:
        with self._turn:  # at once: what pickles or copies reads the rest while other threads go on
            kept = pickle.dumps(super().__getstate__())
        return {WRITER: this_version(), KEPT: kept}

    def __copy__(self) -> Self:
        """Another that goes on by itself: with shared lists and queues either would hear of what only the other did."""
        return deepcopy(self)

    def __setstate__(self, state: dict[str, Any]) -> None:
        """Take up what was kept.

        Raises:
            VersionError: if another version wrote it.
        """
        writer = state.pop(WRITER, "an older one")
        if writer != this_version():
            raise VersionError(
                f"this {type(self).__name__} was pickled by another version of presence ({writer}; this one is"
                f" {this_version()}); start a new one and feed it the last days of your log"
            )
        for name, value in pickle.loads(state[KEPT]).items():
            setattr(self, name, value)
