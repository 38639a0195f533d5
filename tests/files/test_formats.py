"""Every format gives back the returns that were put in, in the dtype of the file."""

import io

import numpy as np
import pytest

import flatten
from flatten.files import cloud_formats, read_cloud
from tests.files import samples
from tests.files.samples import HEARD, POINTS, TIMES

KINDS = samples.every_kind()


def check(cloud, points=POINTS, heard=HEARD, times=None):
    for axis, name in enumerate("xyz"):
        np.testing.assert_array_equal(getattr(cloud, name), points[:, axis])  # exact: these values are binary
    np.testing.assert_array_equal(cloud.intensity, heard)
    if times is not None:
        np.testing.assert_array_equal(cloud.time, times)


@pytest.mark.parametrize("name", [name for name in KINDS if not name.endswith((".las", ".laz"))])
def test_every_kind_gives_its_returns(tmp_path, name):
    cloud = flatten.read_cloud(samples.put(tmp_path, name, KINDS[name]))
    timed = name.endswith((".pcd", ".ply")) or name in ("fields.npy", "axes.npz")
    check(cloud, times=TIMES if timed else None)
    assert (cloud.time is not None) == timed
    assert name in cloud.name


@pytest.mark.parametrize("name", KINDS)
def test_content_is_recognised_under_a_foreign_suffix(tmp_path, name):
    right = read_cloud(samples.put(tmp_path, name, KINDS[name]))
    if name == "frame.bin":  # the one format without a mark: it needs its suffix, or its name said
        with pytest.raises(flatten.CloudError, match=r"frame\.dat"):
            read_cloud(samples.put(tmp_path, "frame.dat", KINDS[name]))
        other = read_cloud(tmp_path / "frame.dat", format="kitti")
    else:
        other = read_cloud(samples.put(tmp_path, "recorded.bin", KINDS[name]))
    np.testing.assert_array_equal(right.xyz, other.xyz)


@pytest.mark.parametrize("data", ["ascii", "binary", "binary_compressed"])
@pytest.mark.parametrize("dtype", ["f4", "f8", "i1", "i2", "i4", "i8"])
@pytest.mark.parametrize("heard", ["u1", "u2", "f8"])
def test_pcd_dtypes(tmp_path, data, dtype, heard):
    table = samples.records(dtype, heard, "u4")
    cloud = read_cloud(samples.put(tmp_path, "a.pcd", samples.pcd(table, data)))
    assert cloud.x.dtype == np.dtype(dtype) and cloud.intensity.dtype == np.dtype(heard)
    check(cloud, POINTS.astype(dtype), HEARD.astype(heard), TIMES.astype("u4"))


@pytest.mark.parametrize("layout", ["ascii", "binary_little_endian", "binary_big_endian"])
@pytest.mark.parametrize("dtype", ["f4", "f8", "i2", "i4"])
def test_ply_dtypes(tmp_path, layout, dtype):
    table = samples.records(dtype, "u1", "f8")
    cloud = read_cloud(samples.put(tmp_path, "a.ply", samples.ply(table, layout)))
    assert cloud.x.dtype.newbyteorder("=") == np.dtype(dtype)
    check(cloud, POINTS.astype(dtype), HEARD.astype("u1"), TIMES)


@pytest.mark.parametrize("dtype", ["f2", "<f4", ">f4", "f8", "i1", "<i8", ">u2"])
@pytest.mark.parametrize("order", ["C", "F"])
def test_npy_dtypes_and_orders(tmp_path, dtype, order):
    table = np.asarray(np.abs(np.column_stack([POINTS, HEARD])).astype(dtype), order=order)
    cloud = read_cloud(samples.put(tmp_path, "a.npy", samples.npy(table)))
    assert cloud.x.dtype == np.dtype(dtype)
    check(cloud, table[:, :3], table[:, 3])


def test_npy_versions(tmp_path):
    for version in [(1, 0), (2, 0), (3, 0)]:
        stream = io.BytesIO()
        np.lib.format.write_array(stream, samples.records(), version=version)
        check(read_cloud(samples.put(tmp_path, "v.npy", stream.getvalue())), times=TIMES)


def test_organised_clouds_keep_their_rows(tmp_path):
    table = samples.records().reshape(2, 2)
    for data in ("ascii", "binary", "binary_compressed"):
        cloud = read_cloud(samples.put(tmp_path, "rows.pcd", samples.pcd(table, data)))
        assert cloud.x.shape == (2, 2)
        np.testing.assert_array_equal(cloud.y, POINTS[:, 1].reshape(2, 2))
    cloud = read_cloud(samples.put(tmp_path, "rows.npy", samples.npy(POINTS.reshape(2, 2, 3))))
    assert cloud.x.shape == (2, 2) and cloud.intensity is None


def test_pcd_padding_is_left_out_of_compressed_data_or_not(tmp_path):
    padded = np.zeros(4, [("x", "f4"), ("y", "f4"), ("z", "f4"), ("_", "u1", 4), ("intensity", "f4")])
    bare = np.zeros(4, [("x", "f4"), ("y", "f4"), ("z", "f4"), ("intensity", "f4")])
    for table in (padded, bare):
        table["x"], table["y"], table["z"] = POINTS.T
        table["intensity"] = HEARD
    whole = samples.pcd(padded, "binary_compressed")
    head = whole[: whole.index(b"binary_compressed\n") + 18]
    for body in (bare, padded):  # the reference reader skips "_" fields; other writers keep them
        content = head + samples.pcd_body(body, "binary_compressed")
        check(read_cloud(samples.put(tmp_path, "a.pcd", content)))


def test_pcd_viewpoint_moves_nothing_and_count_may_be_missing(tmp_path):
    content = samples.pcd(samples.records(), VIEWPOINT="5 6 7 0 1 0 0", COUNT=None, POINTS=None)
    check(read_cloud(samples.put(tmp_path, "a.pcd", content)))


def test_pcd_padding_of_whole_pages_after_the_data(tmp_path):
    check(read_cloud(samples.put(tmp_path, "a.pcd", samples.pcd(samples.records()) + bytes(4096))))


def test_pcd_ascii_of_one_return_with_tabs_and_nan(tmp_path):
    head = samples.pcd(samples.records()[:1][["x", "y", "z"]], "ascii").split(b"DATA ascii\n")[0]
    cloud = read_cloud(samples.put(tmp_path, "a.pcd", head + b"DATA ascii\r\n1.5\t nan  2 \r\n\r\n"))
    np.testing.assert_array_equal(cloud.xyz, [[1.5, np.nan, 2.0]])


@pytest.mark.parametrize("layout", ["ascii", "binary_little_endian", "binary_big_endian"])
def test_ply_faces_after_and_cameras_before_the_vertices(tmp_path, layout):
    faces = "element face 2\nproperty list uchar int vertex_indices\n"
    tail = b"3 0 1 2\n4 0 1 2 3\n" if layout == "ascii" else bytes(13 + 17)  # polygons of mixed length
    content = samples.ply(samples.records(), layout, faces, tail)
    camera = b"element camera 1\nproperty short a\nproperty uchar b\n"
    content = content.replace(b"element vertex", camera + b"element vertex")
    end = content.index(b"end_header\n") + 11
    content = content[:end] + (b"1 2\n" if layout == "ascii" else b"\1\2\3") + content[end:]
    check(read_cloud(samples.put(tmp_path, "mesh.ply", content)), times=TIMES)


def test_npz_names(tmp_path):
    for name in ("xyz", "points", "Points", "anything"):
        cloud = read_cloud(samples.put(tmp_path, "a.npz", samples.npz(**{name: POINTS})))
        np.testing.assert_array_equal(cloud.xyz, POINTS)
    content = samples.npz(points=POINTS, intensity=HEARD, gps_time=TIMES, label=np.array(["shade post"]))
    check(read_cloud(samples.put(tmp_path, "a.npz", content)), times=TIMES)


def test_kitti_is_little_endian(tmp_path):
    check(
        read_cloud(
            samples.put(tmp_path, "0000.bin", np.column_stack([POINTS, HEARD]).astype("<f4").tobytes())
        )
    )


def test_las_worked_example(tmp_path):
    # ASPRS LAS: coordinate = record × scale + offset; record 2346, scale 0.01, offset 100 -> 123.46
    cloud = read_cloud(samples.put(tmp_path, "a.las", samples.las()))
    # two roundings of float64, at the multiplication and the addition
    assert abs(cloud.x[0] - 123.46) <= 2 * np.spacing(123.46)
    np.testing.assert_array_equal(cloud.intensity, [0, 5, 10, 15])
    assert cloud.time is None and cloud.x.dtype == np.float64


def test_laz_carries_time_and_intensity(tmp_path):
    cloud = read_cloud(samples.put(tmp_path, "a.laz", samples.laz()))
    # half a step of the stored scale of 1 mm at most, and exact for these values
    np.testing.assert_allclose(cloud.xyz, POINTS, rtol=0, atol=1e-12)
    np.testing.assert_array_equal(cloud.time, [0, 0.5, 1, 1.5])
    np.testing.assert_array_equal(cloud.intensity, [0, 1, 2, 3])


def test_names_of_the_formats():
    assert cloud_formats() == ["pcd", "ply", "npy", "npz", "las", "text", "kitti"]
