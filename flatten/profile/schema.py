"""The profile as a JSON Schema, for editors that complete and check YAML while it is written."""

from __future__ import annotations

from typing import Any

from flatten.profile.fields import LONGEST_NAME
from flatten.profile.models import SHAPES
from flatten.profile.profile import Profile


def json_schema() -> dict[str, Any]:
    """Describe every key of the profile file with its unit and range: JSON Schema, draft 2020-12.

    What binds several keys (bottom below top, first < last <= first + 360, …) is beyond a schema;
    `Profile.load` checks it.
    """
    schema = Profile.model_json_schema(by_alias=True)
    _strip(schema)
    parts, keys = schema["$defs"], schema["properties"]
    for key, means in (("clear", "never CLEAR"), ("window", "one frame a scan")):
        keys[key] = {
            "description": keys[key]["description"],
            "anyOf": [{"$ref": f"#/$defs/{key.title()}"}, {"enum": ["off", False], "description": means}],
        }
    keys["slices"]["propertyNames"] = {"maxLength": LONGEST_NAME}
    keys["slices"]["additionalProperties"] = False
    parts["Window"]["oneOf"] = [{"required": [measure]} for measure in parts["Window"]["properties"]]
    parts["BlindZone"]["oneOf"] = [{"required": [shape]} for shape in SHAPES]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "flatten profile",
        "description": (
            "Robot, sensor, slices, fan, reach, blind zones, floor, window and health for turning 3-D lidar "
            "clouds into planar scans. Metres and degrees. A planar scan is not a personnel-safety device."
        ),
    }


def _strip(part: Any) -> None:
    """Take off the null that stands for an absent key, and titles that only repeat the key."""
    if isinstance(part, list):
        for item in part:
            _strip(item)
    if not isinstance(part, dict):
        return
    if isinstance(part.get("title"), str) and "properties" not in part:
        del part["title"]
    kinds = part.get("anyOf")
    if isinstance(kinds, list) and {"type": "null"} in kinds:
        left = [kind for kind in kinds if kind != {"type": "null"}]
        del part["anyOf"]
        part.pop("default", None)
        part.update(left[0] if len(left) == 1 else {"anyOf": left})
    for item in list(part.values()):
        _strip(item)
