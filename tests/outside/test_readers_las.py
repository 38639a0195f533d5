"""LAS and LAZ against a decoding by hand (ASPRS LAS) and the published files of laspy."""

import struct

import numpy as np
import pytest

from flatten.files import read_cloud
from tests.files import samples
from tests.outside.open_data import sdist_folder

pytest.importorskip("laspy", reason="the desk part is not installed")

# where GPS time stands in a point record: ASPRS LAS, point formats 0 to 10
TIME_AT = {0: None, 1: 20, 2: None, 3: 20, 4: 20, 5: 20, 6: 22, 7: 22, 8: 22, 9: 22, 10: 22}
PUBLISHED = ["1_4_w_evlr", "autzen", "extrabytes", "simple", "simple1_1", "simple1_3", "simple1_4", "test1_4",
             "unregistered_extra_bytes", "vegetation_1_3", "file_with_both_wkt_and_geotiff_vlrs"]  # fmt: skip


def by_hand(content):
    """Coordinates, intensity and time of a LAS file, straight from the standard's tables."""
    minor = content[25]
    start, kind, each, count = (
        struct.unpack_from(f, content, at)[0] for f, at in (("<I", 96), ("B", 104), ("<H", 105), ("<I", 107))
    )
    if minor >= 4:
        (count,) = struct.unpack_from("<Q", content, 247)
    scale, offset = np.array(struct.unpack_from("<6d", content, 131)).reshape(2, 3)
    rows = np.frombuffer(content, np.uint8, count * each, start).reshape(count, each)
    records = rows[:, :12].copy().view("<i4")
    time_at = TIME_AT[kind]
    time = None if time_at is None else rows[:, time_at : time_at + 8].copy().view("<f8").ravel()
    return records * scale + offset, rows[:, 12:14].copy().view("<u2").ravel(), time


def test_worked_example():
    """ASPRS LAS: coordinate = record × scale + offset; 2346 × 0.01 + 100 = 123.46."""
    xyz, intensity, _ = by_hand(samples.las())
    assert abs(xyz[0, 0] - 123.46) <= 2 * np.spacing(123.46)
    assert intensity.tolist() == [0, 5, 10, 15]


def same(cloud, xyz, intensity, time):
    np.testing.assert_array_equal(cloud.xyz, xyz)  # one product and one sum in float64, both ways
    np.testing.assert_array_equal(cloud.intensity, intensity)
    assert (cloud.time is None) == (time is None)
    if time is not None:
        np.testing.assert_array_equal(cloud.time, time)


@pytest.mark.parametrize("scale", [0.01, 0.001, 1e-7, 3.0])
@pytest.mark.parametrize("offset", [0.0, 100.0, -4.5e6])
def test_made_files(tmp_path, scale, offset):
    content = samples.las(scale=scale, offset=offset)
    same(read_cloud(samples.put(tmp_path, "a.las", content)), *by_hand(content))


@pytest.mark.network
@pytest.mark.parametrize("name", PUBLISHED)
def test_published_files(name):
    """LAS 1.1 to 1.4, point formats 1, 3, 4, 6 and others, from laspy 2.7.0 (tests/data)."""
    path = sdist_folder("laspy", "2.7.0") / "tests" / "data" / f"{name}.las"
    same(read_cloud(path), *by_hand(path.read_bytes()))


@pytest.mark.network
@pytest.mark.parametrize("name", ["simple", "1_4_w_evlr"])
def test_packed_and_plain_hold_the_same(name):
    folder = sdist_folder("laspy", "2.7.0") / "tests" / "data"
    plain, packed = (read_cloud(folder / f"{name}.{suffix}") for suffix in ("las", "laz"))
    same(packed, plain.xyz, plain.intensity, plain.time)


@pytest.mark.network
@pytest.mark.parametrize("name", ["plane", "autzen_trim", "extra", "append-bug", "simple.copc"])
def test_packed_files_as_laspy_reads_them(name):
    import laspy

    path = sdist_folder("laspy", "2.7.0") / "tests" / "data" / f"{name}.laz"
    other = laspy.read(path)
    same(read_cloud(path), other.xyz, other.intensity, other.gps_time)
