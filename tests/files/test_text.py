"""Text: separators, names, comments, and errors that name the line."""

import numpy as np
import pytest

from flatten import CloudError
from flatten.files import read_cloud
from tests.files import samples


def read(folder, content, name="a.xyz"):
    return read_cloud(samples.put(folder, name, content if isinstance(content, bytes) else content.encode()))


@pytest.mark.parametrize(
    "content",
    [
        "1 2 3\n4 5 6\n",
        "1 2 3\n4 5 6",
        "  1\t2   3 \r\n\r\n4 5 6\r\n",
        "1,2,3\n4, 5, 6\n",
        "1;2;3\n4;5;6\n",
        "# a gravel aisle\n1 2 3\n# between\n4 5 6\n",
        "\ufeffx,y,z\n1,2,3\n4,5,6\n",
        'X;Y;Z\n"1";"2";"3"\n4;5;6\n',
        '"z","x","y"\n3,1,2\n6,4,5\n',
        "# x y z in metres, along the aisle\n1 2 3\n4 5 6\n",
        "# label x y z\n9 1 2 3\n9 4 5 6\n",
        "#x,y,z\n1,2,3\n4,5,6\n",
        'name,x,y,z\n"bench, long",1,2,3\nkerb,4,5,6\n',
        "1e0 20e-1 +3\n4 5 0006\n",
    ],
)
def test_spellings_of_one_table(tmp_path, content):
    cloud = read(tmp_path, content)
    np.testing.assert_array_equal(cloud.xyz, [[1, 2, 3], [4, 5, 6]])
    assert cloud.x.dtype == np.float64


def test_named_columns_carry_intensity_and_time_and_leave_out_the_rest(tmp_path):
    cloud = read(tmp_path, "Time,Label,Reflectivity,x,y,z\n0.5,post,7,1,2,3\n0.6,pipe,8,4,5,nan\n")
    np.testing.assert_array_equal(cloud.time, [0.5, 0.6])
    np.testing.assert_array_equal(cloud.intensity, [7, 8])
    np.testing.assert_array_equal(cloud.z, [3, np.nan])


def test_the_fourth_unnamed_column_is_the_intensity(tmp_path):
    np.testing.assert_array_equal(read(tmp_path, "1 2 3 40 50 60\n").intensity, [40])
    assert read(tmp_path, "1 2 3\n").intensity is None


@pytest.mark.parametrize("delimiter", [" ", ",", ";"])
def test_float64_comes_back_to_the_last_bit(tmp_path, delimiter):
    table = np.random.default_rng(5).normal(0, 1e3, (500, 3))
    lines = [delimiter.join(repr(float(v)) for v in row) for row in table]
    np.testing.assert_array_equal(read(tmp_path, "\n".join(lines)).xyz, table)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("1 2 3\n4 5\n", "line 2 has 2 columns"),
        ("1 2 3\n# note\n\n4 5 6 7\n", "line 4 has 4 columns"),
        ("1,2,3\n4,5,six\n", "line 2"),
        ("1,2,3\n4,,6\n", "line 2"),
        ("x y z\n1 2 3\n4 5 6 7\n", "line 3 has 4 columns"),
        ("1;2;3\n1,5;2,5;3,5\n", "line 2"),
        ("x,y\n1,2\n", "no column z"),
        ("height,width,z\n1,2,3\n", "no column x, y"),
        ("x,y,z\n", "no rows of returns"),
        ("# only words\n\n", "no rows of returns"),
        ("1 2\n3 4\n", "no column z"),
        ("\n\n", "no rows of returns"),
    ],
)
def test_errors_name_the_line(tmp_path, content, says):
    with pytest.raises(CloudError, match=says):
        read(tmp_path, content)


def test_the_line_is_named_beyond_the_first_chunk(tmp_path):
    rows = ["1 2 3"] * 60_000 + ["1 2 x"] + ["1 2 3"] * 60_000
    with pytest.raises(CloudError, match="line 60001:"):
        read(tmp_path, "\n".join(rows))


def test_an_endless_line_is_refused(tmp_path):
    with pytest.raises(CloudError, match="line 2 is longer"):
        read(tmp_path, b"1 2 3\n" + b"1 " * 200_000)
