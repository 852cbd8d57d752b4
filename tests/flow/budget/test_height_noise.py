"""The closed form of the height filter's noise against the filter itself, fed with noise."""

from __future__ import annotations

import numpy as np
import pytest

from flow.budget.height_noise import filtered_height
from flow.height import HeightFilter
from flow.sections import Range

DOWN = np.array([0.0, 0.0, 1.0])


@pytest.mark.parametrize(
    ("noise_m", "range_hz", "climb_m_s", "climb_hz", "lean_m_s"),
    [(0.005, 20.0, 0.003, 60.0, 0.016), (0.02, 20.0, 0.02, 60.0, 0.02), (0.005, 100.0, 0.001, 30.0, 0.004)],
)
def test_against_the_filter(
    noise_m: float, range_hz: float, climb_m_s: float, climb_hz: float, lean_m_s: float
) -> None:
    # Monte-Carlo over 4 x 120 s of level hover. The closed form takes readings as continuous, which leaves the belief 2
    # to 7 % low (it is largest just before a reading). The errors last half a second or longer, so that 480 s hold 500
    # to 1000 independent ones: 3 % of sampling, 12 % are four of these.
    sensor = Range(noise_m=noise_m, sigma={"scale": 0.0}, air_dependent=False)  # type: ignore[arg-type]
    believed, errors = [], []
    rng = np.random.default_rng(6)
    for _ in range(4):
        held = HeightFilter(sensor)
        times = [(k / range_hz, True) for k in range(int(120 * range_hz))]
        times += [((k + 0.5) / climb_hz, False) for k in range(int(120 * climb_hz))]
        for time_s, is_range in sorted(times):
            if is_range:
                held.add_range(time_s, 1.0 + noise_m * rng.standard_normal(), None, DOWN)
                continue
            if time_s > 15 and (height := held.at(time_s)) is not None:
                errors.append(height.height_m - 1.0)
                believed.append(height.sigma_m)
            held.add_climb(time_s, climb_m_s * rng.standard_normal(), climb_m_s, lean_m_s)
    noise, belief = filtered_height(
        sensor, range_rate_hz=range_hz, climb_rate_hz=climb_hz, climb_sigma_m_s=climb_m_s, lean_sigma_m_s=lean_m_s
    )
    assert belief == pytest.approx(np.sqrt(np.mean(np.square(believed))), rel=0.09)
    assert noise == pytest.approx(np.sqrt(np.mean(np.square(errors))), rel=0.12)
    assert noise < belief


def test_range_alone_by_hand() -> None:
    # No lean and a perfect climb leave a wandering height, q = 1 mm/sqrt(s), seen through R = (5 mm)^2 / 20 Hz; climbs
    # come so often that nothing happens between. The Riccati equation P^2 / R = q^2 gives P = q sqrt(R); the
    # noise alone leaves half of that variance (K = P / R, S = K R / 2).
    noise, belief = filtered_height(
        Range(noise_m=0.005), range_rate_hz=20.0, climb_rate_hz=2000.0, climb_sigma_m_s=0.0, lean_sigma_m_s=0.0
    )
    by_hand = np.sqrt(1e-3 * 0.005 / np.sqrt(20))
    assert belief == pytest.approx(by_hand, rel=1e-3)
    assert noise == pytest.approx(by_hand / np.sqrt(2), rel=1e-3)
