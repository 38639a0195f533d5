"""What is shown, packed for the page: one message of a header in JSON and arrays behind it.

4 bytes   length of the header, little-endian
header    JSON in UTF-8, blanks up to a multiple of 4; `arrays` says name, type, first byte and length
arrays    little-endian, each on a multiple of 4 bytes, counted from the end of the header
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.page.bench import Shown

MOST_DRAWN = 200_000
"""Returns that are sent to be drawn; of more, evenly chosen ones."""
FARTHEST_DRAWN = 300.0
"""Metres from the sensor within which returns are drawn, so that whole steps stay below 1 cm."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """The returns of one frame that are drawn; they stay the same while sliders move."""

    number: int
    """Unlike that of any other frame shown."""
    chosen: npt.NDArray[np.int64]
    """(n,) which of `Placed`."""
    steps: npt.NDArray[np.int16]
    """(n, 3) coordinates in the sensor frame, counted in `scale` metres."""
    scale: float


def drawn(points: npt.NDArray[np.float32], number: int) -> Drawn:
    """Choose the returns to draw and round their coordinates to whole steps."""
    chosen = np.flatnonzero((np.abs(points) <= FARTHEST_DRAWN).all(axis=1))
    if len(chosen) > MOST_DRAWN:
        chosen = chosen[np.linspace(0, len(chosen) - 1, MOST_DRAWN).astype(np.int64)]
    part = points[chosen]
    scale = max(float(np.abs(part).max(initial=0.0)), 1.0) / 32_000.0
    return Drawn(number, chosen, np.round(part / scale).astype(np.int16), scale)


def contents(shown: Shown, picture: Drawn, answers: int) -> tuple[dict[str, Any], dict[str, Any]]:
    """Give header and arrays of what is shown.

    Parameters
    ----------
    shown:
        What it is.
    picture:
        Its returns, to draw.
    answers:
        Number of the last message of the page that this answers.

    """
    look, scan = shown.look, shown.look.scans[shown.slice]
    arrays: dict[str, Any] = {
        "ranges": scan.ranges, "heights": scan.heights, "from": scan.clear_from, "to": scan.clear_to,
        "states": scan.states, "fates": shown.fates[picture.chosen], "points": picture.steps,
    }  # fmt: skip
    if shown.leaking is not None:
        arrays["leaking"] = shown.leaking.view(np.uint8)
    if look.profile.level == "floor":
        arrays["above"] = look.placed.heights[picture.chosen].astype(np.float32)
    header = {
        "answers": answers,
        "picture": picture.number,
        "scale": picture.scale,
        "drawn": len(picture.chosen),
        "fan": {"first": scan.first, "step": scan.step, "bins": scan.bins},
        "sensor": look.plan.frame(look.attitude).level_from_sensor.ravel().tolist(),
        "body": look.plan.level_from_body(look.attitude)[:3].ravel().tolist(),
        "state": shown.state,
        "figures": shown.figures,
        "studied": shown.leaking is not None,
    }
    return header, arrays


def fresh(arrays: Mapping[str, Any], sent: Mapping[str, Any]) -> dict[str, Any]:
    """Leave out what a page has been sent already."""
    return {name: array for name, array in arrays.items() if not same(array, sent.get(name))}


def same(a: npt.NDArray[Any], b: npt.NDArray[Any] | None) -> bool:
    """Tell whether two arrays hold the same bytes; NaN is like NaN."""
    if a is b or b is None:
        return a is b
    return a.shape == b.shape and a.dtype == b.dtype and a.tobytes() == b.tobytes()


def join(header: Mapping[str, Any], arrays: Mapping[str, npt.NDArray[Any]]) -> bytes:
    """Join header and arrays to one message."""
    places, parts, at = {}, [], 0
    for name, array in arrays.items():
        plain = np.ascontiguousarray(array, array.dtype.newbyteorder("<"))
        places[name] = [plain.dtype.str[1:], at, plain.size]
        parts += [plain.tobytes(), bytes(-plain.nbytes % 4)]
        at += plain.nbytes + -plain.nbytes % 4
    head = json.dumps({**header, "arrays": places}, allow_nan=False, separators=(",", ":")).encode()
    head += b" " * (-len(head) % 4)
    return b"".join([struct.pack("<I", len(head)), head, *parts])


def split(message: bytes) -> tuple[dict[str, Any], dict[str, npt.NDArray[Any]]]:
    """Take a message apart again, as the page does it; for tests and measurements."""
    (length,) = struct.unpack_from("<I", message)
    header = json.loads(message[4 : 4 + length])
    arrays = {
        name: np.frombuffer(message, f"<{kind}", size, 4 + length + at)
        for name, (kind, at, size) in header.pop("arrays").items()
    }
    return header, arrays
