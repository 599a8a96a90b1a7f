"""Who rests where a motion sensor sees them, and what its report makes of visitors (see `resting`)."""

from __future__ import annotations

import numpy as np

from presence.floorplan import Sensor
from presence.places import ACTIVE, ASLEEP, SETTLED, watched
from presence.resting import Rest
from presence.sensing import Sight


def rest_of(sight: Sight, sensor: Sensor, being: int) -> Rest:
    """A being at rest in a motion sensor's room or zone, but for seats with sensors of their own."""
    states = sight.states
    places = [place for place in watched(sight.plan, states, sensor) if states.places[place].seat is None]
    settled, up, deep = (states.select(places, pace) for pace in (SETTLED, ACTIVE, ASLEEP))
    motion = sight.options(sensor, "detected")[0]
    seen, deeply = (motion.losses[being, np.isin(motion.source, index)] for index in (settled, deep))
    rising = sight.flows[being, settled, up] / sight.weights[being, settled]
    in_sight = np.concatenate([settled, up, deep])
    return Rest(settled, up, deep, float(np.mean(seen + rising)), float(np.mean(deeply)), in_sight)
