"""`flatten look`, and the other commands on recordings: what is told, and one line for what is none."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from flatten import Cloud, Flattener, Profile, Trajectory, frames, open_recording
from flatten.files import read_npz
from flatten.recordings.look import look
from flatten.recordings.look_words import report
from flatten.recordings.writing import write_recording
from tests import command_line
from tests.command_line import run_here
from tests.recordings.made import COUNT, MOUNT, START, STEP, clouds, drive, recording, written
from tests.recordings.test_recordings import Maker, backward, fill_clouds, make
from tests.tuning.drives import CIRCLE, PROFILE, shots, yard


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("look") / "drive.mcap")


def test_a_recording_that_lacks_nothing(whole: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "look", str(whole))
    assert (ran.code, ran.err) == (0, "")
    for words in (
        "drive.mcap: MCAP file, 1.575 s from 2025-11-25 06:40:11 UTC",
        "/points     sensor_msgs/msg/PointCloud2        12    10 Hz         none",
        "clouds on /points: 12, 60 returns each",
        "a return: x float32@0, y float32@4, z float32@8, intensity float32@12, time float32@16; 20 bytes",
        "times of returns: seconds from the cloud's stamp",
        "poses of the body: 64, odom to base_link, 40 Hz",
        "they cover 12 of 12 clouds, first return to last",
        "mount {x: 0.340, y: -0.090, z: 0.610, roll: 0.573, pitch: 11.459, yaw: -1.719} (m, deg)",
        "nothing is missing, nothing is wrong",
    ):
        assert words in ran.out


def test_plain_values(whole: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = json.loads(run_here(capsys, "look", str(whole), "--json").out)
    assert told["start_ns"] == START - 2 * STEP  # integers stay whole
    assert [(topic["name"], topic["messages"]) for topic in told["topics"]] == [
        ("/tf_static", 1), ("/odometry", 64), ("/points", COUNT),
    ]  # fmt: skip
    assert told["poses"]["clouds_covered"] == COUNT and told["poses"]["of"] == "body"
    assert frames.body_from_sensor(
        *(told["mount"][axis] for axis in "xyz"),
        *(np.radians(told["mount"][angle]) for angle in ("roll", "pitch", "yaw")),
    ) == pytest.approx(MOUNT, abs=1e-9)
    assert told["missing"] == told["faults"] == []


def test_what_is_missing_is_told(tmp_path: Path) -> None:
    def untimed(maker: Maker) -> None:
        for time, cloud in clouds(3):
            maker.cloud(time, type(cloud)(cloud.x, cloud.y, cloud.z))

    told = look(make(tmp_path / "bare.mcap", untimed)).missing
    assert any("returns have no times" in words for words in told)
    assert any(words.startswith("no poses") for words in told)
    assert any("where the sensor sits" in words for words in told)


def test_poses_of_another_drive_are_told(tmp_path: Path) -> None:
    path = tmp_path / "drive.mcap"
    write_recording(path, ((time + 10**12, cloud) for time, cloud in clouds(3)), drive(), MOUNT)
    found = look(path)
    assert found.covered == 0
    assert "the poses cover none of the clouds: another drive, or another clock" in found.missing
    write_recording(path, clouds(), drive(30), MOUNT, overwrite=True)
    found = look(path)
    assert found.covered is not None and 0 < found.covered < COUNT
    assert f"the poses cover {found.covered} of {COUNT} clouds" in found.missing


def test_disorder_and_damage_are_told(tmp_path: Path) -> None:
    found = look(make(tmp_path / "back.mcap", backward))
    assert any("time runs backward" in words for words in found.faults)
    data = bytearray(recording(compression="", chunk=3000))
    data[len(data) // 2] ^= 1
    path = tmp_path / "damaged.mcap"
    path.write_bytes(bytes(data))
    text = report(look(path))
    assert "its checksum is wrong" in text and "its index says" in text
    assert "the checksum over all of the data is wrong" in text


def test_two_topics_of_clouds(tmp_path: Path) -> None:
    def work(maker: Maker) -> None:
        fill_clouds(maker)
        maker._channels.clear()
        maker._topics = {key: f"{name}_rear" for key, name in maker._topics.items()}
        fill_clouds(maker)

    path = make(tmp_path / "two.mcap", work)
    found = look(path)
    assert [seen.stamps.count for seen in found.clouds] == [3, 3]
    assert any("clouds on several topics" in words for words in found.missing)
    assert look(path, topic="/points_rear").chosen == "/points_rear"


def test_a_folder_of_clouds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for k in range(3):
        np.save(tmp_path / f"{k + 1}.5.npy", np.random.default_rng(k).normal(size=(20, 3)))
    ran = run_here(capsys, "look", str(tmp_path))
    assert "clouds: 3, 20 returns each" in ran.out and "no poses" in ran.out


BAD = [
    ("look none.mcap", 1, ["none.mcap", "no such file"]),
    ("look text.mcap", 1, ["text.mcap", "is no MCAP file"]),
    ("look text.bag", 1, ["text.bag", "is none"]),
    ("look empty.mcap", 1, ["empty.mcap", "is empty"]),
    ("look drive.mcap --topic /none", 1, ["/none", "/points"]),
    ("look drive.mcap --poses text.mcap", 1, ["text.mcap"]),
    ("convert drive.mcap -p rover.yaml --out out --topic /odometry", 1, ["/odometry", "Odometry", "/points"]),
    ("convert cloud.npy -p rover.yaml --out out --no-moton", 2, ["--no-motion"]),
    ("show drive.mcap -p rover.yaml --cloud 12", 1, ["12 clouds", "at most 11"]),
    ("blind cloud.npy -p rover.yaml --topic /points", 2, ["no topics"]),
    ("mount drive.mcap -p rover.yaml --poses drive.mcap", 1, ["no floor"]),
    ("mount text.mcap -p rover.yaml", 1, ["text.mcap"]),
    ("tune late.mcap -p rover.yaml", 1, ["cover none of the clouds"]),
    ("tune drive.mcap -p rover.yaml --poses text.txt", 1, ["text.txt:1"]),
]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory, whole: Path) -> Path:
    folder = tmp_path_factory.mktemp("bad")
    (folder / "drive.mcap").write_bytes(whole.read_bytes())
    late = ((time + 10**12, cloud) for time, cloud in clouds(3))
    write_recording(folder / "late.mcap", late, drive(), MOUNT)
    for name in ("text.mcap", "text.bag", "text.txt"):
        (folder / name).write_text("not a recording, by far not\n" * 5)
    (folder / "empty.mcap").write_bytes(b"")
    np.save(folder / "cloud.npy", np.ones((5, 3)))
    (folder / "rover.yaml").write_text(command_line.PROFILE)
    return folder


@pytest.mark.parametrize(("line", "code", "named"), BAD, ids=[line for line, _, _ in BAD])
def test_bad_lines_end_with_one_line(
    line: str, code: int, named: list[str], place: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(place)
    before = sorted(place.iterdir())
    ran = run_here(capsys, *line.split())
    told = ran.err.splitlines()
    assert (ran.code, len(told)) == (code, 1), ran.err
    assert not [words for words in named if words not in told[0]], told[0]
    assert sorted(place.iterdir()) == before


# ---------------------------------------------------------------- the other commands


@pytest.fixture(scope="module")
def circle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small robot that drives round a circle, eight clouds of it, with odometry."""
    folder = tmp_path_factory.mktemp("circle")
    taken = [shot.cloud for shot in shots(yard(), CIRCLE[:8])]
    rows = np.zeros((40, 7))
    at = np.interp(np.arange(40), np.arange(40)[::3], np.arange(14))
    angle = at * 0.6
    rows[:, 0], rows[:, 1] = 1.2 * np.cos(angle), 1.2 * np.sin(angle)
    rows[:, 5], rows[:, 6] = np.sin((angle + np.pi / 2) / 2), np.cos((angle + np.pi / 2) / 2)
    path = Trajectory.of_rows(START + np.arange(40) * STEP, rows)
    mount = PROFILE.mount
    place = frames.body_from_sensor(mount.x, mount.y, mount.z, np.radians(mount.roll), 0.0, 0.0)
    timed = ((START + 3 * k * STEP, cloud) for k, cloud in enumerate(taken))
    write_recording(folder / "circle.mcap", timed, path, place)
    (folder / "rover.yaml").write_text(PROFILE.to_yaml())
    return folder


def test_commands_take_recordings(
    circle: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(circle)
    ran = run_here(capsys, "convert", "circle.mcap", "-p", "rover.yaml", "--out", "scans")
    assert ran.code == 0 and "converted 8 of 8 clouds" in ran.out, ran.err
    assert sorted(path.name for path in Path("scans").iterdir())[0] == "circle_000000.npz"
    ran = run_here(capsys, "show", "circle.mcap", "-p", "rover.yaml", "--cloud", "3", "--out", "a.png")
    assert ran.code == 0 and Path("a.png").is_file(), ran.err
    ran = run_here(capsys, "blind", "circle.mcap", "-p", "rover.yaml", "--json")
    assert ran.code == 0 and json.loads(ran.out)["moved"], ran.err
    ran = run_here(capsys, "mount", "circle.mcap", "-p", "rover.yaml", "--json")
    assert ran.code == 0 and len(json.loads(ran.out)["clouds"]) == 8, ran.err


def test_attitude_and_motion_come_from_the_poses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What convert writes is what the library gives for the same poses; --no-motion leaves the attitude."""
    monkeypatch.chdir(tmp_path)
    Path("rover.yaml").write_text(command_line.PROFILE)
    ring = command_line.ring(height=-0.5)
    ring[::2, 2] = 0.4
    columns = [ring[:, k] for k in range(4)]
    taken = Cloud(*columns, time=np.linspace(0.0, 0.0999, len(ring)).astype(np.float32))
    path = drive()
    write_recording("drive.mcap", [(START + k * STEP, taken) for k in (0, 1, 90)], path)
    ran = run_here(capsys, "convert", "drive.mcap", "-p", "rover.yaml", "--out", "moving")
    assert ran.code == 0 and "1 clouds are left out: no poses there" in ran.err
    ran = run_here(
        capsys, "convert", "drive.mcap", "-p", "rover.yaml", "--out", "standing", "--no-motion", "-q"
    )
    assert (ran.code, ran.err) == (0, "")
    assert sorted(file.name for file in Path("moving").iterdir()) == [f"drive_00000{k}.npz" for k in (0, 1)]
    flattener = Flattener(Profile.load("rover.yaml"))
    with open_recording("drive.mcap") as opened:
        frame = next(opened.frames(1, 2))
        motion = opened.motion(frame)
        assert motion is not None
        moving = flattener.flatten(frame.cloud, motion=motion)["drive"]
    standing = flattener.flatten(frame.cloud, path.attitude(frame.time))["drive"]
    assert not np.array_equal(moving.ranges, standing.ranges, equal_nan=True)
    for folder, wanted in (("moving", moving), ("standing", standing)):
        read = read_npz(Path(folder) / "drive_000001.npz")[0]["drive"]
        assert np.array_equal(read.ranges, wanted.ranges, equal_nan=True), folder
