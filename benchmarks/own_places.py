"""Who dwells where: can places of people's own be learned without labels, and do they tell who is who?

    python benchmarks/own_places.py two_residents FOLDER [--part first] [--rounds 6] [--starts 3]
    python benchmarks/own_places.py homes [--plans two_storey_garage] [--people 2] [--seeds 21] [--variant "no phones"]
                                          [--days 3] [--score-days 2] [--rounds 3]

Each resident gets a factor on each place's share of their time (`Settings.own_places`). Three ways to come by them:

* by labels: from where the tags (or the truth) put each resident; for a session, from all the other sessions. What
  there is to gain for anybody who could see;
* without labels, by expectation maximisation: who is where is smoothed under the factors so far, and the factors follow
  from each one's share of the visits. In a set of sessions nothing tells one resident from the other at first, so the
  symmetry is broken by the tracks of one of the first sessions (`--starts` of them in turn); from then on the filter
  itself weighs who is who in each session. In simulated homes beds, hours and phones break it;
* nothing: the defaults.

Sessions of one part are learned from and scored; `held out` is the gain in log-likelihood where the same is learned
from every other session only and asked of the rest. No label is used in learning.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from itertools import chain, pairwise, product
from pathlib import Path
from typing import Any

if __package__ in (None, ""):
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the matrices are small
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from numpy.typing import NDArray

from benchmarks.learning import add_home_options, figures, later_part
from benchmarks.open_sets.following import follow
from benchmarks.open_sets.recording import half
from benchmarks.open_sets.score_two_residents import read_causes
from benchmarks.open_sets.two_residents import PEOPLE, Session, TwoResidents, load
from benchmarks.open_sets.two_residents_scores import firings, score_people
from benchmarks.trust.homes import Cell, Lived, live
from presence import Event, Floorplan, Settings
from presence.floorplan import AWAY, ON_VALUES
from presence.learn.em import PLACE_PSEUDO
from presence.places import Place, motion_zones, states_of
from presence.recorder import RecordingEngine, stretches
from presence.smoothing import CHUNK, OVERLAP, looked_back

Array = NDArray[np.float64]
Own = Mapping[str, Mapping[str, float]]
LONGEST = 300.0
"""Seconds for which a tag is taken to say where its resident stays."""
HYPOTHESES = 16


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command; 0 done."""
    parser = argparse.ArgumentParser(description="Places of people's own, with labels and without.")
    parser.add_argument("what", choices=["two_residents", "homes"])
    parser.add_argument("folder", type=Path, nargs="?", help="of the open set")
    parser.add_argument("--part", choices=["all", "first", "second"], default="first")
    parser.add_argument("--rounds", type=int, default=6)
    parser.add_argument("--starts", type=int, default=3)
    add_home_options(parser, seeds="21", variant="no phones", days=3.0)
    options = parser.parse_args(arguments)
    if options.what == "two_residents":
        if options.folder is None:
            parser.error("the folder of the set is missing")
        lines = session_table(load(options.folder), options.part, options.rounds, options.starts)
    else:
        homes = (getattr(options, name).split(",") for name in ("plans", "people", "seeds"))
        days = options.days + options.score_days
        cells = (Cell(plan, int(people), options.variant, int(seed), days) for plan, people, seed in product(*homes))
        lines = chain.from_iterable(home_table(cell, options.days, options.rounds) for cell in cells)
    for line in lines:
        print(line, flush=True)
    return 0


# --- learning ---------------------------------------------------------------------------------------------------------
def name_of(place: Place) -> str:
    """What `Settings.own_places` calls a place."""
    return place.seat or place.zone or place.room


def dwelling(
    plan: Floorplan, logs: Iterable[Sequence[Event]], own: Own, *, numbering: bool = False, every: float = 20.0
) -> tuple[Array, float]:
    """The E step: seconds of each resident at each place, shape (P, places), and the log-likelihood of the logs.

    Beliefs about each instant are those from before and after it (`presence.smoothing`).
    """
    people = len(plan.people)
    engine = RecordingEngine(plan, Settings(own_places=own), HYPOTHESES, numbering=numbering)
    place = engine.model.states.place
    seconds, log_likelihood = np.zeros((people, len(engine.model.states.places))), 0.0
    for log in logs:
        latest = None
        for latest in stretches(engine, log, every, CHUNK, OVERLAP):
            for snapshot in looked_back(engine, latest):
                x = np.einsum("pks,k->ps", snapshot.mixture.x, snapshot.mixture.weight)
                for p in range(people):
                    seconds[p] += every * np.bincount(place, weights=x[p], minlength=seconds.shape[1])
        log_likelihood += latest.end.mixture.log_likelihood if latest else 0.0
    return seconds, log_likelihood


def visits(plan: Floorplan, logs: Iterable[Sequence[Event]]) -> Array:
    """How often each place is heard of after another one, shape (places,)."""
    names = {name_of(place): k for k, place in enumerate(states_of(plan).places)}
    counted = np.zeros(len(names))
    for log in logs:
        before = None
        for event in log:
            sensor = plan.sensors[event.sensor]
            if event.value not in ON_VALUES or sensor.room is None:
                continue
            own = sensor.kind == "pressure" or (sensor.kind == "motion" and motion_zones(plan, sensor.room))
            now = names.get(sensor.id if own else sensor.room)
            if now is not None and now != before:
                counted[now] += 1.0
                before = now
    return counted


def factors(plan: Floorplan, seconds: Array, visited: Array) -> dict[str, dict[str, float]]:
    """The M step: each resident's share of a place's visits over their share of all visits.

    With n visits where e are expected the factor is (n + a) / (e + a), a being `PLACE_PSEUDO`.
    """
    names = [name_of(place) for place in states_of(plan).places]
    at_home = np.array([place.room != AWAY for place in states_of(plan).places])
    made = seconds / np.maximum(seconds.sum(axis=0), 1e-9) * visited * at_home
    expected = made.sum(axis=1, keepdims=True) * made.sum(axis=0) / max(float(made.sum()), 1e-9)
    found = (made + PLACE_PSEUDO) / (expected + PLACE_PSEUDO)
    return {
        person: {name: float(f) for name, f, inside in zip(names, row, at_home, strict=True) if inside}
        for person, row in zip(plan.people, found, strict=True)
    }


def learned(
    plan: Floorplan, logs: Sequence[Sequence[Event]], rounds: int, start: Own | None = None
) -> tuple[Own, list[float]]:
    """Some rounds of EM, and the log-likelihood before each."""
    own: Own = start or {}
    visited, history = visits(plan, logs), []
    for _ in range(rounds):
        seconds, log_likelihood = dwelling(plan, logs, own)
        history.append(log_likelihood)
        own = factors(plan, seconds, visited)
    return own, history


def from_tracks(plan: Floorplan, log: Sequence[Event]) -> Own:
    """Factors from the tracks of one session, whose numbers stand for people there."""
    seconds, _ = dwelling(plan, [log], {}, numbering=True)
    return factors(plan, seconds, visits(plan, [log]))


# --- two residents ----------------------------------------------------------------------------------------------------
def session_table(data: TwoResidents, part: str, rounds: int, starts: int) -> Iterable[str]:
    """Figures of each way to come by own places."""
    sessions = half(data.sessions, part)
    logs = [session.recording.events for session in sessions]
    yield f"{'':<34}{'log-lik.':>10}{'held out':>10}  same person  who (5 min)  who (session)  who (named)"
    usual = follow_each(data, sessions, [{}] * len(sessions))
    yield _row("defaults", usual)
    tagged = [where_tagged(data, session) for session in sessions]
    others = [[k for k in range(len(sessions)) if k != n] for n in range(len(sessions))]
    by_label = [
        factors(data.plan, sum((tagged[k] for k in rest), np.zeros(1)), visits(data.plan, [logs[k] for k in rest]))
        for rest in others
    ]
    told = follow_each(data, sessions, by_label)
    yield _row("by the tags of other sessions", told, told["log_likelihood"] - usual["log_likelihood"])
    for start in range(min(starts, len(sessions))):
        own, history = learned(data.plan, logs, rounds, from_tracks(data.plan, logs[start]))
        found = follow_each(data, sessions, [own] * len(sessions))
        gain = math.nan if start else _held_out(data, sessions, rounds, usual["each"])
        yield _row(f"no labels, tracks of session {start + 1}", found, gain)
        yield "    log-likelihood by round: " + " ".join(f"{x:.1f}" for x in history)
        yield f"    agreement of the factors with the tags: {agreement(data.plan, own, tagged):+.2f} (correlation)"


def _held_out(data: TwoResidents, sessions: Sequence[Session], rounds: int, usual: Sequence[float]) -> float:
    """Gain in log-likelihood of every other session, learned from the rest; both ways."""
    total = 0.0
    for first in (0, 1):
        known, asked = sessions[first::2], sessions[1 - first :: 2]
        logs = [session.recording.events for session in known]
        own, _ = learned(data.plan, logs, rounds, from_tracks(data.plan, logs[0]))
        total += follow_each(data, asked, [own] * len(asked))["log_likelihood"] - sum(usual[1 - first :: 2])
    return total


def follow_each(data: TwoResidents, sessions: Sequence[Session], owns: Sequence[Own]) -> dict[str, Any]:
    """Scores of who it was, and the log-likelihood."""
    same, who, named, each = [], [], [], []
    for session, own in zip(sessions, owns, strict=True):
        trace = follow(data.plan, session.recording, 60.0, Settings(own_places=own), HYPOTHESES)
        p_same, people, _ = read_causes(firings(session), trace)
        same.append(p_same)
        who.append(people.argmax(axis=1).tolist())
        each.append(trace.log_likelihood)
        tags = zip((row.residents for row in firings(session)), who[-1], strict=True)
        named += [residents == {k + 1} for residents, k in tags if len(residents) == 1]
    found = score_people(sessions, same, who)
    return {
        "log_likelihood": sum(each),
        "each": each,
        "scores": [found[k].value for k in ("same_person", "identity_within_5_min", "identity_whole_session")],
        "named": max(float(np.mean(named)), 1.0 - float(np.mean(named))),
    }


def where_tagged(data: TwoResidents, session: Session) -> Array:
    """Seconds for which each resident's latest tag was of each place, shape (P, places)."""
    states = states_of(data.plan)
    names = {name_of(place): k for k, place in enumerate(states.places)}
    seconds = np.zeros((len(PEOPLE), len(names)))
    for resident in (1, 2):
        rows = [row for row in firings(session) if resident in row.residents]
        for row, following in pairwise(rows):
            room = str(data.plan.sensors[row.sensor].room)
            place = names[row.sensor if motion_zones(data.plan, room) else room]
            seconds[resident - 1, place] += min(following.time - row.time, LONGEST)
    return seconds


def agreement(plan: Floorplan, own: Own, tagged: Sequence[Array]) -> float:
    """Correlation of the log ratio of both residents' factors with that of their tagged seconds."""
    seconds = sum(tagged, np.zeros(1))
    names = [name_of(place) for place in states_of(plan).places]
    there = np.array([bool(s.sum() > 0) for s in seconds.T])
    ours = np.array([math.log(own["P1"].get(n, 1.0) / own["P2"].get(n, 1.0)) for n in names])
    tags = np.log((seconds[0] + 60.0) / (seconds[1] + 60.0))
    return float(abs(np.corrcoef(ours[there], tags[there])[0, 1]))


def _row(name: str, found: dict[str, Any], held_out: float = math.nan) -> str:
    same, five, whole = found["scores"]
    gain = "" if math.isnan(held_out) else f"{held_out:+.1f}"
    told = f"{name:<34}{found['log_likelihood']:10.1f}{gain:>10}"
    return f"{told}{same:13.3f}{five:13.3f}{whole:15.3f}{found['named']:13.3f}"


# --- simulated homes --------------------------------------------------------------------------------------------------
def home_table(cell: Cell, days: float, rounds: int) -> Iterable[str]:
    """Scores of later days with the defaults, with what was learned without labels, and with the truth's."""
    lived = live(cell)
    until = lived.log[0].seconds + days * 86400.0
    known = [event for event in lived.log if event.seconds < until]
    events, truth = later_part(lived, until)
    own, history = learned(lived.plan, [known], rounds)
    ways: dict[str, Own] = {"defaults": {}, "without labels": own, "by the truth": from_truth(lived, until, known)}
    yield f"{cell.plan}, {cell.people} people, {cell.variant}, seed {cell.seed}"
    for name, places in ways.items():
        found = figures(lived.plan, events, truth, Settings(own_places=places))
        keys = ("people", "bal. acc.", "count", "log loss")
        yield f"  {name:<16} " + "  ".join(f"{key} {found[key]:.4f}" for key in keys)
    yield "  log-likelihood by round: " + " ".join(f"{x:.1f}" for x in history)


def from_truth(lived: Lived, until: float, known: Sequence[Event]) -> Own:
    """Factors from the rooms in which people truly were (a room's zones and seats have its seconds alike)."""
    states = states_of(lived.plan)
    seconds = np.zeros((len(lived.plan.people), len(states.places)))
    latest: dict[str, tuple[float, str]] = {}
    for line in lived.truth:
        now = min(line.time.timestamp(), until)
        if line.person in lived.plan.people:
            since, room = latest.get(line.person, (now, line.room))
            seconds[list(lived.plan.people).index(line.person), states.places_of(room, seats=True)] += now - since
            latest[line.person] = now, line.room
    return factors(lived.plan, seconds, visits(lived.plan, [known]))


if __name__ == "__main__":
    sys.exit(main())
