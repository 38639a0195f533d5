"""Every command and snippet of the README is run as it stands there."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from rosbags.typesys import Stores, get_typestore

import flatten
from benchmarks import drawing, tables
from flatten.cli import run
from flatten.comparing import compare
from flatten.samples import list_rough, read_rough_truth

TOP = Path(__file__).parent.parent
README = (TOP / "README.md").read_text()


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", README, flags=re.DOTALL | re.MULTILINE)


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the sample clouds, as a reader of the README has before them."""
    shutil.copytree(TOP / "sample_clouds", tmp_path / "sample_clouds")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_shell_commands_run_in_their_order(desk: Path) -> None:
    (script,) = blocks("bash")
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    environment = {**os.environ, "PATH": path}
    done = subprocess.run(
        ["bash", "-euc", script], env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    made = {entry.name for entry in desk.iterdir()}
    assert {"ramp.png", "own.png"} <= made
    assert {"rover.yaml", "rover.schema.json", "kerb.png", "scans", "leaning", "board", "tuned.yaml"} <= made
    assert {"slices.yaml", "slices.html", "maps", "both.png"} <= made
    told = "\n".join(re.findall(r"^    field/.*$", README, flags=re.MULTILINE))
    assert told.strip() in done.stdout and (desk / "field" / "drive.mcap").is_file()
    assert {path.stem for path in (desk / "scans").glob("*.npz")} == {"aisle", "yard", "kerb"}
    listed = yaml.safe_load((TOP / "sample_clouds" / "clouds.yaml").read_text())
    profiles = {entry["file"]: entry["profile"] for entry in listed}
    for cloud in ("aisle.pcd", "yard.pcd", "kerb.pcd", "pitched.pcd"):  # the mount that the README gives them
        assert profiles[cloud] == "rover.yaml"
    told = np.load(desk / "leaning" / "pitched.npz")
    assert "far: 12" in str(told["meta"])


def test_the_profile_of_the_readme_is_sound(desk: Path) -> None:
    (text,) = blocks("yaml")
    profile = flatten.Profile.parse(text, "README.md")
    assert profile.warnings == ()
    assert set(yaml.safe_load(text)) == {
        "robot", "mount", "level", "slices", "fan", "reach", "clear", "blind_zones", "floor",
        "window", "health",
    }  # fmt: skip


def test_the_recording_is_looked_at_as_the_readme_shows(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:  # fmt: skip
    """Word by word: it counts and reads, and computes next to nothing."""
    shown = re.search(r"^    \$ flatten (look .*)\n((?:    .*\n|\n)+)", README, flags=re.MULTILINE)
    assert shown is not None
    assert run(shown[1].split()) == 0
    expected = "\n".join(line[4:] for line in shown[2].splitlines())
    assert capsys.readouterr().out.split() == expected.split()


def test_the_recording_moves_the_flattener(desk: Path) -> None:
    snippets = blocks("python")
    node: dict[str, Any] = {}
    exec(snippets[0], node)
    (snippet,) = [text for text in snippets[1:] if "open_recording" in text]
    exec(snippet, node)
    assert node["frame"].index == 104 and node["moved"] is not None
    attitude = node["moved"].attitude
    assert attitude != (0.0, 0.0) and all(abs(angle) < 0.3 for angle in attitude)  # a ramp and shaking
    assert node["scans"]["drive"].counts.returns == len(node["frame"].cloud)


def told_and_shown(command: str, capsys: pytest.CaptureFixture[str]) -> tuple[str, str]:
    """What the README's example of a command says now, and what stands below it."""
    shown = re.search(rf"^    \$ flatten ({command} .*)\n((?:    .*\n|\n)+)", README, flags=re.MULTILINE)
    assert shown is not None
    assert run(expanded(shown[1].split())) == 0
    return capsys.readouterr().out, "\n".join(line[4:] for line in shown[2].splitlines())


def compare_words(told: str, expected: str, close: Callable[[float, float, bool], bool]) -> None:
    """The same words, and figures that are close: told, expected, and whether that stands as a whole one."""
    number = r"[-+]?\d[\d,]*\.?\d*"
    words = [" ".join(re.sub(number, "#", text).split()) for text in (told, expected)]
    assert words[0] == words[1]
    for a, b in zip(*(re.findall(number, text) for text in (told, expected)), strict=True):
        one, other = (float(part.replace(",", "").rstrip(".")) for part in (a, b))
        assert close(one, other, "." not in b), (a, b)


def test_the_mount_is_found_as_the_readme_shows(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Of the figures the last digit may differ by the processor's arithmetic."""
    compare_words(
        *told_and_shown("mount", capsys),
        lambda a, b, _: abs(a - b) <= 0.0021 + 0.02 * abs(b) or abs(abs(a) - 180.0) < 0.01,
    )


def test_the_blind_zones_are_those_that_the_readme_shows(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Figures within 3 % or two hundredths: a return at a border may fall to either side."""
    compare_words(*told_and_shown("blind", capsys), lambda a, b, _: abs(a - b) <= max(0.021, 0.03 * abs(b)))


def test_the_way_from_a_recording_to_a_profile(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each command on what the last one wrote; what is shown is what is said, … standing for any lines.

    Figures within 4 % or three hundredths, and whole ones, which are counts and bearings, within two units.
    """

    def close(a: float, b: float, whole: bool) -> bool:
        return abs(a - b) <= max(2.0 if whole else 0.031, 0.04 * abs(b))

    section = README.split("## From a recording to a profile\n")[1].split("\n## ")[0]
    runs = re.findall(
        r"^    \$ flatten (.*)\n((?:    (?!\$).*\n|\n(?=    (?!\$)))+)", section, flags=re.MULTILINE
    )
    assert [command.split()[0] for command, _ in runs] == ["mount", "blind", "tune", "recheck", "recheck"]
    for command, shown in runs:
        code = run(command.split())
        assert code == (1 if "FAILS" in shown else 0), command
        said = capsys.readouterr().out.splitlines()
        start, dots, end = "\n".join(line[4:] for line in shown.splitlines()).partition("…")
        for part, of_end in ((start, False), (end, True)):
            lines = part.strip("\n").splitlines()
            told = said[len(said) - len(lines) :] if of_end else said[: len(lines)]
            compare_words("\n".join(told), "\n".join(lines), close)
        assert dots or len(start.strip("\n").splitlines()) == len(said)
    assert {"mounted.yaml", "zoned.yaml", "driven.yaml", "own.png"} <= {
        entry.name for entry in desk.iterdir()
    }


def expanded(arguments: list[str]) -> list[str]:
    """Arguments with {a,b} written out, as a shell does it."""
    made = []
    for word in arguments:
        braces = re.fullmatch(r"(.*)\{(.*)\}(.*)", word)
        made += [f"{braces[1]}{part}{braces[3]}" for part in braces[2].split(",")] if braces else [word]
    return made


def test_the_slices_are_those_that_the_readme_shows(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Figures of single bins may differ by the processor's arithmetic.

    Of whole ones, which are counts and shares of sixteen bodies, one body may fall aside: 6.25 %.
    """
    told, expected = told_and_shown("tune", capsys)
    compare_words(
        told, expected,
        lambda a, b, whole: abs(a - b) <= max(6.5 if whole and b <= 100.0 else 0.0101, 0.02 * abs(b)),
    )  # fmt: skip
    slices = (
        re.search(r"drive: ([\d.]+) to ([\d.]+) m", told),
        re.search(r"drive: ([\d.]+) to ([\d.]+) m", expected),
    )
    for one, other in zip(*(found.groups() for found in slices if found), strict=True):
        assert abs(float(one) - float(other)) <= 0.0101


def test_the_maps_are_those_that_the_readme_shows(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Cells within 1 %, shares within two hundredths: a return at a border may fall aside."""
    compare_words(*told_and_shown("map", capsys), lambda a, b, _: abs(a - b) <= max(0.021, 0.01 * abs(b)))


def test_the_page_opens_as_the_readme_shows_and_ctrl_c_ends_it(desk: Path) -> None:
    """The command of the README on a port that is free; the words that it prints, and a clean end."""
    shown = re.search(r"^    \$ flatten (page .*)\n((?:    .*\n)+)", README, flags=re.MULTILINE)
    assert shown is not None
    command = [sys.executable, "-u", "-m", "flatten", *expanded(shown[1].split()), "--port", "0"]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert running.stdout is not None
    told = running.stdout.readline() + running.stdout.readline()
    port = re.search(r"127\.0\.0\.1:(\d+)/", told)
    assert port is not None and told.replace(port[1], "8400") == shown[2].replace("    ", "")
    with urllib.request.urlopen(f"http://127.0.0.1:{port[1]}/", timeout=20) as answer:
        assert b"flatten workbench" in answer.read()
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=20)
    assert (running.returncode, out, err) == (0, "page closed\n", "")


def test_the_misspelt_key_is_told_as_the_readme_says(desk: Path) -> None:
    (text,) = blocks("yaml")
    (desk / "rover.yaml").write_text(text.replace("bottom: 0.06", "botom: 0.06"))
    with pytest.raises(flatten.ProfileError) as caught:
        flatten.Profile.load("rover.yaml")
    told = next(line for line in README.splitlines() if "botom" in line).strip().removesuffix("…").strip()
    assert f"flatten: {caught.value}".startswith(told)


def test_the_node_turns_real_messages_into_real_messages(desk: Path) -> None:
    store = get_typestore(Stores.LATEST)
    snippet = blocks("python")[0]
    node: dict[str, Any] = {}
    exec(snippet, node)
    message = cloud_message(store, flatten.read_cloud("sample_clouds/aisle.pcd"))
    out = node["on_cloud"](message, (0.0, 0.0), store.types["sensor_msgs/msg/LaserScan"])
    assert list(out) == ["drive", "low", "walls"]
    expected = flatten.Flattener(node["profile"]).flatten(flatten.read_cloud("sample_clouds/aisle.pcd"))
    for name, scan in out.items():
        wire = bytes(store.serialize_cdr(scan, "sensor_msgs/msg/LaserScan"))
        read = store.deserialize_cdr(wire, "sensor_msgs/msg/LaserScan")
        np.testing.assert_array_equal(read.ranges, expected[name].ranges)
        assert round((read.angle_max - read.angle_min) / read.angle_increment) + 1 == len(read.ranges)
        assert read.header.frame_id == "lidar"


def test_the_window_gathers(desk: Path) -> None:
    snippets = blocks("python")
    node: dict[str, Any] = {}
    exec(snippets[0], node)
    (snippet,) = [text for text in snippets[1:] if "window" in text]
    exec(snippet, node)
    seen, still = flatten.read_cloud("sample_clouds/aisle.pcd"), [[0, 0, 0, 0, 0, 0, 1]] * 2
    for k in range(7):
        cloud = flatten.Cloud(seen.x, seen.y, seen.z, time=np.linspace(0.1 * k, 0.1 * k + 0.1, len(seen)))
        scans = node["on_timed_cloud"](cloud, [0.1 * k, 0.1 * k + 0.1], still)
    assert node["gathering"].window.frames == 5
    assert scans["drive"].counts.used > 3 * np.count_nonzero(scans["drive"].states == flatten.State.HIT)


def test_the_turn_is_straightened(desk: Path) -> None:
    snippets = blocks("python")
    node: dict[str, Any] = {}
    exec(snippets[0], node)
    (snippet,) = [text for text in snippets[1:] if "turn.pcd" in text]
    exec(snippet, node)
    (sample,) = [one for one in list_rough() if one.name == "turn"]
    truth = read_rough_truth(sample).slices["drive"]
    turned = flatten.read_cloud("sample_clouds/rough/turn.pcd")
    scan = flatten.Flattener(node["profile"]).flatten(turned, motion=node["motion"])["drive"]
    np.testing.assert_array_equal(node["scans"]["drive"].ranges, scan.ranges)
    check = compare(scan, truth)
    assert check.within > 0.95 * check.hits > 1000  # without motion 55 %


def test_the_dock_is_told(desk: Path) -> None:
    (snippet,) = [text for text in blocks("python") if "dock_drop.pcd" in text]
    node: dict[str, Any] = {"flatten": flatten}
    exec(snippet, node)
    edges, floor = node["edges"], node["floor"]
    assert edges.size > 100 and np.quantile(edges, 0.05) > 1.5  # the nearest edge is 1.9 m before the fan
    bins, cells = floor.known.shape
    assert floor.heights.shape == (bins, cells + 1) and floor.drops.shape == (bins,)
    assert abs(float(floor.at(1.0, 0.0))) < 0.03 and bool(floor.is_known(1.0, 0.0))


@pytest.mark.parametrize("name", drawing.SAMPLES)
def test_its_pictures_of_two_ways_are_samples(name: str) -> None:
    assert f"(benchmarks/pictures/{name}.png)" in README
    assert (drawing.PICTURES / f"{name}.png").is_file()
    assert name in {sample.name for sample in list_rough()}


@pytest.mark.parametrize("name", ["drive", "drive_own"])
def test_its_pictures_of_the_drive_are_there(name: str) -> None:
    assert f"(benchmarks/pictures/{name}.png)" in README
    assert (drawing.PICTURES / f"{name}.png").is_file()


def cloud_message(store: Any, cloud: flatten.Cloud) -> Any:
    """The cloud as a real point-cloud message, 16 bytes a return."""
    t = store.types
    rows = np.zeros(len(cloud), np.dtype([("x", "<f4"), ("y", "<f4"), ("z", "<f4"), ("intensity", "<f4")]))
    for name in rows.dtype.names or ():
        rows[name] = getattr(cloud, name)
    field = t["sensor_msgs/msg/PointField"]
    fields = [field(name=n, offset=4 * k, datatype=7, count=1) for k, n in enumerate(rows.dtype.names or ())]
    stamp = t["builtin_interfaces/msg/Time"](sec=5, nanosec=7)
    header = t["std_msgs/msg/Header"](stamp=stamp, frame_id="lidar")
    return t["sensor_msgs/msg/PointCloud2"](
        header=header, height=1, width=len(cloud), fields=fields, is_bigendian=False, point_step=16,
        row_step=16 * len(cloud), data=np.frombuffer(rows.tobytes(), np.uint8), is_dense=True,
    )  # fmt: skip


def test_the_two_commands_are_there_and_ci_runs_one_of_them() -> None:
    for command in (".ci/demo", ".ci/check"):
        assert f"    {command} " in README
        assert os.access(TOP / command, os.X_OK)
    assert "./.ci/check" in (TOP / ".ci" / "run").read_text()


@pytest.mark.parametrize("document", tables.DOCUMENTS, ids=lambda p: str(p.relative_to(TOP)))
def test_tables_are_those_of_the_measurements(document: Path) -> None:
    assert tables.filled(document.read_text()) == document.read_text()


def test_cautions_stand_at_the_top() -> None:
    assert "not a personnel-safety device" in README[:1800]
    assert all(word in README[:1800] for word in ("lifted tracks", "emergency stop", "local codes", "licen"))
