"""Explanations of a replay for a page: the heaviest evidence of each, every text once."""

from __future__ import annotations

from typing import Any

from presence.draw.encoding import since
from presence.draw.recording import Recording, percents
from presence.floorplan import Floorplan
from presence.telling import Explanation

MOST_SHOWN = 6
"""Weights of one explanation that are shown one by one; the rest is summed."""


def reasons(plan: Floorplan, kept: Recording, start: float) -> dict[str, Any]:
    """Why rooms changed sides and passages went their way; decibans in tenths.

    Args:
        plan: the home.
        kept: what a replay told.
        start: epoch seconds from which a page counts.

    Returns:
        `texts`; `reasons`, each [ms, room, ms of the beginning, percent then, percent now, [decibans, text, ...]];
        `passageReasons`, by the number of the passage, [decibans, text, ...]; and `reasonsUntil`, ms after which none
        are told, or None.
    """
    texts: dict[str, int] = {}
    rooms = list(plan.rooms)
    of_rooms = []
    for why in kept.reasons:
        before, after = percents([why.before, why.probability]).tolist()
        begin, end = since(why.begin, start), since(why.time, start)
        of_rooms.append([end, rooms.index(str(why.room)), begin, before, after, _weights(why, texts)])
    of_passages = {n: _weights(told.why, texts) for n, told in enumerate(kept.passages) if told.why is not None}
    until = None if kept.reasons_until is None else since(kept.reasons_until, start)
    return {"reasons": of_rooms, "passageReasons": of_passages, "reasonsUntil": until, "texts": list(texts)}


def _weights(why: Explanation, texts: dict[str, int]) -> list[int]:
    """Decibans in tenths and the number of the text, in turn, the heaviest first; the rest as one at the end."""
    shown, rest = why.evidence[:MOST_SHOWN], why.evidence[MOST_SHOWN:]
    weights = [(evidence.decibans, evidence.text) for evidence in shown]
    if rest:
        weights.append((sum(e.decibans for e in rest), "everything else together"))
    return [n for decibans, text in weights for n in (round(10 * decibans), texts.setdefault(text, len(texts)))]
