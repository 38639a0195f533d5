"""What a recheck found, in words and as plain values."""

from __future__ import annotations

import math
from typing import Any

from flatten.profile.models import Slice
from flatten.tuning.bare import Bare, BarePart
from flatten.tuning.recheck import Moved, Rechecked, SliceNow
from flatten.tuning.tilted import THINGS
from flatten.tuning.tune_words import percent

MOST_PARTS = 6
FAILS = "  FAILS"


def report(found: Rechecked) -> str:
    """Describe what was found in lines of about 90 columns; the last one says whether the profile passes."""
    return "\n".join(
        [
            *mount_lines(found), "", *slice_lines(found), "", *zone_lines(found.bare, found.bare_allowed), "",
            verdict(found),
        ]
    )  # fmt: skip


def mount_lines(found: Rechecked) -> list[str]:
    """Say how the sensor sits now."""
    lines = [f"{'':6}{'profile':>12}{'now':>12}{'± 1 sigma':>12}{'moved by':>12}{'allowed':>10}"]
    lines += [_row(part) for part in found.moved]
    mount = found.mount
    seen = len(mount.clouds)
    where = f"at {mount.places} places of a drive" if mount.places else "as of a robot that stands level"
    lines.append(f"roll, pitch and z rest on the floor in {seen} of {found.clouds} clouds, {where}")
    if mount.elsewhere:
        lines.append(
            f"  {len(mount.elsewhere)} see another floor than most (a ramp, an edge): they do not count"
        )
    if mount.refused:
        first = mount.refused[0]
        lines.append(f"  {len(mount.refused)} of no use, such as {first.name}: {first.reason}")
    if not any(part.name == "yaw" for part in found.moved):
        why = mount.yaw_untold or "only a drive with poses tells it"
        lines.append(f"yaw is not told: {why}")
    lines.append("x and y are not told: a floor looks the same from everywhere")
    return lines


def _row(part: Moved) -> str:
    if part.name == "z":
        row = (
            f"{part.name:6}{part.declared:10.4f} m{part.now:10.4f} m{part.sigma:10.4f} m{part.by:+10.4f} m"
            f"{part.allowed:8.3f} m"
        )
    else:
        declared, now, sigma, by, allowed = (
            math.degrees(value) for value in (part.declared, part.now, part.sigma, part.by, part.allowed)
        )
        now, by = round(math.remainder(now, 360.0), 3), round(by, 3) + 0.0
        now = 180.0 if now == -180.0 else now
        row = f"{part.name:6}{declared:11.3f}°{now:11.3f}°{sigma:11.3f}°{by:+11.3f}°{allowed:9.2f}°"
    return row + ("" if part.passes else FAILS)


def slice_lines(found: Rechecked) -> list[str]:
    """Say what the slices do by the profile, and would do by the mount as it is."""
    lines = ["what that does to the slices, by this profile (by the mount as it is now)"]
    for part in found.slices:
        band = found.profile.slices[part.name]
        lines.append(
            f"  {part.name}, {band.bottom:g} to {band.top:g} m: the floor gets into {_two(part, 'leak')} of "
            f"the bins{_missed(part)}{'' if part.passes else FAILS}"
        )
        lines += [f"    {line}" for line in moved_lines(found, band)]
    if found.refused:
        lines.append(f"  {len(found.refused)} clouds left out, such as {found.refused[0].reason}")
    return lines


def _two(part: SliceNow, what: str) -> str:
    return f"{percent(getattr(part.declared, what), 2)} ({percent(getattr(part.now, what), 2)})"


def _missed(part: SliceNow) -> str:
    """What the slice to drive by misses; others are not made for that."""
    if not part.drives or not int(part.now.wanted.sum()):
        return ""
    shares = f"{percent(part.declared.missed_share)} ({percent(part.now.missed_share)})"
    return f", {shares} of what must be seen is missed"


def moved_lines(found: Rechecked, band: Slice) -> list[str]:
    """Say from where on the floor gets in, and things are missed, by the moved mount alone."""
    far, seeming = found.profile.reach.far, found.seeming
    enters = seeming.enters(band, far)
    lines = []
    if math.isfinite(enters):
        lines.append(
            f"level floor gets in from {enters:.1f} m on, most at bearing {_bearing(seeming.bearing)}"
        )
    for tall in THINGS:
        from_ = seeming.misses(band, tall, far)
        if math.isfinite(from_):
            behind = _bearing(seeming.bearing + math.pi)
            lines.append(f"things {tall:g} m high are missed from {from_:.1f} m on, most at bearing {behind}")
    return lines


def _bearing(angle: float) -> str:
    return f"{math.degrees(math.remainder(angle, math.tau)):.0f}°"


def zone_lines(bare: Bare, allowed: float) -> list[str]:
    """Say what the robot shows of itself outside of its blind zones."""
    fails = "" if bare.per_cloud <= allowed else FAILS
    lines = [
        f"{bare.own:,} own returns in all; {bare.per_cloud:.1f} a cloud lie outside of all "
        f"blind zones ({allowed:g} are allowed){fails}"
    ]
    lines += [f"  {_part(part)}" for part in bare.parts[:MOST_PARTS]]
    if len(bare.parts) > MOST_PARTS:
        lines.append(f"  and {len(bare.parts) - MOST_PARTS} smaller ones")
    lines += [f"  something that moves: {_part(part)}" for part in bare.moving]
    if bare.empty:
        lines.append(f"  nothing is seen any more in {', '.join(bare.empty)}: gone, or out of sight")
    if not bare.moved:
        lines.append("  the robot stood: only what lies in its declared hull is known to be its own")
    return lines


def _part(part: BarePart) -> str:
    sides = (
        f"{axis} {low:.2f} to {high:.2f}" for axis, low, high in zip("xyz", part.low, part.high, strict=True)
    )
    return f"{part.returns:,} returns at {', '.join(sides)} m"


def verdict(found: Rechecked) -> str:
    """Say in a line whether the profile passes, and what to do."""
    if found.passes:
        return "PASSES: the profile still holds"
    what, todo = [], []
    if not found.mount_passes:
        what.append("the sensor has moved")
        todo.append("`flatten mount`")
    if not found.zones_pass:
        what.append("own returns lie outside of the blind zones")
        todo.append("`flatten blind`")
    if not all(part.passes for part in found.slices):
        what.append("slices let the floor in, or miss things")
        todo += [] if todo else ["`flatten tune`"]
    return f"FAILS: {', '.join(what)}; next: {' and '.join(todo)}"


def plain(found: Rechecked) -> dict[str, Any]:
    """Give the same as plain values: metres, degrees, shares from 0 to 1; None for what is nowhere."""
    mount, bare = found.mount, found.bare
    return {
        "passes": found.passes,
        "clouds": found.clouds,
        "mount": {part.name: _plain_moved(part) for part in found.moved},
        "yaw_untold": mount.yaw_untold or None,
        "rests_on": {"clouds": len(mount.clouds), "places": mount.places, "elsewhere": list(mount.elsewhere)},
        "refused": [{"cloud": left.name, "reason": left.reason} for left in (*mount.refused, *found.refused)],
        "seeming_floor": {
            "height": found.seeming.height, "slope": math.degrees(math.atan(found.seeming.slope)),
            "bearing": math.degrees(found.seeming.bearing),
        },
        "slices": {part.name: _plain_slice(found, part) for part in found.slices},
        "zones": {
            "passes": found.zones_pass, "own": bare.own, "bare": bare.bare, "per_cloud": bare.per_cloud,
            "allowed": found.bare_allowed, "moved": bare.moved, "empty": list(bare.empty),
            "parts": [_plain_part(part) for part in bare.parts],
            "moving": [_plain_part(part) for part in bare.moving],
        },
    }  # fmt: skip


def _plain_moved(part: Moved) -> dict[str, Any]:
    scale = 1.0 if part.name == "z" else math.degrees(1.0)
    values = {
        "declared": part.declared, "now": part.now, "sigma": part.sigma, "by": part.by,
        "allowed": part.allowed,
    }  # fmt: skip
    return {**{name: scale * value for name, value in values.items()}, "passes": part.passes}


def _plain_slice(found: Rechecked, part: SliceNow) -> dict[str, Any]:
    band, far = found.profile.slices[part.name], found.profile.reach.far
    return {
        "passes": part.passes,
        "leak": part.declared.leak, "leak_now": part.now.leak,
        "missed": _number(part.declared.missed_share), "missed_now": _number(part.now.missed_share),
        "floor_enters": _number(found.seeming.enters(band, far)),
        "missed_from": {f"{tall:g}": _number(found.seeming.misses(band, tall, far)) for tall in THINGS},
    }  # fmt: skip


def _plain_part(part: BarePart) -> dict[str, Any]:
    return {"low": part.low.tolist(), "high": part.high.tolist(), "returns": part.returns}


def _number(value: float) -> float | None:
    """Give None for what is not finite, as JSON has no word for it."""
    return value if math.isfinite(value) else None
