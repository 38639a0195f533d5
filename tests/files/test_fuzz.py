"""Random bytes and random damage: a cloud or a CloudError, never anything else."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flatten import CloudError
from flatten.cloud import Cloud
from flatten.files import cloud_formats, read_cloud
from tests.files import samples

KINDS = samples.every_kind()
# an unpacker in a process of its own takes a while: LAZ has a test with fewer examples
QUICK = sorted(name for name in KINDS if not name.endswith(".laz"))
NAMES = [*QUICK, "none", "a.txt", "a.las", "a.laz"]
few = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def survive(folder, name, content, format=None):
    path = samples.put(folder, name, content)
    try:
        cloud = read_cloud(path, format=format)
    except CloudError as error:
        assert name in str(error)
    else:
        assert isinstance(cloud, Cloud) and len(cloud) > 0 and cloud.xyz.shape == (len(cloud), 3)


@given(content=st.binary(max_size=600), name=st.sampled_from(NAMES), head=st.sampled_from(sorted(KINDS)))
@few
def test_random_bytes_after_every_head(tmp_path, content, name, head):
    survive(tmp_path, name, content)
    survive(tmp_path, name, KINDS[head][:40] + content)


@given(content=st.binary(max_size=200), format=st.sampled_from(cloud_formats()))
@few
def test_random_bytes_in_a_named_format(tmp_path, content, format):
    survive(tmp_path, "a.dat", content, format)


@st.composite
def damaged(draw, names):
    content = bytearray(KINDS[draw(st.sampled_from(names))])
    for _ in range(draw(st.integers(0, 4))):
        place = draw(st.integers(0, len(content) - 1))
        content[place] ^= 1 << draw(st.integers(0, 7))
    return bytes(content[: draw(st.integers(0, len(content)))] if draw(st.booleans()) else content)


@given(content=damaged(QUICK), suffix=st.sampled_from(["", ".pcd", ".xyz", ".bin"]))
@few
def test_cut_and_flipped(tmp_path, content, suffix):
    survive(tmp_path, "a" + suffix, content)


@given(content=damaged(["packed.laz"]))
@settings(few, max_examples=25)
def test_cut_and_flipped_laz(tmp_path, content):
    survive(tmp_path, "a.laz", content)


def test_a_damaged_laz_ends_no_process(tmp_path):
    """A layer of a packed part claims 4 GB: the unpacker gives up its process, which is not ours."""
    content = bytearray(samples.laz(np.random.default_rng(2).uniform(-9, 9, (500, 3))))
    start = int.from_bytes(content[96:100], "little")
    first = start + 8 + 30 + 4  # chunk table pointer, first point, count of points: then the layer sizes
    content[first : first + 36] = b"\xff" * 36
    with pytest.raises(CloudError, match=r"a\.laz: its packed points are damaged"):
        read_cloud(samples.put(tmp_path, "a.laz", bytes(content)))


@pytest.mark.parametrize("name", sorted(KINDS))
def test_every_cut_of_every_kind(tmp_path, name):
    """No cut file is read as a whole one, but where a cut leaves a whole file of fewer returns."""
    content = KINDS[name]
    step = max(1, len(content) // (12 if name.endswith(".laz") else 60))
    # the last number of a text may be cut between its digits, and no one can tell
    whole = content.rindex(b"\n", 0, -1) if name.startswith("ascii") else len(content) - 1
    for end in range(0, whole, step):
        path = samples.put(tmp_path, name, content[:end])
        if name.endswith((".bin", ".xyz", ".csv", ".txt")):  # nothing in these says how many there are
            survive(tmp_path, name, content[:end])
        else:
            with pytest.raises(CloudError, match=name):
                read_cloud(path)
