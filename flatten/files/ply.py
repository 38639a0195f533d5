"""PLY 1.0, ascii and binary of either byte order (the format of Turk's ply.h), decoded by trimesh.

Read are the vertices and what is stored with each; faces and other elements are left alone.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.cloud import INTENSITY_NAMES, TIME_NAMES, Cloud, cloud_from_columns
from flatten.files.source import Source

NAME = "ply"
SUFFIXES = (".ply",)
FORMATS = ("ascii", "binary_little_endian", "binary_big_endian")
BYTES = {
    **{"char": 1, "uchar": 1, "short": 2, "ushort": 2, "int": 4, "uint": 4, "float": 4, "double": 8},
    **{"int8": 1, "uint8": 1, "int16": 2, "uint16": 2, "int32": 4, "uint32": 4, "float32": 4, "float64": 8},
}
WANTED = frozenset("xyz") | {*INTENSITY_NAMES, *TIME_NAMES}
MOST_LINES = 4096
"""Most lines a header may have."""


@dataclass
class Element:
    """One kind of record: how many, and the type and name of each property; a list has type `list`."""

    name: str
    count: int
    properties: list[tuple[str, str]] = field(default_factory=list)

    @property
    def has_list(self) -> bool:
        """Whether the records differ in length."""
        return any(kind == "list" for kind, _ in self.properties)

    @property
    def each(self) -> int:
        """Bytes of one record without lists."""
        return sum(BYTES[kind] for kind, _ in self.properties)


def recognise(source: Source) -> bool:
    """Say whether the file begins with the line `ply`."""
    return source.head[:3] == b"ply" and source.head[3:4] in (b"\n", b"\r", b" ")


def read(source: Source) -> Cloud:
    """Read (N,) coordinates in metres of the declared dtype, with intensity and time where present.

    The declared counts are held against the size of the file before anything is reserved.
    """
    layout, elements = _parse(source)
    place = next((k for k, element in enumerate(elements) if element.name == "vertex"), None)
    if place is None:
        raise source.error("has no vertices", "export the points as vertices")
    vertex, last = elements[place], place == len(elements) - 1
    wanted = _wanted(source, vertex)
    source.check_returns(vertex.count)
    if vertex.count == 0:
        raise source.error("holds no returns (0 vertices)", "record or export it again")
    if layout == "ascii":
        before = sum(element.count for element in elements[:place])
        body = _ascii_body(source, vertex, before, last)
    else:
        body = _binary_body(source, vertex, elements[:place], last)
    return cloud_from_columns(_decode(source, layout, vertex, wanted, body), source.name)


def _parse(source: Source) -> tuple[str, list[Element]]:
    layout, elements = "", list[Element]()
    for number, line in source.lines():
        words = line.decode("latin-1").split()
        key = words[0] if words else "comment"
        if key == "end_header":
            if layout not in FORMATS:
                raise source.error(
                    f"format {layout or '(none)'} is not known", f"export it as {', '.join(FORMATS)}"
                )
            return layout, elements
        if number == 1 and words != ["ply"]:
            break
        if key == "format" and len(words) > 1:
            layout = words[1]
        elif key == "element":
            elements.append(_element(source, number, words))
        elif key == "property":
            _add_property(source, number, words, elements)
        elif key not in ("ply", "comment", "obj_info"):
            raise source.error(f"line {number}: {key[:40]} is no word of a PLY header")
        if number >= MOST_LINES:
            break
    raise source.error(
        "no PLY header that ends in an end_header line", "check that it is a PLY file and whole"
    )


def _element(source: Source, number: int, words: list[str]) -> Element:
    if len(words) != 3 or not (words[2].isascii() and words[2].isdigit() and len(words[2]) < 20):
        raise source.error(f"line {number}: an element needs a name and a count")
    return Element(words[1], int(words[2]))


def _add_property(source: Source, number: int, words: list[str], elements: list[Element]) -> None:
    plain = len(words) == 3 and words[1] in BYTES
    listed = len(words) == 5 and words[1] == "list" and words[2] in BYTES and words[3] in BYTES
    if not elements or not (plain or listed):
        raise source.error(f"line {number}: not a property of known type that belongs to an element")
    elements[-1].properties.append((words[1], words[-1]))


def _wanted(source: Source, vertex: Element) -> dict[int, str]:
    """Map the place of each property that a cloud carries to its name; of equal names the first counts."""
    if vertex.has_list:
        raise source.error("its vertices hold lists", "export the vertices with plain properties")
    found: dict[str, int] = {}
    for place, (_, name) in enumerate(vertex.properties):
        if name.lower() in WANTED:
            found.setdefault(name.lower(), place)
    missing = [axis for axis in "xyz" if axis not in found]
    if missing:
        have = ", ".join(name for _, name in vertex.properties[:12]) or "none"
        raise source.error(f"no property {', '.join(missing)} (properties: {have})", "export x, y and z")
    return {place: name for name, place in found.items()}


def _ascii_body(source: Source, vertex: Element, before: int, last: bool) -> bytes:
    columns = len(vertex.properties)
    rows = ((number, words) for number, line in source.lines() if (words := line.split()))
    found = []
    for number, words in islice(rows, before, before + vertex.count):
        if len(words) != columns:
            raise source.error(
                f"line {number} after the header has {len(words)} numbers, a vertex has {columns}"
            )
        found.append(b" ".join(words))
    if len(found) < vertex.count:
        raise source.error(f"cut short: {vertex.count} vertices are declared, {len(found)} are there")
    if last and next(rows, None) is not None:
        raise source.error(f"wrong counts: {vertex.count} vertices are declared, but more rows are there")
    return b"\n".join(found)


def _binary_body(source: Source, vertex: Element, before: list[Element], last: bool) -> bytes:
    if any(element.has_list for element in before):
        raise source.error("lists stand before its vertices", "export the vertices first")
    skip = sum(element.count * element.each for element in before)
    if skip > source.left:
        raise source.error(
            f"cut short: {skip} bytes are declared before the vertices, {source.left} are there"
        )
    source.stream.seek(skip, io.SEEK_CUR)
    source.check_held(vertex.count, vertex.each)
    body = source.stream.read(vertex.count * vertex.each)
    if last:
        source.check_rest(vertex.each)
    return body


def _decode(
    source: Source, layout: str, vertex: Element, wanted: dict[int, str], body: bytes
) -> dict[str, npt.NDArray[Any]]:
    """Decode checked vertices under a header of their own: unwanted properties get names of their own."""
    from trimesh.exchange.ply import load_ply  # noqa: PLC0415 - heavy

    lines = ["ply", f"format {layout} 1.0", f"element vertex {vertex.count}"]
    for place, (kind, _) in enumerate(vertex.properties):
        lines.append(f"property {kind} {wanted.get(place, f'other{place}')}")
    head = "\n".join([*lines, "end_header\n"]).encode()
    loaded = load_ply(io.BytesIO(head + body), skip_materials=True)
    data = loaded["metadata"]["_ply_raw"]["vertex"]["data"]
    columns = {name: np.asarray(data[name]).reshape(-1) for name in wanted.values()}
    if any(len(part) != vertex.count for part in columns.values()):
        raise source.error("some vertices are not made of numbers")
    return columns
