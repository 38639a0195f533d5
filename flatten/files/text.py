"""XYZ, CSV and other text: a return a line, columns parted by comma, semicolon or blanks, # comments."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain

import numpy as np
import numpy.typing as npt

from flatten.cloud import INTENSITY_NAMES, TIME_NAMES, Cloud
from flatten.files.source import HEAD, Source, plain_reason

NAME = "text"
SUFFIXES = (".xyz", ".csv", ".txt", ".asc")
PLAIN = ("x", "y", "z", "intensity")
CONTROL = bytes({*range(32), 127} - set(b"\t\n\r\f"))
Row = tuple[int, str]


def recognise(source: Source) -> bool:
    """Say whether the head is text whose first row is three numbers or more, or names x, y and z."""
    return looks_like_table(source.head)


def looks_like_table(head: bytes, named: bool = False) -> bool:
    """Say whether a file with this head holds a table of returns; `named`: only if it names its columns."""
    if head.translate(None, CONTROL) != head:
        return False
    lines = head.splitlines()
    if len(head) >= HEAD:
        lines.pop()
    for line in lines:
        text = _text(line)
        if _names_xyz(_cells(text.lstrip("#"), _delimiter(text))):
            return True
        if text and not text.startswith("#"):
            cells = _cells(text, _delimiter(text))
            return not named and len(cells) >= 3 and all(map(_is_number, cells))
    return False


def read(source: Source) -> Cloud:
    """Read (N,) float64 columns.

    A first row of words, or a comment before the first row that names x, y and z, names the
    columns; without names they are x, y, z and, where there is a fourth, the intensity. Columns of
    other names may hold anything. Rows of unequal length and words in place of numbers end in a
    CloudError that names the line.
    """
    rows, names = _rows(source)
    first = next(rows, None)
    if first is None:
        raise source.error("no rows of returns", "a row holds x y z, parted by comma, semicolon or blanks")
    delimiter = _delimiter(first[1])
    cells = _cells(first[1], delimiter)
    if len(names) != len(cells):
        names = []  # a comment that tells of x, y and z, but does not name these columns
    if not names and not all(map(_is_number, cells)):
        names = cells
    else:
        rows = chain([first], rows)
    picked = _pick(source, names or list(PLAIN[: len(cells)]))
    progress = [first[0]]
    checked = _checked(source, rows, delimiter, len(names or cells), progress)
    try:
        table = _load(checked, delimiter, list(picked.values()))
    except (ValueError, IndexError) as error:
        # numpy counts rows from 0 and knows nothing of comments: the line is named by ours
        reason = plain_reason(error).split(" at row ")[0]
        raise source.error(
            f"line {progress[0]}: {reason}", "a column must hold numbers with a decimal point"
        ) from error
    part = dict(zip(picked, table.T, strict=True))
    return Cloud(part["x"], part["y"], part["z"], part.get("intensity"), part.get("time"), source.name)


def _load(lines: Iterator[str], delimiter: str | None, columns: list[int]) -> npt.NDArray[np.float64]:
    return np.loadtxt(
        lines, np.float64, comments=None, delimiter=delimiter, quotechar='"', usecols=columns, ndmin=2
    )


def _rows(source: Source) -> tuple[Iterator[Row], list[str]]:
    """Give the rows that are neither blank nor comments, and the names from a comment before them."""
    names: list[str] = []
    texts = ((number, _text(line)) for number, line in source.lines())
    for number, text in texts:
        if not text:
            continue
        if not text.startswith("#"):
            rest = ((n, t) for n, t in texts if t and not t.startswith("#"))
            return chain([(number, text)], rest), names
        cells = _cells(text.lstrip("#"), _delimiter(text))
        names = cells if _names_xyz(cells) else names
    return iter(()), names


def _checked(
    source: Source, rows: Iterator[Row], delimiter: str | None, columns: int, progress: list[int]
) -> Iterator[str]:
    empty = True
    for number, text in rows:
        empty = False
        progress[0] = number
        have = len(text.split(delimiter)) if '"' not in text else len(_cells(text, delimiter))
        if have != columns:
            raise source.error(
                f"line {number} has {have} columns, the lines before have {columns}", "mend that line"
            )
        yield text
    if empty:
        raise source.error("no rows of returns below the column names")


def _pick(source: Source, names: list[str]) -> dict[str, int]:
    lower = [name.lower() for name in names]
    missing = [axis for axis in "xyz" if axis not in lower]
    if missing:
        raise source.error(
            f"no column {', '.join(missing)} (columns: {', '.join(names[:12])})",
            "name the columns x, y, z in the first line",
        )
    picked = {axis: lower.index(axis) for axis in "xyz"}
    for column, wanted in (("intensity", INTENSITY_NAMES), ("time", TIME_NAMES)):
        index = next((lower.index(name) for name in wanted if name in lower), None)
        if index is not None:
            picked[column] = index
    return picked


def _text(line: bytes) -> str:
    return line.decode("utf-8", "replace").strip("\ufeff \t\r\n\f")


def _delimiter(text: str) -> str | None:
    return ";" if ";" in text else "," if "," in text else None


def _cells(text: str, delimiter: str | None) -> list[str]:
    if '"' in text and delimiter:
        import csv  # noqa: PLC0415 - only for the rare quoted table

        return [cell.strip() for cell in next(csv.reader([text], delimiter=delimiter))]
    return [cell.strip().strip('"') for cell in text.split(delimiter)]


def _names_xyz(cells: list[str]) -> bool:
    return set("xyz") <= {cell.lower() for cell in cells}


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return "_" not in cell
