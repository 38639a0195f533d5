"""Walking an MCAP file without its index: from record to record, and over what is damaged.

Where no record can be, the next one is looked for: a chunk by its shape (opcode, compression, lengths that
add up), a message by a channel that is known and a record that follows it. A record that was not
checked by its shape is searched too, as its length may be what is wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator

import numpy as np

from flatten.recordings.mcap_records import CHUNK, FOOTER, MESSAGE, Pages, Record

WINDOW = 1 << 20
"""Bytes that are searched at once."""


def walk(
    pages: Pages, begin: int, end: int, tell: Callable[[int, int | None], None], channels: Collection[int]
) -> Iterator[Record]:  # fmt: skip
    """Yield the records from `begin` to `end`, or to the footer.

    Behind the data lies the index, whose schemas and channels may be the only ones left.

    `tell` hears of what is skipped: from where to where, None for all the rest. `channels` are those known
    so far; it may grow while walking.
    """
    at, held = begin, None  # one record is held back until it is seen what follows
    chunked = False
    while at < end:
        record = pages.record(at)
        if record is not None and record.end <= end:
            if held is not None:
                yield held
            chunked |= record.opcode == CHUNK
            held, at = record, record.end
            if record.opcode == FOOTER:
                break
            continue
        # a chunk's length was checked by its parts; that of another record may be what is wrong
        since = at if held is None or held.opcode == CHUNK else held.offset
        found = find(pages, since + 1, end, channels, chunks_only=chunked)
        if held is not None and (found is None or found >= held.end):
            yield held
            since = at
        held = None
        tell(since, found)
        if found is None:
            return
        at = found
    if held is not None:
        yield held


def find(pages: Pages, begin: int, end: int, channels: Collection[int], chunks_only: bool) -> int | None:
    """Give the first place from `begin` on where a chunk, or a message of a known channel, surely begins."""
    at = begin
    while at < end:
        window = np.frombuffer(pages.read(at, min(WINDOW, end - at) + 64), np.uint8)
        for k in _candidates(window, chunks_only):
            if at + k >= end:
                break
            if _surely(pages, int(at + k), end, channels):
                return int(at + k)
        at += WINDOW
    return None


def _candidates(window: np.ndarray, chunks_only: bool) -> np.ndarray:
    """Places of opcodes with a length below 2⁴⁰ (and, of chunks, a compression's length of 0, 3 or 4)."""
    reach = window.size - 41
    if reach <= 0:
        return np.empty(0, np.intp)
    near = window[:reach]
    short = (window[6 : reach + 6] | window[7 : reach + 7] | window[8 : reach + 8]) == 0
    named = window[37 : reach + 37]
    rest = window[38 : reach + 38] | window[39 : reach + 39] | window[40 : reach + 40]
    fits = (near == CHUNK) & ((named == 0) | (named == 3) | (named == 4)) & (rest == 0)
    if not chunks_only:
        fits |= near == MESSAGE
    return np.flatnonzero(fits & short)


def _surely(pages: Pages, offset: int, end: int, channels: Collection[int]) -> bool:
    record = pages.record(offset)
    if record is None or record.end > end:
        return False
    if record.opcode == CHUNK:
        return True
    channel = int.from_bytes(pages.read(offset + 9, 2), "little")
    if channel not in channels:
        return False
    return record.end == end or pages.record(record.end) is not None
