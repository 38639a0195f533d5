"""The whole picture: plan views, close-up and side view on one sheet, written as one file."""

from __future__ import annotations

import io
import os
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from flatten.attitude import checked_attitude
from flatten.cloud import as_cloud
from flatten.errors import FlattenError, OutputError
from flatten.files.writing import CAUTION, target, write_all
from flatten.fitted import FittedFloor
from flatten.pictures import words
from flatten.pictures.choices import plan_extent, scan_of
from flatten.pictures.layout import VIEWS, Sheet, View
from flatten.pictures.parts import load_matplotlib
from flatten.profile import Profile
from flatten.scan import Scan

SUFFIXES = (".png", ".svg", ".pdf")
DOTS_PER_INCH = 110
COLOURS = 256


def save_picture(
    path: str | os.PathLike[str],
    cloud: Any,
    scans: Mapping[str, Scan],
    profile: Profile,
    attitude: Sequence[float] | None = None,
    *,
    title: str = "",
    slices: Sequence[str] | None = None,
    overwrite: bool = False,
    view: View = "both",
    swath: float | None = None,
    extent: float | None = None,
    floor: FittedFloor | None = None,
) -> Path:
    """Draw scans with their cloud on one sheet and write it: PNG, SVG or PDF by the suffix.

    Parameters
    ----------
    path
        The file; nothing is left behind where it cannot be written.
    cloud
        The Cloud (or array, or message) that was flattened.
    scans, profile, attitude
        What `Flattener.flatten` gave, and what it was given (roll and pitch in rad).
    title
        Headline; the name of the cloud where it is empty.
    slices
        Slices to draw, in this order; all if None.
    overwrite
        Whether a file of that name may be replaced.
    view
        "plan" (from above), "elevation" (from the side), or "both".
    swath, extent
        As for `draw_elevation` and `draw_plan`, metres.
    floor
        What `Flattener.floor` gave after the frame: heights count from it, and it is drawn in a row of
        its own. None where the floor is level.

    Raises OutputError where the file cannot be written or has another suffix, FlattenError for a
    slice or a view that is not there, AttitudeError, CloudError, MissingPartError without matplotlib.

    """
    place = target(path)
    kind = place.suffix.lower()
    if kind not in SUFFIXES:
        raise OutputError(f"{place}: no picture format by that suffix: choose {', '.join(SUFFIXES)}")
    if view not in VIEWS:
        raise FlattenError(f"view {view!r} is not known: choose {', '.join(VIEWS)}")
    names = list(scans) if slices is None else list(dict.fromkeys(slices))
    shown = {name: scan_of(scans, name, profile) for name in names}
    if not shown:
        raise FlattenError("there are no scans to draw: give at least one slice")
    half = plan_extent(shown.values(), profile) if extent is None else extent
    sheet = Sheet(as_cloud(cloud), shown, profile, checked_attitude(attitude), view, swath, half, floor)
    figure = sheet.draw(words.shorten(title, 90), DOTS_PER_INCH)
    write_all([(place, lambda stream: save_figure(figure, stream, kind))], overwrite)
    return place


def save_figure(figure: Any, stream: io.BufferedIOBase, kind: str) -> None:
    """Write a figure; the file says who made it, and not when: equal pictures are equal PNG files."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # a box stands for it in the picture
        if kind == ".png":
            _save_png(figure, stream)
            return
        made = {"Creator": words.made_by(), "Date" if kind == ".svg" else "CreationDate": None}
        figure.savefig(stream, format=kind[1:], dpi=DOTS_PER_INCH, metadata=made, facecolor="#ffffff")


def _save_png(figure: Any, stream: io.BufferedIOBase) -> None:
    """Write a PNG of at most 256 colours: a quarter of the bytes, in less time than all colours take."""
    from PIL import Image, PngImagePlugin  # noqa: PLC0415 - comes with matplotlib

    canvas = load_matplotlib("backends.backend_agg").FigureCanvasAgg(figure)
    canvas.draw()
    size = canvas.get_width_height()
    drawn = Image.frombuffer("RGBA", size, canvas.buffer_rgba(), "raw", "RGBA", 0, 1).convert("RGB")
    picture = drawn.quantize(COLOURS, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    palette, paper = picture.getpalette() or [], picture.getpixel((0, 0))
    assert isinstance(paper, int)  # a number of the palette
    palette[3 * paper : 3 * paper + 3] = [255, 255, 255]  # choosing colours has shifted it by a shade
    picture.putpalette(palette)
    notes = PngImagePlugin.PngInfo()
    notes.add_text("Software", words.made_by())
    notes.add_text("Comment", CAUTION)
    picture.save(stream, "PNG", dpi=(DOTS_PER_INCH, DOTS_PER_INCH), pnginfo=notes)
