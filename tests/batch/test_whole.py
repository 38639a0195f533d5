"""Recordings to results: what is in them; it depends neither on who made them nor on the pieces."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mcap.reader import make_reader
from mcap_ros2.reader import read_ros2_messages

import flatten
from flatten import State
from flatten.batch import Batch, Order
from flatten.batch.guides import BACK, TWICE
from flatten.batch.messages import ARRAYS, BIN_RECORD
from flatten.recordings.writing import RecordingWriter
from tests.batch import drives
from tests.batch.conftest import FRAMES_WINDOW


def read(path: Path) -> dict[str, list[Any]]:
    """Messages by topic, read by a second library."""
    found: dict[str, list[Any]] = {}
    for message in read_ros2_messages(path):
        found.setdefault(message.channel.topic, []).append(message)
    return found


def bins_of(message: Any) -> Any:
    return np.frombuffer(bytes(message.ros_msg.data), BIN_RECORD)


def test_each_cloud_has_a_scan_a_slice_with_its_own_stamp(made: Path) -> None:
    found = read(made / "drive.mcap")
    for topic in ("/scans/drive", "/scans/walls", "/scans/drive/bins", "/scans/walls/bins"):
        stamps = [m.ros_msg.header.stamp for m in found[topic]]
        times = [stamp.sec * 10**9 + stamp.nanosec for stamp in stamps]
        assert times == [drives.START + k * drives.STEP for k in range(drives.FRAMES)]
        assert {m.ros_msg.header.frame_id for m in found[topic]} == {"fan"}
        assert [m.log_time_ns for m in found[topic]] == times  # the drive was recorded at its stamps


def test_scans_are_those_of_one_flattener_that_sees_all_frames(drive: Path, made: Path) -> None:
    """Both half-ways differ in where their poses count from: 1 µs of seconds at most, 0.5 µm at 0.5 m/s."""
    found, expected = read(made / "drive.mcap"), drives.scans_alone(drive, drives.profile(**FRAMES_WINDOW))
    for name in ("drive", "walls"):
        for k, scans in enumerate(expected):
            scan, records = scans[name], bins_of(found[f"/scans/{name}/bins"][k])
            np.testing.assert_array_equal(records["state"], scan.states)
            message = found[f"/scans/{name}"][k].ros_msg
            np.testing.assert_allclose(message.ranges, scan.ranges, rtol=0, atol=2e-6)
            np.testing.assert_array_equal(message.ranges, records["range"])
            np.testing.assert_array_equal(message.intensities, scan.intensities)
            np.testing.assert_array_equal(records["bearing"], scan.bearings)
            for field, array in ARRAYS.items():
                np.testing.assert_allclose(records[field], getattr(scan, array), rtol=0, atol=5e-6)


def test_ranges_say_what_rep_117_has_for_each_state(made: Path) -> None:
    """REP 117: −inf too close to measure, NaN erroneous or missing, +inf nothing within range."""
    found = read(made / "drive.mcap")
    seen = set()
    for message in found["/scans/drive/bins"]:
        records = bins_of(message)
        for state, holds in (
            (State.HIT, np.isfinite), (State.CLEAR, np.isposinf), (State.TOO_NEAR, np.isneginf),
            (State.BLOCKED, np.isnan), (State.UNSEEN, np.isnan),
        ):  # fmt: skip
            chosen = records["range"][records["state"] == state]
            assert holds(chosen).all()
            seen |= {state} if chosen.size else set()
    assert {State.HIT, State.CLEAR, State.UNSEEN} <= seen


def test_the_fan_and_the_poses_are_there(drive: Path, made: Path) -> None:
    found, given = read(made / "drive.mcap"), read(drive)
    fan = next(
        t for m in found["/tf_static"] for t in m.ros_msg.transforms if t.child_frame_id == "fan"
    )  # fmt: skip
    assert fan.header.frame_id == "base_footprint"
    place = fan.transform.translation
    assert (place.x, place.y, place.z) == (0.3, -0.1, 0.0)  # the mount's x and y, on the floor
    assert len(found["/tf_static"]) == 1 + len(given["/tf_static"])

    def bytes_of(path: Path) -> list[tuple[int, bytes]]:
        with path.open("rb") as stream:
            return [(m.log_time, m.data) for _, _, m in make_reader(stream).iter_messages("/odometry")]

    assert bytes_of(made / "drive.mcap") == bytes_of(drive)


def test_all_checksums_hold(made: Path) -> None:
    with (made / "drive.mcap").open("rb") as stream:
        reader = make_reader(stream, validate_crcs=True)
        summary = reader.get_summary()
        assert summary is not None and summary.statistics is not None
        assert summary.statistics.message_count == sum(1 for _ in reader.iter_messages())
    with flatten.open_recording(made / "drive.mcap", topic="/scans/drive/bins") as opened:
        opened.store.verify()  # type: ignore[attr-defined]
        assert opened.faults == () and opened.count == drives.FRAMES


@pytest.mark.parametrize(
    "sections",
    [{}, FRAMES_WINDOW, {"window": {"seconds": 0.35}}, {"level": "body", "window": {"frames": 2}}],
    ids=["alone", "frames", "seconds", "body"],
)
def test_where_pieces_begin_changes_nothing(drive: Path, tmp_path: Path, sections: dict[str, Any]) -> None:
    """One piece is an uninterrupted run; of shorter ones every array is the same bit for bit."""
    kept = {}
    for seconds in (2, 100):
        folder = tmp_path / str(seconds)
        (result,) = drives.good(
            drives.run([drive], Order(drives.profile(**sections), folder, "npz"), seconds)
        )
        kept[seconds] = [np.load(path) for path in sorted(result.iterdir())]
    assert len(kept[2]) > 3 and len(kept[100]) == 1
    for name in kept[100][0].files:
        parts = [part[name] for part in kept[2]]
        whole = parts[0] if name.endswith("bearings") else np.concatenate(parts)
        assert whole.tobytes() == kept[100][0][name].tobytes(), name


def test_npz_holds_all_arrays_and_the_poses(drive: Path, tmp_path: Path) -> None:
    wanted = drives.profile()
    (result,) = drives.good(drives.run([drive], Order(wanted, tmp_path, "npz"), 100))
    stored = np.load(result / "000000.npz")
    expected = drives.scans_alone(drive, wanted)
    for name in wanted.slices:
        np.testing.assert_array_equal(stored[f"{name}/states"], [s[name].states for s in expected])
        np.testing.assert_array_equal(stored[f"{name}/hits"], [s[name].hits for s in expected])
    at = drives.trajectory().at(stored["times"])
    np.testing.assert_allclose(stored["odom_from_body"], at, atol=1e-9)


def test_a_bag_holds_the_same_messages(drive: Path, made: Path, tmp_path: Path) -> None:
    from rosbags.rosbag2 import Reader

    (bag,) = drives.good(drives.run([drive], Order(drives.profile(**FRAMES_WINDOW), tmp_path, "bag")))
    with Reader(bag) as reader:
        told = [(c.topic, t, bytes(data)) for c, t, data in reader.messages()]
    with (made / "drive.mcap").open("rb") as stream:
        expected = [(c.topic, m.log_time, m.data) for _, c, m in make_reader(stream).iter_messages()]
    assert sorted(told) == sorted(expected)


def test_the_manifest_accounts_for_every_cloud(drive: Path, made: Path) -> None:
    told = json.loads((made / "drive.manifest.json").read_text())
    assert told["clouds"] == told["flattened"] == drives.FRAMES
    assert told["profile"] == drives.profile(**FRAMES_WINDOW).to_dict()
    assert told["input"]["files"][0]["bytes"] == drive.stat().st_size
    assert sum(told["states"]["drive"].values()) == 90 * drives.FRAMES
    assert told["skipped"] == [] and "seconds" not in told


def test_clouds_without_poses_are_skipped_and_told(tmp_path: Path) -> None:
    """Poses end after 2.13 s: of the frames of 0.1 s the last that they cover is number 20."""
    path = tmp_path / "short.mcap"
    drives.write_recording(path, drives.clouds(40), drives.trajectory(20), chunk=20_000)
    (outcome,) = drives.run([path], Order(drives.profile(), tmp_path / "out"))
    told = outcome.manifest or {}
    assert told["flattened"] == 21 and told["clouds"] == 40
    assert [each["index"] for each in told["skipped"]] == list(range(21, 40))
    assert all("pose" in each["why"] for each in told["skipped"])


def test_poses_out_of_order_are_told(drive: Path, tmp_path: Path) -> None:
    """Odometry whose stamps go back once and come twice once, by a writer that knows no order."""
    path, poses = tmp_path / "torn.mcap", drives.trajectory(20)
    times = poses.times.copy()
    times[40], times[60] = times[30], times[59]
    with path.open("wb") as stream, RecordingWriter(stream) as writer:
        stamped = sorted(
            [(t, k, None) for k, t in enumerate(poses.times)]
            + [(t, k, c) for k, (t, c) in enumerate(drives.clouds(20))],
            key=lambda row: row[0],
        )
        for logged, k, cloud in stamped:
            if cloud is None:
                writer.pose(int(times[k]), poses.poses[k], int(logged))
            else:
                writer.cloud(int(logged), cloud)
    (outcome,) = drives.run([path], Order(drives.profile(), tmp_path / "out"))
    told = outcome.manifest or {}
    assert told["input"]["faults"] == [f"1 {BACK}", f"1 {TWICE}"] and told["flattened"] == 20


def test_without_poses_the_body_counts_as_level(tmp_path: Path) -> None:
    path = drives.record(tmp_path / "still.mcap", 10, poses=False)
    (result,) = drives.good(drives.run([path], Order(drives.profile(), tmp_path / "out", "npz")))
    stored = np.load(result / "000000.npz")
    flattener = flatten.Flattener(drives.profile())
    expected = [flattener.flatten(cloud) for _, cloud in drives.clouds(10)]
    np.testing.assert_array_equal(stored["drive/ranges"], [s["drive"].ranges for s in expected])


def test_untimed_clouds_get_the_attitude_of_their_stamp(tmp_path: Path) -> None:
    path = drives.record(tmp_path / "untimed.mcap", 30, timed=False)
    (result,) = drives.good(drives.run([path], Order(drives.profile(), tmp_path / "out", "npz")))
    stored = np.concatenate([np.load(part)["drive/ranges"] for part in sorted(result.iterdir())])
    flattener, poses = flatten.Flattener(drives.profile()), drives.trajectory(30)
    for ranges, (time, cloud) in zip(stored, drives.clouds(30, timed=False), strict=True):
        expected = flattener.flatten(cloud, poses.attitude(time))["drive"].ranges
        np.testing.assert_allclose(ranges, expected, rtol=0, atol=2e-6)


def test_folders_of_clouds_are_recordings_too(tmp_path: Path) -> None:
    folder = tmp_path / "walk"
    folder.mkdir()
    for time, cloud in drives.clouds(7):
        np.save(folder / f"{time}.npy", np.stack([cloud.x, cloud.y, cloud.z], axis=1))
    (result,) = drives.good(drives.run([folder], Order(drives.profile(), tmp_path / "out")))
    flattener = flatten.Flattener(drives.profile(), fields={"ranges"})
    found = read(result)["/scans/drive"]
    assert len(found) == 7
    for message, (_, cloud) in zip(found, drives.clouds(7), strict=True):
        bare = flatten.Cloud(cloud.x, cloud.y, cloud.z)
        expected = flattener.flatten(bare)["drive"]
        np.testing.assert_array_equal(message.ros_msg.ranges, expected.ranges)


def test_one_bad_recording_does_not_stop_the_others(drive: Path, made: Path, tmp_path: Path) -> None:
    (tmp_path / "empty.mcap").touch()
    (tmp_path / "words.mcap").write_text("pots and pipes\n")
    window = drives.record(tmp_path / "still.mcap", 5, poses=False)
    sources = [
        tmp_path / "empty.mcap",
        tmp_path / "words.mcap",
        tmp_path / "none.mcap",
        window,
        drive,
        drive.parent / "drive.mcap",
    ]
    outcomes = drives.run(sources, Order(drives.profile(**FRAMES_WINDOW), tmp_path / "out"))
    errors = {outcome.source: outcome.error for outcome in outcomes if outcome.error}
    assert len(outcomes) == 6 and len(errors) == 5
    assert "poses" in errors[window]
    assert all("\n" not in words and str(source) in words for source, words in errors.items())
    assert (tmp_path / "out" / "drive.mcap").read_bytes() == (made / "drive.mcap").read_bytes()


def test_what_is_there_is_neither_made_twice_nor_lost(drive: Path, tmp_path: Path) -> None:
    order = Order(drives.profile(), tmp_path)
    drives.good(drives.run([drive], order))
    before = (tmp_path / "drive.mcap").stat()
    (again,) = drives.run([drive], order)
    assert again.earlier and (tmp_path / "drive.mcap").stat() == before
    other = Order(drives.profile(reach={"near": 0.3, "far": 9.0}), tmp_path)
    (refused,) = drives.run([drive], other)
    assert "is there already" in refused.error and (tmp_path / "drive.mcap").stat() == before
    allowed = Order(other.profile, tmp_path, overwrite=True)
    drives.good(drives.run([drive], allowed))
    assert (tmp_path / "drive.mcap").stat().st_ino != before.st_ino


def test_the_recording_itself_is_never_written_over(drive: Path) -> None:
    (outcome,) = drives.run([drive], Order(drives.profile(), drive.parent, overwrite=True))
    assert "the recording itself" in outcome.error


def test_two_runs_do_not_work_on_one_recording(drive: Path, tmp_path: Path) -> None:
    order = Order(drives.profile(), tmp_path)
    first = Batch([drive], order)
    second = Batch([drive], order)
    assert "another run" in second.outcomes[0].error
    drives.good(list(first.run()))


def test_neither_jobs_nor_damage_change_what_they_do_not_touch(
    drive: Path, made: Path, tmp_path: Path
) -> None:
    """A damaged recording and a sound one, by one process and by two: the same bytes; the damage is told."""
    data = bytearray(drive.read_bytes())
    data[len(data) // 2] ^= 0xFF
    (tmp_path / "hurt.mcap").write_bytes(data)
    found = []
    for jobs in (1, 2):
        order = Order(drives.profile(**FRAMES_WINDOW), tmp_path / str(jobs))
        outcomes = drives.run([tmp_path / "hurt.mcap", drive], order, jobs=jobs)
        drives.good(outcomes)
        found.append(drives.results(order.folder))
    assert found[0] == found[1]
    assert {name: found[0][name] for name in drives.results(made)} == drives.results(made)
    told = json.loads(found[0]["hurt.manifest.json"])
    assert any("chunk" in words for words in told["input"]["faults"])
    assert drives.FRAMES - 12 < told["clouds"] < drives.FRAMES


def test_scans_of_the_companion_say_all_that_a_scan_says() -> None:
    """Intensities are in the planar scan; counts are of the frame; all else that is an array is here."""
    assert set(flatten.scan.FIELDS) - set(ARRAYS.values()) == {"intensities", "bearings"}
