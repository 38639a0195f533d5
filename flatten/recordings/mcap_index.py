"""The index at the end of an MCAP file: topics, counts and where the chunks are."""

from __future__ import annotations

import io
import zlib
from dataclasses import dataclass, field
from typing import Any

from flatten.errors import MissingPartError
from flatten.files.source import plain_reason
from flatten.recordings.mcap_records import (
    CHANNEL,
    CHUNK_INDEX,
    FOOTER,
    FOOTER_SIZE,
    MAGIC,
    SCHEMA,
    STATISTICS,
    DamageError,
    Pages,
    parts,
)
from flatten.recordings.messages import standard_type

MOST_BYTES = 1 << 30
"""Of the index; a chunk takes about 100 bytes in it."""


@dataclass
class Channels:
    """Topics and types by channel, as far as they are known."""

    types: dict[int, str] = field(default_factory=dict)
    """Name of the type, by schema."""
    topics: dict[int, tuple[str, str, str]] = field(default_factory=dict)
    """Topic, type and encoding, by channel."""

    def add(self, opcode: int, content: memoryview) -> None:
        """Read a schema or channel record; what is known stays. DamageError where it is none."""
        library = records()
        try:
            if opcode == SCHEMA:
                schema = library.Schema.read(_stream(content))
                self.types.setdefault(schema.id, standard_type(schema.name))
            elif opcode == CHANNEL:
                channel = library.Channel.read(_stream(content))
                type_ = self.types.get(channel.schema_id, "")
                self.topics.setdefault(channel.id, (channel.topic, type_, channel.message_encoding))
        except Exception as error:
            raise DamageError(f"a schema or channel cannot be read ({plain_reason(error)})") from error


@dataclass(frozen=True)
class Chunk:
    """Where a chunk lies by the index."""

    offset: int
    length: int
    """Bytes of the record, opcode and length among them."""
    indexed: int
    """Bytes of message indexes behind it."""
    first: int
    last: int
    channels: frozenset[int]
    """What has messages in it."""


@dataclass
class Index:
    """What the end of the file says."""

    channels: Channels
    chunks: list[Chunk]
    counts: dict[int, int]
    """Messages by channel."""
    first: int
    last: int
    begin: int
    """Where the index begins: the data ends there."""
    whole: bool
    """Whether it says enough to read by; without chunks, or counts, only its channels are of use."""


def read_index(pages: Pages) -> Index | None:
    """Read the index; None where there is none, DamageError where it is damaged."""
    footer = pages.read(pages.size - len(MAGIC) - FOOTER_SIZE, FOOTER_SIZE + len(MAGIC))
    if not footer.endswith(MAGIC):
        raise DamageError("the file is cut off: its last bytes are not those of an MCAP file")
    if footer[0] != FOOTER or int.from_bytes(footer[1:9], "little") != 20:
        raise DamageError("the footer is damaged")
    begin = int.from_bytes(footer[9:17], "little")
    crc = int.from_bytes(footer[25:29], "little")
    end = pages.size - len(MAGIC) - FOOTER_SIZE
    if begin == 0:
        return None
    if not len(MAGIC) < begin <= end or end - begin > MOST_BYTES:
        raise DamageError("the index lies outside of the file")
    content = pages.read(begin, end - begin)
    if crc and zlib.crc32(footer[:25], zlib.crc32(content)) != crc:
        raise DamageError("the checksum of the index is wrong")
    return _parsed(content, begin)


def _parsed(content: bytes, begin: int) -> Index:
    library, view = records(), memoryview(content)
    channels, chunks, statistics = Channels(), list[Chunk](), None
    for part in parts(view):
        inside = view[part.begin : part.end]
        try:
            if part.opcode in (SCHEMA, CHANNEL):
                channels.add(part.opcode, inside)
            elif part.opcode == CHUNK_INDEX:
                told = library.ChunkIndex.read(_stream(inside))
                chunks.append(
                    Chunk(
                        told.chunk_start_offset, told.chunk_length, told.message_index_length,
                        told.message_start_time, told.message_end_time, frozenset(told.message_index_offsets),
                    )
                )  # fmt: skip
            elif part.opcode == STATISTICS:
                statistics = library.Statistics.read(_stream(inside))
        except DamageError:
            raise
        except Exception as error:
            raise DamageError(f"the index cannot be read ({plain_reason(error)})") from error
    counts = {} if statistics is None else dict(statistics.channel_message_counts)
    first, last = (
        (0, 0) if statistics is None else (statistics.message_start_time, statistics.message_end_time)
    )
    whole = statistics is not None and bool(chunks) and not set(counts) - set(channels.topics)
    chunks.sort(key=lambda chunk: chunk.offset)
    ends = [0, *(chunk.offset + chunk.length + chunk.indexed for chunk in chunks)]
    if ends[-1] > begin or any(chunk.offset < end for chunk, end in zip(chunks, ends, strict=False)):
        raise DamageError("chunks of the index overlap")
    return Index(channels, chunks, counts, first, last, begin, whole)


def records() -> Any:
    """Give the library that reads records; MissingPartError where it is not installed."""
    try:
        from mcap import records as library  # noqa: PLC0415 - of the desk
    except ImportError as error:
        raise MissingPartError("recordings need mcap: pip install 'flatten[desk]'") from error
    return library


def _stream(content: memoryview) -> Any:
    from mcap.data_stream import ReadDataStream  # noqa: PLC0415 - of the desk

    return ReadDataStream(io.BytesIO(content))
