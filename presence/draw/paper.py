"""The look of all charts: paper, ink and one hue, sizes of text, and figures that belong to no window system.

Meaning is never carried by colour alone: probabilities are printed as well, people have a mark and a dash pattern of
their own, directions an arrow. The hue runs evenly from light to dark, so that it survives grey printing.
"""

from __future__ import annotations

import io
import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LinearSegmentedColormap, to_hex, to_rgb
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

PAPER, SHEET, INK, FAINT, HAIRLINE = "#f5f3ee", "#fffefb", "#24211c", "#635d53", "#cfc9bd"
DARKEST = "#14595a"
HUE = LinearSegmentedColormap.from_list("presence", [SHEET, "#d6e8e6", "#a3cbc9", "#4c9190", DARKEST])
"""Probability 0 to 1, lightness falling evenly; the colours of the page in `presence.draw.page`."""
PEOPLE = (
    ("#e69f00", "o", "-"),
    ("#56b4e9", "s", "--"),
    ("#cc79a7", "^", "-."),
    ("#009e73", "D", ":"),
    ("#d55e00", "v", (0, (5, 1, 1, 1, 1, 1))),
    ("#0072b2", "P", (0, (3, 3))),
)
"""Colour, mark and dashes by person, in turn; colours from Okabe and Ito (2008), "Color Universal Design", which people
with any colour vision can tell apart."""
FORTH, BACK, NOBODY = "#0072b2", "#d55e00", "#9a9ca8"
"""The two directions of a door (also told by place and arrow), and nobody."""
DPI = 110
SMALL = 7.5
"""Points: small print."""
STYLE: Any = {
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "axes.facecolor": SHEET,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "text.color": INK,
    "text.parse_math": False,
    "text.hinting": "none",
    "xtick.color": FAINT,
    "ytick.color": FAINT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "hatch.color": HAIRLINE,
    "hatch.linewidth": 0.6,
    "svg.fonttype": "path",
    "legend.frameon": False,
    "lines.scale_dashes": False,
}


class Chart(Figure):
    """A figure that shows itself in a notebook as a picture, with or without a plotting backend."""

    def __init__(self, width: float, height: float, alt: str = "") -> None:
        with matplotlib.rc_context(STYLE):
            super().__init__(figsize=(width, height), dpi=DPI)
        self.alt = alt
        """What the picture shows, in words."""
        FigureCanvasAgg(self)

    def savefig(self, *args: Any, **kwargs: Any) -> None:
        """As `Figure.savefig`, in the look of these charts."""
        with _look():
            super().savefig(*args, **kwargs)

    def draw(self, renderer: Any) -> None:
        """As `Figure.draw`, in the look of these charts."""
        with _look():
            super().draw(renderer)

    def png(self) -> bytes:
        """The picture as a PNG file; the same chart gives the same bytes."""
        buffer = io.BytesIO()
        self.savefig(buffer, format="png", metadata={"Software": None})
        return buffer.getvalue()

    def svg(self) -> str:
        """The picture as an SVG file, its text as outlines."""
        buffer = io.StringIO()
        with matplotlib.rc_context({"svg.hashsalt": "presence"}):
            self.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
        return buffer.getvalue()

    def _repr_png_(self) -> bytes:
        return self.png()

    def title(self, text: str, below: str = "") -> None:
        """A heading at the upper left, and a fainter line under it."""
        width, height = self.get_size_inches()
        space = 72 * (width - 0.4)
        looks: tuple[tuple[str, float, float, dict[str, Any]], ...] = (
            (text, 0.13, 14.0, {"weight": "bold", "family": "DejaVu Serif"}),
            (below, 0.41, 9.0, {"color": FAINT}),
        )
        for line, top, size, style in looks:
            fitting = min(
                size, space / max(0.1, text_width(line, bold="weight" in style) * (1.06 if "family" in style else 1.0))
            )
            self.text(0.2 / width, 1 - top / height, line, size=max(5.0, fitting), va="top", **style)

    def foot(self, text: str) -> None:
        """Small print at the lower left, in as many lines as it takes."""
        width, height = self.get_size_inches()
        lines = _lines(text.split(), 72 * (width - 0.4) / SMALL) or [text]
        style: Any = {"size": SMALL, "color": FAINT, "va": "bottom", "linespacing": 1.15}
        self.text(0.2 / width, 0.07 / height, "\n".join(lines), **style)


@contextmanager
def chart(width: float, height: float, alt: str = "") -> Iterator[Chart]:
    """A new chart, with everything that is put on it in the look of these charts."""
    with _look():
        yield Chart(width, height, alt)


@contextmanager
def _look() -> Iterator[None]:
    """The style; a character that the font has no glyph for is drawn as a box without more ado."""
    with matplotlib.rc_context(STYLE), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"(?s)Glyph .* missing from font|Matplotlib currently does not")
        yield


def panel(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Axes at a place given in inches from the lower left corner."""
    across, up = figure.get_size_inches()
    return figure.add_axes((left / across, bottom / up, width / across, height / up))


# --- text -------------------------------------------------------------------------------------------------------------
@lru_cache(maxsize=4096)
def text_width(text: str, bold: bool = False) -> float:
    """Width of a line of text in ems, with the space that letters keep at its ends."""
    if not text.strip():
        return 0.3 * len(text)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
        return float(TextPath((0, 0), text, size=100, prop=font, usetex=False).get_extents().width) / 100 + 0.1


def fit(text: str, width: float, height: float, largest: float, smallest: float) -> tuple[str, float]:
    """The text, broken into lines or shortened, and the font size in points at which it fits into a box in points."""
    words = text.split() or [text]
    size = largest
    while size >= smallest:
        lines = _lines(words, width / size)
        if lines is not None and 1.2 * size * len(lines) <= height:
            return "\n".join(lines), size
        size -= 0.5
    rows = max(1, int(height / (1.2 * smallest)))
    lines = [_shorten(word, width / smallest) for word in words[:rows]]
    if len(words) > rows or 1.2 * smallest > height:
        lines = [_shorten(text, width / smallest)]
    return "\n".join(lines), smallest


def _lines(words: list[str], width: float) -> list[str] | None:
    """Words in lines no wider than so many ems; None if a word alone is wider."""
    lines: list[str] = []
    for word in words:
        if text_width(word) > width:
            return None
        if lines and text_width(f"{lines[-1]} {word}") <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _shorten(text: str, width: float) -> str:
    if text_width(text) <= width:
        return text
    while len(text) > 1 and text_width(text + "…") > width:
        text = text[:-1]
    return text.rstrip() + "…"


def percent(probability: float) -> str:
    """A probability for people; neither 0 % nor 100 % is ever said of what is not exactly so."""
    if 0 < probability < 0.01:
        return "<1 %"
    if 0.99 < probability < 1:
        return ">99 %"
    return f"{100 * probability:.0f} %"


def luminance(colour: Any) -> float:
    """Relative luminance, 0 black to 1 white (WCAG 2.2, "relative luminance")."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: Any, other: Any) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.2, "contrast ratio")."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def shade(probability: float) -> str:
    """The colour of a probability, as hexadecimal digits."""
    return str(to_hex(HUE(probability)))


def readable_on(probability: float) -> str:
    """The colour of text on `HUE` at a probability: dark or light, whichever stands out more."""
    return max((INK, SHEET), key=lambda text: contrast(text, HUE(probability)))


def person_style(index: int) -> tuple[str, str, Any]:
    """Colour, mark and dashes of the person with some index."""
    return PEOPLE[index % len(PEOPLE)]


def hour_marks(begin: float, end: float) -> float:
    """Seconds between two marks of a time axis that is some eight to sixteen marks long."""
    span = end - begin
    steps = (60, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)
    return float(next((step for step in steps if span / step <= 14), 86400 * math.ceil(span / 86400 / 14)))
