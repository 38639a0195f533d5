"""Where compiled kernels are kept, so that a start costs milliseconds and not seconds.

numba says what is compiled and what it depends on; the files are our own. One entry is one file, whose
name holds the digest of *all* kernel sources (a kernel is compiled together with its parts) and that
of signature, processor, its features, and the compiler's version. So code of other sources, or of
another board's processor, is not even opened; two processes that start at once write the same file; and no
index can point to old code after a write that failed half-way. A file is whole or not there, and is
checked against a checksum before a byte of it is run: what a power cut or a worn card made of it is
thrown away and compiled again. A folder that can be read but not written is read; a place that
cannot be written is a note, not an error.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import pickle
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import llvmlite
import numba
from numba.core import caching, config, serialize

MARK = b"flatten kernel, format 1\n"
ROOM = 1 << 20
"""Bytes that must fit into a place before it counts as one: more than the largest kernel takes."""

HOUR = 3600.0

_notes: dict[str, str] = {}


def cache_notes() -> tuple[str, ...]:
    """Say in words where the cache of compiled code does not work; empty when it does."""
    return tuple(_notes.values())


@functools.cache
def source_digest() -> str:
    """Digest over all kernel sources: the freshness stamp of every entry."""
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


@functools.cache
def cache_places() -> tuple[Path, ...]:
    """Folders that may hold compiled code, best first: NUMBA_CACHE_DIR, beside the source, the user's."""
    here = Path(__file__).parent
    places = [Path(config.CACHE_DIR) / f"flatten-{_short(here)}"] if config.CACHE_DIR else []
    places.append(here / "__pycache__")
    user = _user_cache()
    if user is not None:
        places.append(user / "flatten" / _short(here))
    return tuple(places)


def _user_cache() -> Path | None:
    """Give the user's folder for what can be made again (XDG base directories), None without a home."""
    named = Path(os.environ.get("XDG_CACHE_HOME") or "")
    if named.is_absolute():  # a relative one is to be ignored, says that specification
        return named
    if os.environ.get("HOME") == "":  # expanduser would take the root of the file system for it
        return None
    try:
        cache = Path("~/.cache").expanduser()
    except RuntimeError:  # an account without a home
        return None
    return cache if cache.is_absolute() else None


@functools.cache
def writable_place() -> Path | None:
    """Give the first place that can be written and has room, made if need be, or None with a note."""
    for place in cache_places():
        try:
            place.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=place) as trial:
                trial.write(bytes(ROOM))
                trial.flush()
                return place
        except OSError:
            continue
    _notes["place"] = (
        "no folder for compiled code can be written ("
        + ", ".join(map(str, cache_places()))
        + "; closed, or full): what is not compiled there yet is compiled anew at every start; "
        "make room, or set NUMBA_CACHE_DIR to a folder that can be written"
    )
    return None


def _short(path: Path) -> str:
    return hashlib.sha256(str(path).encode()).hexdigest()[:12]


def write_entry(path: Path, payload: bytes) -> None:
    """Write an entry, whole or not at all; OSError where the disk does not take it."""
    temporary = path.with_name(f".{path.name}.{os.urandom(6).hex()}")
    try:
        # not tempfile's: others than who compiled may want to read it
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        with os.fdopen(handle, "wb") as stream:
            stream.write(MARK + _checksum(path.name, payload) + payload)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(path)
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


def read_entry(path: Path) -> bytes:
    """Read the payload of an entry; ValueError where it is not what was written there."""
    raw = path.read_bytes()
    start = len(MARK) + hashlib.sha256().digest_size
    payload = raw[start:]
    if raw[:start] != MARK + _checksum(path.name, payload):
        raise ValueError("its checksum does not fit")
    return payload


def _checksum(name: str, payload: bytes) -> bytes:
    return hashlib.sha256(name.encode() + b"\0" + payload).digest()


class _Locator(caching._CacheLocator):  # type: ignore[misc]
    """What numba asks about one kernel: where, how fresh, and what tells it from its namesakes."""

    def __init__(self, function: Callable[..., Any]) -> None:
        self._py_file = function.__code__.co_filename

    def get_cache_path(self) -> str:
        return str(cache_places()[0])

    def get_source_stamp(self) -> str:
        return source_digest()

    def get_disambiguator(self) -> str:
        return Path(self._py_file).stem

    def ensure_cache_path(self) -> None:
        if writable_place() is None:
            raise OSError("no folder for compiled code can be written")


class _Implementation(caching.CompileResultCacheImpl):  # type: ignore[misc]
    def __init__(self, function: Callable[..., Any]) -> None:
        # not the base's: that one looks for places of its own
        self._locator = _Locator(function)
        self._lineno = function.__code__.co_firstlineno
        self._filename_base = self.get_filename_base(f"flatten.{function.__qualname__}", "")


class KernelCache(caching.FunctionCache):  # type: ignore[misc]
    """The cache of one kernel: read from every place, write to the first that takes it."""

    _impl_class = _Implementation

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Give the compiled code of a signature from the first place that has it whole, or None."""
        target_context.refresh()
        name = self._entry_name(sig, target_context.codegen())
        for place in cache_places():
            try:
                return self._impl.rebuild(target_context, pickle.loads(read_entry(place / name)))
            except (OSError, MemoryError):  # not there, or not to be read
                continue
            except Exception as error:  # unpickling raises nearly anything
                _notes["damage"] = f"damaged compiled code in {place} ({error}): compiled again"
                with contextlib.suppress(OSError):
                    (place / name).unlink(missing_ok=True)
        return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep compiled code; a full or read-only disk is noted and costs only the next start."""
        first = writable_place()
        if first is None or not self._impl.check_cachable(data):
            return
        name = self._entry_name(sig, data.codegen)
        payload = serialize.dumps(self._impl.reduce(data))
        places, refused = cache_places(), []
        later = places[places.index(first) + 1 :] if first in places else ()
        for place in (first, *later):
            try:
                place.mkdir(parents=True, exist_ok=True)
                write_entry(place / name, payload)
            except OSError as error:
                refused.append(f"{place}: {error.strerror or error}")
            else:
                self._tidy(place / name)
                return
        _notes["write"] = (
            f"compiled code cannot be kept ({'; '.join(refused)}): the next start compiles anew; "
            "make room, or set NUMBA_CACHE_DIR to a folder that can be written"
        )

    def flush(self) -> None:
        """Forget the entries of this kernel in the place that is written."""
        place = writable_place()
        for path in () if place is None else place.glob(f"{self._impl.filename_base}.*.nbc"):
            with contextlib.suppress(OSError):
                path.unlink()

    def _entry_name(self, sig: Any, codegen: Any) -> str:
        depends = repr((numba.__version__, llvmlite.__version__, self._index_key(sig, codegen)))
        key = hashlib.sha256(depends.encode()).hexdigest()
        return f"{self._impl.filename_base}.{source_digest()[:16]}.{key[:24]}.nbc"

    def _tidy(self, kept: Path) -> None:
        """Remove what was compiled from other sources, and what a power cut left half written an hour ago.

        The code of other processors and compilers stays.
        """
        base, place = self._impl.filename_base, kept.parent
        fresh = f"{base}.{source_digest()[:16]}."
        with contextlib.suppress(OSError):
            now = kept.stat().st_mtime
            for path in place.glob(f"{base}.*.nbc"):
                if not path.name.startswith(fresh):
                    path.unlink(missing_ok=True)
            for path in place.glob(f".{base}.*"):
                if now - path.stat().st_mtime > HOUR:
                    path.unlink(missing_ok=True)
