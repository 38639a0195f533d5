"""The rough sample clouds: made again they are the same, and their truth is that of their places."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np
import pytest

from flatten.motion import Motion
from flatten.profile import Profile
from flatten.samples import What, list_rough, read_rough_truth, sample_folder
from flatten.scene import rough_samples, rover, sample_files, samples
from flatten.scene.outdoors import Outdoors
from flatten.scene.rough_list import ROUGH, RoughSample
from flatten.tuning.poses import read_poses

FOLDER = sample_folder()
LISTED = {sample.name: sample for sample in list_rough()}
STANDING = [sample for sample in ROUGH if not sample.moves]
MOVING = [sample for sample in ROUGH if sample.moves]


def named(sample: RoughSample) -> str:
    return sample.name


def test_the_folder_holds_what_its_list_says() -> None:
    there = {path.name for path in (FOLDER / "rough").iterdir()}
    assert there == {path.name for path in rough_samples.targets(FOLDER)}
    assert set(LISTED) == {sample.name for sample in ROUGH}
    for sample in LISTED.values():
        assert sample.cloud.is_file() and len(sample.ways) == 2
        assert (sample.poses is not None) == any(way.motion for way in sample.ways)
        for way in sample.ways:
            Profile.load(sample.profile, dict(way.settings))


@pytest.mark.parametrize("sample", [ROUGH[0], ROUGH[-1]], ids=named)
def test_made_again_it_is_the_same(sample: RoughSample) -> None:
    assert list(rough_samples.differences(FOLDER, [sample])) == []


def test_differences_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(FOLDER, copy)
    shutil.copy(copy / "rough" / "gravel.pcd", copy / "rough" / "kerb_crossing.pcd")
    with np.load(copy / "rough" / "truth.npz") as packed:
        arrays = dict(packed)
    arrays["kerb_crossing/what"] = np.roll(arrays["kerb_crossing/what"], 5)
    np.savez_compressed(copy / "rough" / "truth.npz", **arrays)
    poses = copy / "rough" / "turn.poses.txt"
    poses.write_text(poses.read_text().replace("0.1", "0.2", 1))
    assert samples.main([str(copy), "--check", "--only", "kerb_crossing", "--only", "turn"]) == 1
    told = capsys.readouterr().out
    assert "rough/kerb_crossing.pcd" in told and "kerb_crossing/what" in told and "turn.poses.txt" in told
    assert "gravel" not in told


@pytest.mark.parametrize("sample", STANDING, ids=named)
def test_what_returns_are_agrees_with_where_they_lie(sample: RoughSample) -> None:
    """Floor lies on the ground's surface, by its closed form, but for noise and stones; ghosts below it."""
    place = sample.place()
    assert isinstance(place, Outdoors)
    what = read_rough_truth(LISTED[sample.name]).what
    columns = sample_files.read_columns(LISTED[sample.name].cloud)
    assert what is not None and what.shape == columns["x"].shape
    mount = rover.layout_of("rover.yaml")[0]
    world = place.stance.world_from_body @ mount.body_from_sensor
    points = np.stack([columns[axis] for axis in "xyz"], axis=1).astype(np.float64)
    x, y, z = (points @ world[:3, :3].T + world[:3, 3]).T
    over = z - place.ground.height(x, y)
    floor = np.isin(what, (What.FLOOR, What.TERRACE))
    assert floor.sum() > 3000
    # range noise of 10 mm, five sigma, and stones of 10 mm; noise may carry a return past an edge
    assert np.mean(np.abs(over[floor]) < 0.06) > 0.995
    assert (over[what == What.THING] > 0.1 - 0.05).mean() > 0.99
    assert not np.any(over[what == What.GHOST] > 0.0)
    assert (what == What.GHOST).any() == (sample.name == "wet_patch")
    assert (what == What.GRASS).any() == (sample.name == "grass")
    assert (what == What.TERRACE).any() == (sample.name == "kerb_crossing")


def test_edges_lie_where_the_dock_ends() -> None:
    """The dock's edge is the line x = 2.4 m of the world, where the rover stands at the origin."""
    edges = read_rough_truth(LISTED["dock_drop"]).edges
    assert edges is not None
    mount, _, fan = rover.layout_of("rover.yaml")
    bearing = fan.bearings(2)[1::2]
    ahead = np.abs(bearing) < math.radians(30.0)
    np.testing.assert_allclose(
        edges.nearest[ahead],
        (2.4 - mount.x) / np.cos(bearing[ahead]),
        atol=0.02,  # the bin's own width
    )
    assert edges.seen[ahead].mean() > 0.6
    flat = read_rough_truth(LISTED["gravel"]).edges
    assert flat is not None and np.isinf(flat.nearest).all()


@pytest.mark.parametrize("sample", MOVING, ids=named)
def test_with_its_poses_a_moving_cloud_lies_on_its_place(sample: RoughSample) -> None:
    """Returns of walls and floor, each by the pose of its own time: on the true surfaces but for noise."""
    path = LISTED[sample.name].poses
    assert path is not None
    motion = read_poses(path)
    columns = sample_files.read_columns(LISTED[sample.name].cloud)
    times = columns["time"].astype(np.float64) + 1.0 / 200.0  # poses begin one step before the frame
    poses = motion.matrices(times) @ rover.layout_of("rover.yaml")[0].body_from_sensor
    points = np.stack([columns[axis] for axis in "xyz"], axis=1).astype(np.float64)
    x, y, z = (np.einsum("nij,nj->ni", poses[:, :3, :3], points) + poses[:, :3, 3]).T
    # the shed is 16 m × 10 m, its walls' faces 6 cm before their middle lines, the floor at 0
    inside = (np.abs(x) < 8.0) & (np.abs(y) < 5.0)
    gap = np.minimum(np.minimum(7.94 - np.abs(x), 4.94 - np.abs(y)), z)
    assert inside.mean() > 0.999
    assert np.mean(gap > -0.05) > 0.995
    assert isinstance(motion, Motion)


def test_kinds_are_written_for_the_returns_of_the_file() -> None:
    """Made on another processor single beams may be missing: kinds and file are of one making."""
    for sample in LISTED.values():
        truth = read_rough_truth(sample)
        if truth.what is not None:
            assert len(truth.what) == len(sample_files.read_columns(sample.cloud)["x"])
        else:
            assert set(truth.slices) == set(Profile.load(sample.profile).slices)
