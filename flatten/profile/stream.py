"""The sections about frames that follow one another: the floor carried along, the window, the health.

Defaults are common practice without a source where nothing else stands beside them. A key that joins
one of these sections needs its field here and its line in the starter: errors, schema, overrides and
writing follow from the field.
"""

from __future__ import annotations

from pydantic import Field, model_validator

from flatten.profile.fields import Section, number, order_broken, rule_broken

MOST_FRAMES = 100
LONGEST_WINDOW = 10.0


class Floor(Section):
    """How the floor is fitted to each frame, with `level: floor`."""

    slope: float = number("steepest floor that counts as floor", "deg", default=20.0, gt=0, le=45)
    memory: float = number(
        "how long the floor found in a cell is kept while no frame says anything about the cell",
        "s",
        default=1.0,
        ge=0,
        le=60,
    )


class Window(Section):
    """How much of the past a scan gathers: a number of frames or a time, one of the two.

    Memory is bounded either way: MOST_FRAMES frames and, as `flatten.window` says, 4,000,000 returns at most.
    """

    frames: int | None = Field(
        default=None,
        description="frames gathered in a scan, the newest one counted",
        strict=True,
        ge=1,
        le=MOST_FRAMES,
    )
    seconds: float | None = number(
        "age up to which frames are gathered in a scan", "s", default=None, gt=0, le=LONGEST_WINDOW
    )

    @model_validator(mode="after")
    def _one_measure(self) -> Window:
        given = [name for name in ("frames", "seconds") if getattr(self, name) is not None]
        if len(given) != 1:
            said = "is given beside frames" if given else "holds neither frames nor seconds"
            words = (
                f"{said}; allowed: exactly one of frames (1 to {MOST_FRAMES}) and seconds (above 0, at most "
                f"{LONGEST_WINDOW:g} s)"
            )
            value: object = self.seconds if given else {}
            raise rule_broken(("seconds",) if given else (), value, words)
        return self


class HealthLimits(Section):
    """When the stream of frames is worth a word: the limits of `flatten.health.Health`."""

    rate: float | None = number(
        "frames a second that the sensor should send; learnt from the stream if absent",
        "Hz",
        default=None,
        ge=0.1,
        le=1000,
    )
    late: float = number(
        "a frame is late if it comes more than this many periods after the one before",
        "periods",
        default=1.5,
        gt=1,
        le=100,
    )
    missing: float = number("share of the frames that may fail to come", "", default=0.1, ge=0, le=1)
    answered: float = number(
        "share of the usual number of answered bins below which the sensor's window may be dirty",
        "",
        default=0.5,
        ge=0,
        le=1,
    )
    """Default measured: one sensor answers 0.39 (dock edge) to 0.71 (aisle) of the drive slice's bins in the
    sample clouds, by nothing but the place: 0.55 of the most, which must not alarm."""
    swallowed: float = number(
        "share of the returns that blind zones may swallow",
        "",
        default=0.5,
        ge=0,
        le=1,
    )
    """Default measured: 0.06 to 0.30 of the returns in the sample clouds, by their own profiles."""
    floor_height: float = number(
        "height that may lie between the floor found under the robot and the declared one",
        "m",
        default=0.05,
        gt=0,
        le=10,
    )
    floor_tilt: float = number(
        "angle that may lie between the floor found under the robot and the declared one",
        "deg",
        default=2.0,
        gt=0,
        le=90,
    )
    attitude_age: float = number(
        "time between a frame and its attitude above which it is worth a word",
        "s",
        default=0.1,
        gt=0,
        le=3600,
    )
    attitude_stale: float = number(
        "time between a frame and its attitude above which the frame is refused",
        "s",
        default=0.5,
        gt=0,
        le=3600,
    )

    @model_validator(mode="after")
    def _word_before_refusal(self) -> HealthLimits:
        if self.attitude_age > self.attitude_stale:
            raise order_broken(
                ("attitude_age",),
                self.attitude_age,
                ("attitude_stale",),
                self.attitude_stale,
                allowed="above 0, at most 3600 s, attitude_age at most attitude_stale",
                relation="at most",
            )
        return self
