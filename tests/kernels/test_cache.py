"""What becomes of compiled code on the file systems and boards a rover may have; nothing of it is made up.

A small kernel is compiled and loaded by processes of their own, which see real read-only mounts and
real full disks (in a mount namespace, where the account may make one).
"""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import flatten
from flatten.kernels import cache

SMALL = """
import sys
import numpy as np
from flatten.kernels import cache
from flatten.kernels.jit import kernel

@kernel
def total(values):
    found = 0.0
    for value in values:
        found += value
    return found

cache.ROOM = int(sys.argv[1])
print(total(np.arange(5.0)), sum(total.stats.cache_hits.values()), *cache.cache_notes(), sep="\\n")
"""
PLENTY, NONE = 1 << 20, 0
NAMESPACE = ["unshare", "--mount"] if os.getuid() == 0 else ["unshare", "--mount", "--map-root-user"]


def may(*command: str) -> bool:
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        return False


mounting = pytest.mark.skipif(
    not may(*NAMESPACE, "mount", "-t", "tmpfs", "tmpfs", "/mnt"), reason="this account may not mount"
)


@dataclass(frozen=True)
class House:
    """A copy of the package without compiled code, and the three places where it may keep some."""

    top: Path

    @property
    def named(self) -> Path:
        return self.top / "named"

    @property
    def beside(self) -> Path:
        return self.top / "lib" / "flatten" / "kernels" / "__pycache__"

    @property
    def user(self) -> Path:
        return self.top / "user"

    def run(self, *mounts: str, room: int = PLENTY, **changes: str | None) -> tuple[int, str]:
        """Run the small kernel, after these mounts; give how often it was found compiled, and the notes."""
        changes = {
            "NUMBA_CACHE_DIR": str(self.named), "XDG_CACHE_HOME": str(self.user),
            "PYTHONPATH": str(self.top / "lib"), "PYTHONDONTWRITEBYTECODE": "1", **changes,
        }  # fmt: skip
        environment = {key: value for key, value in {**os.environ, **changes}.items() if value is not None}
        command = [sys.executable, str(self.top / "small.py"), str(room)]
        if mounts:
            command = [*NAMESPACE, "sh", "-ec", "\n".join([*mounts, '"$@"']), "sh", *command]
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        answer, found, *notes = done.stdout.splitlines()
        assert answer == "10.0"  # 0 + 1 + 2 + 3 + 4
        return int(found), "\n".join(notes)

    def update(self) -> None:
        """Change a source of the kernels."""
        with (self.top / "lib" / "flatten" / "kernels" / "zones.py").open("a") as source:
            source.write("# an update\n")

    def entries(self) -> list[Path]:
        """All that was kept, anywhere, whole or not."""
        places = (self.named, self.beside, self.user)
        return sorted(path for place in places for path in place.rglob("*total*"))


@pytest.fixture
def house(tmp_path: Path) -> House:
    package, copy = Path(flatten.__file__).parent, tmp_path / "lib" / "flatten"
    shutil.copytree(package / "kernels", copy / "kernels", ignore=shutil.ignore_patterns("__pycache__"))
    for part in ("__init__.py", "version.py"):
        shutil.copy(package / part, copy / part)
    (tmp_path / "small.py").write_text(SMALL)
    return House(tmp_path)


def closed(folder: Path) -> str:
    """Mount a folder read-only."""
    return f"mount --bind '{folder}' '{folder}'; mount -o remount,bind,ro '{folder}'"


def full(folder: Path) -> str:
    """Mount a file system of one page that is full already."""
    return (
        f"mkdir -p '{folder}'; mount -t tmpfs -o size=4k tmpfs '{folder}'; printf %4096s > '{folder}/taken'"
    )


def test_what_is_kept_is_found_and_others_may_read_it(house: House) -> None:
    before = os.umask(0o022)
    try:
        assert house.run() == (0, "")
    finally:
        os.umask(before)
    (entry,) = house.entries()
    assert entry.is_relative_to(house.named)
    assert stat.S_IMODE(entry.stat().st_mode) == 0o644
    assert house.run() == (1, "")
    assert house.entries() == [entry]


def test_one_worn_byte_in_the_machine_code_is_noticed(house: House) -> None:
    """An unpickler does not look into what it unpacks: a checksum has to."""
    house.run()
    (entry,) = house.entries()
    raw = bytearray(entry.read_bytes())
    raw[raw.index(b"\x7fELF") + 600] ^= 1
    entry.write_bytes(raw)
    found, notes = house.run()
    assert found == 0 and "damaged compiled code" in notes and str(house.named) in notes
    assert house.run() == (1, "")


def test_code_for_another_processor_is_not_used(house: House) -> None:
    """As when a card, or a home folder, moves to another board; both then have their own."""
    other: dict[str, str | None] = {"NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": ""}
    assert house.run(**other) == (0, "")
    assert house.run() == (0, "")
    assert len(house.entries()) == 2
    assert house.run(**other) == (1, "")
    assert house.run() == (1, "")


def test_code_of_other_sources_is_dropped_and_that_half_written_long_ago_too(house: House) -> None:
    house.run()
    (entry,) = house.entries()
    old, new = (entry.with_name(f".{entry.name}.{word}") for word in ("0123", "4567"))
    old.write_bytes(b"half")
    new.write_bytes(b"half")
    os.utime(old, (1.0, 1.0))
    house.update()
    assert house.run() == (0, "")
    assert entry not in house.entries() and len(house.entries()) == 2
    assert new in house.entries()  # a process that runs now may be writing it


@mounting
def test_a_full_disk_costs_the_next_start_and_leaves_nothing_behind(house: House) -> None:
    house.beside.mkdir()
    mounts = [full(house.named), full(house.user), closed(house.beside)]
    look = f"trap \"ls -A '{house.named}' '{house.user}' >'{house.top}/left'\" EXIT"
    for room, word in ((PLENTY, "closed, or full"), (NONE, "No space left on device")):
        found, notes = house.run(*mounts, look, room=room)
        assert found == 0 and word in notes and "NUMBA_CACHE_DIR" in notes
        left = (house.top / "left").read_text()
        assert left.count("taken") == 2 and "total" not in left


@mounting
@pytest.mark.parametrize("room", [PLENTY, NONE])
def test_where_the_first_disk_is_full_the_next_place_is_used(house: House, room: int) -> None:
    assert house.run(full(house.named), room=room) == (0, "")
    assert [entry.parent for entry in house.entries()] == [house.beside]
    assert house.run(full(house.named), room=room) == (1, "")


@mounting
def test_old_code_is_not_taken_for_new_when_the_disk_is_full_after_an_update(house: House) -> None:
    house.run(NUMBA_CACHE_DIR="")
    (entry,) = house.entries()
    assert entry.parent == house.beside
    house.update()
    for _ in range(2):
        found, notes = house.run(closed(house.beside), full(house.user), room=NONE, NUMBA_CACHE_DIR="")
        assert found == 0 and "cannot be kept" in notes


@mounting
def test_a_closed_package_and_an_open_user_cache(house: House) -> None:
    package = closed(house.top / "lib")
    assert house.run(package, NUMBA_CACHE_DIR="") == (0, "")
    assert all(entry.is_relative_to(house.user) for entry in house.entries())
    assert house.run(package, NUMBA_CACHE_DIR="") == (1, "")


@mounting
def test_a_read_only_file_system_is_read(house: House) -> None:
    house.run()
    assert house.run(closed(house.top)) == (1, "")


@mounting
def test_damage_on_a_read_only_file_system_is_passed_over(house: House) -> None:
    house.run(NUMBA_CACHE_DIR="")
    (entry,) = house.entries()
    entry.write_bytes(entry.read_bytes()[:-7])
    for expected in (0, 1):  # the second time it is found in the user's cache
        found, notes = house.run(closed(house.top / "lib"), NUMBA_CACHE_DIR="")
        assert found == expected and "damaged" in notes
    assert entry.exists()


@pytest.mark.skipif(
    not may("unshare", "--user", "--map-user=54321", "true"), reason="no accounts can be made up here"
)
def test_an_account_without_a_home(house: House) -> None:
    asked = "import os; from flatten.kernels.cache import cache_places; print(os.getuid(), *cache_places())"
    environment = {**os.environ, "PYTHONPATH": str(house.top / "lib"), "NUMBA_CACHE_DIR": ""}
    for name in ("HOME", "XDG_CACHE_HOME"):
        environment.pop(name, None)
    told = subprocess.run(
        ["unshare", "--user", "--map-user=54321", sys.executable, "-c", asked],
        cwd=house.top, env=environment, capture_output=True, text=True, check=True,
    ).stdout.split()  # fmt: skip
    assert told == ["54321", str(house.beside)]


@pytest.mark.parametrize(
    ("home", "named", "expected"),
    [
        ("/home/rover", None, "/home/rover/.cache"),
        ("/home/rover", "", "/home/rover/.cache"),
        ("/home/rover", "/var/cache/rover", "/var/cache/rover"),
        ("/home/rover", "relative", "/home/rover/.cache"),  # XDG Base Directory Specification: to be ignored
        ("", None, None),
        ("rover", None, None),
        ("", "/var/cache/rover", "/var/cache/rover"),
    ],
)
def test_the_users_cache(
    home: str, named: str | None, expected: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", home)
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    if named is not None:
        monkeypatch.setenv("XDG_CACHE_HOME", named)
    assert cache._user_cache() == (None if expected is None else Path(expected))


@given(payload=st.binary(min_size=1, max_size=300), data=st.data())
def test_no_damage_passes(
    payload: bytes, data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.getbasetemp() / "entries"
    folder.mkdir(exist_ok=True)
    entry = folder / "a.nbc"
    cache.write_entry(entry, payload)
    assert cache.read_entry(entry) == payload
    assert [path.name for path in folder.iterdir()] == ["a.nbc"]
    raw = bytearray(entry.read_bytes())
    at = data.draw(st.integers(0, len(raw) - 1), "byte")
    if data.draw(st.booleans(), "cut"):
        del raw[at:]
    else:
        raw[at] ^= data.draw(st.integers(1, 255), "by")
    entry.write_bytes(raw)
    with pytest.raises(ValueError, match="checksum"):
        cache.read_entry(entry)


def test_an_entry_under_another_name_is_refused(tmp_path: Path) -> None:
    cache.write_entry(tmp_path / "sweep.nbc", b"code")
    (tmp_path / "sweep.nbc").rename(tmp_path / "accept.nbc")
    with pytest.raises(ValueError, match="checksum"):
        cache.read_entry(tmp_path / "accept.nbc")
