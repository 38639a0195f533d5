"""Which reader reads what: picked by the content of a file first, by its suffix second."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from flatten.cloud import Cloud
from flatten.errors import CloudError, FlattenError
from flatten.files import kitti, las, npy, npz, pcd, ply, text
from flatten.files.source import MOST_RETURNS, PathLike, Source, open_source, path_name, plain_reason


@dataclass(frozen=True)
class Reader:
    """One format: its name, its suffixes, its mark and how it is read."""

    name: str
    suffixes: tuple[str, ...]
    recognise: Callable[[Source], bool]
    read: Callable[[Source], Cloud]


def _reader(module: ModuleType) -> Reader:
    return Reader(module.NAME, module.SUFFIXES, module.recognise, module.read)


# in the order in which they are asked whether they know the content; the vaguest last
READERS = tuple(map(_reader, (pcd, ply, npy, npz, las, text, kitti)))


def cloud_formats() -> list[str]:
    """List the names of the formats that `read_cloud` reads."""
    return [reader.name for reader in READERS]


def read_cloud(path: PathLike, format: str | None = None) -> Cloud:
    """Read a cloud file: PCD, PLY, NPY, NPZ, LAS, LAZ, KITTI .bin, or text (XYZ, CSV).

    The format is recognised by the content, then by the suffix; `format` (one of
    `cloud_formats()`) settles it instead. Coordinates stay in the file's axes, metres, (N,) or
    (rows, columns), in the dtype of the file (float64 from text and LAS); intensity and time of each
    return come along where the file has them, in its units; all else is left out. At most
    2³¹ − 1 returns are read; a packed file may unpack to 4 GiB and, above 64 MiB, to 100 times its
    size; no number in a header reserves memory before it was held against the size of the file.

    Raises CloudError, in one line with the name of the file, for whatever cannot be read, an empty
    file and a file without returns among it; MissingPartError where LAS needs an optional library.
    """
    with open_source(path) as source:
        reader = _pick(source, format)
        try:
            cloud = reader.read(source)
        except FlattenError:
            raise
        except MemoryError as error:
            raise source.error("does not fit into memory", "split the cloud into smaller files") from error
        except Exception as error:
            raise source.error(f"cannot be read as {reader.name} ({plain_reason(error)})") from error
        if len(cloud) == 0:
            raise source.error("holds no returns", "record or export it again")
        source.check_returns(len(cloud))
        return cloud


def find_clouds(paths: Iterable[PathLike]) -> list[Path]:
    """Expand folders to the cloud files in them, sorted by name, and keep files as they are given.

    Folders are not searched further down. Of what is ambiguous a folder gives only what is surely
    a cloud: a .csv or .npz that names x, y and z (scans are kept in such files too), and no .txt
    (trajectories are): name these yourself. Raises CloudError for a path that is not there and
    for a folder without cloud files.
    """
    found: list[Path] = []
    for path in paths:
        place = Path(path_name(path))
        try:
            if not place.is_dir():
                if not place.exists():
                    raise CloudError(f"{place}: there is no such file or folder: check the path")
                found.append(place)
                continue
            inside = [file for file in sorted(place.iterdir()) if _belongs(file)]
        except (OSError, ValueError) as error:
            raise CloudError(
                f"{place}: cannot be looked into ({plain_reason(error)}): check the path"
            ) from error
        if not inside:
            raise CloudError(
                f"{place}: no cloud files in this folder: name files, or a folder that holds some"
            )
        found.extend(inside)
    return found


def _belongs(file: Path) -> bool:
    suffix = file.suffix.lower()
    known = any(suffix in reader.suffixes for reader in READERS) and suffix != ".txt"
    if not known or file.name.startswith(".") or not file.is_file():
        return False
    if suffix not in (".csv", ".npz"):
        return True
    try:
        with open_source(file) as source:
            if suffix == ".csv":
                return text.looks_like_table(source.head, named=True)
            return npz.holds_cloud(source)
    except FlattenError:
        return False


def _pick(source: Source, format: str | None) -> Reader:
    if format is not None:
        chosen = next((reader for reader in READERS if reader.name == format), None)
        if chosen is None:
            raise source.error(f"format {format} is not known", f"use one of {', '.join(cloud_formats())}")
        return chosen
    known = next((reader for reader in READERS if reader.recognise(source)), None)
    named = next((reader for reader in READERS if source.suffix in reader.suffixes), None)
    reader = known or named
    if reader is None:
        raise source.error(
            f"neither its content nor its suffix {source.suffix or '(none)'} is that of a cloud file",
            f"use one of {', '.join(cloud_formats())}, or name the format",
        )
    return reader


__all__ = ["MOST_RETURNS", "READERS", "Reader", "cloud_formats", "find_clouds", "read_cloud"]
