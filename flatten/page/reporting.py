"""The report of what the page shows: a page as `flatten demo` writes it, with no file left."""

from __future__ import annotations

import tempfile
from pathlib import Path

from flatten.flattener import Flattener
from flatten.page.bench import Bench
from flatten.pictures import Entry, save_picture, write_report


def report_of(bench: Bench) -> bytes:
    """Give the report of the frame under the profile as it is now, saved or not: HTML.

    Raises FlattenError where it cannot be made, MissingPartError without the drawing libraries.
    """
    profile, shot, attitude = bench.draft.profile, bench.shot, bench.attitude
    alone = profile if profile.window is None else profile.model_copy(update={"window": None})
    flattener = Flattener(alone)
    scans = flattener.flatten(shot.cloud, attitude)
    state = "not saved" if bench.draft.is_changed else "as saved"
    with tempfile.TemporaryDirectory(prefix="flatten-page-") as place:
        picture = save_picture(
            Path(place) / "frame.png", shot.cloud, scans, alone, attitude, title=shot.name,
            floor=flattener.floor,
        )  # fmt: skip
        entry = Entry(
            f"{bench.source.name}: {shot.name}", scans, attitude, picture=picture,
            profile=f"{bench.draft.path.name}, {state}",
        )  # fmt: skip
        page = write_report(
            Path(place) / "report.html", [entry], profile, title=f"{bench.draft.path.name} on {shot.name}"
        )
        return page.read_bytes()
