"""How values show themselves in a notebook.

The pictures are made above, in `presence.draw`; what is shown here only asks for them by name, when a notebook asks, so
that nothing below depends on how things look. Without matplotlib, values are told in text.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

PAINTER = "presence.draw.notebook"
TELLER = "presence.draw.words"


class Shown:
    """A value that notebooks show as a picture, and terminals as a few lines."""

    __slots__ = ()

    def __init_subclass__(cls) -> None:
        cls._repr_pretty_ = Shown._repr_pretty_  # type: ignore[method-assign]  # else IPython prefers a dataclass's repr

    def _repr_png_(self) -> bytes | None:
        painter = _painter()
        data: bytes | None = painter.png(self) if painter else None
        return data

    def _repr_html_(self) -> str | None:
        painter = _painter()
        text: str | None = painter.html_of(self) if painter else None
        return text

    def _repr_pretty_(self, printer: Any, cycle: bool) -> None:
        printer.text("..." if cycle else import_module(TELLER).words(self))


def _painter() -> Any:
    """The module that makes pictures; None without matplotlib."""
    try:
        return import_module(PAINTER)
    except ModuleNotFoundError as error:
        if (error.name or "").split(".")[0] != "matplotlib":
            raise
        return None
