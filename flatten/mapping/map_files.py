"""Maps as files: two pictures to look at and to edit, a text that says what they mean, and all numbers.

For each map NAME there are

- NAME.png and NAME.pgm (Netpbm P5): one grey byte a cell, the top row first; OCCUPIED, UNSEEN or FREE;
- NAME.yaml: where the pictures lie and how large a cell is, what the shades mean, the figures of merit;
- NAME.npz: `log_odds` (rows, columns; the lowest row first), `was_free`, `data` (the occupancy-grid message's
  int8 values, row-major, see `OccupancyMap.message_fields`), and `path` (k, 3), x, y, yaw.
"""

from __future__ import annotations

import io
import math
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.errors import MapError
from flatten.files.source import plain_reason
from flatten.files.writing import CAUTION, Fill, Job
from flatten.mapping.grid import MOST_CELLS
from flatten.occupancy import OccupancyMap
from flatten.version import __version__

Shades = npt.NDArray[np.uint8]

OCCUPIED, UNSEEN, FREE = 0, 128, 255
"""Grey of a cell."""
LAYOUT = 1
MOST_BYTES = 8 * MOST_CELLS
"""Of the unpacked numbers."""
KEYS = ("layout", "name", "frame", "cell_m", "columns", "rows", "lower_left_cell", "evidence", "files")


def shades(made: OccupancyMap) -> Shades:
    """(rows, columns) grey bytes as they stand in the pictures: the highest y first."""
    grey = np.where(made.occupied, OCCUPIED, np.where(made.free, FREE, UNSEEN)).astype(np.uint8)
    return np.ascontiguousarray(grey[::-1])


def map_jobs(stem: Path, made: OccupancyMap, path: npt.NDArray[np.float64], source: str) -> list[Job]:
    """List what is to be written, for `flatten.files.writing.write_all`: numbers, pictures, then the text."""
    files = {kind: stem.with_name(f"{stem.name}.{kind}") for kind in ("npz", "png", "pgm", "yaml")}
    named = {kind: place.name for kind, place in files.items() if kind != "yaml"}
    return [
        (files["npz"], _numbers(made, path)),
        (files["png"], lambda stream: _png(made, stream)),
        (files["pgm"], lambda stream: _pgm(made, stream)),
        (files["yaml"], _text(made, named, source)),
    ]


def _numbers(made: OccupancyMap, path: npt.NDArray[np.float64]) -> Fill:
    def fill(stream: io.BufferedIOBase) -> None:
        np.savez_compressed(
            stream, log_odds=made.log_odds, was_free=made.was_free, path=path,
            data=made.message_fields()["data"],
        )  # fmt: skip

    return fill


def _png(made: OccupancyMap, stream: io.BufferedIOBase) -> None:
    from PIL import Image, PngImagePlugin  # noqa: PLC0415 - of the desk

    notes = PngImagePlugin.PngInfo()
    notes.add_text("Software", f"flatten {__version__}")
    notes.add_text("Comment", CAUTION)
    picture: Any = Image.fromarray(shades(made))
    picture.save(stream, "PNG", pnginfo=notes)


def _pgm(made: OccupancyMap, stream: io.BufferedIOBase) -> None:
    rows, columns = made.shape
    stream.write(f"P5\n# flatten {__version__}; {CAUTION}\n{columns} {rows}\n255\n".encode())
    stream.write(shades(made).tobytes())


def _text(made: OccupancyMap, files: Mapping[str, str], source: str) -> Fill:
    import yaml  # noqa: PLC0415 - only here

    left, _, bottom, _ = made.extent
    rows, columns = made.shape
    values: dict[str, Any] = {
        "layout": LAYOUT,
        "name": made.name,
        "source": " ".join(source.split()),
        "frame": made.frame,
        "cell_m": made.cell,
        "columns": columns,
        "rows": rows,
        "lower_left_m": [round(left, 9), round(bottom, 9)],
        "lower_left_cell": list(made.corner),
        "shades": {"occupied": OCCUPIED, "unseen": UNSEEN, "free": FREE},
        "evidence": {"free_at": made.free_at, "occupied_at": made.occupied_at},
        "files": dict(files),
        "figures": {key: plain(value) for key, value in made.figures.items()},
    }

    def fill(stream: io.BufferedIOBase) -> None:
        head = (
            f"# Map made by flatten {__version__}. {CAUTION}\n"
            "# m and rad. lower_left_m: lower left corner of the lower left cell, in `frame`. The pictures\n"
            "# have their top row first. evidence: log-odds at or below which a cell is free, at or above\n"
            "# which it is occupied.\n"
        )
        text = yaml.safe_dump(values, sort_keys=False, allow_unicode=True, width=105)
        stream.write((head + text).encode())

    return fill


def plain(value: Any) -> Any:
    """Give a figure as JSON and YAML have it: six digits, None for NaN."""
    if isinstance(value, float):
        return None if math.isnan(value) else float(f"{value:.6g}")
    if isinstance(value, dict):
        return {key: plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(part) for part in value]
    return value


def read_map(path: Path) -> tuple[OccupancyMap, npt.NDArray[np.float64]]:
    """Read a map back by its YAML: (map, path (k, 3) x, y, yaw); MapError for what is none."""
    told = _read_text(path)
    try:
        made, way = _read_numbers(path, told)
    except Exception as error:
        raise MapError(
            f"{path}: no map that this library wrote lies there ({plain_reason(error)}): make it again"
        ) from error
    if made.shape != (told["rows"], told["columns"]) or made.was_free.shape != made.shape:
        raise MapError(f"{path}: its numbers do not fit it: they are of two maps: make it again")
    return made, way


def _read_numbers(path: Path, told: dict[str, Any]) -> tuple[OccupancyMap, npt.NDArray[np.float64]]:
    place = path.with_name(Path(str(told["files"]["npz"])).name)
    with zipfile.ZipFile(place) as packed:
        wanted = ("log_odds.npy", "was_free.npy", "path.npy")
        if sum(packed.getinfo(name).file_size for name in wanted) > MOST_BYTES:
            raise ValueError("larger than a map may be")
    with np.load(place, allow_pickle=False) as arrays:
        values, was_free, way = (arrays[name.removesuffix(".npy")] for name in wanted)
    if values.dtype != np.float32 or was_free.dtype != bool:
        raise ValueError("its arrays are of other kinds")
    corner, evidence = told["lower_left_cell"], told["evidence"]
    made = OccupancyMap(
        name=str(told["name"]), frame=str(told["frame"]), cell=float(told["cell_m"]),
        corner=(int(corner[0]), int(corner[1])), log_odds=values, was_free=was_free,
        free_at=float(evidence["free_at"]), occupied_at=float(evidence["occupied_at"]),
        figures=dict(told.get("figures") or {}),
    )  # fmt: skip
    return made, np.asarray(way, np.float64).reshape(-1, 3)


def _read_text(path: Path) -> dict[str, Any]:
    import yaml  # noqa: PLC0415 - only here

    try:
        told = yaml.safe_load(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, yaml.YAMLError) as error:
        raise MapError(f"{path}: cannot be read as a map ({plain_reason(error)}): name NAME.yaml") from error
    lacking = [key for key in KEYS if key not in told] if isinstance(told, dict) else list(KEYS)
    if lacking:
        raise MapError(
            f"{path}: is no map of `flatten map`: {', '.join(lacking[:3])} missing: name its .yaml"
        )
    if told["layout"] != LAYOUT:
        raise MapError(f"{path}: layout {told['layout']} of the map is not known: use a newer version")
    values: dict[str, Any] = told
    return values
