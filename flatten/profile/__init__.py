"""What the user declares: loading, checking, explaining what is wrong and where.

    profile = Profile.load("rover.yaml", overrides={"reach.far": 20.0})
    print(explain(profile))

Metres and degrees, as in the file; everything else in the library speaks of radians.
"""

from flatten.profile.explain import explain
from flatten.profile.models import (
    BlindZone,
    Box,
    Clear,
    Cylinder,
    Fan,
    Mount,
    Reach,
    Robot,
    Sector,
    Slice,
)
from flatten.profile.overrides import setting
from flatten.profile.profile import Profile
from flatten.profile.schema import json_schema
from flatten.profile.starter import starter_text
from flatten.profile.stream import Floor, HealthLimits, Window

__all__ = [
    "BlindZone",
    "Box",
    "Clear",
    "Cylinder",
    "Fan",
    "Floor",
    "HealthLimits",
    "Mount",
    "Profile",
    "Reach",
    "Robot",
    "Sector",
    "Slice",
    "Window",
    "explain",
    "json_schema",
    "setting",
    "starter_text",
]
