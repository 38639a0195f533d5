"""Bad command lines and bad inputs: the exit code, one line that says what and where, and no traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.command_line import environment, make_nursery, run_alone, run_here

CLOUD, P = "good/aisle.npy", "-p rover.yaml"

# arguments, exit code, what the line must name; run in the folder of `make_nursery`
BAD = [
    # not a command line: 2
    ("shwo good/aisle.npy", 2, ["'shwo'", "did you mean 'show'", "flatten --help"]),
    ("xyzzy", 2, ["'xyzzy'", "demo, look, convert, batch, show, page, profile", "flatten --help"]),
    ("--quite", 2, ["--quite", "flatten --help"]),
    ("--debgu", 2, ["--debgu", "--debug"]),
    ("profile chek rover.yaml", 2, ["'chek'", "'check'", "flatten profile --help"]),
    ("profile check", 2, ["FILE", "flatten profile check --help"]),
    ("profile check rover.yaml extra", 2, ["extra", "flatten profile check --help"]),
    ("profile check rover.yaml --set reach.far", 2, ["--set", "'reach.far'", "KEY=VALUE"]),
    ("profile check rover.yaml --set =3", 2, ["--set", "'=3'", "KEY=VALUE"]),
    ("profile new --overwritten", 2, ["--overwritten", "--overwrite"]),
    ("convert", 2, ["CLOUD", "flatten convert --help"]),
    (f"convert {CLOUD} --out out", 2, ["--profile", "flatten convert --help"]),
    (f"convert {CLOUD} {P}", 2, ["--out", "flatten convert --help"]),
    (f"convert {CLOUD} {P} --out out --formt npz", 2, ["--formt", "did you mean --format"]),
    (f"convert {CLOUD} {P} --out out --format npx", 2, ["'npx'", "npz, csv, json, fields", "'npz'"]),
    (f"convert {CLOUD} {P} --out out --format npz,,csv", 2, ["--format", "''"]),
    (f"convert {CLOUD} {P} --out out --format", 2, ["--format", "argument"]),
    (f"convert {CLOUD} {P} --out out --jobs 0", 2, ["--jobs", "0"]),
    (f"convert {CLOUD} {P} --out out --jobs many", 2, ["--jobs", "'many'"]),
    (f"convert {CLOUD} {P} --out out --roll 91", 2, ["--roll", "'91'", "-90 to 90 degrees"]),
    (f"convert {CLOUD} {P} --out out --pitch nan", 2, ["--pitch", "'nan'", "-90 to 90 degrees"]),
    (f"convert {CLOUD} {P} --out out --pitch steep", 2, ["--pitch", "'steep'"]),
    ("show", 2, ["CLOUD", "flatten show --help"]),
    (f"show {CLOUD} {P} --view top", 2, ["--view", "'top'", "plan"]),
    (f"show {CLOUD} good/kerb.npy {P}", 2, ["good/kerb.npy", "flatten show --help"]),
    ("budget", 2, ["--profile", "flatten budget --help"]),
    (f"budget {P}", 2, ["--cloud", "flatten budget --help"]),
    (f"budget {P} --cloud {CLOUD} --frames 0", 2, ["--frames", "0"]),
    (f"budget {P} --cloud {CLOUD} --fields range", 2, ["--fields", "'range'", "'ranges'"]),
    (f"budget {P} --cloud {CLOUD} --rate quick", 2, ["--rate", "'quick'"]),
    ("completion cmd", 2, ["'cmd'", "bash"]),
    ("completion", 2, ["bash", "fish"]),
    ("warmup now", 2, ["now"]),
    ("demo one two", 2, ["two"]),
    # an input: 1
    (f"budget {P} --cloud {CLOUD} --rate 0", 1, ["rate 0", "above 0"]),
    (f"budget {P} --cloud {CLOUD} --share 2", 1, ["share 2", "at most 1"]),
    (f"budget {P} --cloud {CLOUD} --fields hits", 1, ["hits", "'ranges'"]),
    (f"budget {P} --cloud nothing.npy", 1, ["nothing.npy", "no returns"]),
    (f"budget {P} --cloud missing.pcd", 1, ["missing.pcd"]),
    ("budget -p misspelt.yaml --cloud good/aisle.npy", 1, ["misspelt.yaml:1", "slises"]),
    ("profile check missing.yaml", 1, ["missing.yaml"]),
    ("profile check bare", 1, ["bare"]),
    ("profile check broken.yaml", 1, ["broken.yaml:1", "slices.drive", "1.0", "0.5"]),
    ("profile check misspelt.yaml", 1, ["misspelt.yaml:1", "slises", "slices"]),
    ("profile check good/aisle.npy", 1, ["good/aisle.npy"]),
    ("profile check rover.yaml --set reach.far=-3", 1, ["rover.yaml", "reach.far", "-3"]),
    ("profile check rover.yaml --set reach.fra=3", 1, ["reach.fra", "far"]),
    ("profile check rover.yaml --set slices.dirve.top=1", 1, ["slices.dirve.top", "'drive'"]),
    ("profile new taken.txt", 1, ["taken.txt", "is there already"]),
    ("profile new nowhere/rover.yaml", 1, ["nowhere"]),
    ("profile schema taken.txt", 1, ["taken.txt", "is there already"]),
    ("profile schema bare", 1, ["bare", "folder"]),
    (f"convert {CLOUD} -p missing.yaml --out out", 1, ["missing.yaml"]),
    (f"convert {CLOUD} -p broken.yaml --out out", 1, ["broken.yaml:1"]),
    (f"convert missing.pcd {P} --out out", 1, ["missing.pcd", "check the path"]),
    (f"convert bare {P} --out out", 1, ["bare", "no cloud files"]),
    (f"convert empty.pcd {P} --out out", 1, ["empty.pcd", "empty"]),
    (f"convert words.pcd {P} --out out", 1, ["words.pcd"]),
    (f"convert cut.npy {P} --out out", 1, ["cut.npy"]),
    (f"convert nothing.npy {P} --out out", 1, ["nothing.npy", "no returns"]),
    (f"convert two_columns.npy {P} --out out", 1, ["two_columns.npy"]),
    (f"convert rover.yaml {P} --out out", 1, ["rover.yaml", "cloud file"]),
    (f"convert {CLOUD} other/aisle.npy {P} --out out", 1, [CLOUD, "other/aisle.npy", "out/aisle.npz"]),
    (f"convert {CLOUD} {P} --out taken.txt", 1, ["taken.txt", "choose another folder"]),
    (f"convert {CLOUD} {P} --out /proc/scans", 1, ["/proc/scans"]),
    (f"convert {CLOUD} {P} --out out --set level=flor", 1, ["level", "did you mean 'floor'?"]),
    (f"show missing.pcd {P}", 1, ["missing.pcd"]),
    (f"show good {P}", 1, ["good", "folder"]),
    (f"show empty.pcd {P}", 1, ["empty.pcd"]),
    (f"show {CLOUD} {P} --out taken.txt", 1, ["taken.txt", ".png"]),
    (f"show {CLOUD} {P} --out nowhere/a.png", 1, ["nowhere"]),
    (f"show {CLOUD} {P} --slice dirve", 1, ["dirve", "drive"]),
    ("demo taken.txt", 1, ["taken.txt"]),
    ("demo good", 1, ["good", "--overwrite"]),
]  # fmt: skip


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_nursery(tmp_path_factory.mktemp("nursery"))


def everything(folder: Path) -> dict[str, bytes | None]:
    return {
        str(p): p.read_bytes() if p.is_file() else None for p in sorted(folder.rglob("*")) if p.name != "out"
    }


@pytest.mark.parametrize(("line", "code", "named"), BAD, ids=[line for line, _, _ in BAD])
def test_bad_lines_end_with_one_line(
    line: str,
    code: int,
    named: list[str],
    nursery: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(nursery)
    before = everything(nursery)
    ran = run_here(capsys, *line.split())
    assert ran.code == code, ran.err
    told = ran.err.splitlines()
    assert len(told) == 1
    assert told[0].startswith("flatten: ")
    assert "Traceback" not in ran.err + ran.out
    missing = [words for words in named if words not in told[0]]
    assert not missing, told[0]
    assert everything(nursery) == before  # nothing is left behind but perhaps the folder `out`


def test_the_table_is_long_enough() -> None:
    assert len({line for line, _, _ in BAD}) == len(BAD) >= 40


def test_debug_shows_the_traceback_and_the_line(
    nursery: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(nursery)
    ran = run_here(capsys, "--debug", "profile", "check", "broken.yaml")
    assert ran.code == 1
    assert ran.err.startswith("Traceback")
    assert ran.err.splitlines()[-1].startswith("flatten: broken.yaml:1")


def test_a_fault_of_the_library_is_one_line_too(
    nursery: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(*_: object) -> None:
        raise KeyError("rack\nshelf")

    monkeypatch.chdir(nursery)
    monkeypatch.setattr("flatten.profile.explain", fail)
    ran = run_here(capsys, "profile", "check", "rover.yaml")
    assert ran.code == 70
    assert len(ran.err.splitlines()) == 1
    assert "KeyError" in ran.err and "--debug" in ran.err
    again = run_here(capsys, "--debug", "profile", "check", "rover.yaml")
    assert again.code == 70
    assert "Traceback" in again.err


@pytest.mark.parametrize("key", ["ctrl-c", "end of input"])
def test_ctrl_c_is_130(
    key: str, nursery: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt if key == "ctrl-c" else EOFError

    monkeypatch.chdir(nursery)
    monkeypatch.setattr("flatten.profile.explain", stop)
    ran = run_here(capsys, "profile", "check", "rover.yaml")
    assert ran.code == 130
    assert ran.err.startswith("flatten: stopped")
    assert len(ran.err.splitlines()) == 1


def test_nobody_reads_the_output(tmp_path: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-m", "flatten", "profile", "new"],
        stdout=writer,
        stderr=subprocess.PIPE,
        env=environment(),
        check=False,
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (141, b"")


def test_a_full_disk_behind_stdout(tmp_path: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("no /dev/full here")
    with full.open("wb") as stream:
        done = subprocess.run(
            [sys.executable, "-m", "flatten", "profile", "new"],
            stdout=stream, stderr=subprocess.PIPE, text=True, env=environment(), check=False,
        )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr.startswith("flatten: No space left on device")
    assert len(done.stderr.splitlines()) == 1


def test_a_real_process_says_the_same(nursery: Path) -> None:
    ran = run_alone(nursery, "show", "empty.pcd", "-p", "rover.yaml")
    assert (ran.code, ran.out) == (1, "")
    assert ran.err == "flatten: empty.pcd: the file is empty: record or copy it again\n"
