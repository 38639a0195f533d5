"""A profile in words, with the figures that follow from it."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable

from flatten.profile.models import BlindZone, Box, Cylinder, Slice
from flatten.profile.profile import Profile

WIDTH = 92
DISTANCES = (5.0, 10.0, 25.0)
TILTS = (1.0, 2.0, 5.0)

# name, from, to (m), stands on the floor, source of the height
HEIGHTS = (
    ("kerb", 0.0, 0.10, True, "county kerbing guide, full height"),
    ("pallet", 0.0, 0.144, True, "EN 13698-1"),
    ("lying test body", 0.0, 0.20, True, "ISO 3691-4, from memory"),
    ("upright test body", 0.0, 0.40, True, "ISO 3691-4, from memory"),
    ("table top", 0.71, 0.865, False, "ADA/ABA 902.3, range of heights"),
    ("door head", 2.03, math.inf, False, "guide to ADA 404.2.3, clear height"),
)

CAUTIONS = (
    "A planar scan is not a personnel-safety device: it must not be what keeps people from harm.",
    "Try a new profile with the tracks off the ground first, the emergency stop in reach, then slowly.",
    "Only what a beam meets is seen: thin, hanging, dark, mirroring or glass things can be missed.",
    "Follow the codes that hold where the robot works.",
)


def explain(profile: Profile) -> str:
    """Describe a profile and the figures derived from it, as text of at most 92 columns."""
    parts = [_head(profile), _sensor(profile), _fan(profile)]
    parts += [_slice(name, band, profile) for name, band in profile.slices.items()]
    parts += [_sources(), _reach(profile), _clear(profile), _zones(profile)]
    parts += [_window(profile), _health(profile)]
    parts += [_section("Warnings", profile.warnings or ("none",)), _section("Cautions", CAUTIONS)]
    return "\n\n".join(parts) + "\n"


def _section(title: str, items: Iterable[str]) -> str:
    lines = [title]
    for item in items:
        lines += textwrap.wrap(item, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return "\n".join(lines)


def _angle(degrees: float) -> str:
    return f"{degrees:.6g}°"


def _head(profile: Profile) -> str:
    robot = profile.robot
    level = {
        "gravity": "heights are measured along gravity, by the attitude that is passed in; "
        "without one the body counts as level",
        "body": "heights ride with the chassis; an attitude is ignored",
        "floor": "heights are measured from the floor fitted to each frame, up to "
        f"{_angle(profile.floor.slope)} steep; a cell of which no frame tells keeps its floor for "
        f"{profile.floor.memory:g} s",
    }[profile.level]
    return _section(
        f"Profile {profile.source}".rstrip(),
        (
            f"robot: {robot.length:g} m long, {robot.width:g} m wide, {robot.height:g} m high, "
            f"centred on the body's origin; wants {robot.clearance:g} m of air above, "
            f"{robot.height + robot.clearance:g} m in all",
            f"it climbs steps up to {robot.step:g} m and takes drops down to {robot.drop:g} m; a return "
            "lower than that below the floor lies beyond an edge",
            f"level: {profile.level}; {level}",
        ),
    )


def _sensor(profile: Profile) -> str:
    mount = profile.mount
    items = [
        f"at x {mount.x:g}, y {mount.y:g}, z {mount.z:g} m in the body frame; roll {_angle(mount.roll)}, "
        f"pitch {_angle(mount.pitch)}, yaw {_angle(mount.yaw)}"
    ]
    if mount.z > 0.0:
        items.append(_axis(profile))
        meets = ", ".join(f"{_angle(tilt)}: {mount.z / _tan(tilt):.2f} m" for tilt in TILTS)
        items.append(f"a beam thought level, really tilted down, meets the floor (h/tan) at {meets}")
    errors = ", ".join(f"{_angle(tilt)}: {10.0 * _tan(tilt):.3f} m" for tilt in TILTS)
    items.append(f"height error 10 m away (r·tan) for a tilt of {errors}")
    return _section("Sensor", items)


def _axis(profile: Profile) -> str:
    mount = profile.mount
    if mount.pitch <= 0.0:
        return f"the sensor's x axis, at pitch {_angle(mount.pitch)}, does not point down and meets no floor"
    distance = mount.z / _tan(mount.pitch)
    return (
        f"the sensor's x axis, pitched {_angle(mount.pitch)} down, meets the floor {distance:.2f} m from the "
        f"sensor (h/tan), at bearing {_angle(mount.yaw)}"
    )


def _tan(degrees: float) -> float:
    return math.tan(math.radians(degrees))


def _fan(profile: Profile) -> str:
    fan = profile.fan
    step = (fan.last - fan.first) / fan.bins
    widths = ", ".join(f"{1e3 * r * math.radians(step):.1f} mm at {r:g} m" for r in DISTANCES)
    upright, lying = (size / math.radians(step) for size in (0.07, 0.2))
    return _section(
        "Fan",
        (
            f"from {_angle(fan.first)} to {_angle(fan.last)} counter-clockwise, "
            f"{fan.bins} bins of {_angle(step)}",
            f"a bin is wide (r·Δθ) {widths}",
            f"an upright body of 70 mm fills a bin's width out to {upright:.1f} m, "
            f"one of 200 mm out to {lying:.1f} m",
        ),
    )


def floor_enters(band: Slice, tilt: float) -> float:
    """Find where the floor, seen under `tilt` degrees of unknown tilt, rises into a slice.

    The floor then seems to stand at r·tan(tilt), the bottom at bottom + rise·r, so they meet at
    bottom / (tan(tilt) - rise): metres from the body's origin, inf where they never meet.
    """
    if band.bottom <= 0.0:
        return 0.0
    slope = _tan(tilt) - band.rise
    return band.bottom / slope if slope > 0.0 else math.inf


def _slice(name: str, band: Slice, profile: Profile) -> str:
    rise = f", the bottom rising {band.rise:g} m per m" if band.rise else ""
    items = [f"takes heights from {band.bottom:g} up to {band.top:g} m{rise}"]
    agree = f", once {band.min_hits} returns agree within {band.within:g} m" if band.min_hits > 1 else ""
    items.append(f"the {band.pick} return of a bin decides{agree}")
    items.append(
        "under a tilt that nobody takes out, the floor enters (bottom/tan, rise considered) at "
        f"{_entries(band, profile.reach.far)}, measured from the body's origin"
    )
    items += _drops(band, profile)
    rows = [f"      {item:<18} {heights:<17} {words}" for item, heights, words in _seen_rows(band)]
    return "\n".join([_section(f"Slice {name}", items), "    sees of", *rows])


def _drops(band: Slice, profile: Profile) -> Iterable[str]:
    if band.drops:
        yield f"edges deeper than {profile.robot.drop:g} m are reported as HIT, at the last safe floor"


def _entries(band: Slice, far: float) -> str:
    words = []
    for tilt in TILTS:
        distance = floor_enters(band, tilt)
        beyond = " (beyond the reach)" if far < distance < math.inf else ""
        where = "never" if distance == math.inf else f"{distance:.2f} m{beyond}"
        words.append(f"{_angle(tilt)}: {where}")
    return ", ".join(words)


def _seen_rows(band: Slice) -> Iterable[tuple[str, str, str]]:
    for name, low, high, stands, _ in HEIGHTS:
        if stands:
            yield name, f"{high:g} m", _seen_standing(band, high)
        elif high == math.inf:
            words = (
                f"seen, its lowest {band.top - low:.2f} m" if band.top > low else "not seen, above the slice"
            )
            yield name, f"from {low:g} m", words
        else:
            yield name, f"{low:g} to {high:g} m", _seen_hanging(band, low, high)


def _seen_standing(band: Slice, height: float) -> str:
    upper, lower = min(height, band.top), max(band.bottom, 0.0)
    if upper <= lower:
        return "not seen, below the slice" if height <= band.bottom else "not seen"
    out = f", out to {(upper - band.bottom) / band.rise:.1f} m" if band.rise > 0.0 else ""
    return f"seen, {upper - lower:.3g} m of it{out}"


def _seen_hanging(band: Slice, low: float, high: float) -> str:
    upper, lower = min(high, band.top), max(low, band.bottom)
    out = f", out to {(upper - band.bottom) / band.rise:.1f} m" if band.rise > 0.0 else ""
    if upper <= lower:
        return "not seen, " + ("below the slice" if high <= band.bottom else "above the slice")
    if band.bottom <= low and high < band.top:
        return f"seen{out}"
    return f"seen only if its edge lies between {lower:g} and {upper:g} m{out}"


def _sources() -> str:
    words = "; ".join(f"{name}: {source}" for name, _, _, _, source in HEIGHTS)
    return "\n".join(textwrap.wrap(f"Heights: {words}.", WIDTH))


def _reach(profile: Profile) -> str:
    reach = profile.reach
    return _section(
        "Reach",
        (
            f"from {reach.near:g} to {reach.far:g} m, both inclusive, horizontally from the fan's origin "
            f"(x {profile.mount.x:g}, y {profile.mount.y:g} m in the body frame)",
            f"nearer than {reach.near:g} m a bin says TOO_NEAR; "
            f"farther than {reach.far:g} m nothing is reported",
        ),
    )


def _clear(profile: Profile) -> str:
    clear = profile.clear
    if clear is None:
        return _section("Clear", ("off: no bin ever says CLEAR, an empty bin stays UNSEEN",))
    items = [
        f"a bin says CLEAR only if beams witnessed it free from at most "
        f"{clear.from_:g} m to at least {clear.to:g} m",
        "witnessed means: at each distance a beam of the bin passes between the slice's bottom and "
        f"{clear.smallest:g} m above it (or its top, if lower)",
        f"so an object that stands on the floor, reaches {clear.smallest:g} m above the slice's bottom and "
        "fills the bin's width would have returned that beam",
        "what hangs, is lower or is thinner is not promised",
    ]
    items += [
        f"for {name}, {clear.from_:g} m away such a beam leaves the sensor {_beam_window(band, profile)}"
        for name, band in profile.slices.items()
        if clear.from_ > 0.0
    ]
    return _section("Clear", items)


def _beam_window(band: Slice, profile: Profile) -> str:
    clear = profile.clear
    assert clear is not None
    bottom = band.bottom + band.rise * clear.from_
    top = min(band.top, bottom + clear.smallest)
    angles = (math.degrees(math.atan2(z - profile.mount.z, clear.from_)) for z in (bottom, top))
    return "between {:+.1f}° and {:+.1f}° from level (minus is down)".format(*angles)


def _zones(profile: Profile) -> str:
    items = [f"{zone.name}: {_zone(zone)}" for zone in profile.blind_zones]
    return _section("Blind zones (returns inside are swallowed)", items or ("none",))


def _zone(zone: BlindZone) -> str:
    shape = zone.shape
    area = _area(zone)
    if isinstance(shape, Box):
        words = f"box, x {shape.x[0]:g} to {shape.x[1]:g}, y {shape.y[0]:g} to {shape.y[1]:g} m"
    elif isinstance(shape, Cylinder):
        words = f"cylinder of radius {shape.radius:g} about x {shape.x:g}, y {shape.y:g} m"
    else:
        words = (
            f"sector of {_angle(shape.width)}, counter-clockwise from {_angle(shape.first)} to "
            f"{_angle(shape.last)}, {shape.near:g} to {shape.far:g} m from the fan's origin"
        )
    if shape.z is None:
        return f"{words}, every height; {area:.3g} m² of ground"
    low, high = shape.z
    return f"{words}, z {low:g} to {high:g} m; {area * (high - low):.3g} m³"


def _window(profile: Profile) -> str:
    window = profile.window
    if window is None:
        return _section("Window", ("off: a scan tells of one frame",))
    much = f"the last {window.frames} frames" if window.frames else f"the last {window.seconds:g} s"
    items = (
        f"a scan gathers {much}; every frame must come with its motion",
        "what moved away is still shown for as long, but not where the newest frame witnesses free"
        if profile.clear
        else "what moved away is still shown for as long",
    )
    return _section("Window", items)


def _health(profile: Profile) -> str:
    limits = profile.health
    rate = "the usual one, learnt" if limits.rate is None else f"{limits.rate:g} Hz"
    items = (
        f"rate: {rate}; a frame is late after {limits.late:g} periods; up to {100 * limits.missing:.3g} % of "
        "the frames may be missing",
        f"fewer than {100 * limits.answered:.3g} % of the usual number of answered bins: a dirty window?",
        f"more than {100 * limits.swallowed:.3g} % of the returns lost to blind zones: is a zone too large?",
        f"floor under the robot more than {limits.floor_height:g} m or {_angle(limits.floor_tilt)} off the "
        "declared one: has the mount slipped?",
        f"attitudes more than {limits.attitude_age:g} s off their frame are told, more than "
        f"{limits.attitude_stale:g} s refused",
    )
    return _section("Health (what is worth a word)", items)


def _area(zone: BlindZone) -> float:
    shape = zone.shape
    if isinstance(shape, Box):
        return (shape.x[1] - shape.x[0]) * (shape.y[1] - shape.y[0])
    if isinstance(shape, Cylinder):
        return math.pi * shape.radius**2
    return math.pi * float(shape.far**2 - shape.near**2) * float(shape.width) / 360.0
