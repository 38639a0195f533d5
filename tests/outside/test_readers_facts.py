"""Facts of formats that have no second reader of their own: KITTI, NPY and plain text."""

import struct

import numpy as np
import pytest

from flatten.files import read_cloud
from tests.files import samples


def test_kitti_record(tmp_path):
    """KITTI raw data readme: N × 4 little-endian float32 x, y, z, reflectance, no header."""
    content = struct.pack("<8f", 1.5, -2.5, 0.25, 0.5, 70.0, 3.0, -1.75, 0.0)
    cloud = read_cloud(samples.put(tmp_path, "0000000000.bin", content))
    np.testing.assert_array_equal(cloud.xyz, [[1.5, -2.5, 0.25], [70.0, 3.0, -1.75]])
    np.testing.assert_array_equal(cloud.intensity, [0.5, 0.0])


def test_arrays_that_open3d_saved(tmp_path):
    """A tensor that Open3D saves as NPY."""
    o3d = pytest.importorskip("open3d", reason="the desk part is not installed")
    points = np.random.default_rng(4).normal(size=(50, 3)).astype(np.float32)
    o3d.core.Tensor(points).save(str(tmp_path / "a.npy"))
    np.testing.assert_array_equal(read_cloud(tmp_path / "a.npy").xyz, points)


def test_text_against_open3d(tmp_path):
    """A file of x y z rows is the xyz format of Open3D as well."""
    o3d = pytest.importorskip("open3d", reason="the desk part is not installed")
    points = np.random.default_rng(4).normal(size=(50, 3))
    path = samples.put(
        tmp_path, "a.xyz", "".join(f"{x!r} {y!r} {z!r}\n" for x, y, z in points.tolist()).encode()
    )
    other = o3d.io.read_point_cloud(str(path))
    np.testing.assert_array_equal(read_cloud(path).xyz, np.asarray(other.points))
