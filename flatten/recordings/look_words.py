"""What was found in a recording, as a page of text and as plain values."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime, timezone
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.motion import attitude_of
from flatten.recordings.look import CloudLook, Look
from flatten.recordings.stamps import Stamps


def report(found: Look) -> str:
    """Describe it in lines of about 100 columns."""
    lines = [f"{found.path}: {found.kind}{_when(found)}", ""]
    if found.topics:
        lines += [*_table(found), ""]
    for seen in found.clouds:
        lines += [*_clouds(seen), ""]
    lines += _poses(found)
    lines += _sensor(found)
    lines += _list("missing", found.missing) + _list("wrong", found.faults)
    if not found.missing and not found.faults:
        lines.append("nothing is missing, nothing is wrong")
    return "\n".join(lines)


def _when(found: Look) -> str:
    if not found.start:
        return ""
    begun = datetime.fromtimestamp(found.start / 1e9, timezone.utc)
    return f", {(found.end - found.start) / 1e9:.3f} s from {begun:%Y-%m-%d %H:%M:%S} UTC"


def _table(found: Look) -> list[str]:
    width = max(5, *(len(topic.name) for topic in found.topics))
    kind = max(4, *(len(topic.type) for topic in found.topics))
    lines = [f"{'topic':{width}}  {'type':{kind}}  messages     rate  longest gap"]
    for topic in sorted(found.topics, key=lambda each: each.name):
        gaps = topic.logged.gaps()
        longest = f"{max(gaps):.3g} s" if gaps else "none"
        lines.append(
            f"{topic.name:{width}}  {topic.type:{kind}}  {topic.logged.count:8,}  {_rate(topic.logged):>7}"
            f"  {longest:>11}"
        )
        if topic.logged.count != topic.listed:
            lines[-1] += f"  (its index says {topic.listed:,})"
    return lines


def _rate(stamps: Stamps) -> str:
    return "" if stamps.step is None else f"{1.0 / stamps.step:.3g} Hz"


def _clouds(seen: CloudLook) -> list[str]:
    lines = [f"clouds{f' on {seen.topic}' if seen.topic else ''}: {seen.stamps.count:,}" + _returns(seen)]
    named = [f"{name} ({count:,})" if len(seen.frames) > 1 else name for name, count in seen.frames.items()]
    if any(seen.frames):
        lines.append(f"  axes: {', '.join(named)}")
    for layout, count in seen.layouts.items():
        many = f" ({count:,} clouds)" if len(seen.layouts) > 1 else ""
        lines.append(f"  a return: {layout}{many}")
    for words in dict.fromkeys(told if isinstance(told, str) else told.words for told in seen.timed):
        lines.append(f"  times of returns: {words}")
    if seen.topic:
        lines.append(f"  recorded up to {seen.delay:.3g} s after their stamp")
    return lines


def _returns(seen: CloudLook) -> str:
    if not seen.stamps.count:
        return ""
    span = f"{seen.least:,}" if seen.least == seen.most else f"{seen.least:,} to {seen.most:,}"
    return f", {span} returns each"


def _poses(found: Look) -> list[str]:
    path = found.trajectory
    if path is None:
        return []
    names = f"{path.frame} to {path.child}" if path.child else path.frame or "frames not named"
    usual = float(np.median(np.diff(path.times))) / 1e9 if len(path) > 1 else math.nan
    length = float(np.linalg.norm(np.diff(path.poses[:, :3], axis=0), axis=1)[~path.torn].sum())
    lines = [
        f"poses of the {path.of}: {len(path):,}, {names}, {1.0 / usual:.3g} Hz, {length:.1f} m of way, from "
        f"{path.name.rsplit(', ', 1)[-1]}"
    ]
    count = next((seen.stamps.count for seen in found.clouds if seen.topic == found.chosen), 0)
    return [*lines, f"  they cover {found.covered:,} of {count:,} clouds, first return to last", ""]


def _sensor(found: Look) -> list[str]:
    if found.body_from_sensor is None:
        return []
    told = mount_values(found.body_from_sensor)
    inside = ", ".join(f"{key}: {value:.3f}" for key, value in told.items())
    return [f"the sensor sits, by transforms: mount {{{inside}}} (m, deg)", ""]


def mount_values(body_from_sensor: npt.NDArray[np.float64]) -> dict[str, float]:
    """A mount as the profile has it: metres and degrees."""
    roll, pitch = attitude_of(body_from_sensor)
    yaw = math.atan2(float(body_from_sensor[1, 0]), float(body_from_sensor[0, 0]))
    place = dict(zip("xyz", (float(number) for number in body_from_sensor[:3, 3]), strict=True))
    return place | {"roll": math.degrees(roll), "pitch": math.degrees(pitch), "yaw": math.degrees(yaw)}


def _list(heading: str, lines: Iterable[str]) -> list[str]:
    lines = list(lines)
    return [f"{heading}:", *(f"  {line}" for line in lines)] if lines else []


def plain(found: Look) -> dict[str, Any]:
    """Give it as plain values: seconds, metres, degrees; stamps in integer nanoseconds."""
    path = found.trajectory
    return {
        "path": found.path,
        "kind": found.kind,
        "start_ns": found.start,
        "end_ns": found.end,
        "topics": [
            {
                "name": topic.name, "type": topic.type, "messages": topic.logged.count,
                "messages_by_index": topic.listed, "step_s": topic.logged.step,
                "gaps_s": topic.logged.gaps(),
            }
            for topic in found.topics
        ],
        "clouds": [_plain_clouds(seen) for seen in found.clouds],
        "poses": None if path is None else {
            "of": path.of, "frame": path.frame, "child": path.child, "count": len(path),
            "start_ns": path.start, "end_ns": path.end, "torn_steps": int(path.torn.sum()),
            "clouds_covered": found.covered,
        },
        "mount": None if found.body_from_sensor is None else mount_values(found.body_from_sensor),
        "missing": found.missing,
        "faults": found.faults,
    }  # fmt: skip


def _plain_clouds(seen: CloudLook) -> dict[str, Any]:
    return {
        "topic": seen.topic, "count": seen.stamps.count, "unread": seen.unread, "frames": seen.frames,
        "layouts": seen.layouts, "returns": [seen.least, seen.most], "step_s": seen.stamps.step,
        "gaps_s": seen.stamps.gaps(), "delay_s": seen.delay, "without_stamp": seen.unset,
        "return_times": list(
            dict.fromkeys(told if isinstance(told, str) else told.words for told in seen.timed)
        ),
    }  # fmt: skip
