"""The defaults of the model: each says where it comes from, and can be another."""

import ast
import re
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import pytest

from presence import Settings
from presence.permitted import WITH_NAMES

PACKAGE = Path(__file__).parents[1] / "presence"
HOLDING = ("movement_settings", "settings")
SOURCE = re.compile(
    r"common practice|from memory|\blogs?\b|real home|one flat|experiments|\b(19|20)\d\d\b", re.IGNORECASE
)
NAMES = [item.name for item in fields(Settings) if item.name not in WITH_NAMES]


def documented() -> Iterator[tuple[str, str]]:
    """Each setting with what is said beside it; of several in a row the last says it for all."""
    for module in HOLDING:
        (holder,) = (n for n in ast.parse((PACKAGE / f"{module}.py").read_text()).body if isinstance(n, ast.ClassDef))
        waiting: list[str] = []
        for node in holder.body:
            if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                waiting.append(node.target.id)
            elif waiting and isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
                text = " ".join(str(node.value.value).split())
                if text.endswith("..."):
                    continue
                yield from ((name, text) for name in waiting)
                waiting = []


@pytest.mark.parametrize("name", NAMES)
def test_every_default_has_its_source_beside_it(name: str) -> None:
    """Its own, or that of all whose names begin alike: "this and the other `zone_` values"."""
    said = dict(documented())
    others = [text for text in said.values() if f"the other `{name.split('_')[0]}_`" in text]
    assert any(SOURCE.search(text) for text in (said[name], *others)), said[name]


@pytest.mark.parametrize("name", NAMES)
def test_every_setting_is_asked_for_by_the_model(name: str) -> None:
    modules = (path for path in PACKAGE.glob("*.py") if path.stem not in (*HOLDING, "permitted"))
    assert any(re.search(rf"\.{name}\b|\"{name}\"", path.read_text()) for path in modules)
