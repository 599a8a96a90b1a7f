"""One function over many tasks: in this process, over a process pool, or on a Dask cluster; the same results each way.

Knows nothing of homes. A task that fails, or takes its worker process down with it, is an outcome like any other and
never stops the rest.
"""

from __future__ import annotations

import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from multiprocessing import get_context, parent_process
from threading import Thread
from typing import Any, Generic, TypeVar, cast

from presence.errors import PresenceError

Task = TypeVar("Task")
Result = TypeVar("Result")
Item = TypeVar("Item")

ONE_THREAD = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")
"""Set to 1 in every worker: threads slow small matrices down, and workers would fight over the cores."""
DIED = "its worker process died (killed, or out of memory)"
CONNECTING = 10.0
"""Seconds to wait for a scheduler."""
COMING_BACK = 60.0
"""Seconds to wait for a worker of a cluster that has none left."""


@dataclass(frozen=True, slots=True)
class Outcome(Generic[Result]):
    """What came of one task: its result, or what went wrong in one line."""

    result: Result | None
    error: str = ""


def run_many(
    tasks: Sequence[Task], work: Callable[[Task], Result], *, workers: int = 1, scheduler: str | None = None
) -> Iterator[tuple[int, Outcome[Result]]]:
    """(index, outcome) of every task, in the order in which they are done.

    Args:
        tasks: what can be pickled.
        work: a function of a module (so that it can be pickled); must depend on its task alone.
        workers: processes on this machine; 0: in this process.
        scheduler: address of a Dask scheduler, e.g. `tcp://10.0.0.7:8786`; then its workers do the work.

    Raises:
        PresenceError: if no scheduler answers at the address, or the extra `cluster` is not installed.
    """
    if scheduler is not None:
        yield from _on_cluster(tasks, work, scheduler)
    elif workers < 1:
        for index, task in enumerate(tasks):
            yield index, _guarded(work, task)
    else:
        yield from _in_pool(tasks, work, workers)


def in_order(done: Iterable[tuple[int, Item]]) -> Iterator[Item]:
    """Items by index from 0 on, each as soon as it and all before it have come."""
    held: dict[int, Item] = {}
    following = 0
    for index, item in done:
        held[index] = item
        while following in held:
            yield held.pop(following)
            following += 1


def _guarded(work: Callable[[Task], Result], task: Task) -> Outcome[Result]:
    """The outcome of one task; exceptions need not survive the way back."""
    try:
        return Outcome(work(task))
    except Exception as error:
        return Outcome(None, _unexpected(error))


def _unexpected(error: BaseException) -> str:
    """What went wrong in one line; our own errors say it themselves."""
    if isinstance(error, PresenceError):
        return " ".join(str(error).split())
    return f"unexpected {type(error).__name__}: {' '.join(str(error).split())}".rstrip(": ")


# --- processes --------------------------------------------------------------------------------------------------------
def _in_pool(
    tasks: Sequence[Task], work: Callable[[Task], Result], workers: int
) -> Iterator[tuple[int, Outcome[Result]]]:
    """No more tasks are handed out than there are workers, so that a broken pool leaves few suspects."""
    waiting = deque(range(len(tasks)))
    while waiting:
        running: dict[Future[Outcome[Result]], int] = {}
        with _pool(min(workers, len(waiting))) as pool:
            try:
                while waiting or running:
                    while waiting and len(running) < workers:
                        running[pool.submit(_guarded, work, tasks[waiting[0]])] = waiting[0]
                        waiting.popleft()
                    done, _ = wait(running, return_when=FIRST_COMPLETED)
                    for future in sorted(done, key=running.__getitem__):
                        outcome = _came_back(future)
                        yield running.pop(future), outcome
            except BrokenProcessPool:
                suspects = sorted(running.values())
            else:
                return
        for index in suspects:
            yield index, _alone(work, tasks[index])


def _alone(work: Callable[[Task], Result], task: Task) -> Outcome[Result]:
    """The outcome of a task that may take its worker down: one process for it alone."""
    with _pool(1) as pool:
        try:
            return _came_back(pool.submit(_guarded, work, task))
        except BrokenProcessPool:
            return Outcome(None, DIED)


def _came_back(future: Future[Outcome[Result]]) -> Outcome[Result]:
    """What a worker sent; a result that cannot be sent is an error of its task."""
    error = future.exception()
    if isinstance(error, BrokenProcessPool):
        raise error
    return future.result() if error is None else Outcome(None, _unexpected(error))


@contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Fresh processes (not forked: numpy reads its number of threads when it is loaded)."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_begin_worker)
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _begin_worker() -> None:
    """End without a word when interrupted, and with the process that asked for the work, however that ends."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
    os._exit(1)


# --- a cluster --------------------------------------------------------------------------------------------------------
def _on_cluster(
    tasks: Sequence[Task], work: Callable[[Task], Result], scheduler: str
) -> Iterator[tuple[int, Outcome[Result]]]:
    try:
        distributed: Any = import_module("distributed")
    except ImportError:
        message = "a scheduler needs the extra `cluster`: pip install 'presence[cluster]'"
        raise PresenceError(message) from None
    try:
        client = distributed.Client(scheduler, set_as_default=False, timeout=CONNECTING)
    except (OSError, ValueError, TypeError) as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        message = f"scheduler {scheduler!r} cannot be used ({reason}); e.g. tcp://10.0.0.7:8786 would be right"
        raise PresenceError(message) from None

    def done(indices: Sequence[int]) -> Iterator[tuple[int, Outcome[Result]]]:
        futures = {client.submit(_guarded, work, tasks[index], pure=False): index for index in indices}
        for future in distributed.as_completed(list(futures), loop=client.loop):
            yield futures.pop(future), _fetched(future)

    with client:
        suspects = []
        for index, outcome in done(range(len(tasks))):
            if outcome.error == DIED:
                suspects.append(index)
            else:
                yield index, outcome
        for index in sorted(suspects):  # whoever waited at a worker that another task took down is blamed for it, too
            try:
                client.wait_for_workers(1, timeout=COMING_BACK)
            except TimeoutError:
                yield index, Outcome(None, DIED)
            else:
                yield from done([index])


def _fetched(future: Any) -> Outcome[Any]:
    """What a future of the cluster came to; an error here is the cluster's, not the task's."""
    if future.status == "finished":
        return cast("Outcome[Any]", future.result())
    error = future.exception() if future.status == "error" else None
    if type(error).__name__ == "KilledWorker":
        return Outcome(None, DIED)
    return Outcome(None, _unexpected(error) if error else f"the cluster gave it up ({future.status})")
