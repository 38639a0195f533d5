"""PCD 0.5 to 0.7, ascii, binary and binary_compressed (PCD file format page), decoded by pypcd4.

The returns stay in the axes of the file: VIEWPOINT is the pose from which the cloud was taken, and
in this library that pose is the mount of the profile; so VIEWPOINT is read over and not applied.
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flatten.cloud import INTENSITY_NAMES, TIME_NAMES, Cloud, cloud_from_columns
from flatten.files.source import Source

NAME = "pcd"
SUFFIXES = (".pcd",)
KEYS = (b"VERSION", b"FIELDS", b"COLUMNS")
VERSIONS = ("0.7", ".7", "0.6", ".6", "0.5", ".5")
TYPES = {("F", 4), ("F", 8), *((kind, size) for kind in "IU" for size in (1, 2, 4, 8))}
WANTED = frozenset("xyz") | {*INTENSITY_NAMES, *TIME_NAMES}
MOST_NUMBERS = 4096
"""Most numbers a return may hold, all fields together."""
MOST_LINES = 1000
LZF_RATIO = 88
"""An LZF back reference is 3 bytes and stands for at most 264 (2 + 7 + 255): the format cannot do more."""


@dataclass(frozen=True)
class Header:
    """What a PCD header declares: one entry a field in the first four."""

    fields: tuple[str, ...]
    sizes: tuple[int, ...]
    types: tuple[str, ...]
    counts: tuple[int, ...]
    width: int
    height: int
    data: str

    @property
    def points(self) -> int:
        """Number of returns."""
        return self.width * self.height

    @property
    def each(self) -> int:
        """Bytes of one return."""
        return sum(size * count for size, count in zip(self.sizes, self.counts, strict=True))

    def without_padding(self) -> Header:
        """Drop the padding fields, which compressed data leaves out."""
        keep = [k for k, name in enumerate(self.fields) if name != "_"]
        fields, sizes, types, counts = (
            tuple(part[k] for k in keep) for part in (self.fields, self.sizes, self.types, self.counts)
        )
        return Header(fields, sizes, types, counts, self.width, self.height, self.data)  # type: ignore[arg-type]


def recognise(source: Source) -> bool:
    """Say whether the head holds PCD's comment or its first entry."""
    if source.head.startswith(b"# .PCD"):
        return True
    lines = (line.strip() for line in source.head.splitlines())
    first = next((line for line in lines if line and not line.startswith(b"#")), b"")
    return first.split(b" ")[0] in KEYS


def read(source: Source) -> Cloud:
    """Read x, y, z in metres, with intensity and time where present; (rows, columns) where HEIGHT > 1.

    All declared numbers are held against the size of the file before anything is reserved.
    """
    header = _parse(source)
    source.check_returns(header.points)
    if header.points == 0:
        raise source.error("holds no returns (POINTS 0)", "record or export it again")
    if header.data == "ascii":
        body = _ascii_body(source, header)
    elif header.data == "binary":
        source.check_held(header.points, header.each)
        body = source.stream.read(header.points * header.each)
        source.check_rest(header.each)  # some writers pad to whole pages
    else:
        header, body = _compressed_body(source, header)
    columns = _decode(source, header, body)
    shape = (header.height, header.width) if header.height > 1 else (header.width,)
    return cloud_from_columns({name: part.reshape(shape) for name, part in columns.items()}, source.name)


def _parse(source: Source) -> Header:
    entries: dict[str, list[str]] = {}
    for number, line in source.lines():
        words = line.decode("latin-1").split()
        if words and not words[0].startswith("#"):
            entries[words[0].upper()] = words[1:]
            if words[0].upper() == "DATA":
                return _checked(source, entries)
        if number >= MOST_LINES:
            break
    raise source.error("no PCD header that ends in a DATA line", "check that it is a PCD file and whole")


def _checked(source: Source, entries: dict[str, list[str]]) -> Header:
    fields = tuple(entries.get("FIELDS") or entries.get("COLUMNS") or ())
    version, data = (" ".join(entries.get(key, [])[:1]) for key in ("VERSION", "DATA"))
    if version and version not in VERSIONS:
        raise source.error(f"PCD version {version} is not known", "export it as version 0.7")
    if data not in ("ascii", "binary", "binary_compressed"):
        raise source.error(
            f"DATA {data or '(nothing)'} is not known", "export it as ascii, binary or binary_compressed"
        )
    sizes, counts = (
        _numbers(source, entries, "SIZE"),
        _numbers(source, entries, "COUNT") or (1,) * len(fields),
    )
    types = tuple(entries.get("TYPE", ()))
    if not fields or not len(fields) == len(sizes) == len(types) == len(counts):
        raise source.error("FIELDS, SIZE, TYPE and COUNT do not list the same number of fields")
    for name, kind, size, count in zip(fields, types, sizes, counts, strict=True):
        if (kind, size) not in TYPES or not 1 <= count <= MOST_NUMBERS:
            raise source.error(f"field {name} has TYPE {kind}, SIZE {size}, COUNT {count}, which cannot be")
    if sum(counts) > MOST_NUMBERS:
        raise source.error(
            f"{sum(counts)} numbers a return, at most {MOST_NUMBERS} can be read", "export fewer fields"
        )
    return _sized(source, entries, Header(fields, sizes, types, counts, 0, 0, data))


def _sized(source: Source, entries: dict[str, list[str]], header: Header) -> Header:
    points, width, height = (_numbers(source, entries, key)[:1] for key in ("POINTS", "WIDTH", "HEIGHT"))
    if not points and not width:
        raise source.error("the header has neither POINTS nor WIDTH")
    rows = height[0] if height else 1
    columns = width[0] if width else points[0]
    if points and rows * columns != points[0]:
        raise source.error(f"wrong counts: WIDTH {columns} times HEIGHT {rows} is not POINTS {points[0]}")
    missing = [axis for axis in "xyz" if axis not in _wanted(header).values()]
    if missing:
        raise source.error(
            f"no field {', '.join(missing)} (fields: {', '.join(header.fields[:12])})", "export x, y and z"
        )
    return Header(header.fields, header.sizes, header.types, header.counts, columns, rows, header.data)


def _numbers(source: Source, entries: dict[str, list[str]], key: str) -> tuple[int, ...]:
    words = entries.get(key, [])
    if not all(word.isascii() and word.isdigit() and len(word) < 20 for word in words):
        raise source.error(f"{key} {' '.join(words)[:40]} is no list of whole numbers")
    return tuple(map(int, words))


def _wanted(header: Header) -> dict[int, str]:
    """Map the place of each field that a cloud carries to its name; of equal names the first counts."""
    found: dict[str, int] = {}
    for place, (name, count) in enumerate(zip(header.fields, header.counts, strict=True)):
        if name.lower() in WANTED and count == 1:
            found.setdefault(name.lower(), place)
    return {place: name for name, place in found.items()}


def _ascii_body(source: Source, header: Header) -> bytes:
    """Bring the rows to the single blanks that the decoder splits at, and count them."""
    columns = sum(header.counts)
    rows = []
    for number, line in source.lines():
        words = line.split()
        if words and len(words) != columns:
            raise source.error(f"line {number} after DATA has {len(words)} numbers, its fields are {columns}")
        if words:
            rows.append(b" ".join(words))
    if len(rows) != header.points:
        raise source.error(
            f"cut short or wrong counts: POINTS {header.points}, but {len(rows)} rows of returns"
        )
    return b"\n".join(rows)


def _compressed_body(source: Source, header: Header) -> tuple[Header, bytes]:
    """Check packed and unpacked size against file, header and what LZF can do; give the packed data."""
    sizes = source.stream.read(8)
    if len(sizes) < 8:
        raise source.error("cut short: the sizes of the compressed data are missing")
    packed, unpacked = struct.unpack("<II", sizes)
    if packed > source.left:
        raise source.error(f"cut short: {packed} compressed bytes are declared, {source.left} are there")
    bare = header.without_padding()
    fitting = next((one for one in (bare, header) if one.points * one.each == unpacked), None)
    if fitting is None:
        raise source.error(
            f"wrong counts: {unpacked} bytes do not hold {header.points} returns of {bare.each}"
        )
    if unpacked > LZF_RATIO * packed:
        raise source.error(f"{packed} compressed bytes cannot hold {unpacked}")
    source.check_unpacked(unpacked, packed)
    return fitting, sizes + source.stream.read(packed)


def _decode(source: Source, header: Header, body: bytes) -> dict[str, npt.NDArray[np.generic]]:
    """Decode checked data with a header in plain spelling: unwanted fields get names of their own."""
    from pypcd4 import PointCloud  # noqa: PLC0415 - heavy

    wanted = _wanted(header)
    names = [wanted.get(place, f"other{place}") for place in range(len(header.fields))]
    text = (
        f"VERSION 0.7\nFIELDS {' '.join(names)}\nSIZE {' '.join(map(str, header.sizes))}\n"
        f"TYPE {' '.join(header.types)}\nCOUNT {' '.join(map(str, header.counts))}\n"
        f"WIDTH {header.points}\nHEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\n"
        f"POINTS {header.points}\nDATA {header.data}\n"
    )
    records = PointCloud.from_fileobj(io.BytesIO(text.encode() + body)).pc_data.reshape(-1)
    if len(records) != header.points:
        raise source.error(f"cut short: {len(records)} of {header.points} returns could be decoded")
    return {name: records[name] for name in wanted.values()}
