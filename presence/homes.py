"""Many homes on disk: a folder of homes, a pattern, or a table of what-ifs, each home with its files and settings.

    homes/ -> homes/a/{plan.yaml, log.jsonl, truth.jsonl}, homes/b/...      a table: one home or what-if a row

What is wrong with one home is kept with it and does not stop the others; a table that cannot be read stops all.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from glob import glob
from itertools import chain
from pathlib import Path
from typing import Any

from presence.errors import Fault, InputError, counted, did_you_mean, shown
from presence.permitted import WITH_NAMES
from presence.rows import SEPARATORS

FILES: Mapping[str, tuple[str, ...]] = {
    "plan": ("plan.yaml", "plan.yml", "plan.json"),
    "log": ("log.jsonl", "log.jsonl.gz", "log.csv", "log.csv.gz", "log.parquet"),
    "truth": ("truth.jsonl", "truth.jsonl.gz"),
}
"""What the files of a home are called in its folder."""
PLANS = (".yaml", ".yml", ".json")
MOST_NAMED = 10
"""Folders that are named where they are left out."""
TABLE = ".csv"
YES_NO = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


@dataclass(frozen=True, slots=True)
class Home:
    """One home or what-if of many."""

    name: str
    files: Mapping[str, str]
    """Paths by `plan`, `log`, `truth`, as people are told of them."""
    options: Mapping[str, Any] = field(default_factory=dict)
    """What its row of a table says instead of the command: numbers such as `days`."""
    settings: Mapping[str, Any] = field(default_factory=dict)
    """The same for fields of the settings."""
    faults: tuple[Fault, ...] = ()
    """What keeps it from being used."""
    row: tuple[str, int] | None = None
    """Table and line that it comes from."""


def is_many(given: Sequence[str]) -> bool:
    """Whether arguments of a command stand for many homes: folders, patterns or a table, or several with a folder."""
    several = len(given) > 1 and any(_is_folder(text) for text in given)
    return several or (bool(given) and all(_is_group(text) for text in given))


def _is_group(text: str) -> bool:
    return _is_folder(text) or text.lower().endswith(TABLE) or (_is_pattern(text) and not os.path.lexists(text))


def _is_folder(text: str) -> bool:
    """Whether there is one; of a file in a folder that may not be looked into, whoever reads it says so."""
    return os.path.isdir(text)  # noqa: PTH112, Path.is_dir() would raise


def _is_pattern(text: str) -> bool:
    return any(sign in text for sign in "*?[")


def find_homes(
    given: Sequence[str],
    needed: Sequence[str],
    *,
    options: Mapping[str, type],
    settings: type,
    on_doubt: Callable[[Fault], None] | None = None,
) -> list[Home]:
    """The homes that arguments stand for, in the order of the arguments, and by name within each.

    An argument that stands for none, and a home of a name that another has, are homes with a fault.

    Args:
        given: folders (a home, or with homes inside), patterns of such or of plans, plans, tables.
        needed: which of `FILES` a home must have.
        options: columns of a table besides the files and the fields of `settings`, and their types.
        settings: a dataclass with a default for every field.
        on_doubt: is told of folders within the arguments that are left out since they hold no file of a home.

    Raises:
        InputError: if there is no home, or if a table cannot be read as one.
    """
    found: list[Home] = []
    none: list[Fault] = []
    for text in given:
        if text.lower().endswith(TABLE):
            found += _in_table(text, needed, options, settings)
            continue
        paths = sorted(glob(text)) if _is_pattern(text) and not os.path.lexists(text) else [text]  # noqa: PTH207, a pattern may be absolute
        homes = [home for path in paths for home in _at(path, needed)]
        if not homes:
            names = ", ".join("/".join(FILES[what][:1]) for what in needed)
            none.append(Fault(text, 0, f"no home is there; folders with {names} would be right"))
            homes = [Home(text, dict.fromkeys(needed, text), faults=(none[-1],))]
        elif on_doubt is not None:
            _tell_left_out(text, paths, needed, on_doubt)
        found += homes
    if len(none) == len(found):
        raise InputError(none)
    return _each_name_once(found)


def _each_name_once(homes: Sequence[Home]) -> list[Home]:
    """The homes; of one name all but the first have a fault, and are called by where they are."""
    names: set[str] = set()
    found = []
    for home in homes:
        if home.name in names:
            path, line = home.row or (home.files["plan"], 0)
            fault = Fault(path, line, f"a second home is called {shown(home.name)}; one would be right")
            home = replace(home, name=f"{path}:{line}", faults=(*home.faults, fault))
        names.add(home.name)
        found.append(home)
    return found


def _tell_left_out(text: str, paths: Sequence[str], needed: Sequence[str], on_doubt: Callable[[Fault], None]) -> None:
    """Name the folders of an argument in which there is no file of a home."""
    at = Path(text)
    if paths != [text]:  # a pattern
        folders = [Path(path) for path in paths if Path(path).is_dir() and not _at(path, needed)]
    elif at.is_dir() and not _is_home(at):
        folders = [inner for inner in _inside(at) if inner.is_dir() and not _is_home(inner)]
    else:
        return
    if folders:
        named = ", ".join(folder.name for folder in folders[:MOST_NAMED])
        more = f" and {len(folders) - MOST_NAMED} more" if len(folders) > MOST_NAMED else ""
        many = counted(len(folders), "folder")
        on_doubt(Fault(text, 0, f"{many} without any file of a home left out: {named}{more}"))


def _inside(folder: Path) -> list[Path]:
    return sorted(inner for inner in folder.iterdir() if not inner.name.startswith("."))


def _at(path: str, needed: Sequence[str]) -> list[Home]:
    """The homes at a path: a plan, a folder that is a home, or the homes and plans in a folder."""
    at = Path(path)
    if not at.is_dir():
        is_plan = tuple(needed) == ("plan",) and at.suffix.lower() in PLANS
        return [Home(at.stem, {"plan": path})] if is_plan else []
    if _is_home(at):
        return [_folder(at, needed)]
    inside = _inside(at)
    homes = [_folder(inner, needed) for inner in inside if inner.is_dir() and _is_home(inner)]
    return homes + [home for inner in inside if not inner.is_dir() for home in _at(str(inner), needed)]


def _is_home(folder: Path) -> bool:
    return any((folder / name).exists() for names in FILES.values() for name in names)


def _folder(folder: Path, needed: Sequence[str]) -> Home:
    files, faults = {}, []
    for what in needed:
        there = [name for name in FILES[what] if (folder / name).exists()]
        files[what] = str(folder / (there or FILES[what])[0])
        if not there:
            faults.append(Fault(files[what], 0, f"is missing; one of {', '.join(FILES[what])} would be right"))
        elif len(there) > 1:
            faults.append(Fault(files[what], 0, f"{there[1]} stands beside it; one {what} would be right"))
    return Home(folder.resolve().name, files, faults=tuple(faults))


# --- tables -----------------------------------------------------------------------------------------------------------
def _in_table(path: str, needed: Sequence[str], options: Mapping[str, type], settings: type) -> list[Home]:
    """One home a row; columns `home`, the files, options and settings; an empty cell leaves the default."""
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:  # noqa: PTH123, a path may be any text
            first = file.readline()
            separator = max(SEPARATORS, key=first.count)
            rows = csv.reader(chain([first], file), delimiter=separator, strict=True)
            head = [name.strip() for name in next(rows, [])]
            lines = [(rows.line_num, [cell.strip() for cell in row]) for row in rows]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError([Fault(path, 0, f"cannot be read as a table ({reason}); CSV in UTF-8 is needed")]) from None
    known = {"home": str, **dict.fromkeys(needed, str), **options, **columns_of(settings)}
    faults = [Fault(path, 1, f"unknown column {shown(c)}; {_instead(c, known)}") for c in head if not _is(c, known)]
    faults += [Fault(path, 1, f"column {shown(c)} stands twice; once would be right") for c in _twice(head)]
    faults += [Fault(path, 1, f"no column {shown(c)}; every row needs it") for c in needed if c not in head]
    if faults:
        raise InputError(faults)
    homes = [_row(path, line, head, row, known, needed, options) for line, row in lines if any(row)]
    if not homes:
        raise InputError([Fault(path, 1, "no row in this table; one home a row would be right")])
    return homes


def columns_of(settings: type) -> dict[str, Any]:
    """Each field that a table may set, and its default, by which cells are read; what is nested deeper fits no cell."""
    default = settings()
    return {item.name: getattr(default, item.name) for item in fields(default) if item.name not in WITH_NAMES}


def _is(column: str, known: Mapping[str, Any]) -> bool:
    """Whether a column is known; `misses.motion` is the entry `motion` of the mapping `misses`."""
    name, dot, entry = column.partition(".")
    return name in known and isinstance(known[name], Mapping) == bool(dot and entry)


def _instead(column: str, known: Mapping[str, Any]) -> str:
    """What would be right instead of an unknown column."""
    name, dot, _ = column.partition(".")
    if not dot and isinstance(known.get(name), Mapping):
        return f"one for each entry, {name}.NAME, would be right"
    return did_you_mean(column, known)


def _twice(names: Sequence[str]) -> list[str]:
    return sorted({name for name in names if names.count(name) > 1})


def _row(
    path: str,
    line: int,
    head: Sequence[str],
    row: Sequence[str],
    known: Mapping[str, Any],
    needed: Sequence[str],
    options: Mapping[str, type],
) -> Home:
    beside = Path(path).parent
    cells = {column: cell for column, cell in zip(head, row, strict=False) if cell}
    faults = [] if len(row) <= len(head) else [f"{len(row)} cells under {len(head)} columns; one each would be right"]
    faults += [f"no {what}; every row needs one" for what in needed if what not in cells]
    name = cells.get("home", f"row-{line}")
    if Path(name).name != name or name in (".", ".."):
        faults.append(f"home {shown(name)} is no name; one without a slash would be right")
    given: dict[str, Any] = {}
    for column, cell in cells.items():
        if column != "home" and column not in needed:
            try:
                _put(given, column, cell, known)
            except ValueError as error:
                faults.append(f"{column}: {error}")
    return Home(
        name,
        {what: str(beside / cells.get(what, "")) for what in needed},
        {key: value for key, value in given.items() if key in options},
        {key: value for key, value in given.items() if key not in options},
        tuple(Fault(path, line, message) for message in faults),
        (path, line),
    )


def _put(given: dict[str, Any], column: str, cell: str, known: Mapping[str, Any]) -> None:
    name, _, entry = column.partition(".")
    if entry:
        given.setdefault(name, {})[entry] = cell if name == "roles" else _number(cell)
        return
    like = known[name]
    if isinstance(like, bool):
        if cell.lower() not in YES_NO:
            raise ValueError(f"{shown(cell)} is neither yes nor no")
        given[name] = YES_NO[cell.lower()]
    elif isinstance(like, tuple):
        given[name] = tuple(_number(part) for part in cell.replace(";", " ").split())
        if len(given[name]) != len(like):
            raise ValueError(f"{shown(cell)} holds {len(given[name])} numbers; {len(like)} with blanks would be right")
    else:
        given[name] = _number(cell, whole=like is int or (isinstance(like, int) and not isinstance(like, type)))


def _number(cell: str, *, whole: bool = False) -> float:
    try:
        return int(cell) if whole else float(cell)
    except ValueError:
        raise ValueError(f"{shown(cell)} is no {'whole ' if whole else ''}number") from None
