"""The page's own files, by name: nothing else can be asked for. Nothing is loaded from elsewhere."""

from __future__ import annotations

import json
from functools import cache
from importlib import resources

from flatten.files.writing import CAUTION
from flatten.page.looking import Fate
from flatten.pictures import style
from flatten.scan import State

KINDS = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}
ASSETS = (
    "index.html", "page.css", "main.js", "link.js", "space.js", "geometry.js", "plan.js", "side.js",
    "panel.js", "told.js", "theme.js", "icon.svg",
)  # fmt: skip

FATES = (
    # name, colour, size against the others, what it says
    ("outside", "#e2e2e2", 0.7, "outside"),
    ("own", "#5a5a5a", 1.0, "own"),
    ("floor", "#a99c83", 0.8, "floor"),
    ("other", "#c4c4c4", 0.8, "above, below"),
    ("elsewhere", "#5f9fd0", 1.0, "other slice"),
    ("taken", style.HIT, 1.3, "in the slice"),
    ("near", style.NEAR, 1.5, "too near"),
    ("leak", style.WRONG, 1.9, "leak"),
)
"""By number of `Fate`: what belongs to the slice is dark or bright, what does not is pale."""


@cache
def asset(name: str) -> tuple[bytes, str]:
    """Give a file of the page and its kind, by a name out of ASSETS."""
    kind = KINDS[name.rpartition(".")[2]]
    if name == "theme.js":
        return f"export const THEME = {json.dumps(theme())};\n".encode(), kind
    content = resources.files("flatten.page.assets").joinpath(name).read_bytes()
    return content, kind


def theme() -> dict[str, object]:
    """Give the colours, those of all pictures, and the words that the library has already."""
    assert len(FATES) == len(Fate)
    return {
        "caution": CAUTION,
        "fates": [dict(zip(("name", "colour", "size", "says"), row, strict=True)) for row in FATES],
        "states": {state.name: int(state) for state in State},
        "hit": style.HIT, "clear": style.CLEAR, "partly": style.PARTLY, "blocked": style.BLOCKED,
        "blockedLine": style.BLOCKED_LINE, "near": style.NEAR, "leak": style.WRONG, "zone": style.ZONE,
        "ink": style.INK, "soft": style.SOFT_INK, "rule": style.RULE, "unseen": "#ffffff",
    }  # fmt: skip
