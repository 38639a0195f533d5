"""The sample clouds: made again they are the same, and what is different is told."""

from __future__ import annotations

import math
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from flatten import scene
from flatten.errors import CloudError
from flatten.profile import Profile
from flatten.samples import sample_folder
from flatten.scene import rover, sample_files, samples
from flatten.scene.sample_list import SAMPLES, SENSORS, Sample, make, sample_place, truth_of

FOLDER = sample_folder()
PLACE = sample_place()
BY_NAME = {sample.name: sample for sample in SAMPLES}


@pytest.mark.parametrize("name", ["yard", "aisle_rotating"])
def test_one_cloud_made_again(name: str) -> None:
    here = sample_files.columns_of(make(BY_NAME[name], PLACE))
    there = sample_files.read_columns(FOLDER / f"{name}.pcd")
    assert sample_files.compare(there, here) == ""
    # the same count but for beams within float32 of an edge
    assert abs(len(there["x"]) - len(here["x"])) <= sample_files.STRAYS * len(here["x"])


def test_truth_of_one_cloud_made_again() -> None:
    with np.load(FOLDER / "truth.npz") as packed:
        for key, here in truth_of(BY_NAME["kerb"], PLACE).items():
            there = packed[f"kerb/{key}"]
            np.testing.assert_array_equal(np.isinf(there), np.isinf(here))
            np.testing.assert_allclose(there, here, atol=1e-3)


def test_whole_folder_made_again() -> None:
    assert samples.main([str(FOLDER), "--check"]) == 0


def test_differences_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(FOLDER, copy)
    (copy / "rover.yaml").write_text("robot: {}\n")
    shutil.copy(copy / "yard.pcd", copy / "aisle.pcd")
    with np.load(FOLDER / "truth.npz") as packed:
        arrays = dict(packed)
    arrays["kerb/drive/nearest"][:10] += 0.002
    np.savez_compressed(copy / "truth.npz", **arrays)
    assert samples.main([str(copy), "--check", "--only", "aisle", "--only", "kerb"]) == 1
    told = capsys.readouterr().out
    assert "rover.yaml" in told and "aisle.pcd" in told and "kerb.pcd" not in told
    assert "kerb/drive/nearest: 10 of 1440" in told


def test_clouds_are_compared_return_by_return() -> None:
    whole = sample_files.read_columns(FOLDER / "dust.pcd")
    moved = np.where(np.arange(len(whole["x"])) % 100 == 0, 0.002, 0.0).astype(np.float32)
    assert sample_files.compare(whole, whole) == ""
    assert "returns differ" in sample_files.compare({**whole, "x": whole["x"] + moved}, whole)
    assert "50 of them" in sample_files.compare({key: values[50:] for key, values in whole.items()}, whole)


def test_nothing_is_overwritten_unless_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "kerb.pcd").write_bytes(b"mine")
    assert samples.main([str(tmp_path)]) == 2
    assert "--overwrite" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["kerb.pcd"]
    assert samples.main([str(tmp_path / "none"), "--check"]) == 2
    with pytest.raises(CloudError, match=r"kerb\.pcd"):
        sample_files.read_columns(tmp_path / "kerb.pcd")


def test_folder_holds_what_its_list_says() -> None:
    listed = yaml.safe_load((FOLDER / "clouds.yaml").read_text(encoding="utf-8"))
    assert {entry["file"] for entry in listed} == {path.name for path in FOLDER.glob("*.pcd")}
    assert len(listed) >= 12 and {entry["sensor"] for entry in listed} == {"rosette", "rotating"}
    assert sum(path.stat().st_size for path in FOLDER.rglob("*.*")) < 12e6
    with np.load(FOLDER / "truth.npz") as packed:
        for entry in listed:
            angles = [math.radians(entry["attitude"][key]) for key in ("roll", "pitch")]
            np.testing.assert_array_equal(packed[f"{Path(entry['file']).stem}/attitude"], angles)


@pytest.mark.parametrize("name", sorted(rover.PROFILES))
def test_profiles_load_and_agree_with_the_truth(name: str) -> None:
    profile = Profile.load(FOLDER / name)
    assert profile.warnings == ()
    mount, slices, fan = rover.layout_of(name)
    assert scene.Mount.of(profile) == mount and scene.Fan.of(profile) == fan
    assert {key: scene.Slice.of(band) for key, band in profile.slices.items()} == slices


@pytest.mark.parametrize("name", ["mast_and_edges", "pipes"])
def test_blind_zones_hold_the_own_solids(name: str) -> None:
    sample = BY_NAME[name]
    shot = make(sample, PLACE)
    profile = Profile.load(FOLDER / SENSORS[sample.sensor][1])
    matrix = scene.Mount.of(profile).body_from_sensor
    body = shot.cloud.xyz[shot.labels == scene.OWN_ROBOT] @ matrix[:3, :3].T + matrix[:3, 3]
    assert len(body) > 500
    held = np.zeros(len(body), bool)
    for zone in profile.blind_zones:
        held |= in_zone(zone, body, profile.mount)
    # the margin is 4.5 deviations of the range noise
    assert held.all()


def in_zone(zone: Any, body: np.ndarray, mount: Any) -> np.ndarray:
    x, y, z = body.T
    if zone.box is not None:
        sides = zip((x, y, z), (zone.box.x, zone.box.y, zone.box.z), strict=True)
        return np.all([(axis >= low) & (axis <= high) for axis, (low, high) in sides], axis=0)
    part = zone.cylinder if zone.cylinder is not None else zone.sector
    between = (z >= part.z[0]) & (z <= part.z[1])
    if zone.cylinder is not None:
        return between & (np.hypot(x - part.x, y - part.y) <= part.radius)
    bearing = np.degrees(np.arctan2(y - mount.y, x - mount.x))
    distance = np.hypot(x - mount.x, y - mount.y)
    width = (part.last - part.first) % 360
    return (
        between & ((bearing - part.first) % 360 <= width) & (distance >= part.near) & (distance <= part.far)
    )


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda sample: sample.name)
def test_every_cloud_agrees_with_its_truth(sample: Sample) -> None:
    there = sample_files.read_columns(FOLDER / f"{sample.name}.pcd")
    shot = make(sample, PLACE)
    mount, slices, fan = rover.layout_of(SENSORS[sample.sensor][1])
    level_from_sensor = np.linalg.inv(scene.Pose(*sample.pose).world_from_level) @ shot.world_from_sensor
    good = np.isin(np.rint(there["time"] * 2e6), np.rint(shot.cloud.time[shot.labels >= 0] * 2e6))
    points = np.stack([there[axis][good] for axis in "xyz"], axis=1).astype(np.float64)
    level = points @ level_from_sensor[:3, :3].T + level_from_sensor[:3, 3] - [mount.x, mount.y, 0.0]
    ranges, bins = np.hypot(*level[:, :2].T), fan.bin_of(np.arctan2(level[:, 1], level[:, 0]))
    with np.load(FOLDER / "truth.npz") as packed:
        for name, band in slices.items():
            # five deviations of the range noise off the borders: on a ramp 1:12 a little height is much range
            inside = (level[:, 2] >= band.bottom + band.rise * ranges + 0.05) & (
                level[:, 2] < band.top - 0.05
            )
            assert inside.sum() > 50
            nearest, farthest = (packed[f"{sample.name}/{name}/{part}"] for part in ("nearest", "farthest"))
            assert np.all(ranges[inside] >= nearest[bins[inside]] - 0.05)
            assert np.all(ranges[inside] <= farthest[bins[inside]] + 0.05)
