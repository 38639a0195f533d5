"""`flatten page` as a command: one line for what is wrong; how it begins and ends is tested with README."""

from __future__ import annotations

import pytest

from tests.command_line import run_here
from tests.page.places import SAMPLES

ROVER = str(SAMPLES / "rover.yaml")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["none.pcd", "-p", ROVER], "none.pcd"),
        ([str(SAMPLES / "yard.pcd"), "-p", "none.yaml"], "none.yaml"),
        ([str(SAMPLES / "yard.pcd"), "-p", ROVER, "--folder", "none"], "is no folder"),
        ([str(SAMPLES / "yard.pcd"), "-p", ROVER, "--port", "70000"], "70000"),
        ([str(SAMPLES / "yard.pcd"), "-p", ROVER, "--set", "reach.far=-1"], "reach.far"),
        ([str(SAMPLES / "yard.pcd"), str(SAMPLES / "aisle.pcd"), "-p", ROVER, "--topic", "/p"], "--topic"),
        ([str(SAMPLES / "clouds.yaml"), "-p", ROVER], "clouds.yaml"),
    ],
)
def test_one_line_for_what_is_wrong(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    done = run_here(capsys, "page", "--quiet", *arguments)
    assert done.code in (1, 2) and says in done.err and len(done.err.strip().splitlines()) == 1
    assert done.out == ""
