"""LAS 1.0 to 1.4 and LAZ (ASPRS LAS), decoded by laspy with its lazrs part.

Coordinates are record × scale + offset in the unit of the file, which is taken for metres.
"""

from __future__ import annotations

import logging
import struct
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np

from flatten.cloud import Cloud
from flatten.errors import MissingPartError
from flatten.files.source import Source

NAME = "las"
SUFFIXES = (".las", ".laz")
MAGIC = b"LASF"
LONGEST_LASZIP = 4096
"""Bytes in the longest record that says how points are packed."""
SMALLEST_HEADER = 227
SMALLEST_VARIABLE_RECORD = 54
PACKED_BITS = 0xC0
"""The bits of the point format by which LAZ marks packed points."""


def recognise(source: Source) -> bool:
    """Say whether the file begins with the mark of a LAS file."""
    return source.head.startswith(MAGIC)


def read(source: Source) -> Cloud:
    """Read (N,) float64 coordinates, uint16 intensity and, where stored, float64 GPS time.

    Declared counts and sizes are held against the size of the file before anything is reserved.
    Raises MissingPartError without laspy, or without lazrs for a packed file.
    """
    count, each, start, packed = _check(source)
    laspy = _laspy(packed)
    header = laspy.open(source.stream, closefd=False, read_evlrs=False).header
    if packed:
        body = _unpack(source, header, start, count * each)
    else:
        source.stream.seek(start)
        body = source.stream.read(count * each)
    record = laspy.point.record
    plain = record.PackedPointRecord.from_buffer(body, header.point_format)
    points = record.ScaleAwarePointRecord(plain.array, plain.point_format, header.scales, header.offsets)
    x, y, z = (np.asarray(getattr(points, axis), np.float64) for axis in "xyz")
    timed = "gps_time" in set(points.point_format.dimension_names)
    time = np.asarray(points["gps_time"]) if timed else None
    return Cloud(x, y, z, np.asarray(points["intensity"]), time, source.name)


def _check(source: Source) -> tuple[int, int, int, bool]:
    """Hold the header against the file: give returns, bytes of each, where they start, whether packed."""
    head = source.head
    if not head.startswith(MAGIC):
        raise source.error("does not begin like a LAS file", "check that it is a LAS or LAZ file")
    if len(head) < SMALLEST_HEADER:
        raise source.error("cut short: no whole LAS header")
    minor = head[25]
    header_size, start, records = struct.unpack_from("<HII", head, 94)
    kind, each, count = struct.unpack_from("<BHI", head, 104)
    if minor >= 4:
        if len(head) < 375 or header_size < 375:
            raise source.error("cut short: no whole LAS 1.4 header")
        (count,) = struct.unpack_from("<Q", head, 247)
    source.check_returns(count)
    if count == 0:
        raise source.error("holds no returns", "record or export it again")
    if not header_size <= start <= source.size or records * SMALLEST_VARIABLE_RECORD > start - header_size:
        raise source.error("cut short or with a wrong header: its records do not fit before the points")
    packed = bool(kind & PACKED_BITS)
    if packed:
        source.check_unpacked(count * each, source.size)
    elif each == 0 or start + count * each > source.size:
        raise source.error(
            f"cut short or with a wrong header: {count} returns of {each} bytes need {count * each} bytes, "
            f"{source.size - start} are there"
        )
    return count, each, start, packed


# Runs in an interpreter of its own: on damaged data the compiled unpacker may end its whole process.
UNPACKER = """
import resource, sys
folder, laszip, start, size = sys.argv[1], bytes.fromhex(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
resource.setrlimit(resource.RLIMIT_AS, (size + 2**30, size + 2**30))
resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
sys.path.insert(0, folder)
import lazrs
packed, points = open(0, "rb"), bytearray(size)
packed.seek(start)
lazrs.LasZipDecompressor(packed, laszip).decompress_many(points)
sys.stdout.buffer.write(points)
"""


def _unpack(source: Source, header: Any, start: int, size: int) -> bytes:
    """Unpack LAZ points to `size` bytes in a child process with bounded memory."""
    import lazrs  # type: ignore[import-untyped,unused-ignore]  # noqa: PLC0415 - optional

    found = header.vlrs.get("LasZipVlr")
    if not found or len(found[0].record_data) > LONGEST_LASZIP:
        raise source.error("wrong header: it does not say how its points are packed")
    folder = str(Path(lazrs.__file__).parent.parent)
    words = [folder, found[0].record_data.hex(), str(start), str(size)]
    done = subprocess.run(
        [sys.executable, "-I", "-c", UNPACKER, *words],
        stdin=source.stream,
        capture_output=True,
        check=False,
    )
    if done.returncode != 0 or len(done.stdout) != size:
        raise source.error("its packed points are damaged and cannot be unpacked", "copy or export it again")
    return done.stdout


def _laspy(packed: bool) -> Any:
    try:
        import laspy  # noqa: PLC0415 - optional

        if packed:
            import lazrs  # type: ignore[import-untyped,unused-ignore]  # noqa: F401, PLC0415 - optional
    except ImportError as error:
        raise MissingPartError("LAS and LAZ need laspy and lazrs: pip install 'flatten[desk]'") from error
    logger = logging.getLogger("laspy")
    if not logger.handlers:  # what it would print comes out as an error here
        logger.addHandler(logging.NullHandler())
    return laspy
