"""The page of a tuned profile: what to drive and to map by, why, and what stays dark; needs nothing beside it."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from importlib import resources
from typing import Any

from flatten.files.writing import CAUTION
from flatten.pictures import tune_figures as figures
from flatten.pictures import words
from flatten.pictures.parts import load_jinja2
from flatten.tuning import tune_words
from flatten.tuning.labels import Label
from flatten.tuning.tune import Tuned

MOST_INPUTS = 20
"""Names of clouds that are listed."""


def tune_page(told: Tuned, inputs: Sequence[str]) -> str:
    """Give the page as text; `inputs` names what was given. MissingPartError without matplotlib or jinja2."""
    jinja2 = load_jinja2()
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    source = resources.files("flatten.pictures").joinpath("tune.html.j2").read_text(encoding="utf-8")
    page: str = environment.from_string(source).render(
        made_by=words.made_by(), caution=CAUTION, cautions=words.cautions([told.after]),
        warnings=tune_words.cautions(told), drive=[line.strip() for line in tune_words.drive_lines(told)],
        mapping=[line.strip() for line in tune_words.map_lines(told)], unseen=[
            line.strip() for line in tune_words.unseen_lines(told.unseen)[1:]
        ],
        facts=facts(told, inputs), returns=returns(told), bands=bands(told), pictures=pictures(told),
        bodies=bodies(told), yaml=told.after.to_yaml(), profile=words.profile_words(told.before),
        refused=told.refused,
    )  # fmt: skip
    return page


def facts(told: Tuned, inputs: Sequence[str]) -> list[tuple[str, str]]:
    """What this page rests on."""
    named = [words.one_line(name) for name in inputs[:MOST_INPUTS]]
    more = len(inputs) - len(named)
    shake = told.shake
    spread = (
        ""
        if shake.attitudes is None
        else f"; roll and pitch of the poses scatter by {tune_words.degrees_or_none(shake.attitudes):.2f}°"
    )
    return [
        ("Clouds", ", ".join(named) + (f" and {more} more" if more else "")),
        ("Frames", f"{told.sweep.frames} used, {told.left_out} left out evenly, {len(told.refused)} of no use"),
        ("Profile", words.profile_words(told.before)),
        ("Heights count from", {"gravity": "the level floor, the attitude taken out", "body": "the body", "floor": "the floor fitted to each frame"}[told.before.level]),
        ("Shaking", f"{tune_words.degrees_or_none(shake.sigma):.2f}° (one sigma), {shake.comes_from}{spread}"),
        ("Must be seen", f"{told.limits.must:.2f} to {told.limits.head - told.limits.margin:.2f} m above the local floor"),
        ("Made by", words.made_by()),
    ]  # fmt: skip


def returns(told: Tuned) -> list[tuple[str, str]]:
    """Returns by what they are."""
    total = max(sum(told.labels.values()), 1)
    listed = sorted(told.labels.items(), key=lambda item: -item[1])
    return [(tune_words.LABELS[Label(key)], f"{count:,} ({tune_words.percent(count / total)})") for key, count in listed]  # fmt: skip


def bands(told: Tuned) -> list[tuple[str, str, str, str]]:
    """What is missed by distance: with the new slice, and with the one before."""
    now, before = told.checked[told.names[0]], told.checked.get("before")
    rows = []
    for k, wanted in enumerate(now.wanted.tolist()):
        if wanted:
            was = "–" if before is None else tune_words.percent(int(before.missed[k]) / wanted, 2)
            rows.append(
                (
                    tune_words.band_words(k),
                    f"{wanted:,}",
                    tune_words.percent(int(now.missed[k]) / wanted, 2),
                    was,
                )
            )
    return rows


def bodies(told: Tuned) -> list[tuple[str, str, str, str]]:
    """Test bodies by distance."""
    return [
        (row.kind, f"{row.distance:g}", tune_words.percent(row.returned, 0), tune_words.percent(row.shown[told.names[0]], 0))
        for row in told.bodies
    ]  # fmt: skip


def pictures(told: Tuned) -> dict[str, dict[str, str]]:
    """Pictures as data addresses, each with words for those who do not see it."""
    drawn: dict[str, tuple[Any, tuple[float, float], str]] = {
        "trade": (figures.draw_trade, (10.5, 3.6), "Tiles over bottom and rise: what is missed, and how much floor gets in. The square is the choice, the line where the floor gets into as many bins as is allowed."),
        "tops": (figures.draw_tops, (6.5, 3.0), "Curves over the top of the slice: what is missed, and free ways that are blocked."),
        "shaking": (figures.draw_shaking, (10.5, 3.4), "Curves over the shaking: share of bins with floor, and the distance at which it enters."),
        "mapping": (figures.draw_mapping, (6.5, 4.2), "Tiles over bottom and top: bins answered alike from frame to frame."),
        "near": (figures.draw_near, (4.6, 4.6), "Plan: from which distance on low things are met by a beam, around the robot."),
    }  # fmt: skip
    if told.bodies:
        drawn["bodies"] = (figures.draw_bodies, (10.5, 3.2), "Curves over the distance: how often a test body is hit by a beam, and how often it is shown.")  # fmt: skip
    return {
        name: {"source": embedded(figures.picture(draw, told, size)), "alt": alt}
        for name, (draw, size, alt) in drawn.items()
    }


def embedded(png: bytes) -> str:
    """Give a picture as a data address."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")
