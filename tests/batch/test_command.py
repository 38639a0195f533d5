"""The command: what it says, how it ends, and that bad words end in one line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import flatten.cli.batch as command
from flatten.batch import FORMATS
from tests.batch import drives
from tests.command_line import run_here


def test_it_says_what_happened_to_each(
    drive: Path, profile_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "words.mcap").write_text("pots and pipes\n")
    short = tmp_path / "short.mcap"
    drives.write_recording(short, drives.clouds(12), drives.trajectory(5), chunk=20_000)
    out = tmp_path / "out"
    ran = run_here(capsys, "batch", short, tmp_path / "words.mcap", "-p", profile_path, "--out", out)
    assert ran.code == 1
    assert ran.out.splitlines() == [
        f"{out / 'short.mcap'}: 6 clouds flattened, 6 skipped", "1 of 2 recordings; 1 failed",
    ]  # fmt: skip
    assert re.search(r"^warning: \S*short.mcap: 5 clouds skipped: no poses", ran.err, flags=re.MULTILINE)
    assert re.search(r"^flatten: \S*words.mcap", ran.err, flags=re.MULTILINE)
    ran = run_here(capsys, "batch", short, "-p", profile_path, "--out", out)
    assert ran.code == 0 and "finished by an earlier run" in ran.out


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--out", "out", "--format", "cvs"], 2, "format"),
        (["--out", "out", "--jobs", "0"], 2, "jobs"),
        ([], 2, "out"),
        (["--out", "out", "--topic", "/nothing"], 1, "/nothing"),
        (["--out", "out", "--poses-topic", "/nothing"], 1, "/nothing"),
        (["--out", "out", "--poses", "nothing.txt"], 1, "nothing.txt"),
        (["--out", "out", "--set", "window.frames=0"], 1, "window.frames"),
        (["--out", "taken.txt"], 1, "taken.txt"),
    ],
)
def test_bad_words_end_in_one_line(
    drive: Path, profile_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str], arguments: list[str], code: int, words: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    (tmp_path / "taken.txt").write_text("mine\n")
    ran = run_here(capsys, "batch", drive, "-p", profile_path, *arguments)
    lines = [line for line in ran.err.splitlines() if line.startswith("flatten:")]
    assert ran.code == code and len(lines) == 1 and words in lines[0], ran.err
    assert "Traceback" not in ran.err and (tmp_path / "taken.txt").read_text() == "mine\n"
    assert not list(tmp_path.rglob("*.mcap"))


def test_its_formats_are_those_of_the_library() -> None:
    assert command.FORMATS == FORMATS
