"""Time per event, memory and import time, against other ways of doing the same sums in the same run.

    python benchmarks/speed.py [--events N]

Prints microseconds of processor time per event (median, 99th percentile) of the tracker for 1-6 people (a visitor slot
beside them) and 12-48 rooms on logs from our own simulator; the same tracker with the exact joint filter for an engine
(`joint_engine`: what it has and what it cannot have); then one dense chain in plain numpy, the exact joint filter by
itself, hmmlearn and pomegranate (the last two on the same single-person chain, if installed). Ratios within one run
mean something; the microseconds depend on the machine.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

if __package__ in (None, ""):
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from numpy.typing import NDArray

from benchmarks.joint_engine import joint_tracker
from presence import Event, Floorplan, Tracker
from presence.markov import filter_chain, mark_joint, move_joint, transition_matrix
from presence.simulate import simulate

Array = NDArray[np.float64]
PEOPLE, ROOMS = (1, 2, 3, 4, 6), (12, 24, 48)


def home(people: int, rooms: int, visitors: int = 1) -> Floorplan:
    """A home of the given size, see `fields`."""
    return Floorplan.from_mapping(fields(people, rooms, visitors))


def fields(people: int, rooms: int, visitors: int) -> dict[str, Any]:
    """A plan: a row of corridors with rooms on them, a motion sensor in every room, a front door and phones."""
    names = [f"corridor_{n}" if n % 6 == 0 else f"bedroom_{n}" if n % 6 == 1 else f"room_{n}" for n in range(rooms)]
    doors: dict[str, Any] = {"front": {"between": [names[0], "away"], "leaf": "hinged"}}
    for n, name in enumerate(names[1:], start=1):
        hub = names[n - n % 6] if n % 6 else names[n - 6]
        doors[f"door_{n}"] = {"between": [hub, name], "leaf": "none" if n % 6 == 0 else "hinged"}
    sensors: dict[str, Any] = {f"{name}_motion": {"kind": "motion", "room": name, "hold": 30} for name in names}
    sensors["front_contact"] = {"kind": "contact", "door": "front"}
    residents = {f"P{n + 1}": {"bed": names[1 + 6 * (n % max(1, rooms // 6))]} for n in range(people)}
    sensors |= {f"{person}_phone": {"kind": "phone", "person": person} for person in residents}
    return {
        "name": "row of rooms",
        "time_zone": "UTC",
        "rooms": {name: {"rest": name.startswith("bedroom")} for name in names},
        "doors": doors,
        "sensors": sensors,
        "people": residents,
        "visitors": visitors,
    }


def timed(step: Callable[[Any], object], items: list[Any]) -> Array:
    """Microseconds of processor time of each call: what else runs on the machine counts little."""
    times = np.empty(len(items))
    for n, item in enumerate(items):
        begin = time.process_time_ns()
        step(item)
        times[n] = (time.process_time_ns() - begin) / 1e3
    return times


def log_of(plan: Floorplan, events: int) -> list[Event]:
    """The first events of our simulator's log of a home."""
    log: list[Event] = []
    days = 1
    while len(log) < events and days <= 16:
        log = list(simulate(plan, days=days, seed=1).log)
        days *= 2
    return sorted(log, key=lambda event: event.time)[:events]


def tracker_times(tracker: Tracker, log: list[Event], *, reading: bool = False) -> Array:
    """Microseconds per event of a tracker, with the belief read after each or not; the first tenth is left out."""

    def step(event: Event) -> None:
        tracker.observe(event)
        if reading:
            _ = tracker.belief

    return timed(step, log)[len(log) // 10 :]


def against_joint(plan: Floorplan, log: list[Event]) -> str:
    """One line: the tracker, and the same tracker with the exact joint filter inside, with and without reading."""
    cells = []
    for reading in (True, False):
        times = [tracker_times(make(plan), log, reading=reading) for make in (Tracker, joint_tracker)]
        cells += [f"{np.median(t):>11.0f} / {np.percentile(t, 99):>6.0f} / {t.mean():>6.0f}" for t in times]
    return " ".join(cells)


def dense_chain(states: int, steps: int) -> tuple[Array, Array, Array]:
    """A chain with random rates and likelihoods: initial, transition over 5 s, likelihoods."""
    rng = np.random.default_rng(1)
    generator = rng.random((states, states)) * 0.01
    np.fill_diagonal(generator, 0.0)
    np.fill_diagonal(generator, -generator.sum(axis=1))
    return np.full(states, 1 / states), transition_matrix(generator, 5.0), rng.random((steps, states)) + 0.01


def joint_times(states: int, people: int, steps: int) -> Array:
    """Microseconds per event of the exact joint filter: move every axis, then sum over who caused the event."""
    initial, transition, likelihoods = dense_chain(states, steps)
    joint = initial
    for _ in range(people - 1):
        joint = np.multiply.outer(joint, initial)
    held = [joint]

    def step(likelihood: Array) -> None:
        moved = mark_joint(move_joint(held[0], [transition] * people), [np.diag(likelihood)] * people, 1e-4)
        held[0] = moved / moved.sum()

    return timed(step, list(likelihoods))


def library_times(states: int, steps: int) -> dict[str, float]:
    """Microseconds per step of whole forward passes over the same chain."""
    initial, transition, likelihoods = dense_chain(states, steps)
    found = {"plain numpy": float(timed(lambda _: filter_chain(initial, transition, likelihoods), [0])[0]) / steps}
    try:
        from hmmlearn.base import BaseHMM
    except ImportError:
        found["hmmlearn (not installed)"] = float("nan")
    else:

        class External(BaseHMM):  # type: ignore[misc]
            """A chain whose log-likelihoods come from outside."""

            def _compute_log_likelihood(self, X: Array) -> Array:  # noqa: N803
                return X

        model = External(n_components=states)
        model.startprob_, model.transmat_ = initial, transition
        model._check = lambda: None
        found["hmmlearn"] = float(timed(lambda _: model.score(np.log(likelihoods)), [0])[0]) / steps
    try:
        import torch
        from pomegranate.distributions import Categorical
        from pomegranate.hmm import DenseHMM
    except ImportError:
        found["pomegranate (not installed)"] = float("nan")
    else:
        parts = [Categorical([[0.5, 0.5]]) for _ in range(states)]
        chain = DenseHMM(parts, edges=transition, starts=initial, ends=np.ones(states)).double()
        emissions = torch.tensor(np.log(likelihoods))[None]
        found["pomegranate"] = float(timed(lambda _: chain.forward(emissions=emissions), [0])[0]) / steps
    return found


def import_cost() -> tuple[float, float]:
    """Seconds and megabytes of `import presence` in a fresh process, less those of an empty one."""
    code = (
        "import time, resource; b = time.perf_counter(); {}; "
        "print(time.perf_counter() - b, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)"
    )
    statement = "import presence; presence.Tracker; presence.Floorplan; presence.Event"
    run = subprocess.run([sys.executable, "-c", code.format(statement)], capture_output=True, text=True, check=True)
    seconds, megabytes = map(float, run.stdout.split())
    return seconds, megabytes


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Time per event, memory and import time.")
    parser.add_argument("--events", type=int, default=1500)
    events = parser.parse_args().events
    seconds, megabytes = import_cost()
    print(f"import presence, Tracker and Floorplan: {seconds:.2f} s, {megabytes:.0f} MB in all")
    print(f"\ntracker, microseconds per event (median / p99), {events} simulated events at most, K = 16")
    print("people " + "".join(f"{rooms:>16} rooms" for rooms in ROOMS))
    for people in PEOPLE:
        plans = [home(people, rooms) for rooms in ROOMS]
        cells = [tracker_times(Tracker(plan), log_of(plan, events)) for plan in plans]
        print(f"{people:>6} " + "".join(f"{np.median(c):>11.0f} / {np.percentile(c, 99):>8.0f}" for c in cells))
    print(
        "\n12 rooms, nobody unknown, on the same log (median / p99 / mean), belief read after each event: tracker, the"
    )
    print("same tracker with the exact joint filter inside; then both without reading the belief")
    for people, most in ((1, events), (2, events), (3, 40)):
        plan = home(people, 12, visitors=0)
        print(f"{people:>6} {against_joint(plan, log_of(plan, events)[:most])}")
    states = 52
    print(
        f"\nexact joint filter on a regular grid, {states} states a person (12 rooms), microseconds per event (median)"
    )
    for people, steps in ((1, 500), (2, 200), (3, 5)):
        print(f"{people:>6} {np.median(joint_times(states, people, steps)):>11.0f}")
    print(f"\none chain of {states} states, microseconds per step of a whole forward pass")
    for name, value in library_times(states, 2000).items():
        print(f"{name:>28} {value:>9.1f}")
    print(f"\npeak memory of this run: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
