"""Files out: refused before the work is done, and written in one go."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path

from presence.errors import Fault, InputError


def written_to(out: str, read: Iterable[str | None] = ()) -> Path:
    """The path of a file that is to be written: better refused now than after the work is done.

    Args:
        out: the path.
        read: paths of what is read for it; None for what is not given.

    Raises:
        InputError: if its folder does not exist or takes no files, or if it would replace what is read.
    """
    goal = Path(out)
    if not goal.parent.is_dir():
        raise InputError([Fault(out, 0, f"there is no folder {goal.parent}; one that exists would be right")])
    if not os.access(goal if goal.exists() else goal.parent, os.W_OK):
        raise InputError([Fault(out, 0, "may not be written; another place, or leave to write there, would be right")])
    for path in read:
        if path is not None and goal.exists() and Path(path).exists() and goal.samefile(path):
            raise InputError([Fault(out, 0, "is read and cannot be written to as well; another --out would be right")])
    return goal


def write_whole(files: Mapping[Path, Iterable[str]]) -> None:
    """Write some files in one go, all of them or none: nobody ever sees half of one, and what goes wrong spoils none.

    Args:
        files: by path, the pieces of each. A path that is no file (a terminal, a pipe) is written to as it comes.

    Raises:
        OSError: of that path, if there is no room for it or it may not be written.
    """
    beside = {_beside(path): path for path in files}
    try:
        for part, path in beside.items():
            _write(part, path, files[path])
        for part, path in beside.items():
            if part != path:
                part.replace(path.resolve())
    finally:
        for part, path in beside.items():
            if part != path:
                part.unlink(missing_ok=True)


def _beside(path: Path) -> Path:
    """Where a file is written first: beside the one that a link leads to, where that may be; else in its own place.

    Its name is drawn, so that no file of anybody's has it.
    """
    goal, plain = path.resolve(), path.is_file() or not path.exists()
    return goal.with_name(f"presence-{os.urandom(8).hex()}.part") if plain and os.access(goal.parent, os.W_OK) else path


def _write(part: Path, path: Path, pieces: Iterable[str]) -> None:
    try:
        if part != path:
            older = path.exists()
            part.touch(mode=0o600 if older else 0o666, exist_ok=False)
            if older:  # who may read it may do so as before, and nobody else
                shutil.copymode(path, part)
        with part.open("w", encoding="utf-8", newline="\n") as file:
            file.writelines(pieces)
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(path)) from None
