"""Colours, lines, hatches and sizes of all pictures, in one place.

Each meaning differs from the others by marker, hatch or line as well as by colour; the lightnesses
are apart, so that a grey print keeps them apart. Colours are told apart with all common kinds of
colour blindness: dark red, blue and greys (no red beside green).
"""

from __future__ import annotations

INK = "#1a1a1a"
SOFT_INK = "#555555"
RULE = "#9a9a9a"

HIT = "#8c1010"
"""HIT dots: the darkest thing on the page."""
CLEAR = "#8fc1ea"
PARTLY = "#e4eff9"
BLOCKED = "#ebebeb"
BLOCKED_LINE = "#aaaaaa"
NEAR = "#7b3fa0"

RETURN = "#c4c4c4"
SLICE_RETURN = "#8f8f8f"
WRONG = "#d98200"
"""Crosses on HITs that a known truth denies: light beside the dark dots, and another shape."""
DROP = "#1a1a1a"
"""Triangles that point down: the floor ends."""

EDGE_MARK = {"marker": "v", "ms": 4.6, "mew": 0.8, "color": DROP, "markerfacecolor": "#ffffff"}
"""An edge of the floor, here and there along it."""
EDGE_DOT = {"marker": "o", "ms": 2.4, "mew": 0.0, "color": DROP}
"""Each bin that tells one."""
WRONG_MARK = {"marker": "x", "ms": 4.2, "mew": 1.0, "color": WRONG}

ROBOT = "#ffffff"
ZONE = "#b35900"

SMALL, TEXT, HEAD = 7.0, 8.0, 9.5
"""Sizes of letters, points."""

BAND_LINES = ("-", (0, (6, 2)), (0, (2, 1.5)), (0, (6, 2, 1, 2)))
"""Borders of the slices in the side view, in turn."""
BAND_MARKERS = ("o", "^", "s", "D")
BAND_COLOURS = ("#8c1010", "#0063a6", "#2b2b2b", "#9c5700")
BAND_FILLS = ("#f3dede", "#dcebf7", "#ececec", "#f5e8d8")

MOST_DRAWN = 40_000
"""Returns drawn behind a scan: of more, an even random choice (always the same)."""

FLOOR_SHADES = ("#0b3d75", "#3f7fbf", "#9cc4e4", "#efefef", "#efc48a", "#c9791f", "#6b3500")
"""Heights of a floor from below to above: blue, near white, brown; dark at both ends, with lines of equal
height that a grey print keeps."""
UNKNOWN, UNKNOWN_LINE = "#ffffff", "#d6d6d6"

GROUND = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 0.8, "alpha": 0.8}
"""What letters stand on."""
