"""PLY against other readers: Open3D, and meshio (MIT)."""

import numpy as np
import pytest

from flatten.files import read_cloud
from tests.files import samples
from tests.outside.open_data import sdist_folder

LAYOUTS = ["ascii", "binary_little_endian", "binary_big_endian"]


def made(dtype="f4", count=300):
    random = np.random.default_rng(8)
    table = np.zeros(count, [("x", dtype), ("y", dtype), ("z", dtype), ("intensity", "f4")])
    for name in "xyz":
        table[name] = random.normal(0, 20, count)
    table["intensity"] = random.integers(0, 255, count)
    return table


def meshio_points(path):
    meshio = pytest.importorskip("meshio", reason="meshio is not installed")
    return meshio.read(path)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("dtype", ["f4", "f8"])
def test_second_reader_reads_the_same(tmp_path, layout, dtype):
    path = samples.put(tmp_path, "a.ply", samples.ply(made(dtype), layout))
    cloud, mesh = read_cloud(path), meshio_points(path)
    np.testing.assert_array_equal(cloud.xyz, mesh.points)
    np.testing.assert_array_equal(cloud.intensity, mesh.point_data["intensity"])


@pytest.mark.parametrize("layout", LAYOUTS)
def test_open3d_reads_the_same(tmp_path, layout):
    o3d = pytest.importorskip("open3d", reason="the desk part is not installed")
    path = samples.put(tmp_path, "a.ply", samples.ply(made(), layout))
    other = o3d.t.io.read_point_cloud(str(path)).point
    cloud = read_cloud(path)
    np.testing.assert_array_equal(cloud.xyz, other["positions"].numpy())
    np.testing.assert_array_equal(cloud.intensity, other["intensity"].numpy().reshape(-1))


@pytest.mark.parametrize("ascii_", [True, False])
def test_files_that_open3d_wrote(tmp_path, ascii_):
    o3d = pytest.importorskip("open3d", reason="the desk part is not installed")
    table = made()
    cloud = o3d.t.geometry.PointCloud(np.column_stack([table[axis] for axis in "xyz"]))
    cloud.point["intensity"] = np.ascontiguousarray(table["intensity"]).reshape(-1, 1)
    o3d.t.io.write_point_cloud(str(tmp_path / "a.ply"), cloud, write_ascii=ascii_)
    ours = read_cloud(tmp_path / "a.ply")
    for name in ("x", "y", "z", "intensity"):
        # Open3D writes the text of a float32 with 6 digits after the point, magnitudes below 100
        np.testing.assert_allclose(getattr(ours, name), table[name], rtol=0, atol=5e-5 if ascii_ else 0)


@pytest.mark.parametrize("binary", [True, False])
def test_meshes_that_the_second_library_wrote(tmp_path, binary):
    meshio = pytest.importorskip("meshio", reason="meshio is not installed")
    points = np.random.default_rng(1).normal(size=(6, 3))
    mesh = meshio.Mesh(points, [("triangle", [[0, 1, 2]]), ("quad", [[2, 3, 4, 5]])])
    mesh.write(tmp_path / "a.ply", binary=binary)
    np.testing.assert_array_equal(read_cloud(tmp_path / "a.ply").xyz, points)


@pytest.mark.network
@pytest.mark.parametrize("name", ["source", "target"])
def test_published_scan(name):
    """A frame of a 32-beam sensor, 69 k returns, that comes with small_gicp 1.0.1 (MIT)."""
    path = sdist_folder("small_gicp", "1.0.1") / "data" / f"{name}.ply"
    cloud, mesh = read_cloud(path), meshio_points(path)
    np.testing.assert_array_equal(cloud.xyz, mesh.points)
    assert 69_000 < len(cloud) < 70_000
