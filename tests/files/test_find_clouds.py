"""Files as given, folders expanded to the clouds in them."""

import os

import pytest

from flatten import CloudError
from flatten.files import find_clouds, write_scans
from tests.files import samples
from tests.files.scan_samples import PROFILE, flattened


def test_folder_gives_its_clouds_sorted_and_nothing_else(tmp_path):
    for name, content in samples.every_kind().items():
        samples.put(tmp_path, name, content)
    samples.put(tmp_path, "LOUD.PCD", samples.pcd(samples.records()))
    samples.put(tmp_path, ".hidden.pcd", samples.pcd(samples.records()))
    samples.put(tmp_path, "poses.txt", b"0 1 2 3 0 0 0 1\n")
    samples.put(tmp_path, "unnamed.csv", b"1,2,3\n")
    samples.put(tmp_path, "empty.csv", b"")
    samples.put(tmp_path, "broken.npz", b"PK\x03\x04")
    samples.put(tmp_path, "notes.md", b"kerb\n")
    (tmp_path / "deeper.pcd").mkdir()
    os.mkfifo(tmp_path / "pipe.pcd")
    write_scans(tmp_path / "scans", flattened(), PROFILE, ["npz", "csv", "json", "fields"])
    found = [path.name for path in find_clouds([tmp_path])]
    wanted = [name for name in samples.every_kind() if not name.endswith(".txt")]
    assert found == sorted([*wanted, "LOUD.PCD"])


def test_files_stay_as_given_and_in_order(tmp_path):
    second = samples.put(tmp_path, "b.txt", samples.text())
    first = samples.put(tmp_path, "a.odd", samples.text())
    inner = tmp_path / "inner"
    inner.mkdir()
    last = samples.put(inner, "c.pcd", samples.pcd(samples.records()))
    assert find_clouds([str(second), inner, first]) == [second, last, first]
    assert find_clouds([]) == []


@pytest.mark.parametrize("path", ["gone", "gone/a.pcd", "a\0b", "x" * 5000])
def test_missing_paths(tmp_path, path):
    with pytest.raises(CloudError):
        find_clouds([tmp_path / path])


def test_folder_without_clouds(tmp_path):
    with pytest.raises(CloudError, match="no cloud files in this folder"):
        find_clouds([tmp_path])
