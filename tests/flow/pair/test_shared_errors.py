"""Each cause of error shared by all matches, against a finite difference of the whole solution."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.camera import Lens
from flow.effects import covariance_of, turned
from flow.error_sources import ErrorSource
from flow.height import Height
from flow.module import Module
from flow.pair.equations import equations
from flow.pair.geometry import PairView, Plane
from flow.pair.shared_errors import noise_span_s, shared_errors, unit_effects
from flow.pair.velocity import solve
from flow.rotation import RotationLog
from flow.series import GyroSamples
from flow.tilt import Tilt
from flow.tracks import Matches

INTERVAL_S = 0.025
STEP = 1e-9  # of a sigma's unit: so small that every weight stays at one; double precision leaves 1e-5 of the slope
VELOCITY = np.array([1.3, -0.8, 0.35])  # body axes at the middle
RATE = np.array([0.5, -0.7, 0.9])
RATE_CHANGE = np.array([-30.0, 20.0, 15.0])  # rad/s^2
UNITS = {
    "fx_px": 0.2,
    "fy_px": 0.3,
    "mounting": 1e-3,
    "tilt": 7e-3,
    "clock": 1e-4,
    "gyro": 5e-4,
    "height": 0.02,
    "position": 1e-3,
}


DISTORTION = {"pinhole": [-0.2, 0.05, 0.001, -0.001, 0.0], "fisheye": [-0.02, 0.003, 0.0, 0.0]}


@dataclass(frozen=True, kw_only=True)
class Believed:
    """Everything that a pair's solution leans on besides its matches; the truth is the default."""

    fx_px: float = 266.0
    fy_px: float = 267.0
    turn_rad: tuple[float, float, float] = (0.0, 0.0, 0.0)  # of the mounting, about body axes
    tip_rad: tuple[float, float] = (0.0, 0.0)  # of down, about level forward and right
    clock_s: float = 0.0
    bias_rad_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    height_m: float = 1.4
    lever_m: tuple[float, float, float] = (0.05, -0.03, 0.04)
    beam: str = "wide"
    readout_s: float = 0.0
    model: str = "pinhole"
    acceleration_m_s2: tuple[float, float, float] = (0.0, 0.0, 0.0)  # camera axes at the middle

    def module(self) -> Module:
        """Make the module file that holds this belief."""
        mounting = (
            Rotation.from_rotvec(self.turn_rad)
            * Rotation.from_euler("z", 90, degrees=True)
            * Rotation.from_euler("xyz", [0.03, -0.02, 0.01])
        )
        return Module.model_validate(
            {
                "camera": {
                    "width_px": 320,
                    "height_px": 240,
                    "fx_px": self.fx_px,
                    "fy_px": self.fy_px,
                    "cx_px": 161.3,
                    "cy_px": 118.2,
                    "readout_s": self.readout_s,
                    "model": self.model,
                    "distortion": DISTORTION[self.model],
                    "sigma": {"fx_px": UNITS["fx_px"], "fy_px": UNITS["fy_px"]},
                },
                "alignment": {
                    "camera_to_body_wxyz": list(mounting.as_quat(scalar_first=True)),
                    "camera_position_m": self.lever_m,
                    "sigma": {
                        "camera_to_body_rad": [UNITS["mounting"]] * 3,
                        "camera_position_m": [UNITS["position"]] * 3,
                        "time_offset_s": UNITS["clock"],
                    },
                },
                "gyro": {
                    "noise_rad_s_rthz": [1e-4, 2e-4, 3e-4],
                    "sigma": {"bias_rad_s": [UNITS["gyro"]] * 3},
                },
                "range": {"beam": self.beam},
            }
        )

    def tilt(self) -> Tilt:
        """Tilt at the middle."""
        tipped = Rotation.from_rotvec([*self.tip_rad, 0.0]) * TILT
        return Tilt(down_body=tipped.inv().apply([0, 0, 1.0]), sigma_rad=UNITS[ErrorSource.TILT])

    def height(self) -> float:
        """Height that the same range reading means under the tilt believed in."""
        if self.beam == "wide":
            return self.height_m
        return float(self.height_m * self.tilt().down_body[2] / Believed().tilt().down_body[2])

    def view(self) -> PairView:
        """Pair of frames as this belief sees it."""
        log = RotationLog(self.module().gyro)
        times = np.arange(-0.2, 0.2, 0.001)
        rates = RATE + times[:, None] * RATE_CHANGE + np.array(self.bias_rad_s)
        log.append(GyroSamples(time_s=times, rate_rad_s=rates, accel_m_s2=None))
        module, down = self.module(), self.tilt().down_body
        plane = Plane(
            down=module.alignment.R_body_camera.inv().apply(down),
            distance_m=self.height() - float(np.dot(module.alignment.camera_position_m, down)),
        )
        ends = np.array([-0.5, 0.5]) * INTERVAL_S + self.clock_s
        turn = log.matrices(np.array([ends.mean()]))[0] @ module.alignment.R_body_camera.as_matrix()
        return PairView(Lens(module.camera), module, log, *ends, plane, turn @ np.array(self.acceleration_m_s2))


TILT = Rotation.from_euler("ZYX", [0.0, 0.06, -0.04])  # body to level


def true_matches(truth: Believed) -> Matches:
    """Give the matches that the prediction makes at the true velocity.

    ``test_geometry`` holds that prediction against projections by OpenCV.
    """
    x, y = np.meshgrid(np.linspace(20, 300, 9), np.linspace(20, 220, 8))
    first = np.column_stack([x.ravel(), y.ravel()])
    velocity = truth.module().alignment.R_body_camera.inv().apply(VELOCITY)
    return Matches(
        first_px=first,
        second_px=truth.view().predict(first, velocity),
        covariance_px2=np.tile(0.01 * np.eye(2), (len(first), 1, 1)),
        offered=len(first),
    )


def level_velocity(believed: Believed, matches: Matches) -> np.ndarray:
    pair, _ = believed.view().geometry(matches)
    solution = solve(pair, None, 1.0, np.random.default_rng(0))
    assert solution is not None
    return believed.tilt().R_level_body @ believed.module().alignment.R_body_camera.apply(solution.velocity_m_s)


def slope(cause: str, axis: int | None, unit: float, truth: Believed) -> np.ndarray:
    """Tell what one sigma of a cause does to the level velocity: central difference of the whole solution."""
    matches, ends = true_matches(truth), []
    for sign in (1, -1):
        value = sign * STEP * unit
        if axis is not None:
            vector = list(getattr(truth, cause))
            vector[axis] += value
            change: object = tuple(vector)
        else:
            change = getattr(truth, cause) + value
        ends.append(level_velocity(replace(truth, **{cause: change}), matches))
    return (ends[0] - ends[1]) / (2 * STEP)


def claimed(truth: Believed) -> dict[ErrorSource, np.ndarray]:
    """Effects in level axes, as the estimator turns them."""
    view, module = truth.view(), truth.module()
    pair, _ = view.geometry(true_matches(truth))
    solution = solve(pair, None, 1.0, np.random.default_rng(0))
    assert solution is not None
    R_camera_body = module.alignment.R_body_camera.inv()
    height = Height(height_m=truth.height_m, sigma_m=UNITS["height"], down_m_s=0.3)
    units = unit_effects(
        module,
        Lens(module.camera),
        pair,
        solution,
        height=height,
        turned_rad=view.turned_rad(),
        rate_change_rad_s=R_camera_body.apply(RATE_CHANGE * INTERVAL_S),
        interval_s=INTERVAL_S,
    )
    effects = shared_errors(module, units, height=height, tilt=truth.tilt(), interval_s=INTERVAL_S)
    turn = truth.tilt().R_level_body @ module.alignment.R_body_camera.as_matrix()
    return dict(turned(effects, turn).items())


# Cause, column of the effect, what is disturbed, its axis, its unit. What the effects leave out is of the
# order of the change of depth in the interval (0.6 %) and of the rotation in it (3 %).
CAUSES = [
    (ErrorSource.HEIGHT, 0, "height_m", None, UNITS["height"]),
    (ErrorSource.FOCAL_LENGTH, 0, "fx_px", None, UNITS["fx_px"]),
    (ErrorSource.FOCAL_LENGTH, 1, "fy_px", None, UNITS["fy_px"]),
    (ErrorSource.CLOCK, 0, "clock_s", None, UNITS["clock"]),
    *((ErrorSource.GYRO_BIAS, k, "bias_rad_s", k, UNITS["gyro"]) for k in range(3)),
    *((ErrorSource.MOUNTING, k, "turn_rad", k, UNITS["mounting"]) for k in range(3)),
    *((ErrorSource.LEVER_ARM, k, "lever_m", k, UNITS["position"]) for k in range(3)),
]


@pytest.mark.parametrize(("beam", "model"), [("wide", "pinhole"), ("narrow", "pinhole"), ("wide", "fisheye")])
@pytest.mark.parametrize(("cause", "column", "field", "axis", "unit"), CAUSES)
def test_effect_is_the_slope_of_the_solution(
    beam: str, model: str, cause: ErrorSource, column: int, field: str, axis: int | None, unit: float
) -> None:
    # Source: finite differences. 7 % of the effect (a sigma is known no better), or 1 % of the largest column
    # of the same cause where one axis does next to nothing.
    truth = Believed(beam=beam, model=model)
    effects = claimed(truth)[cause]
    expected = slope(field, axis, unit, truth)
    # The sign of a cause matters where its effects on rows and on anchors' sights are added up.
    sign = 1.0 if cause in (ErrorSource.HEIGHT, ErrorSource.FOCAL_LENGTH) else -1.0
    tolerance = max(0.07 * np.linalg.norm(expected), 0.01 * np.linalg.norm(effects, axis=0).max())
    np.testing.assert_allclose(sign * effects[:, column], expected, atol=tolerance)


def test_effects_at_an_expected_velocity_hold_none_of_the_noise() -> None:
    # Closed form: what a figure does at a given velocity is no matter of the matches' noise. With noise in them, noise and
    # effect go together, and a filter that learns figures from many rows finds one that is off. Of a focal length off by 1 %
    # a hundredth of the noise in the velocity would come through across the axis; second order leaves a thirtieth of that.
    truth = Believed()
    view, clean = truth.view(), true_matches(truth)
    noisy = replace(clean, second_px=clean.second_px + np.random.default_rng(5).normal(0, 0.3, clean.second_px.shape))
    velocity = truth.module().alignment.R_body_camera.inv().apply(VELOCITY)
    found, off = [], []
    for matches in (clean, noisy):
        pair, _ = view.geometry(matches)
        solution = solve(pair, None, 1.0, np.random.default_rng(0))
        assert solution is not None
        off.append(np.linalg.norm(solution.velocity_m_s - velocity))
        units = unit_effects(
            truth.module(), Lens(truth.module().camera), pair, solution.at(velocity),
            height=Height(height_m=1.4, sigma_m=0.0, down_m_s=0.3), turned_rad=view.turned_rad(),
            rate_change_rad_s=np.zeros(3), interval_s=INTERVAL_S,
        )  # fmt: skip
        found.append(0.01 * units.focal_length.sum(axis=1))
    assert off[1] > 4e-3 > 100 * off[0]
    across = found[1][:2] - found[0][:2]
    assert np.linalg.norm(across) < 0.001 * off[1]


@pytest.mark.parametrize("readout_s", [0.014, 0.0])
def test_effect_of_an_acceleration(readout_s: float) -> None:
    # Source: finite differences of what the equations miss, weights held: nothing is nonlinear but depth. Along the rows'
    # readout 0.3 m/s^2 seem to climb at 2 mm/s; rows exposed all at once see the mean speed: a hundredth of that.
    truth = Believed(readout_s=readout_s)
    matches = true_matches(truth)
    pair, _ = truth.view().geometry(matches)
    solution = solve(pair, None, 1.0, np.random.default_rng(0))
    assert solution is not None
    units = unit_effects(
        truth.module(), Lens(truth.module().camera), pair, solution, height=Height(height_m=1.4, sigma_m=0.0, down_m_s=0.3),
        turned_rad=truth.view().turned_rad(), rate_change_rad_s=np.zeros(3), interval_s=INTERVAL_S,
    )  # fmt: skip
    found = 0.3 * units.acceleration
    for axis in range(3):
        ends = []
        for sign in (1, -1):
            other = replace(truth, acceleration_m_s2=tuple(sign * 0.3 * np.eye(3)[axis]))
            rows, target = equations(other.view().geometry(matches)[0])
            ends.append(np.einsum("nij,nj->i", solution.pull, target - rows @ solution.velocity_m_s))
        np.testing.assert_allclose(-found[:, axis], 0.5 * (ends[0] - ends[1]), atol=1e-6)
    largest = np.abs(found).max()
    assert 1e-3 < largest < 3e-3 if readout_s else largest < 3e-5


@pytest.mark.parametrize("readout_s", [0.0, 0.014, 0.04])
def test_rows_average_gyro_noise(readout_s: float) -> None:
    # Source: white noise drawn and added up: variance of the turn in an interval, averaged over the rows, per unit density.
    # 2000 draws know a variance to 3 %; 4 sigma.
    rng, step = np.random.default_rng(2), 5e-4
    turned = np.cumsum(rng.normal(0, np.sqrt(step), (2000, round((INTERVAL_S + readout_s) / step) + 1)), axis=1)
    late = round(INTERVAL_S / step)
    seen = (turned[:, late:] - turned[:, : turned.shape[1] - late]).mean(axis=1)
    assert noise_span_s(INTERVAL_S, readout_s) == pytest.approx(np.var(seen), rel=0.13)


@pytest.mark.parametrize("beam", ["wide", "narrow"])
def test_effect_of_the_tilt(beam: str) -> None:
    # Source: finite differences about level forward and right, with the sign that the slope of an anchor's plane relies on
    # (tests/flow/fusion/test_considered.py). Of each axis, which a tilt disturbs more or less, 10 %.
    expected = np.stack([slope("tip_rad", k, UNITS["tilt"], Believed(beam=beam)) for k in range(2)], axis=1)
    found = claimed(Believed(beam=beam))[ErrorSource.TILT]
    size = np.linalg.norm(expected, axis=1)[:, None]
    np.testing.assert_allclose(found / size, -expected / size, atol=0.1)


def test_gyro_noise_is_a_bias_for_the_interval() -> None:
    # Closed form: an angle random walk N sqrt(T) turns the camera as a bias of N / sqrt(T) does.
    effects = claimed(Believed())
    ratio = np.array([1e-4, 2e-4, 3e-4]) / np.sqrt(INTERVAL_S) / UNITS["gyro"]
    np.testing.assert_allclose(effects[ErrorSource.GYRO_NOISE], effects[ErrorSource.GYRO_BIAS] * ratio, rtol=1e-12)


def test_covariance_is_the_sum_over_independent_causes() -> None:
    # Closed form.
    effects = np.array([[1.0, 0.0], [2.0, 1.0], [0.0, -1.0]])
    np.testing.assert_array_equal(covariance_of(effects), [[1, 2, 0], [2, 5, -1], [0, -1, 1]])
