"""Where people really were: truth files, line by line."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from os import PathLike
from pathlib import Path

from presence.floorplan import Floorplan


@dataclass(frozen=True, slots=True)
class TruthLine:
    """From this instant on, until their next line, the person is in the room."""

    time: datetime
    person: str
    """A resident's id; any other name is a visitor's."""
    room: str
    door: str | None = None
    """The door they came through, where two doors join the rooms."""

    @property
    def seconds(self) -> float:
        """Seconds since 1970-01-01T00:00Z."""
        return self.time.timestamp()


def read_truth(path: str | PathLike[str], plan: Floorplan) -> Iterator[TruthLine]:
    """The lines of a truth file."""
    for line in Path(path).read_text(encoding="utf-8").splitlines():
        fields = json.loads(line)
        fields["time"] = datetime.fromisoformat(fields["time"])
        yield TruthLine(**fields)
