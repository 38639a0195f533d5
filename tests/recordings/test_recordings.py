"""Recordings in every format give the same clouds and poses, one at a time and without a copy."""

from __future__ import annotations

import io
import shutil
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import flatten
from flatten import Cloud, Trajectory, open_recording
from flatten.errors import CloudError, MotionError, OutputError, RecordingError
from flatten.recordings import messages
from flatten.recordings.messages import CLOUD_TYPE, POSE, TRANSFORMS
from flatten.recordings.writing import RecordingWriter, write_recording
from tests.recordings.made import (
    COUNT,
    MOUNT,
    START,
    STEP,
    as_first_generation,
    as_folder,
    cloud,
    clouds,
    drive,
    written,
)

KINDS = {
    "zstd": "MCAP file",
    "lz4": "MCAP file",
    "plain": "MCAP file",
    "sqlite3": "bag folder",
    "mcap": "bag folder",
    "first": "bag file of the first generation",
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The same recording in every format."""
    folder = tmp_path_factory.mktemp("recordings")
    paths = {
        name: written(folder / f"{name}.mcap", compression=name.replace("plain", ""), chunk=5000)
        for name in ("zstd", "lz4", "plain")
    }
    paths["sqlite3"] = as_folder(paths["zstd"], folder / "bag")
    paths["mcap"] = as_folder(paths["zstd"], folder / "other", "mcap")
    paths["first"] = as_first_generation(paths["zstd"], folder / "first.bag")
    return paths


@pytest.mark.parametrize("kind", KINDS)
def test_every_format_says_the_same(kind: str, made: dict[str, Path]) -> None:
    with open_recording(made[kind]) as opened:
        assert (opened.kind, opened.topic, opened.count) == (KINDS[kind], "/points", COUNT)
        frames = list(opened.frames())
        path = opened.trajectory
        assert path is not None and path.faults == opened.faults == ()
        assert (path.of, path.frame, path.child) == ("body", "odom", "base_link")
        assert path.times.tolist() == drive().times.tolist()
        assert path.poses == pytest.approx(drive().poses, abs=1e-15)
        assert opened.body_from_sensor == pytest.approx(MOUNT, abs=1e-12)
        assert (opened.start, opened.end) == (drive().start, drive().end)
    for frame, (time, wanted) in zip(frames, clouds(), strict=True):
        assert (frame.time, frame.logged, frame.frame_id) == (time, time, "lidar")
        for name in ("x", "y", "z", "intensity", "time"):
            assert np.array_equal(getattr(frame.cloud, name), getattr(wanted, name)), name
    assert [frame.index for frame in frames] == list(range(COUNT))


@pytest.mark.parametrize("kind", KINDS)
def test_a_part_of_it_and_one_cloud_again(kind: str, made: dict[str, Path]) -> None:
    with open_recording(made[kind]) as opened:
        assert [frame.index for frame in opened.frames(3, 6)] == [3, 4, 5]
        assert list(opened.frames(COUNT)) == []
        marks = opened.marks()
        assert [mark.index for mark in marks] == list(range(COUNT))
        again = opened.read(marks[7])
        assert (again.index, again.time) == (7, START + 7 * STEP)
        assert np.array_equal(again.cloud.x, cloud(7).x)


@pytest.mark.parametrize("kind", ["plain", "zstd", "sqlite3", "first"])
def test_points_are_not_copied(kind: str, made: dict[str, Path]) -> None:
    """The cloud's arrays lie within the bytes that the store handed out."""
    with open_recording(made[kind]) as opened:
        message = next(iter(opened.store.messages(["/points"])))  # type: ignore[attr-defined]
        content = messages.decode(message)
        seen = Cloud.from_message(content)
        whole = np.frombuffer(message.data, np.uint8)
        assert np.shares_memory(whole, seen.x) and np.shares_memory(whole, content.data)


def long_recording(path: Path, count: int) -> Path:
    """Clouds of 2,000 returns that are made as they are written."""
    write_recording(path, clouds(count, 2000), None, MOUNT, compression="", chunk=1 << 17)
    return path


def test_memory_does_not_grow_with_the_length(tmp_path: Path) -> None:
    """Four times as long takes no more than 200 bytes a cloud more: entries of the index."""
    peaks = []
    for count in (60, 240):
        path = long_recording(tmp_path / f"{count}.mcap", count)
        with open_recording(path) as opened:
            next(opened.frames(0, 1))  # libraries are loaded
            tracemalloc.start()
            total = sum(len(frame.cloud) for frame in opened.frames())
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
        assert total == count * 2000 and path.stat().st_size > count * 40_000
    assert peaks[1] < peaks[0] + 180 * 200
    assert peaks[1] < 2**20  # a chunk of 128 KiB, its copy, and small things; the file has 10 MB


# ---------------------------------------------------------------- motion


def test_motion_within_a_frame(made: dict[str, Path]) -> None:
    with open_recording(made["zstd"]) as opened:
        frame = next(opened.frames(4, 5))
        motion = opened.motion(frame)
        assert motion is not None
        last = frame.time + int(np.ceil(np.float64(np.float32(0.0999)) * 1e9))
        assert motion.at == last
        path = drive()
        assert motion.attitude == pytest.approx(path.attitude(last), abs=1e-12)
        assert motion.attitude_at(frame.time) == pytest.approx(path.attitude(frame.time), abs=1e-12)
        at_stamp = opened.motion(frame, at=frame.time)
        assert at_stamp is not None and at_stamp.attitude == pytest.approx(
            path.attitude(frame.time), abs=1e-12
        )


def test_a_frame_beyond_the_poses_has_no_motion(tmp_path: Path) -> None:
    path = tmp_path / "short.mcap"
    write_recording(path, clouds(3), drive(10), MOUNT)
    with open_recording(path) as opened:
        frame = next(opened.frames(2, 3))
        with pytest.raises(MotionError, match="after the last pose"):
            opened.motion(frame)


# ---------------------------------------------------------------- whose poses, and from where


class Maker(RecordingWriter):
    """Writes other messages than the writer does: as recorders with other habits."""

    def put(self, kind: str, topic: str, content: Any, logged: int) -> None:
        self._topics[kind] = topic
        self._put(kind, content, logged)

    def pose_stamped(self, time: int, pose: np.ndarray, frame: str = "map") -> Any:
        place, turn = self._place_turn("Point", pose)
        return self._made(POSE, self._header(time, frame), self._made("geometry_msgs/msg/Pose", place, turn))

    def transform(self, time: int, pose: np.ndarray, parent: str, child: str) -> Any:
        place, turn = self._place_turn("Vector3", pose)
        transform = self._made("geometry_msgs/msg/Transform", place, turn)
        return self._made("geometry_msgs/msg/TransformStamped", self._header(time, parent), child, transform)

    def transforms(self, *parts: Any) -> Any:
        return self._made(TRANSFORMS, list(parts))


def make(path: Path, work: Callable[[Maker], None], **how: Any) -> Path:
    stream = io.BytesIO()
    with Maker(stream, **how) as maker:
        work(maker)
    path.write_bytes(stream.getvalue())
    return path


def fill_clouds(maker: Maker, count: int = 3) -> None:
    for time, one in clouds(count):
        maker.cloud(time, one)


def seven(matrix: np.ndarray) -> np.ndarray:
    return np.array([*matrix[:3, 3], *Rotation.from_matrix(matrix[:3, :3]).as_quat()])


def test_poses_out_of_transforms(tmp_path: Path) -> None:
    """map → odom corrects, odom → base_link moves the body, two more lead to the sensor and stand."""
    half = np.eye(4)
    half[:3, 3] = 0.1, 0.0, 0.3

    def work(maker: Maker) -> None:
        rest = np.linalg.inv(half) @ MOUNT
        for k in range(12):
            time = START + k * STEP // 4
            moves = maker.transform(time, drive().poses[k], "odom", "base_link")
            fixes = maker.transform(time, [0.01 * k, 0, 0, 0, 0, 0, 1], "map", "odom")
            wheel = maker.transform(time, [0.3, 0, 0, 0, np.sin(k), 0, np.cos(k)], "base_link", "wheel")
            arm = maker.transform(time, seven(half), "base_link", "arm")  # said again and again: it stands
            maker.put(TRANSFORMS, "/tf", maker.transforms(fixes, moves, wheel, arm), time)
        for time, one in clouds(3):
            maker.cloud(time, one)
        # another channel of the same type: transforms that stand
        maker._channels.pop(TRANSFORMS)
        still = maker.transforms(maker.transform(START, seven(rest), "arm", "lidar"))
        maker.put(TRANSFORMS, "/tf_static", still, START)

    with open_recording(make(tmp_path / "tf.mcap", work)) as opened:
        path = opened.trajectory
        assert path is not None and (path.frame, path.child, path.of) == ("odom", "base_link", "body")
        assert path.poses == pytest.approx(drive().poses[:12], abs=1e-12)
        assert opened.body_from_sensor == pytest.approx(MOUNT, abs=1e-12)


def test_poses_of_the_clouds_own_frame_are_the_sensors(tmp_path: Path) -> None:
    def work(maker: Maker) -> None:
        for k in range(12):
            maker.pose(START + k * STEP // 4, drive().poses[k])
        fill_clouds(maker)

    made = make(tmp_path / "own.mcap", work, body="lidar")
    with open_recording(made) as opened:
        assert opened.trajectory is not None and opened.trajectory.of == "sensor"
    with open_recording(made, poses_of="body") as opened:
        assert opened.trajectory is not None and opened.trajectory.of == "body"


def stamped_poses(maker: Maker, topics: tuple[str, ...] = ("/pose",), stamp: bool = True) -> None:
    for topic in topics:
        maker._channels.pop(POSE, None)
        for k in range(12):
            time = START + k * STEP // 4
            content = maker.pose_stamped(time if stamp else 0, drive().poses[k])
            maker.put(POSE, topic, content, time)
    fill_clouds(maker)


def test_stamped_poses_do_not_say_whose_they_are(tmp_path: Path) -> None:
    with open_recording(make(tmp_path / "pose.mcap", stamped_poses)) as opened:
        assert opened.trajectory is not None and opened.trajectory.of == "body"
        assert any("do not say whose" in words for words in opened.faults)
    with open_recording(tmp_path / "pose.mcap", poses_of="sensor") as opened:
        assert opened.trajectory is not None and opened.trajectory.of == "sensor"
        assert not opened.faults


def test_poses_without_stamps_are_of_when_they_were_recorded(tmp_path: Path) -> None:
    made = make(tmp_path / "unset.mcap", lambda maker: stamped_poses(maker, stamp=False))
    with open_recording(made) as opened:
        assert opened.trajectory is not None and opened.trajectory.start == START
        assert any("12 poses have no stamp" in words for words in opened.faults)


def test_of_several_topics_one_has_to_be_chosen(tmp_path: Path) -> None:
    made = make(tmp_path / "two.mcap", lambda maker: stamped_poses(maker, ("/one", "/two")))
    with open_recording(made) as opened, pytest.raises(RecordingError, match="several topics, /one, /two"):
        _ = opened.trajectory
    with open_recording(made, poses_topic="two") as opened:  # a slash before it is as good as none
        assert opened.trajectory is not None and len(opened.trajectory) == 12
    with (
        open_recording(made, poses_topic="/three") as opened,
        pytest.raises(RecordingError, match="no poses on topic /three: topics with poses are /one, /two"),
    ):
        _ = opened.trajectory


def test_poses_that_are_given_stand_above_those_inside(made: dict[str, Path], tmp_path: Path) -> None:
    file = tmp_path / "poses.txt"
    file.write_text(f"{START} 1 2 3 0 0 0 1\n{START + STEP} 2 2 3 0 0 0 1\n")
    with open_recording(made["zstd"], poses=file) as opened:
        assert opened.trajectory is not None and opened.trajectory.times.tolist() == [START, START + STEP]
        assert opened.body_from_sensor == pytest.approx(MOUNT, abs=1e-12)


# ---------------------------------------------------------------- time, and what is wrong


def backward(maker: Maker) -> None:
    for k, time in enumerate([0, 1, 2, 3, 1, 2, 2, 9]):
        maker.cloud(START + time * STEP, cloud(k), START + k * STEP)


def test_clouds_whose_time_runs_backward_are_told(tmp_path: Path) -> None:
    with open_recording(make(tmp_path / "back.mcap", backward)) as opened:
        assert len(list(opened.frames())) == 8  # nobody leaves them out
        told = opened.faults
    assert any(words.startswith("time runs backward: 1 clouds") and "0.2 s" in words for words in told)
    assert any(words.startswith("1 clouds have the stamp of the one before") for words in told)
    assert any(words.startswith("1 gap between clouds, the longest 0.7 s") for words in told)


def test_a_cloud_that_is_none_is_left_out_and_told(tmp_path: Path) -> None:
    def work(maker: Maker) -> None:
        fill_clouds(maker, 2)
        fields = [maker._made("sensor_msgs/msg/PointField", "q", 0, 7, 1)]
        header = maker._header(START + 2 * STEP, "lidar")
        data = np.zeros(12, np.uint8)
        maker.put(
            CLOUD_TYPE,
            "/points",
            maker._made(CLOUD_TYPE, header, 1, 3, fields, False, 4, 12, data, True),
            START,
        )
        maker._writer.add_message(maker._channels[CLOUD_TYPE], START, b"\x00\x01\x00\x00nothing", START)
        maker.cloud(START + 4 * STEP, cloud(4))

    with open_recording(make(tmp_path / "bad.mcap", work)) as opened:
        assert [frame.index for frame in opened.frames()] == [0, 1, 4]
        told = opened.faults
    assert any("cloud 2 is left out" in words and "no field x, y, z" in words for words in told)
    assert any("cloud 3 is left out" in words for words in told)


def test_an_empty_recording(tmp_path: Path) -> None:
    def poses_alone(maker: Maker) -> None:
        maker.pose(START, drive().poses[0])

    with pytest.raises(RecordingError, match="no topic with clouds"):
        open_recording(make(tmp_path / "poses.mcap", poses_alone))
    with pytest.raises(RecordingError, match="types in it: none"):
        open_recording(make(tmp_path / "empty.mcap", lambda maker: None))


def test_topics(tmp_path: Path) -> None:
    def work(maker: Maker) -> None:
        fill_clouds(maker)
        maker._channels.pop(CLOUD_TYPE)
        maker._topics[CLOUD_TYPE] = "/other"
        maker.cloud(START, cloud(0))
        maker.pose(START, drive().poses[0])

    made = make(tmp_path / "two.mcap", work)
    for topic, words in [
        (None, "clouds on several topics, /points, /other: choose one"),
        ("/none", "topic /none is not in it: topics with clouds are /points, /other"),
        ("/odometry", "has messages of type nav_msgs/msg/Odometry"),
    ]:
        with pytest.raises(RecordingError, match=words):
            open_recording(made, topic=topic)
    with open_recording(made, topic="other") as opened:
        assert (opened.topic, opened.count) == ("/other", 1)


@pytest.mark.parametrize("kind", ["sqlite3", "first"])
def test_damage_where_no_checksum_tells(kind: str, made: dict[str, Path], tmp_path: Path) -> None:
    """Whatever happens, it ends, with one line; cut at ten places, and a byte in ten changed."""
    source = made[kind]
    file = next(source.glob("*.db3")) if source.is_dir() else source
    data = file.read_bytes()
    rng = np.random.default_rng(1)
    for k in range(20):
        damaged = bytearray(data[: len(data) * (k + 1) // 11] if k < 10 else data)
        if k >= 10:
            damaged[int(rng.integers(len(data)))] ^= 0xFF
        target = tmp_path / str(k)
        if source.is_dir():
            shutil.copytree(source, target)
            (target / file.name).write_bytes(damaged)
        else:
            target = target.with_suffix(".bag")
            target.write_bytes(damaged)
        try:
            with open_recording(target) as opened:
                seen = [frame.index for frame in opened.frames()]
                assert len(seen) <= COUNT
        except flatten.FlattenError as error:
            assert len(str(error).splitlines()) == 1 and target.name in str(error)


def test_folders_that_lack_something(made: dict[str, Path], tmp_path: Path) -> None:
    folder = shutil.copytree(made["mcap"], tmp_path / "bag")
    (folder / "metadata.yaml").write_text("no: [such, thing]")
    with open_recording(folder) as opened:
        assert len(list(opened.frames())) == COUNT
        assert any("metadata.yaml cannot be read" in words for words in opened.faults)
    (folder / "metadata.yaml").unlink()
    with open_recording(folder) as opened:
        assert opened.count == COUNT
    for file in folder.iterdir():
        file.unlink()
    (folder / "metadata.yaml").write_text("rosbag2_bagfile_information: {storage_identifier: mcap}")
    with pytest.raises(RecordingError, match="without its files"):
        open_recording(folder)


@pytest.mark.parametrize("name", ["none.mcap", "none.bag", "none.db3"])
def test_a_text_called_so(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_text("x y z\n" * 30)
    with pytest.raises(RecordingError, match=r"is no|is none|cannot be read") as told:
        open_recording(path)
    assert len(str(told.value).splitlines()) == 1
    with pytest.raises((RecordingError, CloudError), match="no such file"):
        open_recording(tmp_path / f"other{path.suffix}")


# ---------------------------------------------------------------- folders of clouds


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("clouds")
    for k in (2, 0, 1):
        nanoseconds = START + k * STEP
        np.save(made / f"{nanoseconds // 10**9}.{nanoseconds % 10**9:09d}.npy", cloud(k).xyz)
    return made


def test_cloud_files_with_times_in_their_names(folder: Path) -> None:
    with open_recording(folder, poses=drive()) as opened:
        assert (opened.kind, opened.count, opened.start) == ("folder of clouds", 3, START)
        assert [frame.time for frame in opened.frames()] == [START + k * STEP for k in range(3)]
        assert isinstance(opened.trajectory, Trajectory) and opened.faults == ()
        assert np.array_equal(opened.read(opened.marks()[2]).cloud.xyz, cloud(2).xyz)


def test_cloud_files_with_a_table(tmp_path: Path) -> None:
    for name in ("b", "a"):
        np.save(tmp_path / f"{name}.npy", np.ones((3, 3)))
    with open_recording(tmp_path) as opened:
        assert [frame.time for frame in opened.frames()] == [0, 0]
        assert "2 of 2 clouds have no time" in opened.faults[0]
    (tmp_path / "times.csv").write_text("name,time\na.npy,2.5\nb,1.25 # seconds\n")
    with open_recording(tmp_path) as opened:
        assert [frame.time for frame in opened.frames()] == [1_250_000_000, 2_500_000_000]
        assert opened.faults == ()
    (tmp_path / "times.csv").write_text("name,time\na.npy,soon\n")
    with pytest.raises(RecordingError, match=r"times.csv:2: 'soon' is no time"):
        open_recording(tmp_path)
    with pytest.raises(RecordingError, match="no topics"):
        open_recording(tmp_path / "a.npy", topic="/points")


# ---------------------------------------------------------------- writing


def test_writing_refuses_and_leaves_nothing(tmp_path: Path) -> None:
    path = tmp_path / "drive.mcap"
    write_recording(path, clouds(1))
    before = path.read_bytes()
    with pytest.raises(OutputError, match="is there already"):
        write_recording(path, clouds(2))

    def failing() -> Iterator[tuple[int, Cloud]]:
        yield from clouds(1)
        raise ValueError("no more")

    with pytest.raises(OutputError):
        write_recording(path, failing(), overwrite=True)
    assert path.read_bytes() == before and list(tmp_path.iterdir()) == [path]
    with pytest.raises(OutputError, match=r"\.mcap"):
        write_recording(tmp_path / "drive.bag", clouds(1))


def test_the_same_is_written_to_the_byte(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_recording(tmp_path / f"{name}.mcap", clouds(3), drive(), MOUNT)
    assert (tmp_path / "a.mcap").read_bytes() == (tmp_path / "b.mcap").read_bytes()
