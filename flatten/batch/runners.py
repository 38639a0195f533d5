"""Who does the work: this process, several of this machine, or the workers of a Dask cluster.

Each takes calls of one function and yields (number of the call, what it gave) as they get done; what a call
raises is given in place of an answer. The function and what it is given travel as pickles.
"""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import as_completed
from concurrent.futures.process import BrokenProcessPool
from typing import Any, TypeVar

from flatten.errors import FlattenError, MissingPartError
from flatten.jobs import submit_all, worker_pool

Answer = TypeVar("Answer")
Calls = Sequence[tuple[Any, ...]]
Done = Iterator[tuple[int, Any]]

CLUSTER_WAIT = 10
"""Seconds until a scheduler must have answered."""
RETRIES = 3
"""How often a call is begun anew elsewhere when the worker that had it is gone."""


def here(function: Callable[..., Any], calls: Calls, is_wanted: Callable[[int], bool]) -> Done:
    """Make the calls one after the other in this process; one that is not wanted any more gives None."""
    for number, arguments in enumerate(calls):
        if not is_wanted(number):
            yield number, None
            continue
        try:
            yield number, function(*arguments)
        except Exception as error:
            yield number, error


def in_processes(function: Callable[..., Any], calls: Calls, processes: int) -> Done:
    """Share the calls among processes of this machine."""
    with worker_pool(min(processes, len(calls))) as pool:
        waiting = submit_all(pool, function, calls)
        numbers = {future: number for number, future in enumerate(waiting)}
        for done in as_completed(waiting):
            error = done.exception()
            if isinstance(error, BrokenProcessPool):
                error = FlattenError("a worker process died (out of memory?): use fewer --jobs")
            yield numbers[done], done.result() if error is None else error


def on_cluster(function: Callable[..., Any], calls: Calls, address: str) -> Done:
    """Share the calls among the workers of a Dask cluster; what a lost worker had is begun anew elsewhere.

    Raises MissingPartError without dask.distributed, FlattenError where no scheduler answers or it has no
    workers.
    """
    if importlib.util.find_spec("distributed") is None:
        raise MissingPartError("a cluster needs dask.distributed: pip install 'flatten[cluster]'")
    distributed: Any = importlib.import_module("distributed")
    try:
        client = distributed.Client(address, timeout=CLUSTER_WAIT, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise FlattenError(f"{address}: no scheduler answers: start one, or check the address") from error
    with client:
        if not client.scheduler_info()["workers"]:
            raise FlattenError(f"{address}: the scheduler has no workers: start some")
        futures = [client.submit(function, *call, pure=False, retries=RETRIES) for call in calls]
        numbers = {future.key: number for number, future in enumerate(futures)}
        for future in distributed.as_completed(futures, loop=client.loop):
            problem = future.exception() if future.status == "error" else None
            yield numbers[future.key], future.result() if problem is None else problem
            future.release()
