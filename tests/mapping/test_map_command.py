"""`flatten map` and `flatten floorplan` on a small drive: clouds, scans, files, plans; every refusal."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from flatten import Cloud, Profile
from flatten.cli import run
from flatten.cli.map import BARE
from flatten.mapping import Bare
from flatten.mapping.map_files import read_map
from flatten.recordings import Trajectory
from flatten.recordings.messages import library
from flatten.recordings.writing import RecordingWriter, write_recording
from tests.command_line import PROFILE, run_here

START = 1_764_000_000 * 10**9
LOW, HIGH = np.array([-6.02, -4.03]), np.array([9.03, 5.02])
"""Corners of a walled yard, metres: in the middle of no cell, and at no border of one."""
FRAMES = 12
FLAT = ("drive.mcap", "-p", "rover.yaml")


def pose(k: int) -> tuple[float, float, float]:
    """x, y, yaw at the k-th cloud."""
    return 0.25 * k, 0.1 * k, 0.15 * k


def yard_cloud(x: float, y: float, yaw: float) -> Cloud:
    """What a sensor 0.95 m up at (x, y) sees of the walls and of the floor before them."""
    bearings = np.radians(np.arange(0.25, 360.0, 0.5))  # the middles of the bins
    along = np.stack([np.cos(bearings + yaw), np.sin(bearings + yaw)], axis=1)
    with np.errstate(divide="ignore"):
        reach = np.maximum((LOW - (x, y)) / along, (HIGH - (x, y)) / along).min(axis=1)
    flat = np.stack([np.cos(bearings), np.sin(bearings)], axis=1)
    parts = []
    for height in (0.2, 0.5, 0.8, 1.3, 1.5, 1.7):  # on the walls
        parts.append(np.column_stack([flat * reach[:, None], np.full(len(flat), height - 0.95)]))
    for far in (1.0, 2.0, 3.0):  # on the floor
        near = np.minimum(far, 0.9 * reach)
        parts.append(np.column_stack([flat * near[:, None], np.full(len(flat), -0.95)]))
    return Cloud.from_array(np.concatenate(parts).astype(np.float32))


def trajectory(shift: int = 0) -> Trajectory:
    times = START + np.arange(FRAMES) * 10**8 + shift
    rows = [
        (x, y, 0.0, 0.0, 0.0, math.sin(yaw / 2), math.cos(yaw / 2)) for x, y, yaw in map(pose, range(FRAMES))
    ]
    return Trajectory.of_rows(times, np.array(rows), frame="odom", child="base_link")


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording of the drive, with its profile; scans of it as a batch writes them, and as NPZ."""
    folder = tmp_path_factory.mktemp("drive")
    (folder / "rover.yaml").write_text(PROFILE.replace("bins: 72}", "bins: 720}"))
    clouds = [(START + k * 10**8, yard_cloud(*pose(k))) for k in range(FRAMES)]
    mount = np.eye(4)
    mount[2, 3] = 0.95
    write_recording(folder / "drive.mcap", clouds, trajectory(), mount)
    write_recording(folder / "no_poses.mcap", clouds)
    write_recording(folder / "other_clock.mcap", clouds, trajectory(10**12), mount)
    np.save(
        folder / "plan.npy", np.concatenate([world(cloud, *pose(k)) for k, (_, cloud) in enumerate(clouds)])
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        assert run(["batch", "drive.mcap", "-p", "rover.yaml", "--out", "scans"]) == 0
        assert run(["batch", "drive.mcap", "-p", "rover.yaml", "--out", "npz", "--format", "npz"]) == 0
        assert run(["map", "drive.mcap", "-p", "rover.yaml", "--out", "maps"]) == 0
    write_bare(folder / "bare.mcap")
    return folder


def world(cloud: Cloud, x: float, y: float, yaw: float) -> np.ndarray:
    c, s = math.cos(yaw), math.sin(yaw)
    turned = cloud.xyz @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]).T
    return turned + np.array([x, y, 0.95])


def write_bare(path: Path) -> None:
    """Bare planar scans of the same yard, as another sensor sees it: no records beside them."""
    stores, get = library()
    store: Any = get(stores.ROS2_HUMBLE)
    with path.open("wb") as stream, RecordingWriter(stream, sensor="laser") as writer:
        mount = np.eye(4)
        mount[:3, 3] = 0.2, 0.0, 0.3
        writer.mount(START, mount)
        writer._topics["sensor_msgs/msg/LaserScan"] = "/front/scan"
        for k in range(FRAMES):
            time, (x, y, yaw) = START + k * 10**8, pose(k)
            writer.pose(time, trajectory().poses[k])
            bearings = np.linspace(-math.pi, math.pi, 360, endpoint=False)
            at = np.array([x + 0.2 * math.cos(yaw), y + 0.2 * math.sin(yaw)])
            along = np.stack([np.cos(bearings + yaw), np.sin(bearings + yaw)], axis=1)
            with np.errstate(divide="ignore"):
                ranges = np.maximum((LOW - at) / along, (HIGH - at) / along).min(axis=1).astype(np.float32)
            ranges[::10] = np.inf
            ranges[5::10] = np.nan
            step = 2.0 * math.pi / 360
            message = store.types["sensor_msgs/msg/LaserScan"](
                writer._header(time, "laser"), -math.pi, math.pi - step, step, 0.0, 0.0, 0.1, 20.0, ranges,
                np.empty(0, np.float32),
            )  # fmt: skip
            writer._put("sensor_msgs/msg/LaserScan", message, time)


@pytest.fixture
def here(drive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own beside the drive."""
    for name in [each.name for each in drive.iterdir()]:
        (tmp_path / name).symlink_to(drive / name)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def wall_error(path: Path) -> float:
    """Greatest distance of an occupied cell's middle from the walls."""
    made, _ = read_map(path)
    middles = (np.argwhere(made.occupied)[:, ::-1] + 0.5 + made.corner) * made.cell
    return float(np.abs(np.concatenate([middles - LOW, middles - HIGH], axis=1)).min(axis=1).max())


def test_a_recording_of_clouds_becomes_maps(here: Path) -> None:
    for name in ("drive", "walls"):
        made, way = read_map(here / "maps" / f"{name}.yaml")
        # a cell's half diagonal, and float32 of the cloud
        assert made.occupied.sum() > 300 and wall_error(here / "maps" / f"{name}.yaml") < 0.036 + 1e-3
        assert made.frame == "odom" and way.shape[1] == 3 and made.figures["scans"] == FRAMES
        np.testing.assert_allclose(way[-1], pose(FRAMES - 1), atol=1e-9)
        assert (here / "maps" / f"{name}.view.png").read_bytes().startswith(b"\x89PNG")
    made, _ = read_map(here / "maps" / "drive.yaml")
    assert made.free.sum() > 2_000 and made.figures["cleared_then_occupied"] == 0.0


@pytest.mark.parametrize(
    "words", [("scans/drive.mcap",), ("npz/drive", "-p", "rover.yaml")], ids=["messages", "files"]
)
def test_recorded_scans_make_the_same_map(here: Path, words: tuple[str, ...]) -> None:
    """The states and stretches of a batch, wherever they lie, say what the clouds said."""
    assert run(["map", *words, "--slice", "drive", "--out", "again"]) == 0
    for kind in ("png", "pgm"):
        assert Path(f"again/drive.{kind}").read_bytes() == Path(f"maps/drive.{kind}").read_bytes()
    assert not Path("again/walls.yaml").exists()


@pytest.mark.parametrize(
    ("bare", "least", "most"), [("nothing", 0, 0), ("hits", 1000, None), ("all", 1000, None)]
)
def test_bare_scans_of_another_sensor(here: Path, bare: str, least: int, most: int | None) -> None:
    assert run(["map", "bare.mcap", "--out", "out", "--bare", bare]) == 0
    made, _ = read_map(here / "out" / "scan.yaml")
    # bearings are exact here: a cell's half diagonal, and float32 of the ranges
    assert wall_error(here / "out" / "scan.yaml") < 0.036 + 1e-3 and made.occupied.sum() > 300
    freed = int(made.free.sum())
    assert freed >= least and (most is None or freed <= most)
    outside = made.extent[1] > HIGH[0] + 1.0
    assert outside == (bare == "all")  # +inf was said where there is a wall


def test_two_maps_side_by_side(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "map", "--compare", "maps/drive.yaml", "maps/walls.yaml", "--picture", "both.png")
    assert ran.code == 0 and ran.err == ""
    assert all(
        words in ran.out for words in ("wall thickness", "entropy", "closing error", "of walls in both")
    )
    assert Path("both.png").read_bytes().startswith(b"\x89PNG")
    told = json.loads(
        run_here(capsys, "map", "--compare", "maps/drive.yaml", "maps/walls.yaml", "--json").out
    )
    assert told["first"]["scans"] == FRAMES and told["cells"]["both"] > 1000
    assert told["first"]["closing_error"] is None  # no place is seen twice


def test_poses_that_do_not_cover_all_are_told(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [f"{1764000000 + 0.1 * k:.1f} {0.25 * k} 0 0 0 0 0 1" for k in range(4)]
    Path("short.txt").write_text("\n".join(rows))
    ran = run_here(
        capsys, "map", "scans/drive.mcap", "--slice", "drive", "--out", "out", "--poses", "short.txt"
    )
    assert ran.code == 0 and f"warning: {FRAMES - 4} scans left out: no pose at its time" in ran.err
    assert "drive: 4 scans" in ran.out


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("none.mcap", "--out", "x"), 1, "flatten: none.mcap: there is no such file"),
        (("drive.mcap", "--out", "x"), 1, "flatten: drive.mcap: holds clouds"),
        (("no_poses.mcap", "-p", "rover.yaml", "--out", "x"), 1, "flatten: no_poses.mcap: has no poses"),
        (("other_clock.mcap", *FLAT[1:], "--out", "x"), 1, "flatten: no scan could be placed"),
        (("scans/drive.mcap", "--slice", "roof", "--out", "x"), 1, "flatten: scans/drive.mcap: no scans"),
        (("npz/drive", "--out", "x"), 1, "flatten: npz/drive/"),
        ((*FLAT, "--slice", "roof", "--out", "x"), 1, "flatten: drive.mcap: no slice roof"),
        ((*FLAT, "--slice", "walls", "--out", "maps"), 1, "flatten: maps/walls.npz: is there"),
        ((*FLAT, "--out", "rover.yaml/x"), 1, "flatten: rover.yaml/x: cannot be made"),
        (FLAT, 2, "flatten: map: missing --out"),
        (("--out", "x"), 2, "flatten: map: missing SOURCE"),
        (("drive.mcap", "--out", "x", "--cell", "0"), 2, "flatten: map: invalid value for '--cell'"),
        (("--compare", "maps/drive.yaml", "rover.yaml"), 1, "flatten: rover.yaml: is no map"),
        (("--compare", "maps/drive.yaml", "none.yaml"), 1, "flatten: none.yaml: cannot be read"),
        (("drive.mcap", "--compare", "a.yaml", "b.yaml"), 2, "flatten: map: --compare takes two maps"),
        (("drive.mcap", "--out", "x", "--picture", "a.png"), 2, "flatten: map: --picture goes with"),
    ],
)  # fmt: skip
def test_every_refusal_is_one_line(
    here: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: int, told: str
) -> None:
    ran = run_here(capsys, "map", *words, "--quiet")
    assert (ran.code, ran.out) == (code, "")
    assert ran.err.startswith(told) and ran.err.count("\n") == 1
    assert not Path("x").exists()


def test_damaged_maps_are_told(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = Path("maps/drive.yaml").read_text()
    for number, (change, words) in enumerate(
        [
            (text.replace("layout: 1", "layout: 9"), "layout 9 of the map is not known"),
            (text.replace("columns: ", "columns: 1"), "they are of two maps"),
            (text.replace("npz: drive.npz", "npz: gone.npz"), "no map that this library wrote lies there"),
            (
                text.replace("lower_left_cell:", "lower_left_cell: x\nother:"),
                "no map that this library wrote",
            ),
        ]
    ):
        Path(f"maps{number}").mkdir()
        for kind in ("drive.npz", "walls.npz"):
            Path(f"maps{number}/{kind}").symlink_to(here / "maps" / kind)
        Path(f"maps{number}/drive.yaml").write_text(change)
        ran = run_here(capsys, "map", "--compare", f"maps{number}/drive.yaml", "maps/walls.yaml")
        assert (ran.code, ran.out) == (1, "") and words in ran.err, number


def test_a_registered_cloud_becomes_a_plan(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "floorplan", "plan.npy", "-p", "rover.yaml", "--slice", "walls", "--out", "plans")
    assert ran.code == 0 and "floor found in" in ran.out and "plan_walls" in ran.out
    assert wall_error(here / "plans" / "plan_walls.yaml") < 0.036 + 1e-3
    told = yaml.safe_load(Path("plans/plan_walls.yaml").read_text())
    assert told["cell_m"] == 0.05 and told["files"]["pgm"] == "plan_walls.pgm"
    for words, line in (
        (("--slice", "roof"), "no slice roof: there are drive, walls"),
        (("--slice", "walls"), "is there already"),
    ):
        again = run_here(capsys, "floorplan", "plan.npy", "-p", "rover.yaml", *words, "--out", "plans")
        assert (again.code, again.out) == (1, "") and line in again.err and again.err.count("\n") == 1
    given = run_here(
        capsys, "floorplan", "plan.npy", "-p", "rover.yaml", "--floor", "0", "--cell", "0.1", "--out", "given"
    )
    assert given.code == 0 and given.out.splitlines()[0].endswith("floor at z = 0 m")


def test_defaults_written_for_speed_are_the_real_ones() -> None:
    assert tuple(one.value for one in Bare) == BARE
    assert Profile.parse(PROFILE, "a").mount.x == 0.0  # so that maps of bare bins need no mount


def test_help_gives_examples(capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("map", "floorplan"):
        ran = run_here(capsys, command, "--help")
        assert ran.code == 0 and f"flatten {command} " in ran.out and "Examples:" in ran.out
