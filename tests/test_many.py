"""One function over many tasks: the same outcomes in this process, over a pool and on a cluster."""

import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from presence.errors import PresenceError
from presence.many import DIED, ONE_THREAD, Outcome, in_order, run_many

TASKS = [3, 0, 5, 2]
EXPECTED = [Outcome(1 / 3), Outcome(None, "unexpected ZeroDivisionError: division by zero"), Outcome(0.2), Outcome(0.5)]


def inverse(number: int) -> float:
    return 1 / number


def inverse_or_death(number: int) -> float:
    if not number:
        time.sleep(0.2)  # while others run
        os._exit(9)
    return 1 / number


def threads(_: int) -> list[str | None]:
    import numpy as np

    np.ones((2, 2)) @ np.ones((2, 2))
    return [os.environ.get(name) for name in ONE_THREAD]


def unpicklable(_: int) -> object:
    return lambda: None


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    """The address of a scheduler with two workers on this machine."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as running:
        yield running.scheduler_address


@pytest.mark.parametrize("workers", [0, 2])
def test_every_task_has_its_outcome(workers: int) -> None:
    assert list(in_order(run_many(TASKS, inverse, workers=workers))) == EXPECTED


def test_a_cluster_gives_the_same(cluster: str) -> None:
    assert list(in_order(run_many(TASKS, inverse, scheduler=cluster))) == EXPECTED


def test_a_task_that_takes_its_worker_down_is_named_and_the_rest_is_done() -> None:
    found = list(in_order(run_many([4, 0, 2], inverse_or_death, workers=2)))
    died: Outcome[float] = Outcome(None, DIED)
    assert found == [Outcome(0.25), died, Outcome(0.5)]


def slow_inverse_or_death(number: int) -> float:
    time.sleep(1.0 if number else 0.2)
    return inverse_or_death(number)


def test_whoever_is_at_a_worker_that_another_task_takes_down_is_done() -> None:
    """A scheduler blames all that the dead worker had; here after one death, so that one worker of three is left."""
    distributed, dask = pytest.importorskip("distributed"), pytest.importorskip("dask")
    workers = {"n_workers": 3, "threads_per_worker": 2, "dashboard_address": ":0"}
    with dask.config.set({"distributed.scheduler.allowed-failures": 0}), distributed.LocalCluster(**workers) as running:
        done = run_many([0, 1, 2, 3, 4, 5], slow_inverse_or_death, scheduler=running.scheduler_address)
        found = list(in_order(done))
    died: Outcome[float] = Outcome(None, DIED)
    assert found == [died, *(Outcome(1 / number) for number in range(1, 6))]


def sleep_and_tell(path: str) -> None:
    Path(path).write_text(str(os.getpid()), encoding="utf-8")
    time.sleep(60)


def test_no_worker_outlives_the_process_that_asked(tmp_path: Path) -> None:
    told = tmp_path / "worker"
    code = "from presence.many import run_many; from tests.test_many import sleep_and_tell; import sys\n"
    code += f"list(run_many([{str(told)!r}], sleep_and_tell, workers=1))"
    asking = subprocess.Popen([sys.executable, "-c", code], cwd=Path(__file__).parents[1])
    while not told.exists() or not told.read_text("utf-8"):
        time.sleep(0.05)
    worker = int(told.read_text("utf-8"))
    os.kill(worker, 0)  # it is there
    asking.kill()
    asking.wait()
    for _ in range(200):
        try:
            os.kill(worker, 0)
        except ProcessLookupError:
            return
        if Path(f"/proc/{worker}/stat").exists() and " Z " in Path(f"/proc/{worker}/stat").read_text("utf-8"):
            return  # ended, only that nobody has asked yet
        time.sleep(0.05)
    raise AssertionError(f"process {worker} is still there")


def second_waits(task: tuple[str, bool]) -> int:
    """The second task waits when it is begun for the first time, and the first until then."""
    begun, waits = Path(task[0]), task[1]
    while not waits and not begun.exists():
        time.sleep(0.05)
    if not begun.exists():
        begun.touch()
        time.sleep(600)
    return os.getpid()


def test_a_worker_that_dies_while_it_waits_for_a_task_holds_nobody_up(tmp_path: Path) -> None:
    """It takes with it the lock under which tasks are handed out."""
    begun = str(tmp_path / "begun")
    code = "import os, signal, time; from presence.many import run_many; from tests.test_many import second_waits\n"
    code += f"done = run_many([({begun!r}, False), ({begun!r}, True)], second_waits, workers=2)\n"
    code += "(_, first) = next(done); time.sleep(1.0); os.kill(first.result, signal.SIGKILL)\n"
    code += "print([(index, outcome.error) for index, outcome in done])"
    command = [sys.executable, "-c", code]
    ended = subprocess.run(command, cwd=Path(__file__).parents[1], capture_output=True, text=True, timeout=120)
    assert (ended.stdout, ended.stderr, ended.returncode) == ("[(1, '')]\n", "", 0)


def test_what_cannot_come_back_is_an_outcome() -> None:
    ((_, found),) = run_many([1], unpicklable, workers=1)
    assert found.result is None
    assert "pickle" in found.error


def test_workers_use_one_thread_each(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(ONE_THREAD[0], "7")
    monkeypatch.delenv(ONE_THREAD[1], raising=False)
    assert [o.result for _, o in run_many([1, 2], threads, workers=2)] == [["1"] * len(ONE_THREAD)] * 2
    assert os.environ[ONE_THREAD[0]] == "7"  # and leave this process as it was
    assert ONE_THREAD[1] not in os.environ


@settings(max_examples=30)
@given(st.lists(st.text(max_size=1)), st.integers(0, 99))
def test_order_is_that_of_the_tasks(items: list[str], seed: int) -> None:
    done = list(enumerate(items))
    random.Random(seed).shuffle(done)
    assert list(in_order(done)) == items


def test_results_come_as_soon_as_those_before_them() -> None:
    asked = []

    def done() -> Iterator[tuple[int, str]]:
        for index, item in ((1, "b"), (0, "a"), (2, "c")):
            asked.append(item)
            yield index, item

    results = in_order(done())
    assert next(results) == "a"
    assert asked == ["b", "a"]
    assert next(results) == "b"
    assert asked == ["b", "a"]


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense://x"])
def test_a_scheduler_that_is_not_there_is_named(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("presence.many.CONNECTING", 0.5)
    with pytest.raises(PresenceError, match=r"scheduler .* cannot be used"):
        list(run_many(TASKS, inverse, scheduler=address))


def test_without_the_extra_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(PresenceError, match="presence\\[cluster\\]"):
        list(run_many(TASKS, inverse, scheduler="tcp://127.0.0.1:1"))
