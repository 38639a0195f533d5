"""Tables of the documents, made from the JSON of the measurements and put between their marks."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchmarks import (
    batch_tables,
    blind_tables,
    board_tables,
    ground_tables,
    map_tables,
    motion_tables,
    mount_tables,
    page_tables,
    recheck_tables,
    record,
    speed_tables,
    tune_tables,
)
from benchmarks.markdown import markdown, where

TOP = Path(__file__).parent.parent
DOCUMENTS = (TOP / "README.md", TOP / "benchmarks" / "README.md")

Row = dict[str, Any]


def share(part: int, whole: int) -> str:
    """A share in per cent, or a dash where there is nothing to share."""
    return (
        "–"
        if whole == 0
        else f"{100 * part / whole:.1f}"
        if 0 < part < whole
        else f"{100 * part / whole:.0f}"
    )


def false_free(effects: str = "field") -> str:
    """Shown / false-free in per cent of the bins in which an object stands."""
    told = record.read("false_free")
    rows: list[Row] = [row for row in told["figures"] if row["effects"] == effects]
    distances = sorted({row["distance"] for row in rows})
    lines = []
    for sensor, frames in (("rosette", 1), ("rosette", 5), ("rosette", 10), ("rotating", 1)):
        for name in dict.fromkeys(row["object"] for row in rows):
            cells = []
            for distance in distances:
                row = next(
                    r for r in rows
                    if (r["sensor"], r["frames"]) == (sensor, frames)
                    and (r["object"], r["distance"]) == (name, distance)
                )  # fmt: skip
                cells.append(f"{share(row['shown'], row['bins'])} / {share(row['false_free'], row['bins'])}")
            lines.append([f"{sensor}, {frames}", name, row["slice"], *cells])
    head = ["sensor, frames", "object", "slice", *(f"{d:g} m" for d in distances)]
    return markdown(head, lines) + "\n\n" + where(told)


def clear_defaults() -> str:
    """CLEAR in the sample place for candidate values of the `clear` section."""
    told = record.read("clear_defaults")
    rows: list[Row] = told["figures"]
    lines = []
    for smallest in sorted({row["smallest"] for row in rows}):
        for to in sorted({row["to"] for row in rows}):
            cells = []
            for sensor, frames in (("rosette", 1), ("rosette", 5), ("rosette", 10), ("rotating", 1)):
                row = next(
                    r for r in rows
                    if (r["sensor"], r["frames"], r["smallest"], r["to"], r["from"])
                    == (sensor, frames, smallest, to, 1.5)
                )  # fmt: skip
                cells.append(
                    f"{share(row['clear_free'], row['free'])} / {share(row['clear_false'], row['clear'])}"
                )
            lines.append([f"{smallest:g}", f"{to:g}", *cells])
    head = ["smallest m", "to m", "rosette, 1", "rosette, 5", "rosette, 10", "rotating, 1"]
    return markdown(head, lines) + "\n\n" + where(told)


TABLES: dict[str, Callable[[], str]] = {
    "false-free": false_free,
    "false-free-clean": lambda: false_free("clean"),
    "clear-defaults": clear_defaults,
    **speed_tables.TABLES,
    **board_tables.TABLES,
    **ground_tables.TABLES,
    **motion_tables.TABLES,
    **batch_tables.TABLES,
    **mount_tables.TABLES,
    **recheck_tables.TABLES,
    **page_tables.TABLES,
    **blind_tables.TABLES,
    **tune_tables.TABLES,
    **map_tables.TABLES,
}


def filled(text: str) -> str:
    """Give a document with the tables between its marks made anew."""

    def table(match: re.Match[str]) -> str:
        return f"{match[1]}\n{TABLES[match[2]]()}\n{match[4]}"

    return re.sub(r"(<!-- table: ([a-z-]+) -->)(.*?)(<!-- end -->)", table, text, flags=re.DOTALL)


def make_all() -> None:
    """Write all tables into the documents."""
    try:
        made = {document: filled(document.read_text()) for document in DOCUMENTS}
    except FileNotFoundError as error:
        part = Path(str(error.filename)).stem
        raise SystemExit(
            f"benchmarks: {error.filename} is missing: run `python -m benchmarks {part}` first"
        ) from error
    for document, text in made.items():
        document.write_text(text)
        print(document)
