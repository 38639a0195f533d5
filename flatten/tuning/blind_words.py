"""What was found about the robot's own returns, in words and as plain values."""

from __future__ import annotations

import math
from typing import Any

from flatten.tuning.blind import Blind, Proposal
from flatten.tuning.bodies import zone_volume
from flatten.tuning.hidden import Effect, Hidden
from flatten.tuning.own import A_LITTLE
from flatten.tuning.zones_text import zone_text


def report(found: Blind) -> str:
    """Describe what was found in lines of about 100 columns."""
    lines = [*_granted(found), ""]
    for part in found.proposals:
        lines += _zone_lines(part, found)
    if found.proposals:
        lines.append("")
    lines += _together(found)
    lines += _moving(found)
    lines += _left(found)
    return "\n".join(lines)


def _granted(found: Blind) -> list[str]:
    """What it rests on, and what was taken for granted."""
    own = found.own
    counted = f"{len(own.returns):,} of {own.good:,} returns are the robot's own"
    clouds = "1 cloud" if own.clouds == 1 else f"{own.clouds} clouds"
    places = "1 place" if own.places == 1 else f"{own.places} places"
    if own.moved:
        lines = [
            f"the robot moved: {clouds} from {places}; {counted}, as they stay put",
            f"taken for granted: nothing else keeps its place within {found.reach:g} m of the declared hull",
            "all the way, and nothing farther off is the robot",
        ]
    else:
        lines = [
            f"the robot did not move, as far as its surroundings tell ({clouds} from {places}); {counted}",
            f"taken for granted: the robot is what lies within {100 * A_LITTLE:.0f} cm of the declared hull,",
            f"or is joined to it within {found.reach:g} m, and nothing touches it; drive and turn to be sure",
        ]
    return [*lines, "a bin falls silent where it told something without the zone and is BLOCKED with it"]


def _zone_lines(part: Proposal, found: Blind) -> list[str]:
    if part.refused:
        return [f"left out: {part.refused}"]
    moving = ", for a part that moves" if part.moving else ""
    lines = [
        zone_text(part.body.zone),
        f"    removes {part.body.returns:,} own returns{moving} and {part.others:,} others "
        f"({100 * part.effect.removed:.1f} % of a cloud)",
    ]
    return lines + [f"    {words}" for words in _effect_words(part.effect)]


def _effect_words(effect: Effect) -> list[str]:
    told = [_hidden_words(part) for part in effect.slices if part.lost > 0.0 or not math.isnan(part.near)]
    return told or ["no bin falls silent"]


def _hidden_words(part: Hidden) -> str:
    words = (
        f"{part.slice}: {100 * part.lost:.1f} % of the bins fall silent "
        f"({100 * part.most:.1f} % in one cloud)"
    )
    if math.isnan(part.near):
        return words
    return f"{words}: HITs {part.near:.2f} to {part.far:.2f} m away, {part.low:.2f} to {part.high:.2f} m high"


def _together(found: Blind) -> list[str]:
    stay = "the one that stays" if len(found.kept) == 1 else f"the {len(found.kept)} that stay"
    kept = f" and {stay}" if found.kept else ""
    lines = [f"{100 * found.covered:.2f} % of the own returns lie in these zones{kept}"]
    if not found.proposals:
        lines[0] = (
            f"{100 * found.covered:.2f} % of the own returns lie in the profile's zones: nothing to add"
        )
        return lines
    lines.append(f"all together, in {found.tried} of the clouds:")
    return lines + [f"    {words}" for words in _effect_words(found.effect)]


def _moving(found: Blind) -> list[str]:
    if not found.own.parts:
        return []
    lines = [
        "parts that move against the robot, or things that often touched it (--with-moving makes zones):"
    ]
    for part in found.own.parts:
        (x0, y0, z0), (x1, y1, z1) = part.low, part.high
        lines.append(
            f"    in {part.clouds} of {found.own.clouds} clouds, within x {x0:.2f} to {x1:.2f}, "
            f"y {y0:.2f} to {y1:.2f}, z {z0:.2f} to {z1:.2f} m"
        )
    return lines


def _left(found: Blind) -> list[str]:
    own = found.own
    lines = []
    if own.passing:
        lines.append(
            f"{own.passing:,} returns beyond the hull stay put out to the end of the reach: taken for a wall "
            "alongside (turn while recording), and not for the robot (else a larger --reach)"
        )
    if own.moved and own.beyond:
        lines.append(
            f"{own.beyond:,} own returns lie beyond the declared hull: correct robot in the profile, or "
            "look whether something rode along there"
        )
    if not own.moved and len(own.others):
        lines.append(
            f"{len(own.others):,} returns within {found.reach:g} m of the hull are left: parts that stick "
            "out, or things that stand there"
        )
    return lines


def warnings(found: Blind) -> list[str]:
    """What is worth a second look, a line each."""
    return [
        f"{name}: no floor where the profile's mount has it: another sensor's cloud, or a ledge?"
        for name in found.own.floorless
    ]


def plain(found: Blind) -> dict[str, Any]:
    """Give the same as plain values: metres, degrees, shares from 0 to 1."""
    own = found.own
    return {
        "moved": own.moved, "places": own.places, "clouds": own.clouds, "returns": own.good,
        "own_returns": len(own.returns), "own_beyond_hull": own.beyond,
        "passing": own.passing, "others_near": len(own.others),
        "reach": found.reach, "margin": found.margin, "covered": found.covered, "tried": found.tried,
        "kept": [zone.name for zone in found.kept],
        "zones": [_plain_zone(part) for part in found.proposals],
        "together": _plain_effect(found.effect),
        "moving": [
            {"clouds": part.clouds, "returns": len(part.returns), "low": part.low.tolist(),
             "high": part.high.tolist()}
            for part in own.parts
        ],
    }  # fmt: skip


def _plain_zone(part: Proposal) -> dict[str, Any]:
    return {
        **part.body.zone.model_dump(exclude_none=True, mode="json"),
        "volume": zone_volume(part.body.zone), "own": part.body.returns, "others": part.others,
        "moving": part.moving, "left_out": part.refused or None, **_plain_effect(part.effect),
    }  # fmt: skip


def _plain_effect(effect: Effect) -> dict[str, Any]:
    return {
        "removed": effect.removed,
        "slices": {
            part.slice: {
                "lost": part.lost, "most": part.most, "blocked": part.blocked,
                "ranges": _pair(part.near, part.far), "heights": _pair(part.low, part.high),
            }
            for part in effect.slices
        },
    }  # fmt: skip


def _pair(low: float, high: float) -> list[float] | None:
    return None if math.isnan(low) else [low, high]
