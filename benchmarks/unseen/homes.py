"""Random but livable homes of twelve rooms: houses, bungalows and flats, most rooms with one motion sensor.

Every floor is a corridor with rooms on both sides; some rooms are joined by archways or doors of their own (open plan,
loops, an ensuite). Half of the homes give outlines and places, half do not. Common practice, no source.
"""

from __future__ import annotations

import random
from typing import Any

HOLDS = (10, 20, 30, 45, 60, 90, 120)
"""Seconds for which motion sensors stay on."""
DEPTH, CORRIDOR = 4.0, 1.4
"""Metres: how deep a room is, how wide a corridor."""
NAMES = ("ann", "bob", "cem")
SMALL = ("wc", "storage", "ensuite", "utility", "bathroom")
UNSENSED = {"wc": 0.5, "storage": 0.5, "ensuite": 0.6, "bed_2": 0.15, "bed_3": 0.15, "dining": 0.2, "utility": 0.25,
            "study": 0.15, "garage": 0.2, "bathroom": 0.1, "kitchen": 0.05, "living": 0.03}  # fmt: skip
"""How likely a room has no motion sensor."""

Side = list[str]


class RandomHome:
    """Draws one home; `fields` is its plan.

    Args:
        seed: the same seed gives the same home, whoever lives there.
        people: who live there, at most three.
    """

    def __init__(self, seed: int, people: int) -> None:
        self.rng = rng = random.Random(f"home {seed}")
        self.kind = rng.choice(("house", "house", "bungalow", "flat"))
        self.garage = self.kind != "flat" and rng.random() < 0.65
        self.open_plan = rng.random() < 0.5
        self.outlined = rng.random() < 0.5
        self.rooms: dict[str, dict[str, Any]] = {}
        self.doors: dict[str, dict[str, Any]] = {}
        self.sensors: dict[str, dict[str, Any]] = {}
        self._build()
        self._outside()
        self._sense()
        self._inhabit(people)
        if not self.outlined:
            for part in (*self.rooms.values(), *self.doors.values(), *self.sensors.values()):
                part.pop("outline", None)
                part.pop("at", None)
        self.fields: dict[str, Any] = {
            "name": f"Random {self.kind} {seed}", "time_zone": "Europe/Berlin", "rooms": self.rooms,
            "doors": self.doors, "sensors": self.sensors, "people": self.people,
        }  # fmt: skip

    # --- rooms and inner doors --------------------------------------------------------------------------------------
    def _build(self) -> None:
        rng = self.rng
        day = rng.choice((["living", "dining", "kitchen"], ["kitchen", "dining", "living"]))
        if self.kind == "house":
            below = ["utility", "garage"] if self.garage else ["utility"]
            rng.shuffle(wet := ["wc", *([] if self.garage else ["study"])])
            self._floor(0, "hall", day, wet + below)
            upper = ["bed_2", "bathroom", "bed_3" if rng.random() < 0.6 else "study_2"]
            self._floor(1, "landing", ["ensuite", "bed_1"], upper)
            if len(self.rooms) < 12:
                self._floor(1, "landing", [], ["storage"])
            self._door("hall", "landing", "none")
            return
        nights = ["bed_2", "bathroom", "bed_3", "wc"]
        rng.shuffle(nights)
        ends = ["utility", "garage"] if self.garage else ["study", "utility"]
        side_rooms = ["ensuite", "bed_1"] if rng.random() < 0.5 else ["storage", "bed_1"]
        self._floor(0, "hall", [*side_rooms, *day], nights + ends, second="passage" if rng.random() < 0.4 else None)
        if len(self.rooms) < 12:
            self._floor(0, "hall", [], ["pantry"])

    def _floor(self, floor: int, corridor: str, south: Side, north: Side, second: str | None = None) -> None:
        """A corridor from west to east, rooms south and north of it, and who can walk from which into which."""
        width = {r: self.rng.uniform(1.6, 2.4) if r in SMALL else self.rng.uniform(3.0, 5.5) for r in south + north}
        length = max(sum(width[r] for r in side) for side in (south, north)) if south else 6.0
        split = length * self.rng.uniform(0.4, 0.6) if second else length
        if corridor not in self.rooms:
            self._room(corridor, floor, 0.0, split, DEPTH, DEPTH + CORRIDOR)
        if second:
            self._room(second, floor, split, length, DEPTH, DEPTH + CORRIDOR)
            self._door(corridor, second, "hinged", (split, DEPTH + CORRIDOR / 2))
        for side, low in ((south, 0.0), (north, DEPTH + CORRIDOR)):
            edge = 0.0
            for room in side:
                self._room(room, floor, edge, edge + width[room], low, low + DEPTH)
                edge += width[room]
            for room in side:
                self._join(room, side, corridor if not second else None, (corridor, second or corridor), split, low)

    def _join(self, room: str, side: Side, only: str | None, halls: tuple[str, str], split: float, low: float) -> None:
        outline = self.rooms[room]["outline"]
        west, east = outline[0][0], outline[1][0]
        hall = only or (halls[0] if (west + east) / 2 < split else halls[1])
        wall = (west + east) / 2, DEPTH if low == 0.0 else DEPTH + CORRIDOR
        after = side[side.index(room) + 1] if room != side[-1] else None
        beside = east, low + DEPTH / 2
        if room == "ensuite":
            self._door(room, "bed_1", "hinged", beside)
        elif room == "garage":
            self._door("utility", room, "hinged", (west, low + DEPTH / 2))
        elif room == "dining" and self.open_plan:
            pass  # reached from both neighbours
        else:
            arch = self.open_plan and room in ("living", "kitchen")
            self._door(hall, room, "none" if arch else "hinged", wall)
        if after and {room, after} <= {"living", "dining", "kitchen"} and (self.open_plan or self.rng.random() < 0.5):
            self._door(room, after, "none" if self.open_plan else "hinged", beside)

    def _room(self, name: str, floor: int, west: float, east: float, south: float, north: float) -> None:
        corners = [[west, south], [east, south], [east, north], [west, north]]
        self.rooms[name] = {"floor": floor, "outline": [[round(x, 2), round(y, 2)] for x, y in corners]}
        if name.startswith("bed_"):
            self.rooms[name]["rest"] = True

    def _door(self, one: str, other: str, leaf: str, at: tuple[float, float] | None = None, name: str = "") -> str:
        name = name or f"{one}_{other}"
        self.doors[name] = {"between": [one, other], "leaf": leaf}
        if at:
            self.doors[name]["at"] = [round(at[0], 2), round(at[1], 2)]
        return name

    # --- outside ----------------------------------------------------------------------------------------------------
    def _outside(self) -> None:
        rng = self.rng
        if self.kind == "flat":
            self._door("hall", "away", "hinged", name="front")
            if rng.random() < 0.6:
                self.rooms["balcony"] = {"outdoors": True}
                self._door("living", "balcony", "sliding", name="balcony_door")
            return
        path = rng.random() < 0.5
        if path:
            self.rooms["front_path"] = {"outdoors": True}
            self._door("front_path", "away", "none")
        self._door("front_path" if path else "away", "hall", "hinged", name="front")
        if back := rng.random() < 0.85:
            self.rooms["garden"] = {"outdoors": True}
            self._door(rng.choice(("kitchen", "dining", "living", "utility")), "garden", "sliding", name="back")
        if self.garage:
            self.rooms["drive"] = {"outdoors": True}
            self._door("drive", "garage", "overhead", name="overhead")
            self._door("drive", "away", "none")
            if path:
                self._door("front_path", "drive", "none")
            if back and rng.random() < 0.4:
                self._door("drive", "garden", "none")

    # --- sensors and people -----------------------------------------------------------------------------------------
    def _sense(self) -> None:
        rng, own_holds, hold = self.rng, self.rng.random() < 0.5, self.rng.choice(HOLDS)
        watched = rng.choice(("living", "study")) if rng.random() < 0.35 else None
        for room, about in self.rooms.items():
            if about.get("outdoors"):
                if room in ("drive", "front_path") and rng.random() < 0.4:
                    self.sensors[f"{room}_camera"] = {"kind": "camera", "room": room}
            elif room == watched:
                self.sensors[f"{room}_occupancy"] = {"kind": "occupancy", "room": room}
            elif rng.random() >= UNSENSED.get(room, 0.0):
                seconds = rng.choice(HOLDS) if own_holds else hold
                corner = about["outline"][2]
                self.sensors[f"{room}_motion"] = {"kind": "motion", "room": room, "hold": seconds,
                                                  "at": [corner[0] - 0.2, corner[1] - 0.2]}  # fmt: skip
        outer = [d for d, about in self.doors.items() if about["leaf"] != "none" and self._leads_out(about["between"])]
        inner = [d for d in self.doors if d.endswith(("_bathroom", "_wc"))] if rng.random() < 0.4 else []
        for door in (*outer, *(["utility_garage"] if self.garage else []), *inner):
            self.sensors[f"{door}_contact"] = {"kind": "contact", "door": door}
        if rng.random() < 0.4:
            self.sensors["front_lock"] = {"kind": "lock", "door": "front"}
        if rng.random() < 0.3:
            self.sensors["kettle"] = {"kind": "power", "room": "kitchen"}
        if rng.random() < 0.3:
            self.sensors["living_switch"] = {"kind": "switch", "room": "living"}

    def _leads_out(self, between: list[str]) -> bool:
        return any(room == "away" or self.rooms[room].get("outdoors") for room in between)

    def _inhabit(self, people: int) -> None:
        rng, self.people = self.rng, {}
        phones, tags, beds = rng.random() < 0.75, rng.random() < 0.15, rng.random() < 0.25
        for k, name in enumerate(NAMES):
            shown = rng.random() < 0.85  # drawn for all, so that the home does not hang on who lives there
            up, down = rng.choice(("05:45", "06:30", "07:15", "08:00")), rng.choice(("21:45", "22:30", "23:15"))
            if k >= people:
                continue
            bed = "bed_1" if k < 2 else "bed_2"
            self.people[name] = {"bed": bed, "awake": [up, down]}
            if "front_lock" in self.sensors:
                self.people[name]["codes"] = [f"1{k}3{k}"]
            if phones and shown:
                self.sensors[f"{name}_phone"] = {"kind": "phone", "person": name}
            if tags:
                self.sensors[f"{name}_tag"] = {"kind": "badge", "person": name}
            if beds and not any(s["kind"] == "pressure" and s["room"] == bed for s in self.sensors.values()):
                self.sensors[f"{bed}_mat"] = {"kind": "pressure", "room": bed}
