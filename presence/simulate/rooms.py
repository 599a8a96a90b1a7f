"""What rooms are for, read from their ids and labels, because a floor plan does not say."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from presence.floorplan import AWAY, Floorplan, Room

KITCHEN, DINING, BATH, BED, LIVING = "kitchen", "dining", "bath", "bed", "living"
STUDY, UTILITY, GARAGE, HALL, GARDEN = "study", "utility", "garage", "hall", "garden"
FRONT, OTHER = "front", "other"

WORDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        GARAGE: ("garage", "carport"),
        BATH: ("bath", "shower", "toilet", "wc", "ensuite", "washroom", "restroom", "lavatory", "loo", "powder", "bad"),
        KITCHEN: ("kitchen", "kitchenette", "cook", "küche", "kueche"),
        DINING: ("dining", "dinner", "breakfast", "esszimmer"),
        LIVING: ("living", "lounge", "family", "den", "sitting", "media", "tv", "parlour", "parlor", "wohn", "great"),
        STUDY: ("study", "office", "desk", "library", "workroom", "studio", "büro", "buero"),
        UTILITY: ("utility", "laundry", "scullery", "boiler", "washing", "mudroom", "workshop"),
        HALL: ("hall", "corridor", "landing", "foyer", "entry", "entrance", "stair", "lobby", "vestibule", "flur"),
        BED: ("bed", "bedroom", "sleep", "nursery", "guest", "kids", "child", "schlaf"),
        GARDEN: ("garden", "yard", "patio", "terrace", "deck", "lawn", "balcony", "back", "garten"),
        FRONT: ("porch", "front", "drive", "street", "path", "step"),
    }
)
"""Words that name a function; the first function with a fitting word wins. Longer words may begin or end with them."""

FALLBACK: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        KITCHEN: (DINING, UTILITY, LIVING, OTHER),
        DINING: (KITCHEN, LIVING, OTHER),
        LIVING: (DINING, STUDY, OTHER, KITCHEN, BED),
        STUDY: (LIVING, DINING, OTHER, BED),
        UTILITY: (KITCHEN, BATH),
        BED: (OTHER, LIVING, STUDY, DINING),
    }
)
"""Where people do a thing when no room of the plan is made for it; where nothing fits they do not do it."""


def function_of(room: Room, doors: int) -> str:
    """What `room` with so many doors is for; an unknown word means a hall if many doors meet in it."""
    tokens = [word for word in re.split(r"[\W\d_]+", f"{room.id} {room.label}".lower()) if word]
    if room.rest:
        return BED
    for function, words in WORDS.items():
        if room.outdoors and function not in (GARDEN, FRONT):
            continue
        if any(_fits(token, word) for token in tokens for word in words):
            return function
    if room.outdoors:
        return FRONT
    return HALL if doors >= 4 else OTHER


def functions_of(plan: Floorplan) -> dict[str, tuple[str, ...]]:
    """Function to the rooms that serve it, with the fallbacks of `FALLBACK`; those without a room are left out."""
    doors = {room: sum(room in door.between for door in plan.doors.values()) for room in plan.rooms}
    own: dict[str, list[str]] = {}
    for room in plan.rooms.values():
        if room.id != AWAY:
            own.setdefault(function_of(room, doors[room.id]), []).append(room.id)
    found = {function: tuple(rooms) for function, rooms in own.items()}
    for function, others in FALLBACK.items():
        if function not in own:
            served = next((own[other] for other in others if other in own), None)
            if served:
                found[function] = tuple(served)
    if KITCHEN not in found:  # a plan of halls only: they live in them
        for function in (KITCHEN, DINING, LIVING, STUDY, BED):
            found.setdefault(function, tuple(plan.indoor) or tuple(room for room in plan.rooms if room != AWAY))
    return found


def _fits(token: str, word: str) -> bool:
    return token == word or (len(word) > 3 and (token.startswith(word) or token.endswith(word)))
