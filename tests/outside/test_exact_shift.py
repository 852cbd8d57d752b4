"""Photographs of ground translated exactly, through the whole estimator: speed = shift x height / focal / interval.

Sources: scikit-image's gravel, grass and brick (512 x 512, CC0), shifted by SciPy's ``ndimage.fourier_shift``, which is
exact by the shift theorem; their borders are faded to the mean so that the wrap of a periodic shift holds no edge, and
the camera looks at the middle.
"""

from __future__ import annotations

import numpy as np
import pytest

from flow.module import Module
from flow.row import LevelVelocity
from flow.tracks import LucasKanade
from tests.streams import FOCAL_PX, FRAME_S, ShiftedGround, faded, flown, photograph, plain_module

PER_PX = 1 / FOCAL_PX / FRAME_S  # m/s at 1 m for a pixel a frame
SHIFTS = [(0.0, 2.3), (2.3, 0.0), (0.25, 0.0), (0.0, -0.1), (1.7, -2.4), (-5.3, 3.9), (0.0, 0.0)]
GROUND = {name: ShiftedGround(faded(photograph(name))) for name in ("gravel", "grass", "brick")}


def rows(name: str, shift: tuple[float, float], *, noise: float = 1.0, frames: int = 8, **known: object) -> list:
    rng = np.random.default_rng(17)

    def pictures():
        for k in range(frames):
            exact = GROUND[name](shift[0] * k, shift[1] * k)
            yield np.clip(np.rint(exact + rng.normal(0, noise, exact.shape)), 0, 255).astype(np.uint8)

    module = known.pop("module", plain_module(range={"noise_m": 0.001}))
    assert isinstance(module, Module)
    return [result.row for result in flown(module, pictures(), **known)]  # type: ignore[arg-type]


def expected(shift: tuple[float, float], height_m: float = 1.0) -> np.ndarray:
    """Nominal mounting: image top is forward, so ground that moves down the picture means forward, right means left."""
    return np.array([shift[1], -shift[0], 0.0]) * PER_PX * height_m


@pytest.mark.parametrize("name", GROUND)
@pytest.mark.parametrize("shift", SHIFTS)
def test_speed_is_the_shift(name: str, shift: tuple[float, float]) -> None:
    # Exact truth, signed. 10 mpx: Lucas-Kanade's bilinear interpolation pulls every displacement by up to 26
    # mpx (references: any window, any number of features); spread starts must leave less than half of that,
    # and noise of one grey level adds about 2 mpx. Each row's own band (4 sigma) must hold it as well.
    for row in rows(name, shift):
        assert row.status == "ok"
        assert isinstance(row.velocity, LevelVelocity)
        error = row.velocity.vector_m_s - expected(shift)
        assert np.abs(error[:2]).max() < 0.010 * PER_PX
        assert abs(error[2]) < 0.03 * PER_PX  # an expansion is seen with a lever of a third of the focal length
        assert (np.abs(error) < 4 * row.velocity.sigma_m_s).all()


def test_brick_is_poor_and_says_so() -> None:
    # Expected of brick: its faces are smooth, so the grid finds fewer corners than on gravel, and each says
    # less. Still every row above is as exact; under heavy noise (6 grey levels) rows may fail but must never
    # be confidently wrong.
    tracks = {name: min(row.tracks for row in rows(name, (1.7, -2.4))) for name in ("gravel", "brick")}
    assert tracks["brick"] < tracks["gravel"]
    for row in rows("brick", (1.7, -2.4), noise=6.0):
        if isinstance(row.velocity, LevelVelocity):
            error = row.velocity.vector_m_s - expected((1.7, -2.4))
            assert (np.abs(error) < 4 * row.velocity.sigma_m_s).all()


@pytest.mark.parametrize("height_m", [0.3, 4.0])
def test_speed_grows_with_height(height_m: float) -> None:
    # Closed form: the same pictures from another height.
    for row in rows("gravel", (1.7, -2.4), range_m=lambda t: height_m):
        assert row.status == "ok"
        error = row.velocity.vector_m_s - expected((1.7, -2.4), height_m)
        assert np.abs(error[:2]).max() < 0.010 * PER_PX * height_m


@pytest.mark.parametrize(
    "slip", ["axes swapped", "picture upside down", "interval ten times as long", "lens twice as long"]
)
def test_the_same_check_notices_what_it_should(slip: str) -> None:
    # Mutations of the test above; each must miss by far more than its 10 mpx.
    module, interval = plain_module(range={"noise_m": 0.001}), FRAME_S
    if slip == "axes swapped":
        module = plain_module(alignment={"camera_to_body_wxyz": [1, 0, 0, 0]})
    elif slip == "picture upside down":
        module = plain_module(alignment={"camera_to_body_wxyz": [np.sqrt(0.5), 0, 0, -np.sqrt(0.5)]})
    elif slip == "lens twice as long":
        module = plain_module(camera={"fx_px": 2 * FOCAL_PX, "fy_px": 2 * FOCAL_PX})
    else:
        interval = 0.2
    for row in rows("gravel", (1.7, -2.4), module=module, frame_s=interval):
        missed = np.inf
        if isinstance(row.velocity, LevelVelocity):
            missed = np.abs(row.velocity.vector_m_s - expected((1.7, -2.4))).max()
        assert missed > 0.5 * PER_PX


def common_pull(name: str, tracker: LucasKanade) -> float:
    """Root mean square over sub-pixel shifts of the error that all tracks of a pair share, px."""
    errors = []
    for shift in [(0.1, 0.0), (0.25, 0.0), (0.4, 0.0), (0.0, 0.25), (0.0, 0.6), (0.3, 0.3), (0.75, -0.25)]:
        for at in [(0.0, 0.0), (0.37, 0.81)]:
            pair = GROUND[name](*at), GROUND[name](at[0] + shift[0], at[1] + shift[1])
            moved = tracker.match(*pair, lambda points: points, far=False)
            errors.append(np.mean(moved.second_px - moved.first_px, axis=0) - shift)
    return float(np.sqrt(np.mean(np.square(errors))))


@pytest.mark.parametrize("name", ["gravel", "grass"])
def test_spread_starts_average_the_pull_of_bilinear_interpolation(name: str) -> None:
    # Source: references (16 to 26 mpx with starts alike). Spread over the pixel the common part stays below 3
    # mpx; the mutation, all starts at the same place in their pixel, is at least 2.5 times as large.
    spread, alike = LucasKanade(320, 240), LucasKanade(320, 240)
    alike._places[:] = 0.0
    assert common_pull(name, spread) < 0.003
    assert common_pull(name, alike) > 2.5 * common_pull(name, spread)
