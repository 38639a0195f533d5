"""Stopping at any moment loses what was in hand; the same command again ends in the same bytes."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import time
from pathlib import Path

import pytest

from flatten.batch import Order
from flatten.batch.parts import read_account
from tests.batch import drives
from tests.batch.conftest import FRAMES_WINDOW

STOPS = int(os.environ.get("FLATTEN_STOPS", "4"))
"""As many kills; 50 are a documented command."""


def parts(folder: Path) -> dict[str, int]:
    """Parts that are there as a whole, and when they were made (ns)."""
    files = (folder / ".drive.parts").glob("??????.mcap")
    return {path.name: path.stat().st_mtime_ns for path in files if read_account(path) is not None}


def test_killed_at_random_moments_it_goes_on_where_it_stopped(
    drive: Path, made: Path, profile_path: Path, tmp_path: Path
) -> None:
    """After each kill the whole parts stay as they are; the last run, left alone, ends like any other."""
    chance, order = (
        random.Random(os.environ.get("FLATTEN_SEED", "1")),
        Order(drives.profile(**FRAMES_WINDOW), tmp_path),
    )
    for _ in range(STOPS):
        before = parts(tmp_path)
        process = drives.start(drive, "-p", profile_path, "--out", tmp_path)
        # half of the kills while pieces are being made, half in the second before and after
        if chance.random() < 0.5:
            wait_for_part(process, tmp_path, len(before) + 1)
            time.sleep(chance.uniform(0.0, 0.1))
        else:
            time.sleep(chance.uniform(0.5, 4.0))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        if not (tmp_path / "drive.manifest.json").exists() and before:
            after = parts(tmp_path)
            assert not after or before.items() <= after.items()
    drives.good(drives.run([drive], order))
    assert drives.results(tmp_path) == drives.results(made)
    assert {path.name for path in tmp_path.iterdir()} == {
        "drive.mcap", "drive.manifest.json", "drive.run.json",
    }  # fmt: skip


def wait_for_part(process: subprocess.Popen[str], folder: Path, number: int) -> None:
    """Wait until so many parts are there, or the process is gone."""
    while process.poll() is None and len(parts(folder)) < number:
        time.sleep(0.01)


def test_a_part_that_is_not_whole_is_made_again(drive: Path, made: Path, tmp_path: Path) -> None:
    order = Order(drives.profile(**FRAMES_WINDOW), tmp_path)
    stop_after(drive, order, 2)
    folder = tmp_path / ".drive.parts"
    first, second = sorted(folder.glob("??????.mcap"))[:2]
    first.write_bytes(first.read_bytes()[:-1])
    second.with_suffix(".json").write_text("{")
    (folder / ".000003.mcap.0123456789ab.part").write_bytes(b"half")
    (outcome,) = drives.run([drive], order)
    assert outcome.kept == 0 and drives.results(tmp_path) == drives.results(made)


def test_parts_of_another_profile_are_not_used(drive: Path, made: Path, tmp_path: Path) -> None:
    stop_after(drive, Order(drives.profile(), tmp_path), 2)
    (outcome,) = drives.run([drive], Order(drives.profile(**FRAMES_WINDOW), tmp_path))
    assert outcome.kept == 0 and drives.results(tmp_path) == drives.results(made)


def test_what_was_kept_is_told(drive: Path, made: Path, tmp_path: Path) -> None:
    order = Order(drives.profile(**FRAMES_WINDOW), tmp_path)
    stop_after(drive, order, 2)
    (outcome,) = drives.run([drive], order)
    assert outcome.kept == 2 and drives.results(tmp_path) == drives.results(made)


class StoppedError(BaseException):
    """Somebody pulls the plug."""


def stop_after(drive: Path, order: Order, pieces: int) -> None:
    """Run until so many pieces are there."""
    told = []

    def tell(clouds: int, name: str) -> None:
        told.append(clouds)
        if sum(1 for clouds in told if clouds) == pieces:
            raise StoppedError

    with pytest.raises(StoppedError):
        drives.run([drive], order, tell=tell)


def test_a_full_disk_ends_in_one_line_and_goes_on_once_there_is_room(
    drive: Path, made: Path, profile_path: Path, tmp_path: Path
) -> None:
    """A file system of 640 kB: some parts fit, all do not."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=640k", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("mounting is refused here")
    try:
        (outcome,) = drives.run([drive], Order(drives.profile(**FRAMES_WINDOW), disk))
        assert "make room" in outcome.error and "\n" not in outcome.error and not outcome.trace
        held = parts(disk)
        assert held and not (disk / "drive.mcap").exists()
        subprocess.run(["mount", "-o", "remount,size=64m", str(disk)], check=True)
        (outcome,) = drives.run([drive], Order(drives.profile(**FRAMES_WINDOW), disk))
        assert outcome.kept == len(held) and drives.results(disk) == drives.results(made)
    finally:
        subprocess.run(["umount", str(disk)], check=True)
