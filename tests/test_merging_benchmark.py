"""The benchmark of merging: as many hypotheses as the reference lose nothing, one loses most."""

from __future__ import annotations

from benchmarks.merging import losses
from presence.simulate import SimulationSettings, simulate
from tests.oracle import contact, home, motion


def test_few_hypotheses_lose_what_many_do_not() -> None:
    plan = home(3, hall_motion=motion("hall"), bed_motion=motion("bed"), front_contact=contact("front"))
    log = simulate(plan, days=1, seed=3, settings=SimulationSettings(no_visitors=True, no_pets=True)).log
    log = sorted(log, key=lambda event: event.time)
    found = {most: (rooms, number) for most, rooms, number, _ in losses(plan, log, [1, 8, 32], 32, 10.0, 8.0)}
    assert found[32] == (0.0, 0.0)
    assert found[1][0] > found[8][0] > 0.0
    assert found[1][1] > found[8][1] > 0.0
