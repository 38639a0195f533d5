"""Whole files or none: nothing is overwritten unasked, nothing is left behind."""

import dataclasses
import os
import subprocess
import sys

import numpy as np
import pytest

from flatten import OutputError
from flatten.files import scan_formats, write_csv, write_fields, write_json, write_npz, write_scans
from tests.files.scan_samples import PROFILE, by_hand

SCANS = {"drive": by_hand(), "walls": dataclasses.replace(by_hand(), name="walls")}


def fields(path, scans, profile, **options):
    write_fields(path, scans["drive"], **options)


WRITERS = {"npz": write_npz, "csv": write_csv, "json": write_json, "fields": fields}
every = pytest.mark.parametrize("write", WRITERS.values(), ids=WRITERS)


@every
def test_overwriting_needs_to_be_allowed(tmp_path, write):
    path = tmp_path / "out"
    path.write_bytes(b"the only copy")
    with pytest.raises(OutputError, match="out: is there already"):
        write(path, SCANS, PROFILE)
    assert path.read_bytes() == b"the only copy"
    write(path, SCANS, PROFILE, overwrite=True)
    assert path.read_bytes() != b"the only copy"
    assert [file.name for file in tmp_path.iterdir()] == ["out"]


@every
def test_a_dangling_link_is_not_overwritten_either(tmp_path, write):
    (tmp_path / "out").symlink_to(tmp_path / "gone")
    with pytest.raises(OutputError, match="is there already"):
        write(tmp_path / "out", SCANS, PROFILE)


@every
def test_files_get_the_usual_mode(tmp_path, write):
    before = os.umask(0o027)
    try:
        write(tmp_path / "out", SCANS, PROFILE)
    finally:
        os.umask(before)
    assert (tmp_path / "out").stat().st_mode & 0o777 == 0o640


@every
@pytest.mark.parametrize("place", ["gone/out", "file/out", "folder", "x" * 300, "a\0b"])
@pytest.mark.parametrize("overwrite", [False, True])
def test_places_that_cannot_be_written(tmp_path, write, place, overwrite):
    (tmp_path / "file").write_text("kept")
    (tmp_path / "folder").mkdir()
    with pytest.raises(OutputError) as caught:
        write(tmp_path / place, SCANS, PROFILE, overwrite=overwrite)
    assert "\n" not in str(caught.value) and str(caught.value).count(": ") >= 2
    assert sorted(file.name for file in tmp_path.iterdir()) == ["file", "folder"]
    assert not list((tmp_path / "folder").iterdir())


@every
@pytest.mark.parametrize("path", ["", "/", 7, None])
def test_what_is_no_path(write, path):
    with pytest.raises(OutputError):
        write(path, SCANS, PROFILE)


@every
def test_a_failure_in_the_middle_leaves_nothing(tmp_path, write):
    broken = dataclasses.replace(by_hand(), ranges=np.array(["a", "b", "c", "d", "e"], object))
    (tmp_path / "out").write_bytes(b"older")
    with pytest.raises(OutputError, match="out: "):
        write(tmp_path / "out", {"drive": broken}, _Broken(), overwrite=True)
    assert [file.name for file in tmp_path.iterdir()] == ["out"]
    assert (tmp_path / "out").read_bytes() == b"older"


class _Broken:
    def to_yaml(self):
        raise ValueError("no profile")

    def to_dict(self):
        return {"far": float("nan")}


def test_several_formats_are_written_together_or_not_at_all(tmp_path):
    (tmp_path / "aisle.json").write_text("kept")
    with pytest.raises(OutputError, match=r"aisle\.json: is there already"):
        write_scans(tmp_path / "aisle", SCANS, PROFILE, scan_formats())
    broken = {**SCANS, "walls": dataclasses.replace(by_hand(), ranges=None)}
    with pytest.raises(OutputError, match="without ranges"):
        write_scans(tmp_path / "aisle", broken, PROFILE, scan_formats(), overwrite=True)
    assert [file.name for file in tmp_path.iterdir()] == ["aisle.json"]
    assert (tmp_path / "aisle.json").read_text() == "kept"


def test_unknown_format_odd_slice_and_no_scans(tmp_path):
    with pytest.raises(OutputError, match="format stone is not known: use one of npz"):
        write_scans(tmp_path / "a", SCANS, PROFILE, ["npz", "stone"])
    with pytest.raises(OutputError, match="choose plain names"):
        write_scans(tmp_path / "a", {"../drive": by_hand()}, PROFILE, "fields")
    with pytest.raises(OutputError, match="no scans"):
        write_scans(tmp_path / "a", {}, PROFILE)
    assert not list(tmp_path.iterdir())


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 64 KiB, where this process may mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)]
    try:
        done = subprocess.run(mount, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("there is no mount command")
    if done.returncode:
        pytest.skip(f"cannot mount a small file system: {done.stderr.strip()}")
    yield place
    subprocess.run(["umount", str(place)], check=True)


@every
def test_a_full_disk_leaves_nothing(small_disk, write):
    (small_disk / "kept").write_bytes(bytes(56_000))
    bins = 36_000
    large = dataclasses.replace(
        by_hand(), bins=bins, step=6.28 / bins, ranges=np.random.default_rng(1).random(bins).astype("f4"),
        **dict.fromkeys(("states", "bearings", "heights", "intensities", "hits", "clear_from", "clear_to")),
    )  # fmt: skip
    with pytest.raises(OutputError, match="No space left on device"):
        write(small_disk / "out", {"drive": large}, PROFILE)
    assert [file.name for file in small_disk.iterdir()] == ["kept"]


@every
def test_a_closed_folder(tmp_path, write, request):
    name = request.node.callspec.id
    code = f"""if True:
        import os, sys
        from flatten import OutputError
        from tests.files.test_writing import SCANS, PROFILE, WRITERS
        os.getuid() or os.setuid(65534)
        try:
            WRITERS[{name!r}]("out", SCANS, PROFILE)
        except OutputError as error:
            print(error)
    """
    for folder in tmp_path.parents[:2]:
        folder.chmod(0o755)
    tmp_path.chmod(0o555)
    path = os.pathsep.join(os.path.abspath(part) for part in sys.path)  # noqa: PTH100
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": path}, check=False,
    )  # fmt: skip
    assert done.stdout.startswith("out: no permission to write in .: "), done.stderr
    assert not list(tmp_path.iterdir())
