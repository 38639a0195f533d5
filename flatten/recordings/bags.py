"""Bag files of both generations, and bag folders with sqlite3 storage, through the rosbags library."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from flatten.errors import MissingPartError, RecordingError
from flatten.files.source import plain_reason
from flatten.recordings.messages import Message, Store, Topic, standard_type


class BagStore:
    """A bag that the library reads as a whole; it has no checksums, so damage shows where it stops."""

    def __init__(self, path: Path, first_generation: bool) -> None:
        self.path, self.faults = path, list[str]()
        self.kind = "bag file of the first generation" if first_generation else "bag folder"
        if not first_generation and path.is_file():
            self.kind = "bag file"
        self._encoding = "ros1" if first_generation else "cdr"
        try:
            self._reader = _opened(path, first_generation)
        except (MissingPartError, MemoryError):
            raise
        except Exception as error:
            raise RecordingError(
                f"{path}: cannot be read as a {self.kind} ({plain_reason(error)}): copy it again, or rebuild "
                "its index with the tools that recorded it"
            ) from error
        self.topics = self._listed()
        some = self._reader.message_count > 0
        self.start = int(self._reader.start_time) if some else 0
        self.end = int(self._reader.end_time) - 1 if some else 0  # the library tells the first moment after

    def _listed(self) -> list[Topic]:
        found: dict[tuple[str, str], int] = {}
        for connection in self._reader.connections:
            key = connection.topic, standard_type(connection.msgtype)
            found[key] = found.get(key, 0) + int(connection.msgcount)
        return [Topic(name, type_, count, self._encoding) for (name, type_), count in found.items()]

    def messages(
        self, topics: Collection[str], start: int | None = None, stop: int | None = None
    ) -> Iterator[Message]:
        """Yield messages in recorded order; where the file is damaged reading ends, and a fault tells it."""
        wanted = [connection for connection in self._reader.connections if connection.topic in topics]
        if not wanted:
            return
        named = {(topic.name, topic.type): topic for topic in self.topics}
        count = 0
        try:
            for connection, logged, data in self._reader.messages(wanted, start, stop):
                yield Message(named[connection.topic, standard_type(connection.msgtype)], int(logged), data)
                count += 1
        except GeneratorExit:
            raise
        except Exception as error:
            told = f"damaged after {count} messages of {', '.join(topics)}: {plain_reason(error)}"
            if told not in self.faults:
                self.faults.append(told)

    def verify(self) -> None:
        """Do nothing: these formats have no checksums."""

    def close(self) -> None:
        """Close the files."""
        with suppress(Exception):
            self._reader.close()


def _opened(path: Path, first_generation: bool) -> Any:
    try:
        from rosbags.rosbag1 import Reader as FirstReader  # noqa: PLC0415 - of the desk
        from rosbags.rosbag2 import Reader  # noqa: PLC0415
    except ImportError as error:
        raise MissingPartError("recordings need rosbags: pip install 'flatten[desk]'") from error
    reader = FirstReader(path) if first_generation else Reader(path)
    reader.open()
    return reader


class ChainStore:
    """Several stores of one recording, one after the other: the files of a folder."""

    def __init__(self, kind: str, stores: Sequence[Store], faults: Iterable[str] = ()) -> None:
        self.kind, self._stores, self._faults = kind, stores, list(faults)
        counts: dict[tuple[str, str, str], int] = {}
        for topic in (topic for store in stores for topic in store.topics):
            key = topic.name, topic.type, topic.encoding
            counts[key] = counts.get(key, 0) + topic.count
        self.topics = [Topic(name, type_, count, way) for (name, type_, way), count in counts.items()]
        filled = [store for store in stores if any(topic.count for topic in store.topics)]
        self.start = min((store.start for store in filled), default=0)
        self.end = max((store.end for store in filled), default=0)

    @property
    def faults(self) -> list[str]:
        """What is damaged in any of them."""
        return [*self._faults, *(fault for store in self._stores for fault in store.faults)]

    def messages(
        self, topics: Collection[str], start: int | None = None, stop: int | None = None
    ) -> Iterator[Message]:
        """Yield the messages of one file after the other."""
        for store in self._stores:
            yield from store.messages(topics, start, stop)

    def verify(self) -> None:
        """Hold each file against its checksums."""
        for store in self._stores:
            store.verify()

    def close(self) -> None:
        """Close all files."""
        for store in self._stores:
            store.close()
