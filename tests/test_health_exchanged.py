"""Door contacts whose labels are exchanged: named from what is heard behind doors, and right ones never."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from benchmarks import faults
from presence import Event, Floorplan, Tracker
from presence.events import reorder
from presence.health.exchanged import LATEST, LEAST, exchanged_contacts
from presence.health.review import review
from presence.simulate import simulate
from tests.oracle import at, contact, doors, home

PLANS = Path(__file__).parents[1] / "floorplans"
ROOMS: dict[str, Any] = {"hall": {}, "bath": {}, "store": {}, "bed": {"rest": True}}
TWO_WAYS = doors(bath_door="hall bath", store_door="hall bath", front="hall away", bed_way="hall bed none")
DOORS = doors(bath_door="hall bath", store_door="hall store", front="hall away", bed_way="hall bed none")
TOLD: dict[str, Any] = {
    "bath_contact": contact("bath_door"),
    "store_contact": contact("store_door"),
    "bath_tap": {"kind": "switch", "room": "bath"},
}
HOME = home(1, rooms=ROOMS, doors=DOORS, **TOLD)


def visits(behind: str, times: int = 4 * LEAST) -> list[Event]:
    """Somebody goes through a door, works the bathroom's tap and comes back; later they fetch something elsewhere."""
    other = next(name for name in ("bath_contact", "store_contact") if name != behind)
    story = [(0, behind, "open"), (3, behind, "closed"), (40, "bath_tap", "pressed"), (60, behind, "open")]
    story += [(63, behind, "closed"), (900, other, "open"), (930, other, "closed")]
    return [at(1800.0 * n + seconds, sensor, value) for n in range(times) for seconds, sensor, value in story]


def test_who_works_a_tap_has_passed_the_door_that_was_heard() -> None:
    assert exchanged_contacts(HOME, visits("bath_contact")) == []
    found = exchanged_contacts(HOME, visits("store_contact"))
    assert {f.sensor for f in found} == {"bath_contact", "store_contact"}
    assert {f.kind for f in found} == {"misplaced"}
    assert all(f.probability > 0.99 for f in found)
    (bath,) = (f for f in found if f.sensor == "bath_contact")
    assert "store_contact" in bath.evidence


def test_what_is_hopeless_is_given_up_within_a_few_visits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each two of a home's contacts are tried, so a whole replay for each would take minutes."""
    taken = [0]
    observe = Tracker.observe

    def counting(tracker: Tracker, event: Event) -> None:
        taken[0] += 1
        observe(tracker, event)

    monkeypatch.setattr(Tracker, "observe", counting)
    log = visits("bath_contact")
    assert exchanged_contacts(HOME, log) == []
    assert taken[0] <= len(log) + 50


def test_nothing_is_said_of_contacts_that_were_hardly_heard_or_lead_to_the_same_rooms() -> None:
    assert exchanged_contacts(HOME, visits("store_contact", LEAST // 2)) == []
    both = home(1, rooms={"hall": {}, "bath": {}, "bed": {"rest": True}}, doors=TWO_WAYS, visitors=0, **TOLD)
    assert exchanged_contacts(both, visits("store_contact")) == []


def test_nothing_is_said_of_a_contact_that_tells_openings_alone() -> None:
    """For the tracker its door stands open ever after: that suits another door as often, and right ones were named."""
    one_way = [e for e in visits("store_contact") if (e.sensor, e.value) != ("store_contact", "closed")]
    assert exchanged_contacts(HOME, one_way) == []


@cache
def lived() -> tuple[Floorplan, list[Event]]:
    plan = Floorplan.load(PLANS / "two_storey_garage.yaml")
    return plan, list(reorder(simulate(plan, days=3, seed=31).log))[-LATEST:]


@pytest.mark.parametrize("pair", [(), ("front_contact", "garage_utility_contact")])
def test_exchanged_contacts_of_a_simulated_home_are_named_and_no_others(pair: tuple[str, str] | tuple[()]) -> None:
    plan, log = lived()
    found = exchanged_contacts(plan, faults.swap(log, *pair) if pair else log, hypotheses=2)
    assert {f.sensor for f in found} == set(pair)


def test_a_review_names_them_and_a_plan_that_is_mended_as_told_has_none() -> None:
    log = visits("store_contact")
    (first, second) = (f for f in review(HOME, log, hypotheses=2).findings if f.kind == "misplaced")
    a, b = HOME.sensors[first.sensor], HOME.sensors[second.sensor]
    mended = replace(HOME, sensors=HOME.sensors | {a.id: replace(a, door=b.door), b.id: replace(b, door=a.door)})
    assert not [f for f in review(mended, log, hypotheses=2).findings if f.kind == "misplaced"]
