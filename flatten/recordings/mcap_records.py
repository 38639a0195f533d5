"""Records of an MCAP file: where they lie, whether they can be some, and what chunks hold.

Source: the open MCAP specification. A record is an opcode (1 byte), a length (8 bytes, little-endian)
and its content; the file begins and ends with eight bytes of magic. Chunks hold records,
packed with lz4, zstd or not at all, and the CRC-32 of the unpacked bytes (0: none).
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO, NamedTuple

from flatten.errors import MissingPartError
from flatten.files.source import ALWAYS_FINE, MOST_RATIO, MOST_UNPACKED, plain_reason

MAGIC = b"\x89MCAP0\r\n"
FOOTER_SIZE = 9 + 20
HEADER, FOOTER, SCHEMA, CHANNEL, MESSAGE, CHUNK, MESSAGE_INDEX = 1, 2, 3, 4, 5, 6, 7
CHUNK_INDEX, STATISTICS, DATA_END = 8, 11, 15
LAST_KNOWN, FIRST_PRIVATE = 15, 128
"""Opcodes 1 … 15 are defined, those from 128 on are anybody's; the rest is nobody's."""
COMPRESSIONS = ("", "lz4", "zstd")
LONGEST_NAME = 1 << 16
"""Bytes in the longest name (of a topic, of a type) that is taken for one."""

_LENGTH = struct.Struct("<Q")
_CHUNK = struct.Struct(
    "<QQQII"
)  # first and last time, unpacked size, CRC-32, length of the compression's name
_MESSAGE = struct.Struct("<HIQQ")  # channel, sequence, logged, published
MESSAGE_HEAD = _MESSAGE.size


class DamageError(Exception):
    """What is wrong with a piece of the file, in words; never leaves this room."""


class Part(NamedTuple):
    """A record within unpacked bytes: its opcode and where its content lies."""

    opcode: int
    begin: int
    end: int


class Record(NamedTuple):
    """A record in the file: its opcode, where it begins, and where the next one does."""

    opcode: int
    offset: int
    end: int


@dataclass(frozen=True)
class Unpacked:
    """What a chunk holds."""

    data: memoryview
    checked: bool
    """Whether a checksum says that it is as it was written."""


class Pages:
    """An opened file, read at places; never past its end."""

    def __init__(self, stream: BinaryIO, size: int) -> None:
        self.stream, self.size = stream, size

    def read(self, offset: int, count: int) -> bytes:
        """Read up to `count` bytes from `offset` on: fewer where the file ends."""
        count = min(count, self.size - offset)
        if offset < 0 or count <= 0:
            return b""
        self.stream.seek(offset)
        return self.stream.read(count)

    def record(self, offset: int) -> Record | None:
        """Give the record that begins at `offset`, if one can: a known opcode, a length that fits."""
        head = self.read(offset, 9)
        if len(head) < 9:
            return None
        opcode, length = head[0], _LENGTH.unpack_from(head, 1)[0]
        end = offset + 9 + length
        if end > self.size or not (1 <= opcode <= LAST_KNOWN or opcode >= FIRST_PRIVATE):
            return None
        return Record(opcode, offset, end) if self._can_be(opcode, offset + 9, length) else None

    def _can_be(self, opcode: int, begin: int, length: int) -> bool:
        """Tell whether what lies in a record agrees with its length."""
        if opcode == CHUNK:
            return self.chunk_fits(begin, length)
        if opcode == MESSAGE:
            return length >= MESSAGE_HEAD
        if opcode == MESSAGE_INDEX:
            head = self.read(begin, 6)
            return len(head) == 6 and length == 6 + int.from_bytes(head[2:6], "little")
        if opcode == DATA_END:
            return length == 4
        if opcode in (SCHEMA, CHANNEL):
            return length < LONGEST_NAME << 8 and names_fit(self.read(begin, length), opcode)
        return True

    def chunk_fits(self, begin: int, length: int) -> bool:
        """Tell whether the parts of a chunk's content add up to its length."""
        head = self.read(begin, _CHUNK.size + 12)
        if length < _CHUNK.size + 8 or len(head) < _CHUNK.size + 8:
            return False
        named = _CHUNK.unpack_from(head)[4]
        if named not in (0, 3, 4) or len(head) < _CHUNK.size + named + 8:
            return False
        packed = _LENGTH.unpack_from(head, _CHUNK.size + named)[0]
        return bool(length == _CHUNK.size + named + 8 + packed)


def names_fit(content: bytes | memoryview, opcode: int) -> bool:
    """Tell whether the strings of a schema or channel fill its content exactly."""
    at = 2 if opcode == SCHEMA else 4
    for _ in range(3):  # name, encoding, data of a schema; topic, encoding, metadata of a channel
        if at + 4 > len(content):
            return False
        at += 4 + int.from_bytes(content[at : at + 4], "little")
    return at == len(content)


def unpack(content: bytes, claimed: int | None = None) -> Unpacked:
    """Unpack the content of a chunk record; DamageError where it is not what it says.

    `claimed` is the length of the record where the file ends before it: then what is left is unpacked as far
    as it goes, and nothing is checked.
    """
    if len(content) < _CHUNK.size:
        raise DamageError("cut off within its head")
    _, _, size, crc, named = _CHUNK.unpack_from(content)
    place = _CHUNK.size + named
    try:
        compression = bytes(content[_CHUNK.size : place]).decode()
    except UnicodeDecodeError:
        compression = "?"
    if compression not in COMPRESSIONS:
        raise DamageError(f"packed in a way that is not known ({compression!r})")
    packed = memoryview(content)[place + 8 :]
    if size > MOST_UNPACKED or size > max(ALWAYS_FINE, MOST_RATIO * len(packed)):
        raise DamageError(f"{len(packed)} bytes claim to unpack to {size}")
    data = _inflate(packed, compression, size, whole=claimed is None)
    if claimed is not None:
        return Unpacked(memoryview(data), False)
    if len(data) != size:
        raise DamageError(f"unpacks to {len(data)} bytes, it says {size}")
    if crc and zlib.crc32(data) != crc:
        raise DamageError("its checksum is wrong")
    return Unpacked(memoryview(data), bool(crc))


def _inflate(packed: memoryview, compression: str, size: int, whole: bool) -> bytes | memoryview:
    """Unpack at most `size` bytes; of a chunk that is cut off (`whole` false) what there is."""
    if not compression:
        return packed
    try:
        if compression == "zstd":
            return _zstd(packed, size)
        return _lz4(packed, size)
    except MissingPartError:
        raise
    except Exception as error:  # both libraries have errors of their own
        raise DamageError(f"cannot be unpacked ({plain_reason(error)})") from error


def _zstd(packed: memoryview, size: int) -> bytes:
    try:
        import zstandard  # noqa: PLC0415 - of the desk
    except ImportError as error:
        raise MissingPartError("recordings need mcap: pip install 'flatten[desk]'") from error
    with zstandard.ZstdDecompressor().stream_reader(io.BytesIO(packed)) as reader:
        return reader.read(size + 1)  # one more, so that too much shows


def _lz4(packed: memoryview, size: int) -> bytes:
    try:
        from lz4.frame import LZ4FrameDecompressor  # noqa: PLC0415 - of the desk
    except ImportError as error:
        raise MissingPartError("recordings need mcap: pip install 'flatten[desk]'") from error
    return bytes(LZ4FrameDecompressor().decompress(packed, max_length=size + 1))


def parts(data: memoryview) -> Iterator[Part]:
    """Walk the records in unpacked bytes; DamageError where one does not fit."""
    at, size = 0, len(data)
    while at < size:
        if at + 9 > size:
            raise DamageError("a record is cut off")
        end = at + 9 + _LENGTH.unpack_from(data, at + 1)[0]
        if end > size:
            raise DamageError("a record is longer than what is left")
        yield Part(data[at], at + 9, end)
        at = end


def message_head(data: bytes | memoryview, begin: int) -> tuple[int, int]:
    """Channel and time of recording (ns) of a message's content."""
    channel, _, logged, _ = _MESSAGE.unpack_from(data, begin)
    return int(channel), int(logged)
