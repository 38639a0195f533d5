"""Flip bytes of a recording at random and look at what is read; test_damage.py does a few of these.

python -m tests.recordings.damage 10000
"""

from __future__ import annotations

import io
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from mcap.reader import make_reader
from mcap.records import Chunk, DataEnd
from mcap.stream_reader import StreamReader, breakup_chunk

from flatten.recordings.mcap_file import McapStore
from tests.recordings.made import recording

Key = tuple[str, int, bytes]
CASES = [("zstd", 3000), ("lz4", 3000), ("", 3000), ("zstd", 1 << 20)]
"""Compression and bytes in a chunk, about."""


def reference(data: bytes) -> list[Key]:
    """All messages of an undamaged file, by the mcap library."""
    return [
        (channel.topic, message.log_time, bytes(message.data))
        for _, channel, message in make_reader(io.BytesIO(data)).iter_messages(log_time_order=False)
    ]


def pieces(data: bytes) -> list[tuple[int, int, list[Key]]]:
    """Where the chunks lie, and what is in them, by the mcap library's stream reader."""
    topics: dict[int, str] = {}
    found = []
    stream = io.BytesIO(data)
    reader = StreamReader(stream, emit_chunks=True)
    for record in reader.records:
        if isinstance(record, DataEnd):
            break
        if isinstance(record, Chunk):
            end = stream.tell()
            inside = breakup_chunk(record, validate_crc=True)
            topics |= {part.id: part.topic for part in inside if hasattr(part, "topic")}
            keys = [
                (topics[part.channel_id], part.log_time, bytes(part.data))
                for part in inside
                if hasattr(part, "sequence")
            ]
            found.append(
                (end - 9 - (8 + 8 + 8 + 4 + 4 + len(record.compression) + 8 + len(record.data)), end, keys)
            )
    return found


def read(path: Path) -> tuple[list[Key], list[str]]:
    """What our reader gives of all topics, and what it says is wrong."""
    store = McapStore(path)
    try:
        names = {topic.name for topic in store.topics}
        found = [
            (message.topic.name, message.logged, bytes(message.data)) for message in store.messages(names)
        ]
        store.verify()
        return found, list(store.faults)
    finally:
        store.close()


def flips(data: bytes, count: int, seed: int) -> Iterator[tuple[int, bytes]]:
    """The file with one byte changed, at places drawn evenly."""
    rng = np.random.default_rng(seed)
    for place, change in zip(rng.integers(0, len(data), count), rng.integers(1, 256, count), strict=True):
        made = bytearray(data)
        made[place] ^= int(change)
        yield int(place), bytes(made)


def check(path: Path, data: bytes, place: int, made: bytes, parts: list[tuple[int, int, list[Key]]]) -> None:
    """One flip: nothing untouched is lost, nothing is spoiled, and it is told."""
    path.write_bytes(made)
    found, faults = read(path)
    whole = Counter(key for _, _, keys in parts for key in keys)
    assert not Counter(found) - whole, f"byte {place}: a message is spoiled or comes twice"
    safe = Counter(key for begin, end, keys in parts if not begin <= place < end for key in keys)
    assert not safe - Counter(found), f"byte {place}: messages are lost that it did not touch"
    assert faults, f"byte {place}: nobody tells of it"


def main(count: int) -> None:
    """Flip `count` bytes, a quarter of them in each kind of file."""
    with tempfile.TemporaryDirectory() as folder:
        for k, (compression, chunk) in enumerate(CASES):
            data = recording(compression=compression, chunk=chunk)
            parts = pieces(data)
            for place, made in flips(data, count // len(CASES), k):
                check(Path(folder) / "damaged.mcap", data, place, made, parts)
            print(f"{compression or 'unpacked'}, {len(parts)} chunks: {count // len(CASES)} flips, all well")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
