"""The way to open data: fetched by package name, kept, and skipped with a reason where it is out of reach."""

import io
import tarfile

import pytest

from tests.outside import open_data


@pytest.mark.network
def test_sdist_is_fetched_once(monkeypatch):
    folder = open_data.sdist_folder("small_gicp", "1.0.1")
    assert (folder / "PKG-INFO").is_file()
    assert {path.name for path in (folder / "data").iterdir()} >= {
        "source.ply",
        "target.ply",
        "T_target_source.txt",
    }
    monkeypatch.setattr(open_data, "fetch", None)  # a second call would fail if it fetched
    assert open_data.sdist_folder("small_gicp", "1.0.1") == folder


@pytest.mark.network
def test_archive_whose_build_backend_is_missing(tmp_path):
    """Without the build backend pip stops at the metadata; the unpacked archive is used."""
    found = open_data.fetch("small_gicp", "1.0.1", tmp_path, "--no-build-isolation")
    assert (found / "data" / "source.ply").is_file()


def test_skipped_with_the_reason_where_nothing_is_reached(tmp_path, monkeypatch):
    monkeypatch.setenv("FLATTEN_TEST_DATA", str(tmp_path))
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    monkeypatch.setenv("PIP_FIND_LINKS", str(tmp_path))
    with pytest.raises(pytest.skip.Exception, match=r"small_gicp 1\.0\.1 cannot be fetched: .*small_gicp"):
        open_data.sdist_folder("small_gicp", "1.0.1")
    assert not list(tmp_path.iterdir())


def test_unpacking_stays_inside(tmp_path):
    archive = tmp_path / "a.tar.gz"
    with tarfile.open(archive, "w:gz") as packed:
        for name in ("a-1/inside", "../outside", "/tmp/outside-of-flatten"):
            member = tarfile.TarInfo(name)
            member.size = 2
            packed.addfile(member, io.BytesIO(b"hi"))
        link = tarfile.TarInfo("a-1/link")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc"
        packed.addfile(link)
    folder = open_data.unpack(archive, tmp_path / "out")
    assert [path.name for path in folder.iterdir()] == ["inside"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.tar.gz", "out"]
