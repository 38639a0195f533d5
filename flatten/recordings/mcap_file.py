"""An MCAP file as a store of messages, read around whatever of it is damaged.

With an index the chunks are read where it says; records between them (a recorder may write messages outside
of chunks) are walked. Without one, or with a damaged one, the whole file is walked once.
A chunk whose checksum is wrong is left out as a whole: nobody can say which of its messages is spoiled.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from flatten.errors import RecordingError
from flatten.files.source import plain_reason
from flatten.recordings.mcap_index import Channels, Index, read_index
from flatten.recordings.mcap_records import (
    CHANNEL,
    CHUNK,
    DATA_END,
    MAGIC,
    MESSAGE,
    MESSAGE_HEAD,
    MESSAGE_INDEX,
    SCHEMA,
    DamageError,
    Pages,
    Record,
    Unpacked,
    message_head,
    parts,
    unpack,
)
from flatten.recordings.mcap_walk import walk
from flatten.recordings.messages import Message, Topic

PIECE = 1 << 20
"""Bytes read at once where a checksum goes over all of the file."""


@dataclass(frozen=True)
class Piece:
    """A stretch of the file that has messages: a chunk, or a run of records outside of chunks."""

    begin: int
    end: int
    """Where the chunk's message indexes begin, or the run ends."""
    chunk: bool
    claimed: int | None = None
    """The record's length where the file ends before it."""
    channels: frozenset[int] | None = None
    """What has messages in it; None where that is not known."""
    times: tuple[int, int] | None = None
    """When its first and its last message were recorded, ns; None where that is not known."""

    def has(self, channels: Collection[int], start: int, stop: float) -> bool:
        """Tell whether there may be messages of some of these channels and of this time in it."""
        if self.channels is not None and not self.channels & set(channels):
            return False
        return self.times is None or (self.times[1] >= start and self.times[0] < stop)


@dataclass
class Tally:
    """Messages by channel, first and last time of recording."""

    counts: dict[int, int] = field(default_factory=dict)
    first: int | None = None
    last: int = 0

    def add(self, channel: int, logged: int) -> None:
        """Count a message."""
        self.counts[channel] = self.counts.get(channel, 0) + 1
        self.first = logged if self.first is None else min(self.first, logged)
        self.last = max(self.last, logged)


class McapStore:
    """An MCAP file, opened."""

    kind = "MCAP file"

    def __init__(self, path: Path) -> None:
        self.path, self.faults = path, list[str]()
        self.unchecked: set[int] = set()
        """Where chunks begin that were read and have no checksum."""
        try:
            self._stream = path.open("rb")
            self._pages = Pages(self._stream, path.stat().st_size)
        except OSError as error:
            raise RecordingError(
                f"{path}: cannot be opened ({plain_reason(error)}): check the path"
            ) from error
        try:
            self._open()
        except BaseException:
            self.close()
            raise

    def _open(self) -> None:
        head = self._pages.read(0, len(MAGIC))
        if head != MAGIC:
            if self._pages.read(self._pages.size - len(MAGIC), len(MAGIC)) != MAGIC:
                raise RecordingError(
                    f"{self.path}: is no MCAP file: neither its first bytes ({head!r}) nor its last are "
                    "those of one: copy it again"
                )
            self._tell("the first bytes of the file are damaged")
        try:
            index = read_index(self._pages)
        except DamageError as error:
            self._tell(f"{error}: read from end to end instead")
            index = None
        # an index that was checked is believed before the data, which may be damaged where it names a topic
        self.channels, self._pieces = Channels() if index is None else index.channels, list[Piece]()
        if index is None or not index.whole:
            tally = self._scan()
        else:
            tally = Tally(index.counts, index.first, index.last)
            self._take(index)
        self.start, self.end = tally.first or 0, tally.last
        self.topics = self._listed(tally.counts)
        nameless = sum(
            count for channel, count in tally.counts.items() if channel not in self.channels.topics
        )
        if nameless:
            self._tell(f"{nameless} messages are left out: what describes their topic is lost")

    def _tell(self, words: str) -> None:
        if words not in self.faults:
            self.faults.append(words)

    def _listed(self, counts: dict[int, int]) -> list[Topic]:
        found: dict[tuple[str, str, str], int] = {}
        for channel, key in self.channels.topics.items():
            found[key] = found.get(key, 0) + counts.get(channel, 0)
        return [Topic(name, type_, count, encoding) for (name, type_, encoding), count in found.items()]

    def _take(self, index: Index) -> None:
        """Make pieces of the chunks in the index, and of messages between them."""
        at = len(MAGIC)
        for chunk in index.chunks:
            self._between(at, chunk.offset)
            end = chunk.offset + chunk.length
            self._pieces.append(
                Piece(chunk.offset, end, True, None, chunk.channels, (chunk.first, chunk.last))
            )
            at = end + chunk.indexed
        self._between(at, index.begin)

    def _between(self, begin: int, end: int) -> None:
        """Look at the records between chunks: attachments, metadata, and messages outside of chunks."""
        for record in walk(self._pages, begin, end, self._skipped, self.channels.topics):
            if record.opcode in (MESSAGE, CHUNK):
                self._add(record)

    def _add(self, record: Record) -> None:
        last = self._pieces[-1] if self._pieces else None
        if record.opcode == CHUNK:
            self._pieces.append(Piece(record.offset, record.end, True))
        elif last is not None and not last.chunk and last.end == record.offset:
            self._pieces[-1] = Piece(last.begin, record.end, False)
        else:
            self._pieces.append(Piece(record.offset, record.end, False))

    def _scan(self) -> Tally:
        """Walk the whole file once: channels, pieces, and what there is of messages."""
        tally = Tally()
        for record in walk(self._pages, len(MAGIC), self._pages.size, self._skipped, self.channels.topics):
            if record.opcode in (SCHEMA, CHANNEL):
                self._learn(record.opcode, memoryview(self._content(record.offset, record.end)))
            elif record.opcode == CHUNK:
                self._add(record)
                self._count(self._pieces[-1], tally)
            elif record.opcode == MESSAGE:
                self._add(record)
                tally.add(*message_head(self._pages.read(record.offset + 9, MESSAGE_HEAD), 0))
        if self._pieces and self._pieces[-1].claimed is not None:
            self._count(self._pieces[-1], tally)
        return tally

    def _count(self, piece: Piece, tally: Tally) -> None:
        own = Tally()
        for channel, logged, _ in self._inside(piece):
            tally.add(channel, logged)
            own.add(channel, logged)
        if own.first is not None:
            times = own.first, own.last
            self._pieces[-1] = replace(piece, channels=frozenset(own.counts), times=times)

    def _learn(self, opcode: int, content: memoryview) -> None:
        try:
            self.channels.add(opcode, content)
        except DamageError as error:
            self._tell(str(error))

    def _skipped(self, since: int, found: int | None) -> None:
        """Hear of a stretch of the file in which no record can be found."""
        head = self._pages.read(since, 9)
        claimed = int.from_bytes(head[1:9], "little")
        if found is not None:
            self._tell(f"bytes {since} to {found} are damaged and left out")
        elif head and since + 9 + claimed > self._pages.size and (head[0] == CHUNK or len(head) < 9):
            self._tell(f"the file is cut off: what begins at byte {since} is not whole")
            self._pieces.append(Piece(since, self._pages.size, True, claimed))
        else:
            self._tell(f"from byte {since} on the file is damaged or cut off")

    def _content(self, begin: int, end: int) -> bytes:
        return self._pages.read(begin + 9, end - begin - 9)

    def _unpacked(self, piece: Piece) -> Unpacked | None:
        """Unpack a chunk; None, and a fault, where it is damaged."""
        record = self._pages.record(piece.begin) if piece.claimed is None else None
        try:
            if piece.claimed is None and (
                record is None or record.opcode != CHUNK or record.end != piece.end
            ):
                raise DamageError("its head is damaged")
            unpacked = unpack(self._content(piece.begin, piece.end), piece.claimed)
        except DamageError as error:
            self._tell(f"chunk at byte {piece.begin}: {error}: {self._lost(piece)}")
            return None
        if not unpacked.checked and piece.claimed is None:
            self.unchecked.add(piece.begin)
        return unpacked

    def _inside(self, piece: Piece) -> Iterator[tuple[int, int, memoryview]]:
        """Channel, time of recording and bytes of the messages in a piece."""
        if not piece.chunk:
            for record in walk(self._pages, piece.begin, piece.end, self._skipped, self.channels.topics):
                if record.opcode == MESSAGE:
                    content = memoryview(self._content(record.offset, record.end))
                    yield *message_head(content, 0), content[MESSAGE_HEAD:]
            return
        unpacked = self._unpacked(piece)
        if unpacked is None:
            return
        try:
            for part in parts(unpacked.data):
                inside = unpacked.data[part.begin : part.end]
                if part.opcode in (SCHEMA, CHANNEL):
                    self._learn(part.opcode, inside)
                elif part.opcode == MESSAGE and len(inside) >= MESSAGE_HEAD:
                    yield *message_head(inside, 0), inside[MESSAGE_HEAD:]
        except DamageError as error:
            if piece.claimed is None:  # that a chunk which is cut off ends in the middle is told already
                self._tell(f"chunk at byte {piece.begin}: {error}: the rest of its messages are lost")

    def _lost(self, piece: Piece) -> str:
        """Say what was in a chunk, by the message indexes behind it."""
        at, found = piece.end, dict[str, int]()
        while (record := self._pages.record(at)) is not None and record.opcode == MESSAGE_INDEX:
            head = self._pages.read(at + 9, 6)
            topic = self.channels.topics.get(int.from_bytes(head[:2], "little"))
            if topic is not None:
                found[topic[0]] = found.get(topic[0], 0) + int.from_bytes(head[2:], "little") // 16
            at = record.end
        told = ", ".join(f"{count} of {topic}" for topic, count in sorted(found.items()))
        return f"its messages are lost ({told or 'how many is not known'})"

    def messages(
        self, topics: Collection[str], start: int | None = None, stop: int | None = None
    ) -> Iterator[Message]:
        """Yield the messages of these topics in the order in which they lie in the file."""
        first, end = start or 0, math.inf if stop is None else stop
        listed = {(topic.name, topic.type, topic.encoding): topic for topic in self.topics}
        wanted = {
            channel: listed[key] for channel, key in self.channels.topics.items()
            if key in listed and key[0] in topics
        }  # fmt: skip
        for piece in self._pieces:
            if not piece.has(wanted, first, end):
                continue
            for channel, logged, data in self._inside(piece):
                if channel in wanted and first <= logged < end:
                    yield Message(wanted[channel], logged, data)

    def verify(self) -> None:
        """Hold all bytes of the data against their checksum, where there is one; a fault tells where not."""
        found: int | None = None
        for record in walk(self._pages, len(MAGIC), self._pages.size, self._skipped, self.channels.topics):
            if record.opcode == DATA_END and found is None:
                found = record.offset
        if found is None:
            self._tell("the data has no end as it should: damaged or cut off")
            return
        wanted, crc, at = int.from_bytes(self._pages.read(found + 9, 4), "little"), 0, 0
        while wanted and at < found:
            crc = zlib.crc32(self._pages.read(at, min(PIECE, found - at)), crc)
            at = min(at + PIECE, found)
        if wanted and crc != wanted:
            self._tell("the checksum over all of the data is wrong: something in the file is damaged")

    def close(self) -> None:
        """Close the file."""
        self._stream.close()
