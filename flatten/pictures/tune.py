"""The page of a tuned profile: what to drive and to map by, why, and what stays dark."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from importlib import resources
from typing import Any, NamedTuple

from flatten.files.writing import CAUTION
from flatten.pictures import tune_figures as figures
from flatten.pictures import words
from flatten.pictures.parts import load_jinja2
from flatten.tuning import tune_words
from flatten.tuning.labels import Label
from flatten.tuning.tune import Tuned

MOST_INPUTS = 20
"""Names of clouds that are listed."""
LEVELS = {
    "gravity": "the level floor, the attitude taken out",
    "body": "the floor under a level body",
    "floor": "the floor fitted to each frame",
}


class Picture(NamedTuple):
    """A figure of the page."""

    draw: Any
    size: tuple[float, float]
    """Inches."""
    alt: str
    """What it shows, for those who do not see it."""


PICTURES = {
    "trade": Picture(
        figures.draw_trade, (10.5, 3.6),
        "Tiles over bottom and rise: what is missed, and how much floor gets in. The square is the choice; "
        "on the line the floor gets into as many bins as is allowed.",
    ),
    "tops": Picture(
        figures.draw_tops, (6.5, 3.0), "Curves over the top: what is missed, and free ways that are blocked."
    ),
    "shaking": Picture(
        figures.draw_shaking, (10.5, 3.4),
        "Curves over the shaking: share of bins with floor, and the distance at which it enters.",
    ),
    "mapping": Picture(
        figures.draw_mapping, (6.5, 4.2), "Tiles over bottom and top: bins answered, frame after frame."
    ),
    "near": Picture(
        figures.draw_near, (4.6, 4.6), "Plan: the distance around the robot from which on low things are met."
    ),
    "bodies": Picture(
        figures.draw_bodies, (10.5, 3.2), "Curves over the distance: how often a test body is hit, and shown."
    ),
}  # fmt: skip


def tune_page(told: Tuned, inputs: Sequence[str]) -> str:
    """Give one self-contained HTML page as text: no script, nothing loaded from elsewhere.

    `inputs` names what was given. Raises MissingPartError without matplotlib or jinja2.
    """
    jinja2 = load_jinja2()
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    source = resources.files("flatten.pictures").joinpath("tune.html.j2").read_text(encoding="utf-8")
    page: str = environment.from_string(source).render(
        made_by=words.made_by(), caution=CAUTION, cautions=words.cautions([told.after]),
        warnings=tune_words.cautions(told), drive=stripped(tune_words.drive_lines(told)),
        mapping=stripped(tune_words.map_lines(told)),
        unseen=stripped(tune_words.unseen_lines(told.unseen)[1:]),
        facts=facts(told, inputs), returns=returns(told), bands=bands(told), pictures=pictures(told),
        bodies=bodies(told), yaml=told.after.to_yaml(), profile=words.profile_words(told.before),
        refused=told.refused,
    )  # fmt: skip
    return page


def stripped(lines: Sequence[str]) -> list[str]:
    """Take the indents of a terminal off."""
    return [line.strip() for line in lines]


def facts(told: Tuned, inputs: Sequence[str]) -> list[tuple[str, str]]:
    """What this page rests on."""
    named = ", ".join(words.one_line(name) for name in inputs[:MOST_INPUTS])
    more = f" and {len(inputs) - MOST_INPUTS} more" if len(inputs) > MOST_INPUTS else ""
    shake, limits = told.shake, told.limits
    spread = tune_words.degrees_or_none(shake.attitudes)
    poses = "" if spread is None else f"; roll and pitch of the poses scatter by {spread:.2f}°"
    used = f"{told.sweep.frames} used, {len(told.refused)} of no use"
    return [
        ("Clouds", named + more),
        ("Frames", used),
        ("Profile", words.profile_words(told.before)),
        ("Heights count from", LEVELS[told.before.level]),
        ("Shaking", f"{tune_words.degrees_or_none(shake.sigma):.2f}° (one sigma), {shake.comes_from}{poses}"),
        ("Must be seen", f"{limits.must:.2f} to {limits.head - limits.margin:.2f} m above the local floor"),
        ("Made by", words.made_by()),
    ]


def returns(told: Tuned) -> list[tuple[str, str]]:
    """Returns by what they are, the most first."""
    total = max(sum(told.labels.values()), 1)
    listed = sorted(told.labels.items(), key=lambda item: -item[1])
    return [
        (tune_words.LABELS[Label(key)], f"{count:,} ({tune_words.percent(count / total)})")
        for key, count in listed
    ]


def bands(told: Tuned) -> list[tuple[str, str, str, str]]:
    """What is missed by distance: with the new slice, and with the one before."""
    now, before = told.checked[told.names[0]], told.checked.get("before")
    rows = []
    for k, wanted in enumerate(now.wanted.tolist()):
        if wanted:
            was = "–" if before is None else tune_words.percent(int(before.missed[k]) / wanted, 2)
            missed = tune_words.percent(int(now.missed[k]) / wanted, 2)
            rows.append((tune_words.band_words(k), f"{wanted:,}", missed, was))
    return rows


def bodies(told: Tuned) -> list[tuple[str, str, str, str]]:
    """Test bodies by distance."""
    name = told.names[0]
    return [
        (
            row.kind, f"{row.distance:g}", tune_words.percent(row.returned, 0),
            tune_words.percent(row.shown[name], 0),
        )
        for row in told.bodies
    ]  # fmt: skip


def pictures(told: Tuned) -> dict[str, dict[str, str]]:
    """Pictures as data addresses, each with its words."""
    wanted = [name for name in PICTURES if name != "bodies" or told.bodies]
    return {
        name: {"source": embedded(figures.picture(part.draw, told, part.size)), "alt": part.alt}
        for name, part in ((name, PICTURES[name]) for name in wanted)
    }


def embedded(png: bytes) -> str:
    """Give a picture as a data address."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")
