"""What was learned for one home: a small JSON file that people can read, and that fits one plan only.

    presence learn PLAN LOG --out FILE -> FILE -> read_learned(FILE, plan) -> Tracker(learned.plan, learned.settings)

Only what differs from the defaults is written. The file names the plan by fingerprints of its parts, so that a file for
another home, or for this one before its rooms, doors, sensors or people were changed, is refused instead of bending the
answers; and so is one that was learned beside other defaults, for nobody has judged that mixture.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from presence import __version__, habits
from presence.errors import Fault, InputError, SettingError, shown
from presence.floorplan import Floorplan
from presence.permitted import FACTORED, WITH_NAMES
from presence.settings import Settings
from presence.writing import write_whole

FORMAT = "what presence learned"
VERSION = 1
PARTS = ("format", "version", "learned_by", "plan", "settings", "factors", "own_places", "habits", "holds", "report")
"""Keys of the file."""


@dataclass(frozen=True, slots=True)
class Learned:
    """What was learned for a plan, ready for a tracker."""

    plan: Floorplan
    """The plan with the hold times that were learned."""
    settings: Settings
    holds: Mapping[str, float] = field(default_factory=dict)
    """Motion sensors whose hold time is not what the plan says: seconds."""
    report: Mapping[str, Any] = field(default_factory=dict)
    """What it was learned from, and what it bought."""
    candidates: Mapping[str, Settings] = field(default_factory=dict)
    """Everything that was weighed, for a closer look; not in the file."""


def apply(
    plan: Floorplan,
    settings: Settings,
    holds: Mapping[str, float],
    report: Mapping[str, Any],
    candidates: Mapping[str, Settings] | None = None,
) -> Learned:
    """Join a plan with what was learned for it."""
    sensors = {k: replace(s, hold=holds[k]) if k in holds else s for k, s in plan.sensors.items()}
    return Learned(replace(plan, sensors=sensors), settings, holds, report, candidates or {})


def fingerprint(plan: Floorplan) -> dict[str, str]:
    """A short hash of each part of a plan on which what is learned hangs.

    What is learned still fits where labels, leaves, outlines, reaches or codes have been put right.
    """
    parts: dict[str, Any] = {
        "rooms": {r.id: [r.outdoors, r.rest] for r in plan.rooms.values()},
        "doors": {d.id: [d.between, d.at] for d in plan.doors.values()},
        "sensors": {s.id: [s.kind, s.room, s.door, s.person, s.hold, s.at] for s in plan.sensors.values()},
        "people": {p.id: [p.bed, p.awake] for p in plan.people.values()},
        "others": [{p.id: p.rooms for p in plan.pets.values()}, plan.visitors, plan.time_zone],
    }
    return {name: hashlib.sha256(json.dumps(part).encode()).hexdigest()[:12] for name, part in parts.items()}


def defaults_mark() -> str:
    """A short hash of all defaults of the model."""
    return hashlib.sha256(repr(Settings()).encode()).hexdigest()[:12]


def write_learned(path: str | Path, plan: Floorplan, learned: Learned) -> None:
    """Write the file in one go: a reader sees the old one or the new one, never half of one."""
    write_json(path, to_mapping(plan, learned))


def write_json(path: str | Path, content: Mapping[str, Any]) -> None:
    """Write JSON in one go."""
    write_whole({Path(path): [json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"]})


def to_mapping(plan: Floorplan, learned: Learned) -> dict[str, Any]:
    """The content of the file; `plan` is the plan as it was given."""
    usual = Settings()
    changed = {
        f.name: _rounded(value)
        for f in fields(Settings)
        if f.name not in WITH_NAMES and (value := getattr(learned.settings, f.name)) != getattr(usual, f.name)
    }
    return {
        "format": FORMAT,
        "version": VERSION,
        "learned_by": {"presence": __version__, "defaults": defaults_mark()},
        "plan": {"name": plan.name, "fingerprint": fingerprint(plan)},
        "settings": changed,
        "factors": _rounded_within(learned.settings.factors),
        "own_places": _rounded_within(learned.settings.own_places),
        "habits": {k: habits.to_mapping(habit) for k, habit in learned.settings.habits.items()},
        "holds": {k: _rounded(v) for k, v in learned.holds.items()},
        "report": dict(learned.report),
    }


def read_learned(path: str | Path, plan: Floorplan) -> Learned:
    """What was learned for this very plan.

    Raises:
        InputError: if the file cannot be read, is of another version, for another plan, or holds what cannot be.
    """
    content = _read(path)
    if content.get("format") != FORMAT:
        raise _fault(path, "is no file of what `presence learn` wrote; one that it wrote would be right")
    if content.get("version") != VERSION:
        found = shown(content.get("version"))
        raise _fault(path, f"is of version {found}, this program reads version {VERSION}; learn again")
    _check_defaults(path, content.get("learned_by"))
    _check_plan(path, content.get("plan"), plan)
    try:
        _check_parts(content)
        named = {key: _mapping(content, key) for key in WITH_NAMES}
        settings = Settings.from_mapping({**_mapping(content, "settings"), **named})
        _check_places(plan, settings)
        _known("habits", settings.habits, plan.people)
        _known("own_places", settings.own_places, plan.people)
        for person, places in settings.own_places.items():
            _known(f"own_places: {person}", places, {**plan.rooms, **plan.sensors})
        holds = {sensor: _number(f"holds: {sensor}", hold) for sensor, hold in _mapping(content, "holds").items()}
        _known("holds", holds, {k: s for k, s in plan.sensors.items() if s.kind == "motion"}, "motion sensor ")
        report = _mapping(content, "report")
    except (SettingError, TypeError, ValueError, AttributeError) as error:
        raise _fault(path, f"{error}; learn again") from None
    return apply(plan, settings, holds, report)


def _read(path: str | Path) -> Mapping[str, Any]:
    try:
        text = Path(path).read_text(encoding="utf-8")
        content = json.loads(text)
    except OSError as error:
        message = f"cannot be read ({error.strerror}); a file that `presence learn` wrote would be right"
        raise _fault(path, message) from None
    except (ValueError, RecursionError) as error:
        raise _fault(
            path,
            f"is not JSON ({error}); a file that `presence learn` wrote would be right",
            getattr(error, "lineno", 0),
        ) from None
    if not isinstance(content, Mapping):
        raise _fault(path, "is no mapping; a file that `presence learn` wrote would be right")
    return content


def _check_defaults(path: str | Path, told: Any) -> None:
    """Files of before do not say beside which defaults they were learned, and are taken at their word."""
    if told is None:
        return
    if not isinstance(told, Mapping) or not told.get("defaults"):
        raise _fault(path, f"learned_by: {shown(told)} does not say beside which defaults; learn again")
    if told["defaults"] != defaults_mark():
        text = f"was learned by presence {shown(told.get('presence'))}, whose defaults were others than {__version__}'s"
        raise _fault(path, f"{text}; learn again")


def _check_plan(path: str | Path, told: Any, plan: Floorplan) -> None:
    marks = told.get("fingerprint") if isinstance(told, Mapping) else None
    if not isinstance(marks, Mapping):
        raise _fault(path, "does not say for which plan it was learned; learn again")
    differing = [name for name, mark in fingerprint(plan).items() if marks.get(name) != mark]
    if differing:
        raise _fault(
            path,
            f"was learned for another plan ({shown(told.get('name'))}; {', '.join(differing)} differ); learn again"
            f" for {shown(plan.name)}, or give the plan that it was learned for",
        )


def _check_parts(content: Mapping[str, Any]) -> None:
    """Nothing that was learned is left out in silence; an empty part is no loss."""
    for key, value in content.items():
        if key not in PARTS and value:
            raise SettingError(f"{shown(key)} is no part of this version's files; the parts are {', '.join(PARTS)}")


def _check_places(plan: Floorplan, settings: Settings) -> None:
    known: dict[str, Mapping[str, Any]] = {"room": plan.rooms, "sensor": plan.sensors, "door": plan.doors}
    for name, at in settings.factors.items():
        _known(f"factors: {name}", at, known[FACTORED[name]])


def _known(what: str, names: Mapping[str, Any], known: Mapping[str, Any], kind: str = "") -> None:
    for name in names:
        if name not in known:
            raise SettingError(f"{what}: the plan has no {kind}{shown(name)}")


def _mapping(content: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = content.get(key, {})
    if not isinstance(value, Mapping):
        raise SettingError(f"{key}: {shown(value)} is no mapping")
    return value


def _number(what: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value < 1e9:
        raise SettingError(f"{what}: {shown(value)} is not a number of seconds above zero")
    return float(value)


def rounded(settings: Settings) -> Settings:
    """Settings as they come back from a file."""
    values = {f.name: getattr(settings, f.name) for f in fields(Settings) if f.name not in WITH_NAMES}
    usual = Settings()
    changed = {k: _rounded(v) for k, v in values.items() if v != getattr(usual, k)}
    factors, own = _rounded_within(settings.factors), _rounded_within(settings.own_places)
    return Settings.from_mapping({**changed, "factors": factors, "own_places": own, "habits": settings.habits})


def _rounded_within(parts: Mapping[str, Mapping[str, float]]) -> dict[str, dict[str, Any]]:
    return {name: {where: _rounded(value) for where, value in at.items()} for name, at in parts.items()}


def _rounded(value: Any) -> Any:
    """Four digits are more than any log can tell, and can be read."""
    return [_rounded(v) for v in value] if isinstance(value, tuple) else float(f"{value:.4g}")


def _fault(path: str | Path, message: str, line: int = 0) -> InputError:
    return InputError([Fault(str(path), line, message)])
