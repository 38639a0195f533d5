"""A drive that all tests share, and its results."""

from __future__ import annotations

from pathlib import Path

import pytest

from flatten.batch import Order
from tests.batch import drives

FRAMES_WINDOW = {"window": {"frames": 4}}


@pytest.fixture(scope="session")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording of 12 s."""
    return drives.record(tmp_path_factory.mktemp("drive") / "drive.mcap")


@pytest.fixture(scope="session")
def profile_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The profile with a window, as a file."""
    path = tmp_path_factory.mktemp("profile") / "rover.yaml"
    path.write_text(drives.profile(**FRAMES_WINDOW).to_yaml())
    return path


@pytest.fixture(scope="session")
def made(drive: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of an uninterrupted run by one process, with a window of four frames."""
    folder = tmp_path_factory.mktemp("made")
    drives.good(drives.run([drive], Order(drives.profile(**FRAMES_WINDOW), folder)))
    return folder
