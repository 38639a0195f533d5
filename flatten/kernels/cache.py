"""Where compiled kernels are kept, so that a start costs milliseconds and not seconds.

numba's own cache is used, with four differences that matter on a rover: an entry is fresh only while
*all* kernel sources are unchanged (a kernel is compiled together with its parts); a populated
folder that cannot be written is read all the same; a damaged file, as a power cut leaves it, is
thrown away and compiled again; and a place that cannot be written is a note, not an error.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from numba.core import caching, config

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
    home = Path(os.environ.get("XDG_CACHE_HOME") or "~/.cache")
    with contextlib.suppress(RuntimeError):  # an account without a home
        places.append(home.expanduser() / "flatten" / _short(here))
    return tuple(places)


@functools.cache
def writable_place() -> Path | None:
    """Give the first place that can be written, made if need be, or None with a note."""
    for place in cache_places():
        try:
            place.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=place):
                return place
        except OSError:
            continue
    _notes["place"] = (
        "no folder for compiled code can be written ("
        + ", ".join(map(str, cache_places()))
        + "): what is not compiled there yet is compiled anew at every start; "
        "set NUMBA_CACHE_DIR to a folder that can be written"
    )
    return None


def _short(path: Path) -> str:
    return hashlib.sha256(str(path).encode()).hexdigest()[:12]


class _Locator(caching._CacheLocator):  # type: ignore[misc]
    """What numba asks about one kernel: where, how fresh, and what tells it from its namesakes."""

    def __init__(self, function: Callable[..., Any]) -> None:
        self._py_file = function.__code__.co_filename
        self._line = function.__code__.co_firstlineno

    def get_cache_path(self) -> str:
        return str(writable_place() or cache_places()[0])

    def get_source_stamp(self) -> str:
        return source_digest()

    def get_disambiguator(self) -> str:
        return f"{Path(self._py_file).stem}-{self._line}"

    def ensure_cache_path(self) -> None:
        if writable_place() is None:
            raise OSError("no folder for compiled code can be written")


class _Implementation(caching.CompileResultCacheImpl):  # type: ignore[misc]
    def __init__(self, function: Callable[..., Any]) -> None:
        # not the base's: that one raises where no folder can be written
        self._locator = _Locator(function)
        self._lineno = function.__code__.co_firstlineno
        self._filename_base = self.get_filename_base(f"flatten.{function.__qualname__}", "")


class KernelCache(caching.FunctionCache):  # type: ignore[misc]
    """The cache of one kernel: read from every place, write to the first that can be written."""

    _impl_class = _Implementation

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Give the compiled code of a signature from the first place that has it whole, or None."""
        target_context.refresh()
        key = self._index_key(sig, target_context.codegen())
        for place in cache_places():
            try:
                file = caching.IndexDataCacheFile(str(place), self._impl.filename_base, source_digest())
                data = file.load(key)
                if data is not None:
                    return self._impl.rebuild(target_context, data)
            except OSError:
                continue
            except Exception as error:  # unpickling damage raises nearly anything
                self._discard(place, error)
        return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep compiled code; a full or read-only disk is noted and costs only the next start."""
        try:
            super().save_overload(sig, data)
        except OSError as error:
            _notes.setdefault(
                "write", f"compiled code cannot be kept ({error}): the next start compiles anew"
            )

    def _discard(self, place: Path, error: Exception) -> None:
        _notes["damage"] = f"damaged compiled code in {place} ({type(error).__name__}): compiled again"
        for path in place.glob(f"{self._impl.filename_base}*.nb[ic]"):
            try:
                path.unlink()
            except OSError:
                continue
