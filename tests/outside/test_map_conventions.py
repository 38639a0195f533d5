"""Maps against what others say of lines, odds, messages and picture files."""

from __future__ import annotations

import io
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from rosbags.typesys import Stores, get_typestore
from skimage.draw import line

from flatten.kernels import cells
from flatten.mapping.grid import log_odds
from flatten.mapping.map_files import FREE, OCCUPIED, UNSEEN, map_jobs, read_map
from flatten.occupancy import OccupancyMap

SIDE = cells.TILE


@pytest.mark.parametrize("seed", range(4))
def test_a_drawn_line_lies_within_the_traversal(seed: int) -> None:
    """scikit-image draws by Bresenham (1965): one pixel a column, that whose middle is nearest to the line.

    Such a pixel is crossed, so the traversal must have it; it may have more: those that the line only
    clips. They may differ where the line passes exactly between two middles, and at the two ends, where the
    traversal marks nothing.
    """
    rng = np.random.default_rng(seed)
    for _ in range(200):
        (x0, y0), (x1, y1) = rng.integers(0, SIDE, (2, 2))
        length = math.hypot(x1 - x0, y1 - y0)
        if length == 0.0:
            continue
        sheet = np.zeros(SIDE * SIDE, np.uint8)
        one = np.ones(1)
        along = one * (x1 - x0) / length, one * (y1 - y0) / length
        cells.mark(sheet, SIDE, x0 + 0.5, y0 + 0.5, *along, np.nan * one, 0.0 * one, length * one)
        passed = {(int(c), int(r)) for r, c in np.argwhere(sheet.reshape(SIDE, SIDE))}
        rows, columns = line(y0, x0, y1, x1)
        drawn = set(zip(columns.tolist(), rows.tolist(), strict=True)) - {(x0, y0), (x1, y1)}
        steep = abs(y1 - y0) > abs(x1 - x0)
        for x, y in drawn - passed:
            share = (y - y0) / (y1 - y0) if steep else (x - x0) / (x1 - x0)
            aside = x0 + share * (x1 - x0) - x if steep else y0 + share * (y1 - y0) - y
            assert abs(abs(aside) - 0.5) < 1e-9, (x0, y0, x1, y1, x, y)
        # what is more is beside the line: no farther than a pixel's half diagonal
        for x, y in passed - drawn:
            off = abs((x1 - x0) * (y - y0) - (y1 - y0) * (x - x0)) / length
            assert off <= math.sqrt(0.5) + 1e-9


def test_log_odds_are_those_of_a_published_mapper() -> None:
    """A published octree mapper's source: 0.7 and 0.4 are +0.847 and −0.405, 0.1192 and 0.971 −2 and 3.5."""
    told = [log_odds(p) for p in (0.7, 0.4, 0.1192, 0.971)]
    np.testing.assert_allclose(told, [0.847, -0.405, -2.0, 3.5], atol=0.012)  # 0.971 is rounded: 3.511
    assert math.isclose(told[0], 0.8473, abs_tol=5e-5) and math.isclose(told[1], -0.4055, abs_tol=5e-5)


def small() -> OccupancyMap:
    """Two rows of three cells: the lower is free, unseen, occupied; above it a half, a tenth, nine tenths."""
    chances = np.array([[0.12, np.nan, 0.97], [0.5, 0.1, 0.9]])
    values = np.log(chances / (1.0 - chances)).astype(np.float32)
    return OccupancyMap("a", "map", 0.5, (-4, 10), values, np.zeros((2, 3), bool), -0.6, 0.6)


def test_the_message_is_as_its_definition_says() -> None:
    """nav_msgs/OccupancyGrid (common_interfaces, .msg): int8 data, row-major from (0, 0), x first.

    −1 is unknown, else 0 to 100; origin is the pose of the lower left corner of cell (0, 0).
    """
    told = small().message_fields()
    assert told["data"].dtype == np.int8 and list(told["data"]) == [12, -1, 97, 50, 10, 90]
    info = told["info"]
    assert (info["width"], info["height"], info["resolution"]) == (3, 2, 0.5)
    assert told["data"][2 + 0 * info["width"]] == 97  # x = 2, y = 0
    assert info["origin"]["position"] == {"x": -2.0, "y": 5.0, "z": 0.0}
    store = get_typestore(Stores.LATEST)
    t = store.types
    pose = t["geometry_msgs/msg/Pose"](
        t["geometry_msgs/msg/Point"](**info["origin"]["position"]),
        t["geometry_msgs/msg/Quaternion"](**info["origin"]["orientation"]),
    )
    stamp = t["builtin_interfaces/msg/Time"](0, 0)
    meta = t["nav_msgs/msg/MapMetaData"](stamp, info["resolution"], info["width"], info["height"], pose)
    header = t["std_msgs/msg/Header"](stamp, "map")
    message = t["nav_msgs/msg/OccupancyGrid"](header, meta, told["data"])
    wire = bytes(store.serialize_cdr(message, "nav_msgs/msg/OccupancyGrid"))
    np.testing.assert_array_equal(
        store.deserialize_cdr(wire, "nav_msgs/msg/OccupancyGrid").data, told["data"]
    )


def test_pictures_are_read_by_others(tmp_path: Path) -> None:
    """Netpbm P5 (pgm(5)) and PNG by Pillow; the top row first, the highest y on top."""
    made = small()
    jobs = map_jobs(tmp_path / "a", made, np.zeros((1, 3)), "drive.mcap")
    for place, fill in jobs:
        stream = io.BytesIO()
        fill(stream)
        place.write_bytes(stream.getvalue())
    expected = [[UNSEEN, FREE, OCCUPIED], [FREE, UNSEEN, OCCUPIED]]
    for kind in ("png", "pgm"):
        with Image.open(tmp_path / f"a.{kind}") as picture:
            assert picture.mode == "L"
            np.testing.assert_array_equal(np.asarray(picture), expected)
    raw = (tmp_path / "a.pgm").read_bytes()
    assert raw.startswith(b"P5\n#") and raw[-6:] == bytes(np.ravel(expected).tolist())
    again, way = read_map(tmp_path / "a.yaml")
    np.testing.assert_array_equal(again.log_odds, made.log_odds)
    assert again.extent == made.extent == (-2.0, -0.5, 5.0, 6.0) and way.shape == (1, 3)
