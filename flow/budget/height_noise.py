"""What the noise of range readings leaves in the filtered height."""

from __future__ import annotations

import numpy as np
from scipy.linalg import solve_continuous_are, solve_continuous_lyapunov

from flow import height as model
from flow.sections import Range
from flow.tilt import TILT_LASTS_S

_LEAST = 1e-4  # m/s; no climb is better known, and the Riccati equation of a perfect one has no solution


def filtered_height(
    sensor: Range, *, range_rate_hz: float, climb_rate_hz: float, climb_sigma_m_s: float, lean_sigma_m_s: float
) -> tuple[float, float]:
    """Steady-state sigma of :class:`flow.height.HeightFilter` over level ground, m.

    Parameters
    ----------
    sensor
        Its noise.
    range_rate_hz, climb_rate_hz
        Range readings and rows a second.
    climb_sigma_m_s, lean_sigma_m_s
        Sigmas of the image's vertical speed as they are given to the filter.

    Returns
    -------
    What the noise of range and climb does to the height, and the sigma that the filter itself believes in, which
    allows for gusts, terrain and lean as well.

    Notes
    -----
    The filter in continuous time (Kalman and Bucy 1961): the densities of the measurements are variance / rate. The
    filter's own covariance P solves the algebraic Riccati equation; with its gain K the noise alone leaves the S of
    the Lyapunov equation ``(A - K C) S + S (A - K C)' + K R K' = 0``. Between two climbs T apart the rate is a Brownian
    bridge of density G: the height wanders by G T^3 / 12 more.
    """
    fade = 1 / TILT_LASTS_S
    A = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, -fade]])  # height, its rate, lean of the climb
    C = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 1.0]])
    gust = model._GUST_SEEN_M_S2_RTHZ**2
    between = gust / climb_rate_hz**2 / 12
    Q = np.diag([model.TERRAIN_M_RTS**2 + between, gust, 2 * fade * lean_sigma_m_s**2])
    noise = max(sensor.noise_m, 1e-4)  # the filter believes in no less
    R = np.diag([noise**2 / range_rate_hz, max(climb_sigma_m_s, _LEAST) ** 2 / climb_rate_hz])
    P = solve_continuous_are(A.T, C.T, Q, R)
    K = P @ C.T @ np.linalg.inv(R)
    S = solve_continuous_lyapunov(A - K @ C, -K @ R @ K.T)
    return float(np.sqrt(S[0, 0])), float(np.sqrt(P[0, 0]))
