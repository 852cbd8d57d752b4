"""The tables of a recording, and those that calibration reads."""

from flow.columns.column import BODY, LEVEL, NO_AXES, Column, CsvFile

GYRO_TIME = Column("time_s", "s", NO_AXES, "when, on the gyro's clock, which is the master clock; must increase")
_RANGE_TIME = Column(
    "time_s", "s", NO_AXES, "when, on the range sensor's clock: time_s + range.time_offset_s = gyro time; must increase"
)

FRAMES = CsvFile(
    "frames.csv",
    "true frame times, a row for each stored frame; without it the container's presentation times are the frame times",
    "optional in a recording",
    (
        Column("frame", "1", NO_AXES, "number of the stored frame: 0, 1, 2, ...", kind="count"),
        Column(
            "time_s", "s", NO_AXES,
            "mid-exposure of the middle row, on the camera's clock: time_s + alignment.time_offset_s = gyro time; must increase",
        ),
        Column("exposure_s", "s", NO_AXES, "how long each row was exposed", optional=True),
    ),
)  # fmt: skip

GYRO = CsvFile(
    "gyro.csv",
    "angular rates and, where it has an accelerometer, specific force, as logged: the bias is not yet subtracted",
    "needed in a recording; read by `calibrate gyro` from a log at rest",
    (
        GYRO_TIME,
        *(
            Column(f"gyro_{axis}_rad_s", "rad/s", BODY, f"angular rate about body {axis}, right-handed; empty: no reading")
            for axis in "xyz"
        ),
        *(
            Column(
                f"accel_{axis}_m_s2", "m/s²", BODY,
                f"specific force along body {axis}; a level, still module reads about -9.81 on z; empty: no reading",
                optional=True,
            )
            for axis in "xyz"
        ),
    ),
)  # fmt: skip

RANGE = CsvFile(
    "range.csv",
    "readings of the height sensor, as logged",
    "needed in a recording, except by `calibrate alignment`",
    (
        _RANGE_TIME,
        Column(
            "range_m", "m", NO_AXES,
            "distance as the sensor gives it: distance = range.scale * range_m + range.offset_m; empty: no echo",
        ),
        Column(
            "air_temperature_c", "°C", NO_AXES, "measured temperature of the air; empty: no reading. Counts only where "
            "range.assumed_air_temperature_c is set", optional=True,
        ),
    ),
)  # fmt: skip

ATTITUDE = CsvFile(
    "attitude.csv",
    "roll and pitch from elsewhere; without it the tilt comes from gyro and accelerometer, or level is assumed",
    "optional in a recording",
    (
        GYRO_TIME,
        Column(
            "roll_rad",
            "rad",
            BODY,
            "roll, intrinsic z-y-x: after yaw and pitch, about body x; right side down is positive",
        ),
        Column("pitch_rad", "rad", BODY, "pitch, intrinsic z-y-x: after yaw; nose up is positive"),
        Column(
            "yaw_rad",
            "rad",
            LEVEL,
            "yaw, clockwise seen from above; checked, but not used: nothing here needs a heading",
            optional=True,
        ),
    ),
)

_VELOCITY = {
    "forward": "velocity of the body origin over the ground, forward",
    "right": "velocity of the body origin over the ground, to the right",
    "down": "velocity of the body origin, down: positive while it sinks",
}

VELOCITY = {f"{axis}_m_s": Column(f"{axis}_m_s", "m/s", LEVEL, text) for axis, text in _VELOCITY.items()}
"""The three velocities, which several files share."""

HEIGHT = Column("height_m", "m", NO_AXES, "height of the body origin above the ground under it; empty: not known")

TRUTH = CsvFile(
    "truth.csv",
    "a reference log; only `compare`, `benchmark` and the review page read it, never a measurement",
    "optional in a recording; written by `synthesize`",
    (GYRO_TIME, *VELOCITY.values(), HEIGHT),
)

TAPED = CsvFile(
    "TABLE.csv",
    "repeated readings of the range sensor at heights measured by tape; `synthesize --bench` writes one as taped.csv",
    "read by `calibrate range`",
    (
        Column("reference_m", "m", NO_AXES, "taped distance from the sensor to the floor; at least two heights"),
        Column("range_m", "m", NO_AXES, "the sensor's reading there, as it gives it; empty: no echo"),
        Column(
            "air_temperature_c", "°C", NO_AXES, "measured temperature of the air; for an ultrasonic sensor with "
            "range.assumed_air_temperature_c in the module file", optional=True,
        ),
    ),
)  # fmt: skip

VIEWS = CsvFile(
    "views.csv",
    "the true pose of the board in each synthetic image",
    "written by `synthesize --board`",
    (
        Column("file", "text", NO_AXES, "name of the image file", kind="text"),
        *(
            Column(
                f"turn_{axis}_rad", "rad", "camera", f"rotation vector that turns board axes into camera axes, {axis}"
            )
            for axis in "xyz"
        ),
        *(Column(f"{axis}_m", "m", "camera", f"where the board's first point lies, camera {axis}") for axis in "xyz"),
    ),
)
