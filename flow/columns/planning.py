"""The tables of ``benchmark`` and ``envelope``: how good a module is, measured on synthetic flights and predicted."""

from flow.columns.column import LEVEL, NO_AXES, Column, CsvFile


def _speed(name: str, meaning: str) -> Column:
    return Column(name, "m/s", LEVEL, meaning)


def _plain(name: str, unit: str, meaning: str) -> Column:
    return Column(name, unit, NO_AXES, meaning)


def _count(name: str, meaning: str) -> Column:
    return Column(name, "1", NO_AXES, meaning, kind="count")


def _text(name: str, meaning: str) -> Column:
    return Column(name, "text", NO_AXES, meaning, kind="text")


CONDITION = (
    _text("floor", "the floor: gravel, soil, paving, bare, or the name of an image or a recording"),
    _plain("height_m", "m", "height of the body origin above the floor"),
    _speed("speed_m_s", "mean speed, forward"),
    _plain(
        "light", "1", "light on the floor, 1 = full, at the same exposure and gain; empty: a recording does not say"
    ),
    _plain("noise_levels", "grey levels", "one-sigma of a pixel at mid grey; empty: a recording does not say"),
    _plain("rocking_rad", "rad", "amplitude of the rocking in roll and pitch; empty: a recording does not say"),
    _plain("frame_rate_hz", "Hz", "frames a second"),
)
"""What a run is flown over and how."""

_METHOD = _text("method", "what found the image motion: groundpace, or another method that got the same frames")

BENCHMARK = CsvFile(
    "benchmark.csv",
    "accuracy on synthetic or real recordings: a row for each condition and method",
    "written by `benchmark`",
    (
        *CONDITION,
        _METHOD,
        _count("seeds", "runs of this condition"),
        _count("frames", "frames of all runs together"),
        _speed("rms_m_s", "RMS error of one horizontal axis, root of the mean square of both"),
        _speed("rms_sigma_m_s", "one-sigma of rms_m_s, from how the runs differ; empty: one run"),
        _speed("sigma_predicted_m_s", "RMS error of one axis as the budget predicts it, random causes alone"),
        _speed("sigma_claimed_m_s", "one-sigma that the rows claim, RMS of one axis"),
        _plain("cover95", "1", "share of the errors inside the rows' own 95 % band"),
        _plain("usable", "1", "share of rows that give a velocity"),
        _speed("bias_m_s", "mean error forward, measured less true"),
        _speed("forward_rms_m_s", "RMS error forward"),
        _speed("right_rms_m_s", "RMS error to the right"),
        _plain("scale_error", "1", "relative error of the speed's scale; empty: the speed hardly changes"),
        _plain("scale_error_sigma", "1", "one-sigma of scale_error, from how the runs differ"),
        _plain("drift_per_distance", "1", "drift of the integrated speed at the end, as a share of the distance"),
        _plain("image_rms_px", "px", "error of the image motion alone, one axis, on flights whose logs have no errors"),
        _plain("image_over_bound", "1", "image_rms_px over the Cramer-Rao bound, the least possible error"),
        _plain("ms_per_frame", "ms", "CPU time a frame, without decoding"),
        _plain("motion_ms_per_frame", "ms", "CPU time a frame that finding the image motion takes"),
        _plain(
            "position_ms_per_frame",
            "ms",
            "CPU time a frame that keeping the position takes; empty: other methods keep none",
        ),
        _count("shared_seeds", "runs that every method measured: comparisons stand on these alone"),
        _speed("shared_rms_m_s", "rms_m_s on the shared runs"),
        _speed("shared_right_rms_m_s", "right_rms_m_s on the shared runs"),
        _text("main_cause", "cause of error that adds most to the predicted error"),
        _plain("main_share", "1", "share of the predicted variance that main_cause makes"),
        _speed("leftover_m_s", "predicted one-sigma of what the module file may have wrong by its own sigmas"),
        _text("leftover_cause", "cause of error that adds most to leftover_m_s"),
        _plain("texture_levels_px", "grey levels/px", "RMS brightness gradient of the image"),
        _text("failure", "the most frequent status of rows without a velocity; empty: there are none"),
    ),
)

RUNS = CsvFile(
    "benchmark-runs.csv",
    "single runs of a benchmark, as sums that pool: a row for each run and method (benchmark-runs.partial.csv meanwhile)",
    "written by `benchmark`, read by `benchmark --resume`",
    (
        _text("key", "a word for flight and seed that no other run has"),
        _METHOD,
        _count("seed", "seed of the run"),
        _count("frames", "frames of the run"),
        _plain("cpu_s", "s", "CPU time of the measuring thread, without decoding"),
        _plain("motion_s", "s", "CPU time of finding the image motion; empty: a recording"),
        _plain("position_s", "s", "CPU time of keeping the position; empty: a recording"),
        _text("failure", "the most frequent status of rows without a velocity; empty: there are none"),
        *CONDITION,
        _count("runs", "runs that these sums hold"),
        _count("rows", "rows that were due"),
        _count("compared", "rows that gave a velocity which the reference covers"),
        _speed("forward", "sum of the errors, forward, measured less true"),
        _speed("right", "sum of the errors, to the right"),
        Column("forward_square", "m²/s²", LEVEL, "sum of the squared errors, forward"),
        Column("right_square", "m²/s²", LEVEL, "sum of the squared errors, to the right"),
        Column("claimed", "m²/s²", LEVEL, "sum of the variances that the rows claim, both axes"),
        _count("inside", "errors of both axes inside their own 95 % band"),
        Column("truth_spread", "m²/s²", LEVEL, "sum of squares of the true forward speed about its mean"),
        Column(
            "truth_error",
            "m²/s²",
            LEVEL,
            "sum of products of the true forward speed and its error, each about its mean",
        ),
        _plain("drift_m2", "m²", "square of the drift at the end"),
        _plain("distance_m2", "m²", "square of the distance flown"),
        _plain("image_due", "1", "rows that were due on the flight whose logs have no errors; empty: none was flown"),
        _plain("image_rows", "1", "rows that gave a velocity on the flight whose logs have no errors"),
        _plain("image_square_px2", "px²", "sum of the squared errors of the image motion over image_rows, both axes"),
        _plain("bound_square_px2", "px²", "sum of the Cramer-Rao bounds on the errors in image_square_px2"),
        _speed("scatter_m_s", "predicted one-sigma of one axis by random causes; empty: no prediction"),
        _speed("forward_m_s", "predicted one-sigma by random causes, forward"),
        _speed("right_m_s", "predicted one-sigma by random causes, to the right"),
        _text("main_cause", "cause of error that adds most to scatter_m_s"),
        _plain("main_share", "1", "share of the predicted variance that main_cause makes"),
        _speed("leftover_m_s", "predicted one-sigma of what the module file may have wrong by its own sigmas"),
        _text("leftover_cause", "cause of error that adds most to leftover_m_s"),
        _plain("texture_levels_px", "grey levels/px", "RMS brightness gradient of the image"),
    ),
)


def _flight(name: str, what: str) -> tuple[Column, ...]:
    """Columns that say what a row's error is on one kind of flight."""
    return (
        _speed(f"{name}_forward_sigma_m_s", f"predicted one-sigma of a row {what}, forward; empty: see {name}_limit"),
        _speed(f"{name}_right_sigma_m_s", f"predicted one-sigma of a row {what}, to the right"),
        _speed(
            f"{name}_random_forward_sigma_m_s", f"the part of {name}_forward_sigma_m_s that differs from row to row"
        ),
        _speed(f"{name}_random_right_sigma_m_s", f"the part of {name}_right_sigma_m_s that differs from row to row"),
        _text(f"{name}_limit", f"cause of error that adds most {what}, or why there is no prediction"),
        _plain(
            f"{name}_image_over_bound", "1", f"error of the image motion {what} over the Cramer-Rao bound, worse axis"
        ),
    )


ENVELOPE = CsvFile(
    "envelope.csv",
    "what a module can measure at each height, predicted from its file: a row for each variant and height",
    "written by `envelope --output`",
    (
        _text("variant", "the module as it is, or what --try changed"),
        _plain("height_m", "m", "height of the body origin above the ground"),
        Column("sample_forward_m", "m", LEVEL, "ground sample distance in the middle of the image, forward"),
        Column("sample_right_m", "m", LEVEL, "ground sample distance in the middle of the image, to the right"),
        Column("footprint_forward_m", "m", LEVEL, "ground in view, forward; empty: as far as the horizon"),
        Column("footprint_right_m", "m", LEVEL, "ground in view, to the right; empty: as far as the horizon"),
        _speed("cold_start_m_s", "fastest speed that is found without a velocity before"),
        _speed("followed_m_s", "fastest speed that is followed from frame to frame"),
        _speed("blur_m_s", "speed at which motion blur leaves too little texture; empty: never"),
        _speed("fastest_m_s", "the lesser of followed_m_s and blur_m_s"),
        _text("fastest_limit", "what ends fastest_m_s: overlap of the frames, or blur"),
        Column("acceleration_m_s2", "m/s²", LEVEL, "hardest change of speed that is followed from frame to frame"),
        _speed("slowest_row_m_s", "slowest speed whose 95 % band leaves zero out in one row, at rest"),
        _speed(
            "slowest_second_m_s",
            "slowest speed whose 95 % band leaves zero out in the mean of a second, at rest",
        ),
        _text("slowest_limit", "cause of error that adds most to the band at rest, or why there is no prediction"),
        *_flight("hover", "in a hover that rocks"),
        *_flight("cruise", "at the speed of the cruise, rocking the same"),
    ),
)
