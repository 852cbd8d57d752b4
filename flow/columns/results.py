"""The tables that a measurement writes."""

from dataclasses import replace

from flow.columns.column import BODY, LEVEL, NO_AXES, Column, CsvFile
from flow.columns.recording import GYRO_TIME, VELOCITY

_VOUCHED = "; empty where status is not ok"

_SIGMAS = tuple(
    Column(f"{axis}_sigma_m_s", "m/s", LEVEL, f"one-sigma of {axis}_m_s; the 95 % band is 1.96 times this")
    for axis in ("forward", "right", "down")
)
_HEIGHT_SIGMA = Column("height_sigma_m", "m", NO_AXES, "one-sigma of height_m; empty: not known")


def _height(more: str) -> Column:
    return Column("height_m", "m", NO_AXES, f"height of the body origin above the ground under it; empty: {more}")


SPEED = CsvFile(
    "speed.csv",
    "the speed log: a row for each pair of consecutive stored frames, in time order, whatever happened in it",
    "written by `measure`; read by `compare` and `export`",
    (
        Column("time_s", "s", NO_AXES, "middle of the interval between the two frames, on the gyro's clock"),
        Column("interval_s", "s", NO_AXES, "time between the two frames"),
        *(replace(column, meaning=column.meaning + _VOUCHED) for column in (*VELOCITY.values(), *_SIGMAS)),
        _height("no plausible range reading"),
        _HEIGHT_SIGMA,
        Column("tracks", "1", NO_AXES, "points of the ground that were matched between the two frames", kind="count"),
        Column(
            "inlier_share",
            "1",
            NO_AXES,
            "share of the matched points that agree with the velocity, 0 to 1; empty: no velocity was solved",
        ),
        Column("status", "text", NO_AXES, "ok, or in one word why the row has no velocity", kind="text"),
    ),
)

TRACK = CsvFile(
    "track.csv",
    "position over ground since the start, a row for each frame that has one, measured against keyframes that are still in view",
    "written by `measure`, unless `--fast`",
    (
        GYRO_TIME,
        Column("forward_m", "m", "start", "displacement of the body origin since the start, forward"),
        Column("right_m", "m", "start", "displacement of the body origin since the start, to the right"),
        Column("forward_sigma_m", "m", "start", "one-sigma of forward_m"),
        Column("right_sigma_m", "m", "start", "one-sigma of right_m"),
        Column("forward_right_m2", "m²", "start", "covariance of forward_m and right_m"),
        Column("anchor", "1", NO_AXES, "number of the keyframe that the position is measured against", kind="count"),
        Column(
            "registered", "1", NO_AXES,
            "1: this frame itself was registered against the keyframe; 0: speed was integrated since", kind="count",
        ),
    ),
)  # fmt: skip

_ANGLE = {"roll": "right side down", "pitch": "nose up"}
_NO_STATE = "; empty where status is no_state or uncertain"

FUSED = CsvFile(
    "fused.csv",
    "speed, tilt and sensor biases at the gyro's rate, smoothed over the whole log with the accelerometer taken in",
    "written by `measure` where gyro.csv has an accelerometer, unless `--fast`",
    (
        GYRO_TIME,
        *(replace(column, meaning=column.meaning + _NO_STATE) for column in (*VELOCITY.values(), *_SIGMAS)),
        *(
            Column(f"{name}_rad", "rad", LEVEL, f"{name}; {sense} is positive{_NO_STATE}")
            for name, sense in _ANGLE.items()
        ),
        *(Column(f"{name}_sigma_rad", "rad", LEVEL, f"one-sigma of {name}_rad") for name in _ANGLE),
        _height("no state"),
        _HEIGHT_SIGMA,
        *(
            Column(
                f"gyro_bias_{axis}_rad_s",
                "rad/s",
                BODY,
                f"bias of the gyro about body {axis}, as a whole: it starts from gyro.bias_rad_s",
            )
            for axis in "xyz"
        ),
        *(
            Column(f"gyro_bias_{axis}_sigma_rad_s", "rad/s", BODY, f"one-sigma of gyro_bias_{axis}_rad_s")
            for axis in "xyz"
        ),
        *(
            Column(
                f"accel_bias_{axis}_m_s2",
                "m/s²",
                BODY,
                f"bias of the accelerometer along body {axis}; it starts from 0",
            )
            for axis in "xyz"
        ),
        *(
            Column(f"accel_bias_{axis}_sigma_m_s2", "m/s²", BODY, f"one-sigma of accel_bias_{axis}_m_s2")
            for axis in "xyz"
        ),
        Column("status", "text", NO_AXES, "ok, or in one word what the state stands on", kind="text"),
    ),
)

PARQUET = CsvFile(
    "speed.parquet",
    "the speed log as a Parquet table: the columns of speed.csv, null where a cell there is empty, and one more",
    "written by `export --to parquet`",
    (
        *SPEED.columns,
        Column(
            "stamp_ns", "ns", NO_AXES, "time_s on the clock of the original recording, where `import` noted it",
            kind="count", optional=True,
        ),
    ),
)  # fmt: skip
