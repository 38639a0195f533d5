"""The same pieces on a Dask cluster: a real scheduler and two worker processes, one of which is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from flatten.batch import Order, runners
from flatten.errors import FlattenError, MissingPartError
from tests.batch import drives
from tests.batch.conftest import FRAMES_WINDOW
from tests.command_line import HOUSE

pytest.importorskip("distributed")


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Address of a scheduler on loopback, and its two workers, each a process of one thread."""
    told = tmp_path / "scheduler.json"
    environment = {**os.environ, "PYTHONPATH": str(HOUSE)}
    dask, quiet = [sys.executable, "-m", "dask"], {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    common = ["--scheduler-file", str(told), "--no-dashboard"]
    where = ["--host", "127.0.0.1"]
    started = [
        subprocess.Popen(
            [*dask, "scheduler", *common, *where, "--port", "0"], env=environment, cwd=tmp_path, **quiet
        )
    ]
    worker = ["worker", *common, *where, "--nworkers", "1", "--nthreads", "1", "--no-nanny"]
    worker += ["--local-directory", str(tmp_path)]
    started += [subprocess.Popen([*dask, *worker], env=environment, cwd=tmp_path, **quiet) for _ in range(2)]
    try:
        import distributed

        deadline = time.monotonic() + 60
        while not told.exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        with distributed.Client(scheduler_file=str(told), set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)
            address = client.scheduler.address
        yield address, started[1:]
    finally:
        for process in started:
            process.kill()
            process.wait()


def test_a_worker_that_dies_changes_nothing(
    cluster: tuple[str, list[subprocess.Popen[bytes]]], drive: Path, made: Path, tmp_path: Path
) -> None:
    address, workers = cluster
    out = tmp_path / "out"

    def tell(clouds: int, name: str) -> None:
        if clouds and workers[0].poll() is None:  # the first piece is there: others are in hand
            workers[0].send_signal(signal.SIGKILL)

    outcomes = drives.run([drive], Order(drives.profile(**FRAMES_WINDOW), out), cluster=address, tell=tell)
    drives.good(outcomes)
    assert workers[0].wait(10) == -signal.SIGKILL
    assert drives.results(out) == drives.results(made)


def test_no_scheduler_and_no_library_are_told_in_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(runners, "CLUSTER_WAIT", 0.5)
    with pytest.raises(FlattenError, match="no scheduler answers"):
        list(runners.on_cluster(print, [(1,)], "tcp://127.0.0.1:9"))
    monkeypatch.setattr(runners.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(MissingPartError, match=r"pip install 'flatten\[cluster\]'"):
        list(runners.on_cluster(print, [(1,)], "tcp://127.0.0.1:9"))
