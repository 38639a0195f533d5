"""The sections of a profile: what each key means, its unit, its bounds, and what must fit together.

Metres and degrees, as in the file. The numbers taken where a key is absent are those of the
example robot; bounds without a source beside them are common practice: wide enough for any rover,
narrow enough to catch a slip of units.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, model_validator

from flatten.profile.fields import Pair, Section, ZoneName, number, order_broken, rule_broken

MOST_BINS = 36_000
FARTHEST = 1000.0
STEP = 0.06
CLEAR_FROM, CLEAR_TO = 1.5, 8.0


def _without_default(schema: dict[str, Any]) -> None:
    schema.pop("default", None)
    schema["unit"] = "m"


class Robot(Section):
    """The robot's outline, centred on the body's origin, and what it can drive over and under."""

    length: float = number("length of the robot along x", "m", default=0.95, gt=0, le=100)
    width: float = number("width of the robot along y", "m", default=0.72, gt=0, le=100)
    height: float = number("height of the robot's highest rigid part", "m", default=0.88, gt=0, le=100)
    step: float = number("tallest step that it climbs", "m", default=STEP, ge=0, le=10)
    drop: float = Field(
        default=STEP,
        description="deepest drop that it takes; the value of step where it is not given [m]",
        strict=True,
        allow_inf_nan=False,
        ge=0,
        le=10,
        json_schema_extra=_without_default,
    )
    clearance: float = number("air wanted above the robot's height", "m", default=0.15, ge=0, le=10)

    @model_validator(mode="after")
    def _drop_follows_step(self) -> Robot:
        if "drop" not in self.model_fields_set:
            object.__setattr__(self, "drop", self.step)
        return self


class Mount(Section):
    """Pose of the sensor in the body frame: translate by (x, y, z) after Rz(yaw)·Ry(pitch)·Rx(roll)."""

    x: float = number(
        "position of the sensor, forward of the robot's centre", "m", default=0.0, ge=-100, le=100
    )
    y: float = number("position of the sensor, left of the robot's centre", "m", default=0.0, ge=-100, le=100)
    z: float = number("height of the sensor above the floor", "m", default=0.0, ge=-100, le=100)
    roll: float = number("turn about x; positive is left side up", "deg", default=0.0, ge=-180, le=180)
    pitch: float = number("turn about y; positive is nose down", "deg", default=0.0, ge=-90, le=90)
    yaw: float = number("turn about z; positive is to the left", "deg", default=0.0, ge=-180, le=180)


class Slice(Section):
    """A height band [bottom + rise·r, top) above the floor; returns inside it are obstacles."""

    bottom: float = number("lower border of the band, inclusive, above the floor", "m", ge=-100, le=100)
    top: float = number("upper border of the band, exclusive, above the floor", "m", ge=-100, le=100)
    rise: float = number("growth of the bottom with distance", "m per m", default=0.0, ge=0, le=1)
    pick: Literal["nearest", "farthest"] = Field(
        default="nearest",
        description="which return of a bin decides: nearest for driving, farthest for walls",
    )
    min_hits: int = Field(
        default=1,
        description="returns that must agree, in the bin and the two beside it, before one is accepted",
        strict=True,
        ge=1,
        le=1000,
    )
    within: float = number("depth in which the agreeing returns must lie", "m", default=0.2, gt=0, le=100)
    drops: bool = Field(
        default=False,
        description="report edges deeper than robot.drop, at the last safe floor; needs level: floor",
        strict=True,
    )

    @model_validator(mode="after")
    def _bottom_below_top(self) -> Slice:
        if not self.bottom < self.top:
            raise order_broken(
                ("bottom",), self.bottom, ("top",), self.top, allowed="from -100 to 100 m, bottom below top"
            )
        return self


class Fan(Section):
    """The angular layout of the scan: counter-clockwise about the body's z axis, 0 is ahead."""

    first: float = number("bearing of the first edge of bin 0", "deg", default=-180.0, ge=-360, le=360)
    last: float = number("bearing of the last edge of the last bin", "deg", default=180.0, ge=-360, le=360)
    bins: int = Field(default=1440, description="number of bins", strict=True, ge=1, le=MOST_BINS)

    @model_validator(mode="after")
    def _at_most_one_turn(self) -> Fan:
        allowed = "from -360 to 360 deg with first < last <= first + 360 (the rear is 90 to 270)"
        if not self.first < self.last:
            raise order_broken(("first",), self.first, ("last",), self.last, allowed=allowed)
        if self.last - self.first > 360.0:
            relation = "within one turn of"
            raise order_broken(
                ("first",), self.first, ("last",), self.last, allowed=allowed, relation=relation
            )
        return self


class Reach(Section):
    """The horizontal distances that may be reported, both ends inclusive (REP 117)."""

    near: float = number("nearest distance that is reported", "m", default=0.3, ge=0, le=FARTHEST)
    far: float = number("farthest distance that is reported", "m", default=25.0, gt=0, le=FARTHEST)

    @model_validator(mode="after")
    def _near_below_far(self) -> Reach:
        if not self.near < self.far:
            allowed = f"from 0 to {FARTHEST:g} m, near below far"
            raise order_broken(("near",), self.near, ("far",), self.far, allowed=allowed)
        return self


class Clear(Section):
    """What must be witnessed free before a bin may say CLEAR; the profile checks from < to <= reach.far."""

    smallest: float = number(
        "CLEAR speaks for objects that stand and reach this far above the slice's bottom",
        "m",
        default=0.4,
        gt=0,
        le=100,
    )
    from_: float = number(
        "the witnessed stretch must begin at most this far away",
        "m",
        alias="from",
        default=CLEAR_FROM,
        ge=0,
        le=FARTHEST,
    )
    to: float = number(
        "the witnessed stretch must end at least this far away", "m", default=CLEAR_TO, gt=0, le=FARTHEST
    )

    def fitted(self, far: float) -> Clear:
        """Shorten what was not declared to a reach of `far` m, keeping the proportion of from to to."""
        declared = self.model_fields_set
        to = self.to if "to" in declared else min(self.to, far)
        keep = "from_" in declared or self.from_ < to
        from_ = self.from_ if keep else to * CLEAR_FROM / CLEAR_TO
        return Clear.model_construct(set(declared), smallest=self.smallest, from_=from_, to=to)


class Box(Section):
    """An upright box in the body frame, borders inclusive: three pairs [low, high]."""

    x: Pair = Field(description="from back to front [m]")
    y: Pair = Field(description="from right to left [m]")
    z: Pair = Field(description="from bottom to top above the floor [m]")


class Sector(Section):
    """A piece of pie about the fan's origin (mount.x, mount.y), counter-clockwise from first to last."""

    first: float = number("bearing where it begins", "deg", ge=-360, le=360)
    last: float = number("bearing where it ends, counter-clockwise; may wrap", "deg", ge=-360, le=360)
    near: float = number("nearest distance, inclusive", "m", default=0.0, ge=0, le=FARTHEST)
    far: float = number("farthest distance, inclusive", "m", gt=0, le=FARTHEST)
    z: Pair | None = Field(
        default=None, description="from bottom to top above the floor; every height if absent [m]"
    )

    @property
    def width(self) -> float:
        """Degrees from first to last, counter-clockwise, in (0, 360]: 20 for 170 to -170."""
        turn = self.last - self.first
        return turn if turn > 0.0 else turn % 360.0

    @model_validator(mode="after")
    def _some_width_and_depth(self) -> Sector:
        if not 0.0 < self.width <= 360.0:
            words = (
                f"is no sector with first {self.first!r}; allowed: from -360 to 360 deg, more than 0 and at "
                "most 360 deg counter-clockwise from first to last (170 to -170 is 20 wide, "
                "-180 to 180 the full circle)"
            )
            raise rule_broken(("last",), self.last, words)
        if not self.near < self.far:
            allowed = f"from 0 to {FARTHEST:g} m, near below far"
            raise order_broken(("near",), self.near, ("far",), self.far, allowed=allowed)
        return self


class Cylinder(Section):
    """An upright cylinder in the body frame, borders inclusive."""

    x: float = number("centre, forward of the robot's centre", "m", ge=-FARTHEST, le=FARTHEST)
    y: float = number("centre, left of the robot's centre", "m", ge=-FARTHEST, le=FARTHEST)
    radius: float = number("radius", "m", gt=0, le=100)
    z: Pair | None = Field(
        default=None, description="from bottom to top above the floor; every height if absent [m]"
    )


SHAPES = ("box", "sector", "cylinder")


class BlindZone(Section):
    """A region of the body frame whose returns are swallowed: the robot itself, or what to ignore."""

    name: ZoneName = Field(description="name of the zone, unlike that of any other")
    box: Box | None = Field(default=None, description="an upright box")
    sector: Sector | None = Field(default=None, description="a piece of pie about the fan's origin")
    cylinder: Cylinder | None = Field(default=None, description="an upright cylinder")

    @model_validator(mode="after")
    def _one_shape(self) -> BlindZone:
        given = [shape for shape in SHAPES if getattr(self, shape) is not None]
        if len(given) != 1:
            found = " and ".join(given) or "no shape"
            words = f"has {found}; allowed: exactly one of box, sector and cylinder"
            raise rule_broken((given[-1],) if given else (), self.name, words)
        return self

    @property
    def shape(self) -> Any:
        """The one of box, sector and cylinder that is given."""
        return self.box or self.sector or self.cylinder
