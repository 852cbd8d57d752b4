"""Made runs of a benchmark."""

from __future__ import annotations

from typing import Any

from flow.benchmark.error_sums import ErrorSums, ImageSums
from flow.benchmark.forecast import Forecast
from flow.benchmark.trial_flight import Condition
from flow.benchmark.trials import Run

CONDITION = Condition(
    floor="soil", height_m=0.5, speed_m_s=0.3, light=1.0, noise_levels=1.5, rocking_rad=0.0349, frame_rate_hz=60.0
)


def sums(rms_m_s: float = 0.002, compared: int = 50, **changes: Any) -> ErrorSums:
    """Make the sums of one run whose errors are of one size on both axes."""
    square = compared * rms_m_s**2
    values = {
        "runs": 1, "rows": 60, "compared": compared, "forward": 0.01, "right": 0.0, "forward_square": square,
        "right_square": square, "claimed": 2 * square, "inside": 95, "truth_spread": 0.4, "truth_error": 0.004,
        "drift_m2": 1e-6, "distance_m2": 0.01,
    }  # fmt: skip
    return ErrorSums(**(values | changes))


def image(rms_px: float) -> ImageSums:
    """Make the sums of a run's picture alone, over a bound of 1 mpx."""
    return ImageSums(
        image_due=20, image_rows=20, image_square_px2=2 * 20 * rms_px**2, bound_square_px2=2 * 20 * 0.001**2
    )


def predicted(scatter_m_s: float) -> Forecast:
    """Forecast of equal scatter on both axes."""
    return Forecast(
        scatter_m_s=scatter_m_s, forward_m_s=scatter_m_s, right_m_s=scatter_m_s, main_cause="gyro noise", main_share=0.7,
        leftover_m_s=0.001, leftover_cause="gyro bias", texture_levels_px=4.2,
    )  # fmt: skip


def made_run(**changes: Any) -> Run:
    """One run of our own method."""
    values = {
        "key": "k0", "method": "groundpace", "seed": 0, "frames": 61, "cpu_s": 0.3, "motion_s": 0.1, "position_s": 0.05,
        "failure": "",
        "condition": CONDITION, "sums": sums(), "image": None, "forecast": None,
    }  # fmt: skip
    return Run(**(values | changes))
