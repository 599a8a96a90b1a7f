"""Evidence from what a sensor's neighbours say: against sums written out, and against lives whose law is known."""

from __future__ import annotations

import math
from collections import Counter
from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import settings as effort
from hypothesis import strategies as st

from presence import Floorplan
from presence.health import spans
from presence.health.spans import AGAIN, LENGTHS, LONGEST, LOST, OFTEN, SHRINK, SUPPOSED, SUREST, SpanMeter
from tests.oracle import contact, home, motion

ROOMS = {"hall": {}, "bath": {}, "bed": {}}
DOORS = {"front": ["hall", "away"], "b": ["hall", "bath"], "s": ["hall", "bed"]}
BATH, HALL, BED = range(3)
ANEW = AGAIN + 1.0
"""Seconds after which a span is a new chance."""


def plan() -> Floorplan:
    doors = {name: {"between": between} for name, between in DOORS.items()}
    sensors = {"bath": motion("bath"), "hall": motion("hall"), "bed": motion("bed"), "front": contact("front")}
    return home(1, rooms=ROOMS, doors=doors, **sensors)


def tapped() -> Floorplan:
    """A tap in the hall, whose neighbours are the motion sensors of the hall and of the bedroom."""
    ends = {name: {"between": between} for name, between in DOORS.items()}
    tap = {"kind": "switch", "room": "hall"}
    return home(1, rooms=ROOMS, doors=ends, tap=tap, hall=motion("hall"), bed=motion("bed"))


def spoken_of(kind: tuple[object, ...], history: list[tuple[tuple[object, ...], bool]]) -> tuple[int, int]:
    """How often a sensor spoke in the spans of a kind, counted from the whole history."""
    of_kind = [spoke for each, spoke in history if each[: len(kind)] == kind]
    return sum(of_kind), len(of_kind)


def by_hand(kind: tuple[object, ...], history: list[tuple[tuple[object, ...], bool]]) -> float:
    """The share of spans of a kind in which a sensor speaks: the shrinking chain, unrolled."""
    share = SUPPOSED
    for width in range(1, len(kind) + 1):
        spoken, spans = spoken_of(kind[:width], history)
        share = (spoken + SHRINK * share) / (spans + SHRINK)
    return min(share, SUREST)


SECONDS = [5.0, 10.0, 29.0, 60.0, 1200.0, AGAIN - 5.0, AGAIN, LONGEST - 1.0, LONGEST]
RNG = np.random.default_rng(8)
A_WEEK = [
    (str(RNG.choice(["hall", "bed"], p=[0.8, 0.2])), float(RNG.choice([60.0, 1190.0])), bool(RNG.random() < 0.15))
    for _ in range(300)
]
"""Much of the same, again and again within half an hour or two."""


@given(st.lists(st.tuples(st.sampled_from(["hall", "bed"]), st.sampled_from(SECONDS), st.booleans()), max_size=25))
@example(A_WEEK)
@effort(deadline=None, max_examples=80)
def test_evidence_is_the_sum_over_spans_of_what_the_record_says(said: list[tuple[str, float, bool]]) -> None:
    """A switch says one thing only, so that it has no states."""
    meter, names = SpanMeter(tapped()), list(tapped().sensors)
    seconds, before, history, waiting, spoke = 0.0, "", [], [], False
    silent: list[tuple[float, tuple[object, ...]]] = []
    expected = 0.0
    for who, length, speaks in said:
        seconds += length
        span = (before, sum(length >= edge for edge in LENGTHS), who)
        again = sum(each == span and seconds - at < AGAIN for at, each in silent[:])
        kind = (min(again, OFTEN), *span)
        if not before or length >= LONGEST:  # no chance
            pass
        elif spoke:
            history.append((kind, True))
            silent = []
        else:
            waiting.append((kind, False))
            silent.append((seconds, span))
            expected -= math.log(1.0 - by_hand(kind, history))
        meter.hear(names.index(who), "detected", seconds)
        before, spoke = who, speaks
        assert meter.reach[names.index("tap")] == pytest.approx(expected, rel=1e-9)
        if speaks:
            meter.end(names.index("tap"), "pressed")
            history, waiting, expected = history + waiting, [], 0.0


def walk(
    meter: SpanMeter, rng: np.random.Generator, visits: int, *, seconds: float = 0.0, alive: bool = True
) -> list[float]:
    """Walks through the hall, at four in five of them into the bath; gaps of evidence of the bath's sensor."""
    gaps = []
    for _ in range(visits):
        meter.hear(HALL, "detected", seconds)
        visited = rng.random() < 0.8 and alive
        if visited:
            gaps.append(float(meter.reach[BATH]))
            meter.end(BATH, "detected")
        seconds += 40.0
        meter.hear(HALL, "clear", seconds)
        if visited:
            meter.end(BATH, "clear")
        seconds += 60.0
        meter.hear(HALL, "detected", seconds)
        seconds += ANEW
        meter.hear(BED, "detected", seconds)
        seconds += ANEW
    return gaps


def test_long_silences_are_as_rare_as_their_evidence_says() -> None:
    """`P(evidence > x) <= exp(-x)`: the chance of so many misses; with the shrinking only rarer."""
    gaps = np.array(walk(SpanMeter(plan()), np.random.default_rng(3), 4000))[400:]
    for x in (1.0, 2.0, 3.0, 4.5):
        share = float((gaps > x).mean())
        assert share < math.exp(-x) + 3.0 * math.sqrt(math.exp(-x) / len(gaps))
    assert (gaps > 1.0).mean() > 0.02  # the bound is not an empty one


def test_a_dead_sensor_gathers_evidence_at_the_rate_of_its_chances() -> None:
    meter, rng = SpanMeter(plan()), np.random.default_rng(4)
    share = len(walk(meter, rng, 200)) / 200
    meter.end(BATH, "clear")
    walk(meter, rng, 10, seconds=1e8, alive=False)
    each = -math.log(1.0 - share)  # one span in which it speaks four times in five, at each of ten walks
    assert meter.reach[BATH] == pytest.approx(10 * each, rel=0.1)
    owed, most = meter.owed(BATH)
    assert owed == pytest.approx(10 * share, rel=0.1)
    assert owed > most


def test_nothing_is_learned_from_a_silence_that_may_be_a_death() -> None:
    meter, rng = SpanMeter(plan()), np.random.default_rng(5)
    walk(meter, rng, 100)
    meter.end(BATH, "clear")
    rises = Counter()
    for month in range(4):
        before = meter.reach[BATH]
        walk(meter, rng, 100, seconds=1e8 * (month + 1), alive=False)
        rises[month] = round(float(meter.reach[BATH] - before), 6)
    assert len({rises[month] for month in (1, 2, 3)}) == 1
    meter.forgive(BATH)
    assert meter.reach[BATH] == 0.0
    assert meter.owed(BATH)[0] == 0.0


def test_what_is_made_again_and_again_by_somebody_who_sits_is_no_new_chance() -> None:
    """Of each evening's forty spans at the table, the sensor speaks in the first or in none."""
    meter, rng, seconds, reaches = SpanMeter(plan()), np.random.default_rng(6), 0.0, []
    for evening in range(60):
        comes = evening < 59 and rng.random() < 0.5
        for n in range(40):
            meter.hear(HALL, "detected", seconds + 20.0 * n)
            if comes and n == 0:
                meter.end(BATH, "detected")
                meter.end(BATH, "clear")
            reaches.append(float(meter.reach[BATH]))
        seconds += 86400.0
    assert max(len(times) for times in meter._rows[BATH]._latest.values()) == OFTEN  # no more is ever asked
    last = np.array(reaches[-40:]) - reaches[-40]
    assert last[1] > 0.4  # half of the evenings
    assert last[-1] < 3.0 * last[1]  # not forty times as much


def test_a_lost_off_report_excuses_silence_until_the_next_visit_is_missed() -> None:
    """On, it would go off at once; but the report may have been lost, and then it is merely off."""
    meter, seconds = SpanMeter(plan()), 0.0
    for _ in range(200):
        meter.end(BATH, "detected")
        meter.hear(HALL, "detected", seconds)  # it is on when this span begins
        meter.end(BATH, "clear")
        meter.hear(BED, "detected", seconds + 60.0)
        meter.hear(BED, "detected", seconds + 60.0 + ANEW)
        seconds += 3.0 * ANEW
    meter.end(BATH, "detected")
    meter.hear(HALL, "detected", seconds)
    for n in range(40):
        meter.hear(BED, "detected", seconds + 60.0 + n * ANEW)
        meter.hear(HALL, "detected", seconds + 120.0 + n * ANEW)
    assert 1.0 < meter.reach[BATH] < -math.log(LOST) + 3.0


def test_only_neighbours_and_phones_begin_and_end_spans() -> None:
    rooms = {f"r{n}": {} for n in range(5)}
    doors = {f"d{n}": {"between": [a, b]} for n, (a, b) in enumerate(pairwise([*rooms, "away"]))}
    far = home(1, rooms=rooms, doors=doors, **{f"m{n}": motion(f"r{n}") for n in range(5)})
    meter = SpanMeter(far)
    for n in range(6):
        meter.hear(4, "detected", 3.0 * ANEW * n)
    assert (meter.reach > 0.0).tolist() == [False, False, False, True, False]
    phone = home(1, rooms=rooms, doors=doors, phone={"kind": "phone", "person": "P1"}, m0=motion("r0"))
    meter = SpanMeter(phone)
    for n in range(6):
        meter.hear(0, "home", 3.0 * ANEW * n)
    assert (meter.reach > 0.0).tolist() == [False, True]


def test_what_has_always_been_said_may_still_be_lost() -> None:
    """One report in some thirty is: the first miss after hundreds without one tells `-log(1 - SUREST)`."""
    meter = SpanMeter(tapped())
    for n in range(400):
        meter.hear(1, "detected", 60.0 * n)
        meter.end(0, "pressed")
    meter.hear(1, "detected", 60.0 * 400)
    assert meter.reach[0] == 0.0
    meter.hear(1, "detected", 60.0 * 401)
    assert meter.reach[0] == pytest.approx(-math.log(1.0 - SUREST))


def test_the_longest_silence_is_remembered_and_a_new_one_has_all_its_chances() -> None:
    meter = SpanMeter(tapped())
    for n in range(5):
        meter.hear(1, "detected", 60.0 * n)
    longest = meter.owed(0)[0]
    assert longest > 2.0 * SUPPOSED
    meter.end(0, "pressed")
    assert meter.owed(0) == (0.0, longest)
    for n in range(2):
        meter.hear(1, "detected", 60.0 * (6 + n))
    assert 0.0 < meter.owed(0)[0] < longest
    meter.end(0, "pressed")
    assert meter.owed(0) == (0.0, longest)
    reaches = []
    for begin in (1e5, 1e5 + 600.0):  # the second time soon after the first, which is forgiven
        meter.hear(1, "clear", begin)
        before = meter.reach[0]
        meter.hear(1, "detected", begin + 60.0)
        reaches.append(meter.reach[0] - before)
        meter.forgive(0)
    assert reaches == pytest.approx([reaches[0]] * 2)
    assert reaches[0] > 0.0


def test_spans_of_one_kind_are_alike_in_all_that_the_kind_knows() -> None:
    """Of any two spans the kinds are the same up to the first thing in which they differ, and no further."""
    marks = (0, 1, spans.MARKS - 1)
    parts = list(product((0, 1), range(OFTEN + 1), marks, range(len(LENGTHS) + 1), marks))
    known = [((state, again), begun, length, end) for state, again, begun, length, end in parts]
    kinds = [spans._kinds(state, again, (begun, length, end)) for state, again, begun, length, end in parts]
    for depth in range(4):
        told = {(known[n][: depth + 1], kinds[n][depth]) for n in range(len(parts))}
        assert len(told) == len({what for what, _ in told}) == len({kind for _, kind in told})
    widths = [{kind[depth] for kind in kinds} for depth in range(4)]
    assert sum(len(width) for width in widths) == len(set.union(*widths))


def test_a_record_is_bounded_and_forgets_what_is_rare(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ever new spans of two phones' many values, and now and then the one that tells: it is still known at the end."""
    monkeypatch.setattr(spans, "KINDS", 64)
    meter, seconds = SpanMeter(plan()), 0.0
    row = meter._rows[BATH]
    largest = 0
    for n in range(600):
        meter.hear(HALL, f"value {n}", seconds)
        seconds += ANEW
        if n % 10 == 0:
            for value in ("detected", "clear"):
                meter.hear(HALL, value, seconds)
                seconds += 30.0
            meter.end(BATH, "detected")
            meter.hear(HALL, "detected", seconds)
            meter.end(BATH, "clear")
        largest = max(largest, len(row._record), len(row._silences))
    assert 32 < largest <= 64 + 4
    meter.hear(HALL, "detected", seconds)
    meter.hear(HALL, "clear", seconds + 30.0)
    before = meter.reach[BATH]
    meter.hear(HALL, "detected", seconds + 60.0)
    assert meter.reach[BATH] - before > 1.0  # it spoke in nearly all of those
    for n in range(300):  # a silence without end is bounded, too
        meter.hear(HALL, f"other {n}", seconds + ANEW * (n + 1))
    assert len(row._silences) <= 64
    assert len(row._latest) <= 64
