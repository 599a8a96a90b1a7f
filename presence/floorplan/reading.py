"""From a file to a checked plan, or to every fault in it at once."""

from __future__ import annotations

from collections.abc import Mapping
from os import PathLike
from pathlib import Path
from typing import Any

from presence.floorplan.fields import PlanFields


def read_plan(path: str | PathLike[str]) -> PlanFields:
    """The fields of the plan in a YAML or JSON file."""
    import yaml

    return check_mapping(yaml.safe_load(Path(path).read_text(encoding="utf-8")))


def check_mapping(plan: Mapping[str, Any]) -> PlanFields:
    """The fields of the plan in a mapping."""
    return PlanFields.model_validate(plan, strict=False)
