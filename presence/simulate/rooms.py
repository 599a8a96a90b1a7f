"""What rooms are for, read from their ids and labels, because a floor plan does not say."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from presence.floorplan import AWAY, Floorplan, Room, area_of
from presence.places import HABITABLE

KITCHEN, DINING, BATH, BED, LIVING = "kitchen", "dining", "bath", "bed", "living"
STUDY, UTILITY, GARAGE, HALL, GARDEN = "study", "utility", "garage", "hall", "garden"
FRONT, TOILET, STORE, OTHER = "front", "toilet", "store", "other"

WORDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        GARAGE: ("garage", "carport"),
        BATH: ("bath", "shower", "ensuite", "washroom", "bad"),
        TOILET: ("toilet", "wc", "restroom", "cloakroom", "lavatory", "loo", "powder"),
        KITCHEN: ("kitchen", "kitchenette", "cook", "küche", "kueche"),
        DINING: ("dining", "dinner", "breakfast", "esszimmer"),
        LIVING: ("living", "lounge", "family", "den", "sitting", "media", "tv", "parlour", "parlor", "wohn", "great"),
        STUDY: ("study", "office", "desk", "library", "workroom", "studio", "büro", "buero"),
        STORE: ("pantry", "larder", "store", "storage", "closet", "cellar", "shed", "barn", "stable"),
        UTILITY: ("utility", "laundry", "scullery", "boiler", "washing", "mudroom", "workshop"),
        HALL: ("hall", "corridor", "landing", "foyer", "entry", "entrance", "stair", "lobby", "vestib", "flur", "pass"),
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
    """What `room` with so many doors is for; an unknown word means a hall if many doors meet in it.

    A room whose outline is too small to live in is a store then: things are fetched there, but nobody sits down.
    """
    words = re.split(r"[\W\d_]+", f"{room.id} {room.label}".lower())
    tokens = [word for word in words if word and word != "storey"]  # that tells of a floor, not of a store
    for function, names in WORDS.items():
        if room.outdoors != (function in (GARDEN, FRONT)):
            continue  # the back room is no garden, the garden kitchen no kitchen
        if any(_fits(token, name) for token in tokens for name in names):
            return function
    if room.outdoors:
        return FRONT
    small = room.outline is not None and abs(area_of(room.outline)) < HABITABLE
    return BED if room.rest else HALL if doors >= 4 else STORE if small else OTHER


def functions_of(plan: Floorplan) -> dict[str, tuple[str, ...]]:
    """Function to the rooms that serve it, with the fallbacks of `FALLBACK`; those without a room are left out.

    `BATH` is where people shower, `TOILET` any room with a toilet, bathrooms included.
    """
    doors = {room: sum(room in door.between for door in plan.doors.values()) for room in plan.rooms}
    found: dict[str, tuple[str, ...]] = {}
    for room in plan.rooms.values():
        if room.id != AWAY:
            function = function_of(room, doors[room.id])
            found[function] = (*found.get(function, ()), room.id)
    resting = tuple(room.id for room in plan.rooms.values() if room.rest)
    beds = tuple(room for room in found.get(BED, ()) if room in resting) or resting or found.get(BED)
    found |= {BED: beds} if beds else {}
    toilets = (*found.get(TOILET, ()), *found.get(BATH, ()))
    found |= {TOILET: toilets, BATH: found.get(BATH) or toilets} if toilets else {}
    own = dict(found)
    for function, others in FALLBACK.items():
        served = [own[other] for other in others if other in own]
        if function not in own and served:
            found[function] = served[0]
    anywhere = tuple(plan.indoor) or tuple(room for room in plan.rooms if room != AWAY)
    for function in (KITCHEN, DINING, LIVING, STUDY, BED):  # a plan of halls only: they live in them
        found.setdefault(function, anywhere)
    return found


def _fits(token: str, word: str) -> bool:
    return token == word or (len(word) > 3 and (token.startswith(word) or token.endswith(word)))
