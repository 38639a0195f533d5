"""The report as one HTML page that needs nothing beside itself."""

from __future__ import annotations

import base64
import os
from collections.abc import Iterable, Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from flatten.attitude import checked_attitude
from flatten.errors import OutputError
from flatten.files.writing import CAUTION, target, write_all
from flatten.pictures import words
from flatten.pictures.entry import Entry, PairEntry, nearest_of_all, slice_rows
from flatten.pictures.parts import load_jinja2
from flatten.profile import Profile
from flatten.scan import State

PNG = b"\x89PNG\r\n\x1a\n"
"""What every PNG begins with (PNG specification, section 5.2)."""

STATES = (
    (State.HIT, "a return of the slice in reach: its distance"),
    (State.CLEAR, "witnessed free over the whole stretch that the profile asks for"),
    (State.TOO_NEAR, "a return of the slice nearer than the reach"),
    (State.BLOCKED, "a blind zone swallowed what came from there: nothing known"),
    (State.UNSEEN, "nothing known"),
)


def write_report(
    path: str | os.PathLike[str],
    entries: Iterable[Entry],
    profile: Profile | Sequence[Profile],
    *,
    title: str = "What the scans say",
    note: str = "",
    pairs: Iterable[PairEntry] = (),
    pairs_note: str = "",
    overwrite: bool = False,
) -> Path:
    """Write one self-contained HTML page: pictures inside, no script, nothing loaded from elsewhere.

    Parameters
    ----------
    path
        The file; nothing is left behind where it cannot be written.
    entries
        What was found, cloud by cloud. Pictures are optional; matplotlib is not needed here.
    profile
        The profile, or all of them, printed in full at the end.
    title, note
        Headline, and a line below it.
    pairs, pairs_note
        Clouds flattened in two ways, and a line about how to read their figures.
    overwrite
        Whether a file of that name may be replaced.

    Raises OutputError where the page cannot be written or a picture is no PNG, AttitudeError for
    an entry whose attitude is none, MissingPartError without jinja2.

    """
    place = target(path)
    profiles = [profile] if isinstance(profile, Profile) else list(profile)
    clouds = [_cloud(number, entry) for number, entry in enumerate(entries, 1)]
    shown = [_pair(number, pair) for number, pair in enumerate(pairs, 1)]
    cautions = [*words.cautions(profiles), *([words.FLOOR_CAUTION] if shown else [])]
    text = _template().render(
        title=words.one_line(title), note=words.one_line(note), clouds=clouds, made_by=words.made_by(),
        caution=CAUTION, cautions=cautions, states=STATES,
        profiles=[(words.profile_words(one), one.to_yaml(), one.warnings) for one in profiles],
        pairs=shown, pairs_note=words.one_line(pairs_note),
        has_truth=any(row.truth for cloud in clouds for row in cloud["rows"]),
    )  # fmt: skip
    write_all([(place, lambda stream: _write(stream, text))], overwrite)
    return place


def _write(stream: Any, text: str) -> None:
    stream.write(text.encode("utf-8", "replace"))  # half a surrogate pair in a file name becomes "?"


def _template() -> Any:
    jinja2 = load_jinja2()
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    source = resources.files("flatten.pictures").joinpath("page.html.j2").read_text(encoding="utf-8")
    return environment.from_string(source)


def _cloud(number: int, entry: Entry) -> dict[str, Any]:
    """Words of one entry for the template."""
    rows = slice_rows(entry)
    counts = next(iter(entry.scans.values())).counts if entry.scans else None
    facts = [
        ("Sensor", words.one_line(entry.sensor)),
        ("Profile", words.one_line(entry.profile)),
        ("Attitude", words.attitude_words(checked_attitude(entry.attitude))),
        ("Cloud", "" if counts is None else words.cloud_words(counts)),
        ("Time", "" if entry.seconds is None else f"flattened in {words.seconds_words(entry.seconds)}"),
    ]
    return {
        "anchor": f"cloud-{number}",
        "name": words.one_line(entry.name) or "cloud",
        "shows": words.one_line(entry.shows),
        "facts": [(key, value) for key, value in facts if value],
        "rows": rows,
        "returns": 0 if counts is None else counts.returns,
        "nearest": nearest_of_all(entry),
        "picture": _embedded(entry),
        "alt": _alt(entry),
    }


def _pair(number: int, pair: PairEntry) -> dict[str, Any]:
    """Words of one cloud in two ways for the template."""
    name = words.one_line(pair.name) or "cloud"
    told = "; ".join(f"{what}: {' against '.join(values)}" for what, values in pair.figures)
    return {
        "anchor": f"pair-{number}",
        "name": name,
        "shows": words.one_line(pair.shows),
        "attitude": words.attitude_words(checked_attitude(pair.attitude)),
        "ways": [words.one_line(way) for way in pair.ways],
        "figures": [(words.one_line(what), values) for what, values in pair.figures],
        "picture": _embedded(pair),
        "alt": f"{name} flattened in two ways, {' and '.join(pair.ways)}, from above. {told}.",
    }


def _alt(entry: Entry) -> str:
    told = "; ".join(
        f"{row.name}: {words.named_counts(row.states)}, nearest {row.nearest}" for row in slice_rows(entry)
    )
    return f"The scans of {words.one_line(entry.name)} drawn over their returns. {told}."


def _embedded(entry: Entry | PairEntry) -> str | None:
    """Give the picture as a data address, None where there is none."""
    if entry.picture is None:
        return None
    content = entry.picture if isinstance(entry.picture, bytes) else _read(entry.picture)
    if not content.startswith(PNG):
        raise OutputError(f"the picture of {entry.name} is no PNG: save it with the suffix .png")
    return "data:image/png;base64," + base64.b64encode(content).decode("ascii")


def _read(picture: str | os.PathLike[str]) -> bytes:
    try:
        return target(picture).read_bytes()
    except (OSError, ValueError) as error:
        raise OutputError(f"{picture}: the picture cannot be read ({error}): save it first") from error
