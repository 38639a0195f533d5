"""The handles of the legends: what marks, hatches and lines mean."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flatten.pictures import bins, style
from flatten.pictures.parts import load_matplotlib
from flatten.profile import Profile
from flatten.scan import Scan, State


def plan_legend(scans: Sequence[Scan], profile: Profile) -> list[Any]:
    """Make the handles of the legend: what there is in these scans, and the fixed parts."""
    line = load_matplotlib("lines").Line2D
    handles = [
        *_state_handles(scans, profile),
        _dot("return of the slice", marker=".", ms=4, color=style.SLICE_RETURN),
        _dot("other return", marker=".", ms=4, color=style.RETURN),
        line([], [], color=style.INK, lw=1.3, label="robot, arrow ahead"),
    ]
    if profile.blind_zones:
        handles.append(line([], [], color=style.ZONE, lw=1.1, ls=(0, (3, 1.5)), label="blind zone"))
    return [
        *handles,
        _dot("fan's origin", marker="+", ms=7, color=style.INK),
        line([], [], color=style.INK, lw=0.9, ls="-.", label="reach, nearest and farthest"),
    ]


def _state_handles(scans: Sequence[Scan], profile: Profile) -> list[Any]:
    seen = {state for scan in scans for state, number in (bins.state_counts(scan) or {}).items() if number}
    clear = profile.clear
    stretch = f" at least {clear.from_:g} to {clear.to:g} m" if clear else ""
    told = all(scan.states is not None for scan in scans)
    unseen = "UNSEEN (white): nothing known" if told else "UNSEEN or BLOCKED (white): nothing known"
    near = f"TOO_NEAR: under {profile.reach.near:g} m"
    handles = {
        State.HIT: _dot("HIT: obstacle of the slice", marker="o", ms=4, color=style.HIT),
        "edge": _dot("HIT: edge, a way down", **style.EDGE_MARK),
        State.CLEAR: _patch(f"CLEAR: witnessed free{stretch}", style.CLEAR, style.SOFT_INK),
        "part": _patch("free part of the way: not CLEAR", style.PARTLY, style.RULE),
        State.TOO_NEAR: _patch(near, style.NEAR, style.INK, "xxxx"),
        State.BLOCKED: _patch("BLOCKED: by a blind zone", style.BLOCKED, style.BLOCKED_LINE, "////"),
        State.UNSEEN: _patch(unseen, "#ffffff", style.RULE),
    }
    part = any(bins.partly_witnessed(scan, profile).any() for scan in scans)
    edge = any(bins.drop_mask(scan).any() for scan in scans)
    there = {*seen, *(["part"] if part else []), *(["edge"] if edge else [])}
    return [handle for what, handle in handles.items() if what in there]


def _dot(label: str, **look: Any) -> Any:
    return load_matplotlib("lines").Line2D([], [], linestyle="none", label=label, **look)


def _patch(label: str, face: str, edge: str, hatch: str | None = None) -> Any:
    patch = load_matplotlib("patches").Patch
    return patch(facecolor=face, edgecolor=edge, hatch=hatch, label=label, linewidth=0.6)


def floor_legend(names: Sequence[str]) -> list[Any]:
    """Make the handles of the views of a fitted floor."""
    line = load_matplotlib("lines").Line2D
    return [
        line([], [], color=style.INK, lw=2.2, label="fitted floor, known"),
        line([], [], color=style.INK, lw=1.0, ls=(0, (1, 1.2)), label="not known: as high as it may be"),
        _patch("not known, from above", style.UNKNOWN, style.UNKNOWN_LINE, "////"),
        _dot("edge: a way down", **style.EDGE_MARK),
        line([], [], color=style.RULE, lw=0.8, ls=(0, (5, 3)), label="level through the tracks"),
        *(_patch(f"slice {name}, riding on the floor", slice_look(k)["fill"], slice_look(k)["colour"])
          for k, name in enumerate(names)),
    ]  # fmt: skip


def wrong_legend(words: str) -> Any:
    """Make the handle of the crosses."""
    return _dot(words, **style.WRONG_MARK)


def elevation_legend(names: Sequence[str]) -> list[Any]:
    """Make the handles of the legend for these slices."""
    line = load_matplotlib("lines").Line2D
    handles = []
    for number, name in enumerate(names):
        look = slice_look(number)
        handles.append(
            _dot(f"HIT of {name}", marker=look["marker"], ms=4.5, mew=0.9, color=look["colour"],
                 markerfacecolor=look["face"])
        )  # fmt: skip
    handles += [
        line([], [], linestyle="none", marker=".", ms=4, color=style.SLICE_RETURN, label="return"),
        line([], [], color=style.INK, lw=1.3, label="robot"),
        line([], [], marker="o", ms=4, color=style.INK, lw=1.0, label="sensor, its x axis"),
        line([], [], color=style.INK, lw=0.9, ls="-.", label="reach"),
    ]
    return handles


def slice_look(number: int) -> dict[str, Any]:
    """Marker, colours and line of the slice with this number, in turn."""
    turn = number % len(style.BAND_MARKERS)
    colour = style.BAND_COLOURS[turn]
    return {
        "marker": style.BAND_MARKERS[turn],
        "colour": colour,
        "face": colour if turn == 0 else "none",
        "fill": style.BAND_FILLS[turn],
        "line": style.BAND_LINES[turn],
    }
