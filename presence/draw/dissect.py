"""A storey without outlines: one rectangle, cut into rooms so that doors lie in walls that two rooms share.

Cuts that go from side to side, level or upright, make a slicing tree; it is written as an expression of rooms and cuts
and improved by simulated annealing over small changes of the expression (Wong and Liu 1986, "A new algorithm for
floorplan design", sections 2-4). Outdoors parts lie as strips around the rectangle. The seed is fixed: the same storey
is always cut the same way.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from presence.draw.outlines import Box

LEVEL, UPRIGHT = "-", "|"
"""Cuts: the second part above the first, or to the right of it."""
SIDES = ("below", "above", "left", "right")
FRONT_DEPTH, SIDE_DEPTH, BALCONY_DEPTH = 4.0, 3.2, 1.8
"""m: how far strips reach out before and behind the house, beside it, and above the ground."""
DOORWAY = 1.1
"""m of wall that two rooms with a door between them should share."""
NARROW = 1.5
"""m: no room should be narrower."""
ATTEMPTS, STEPS, COOLING = 4, 160, 0.02
"""Starts; changes tried per room in each; last temperature as a share of the first."""
GOOD = 1.5
"""Cost at which no more starts are made: every door has its wall and no room is a slit."""


@dataclass(frozen=True)
class Storey:
    """What is to be laid out on one floor."""

    areas: dict[str, float]
    """Square metres of each indoor room."""
    outdoors: list[str]
    joined: list[tuple[str, str]]
    """Rooms of this floor with a door between them."""
    exits: frozenset[str]
    """Rooms with a door to `away`."""
    hubs: frozenset[str]
    """Rooms that may be long: halls, and those with many doors."""
    over: dict[str, Box]
    """For rooms with a stair: what is at its other end."""
    house: Box | None
    """The house on the floor that is laid out already."""
    ground: bool
    """Whether the outdoors are yards rather than balconies."""
    frame: Box = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "frame", _frame(sum(self.areas.values()), self.house))


def _frame(area: float, house: Box | None) -> Box:
    """The rectangle to be cut: that of the house where the rooms fill it, else one of the right size."""
    if house is not None and 0.5 <= area / (house.width * house.depth) <= 1.7:
        return house
    width = math.sqrt(1.35 * area)
    left, bottom = (house.left, house.bottom) if house is not None else (0.0, 0.0)
    return Box(left, bottom, left + width, bottom + area / width)


@dataclass(frozen=True)
class Cutting:
    """One way of laying a storey out."""

    expression: tuple[str, ...]
    """Indices of rooms and cuts in postfix order."""
    strips: tuple[tuple[str, str], ...]
    """(outdoors room, side), in order along each side."""


def dissect(storey: Storey) -> dict[str, Box]:
    """The boxes of all rooms of a storey with at least one room indoors; none overlaps another."""
    chance = random.Random(1986)
    best = _start(storey, 0, chance)
    least = math.inf
    for attempt in range(ATTEMPTS):
        cutting, cost = _anneal(storey, _start(storey, attempt, chance), chance)
        if cost < least:
            best, least = cutting, cost
        if least < GOOD:
            break
    boxes = boxes_of(storey, best)
    if storey.house is not None:
        return boxes
    middle = storey.frame.centre[1]
    ways_out = sum(boxes[room].centre[1] - middle for room in storey.exits)
    return {room: _tidy(box, 2 * middle if ways_out > 0 else None) for room, box in boxes.items()}


def _tidy(box: Box, mirror: float | None) -> Box:
    """A box in tenths of a metre, upside down if the ways off the property would else be at the back."""
    if mirror is not None:
        box = Box(box.left, mirror - box.top, box.right, mirror - box.bottom)
    return Box(*(round(10 * side) / 10 for side in box))


def _start(storey: Storey, attempt: int, chance: random.Random) -> Cutting:
    rooms = list(storey.areas)
    if attempt:
        chance.shuffle(rooms)
    expression = rooms[:1]
    for number, room in enumerate(rooms[1:]):
        expression += [room, UPRIGHT if number % 2 else LEVEL]
    sides = {room: SIDES[0] if room in storey.exits else SIDES[1] for room in storey.outdoors}
    return Cutting(tuple(expression), tuple(sides.items()))


def _anneal(storey: Storey, cutting: Cutting, chance: random.Random) -> tuple[Cutting, float]:
    cost = cost_of(storey, boxes_of(storey, cutting))
    best, least = cutting, cost
    steps = STEPS * (len(storey.areas) + len(storey.outdoors))
    for step in range(steps):
        temperature = 8.0 * COOLING ** (step / steps)
        changed = _change(cutting, chance)
        new = cost_of(storey, boxes_of(storey, changed))
        if new < cost or chance.random() < math.exp((cost - new) / temperature):
            cutting, cost = changed, new
            if cost < least:
                best, least = cutting, cost
                if least < GOOD / 2:
                    break
    return best, least


def _change(cutting: Cutting, chance: random.Random) -> Cutting:
    """A small change: two rooms trade places, a run of cuts is turned, a cut goes elsewhere, a strip moves."""
    expression, strips = list(cutting.expression), list(cutting.strips)
    if strips and chance.random() < 0.2:
        k = chance.randrange(len(strips))
        room, _ = strips.pop(k)
        strips.insert(chance.randrange(len(strips) + 1), (room, chance.choice(SIDES)))
        return Cutting(cutting.expression, tuple(strips))
    kind = chance.random()
    rooms = [i for i, item in enumerate(expression) if item not in (LEVEL, UPRIGHT)]
    if len(rooms) < 2:
        return cutting
    if kind < 0.4:
        i, j = chance.sample(rooms, 2)
        expression[i], expression[j] = expression[j], expression[i]
    elif kind < 0.65:
        i = chance.choice([i for i, item in enumerate(expression) if item in (LEVEL, UPRIGHT)])
        expression[i] = LEVEL if expression[i] == UPRIGHT else UPRIGHT
    else:
        i = chance.randrange(len(expression) - 1)
        expression[i], expression[i + 1] = expression[i + 1], expression[i]
        if not _is_postfix(expression):
            return cutting
    return Cutting(tuple(expression), cutting.strips)


def _is_postfix(expression: Sequence[str]) -> bool:
    """Whether every cut has two parts before it."""
    parts = 0
    for item in expression:
        parts += -1 if item in (LEVEL, UPRIGHT) else 1
        if parts < 1:
            return False
    return parts == 1


# --- boxes ------------------------------------------------------------------------------------------------------------
class Tree(NamedTuple):
    """A part of a storey: a room, or a cut with what lies on its two sides."""

    area: float
    item: str
    parts: tuple[Tree, ...] = ()


def boxes_of(storey: Storey, cutting: Cutting) -> dict[str, Box]:
    """The boxes of all rooms for one way of laying them out."""
    stack: list[Tree] = []
    for item in cutting.expression:
        if item in (LEVEL, UPRIGHT):
            second, first = stack.pop(), stack.pop()
            stack.append(Tree(first.area + second.area, item, (first, second)))
        else:
            stack.append(Tree(storey.areas[item], item))
    boxes: dict[str, Box] = {}
    waiting: list[tuple[Tree, Box]] = [(stack[0], storey.frame)]
    while waiting:
        (area, item, sides), box = waiting.pop()
        if not sides:
            boxes[item] = box
            continue
        first, second = sides
        share = first.area / area
        left, bottom, right, top = box
        if item == UPRIGHT:
            cut = left + share * (right - left)
            parts = Box(left, bottom, cut, top), Box(cut, bottom, right, top)
        else:
            cut = bottom + share * (top - bottom)
            parts = Box(left, bottom, right, cut), Box(left, cut, right, top)
        waiting += [(first, parts[0]), (second, parts[1])]
    _add_strips(storey, cutting, boxes)
    return boxes


def _add_strips(storey: Storey, cutting: Cutting, boxes: dict[str, Box]) -> None:
    """Strips beside the house are as deep as it; those before and behind it reach around the corners."""
    left, bottom, right, top = storey.frame
    front, side = (FRONT_DEPTH, SIDE_DEPTH) if storey.ground else (BALCONY_DEPTH, BALCONY_DEPTH)
    on = {name: [room for room, where in cutting.strips if where == name] for name in SIDES}
    low, high = left - (side if on["left"] else 0.0), right + (side if on["right"] else 0.0)
    for name, rooms in on.items():
        for k, room in enumerate(rooms):
            a, b = k / len(rooms), (k + 1) / len(rooms)
            if name in ("below", "above"):
                y = bottom - front if name == "below" else top
                boxes[room] = Box(low + a * (high - low), y, low + b * (high - low), y + front)
            else:
                x = left - side if name == "left" else right
                boxes[room] = Box(x, bottom + a * (top - bottom), x + side, bottom + b * (top - bottom))


# --- cost -------------------------------------------------------------------------------------------------------------
def cost_of(storey: Storey, boxes: dict[str, Box]) -> float:
    """How far a layout is from what it should be: doors without a wall cost most, then slits, then odd places."""
    cost = 0.0
    for a, b in storey.joined:
        shared = _shared(boxes[a], boxes[b])
        if shared < DOORWAY:
            cost += 10.0 * (1.0 - max(shared, 0.0) / DOORWAY) + 0.5 * max(-shared, 0.0)
    for room in storey.areas:
        box = boxes[room]
        short, long = sorted((box.right - box.left, box.top - box.bottom))
        ratio = long / max(short, 1e-9)
        cost += max(0.0, min(ratio, 50.0) - (4.5 if room in storey.hubs else 1.9))
        cost += 5.0 * max(0.0, NARROW - short)
    for room, other in storey.over.items():
        box = boxes[room]
        across = min(box.right, other.right) - max(box.left, other.left)
        along = min(box.top, other.top) - max(box.bottom, other.bottom)
        if min(across, along) < 1.0:
            cost += 4.0 + 1.0 - min(across, along)
    return cost + _outer_cost(storey, boxes)


def _shared(a: Box, b: Box) -> float:
    """Metres of wall that two boxes share; negative: how far apart they are."""
    across = min(a.right, b.right) - max(a.left, b.left)
    along = min(a.top, b.top) - max(a.bottom, b.bottom)
    if min(abs(across), abs(along)) < 1e-6:
        return max(across, along)
    return min(across, along, 0.0)


def _outer_cost(storey: Storey, boxes: dict[str, Box]) -> float:
    """Ways off the property belong at an outer side, in front rather than elsewhere."""
    cost, frame = 0.0, storey.frame
    taken = {room: boxes[room] for room in storey.outdoors}
    for room in storey.exits:
        box = boxes[room]
        if room in taken:
            cost += 0.0 if box.top <= frame.bottom + 1e-6 or box.bottom >= frame.top - 1e-6 else 1.0
            continue
        free = [
            touches
            for side, touches in (
                ("below", abs(box.bottom - frame.bottom) < 1e-6),
                ("above", abs(box.top - frame.top) < 1e-6),
                ("left", abs(box.left - frame.left) < 1e-6),
                ("right", abs(box.right - frame.right) < 1e-6),
            )
            if not any(_beyond(frame, other, side) for other in taken.values())
        ]
        cost += 0.0 if any(free) else 6.0
    sides = [sum(_beyond(frame, box, side) for box in taken.values()) for side in SIDES]
    return cost + sum(0.5 * (number - 1) for number in sides if number > 1)


def _beyond(frame: Box, box: Box, side: str) -> bool:
    """Whether a strip lies on one side of the house."""
    return {
        "below": box.top <= frame.bottom + 1e-6,
        "above": box.bottom >= frame.top - 1e-6,
        "left": box.right <= frame.left + 1e-6,
        "right": box.left >= frame.right - 1e-6,
    }[side]
