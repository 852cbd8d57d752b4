"""The sources of error of a speed, in one place, with all that anybody who shows, sums up or propagates them needs.

Rows, path, filter, prediction, acceptance and pages take names, order, words and behaviour from here; nobody else spells
a source as text. A source that lacks something does not import, and whoever needs more of each adds it here. What a
consumer holds or decides for each source is a :class:`flow.per_source.PerSource`, which a missing source keeps from
type-checking and from being built.
"""

from __future__ import annotations

from enum import Enum, StrEnum, auto
from typing import Self


class Unit(Enum):
    """Unit of the figure that errs; its value is how it is written."""

    RAD = "rad"
    RAD_S = "rad/s"
    RAD_S_RTHZ = "rad/s/√Hz"
    S = "s"
    M = "m"
    M_S = "m/s"
    M_S2 = "m/s²"
    PX = "px"
    SHARE = "1"


class Sensitivity(Enum):
    """What an error acts on: the columns that turn it into an error of the velocity.

    All but the last are fields of :class:`flow.pair.shared_errors.UnitEffects`, of the same name and with the units stated
    there. What acts on the velocity itself is known by its effect alone, m/s.
    """

    HEIGHT = "height"
    FOCAL_LENGTH = "focal_length"
    GYRO = "gyro"
    CLOCK = "clock"
    MOUNTING = "mounting"
    TILT = "tilt"
    LEVER_ARM = "lever_arm"
    ACCELERATION = "acceleration"
    INTERVAL = "interval"
    VELOCITY = "velocity"


class SigmaFrom(Enum):
    """Where the one-sigma comes from."""

    MODULE = auto()
    """The module file states it, or its documented default stands in."""
    ESTIMATE = auto()
    """The filter that estimates the quantity (height, tilt, acceleration) gives it with the estimate."""
    FLIGHT = auto()
    """Learnt from the residuals of the flight itself."""


class Lasts(Enum):
    """How long one draw of an error lasts: whether it averages out, and over what."""

    PAIR = auto()
    """Independent in each pair of frames."""
    FRAME = auto()
    """Belongs to one frame: it enters the two pairs on either side with opposite signs, and cancels in their sum."""
    STRETCH = auto()
    """Correlated for some tenths of a second up to some seconds: as long as the same ground or manoeuvre lasts."""
    FLIGHT = auto()
    """A constant of the module or its file: no averaging helps, another flight does not either."""


class Follows(Enum):
    """What the effect on the speed goes with, hence how it adds up along a path."""

    CHANCE = auto()
    """Its sign alternates (with noise, or with how the craft rocks): adds up as independent errors do."""
    VELOCITY = auto()
    """In proportion to the velocity: a scale error, which vanishes on the way back."""
    BODY = auto()
    """Fixed to the body's axes: it turns along with the heading."""


class ErrorSource(StrEnum):
    """A source of error. Its value is the name in files and data; the order is that in which sources are listed.

    Attributes
    ----------
    label
        What a table or a chart calls it.
    words
        What it is called within a sentence.
    remedy
        What the user can do about it, as an order.
    unit
        Of the figure that errs.
    figures
        How many of them err, independent of each other: fx and fy, or one along or about each axis.
    acts_on
        Which sensitivity turns the figure's error into one of the velocity.
    sigma_from
        Where the figure's one-sigma comes from.
    lasts, follows
        How it goes on in time, and with what.
    module_key
        The key of the module file that states it; empty where the flight makes it and no calibration can help.
    """

    label: str
    words: str
    remedy: str
    unit: Unit
    figures: int
    acts_on: Sensitivity
    sigma_from: SigmaFrom
    lasts: Lasts
    follows: Follows
    module_key: str

    def __new__(
        cls,
        value: str,
        label: str,
        words: str,
        remedy: str,
        unit: Unit,
        figures: int,
        acts_on: Sensitivity,
        sigma_from: SigmaFrom,
        lasts: Lasts,
        follows: Follows,
        module_key: str,
    ) -> Self:
        """Make a member; one that lacks any of this is an error at import."""
        member = str.__new__(cls, value)
        member._value_ = value
        member.label, member.words, member.remedy = label, words, remedy
        member.unit, member.figures, member.acts_on, member.sigma_from = unit, figures, acts_on, sigma_from
        member.lasts, member.follows, member.module_key = lasts, follows, module_key
        return member

    @property
    def section(self) -> str:
        """Section of the module file that states it; empty where none does."""
        return self.module_key.partition(".")[0]

    IMAGE = (
        "image", "image", "the scatter of the points",
        "more texture, light or focus; fly slower or lower",
        Unit.PX, 3, Sensitivity.VELOCITY, SigmaFrom.FLIGHT,
        Lasts.FRAME, Follows.CHANCE, "",
    )  # fmt: skip
    IMAGE_DRIFT = (
        "image_drift", "image drift", "an error of coded images that lasts for some of them",
        "a higher bit rate, or another codec; coarse blocks pull the motion toward standing still",
        Unit.PX, 3, Sensitivity.VELOCITY, SigmaFrom.FLIGHT,
        Lasts.STRETCH, Follows.BODY, "",
    )  # fmt: skip
    HEIGHT = (
        "height", "height", "the height",
        "range readings at a higher rate and with less noise; see that none are lost",
        Unit.M, 1, Sensitivity.HEIGHT, SigmaFrom.ESTIMATE,
        Lasts.STRETCH, Follows.VELOCITY, "range.noise_m",
    )  # fmt: skip
    RANGE = (
        "range", "range", "the range sensor's scale and offset",
        "check the range sensor against taped heights: groundpace calibrate range",
        Unit.SHARE, 1, Sensitivity.HEIGHT, SigmaFrom.MODULE,
        Lasts.FLIGHT, Follows.VELOCITY, "range.sigma.scale",
    )  # fmt: skip
    AIR = (
        "air", "air temperature", "the air's temperature in an ultrasonic range",
        "state the air of the bench (groundpace calibrate range --air), and log that of the flight in range.csv",
        Unit.SHARE, 1, Sensitivity.HEIGHT, SigmaFrom.MODULE,
        Lasts.FLIGHT, Follows.VELOCITY, "range.assumed_air_temperature_c",
    )  # fmt: skip
    FOCAL_LENGTH = (
        "focal_length", "focal length", "the focal length",
        "calibrate the lens again: groundpace calibrate lens",
        Unit.SHARE, 2, Sensitivity.FOCAL_LENGTH, SigmaFrom.MODULE,
        Lasts.FLIGHT, Follows.VELOCITY, "camera.sigma.fx_px",
    )  # fmt: skip
    GYRO_NOISE = (
        "gyro_noise", "gyro noise", "the gyro's noise",
        "a quieter gyro, a softer mount, or a lower flight",
        Unit.RAD_S_RTHZ, 3, Sensitivity.GYRO, SigmaFrom.MODULE,
        Lasts.PAIR, Follows.CHANCE, "gyro.noise_rad_s_rthz",
    )  # fmt: skip
    GYRO_BIAS = (
        "gyro_bias", "gyro bias", "the gyro's bias",
        "log the gyro at rest, warm, before the flight: groundpace calibrate gyro",
        Unit.RAD_S, 3, Sensitivity.GYRO, SigmaFrom.MODULE,
        Lasts.FLIGHT, Follows.BODY, "gyro.sigma.bias_rad_s",
    )  # fmt: skip
    GYRO_SCALE = (
        "gyro_scale", "gyro scale", "the gyro's scale",
        "check the gyro's unit and range, and its scale on a turntable",
        Unit.SHARE, 3, Sensitivity.GYRO, SigmaFrom.FLIGHT,
        Lasts.FLIGHT, Follows.BODY, "",
    )  # fmt: skip
    CLOCK = (
        "clock", "clock", "the offset between the clocks",
        "find the offset again: groundpace calibrate alignment",
        Unit.S, 1, Sensitivity.CLOCK, SigmaFrom.MODULE,
        Lasts.FLIGHT, Follows.CHANCE, "alignment.sigma.time_offset_s",
    )  # fmt: skip
    MOUNTING = (
        "mounting", "mounting", "the camera's mounting",
        "see that the camera is tight, then groundpace calibrate alignment",
        Unit.RAD, 3, Sensitivity.MOUNTING, SigmaFrom.MODULE,
        Lasts.FLIGHT, Follows.BODY, "alignment.sigma.camera_to_body_rad",
    )  # fmt: skip
    TILT = (
        "tilt", "tilt", "the tilt",
        "log roll and pitch in attitude.csv, or an accelerometer in gyro.csv",
        Unit.RAD, 2, Sensitivity.TILT, SigmaFrom.ESTIMATE,
        Lasts.STRETCH, Follows.BODY, "",
    )  # fmt: skip
    LEVER_ARM = (
        "lever_arm", "camera position", "the camera's place on the body (the lever arm)",
        "measure alignment.camera_position_m again",
        Unit.M, 3, Sensitivity.LEVER_ARM, SigmaFrom.MODULE,
        Lasts.FLIGHT, Follows.BODY, "alignment.sigma.camera_position_m",
    )  # fmt: skip
    ACCELERATION = (
        "acceleration", "acceleration", "an acceleration between the images that is not known well",
        "log an accelerometer in gyro.csv; a shorter readout or a higher frame rate",
        Unit.M_S2, 3, Sensitivity.ACCELERATION, SigmaFrom.ESTIMATE,
        Lasts.STRETCH, Follows.CHANCE, "",
    )  # fmt: skip
    FRAME_TIMES = (
        "frame_times", "frame times", "unsteady frame times",
        "stamp frames where they are exposed, not where they arrive",
        Unit.S, 2, Sensitivity.INTERVAL, SigmaFrom.FLIGHT,
        Lasts.FRAME, Follows.CHANCE, "",
    )  # fmt: skip
    RELIEF = (
        "relief", "relief", "ground that is not one plane, or something that stands or moves above it",
        "fly higher over such ground; nothing is wrong with the module",
        Unit.SHARE, 3, Sensitivity.VELOCITY, SigmaFrom.FLIGHT,
        Lasts.STRETCH, Follows.BODY, "",
    )  # fmt: skip
    LIGHT = (
        "light", "light", "light that moves over the ground, or a pattern of the sensor's own",
        "steady and enough light; nothing is wrong with the calibration",
        Unit.SHARE, 3, Sensitivity.VELOCITY, SigmaFrom.FLIGHT,
        Lasts.STRETCH, Follows.BODY, "",
    )  # fmt: skip
    ACCELEROMETER = (
        "accelerometer", "accelerometer", "a speed that is inconsistent with the accelerometer",
        "look for what moves in view (grass, shadows, water), or a loose or shaken accelerometer",
        Unit.M_S, 3, Sensitivity.VELOCITY, SigmaFrom.FLIGHT,
        Lasts.STRETCH, Follows.BODY, "",
    )  # fmt: skip


SOURCES = tuple(ErrorSource)
"""All of them, in order: the columns of an array of effects."""
