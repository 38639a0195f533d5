"""What was found about a mount, in words and as plain values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from flatten.tuning.lean import Pose
from flatten.tuning.mount import Combined, Estimate, Support
from flatten.tuning.yaw import Yaw

MEASURE = "a floor looks the same from everywhere: measure them from the body's origin"
NO_YAW = "a floor looks the same from every side: give --wall or --poses, or measure it"
MOST_ROWS = 12
"""Clouds that are told one by one."""
NAMES = ("roll", "pitch", "z")


def found_values(found: Combined, yaw: Yaw | None) -> dict[str, float]:
    """What was found, by key of the profile's mount: metres and degrees."""
    roll, pitch, z = (float(value) for value in found.values[:3])
    values = {"z": z, "roll": math.degrees(roll), "pitch": math.degrees(pitch)}
    return values if yaw is None else {**values, "yaw": math.degrees(yaw.value)}


def report(found: Combined, mount: Pose, yaw: Yaw | None, blind: bool) -> str:
    """Describe what was found in lines of about 90 columns; `mount` is what the profile said before."""
    before = (mount.roll, mount.pitch, mount.z)
    lines = [f"{'':6}{'profile':>12}{'found':>12}{'± 1 sigma':>12}{'change':>12}"]
    lines += [
        _row(name, float(was), float(value), float(sigma))
        for name, was, value, sigma in zip(NAMES, before, found.values, found.sigmas, strict=False)
    ]
    if yaw is not None:
        lines.append(_row("yaw", mount.yaw, yaw.value, yaw.sigma))
    lines.append("")
    lines += _rests_on(found, blind)
    lines += _yaw_words(found, yaw, mount)
    lines.append(f"x and y stay {mount.x:g} and {mount.y:g} m: {MEASURE}")
    if found.places:
        lines += _elsewhere(found)
    elif len(found.clouds) > 1:
        lines += ["", *_cloud_by_cloud(found)]
    return "\n".join(lines)


def _row(name: str, was: float, value: float, sigma: float) -> str:
    if name == "z":
        return f"{name:6}{was:10.4f} m{value:10.4f} m{sigma:10.4f} m{value - was:+10.4f} m"
    degrees = [math.degrees(part) for part in (was, value, sigma, math.remainder(value - was, 2.0 * math.pi))]
    # adding nothing turns −0 into 0; half a turn is written as 180
    before, found, error, change = (round(part, 3) + 0.0 for part in degrees)
    found = 180.0 if found == -180.0 else found
    return f"{name:6}{before:11.3f}°{found:11.3f}°{error:11.3f}°{change:+11.3f}°"


def support_words(support: Support) -> str:
    """Say how many returns lie where on the floor."""
    round_ = math.degrees(support.bearings)
    where = "all round" if round_ >= 359.0 else f"over {round_:.0f}° of bearings"
    return (
        f"{support.returns:,} returns in {support.patches} patches of floor, {support.nearest:.1f} to "
        f"{support.farthest:.1f} m away, {where}"
    )


def _rests_on(found: Combined, blind: bool) -> list[str]:
    start = "searched for without the profile's mount" if blind else "looked for near the profile's mount"
    one = found.clouds[0]
    if found.places:
        start = f"at {found.places} places of a drive in {len(found.clouds)} clouds, {start}"
    lines = [f"roll, pitch and z rest on {support_words(one.support)}"] if len(found.clouds) == 1 else []
    uneven = 1e3 * max(part.unevenness for part in found.clouds)
    bias, sigma = 1e3 * found.values[3], 1e3 * found.sigmas[3]
    # half a millimetre and less is what the fit itself is sure of
    flat = "less than 0.5" if uneven < 0.5 else f"{uneven:.1f}"
    return [
        *lines,
        f"floor {start}; it is uneven by {flat} mm (one sigma) from patch to patch",
        f"ranges are too {'long' if bias > 0 else 'short'} by {abs(bias):.1f} ± {sigma:.1f} mm, "
        "which z allows for",
    ]


def _yaw_words(found: Combined, yaw: Yaw | None, mount: Pose) -> list[str]:
    if yaw is None:
        why = found.yaw_untold or NO_YAW
        return [f"yaw stays {math.degrees(mount.yaw):g}°: {why}"]
    lines = [f"yaw rests on {yaw.rests_on}; what that is askew, so is yaw"]
    if yaw.disagrees:
        lines.append(
            "the clouds disagree about yaw by more than their errors: it is widened to their scatter"
        )
    return lines


def _elsewhere(found: Combined) -> list[str]:
    if not found.elsewhere:
        return []
    return [
        f"{len(found.elsewhere)} clouds see another floor than most (a ramp, an edge) and do not count: "
        f"{found.elsewhere[0]} to {found.elsewhere[-1]}"
    ]


def _cloud_by_cloud(found: Combined) -> list[str]:
    width = max(len(part.name) for part in found.clouds)
    lines = [f"{'cloud':{width}}{'roll':>18}{'pitch':>18}{'z':>18}"]
    lines += [_cloud_row(part, width) for part in found.clouds[:MOST_ROWS]]
    lines += [f"  {part.name}: {support_words(part.support)}" for part in found.clouds[:MOST_ROWS]]
    if len(found.clouds) > MOST_ROWS:
        lines.append(f"  and {len(found.clouds) - MOST_ROWS} more")
    scatter = ", ".join(
        f"{name} {math.sqrt(float(part)):.1f}" for name, part in zip(NAMES, found.disagreement, strict=True)
    )
    lines.append(f"the clouds scatter by so many times what their errors explain: {scatter}")
    if found.widened:
        lines.append(
            "they disagree: the errors above are widened to their scatter; did the robot stand level, on all "
            "its tracks, each time?"
        )
    return lines


def _cloud_row(part: Estimate, width: int) -> str:
    roll, pitch, z = (float(value) for value in part.values[:3])
    sigmas = [float(sigma) for sigma in part.sigmas[:3]]
    return (
        f"{part.name:{width}}{math.degrees(roll):9.3f} ± {math.degrees(sigmas[0]):.3f}°"
        f"{math.degrees(pitch):9.3f} ± {math.degrees(sigmas[1]):.3f}°{z:8.4f} ± {sigmas[2]:.4f} m"
    )


def plain(found: Combined, mount: Pose, yaw: Yaw | None, blind: bool) -> dict[str, Any]:
    """Give the same as plain values: metres and degrees, as in the profile; sigmas are one standard error."""
    values, sigmas = found_values(found, yaw), _sigmas(found.sigmas)
    if yaw is not None:
        sigmas["yaw"] = math.degrees(yaw.sigma)
    return {
        "mount": {"x": mount.x, "y": mount.y, "yaw": math.degrees(mount.yaw), **values},
        "sigmas": sigmas,
        "found": sorted(values),
        "not_found": {
            "x": MEASURE,
            "y": MEASURE,
            **({"yaw": found.yaw_untold or NO_YAW} if yaw is None else {}),
        },
        "yaw_rests_on": None if yaw is None else yaw.rests_on,
        "blind_start": blind,
        "range_bias": {"value": float(found.values[3]), "sigma": float(found.sigmas[3])},
        "disagreement": dict(zip(NAMES, map(math.sqrt, map(float, found.disagreement)), strict=True)),
        "widened": found.widened or (yaw is not None and yaw.disagrees),
        "clouds": [_plain_cloud(part) for part in found.clouds],
        "refused": [{"cloud": left.name, "reason": left.reason} for left in found.refused],
        "places": found.places,
        "elsewhere": list(found.elsewhere),
    }


def _sigmas(sigmas: Sequence[float] | Any) -> dict[str, float]:
    return {
        "z": float(sigmas[2]), "roll": math.degrees(float(sigmas[0])), "pitch": math.degrees(float(sigmas[1]))
    }  # fmt: skip


def _plain_cloud(part: Estimate) -> dict[str, Any]:
    support = part.support
    return {
        "cloud": part.name,
        "roll": math.degrees(float(part.values[0])),
        "pitch": math.degrees(float(part.values[1])),
        "z": float(part.values[2]),
        "sigmas": _sigmas(part.sigmas),
        "returns": support.returns,
        "patches": support.patches,
        "nearest": support.nearest,
        "farthest": support.farthest,
        "bearings": math.degrees(support.bearings),
        "unevenness": part.unevenness,
        "millimetres": part.millimetres,
    }
