"""Recordings against sources outside the project.

The MCAP specification (magic, opcodes), the libraries mcap and mcap-ros2-support as second readers, the CDR
encoding (OMG XTypes) for sizes on the wire, and trajectories among the test data of the package evo.
"""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from mcap.reader import make_reader
from mcap_ros2.decoder import DecoderFactory

from flatten import Cloud, open_recording, read_trajectory
from flatten.errors import MotionError
from tests.outside.open_data import sdist_folder
from tests.recordings.made import COUNT, MOUNT, START, STEP, cloud, clouds, drive, recording, written

MAGIC = bytes([0x89, 0x4D, 0x43, 0x41, 0x50, 0x30, 0x0D, 0x0A])
"""MCAP specification: at both ends of a file."""


@pytest.mark.parametrize("compression", ["zstd", "lz4", ""])
def test_a_second_library_reads_what_was_written(compression: str) -> None:
    """mcap reads the records, mcap-ros2-support the messages, by the definitions within the file."""
    data = recording(compression=compression, chunk=4000)
    assert data.startswith(MAGIC) and data.endswith(MAGIC)
    reader = make_reader(io.BytesIO(data), validate_crcs=True, decoder_factories=[DecoderFactory()])
    assert reader.get_header().profile == "ros2"
    seen: dict[str, list] = {}
    for _, channel, message, content in reader.iter_decoded_messages():
        seen.setdefault(channel.topic, []).append((message.log_time, content))
    assert {topic: len(rows) for topic, rows in seen.items()} == {
        "/tf_static": 1, "/odometry": 4 * COUNT + 16, "/points": COUNT,
    }  # fmt: skip
    for (logged, content), (time, wanted) in zip(seen["/points"], clouds(), strict=True):
        stamp = content.header.stamp
        assert logged == stamp.sec * 10**9 + stamp.nanosec == time
        read = Cloud.from_message(content)
        assert np.array_equal(read.x, wanted.x) and np.array_equal(read.time, wanted.time)
    for (logged, content), time, pose in zip(seen["/odometry"], drive().times, drive().poses, strict=True):
        place, turn = content.pose.pose.position, content.pose.pose.orientation
        assert (logged, content.header.frame_id, content.child_frame_id) == (time, "odom", "base_link")
        assert [place.x, place.y, place.z, turn.x, turn.y, turn.z, turn.w] == pose.tolist()
    (_, content), *_ = seen["/tf_static"]
    move = content.transforms[0].transform.translation
    assert [move.x, move.y, move.z] == MOUNT[:3, 3].tolist()


def test_sizes_on_the_wire() -> None:
    """CDR by hand: 4 bytes of encapsulation, then every number aligned to its size, from there on.

    PointCloud2: stamp 8; "lidar" 4 + 6; height, width aligned 2 + 8; fields: count 4, each name 4 + n + 1 and
    offset 4 (aligned), datatype 1, count 4 (aligned); is_bigendian 1; steps 8 (aligned); data 4 + n; dense 1.
    Odometry: stamp 8; "odom" 4 + 5; "base_link" 4 + 10 (aligned by 3); doubles aligned to 8: 7 + 36 + 6 + 36.
    """
    at = 8 + 4 + 6
    at = -(-at // 4) * 4 + 8 + 4
    for name in ("x", "y", "z", "intensity", "time"):
        at = -(-at // 4) * 4 + 4 + len(name) + 1
        at = -(-at // 4) * 4 + 4 + 1
        at = -(-at // 4) * 4 + 4
    at = -(-(at + 1) // 4) * 4 + 8 + 4 + 60 * 20 + 1
    odometry = 8 + 4 + 5
    odometry = -(-odometry // 4) * 4 + 4 + 10
    odometry = -(-odometry // 8) * 8 + 8 * (7 + 36 + 6 + 36)
    sizes: dict[str, set[int]] = {}
    for _, channel, message in make_reader(io.BytesIO(recording(2))).iter_messages():
        sizes.setdefault(channel.topic, set()).add(len(message.data))
    assert sizes["/points"] == {4 + at}
    assert sizes["/odometry"] == {4 + odometry}


def test_every_chunk_has_its_checksum() -> None:
    """MCAP specification: the chunk's CRC-32 is that of its unpacked records; here they are not packed."""
    data, at, chunks = recording(compression="", chunk=4000), len(MAGIC), 0
    while True:
        opcode, length = struct.unpack_from("<BQ", data, at)
        if opcode == 0x06:
            _, _, size, crc, named = struct.unpack_from("<QQQII", data, at + 9)
            begin = at + 9 + 32 + named + 8
            assert crc == zlib.crc32(data[begin : begin + size]) != 0
            chunks += 1
        if opcode == 0x0F:  # DataEnd: the CRC-32 of all bytes before it
            assert struct.unpack_from("<I", data, at + 9)[0] == zlib.crc32(data[:at]) != 0
            break
        at += 9 + length
    assert chunks > 5


def test_the_other_reader_reads_the_same(tmp_path: Path) -> None:
    """rosbags opens the file by itself and gives the same bytes in the same order."""
    from rosbags.rosbag2 import Reader

    path = written(tmp_path / "drive.mcap")
    with Reader(path) as reader, open_recording(path) as opened:
        wanted = [c for c in reader.connections if c.topic == "/points"]
        theirs = [(logged, bytes(data)) for _, logged, data in reader.messages(wanted)]
        ours = [(message.logged, bytes(message.data)) for message in opened.store.messages(["/points"])]  # type: ignore[attr-defined]
    assert ours == theirs and ours[3][0] == START + 3 * STEP and len(cloud(0)) == 60


# ---------------------------------------------------------------- trajectories that others recorded


@pytest.fixture(scope="module")
def evo() -> Path:
    return sdist_folder("evo", "1.31.1")


def twin(path: Path) -> np.ndarray:
    return np.loadtxt(path, comments="#")


@pytest.mark.network
def test_tum_trajectories(evo: Path) -> None:
    read = lost = 0
    for path in sorted(evo.rglob("data/*.txt")) + sorted(evo.rglob("data/*.tum")):
        rows = twin(path)
        if rows.ndim != 2 or rows.shape[1] != 8:
            continue
        found = read_trajectory(path)
        # one file has four stamps twice and another one, some with other poses: found, and told
        later = np.append(True, rows[1:, 0] > np.maximum.accumulate(rows[:, 0])[:-1])
        lost += int((~later).sum())
        assert len(found) == later.sum() and bool(found.faults) >= (not later.all())
        # times as text to the nanosecond; float64 seconds know them to 238 ns
        assert np.abs(found.times / 1e9 - rows[later, 0]).max() < 5e-7
        assert found.poses[:, :3] == pytest.approx(rows[later, 1:4], abs=0)
        read += 1
    assert read >= 2 and lost == 5


@pytest.mark.network
def test_kitti_trajectories(evo: Path, tmp_path: Path) -> None:
    read = 0
    for path in sorted(evo.rglob("data/*KITTI*")):
        rows = twin(path)
        if rows.ndim != 2 or rows.shape[1] != 12:
            continue
        if not (path.parent / "times.txt").exists():
            with pytest.raises(MotionError, match="no times"):
                read_trajectory(path)
        times = tmp_path / "times.txt"
        times.write_text("\n".join(f"{0.1 * k:.1f}" for k in range(len(rows))))
        found = read_trajectory(path, times=times)
        assert found.poses[:, :3] == pytest.approx(rows.reshape(-1, 3, 4)[:, :, 3], abs=0)
        read += 1
    assert read >= 1
