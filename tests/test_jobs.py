"""Converting many clouds: the same in any number of processes, and nothing half written whatever happens."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from flatten import Flattener, OutputError, Profile, jobs, read_cloud
from flatten.files import read_npz, scan_formats
from tests.command_line import environment, make_nursery, ring, run_alone, run_here
from tests.conftest import assert_scans_equal


@pytest.fixture
def nursery(tmp_path: Path) -> Path:
    return make_nursery(tmp_path)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_two_processes_write_the_same_bytes_as_one(nursery: Path) -> None:
    for processes in "12":
        ran = run_alone(
            nursery, "convert", "good", "-p", "rover.yaml", "--out", f"out{processes}",
            "--format", "npz,csv,json,fields", "--jobs", processes, "--roll", "2", "--pitch", "-3",
        )  # fmt: skip
        assert (ran.code, ran.err) == (0, "")
    one, two = contents(nursery / "out1"), contents(nursery / "out2")
    assert len(one) == 3 * 5  # npz, csv, json and a fields file for each of two slices
    assert one == two


def test_files_hold_what_the_library_gives(nursery: Path) -> None:
    profile = Profile.load(nursery / "rover.yaml")
    cloud = nursery / "good" / "aisle.npy"
    order = jobs.Order(profile, nursery / "deep" / "er" / "out", attitude=(0.02, -0.05))
    (outcome,) = jobs.convert([cloud], order)
    assert (outcome.error, outcome.written) == ("", (nursery / "deep/er/out/aisle.npz",))
    scans, meta = read_npz(outcome.written[0])
    assert_scans_equal(scans, Flattener(profile).flatten(read_cloud(cloud), (0.02, -0.05)))
    assert meta["attitude_rad"] == [0.02, -0.05]
    assert meta["source"] == str(cloud)


@pytest.mark.parametrize("processes", ["1", "2"])
def test_bad_clouds_do_not_stop_good_ones(nursery: Path, processes: str) -> None:
    ran = run_alone(
        nursery, "convert", "cut.npy", "good", "missing.pcd", "empty.pcd",
        "-p", "rover.yaml", "--out", "out", "--jobs", processes,
    )  # fmt: skip
    assert ran.code == 1
    assert ran.out == "converted 3 of 6 clouds: 3 files (npz) in out; 3 failed\n"
    told = ran.err.splitlines()
    assert [line.split(":")[1].strip() for line in told] == ["missing.pcd", "cut.npy", "empty.pcd"]
    assert sorted(os.listdir(nursery / "out")) == ["aisle.npz", "bench.npz", "kerb.npz"]


def test_a_file_named_twice_is_converted_once(
    nursery: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(nursery)
    ran = run_here(
        capsys, "convert", "good/kerb.npy", "good", "good/../good/kerb.npy", "-p", "rover.yaml", "--out", "o"
    )
    assert (ran.code, ran.out) == (0, "converted 3 of 3 clouds: 3 files (npz) in o\n")


def test_clouds_of_one_name_are_refused_before_anything_is_written(nursery: Path) -> None:
    order = jobs.Order(Profile.load(nursery / "rover.yaml"), nursery / "out")
    clouds = [nursery / "good/bench.npy", nursery / "good/aisle.npy", nursery / "other/aisle.npy"]
    with pytest.raises(
        OutputError, match=r"good/aisle\.npy and .*other/aisle\.npy: both would become .*aisle\.npz"
    ):
        list(jobs.convert(clouds, order))
    assert not (nursery / "out").exists()


def test_a_cloud_is_never_written_over(
    nursery: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(nursery)
    x, y, z, _ = ring().T
    np.savez("good/pot.npz", x=x, y=y, z=z)
    before = Path("good/pot.npz").read_bytes()
    ran = run_here(
        capsys, "convert", "good/pot.npz", "-p", "rover.yaml", "--out", "other/../good", "--overwrite"
    )
    assert ran.code == 1
    assert "good/pot.npz" in ran.err and "written over" in ran.err
    assert Path("good/pot.npz").read_bytes() == before


@pytest.mark.parametrize("taken", ["aisle.csv", "aisle.walls.fields.yaml", "aisle.png"])
def test_nothing_is_written_where_one_result_is_there_already(nursery: Path, taken: str) -> None:
    out = nursery / "out"
    out.mkdir()
    (out / taken).write_text("mine")
    profile = Profile.load(nursery / "rover.yaml")
    order = jobs.Order(profile, out, ("npz", "csv", "fields"), pictures=True)
    (outcome,) = jobs.convert([nursery / "good/aisle.npy"], order)
    assert taken in outcome.error and "is there already" in outcome.error
    assert contents(out) == {taken: b"mine"}


def test_nothing_is_written_where_the_picture_cannot_be(nursery: Path) -> None:
    out = nursery / "out"
    (out / "aisle.png").mkdir(parents=True)  # a folder in the picture's place
    profile = Profile.load(nursery / "rover.yaml")
    order = jobs.Order(profile, out, ("npz", "csv"), pictures=True, overwrite=True)
    (outcome,) = jobs.convert([nursery / "good/aisle.npy"], order)
    assert "aisle.png" in outcome.error
    assert os.listdir(out) == ["aisle.png"]


def test_overwriting_replaces_everything(nursery: Path) -> None:
    profile = Profile.load(nursery / "rover.yaml")
    for far in (15.0, 9.0):
        changed = Profile.load(nursery / "rover.yaml", {"reach.far": far})
        order = jobs.Order(changed, nursery / "out", ("npz", "csv", "json"), overwrite=True)
        (outcome,) = jobs.convert([nursery / "good/aisle.npy"], order)
        assert not outcome.error
    _, meta = read_npz(nursery / "out/aisle.npz")
    assert Profile.parse(meta["profile"]) == changed != profile
    assert all(b"9.0" in text for name, text in contents(nursery / "out").items() if name != "aisle.npz")


def test_the_names_are_known_beforehand(nursery: Path) -> None:
    order = jobs.Order(
        Profile.load(nursery / "rover.yaml"), nursery / "out", tuple(scan_formats()), pictures=True
    )
    cloud = nursery / "good/aisle.npy"
    (outcome,) = jobs.convert([cloud], order)
    assert set(outcome.written) == set(jobs.result_names(cloud, order)) == set((nursery / "out").iterdir())


def test_an_unknown_format_is_refused(nursery: Path) -> None:
    order = jobs.Order(Profile.load(nursery / "rover.yaml"), nursery / "out", ("npx",))
    with pytest.raises(OutputError, match="npx: use npz, csv, json, fields"):
        list(jobs.convert([nursery / "good/aisle.npy"], order))


def many(nursery: Path, number: int = 400) -> Path:
    folder = nursery / "many"
    folder.mkdir()
    for k in range(number):
        np.save(folder / f"frame_{k:04d}.npy", ring(2.0 + 0.01 * k))
    return folder


def start(nursery: Path, processes: int) -> subprocess.Popen[str]:
    """Begin a long conversion and wait until its first results are there."""
    command = [sys.executable, "-m", "flatten", "convert", str(many(nursery)), "-p", "rover.yaml"]
    command += ["--out", "out", "--format", "npz,csv,json", "--jobs", str(processes)]
    child = subprocess.Popen(
        command, cwd=nursery, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, start_new_session=True,
    )  # fmt: skip
    until(lambda: len(list((nursery / "out").glob("*.json"))) >= 3, child)
    return child


def until(happens: object, child: subprocess.Popen[str] | None = None) -> None:
    end = time.monotonic() + 120
    while not happens():  # type: ignore[operator]
        assert time.monotonic() < end, "it did not happen"
        assert child is None or child.poll() is None, child.communicate()
        time.sleep(0.01)


def children_of(pid: int) -> list[int]:
    """Worker processes of a process, from /proc: it needs no tool and cuts no command line short."""
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):  # gone meanwhile
            parent = int(status.read_text().rsplit(")", 1)[1].split()[1])
            if parent == pid and b"spawn_main" in (status.parent / "cmdline").read_bytes():
                found.append(int(status.parent.name))
    return found


def is_alive(pid: int) -> bool:
    status = Path(f"/proc/{pid}/stat")
    return status.exists() and status.read_text().rsplit(")", 1)[1].split()[0] != "Z"


def assert_all_whole(out: Path) -> int:
    """Every cloud has all of its files or none, and each can be read; give their number."""
    stems = {path.name.split(".")[0] for path in out.iterdir()}
    assert {path.name for path in out.iterdir()} == {
        f"{s}.{e}" for s in stems for e in ("npz", "csv", "json")
    }
    for stem in stems:
        read_npz(out / f"{stem}.npz")
    return len(stems)


@pytest.mark.parametrize("processes", [1, 2])
def test_ctrl_c_ends_cleanly(nursery: Path, processes: int) -> None:
    child = start(nursery, processes)
    os.killpg(child.pid, signal.SIGINT)  # as a terminal does: to every process of the group
    out, err = child.communicate(timeout=60)
    assert child.returncode == 130
    assert (out, err.count("\n")) == ("", 1)
    assert err.startswith("flatten: stopped")
    assert 3 <= assert_all_whole(nursery / "out") < 400


def test_termination_ends_cleanly(nursery: Path) -> None:
    child = start(nursery, 2)
    workers = children_of(child.pid)
    assert len(workers) == 2
    child.terminate()
    out, err = child.communicate(timeout=60)
    assert (child.returncode, out, err) == (143, "", "")
    assert assert_all_whole(nursery / "out") < 400
    until(lambda: not any(map(is_alive, workers)))


def test_workers_do_not_outlive_a_killed_parent(nursery: Path) -> None:
    child = start(nursery, 2)
    workers = children_of(child.pid)
    assert len(workers) == 2
    child.kill()
    child.communicate(timeout=60)
    until(lambda: not any(map(is_alive, workers)))


def test_a_killed_worker_is_told(nursery: Path) -> None:
    child = start(nursery, 2)
    os.kill(children_of(child.pid)[0], signal.SIGKILL)
    out, err = child.communicate(timeout=60)
    assert child.returncode == 1
    assert "failed" in out
    assert all("a worker process died" in line for line in err.splitlines())
    assert "Traceback" not in err
