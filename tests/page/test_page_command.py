"""`flatten page` as a command: one line for what is wrong, and a clean end."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from tests.command_line import run_here
from tests.page.places import SAMPLES, copy_profile

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


def test_ctrl_c_ends_it(tmp_path: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "flatten",
        "page",
        str(SAMPLES / "yard.pcd"),
        "-p",
        str(copy_profile(tmp_path)),
        "--port",
        "0",
        "-q",
    ]
    running = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert running.stdout is not None
    address = re.fullmatch(r"page: (http://127\.0\.0\.1:\d+/)\n", running.stdout.readline())
    assert address is not None
    with urllib.request.urlopen(address[1], timeout=20) as answer:
        assert b"flatten workbench" in answer.read()
    assert running.stdout.readline() == "Ctrl-C ends it\n"
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=20)
    assert running.returncode == 0 and out == "page closed\n" and err == ""
