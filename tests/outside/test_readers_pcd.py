"""PCD against other readers: Open3D, and pcd-py (Apache-2.0, in Rust, with an LZF of its own)."""

import numpy as np
import pytest

from flatten import CloudError
from flatten.files import read_cloud
from tests.files import samples
from tests.outside.open_data import sdist_folder

KINDS = ["ascii", "binary", "binary_compressed"]


def made(count=500, seed=3):
    """Returns with a foreign field, intensity and time; large enough for LZF to find repetitions."""
    random = np.random.default_rng(seed)
    table = np.zeros(
        count, [("x", "f4"), ("y", "f4"), ("z", "f4"), ("intensity", "f4"), ("ring", "u2"), ("time", "f8")]
    )
    for name in ("x", "y", "z"):
        table[name] = random.integers(-400, 400, count) / 16
    table["intensity"] = random.integers(0, 255, count)
    table["ring"], table["time"] = np.arange(count) % 32, np.arange(count) / 64
    return table


def open3d_points(path):
    o3d = pytest.importorskip("open3d", reason="the desk part is not installed")
    cloud = o3d.t.io.read_point_cloud(str(path))
    return {name: cloud.point[name].numpy() for name in cloud.point}


@pytest.mark.parametrize("kind", KINDS)
def test_open3d_reads_the_same(tmp_path, kind):
    path = samples.put(tmp_path, "a.pcd", samples.pcd(made(), kind))
    cloud, other = read_cloud(path), open3d_points(path)
    np.testing.assert_array_equal(cloud.xyz, other["positions"])
    np.testing.assert_array_equal(cloud.intensity, other["intensity"].reshape(-1))
    np.testing.assert_array_equal(cloud.time, other["time"].reshape(-1))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("compressed", [True, False])
def test_files_that_open3d_wrote(tmp_path, kind, compressed):
    o3d = pytest.importorskip("open3d", reason="the desk part is not installed")
    table = made()
    cloud = o3d.t.geometry.PointCloud(np.column_stack([table[axis] for axis in "xyz"]))
    cloud.point["intensity"] = np.ascontiguousarray(table["intensity"]).reshape(-1, 1)
    path = tmp_path / "a.pcd"
    o3d.t.io.write_point_cloud(str(path), cloud, write_ascii=kind == "ascii", compressed=compressed)
    ours = read_cloud(path)
    for name in ("x", "y", "z", "intensity"):
        np.testing.assert_array_equal(getattr(ours, name), table[name])


@pytest.mark.parametrize("kind", KINDS)
def test_second_reader_reads_the_same(tmp_path, kind):
    pcd_py = pytest.importorskip("pcd_py", reason="pcd-py is not installed")
    path = samples.put(tmp_path, "a.pcd", samples.pcd(made(), kind))
    cloud, (_, other) = read_cloud(path), pcd_py.read_pcd(str(path))
    for name in ("x", "y", "z", "intensity", "time"):
        np.testing.assert_array_equal(getattr(cloud, name), other[name])
        assert getattr(cloud, name).dtype == other[name].dtype


@pytest.mark.parametrize("kind", KINDS)
def test_files_that_the_second_library_wrote(tmp_path, kind):
    pcd_py = pytest.importorskip("pcd_py", reason="pcd-py is not installed")
    table = made()
    columns = {name: np.ascontiguousarray(table[name]) for name in table.dtype.names}
    pcd_py.write_pcd(str(tmp_path / "a.pcd"), columns, format=kind)
    cloud = read_cloud(tmp_path / "a.pcd")
    for name in ("x", "y", "z", "intensity", "time"):
        np.testing.assert_array_equal(getattr(cloud, name), table[name])


READABLE = ["ascii", "ascii_multi_count", "ascii_organized", "ascii_with_underscore"]
READABLE += ["binary", "binary_compressed", "binary_compressed_organized"]


@pytest.mark.network
@pytest.mark.parametrize("name", READABLE)
def test_published_files(name):
    """Files that come with pypcd4 1.5.1 (tests/pcd), some of them written by the format's own library."""
    path = sdist_folder("pypcd4", "1.5.1") / "tests" / "pcd" / f"{name}.pcd"
    cloud = read_cloud(path)
    if name == "ascii_multi_count":  # Open3D reads no fields of several numbers: by numpy instead
        head, body = path.read_bytes().split(b"DATA ascii\n")
        names = next(line for line in head.decode().splitlines() if line.startswith("FIELDS")).split()[1:]
        assert names[:3] == ["x", "y", "z"]
        other = np.loadtxt(body.decode().splitlines(), usecols=(0, 1, 2)).astype(np.float32)
    else:
        other = open3d_points(path)["positions"]
    np.testing.assert_array_equal(cloud.xyz, other)
    assert (cloud.x.ndim == 2) == ("organized" in name)


@pytest.mark.network
@pytest.mark.parametrize("name", ["ascii_empty", "ascii_invalid_header", "ascii_with_empty_points"])
def test_published_files_that_hold_nothing(name):
    path = sdist_folder("pypcd4", "1.5.1") / "tests" / "pcd" / f"{name}.pcd"
    with pytest.raises(CloudError, match=f"{name}.pcd: "):
        read_cloud(path)


def test_facts_of_the_format(tmp_path):
    """PCD file format page: COUNT defaults to 1, HEIGHT 1 is unorganised, data right after the DATA line."""
    head = b"VERSION .7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nWIDTH 2\nHEIGHT 1\nPOINTS 2\nDATA binary\n"
    body = np.array([[1, 2, 3], [10, 20, 30]], "<f4").tobytes()
    assert body[:1] == b"\0"  # a first byte that a reader of lines would lose
    np.testing.assert_array_equal(
        read_cloud(samples.put(tmp_path, "a.pcd", head + body)).xyz, [[1, 2, 3], [10, 20, 30]]
    )


def test_compressed_data_is_field_after_field(tmp_path):
    """PCD file format page and its reference reader: two uint32 sizes, then LZF of xxx yyy zzz."""
    head = b"VERSION 0.7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\nWIDTH 2\nHEIGHT 1\nPOINTS 2\n"
    raw = np.array([1, 10, 2, 20, 3, 30], "<f4").tobytes()
    # LZF: a byte below 32 counts literals less one; here 24 of them
    packed = bytes([23]) + raw
    sizes = len(packed).to_bytes(4, "little") + len(raw).to_bytes(4, "little")
    path = samples.put(tmp_path, "a.pcd", head + b"DATA binary_compressed\n" + sizes + packed)
    np.testing.assert_array_equal(read_cloud(path).xyz, [[1, 2, 3], [10, 20, 30]])
    np.testing.assert_array_equal(open3d_points(path)["positions"], [[1, 2, 3], [10, 20, 30]])


def test_the_bound_of_lzf_is_reached_and_held():
    """An LZF back reference of 3 bytes gives at most 264: the longest zeros come near and stay below."""
    lzf = pytest.importorskip("lzf")
    raw = bytes(10**6)
    ratio = len(raw) / len(lzf.compress(raw))
    assert 87 < ratio <= 88
