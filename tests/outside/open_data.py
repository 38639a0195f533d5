"""Open data for tests: source archives of published packages, fetched by name and kept in a cache.

The cache is the folder in FLATTEN_TEST_DATA, or ~/.cache/flatten-test-data. Nothing of it is part
of the project. Where the registry cannot be reached the test that asked is skipped with the reason.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
from email.parser import HeaderParser
from pathlib import Path

import pytest

SECONDS = 300


def cache_folder() -> Path:
    """Give the folder in which fetched archives are kept."""
    named = os.environ.get("FLATTEN_TEST_DATA")
    return Path(named) if named else Path.home() / ".cache" / "flatten-test-data"


def sdist_folder(name: str, version: str) -> Path:
    """Give the unpacked source archive of a published package; fetch it where it is not there yet.

    pip prepares the metadata of what it downloads, for which it may build; an archive that does
    not get that far has been unpacked all the same, and is taken from there.
    """
    kept = cache_folder() / f"{name}-{version}"
    if kept.is_dir():
        return kept
    try:
        kept.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=kept.parent, prefix=".fetching-") as staging:
            found = fetch(name, version, Path(staging))
            try:
                found.replace(kept)
            except OSError:  # another test run was first
                if not kept.is_dir():
                    raise
    except OSError as error:
        pytest.skip(f"no place for open data: {error}")
    return kept


def fetch(name: str, version: str, staging: Path, *options: str) -> Path:
    """Download and unpack into `staging`; skip the test where that fails. Extra `options` go to pip."""
    work, saved = staging / "work", staging / "saved"
    work.mkdir()
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
    command += ["--no-binary", name, "--no-clean", "--timeout", "30", "--retries", "1", *options]
    command += ["--dest", str(saved), f"{name}=={version}"]
    try:
        done = subprocess.run(
            command,
            capture_output=True,
            text=True,
            timeout=SECONDS,
            check=False,
            env={**os.environ, "TMPDIR": str(work)},
        )
        said = (done.stderr or done.stdout).strip()
    except subprocess.TimeoutExpired:
        said = f"pip took longer than {SECONDS} s"
    archives = sorted(saved.glob("*.tar.gz")) + sorted(saved.glob("*.zip"))
    if archives:
        return unpack(archives[0], staging / "unpacked")
    for info in work.glob("*/*/PKG-INFO"):
        if _is_of(info, name, version):
            return info.parent
    pytest.skip(
        f"{name} {version} cannot be fetched: {said.splitlines()[-1][:200] if said else 'pip said nothing'}"
    )


def unpack(archive: Path, folder: Path) -> Path:
    """Unpack the plain files of an archive, none of them outside `folder`; give its only folder."""
    if archive.suffix == ".zip":
        shutil.unpack_archive(archive, folder)
    else:
        with tarfile.open(archive) as packed:
            for member in packed:
                inside = Path(member.name)
                if member.isfile() and not inside.is_absolute() and ".." not in inside.parts:
                    packed.extract(member, folder, **_plain())
    (only,) = folder.iterdir()
    return only


def _plain() -> dict[str, str]:
    return {"filter": "data"} if hasattr(tarfile, "data_filter") else {}


def _is_of(info: Path, name: str, version: str) -> bool:
    head = HeaderParser().parsestr(info.read_text(encoding="utf-8", errors="replace"))
    same = str(head["Name"]).lower().replace("_", "-") == name.lower().replace("_", "-")
    return same and head["Version"] == version
