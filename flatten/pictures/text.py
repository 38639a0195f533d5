"""The report as plain text, for terminals and files."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from flatten.attitude import checked_attitude
from flatten.files.writing import CAUTION
from flatten.pictures import words
from flatten.pictures.entry import Entry, PairEntry, SliceRow, slice_rows

WIDTH = 96
INDENT = 12


def report_text(entries: Iterable[Entry], pairs: Iterable[PairEntry] = ()) -> str:
    """Say what was found in each cloud as plain text, lines of at most 96 characters where words allow it.

    Raises AttitudeError for an entry whose attitude is none.
    """
    parts = ["\n".join(_entry_lines(entry)) for entry in entries]
    compared = ["\n".join(_pair_lines(pair)) for pair in pairs]
    cautions = [textwrap.fill(words.FLOOR_CAUTION, WIDTH)] if compared else []
    parts = [*parts, *compared] or ["no clouds"]
    return "\n\n".join([*parts, *cautions, f"{CAUTION} · {words.made_by()}"]) + "\n"


def _entry_lines(entry: Entry) -> list[str]:
    facts = [
        ("shows", words.one_line(entry.shows)),
        ("sensor", words.one_line(entry.sensor)),
        ("profile", words.one_line(entry.profile)),
        ("attitude", words.attitude_words(checked_attitude(entry.attitude))),
        ("time", "" if entry.seconds is None else f"flattened in {words.seconds_words(entry.seconds)}"),
    ]
    for scan in list(entry.scans.values())[:1]:
        facts.append(("cloud", words.cloud_words(scan.counts)))
    lines = [words.one_line(entry.name)]
    for key, value in facts:
        if value:
            lines += _wrapped(key, value)
    for row in slice_rows(entry):
        lines += _slice_lines(row)
    return lines


def _pair_lines(pair: PairEntry) -> list[str]:
    """Say what two ways made of one cloud: figures in columns below the ways' names."""
    lines = [words.one_line(pair.name)]
    for key, value in (
        ("shows", words.one_line(pair.shows)),
        ("attitude", words.attitude_words(checked_attitude(pair.attitude))),
    ):
        lines += _wrapped(key, value)
    width = max((len(what) for what, _ in pair.figures), default=0)
    columns = [max(len(way), 12) for way in pair.ways]
    for what, values in (("", pair.ways), *pair.figures):
        cells = "".join(f"  {value:>{room}}" for value, room in zip(values, columns, strict=True))
        lines.append(f"  {what:<{width}}{cells}")
    return lines


def _slice_lines(row: SliceRow) -> list[str]:
    states = words.named_counts(row.states)
    if row.states is not None:
        states = f"{row.bins:,} bins: {states}; answered: {row.answered}"
    lines = _wrapped(row.name, states) + _wrapped("", f"nearest HIT: {row.nearest}; {row.used} in the slice")
    if row.truth is not None:
        within, hits = row.truth.hits_within, row.truth.hits_within + row.truth.hits_outside
        told = f"truth: {within:,} of {hits:,} HIT agree with it, {row.truth.false_free:,} CLEAR do not"
        lines += _wrapped("", told)
    return lines


def _wrapped(key: str, value: str) -> list[str]:
    head = f"  {key:<{INDENT - 3}} "
    return textwrap.wrap(
        value, WIDTH, initial_indent=head, subsequent_indent=" " * INDENT, break_long_words=False
    )
