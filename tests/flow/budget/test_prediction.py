"""The predicted error: each cause by hand, against the estimator's own error model, and against measured errors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow import scene
from flow.budget import Budget, Cause, Conditions, PredictionError, Texture, predict
from flow.budget.image_noise import texture_of
from flow.budget.situation import Situation
from flow.camera import Lens
from flow.estimator import Estimator
from flow.height import Height
from flow.module import Module
from flow.pair.geometry import PairView, Plane
from flow.pair.shared_errors import shared_errors, unit_effects
from flow.pair.velocity import solve
from flow.registration.blocks import BlockMatcher
from flow.rotation import RotationLog
from flow.series import GyroSamples, RangeSamples
from flow.tilt import Tilt
from flow.tracks import Matches
from tests.streams import plain_module

FOCAL, LONG, WIDE = 260.0, 240.0, 320.0  # of plain_module, px; forward is along the image's height
GRID = 1 - 1 / 19**2  # of the mean squares, which 19 places a side leave
M, K = GRID * (LONG / FOCAL) ** 2 / 12, GRID * (WIDE / FOCAL) ** 2 / 12
HEIGHT_M, RATE_HZ = 1.5, 50.0
ROCKING_RAD, ROCKING_HZ = 0.05, 0.8
W = ROCKING_RAD * 2 * np.pi * ROCKING_HZ / np.sqrt(2)
HOVER = Conditions(height_m=HEIGHT_M, frame_rate_hz=RATE_HZ)
CRUISE = replace(HOVER, speed_m_s=2.0)
ROCKING = replace(HOVER, rocking_rad=ROCKING_RAD, rocking_hz=ROCKING_HZ)


def module(**sections: dict) -> Module:
    alignment = {"sigma": {"camera_to_body_rad": [1e-3, 2e-3, 3e-3], "camera_position_m": [1e-3, 2e-3, 3e-3],
                           "time_offset_s": 2e-4}}  # fmt: skip
    gyro = {"noise_rad_s_rthz": [1e-4, 2e-4, 3e-4], "sigma": {"bias_rad_s": [1e-4, 2e-4, 3e-4]}}
    ranger = {"noise_m": 0.005, "sigma": {"scale": 2e-3, "offset_m": 4e-3}}
    camera = {"sigma": {"fx_px": 0.26, "fy_px": 0.52}}
    return plain_module(
        camera=camera | sections.pop("camera", {}), alignment=alignment | sections.pop("alignment", {}),
        gyro=gyro, range=ranger | sections.pop("range", {}),
    )  # fmt: skip


def cause(name: str, conditions: Conditions, of: Module | None = None) -> Cause:
    return {c.name: c for c in predict(of or module(), conditions).causes}[name]


def assert_pair(name: str, conditions: Conditions, forward: float, right: float, of: Module | None = None) -> None:
    found = cause(name, conditions, of)
    # Exact closed forms: rounding only.
    np.testing.assert_allclose([found.forward_m_s, found.right_m_s], [forward, right], rtol=1e-9, atol=1e-15)


def test_gyro_noise_by_hand() -> None:
    # N sqrt(rate) as a rate error, times the height and the curvature of a turn's motion field; pitch moves forward.
    n = np.sqrt(RATE_HZ) * HEIGHT_M
    assert_pair("gyro noise", HOVER, 2e-4 * n * (1 + M), 1e-4 * n * (1 + K))


def test_gyro_noise_swings_the_lever_arm() -> None:
    # Camera 0.2 m below, 0.3 m ahead and 0.1 m to the right of the origin: it sees from H = 1.3 m, and a wrong yaw rate
    # swings it sideways by 0.3 m.
    arm = module(alignment={"camera_position_m": [0.3, 0.1, 0.2]})
    n = np.sqrt(RATE_HZ)
    forward = np.hypot(2e-4 * n * (1.3 * (1 + M) + 0.2), 0.1 * 3e-4 * n)
    right = np.hypot(1e-4 * n * (1.3 * (1 + K) + 0.2), 0.3 * 3e-4 * n)
    assert_pair("gyro noise", HOVER, forward, right, arm)


@pytest.mark.parametrize("readout_s", [0.014, 0.03])
def test_gyro_noise_through_a_rolling_shutter(readout_s: float) -> None:
    # Monte-Carlo: white rate noise, integrated; each of 100 rows takes the turn over its own interval, and the picture
    # sees their mean. 4000 trials tell a sigma to 1.1 %; the time grid of 0.2 ms adds 1 %.
    step, interval = 2e-4, 1 / RATE_HZ
    rng = np.random.default_rng(2)
    turned = np.cumsum(rng.standard_normal((4000, round((interval + readout_s) / step))) * np.sqrt(step), axis=1)
    turned = np.pad(turned, ((0, 0), (1, 0)))
    rows = np.round(np.linspace(0, readout_s, 100) / step).astype(int)
    seen = (turned[:, rows + round(interval / step)] - turned[:, rows]).mean(axis=1) / interval
    rolling = module(camera={"readout_s": readout_s})
    found = cause("gyro noise", HOVER, rolling).forward_m_s / (2e-4 * HEIGHT_M * (1 + M))
    assert found == pytest.approx(seen.std(), rel=0.05)


def test_gyro_bias_by_hand() -> None:
    assert_pair("gyro bias", CRUISE, 2e-4 * HEIGHT_M * (1 + M), 1e-4 * HEIGHT_M * (1 + K))


def test_clock_by_hand() -> None:
    late = 2e-4 * W * 2 * np.pi * ROCKING_HZ * HEIGHT_M
    assert_pair("clock", ROCKING, late * (1 + M), late * (1 + K))
    assert_pair("clock", CRUISE, 0.0, 0.0)


def test_focal_length_by_hand() -> None:
    # Forward lies along the image's y: 0.52 / 260 = 0.2 %, of v and of what is left of the rocking.
    rocking = HEIGHT_M * W
    assert_pair("focal length", CRUISE, 2e-3 * 2.0, 0.0)
    assert_pair("focal length", ROCKING, 2e-3 * (1 - M) * rocking, 1e-3 * (1 - K) * rocking)


def test_mounting_by_hand() -> None:
    rocking = HEIGHT_M * W
    assert_pair("mounting", CRUISE, 0.0, 3e-3 * 2.0)
    # Pitching misread as a little rolling is taken out as rolling: with the factor of the axis that it leaks into.
    assert_pair("mounting", ROCKING, 3e-3 * (1 + M) * rocking, 3e-3 * (1 + K) * rocking)
    yawing = HEIGHT_M * 0.5
    assert_pair("mounting", replace(HOVER, yaw_rate_rad_s=-0.5), 1e-3 * (1 + M) * yawing, 2e-3 * (1 + K) * yawing)


def test_camera_position_by_hand() -> None:
    assert_pair("camera position", CRUISE, 3e-3 / HEIGHT_M * 2.0, 0.0)
    assert_pair("camera position", ROCKING, 3e-3 * W, 3e-3 * W)
    assert_pair("camera position", replace(HOVER, yaw_rate_rad_s=0.5), 2e-3 * 0.5, 1e-3 * 0.5)


def test_range_by_hand() -> None:
    # 0.2 % scale, 4 mm of 1.5 m.
    assert_pair("range", CRUISE, 2.0 * np.hypot(2e-3, 4e-3 / HEIGHT_M), 0.0)
    assert_pair("range", HOVER, 0.0, 0.0)


def test_air_by_hand() -> None:
    # 6 K of 293.15 K are half as much in the speed of sound. A flight that measures its air has none of it where the
    # module says for which air its readings hold; where it does not say, the usual 10 K are left whatever is measured.
    stated, unstated = (module(range=keys) for keys in ({"assumed_air_temperature_c": 20.0}, {"air_dependent": None}))
    warm = replace(CRUISE, air_sigma_k=6.0)
    for of in (stated, unstated):
        assert_pair("air temperature", warm, 2.0 * 0.5 * 6 / 293.15, 0.0, of)
        assert_pair("air temperature", replace(warm, speed_m_s=0.0), 0.0, 0.0, of)
    assert_pair("air temperature", CRUISE, 0.0, 0.0, stated)
    assert_pair("air temperature", CRUISE, 2.0 * 0.5 * 10 / 293.15, 0.0, unstated)
    assert_pair("air temperature", warm, 0.0, 0.0, module(range={"air_dependent": False}))


def test_height_noise_by_hand() -> None:
    # v / H of what the filter leaves, which test_height_noise holds against the filter.
    found = cause("height noise", CRUISE)
    assert found.forward_m_s == pytest.approx(2.0 / HEIGHT_M * Situation(module(), CRUISE).height_noise_m, rel=1e-9)
    assert found.right_m_s == 0.0


def test_picture_by_hand() -> None:
    # Test_image_noise has the pixels; a pixel is H / f on the ground, in 1/50 s.
    per_px = HEIGHT_M / FOCAL * RATE_HZ
    smoothing = (1.21 + 0.5625) ** 4 / (1.21 + 1.125) ** 2 / 1.21**2
    sharp = per_px * np.sqrt(2 * (1.5**2 + 1 / 12) * smoothing / (0.98 * 0.93 * 310 * 230)) / 6.0
    assert_pair("pixel noise", HOVER, sharp, sharp)
    jitter = replace(HOVER, common_jitter_px=0.02)
    assert_pair("common jitter", jitter, 0.02 * per_px, 0.02 * per_px)
    # The flight takes 2 x 260 / 1.5 / 50 px of 230 with it, and the blocks there. 2 m/s x 2 ms on H / f: blur of 0.693 px
    # along the flight, its part beyond the sharp picture's noise. A variance grows as (A^2 + s^2)^(2 p) / (A^2 + 2 s^2)^p
    # with the square A^2 of the grain along the flight, p = 3/2 along it and 1/2 across.
    kept = sharp / np.sqrt(1 - 2 * FOCAL / HEIGHT_M / RATE_HZ / 230)
    wide = 1.21 + (2.0 * 0.002 * FOCAL / HEIGHT_M) ** 2 / 12
    grown = ((wide + 0.5625) / (1.21 + 0.5625)) ** 2 * (1.21 + 1.125) / (wide + 1.125)
    assert_pair("blur", CRUISE, kept * np.sqrt(grown**1.5 - 1), kept * np.sqrt(grown**0.5 - 1))


def test_a_second_averages_what_varies() -> None:
    # White gyro noise: N over 1 s. A bias stays. Rocking of 0.8 Hz keeps its sinc. A picture's error of position enters
    # two rows with opposed signs (lag-one correlation -0.48): of 50 rows sqrt((1 - 0.96 x 49 / 50) / 50) is left.
    noise, bias = cause("gyro noise", HOVER), cause("gyro bias", HOVER)
    assert noise.second_forward_m_s == pytest.approx(2e-4 * HEIGHT_M * (1 + M), rel=1e-9)
    assert bias.second_forward_m_s == pytest.approx(bias.forward_m_s, rel=1e-12)
    clock = cause("clock", ROCKING)
    assert clock.second_forward_m_s == pytest.approx(clock.forward_m_s * np.sinc(0.8), rel=1e-9)
    pixels = cause("pixel noise", HOVER)
    left = np.sqrt((1 - 0.96 * 49 / 50) / 50)
    assert pixels.second_right_m_s == pytest.approx(pixels.right_m_s * left, rel=1e-9)


def test_a_budget_adds_independent_causes() -> None:
    found = predict(module(), CRUISE)
    random = [c.forward_m_s for c in found.causes if c.kind == "random"]
    systematic = [c.forward_m_s for c in found.causes if c.kind == "systematic"]
    assert found.sigma_m_s("random")[0] == pytest.approx(np.sqrt(np.sum(np.square(random))))
    assert found.sigma_m_s("systematic")[0] == pytest.approx(np.sqrt(np.sum(np.square(systematic))))
    assert found.sigma_m_s()[0] == pytest.approx(np.sqrt(np.sum(np.square(random + systematic))))
    assert found.dominating == max(found.causes, key=lambda c: c.forward_m_s).name
    names = [c.name for c in found.causes]
    assert len(names) == len(set(names)) == 14


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"height_m": 0.01}, "at the ground"),
        ({"pitch_rad": 0.6}, "straight down"),
        ({"speed_m_s": 70.0}, "overlap"),
        ({"texture": Texture(gradient_levels_px=0.5)}, "texture"),
        ({"speed_m_s": 2.0, "exposure_s": 0.1}, "texture"),
    ],
)
def test_no_prediction_where_nothing_can_be_measured(changes: dict, word: str) -> None:
    with pytest.raises(PredictionError, match=word):
        predict(module(), replace(HOVER, **changes))


def estimated(
    of: Module, velocity: np.ndarray, rate: np.ndarray, pitch: float = 0.0, roll: float = 0.0
) -> dict[str, np.ndarray]:
    """One-sigma effects that the estimator's own error model gives for points all over the picture, level axes."""
    turn = Rotation.from_euler("ZYX", [0.0, pitch, roll])
    tilt = Tilt(down_body=turn.inv().apply([0.0, 0.0, 1.0]), sigma_rad=1e-3)
    log = RotationLog(of.gyro)
    times = np.arange(-0.3, 0.3, 0.001)
    log.append(GyroSamples(time_s=times, rate_rad_s=np.tile(rate, (len(times), 1)), accel_m_s2=None))
    mounting = of.alignment.R_body_camera
    half = 0.5 / RATE_HZ
    plane = Plane(
        down=mounting.inv().apply(tilt.down_body),
        distance_m=HEIGHT_M - float(np.dot(of.alignment.camera_position_m, tilt.down_body)),
    )
    view = PairView(Lens(of.camera), of, log, -half, half, plane)
    x, y = np.meshgrid(*((np.arange(19) + 0.5) / 19 * side - 0.5 for side in (WIDE, LONG)))
    first = np.column_stack([x.ravel(), y.ravel()])
    camera_velocity = mounting.inv().apply(turn.inv().apply(velocity))
    count = len(first)
    matches = Matches(
        first_px=first, second_px=view.predict(first, camera_velocity), offered=count,
        covariance_px2=np.tile(0.01 * np.eye(2), (count, 1, 1)),
    )  # fmt: skip
    pair, _ = view.geometry(matches)
    solution = solve(pair, camera_velocity, 1.0, np.random.default_rng(0))
    assert solution is not None
    height = Height(height_m=HEIGHT_M, sigma_m=1e-3, down_m_s=0.0)
    units = unit_effects(
        of,
        Lens(of.camera),
        pair,
        solution,
        height=height,
        turned_rad=view.turned_rad(),
        rate_change_rad_s=np.zeros(3),
        interval_s=2 * half,
    )
    effects = shared_errors(of, units, height=height, tilt=tilt, interval_s=2 * half)
    return {name: tilt.R_level_body @ mounting.as_matrix() @ effect for name, effect in effects.items()}


def size(effect: np.ndarray) -> np.ndarray:
    return np.sqrt(np.square(effect).sum(axis=1))[:2]


SAME = {"focal_length": "focal length", "gyro_noise": "gyro noise", "gyro_bias": "gyro bias", "mounting": "mounting",
        "lever_arm": "camera position"}  # fmt: skip


@pytest.mark.parametrize("lens", ["pinhole", "fisheye"])
@pytest.mark.parametrize("flight", ["cruise", "pitching", "rolling", "yawing"])
def test_agrees_with_the_estimators_own_error_model(flight: str, lens: str) -> None:
    # Two derivations that share no code. Theirs is exact for the finite interval, in which 2 m/s move the picture by
    # 7 px: 2 % of first-order remainder, and 0.04 mm/s where ours is nothing.
    of = module(alignment={"camera_position_m": [0.1, -0.05, 0.08]}, camera={"model": lens})
    velocity = np.array([2.0 if flight == "cruise" else 0.0, 0.0, 0.0])
    axis = {"cruise": None, "rolling": 0, "pitching": 1, "yawing": 2}[flight]
    rate = np.zeros(3) if axis is None else 0.5 * np.eye(3)[axis]
    conditions = CRUISE if flight == "cruise" else replace(HOVER, yaw_rate_rad_s=0.5)
    if flight in ("rolling", "pitching"):  # an rms rate of 0.5 rad/s
        conditions = replace(HOVER, rocking_rad=0.5 * np.sqrt(2) / (2 * np.pi), rocking_hz=1.0)
    predicted = {c.name: np.array([c.forward_m_s, c.right_m_s]) for c in predict(of, conditions).causes}
    effects = estimated(of, velocity, rate)
    for theirs, ours in SAME.items():
        found = size(effects[theirs])
        expected = predicted[ours].copy()
        # Pitching alone moves the picture forward: rocking about the other axis is not in theirs.
        if flight == "pitching" and ours in ("focal length", "camera position"):
            expected[1] = found[1]
        if flight == "rolling" and ours in ("focal length", "camera position"):
            expected[0] = found[0]
        if flight in ("pitching", "rolling") and ours == "mounting":
            expected[(flight == "rolling" and 1) or 0] = found[(flight == "rolling" and 1) or 0]
        if flight == "yawing" and ours == "focal length":
            continue  # the lever arm's own motion, 0.01 mm/s: beyond first order
        np.testing.assert_allclose(found, expected, rtol=0.07 if ours == "focal length" else 0.02, atol=4e-5)


@pytest.mark.parametrize("beam", ["wide", "narrow"])
@pytest.mark.parametrize("lean", ["pitch", "roll"])
def test_tilt_with_a_lean_agrees_with_the_estimators_own(beam: str, lean: str) -> None:
    # Central difference over the sign of the lean: what 2 m/s do in a finite interval cancels. A lean of 0.06 rad is
    # first order to 1 %.
    of = module(range={"beam": beam})
    both = [
        estimated(of, np.array([2.0, 0.0, 0.0]), np.zeros(3), **{lean: sign * 0.06})["tilt"] for sign in (1.0, -1.0)
    ]
    situation = Situation(of, CRUISE)
    situation.lean = np.array([0.06, 0.0]) if lean == "pitch" else np.array([0.0, 0.06])
    expected = 1e-3 * situation.by_tilt(height=True)
    np.testing.assert_allclose(size(0.5 * (both[0] - both[1])), expected, rtol=0.03, atol=1e-6)


AHEAD_S = 0.05  # samples given beyond a frame's own time: readout and interpolation around it


def flown(spec: scene.SceneSpec) -> tuple[np.ndarray, float, Texture]:
    """Errors (N, 2) of the rows after the first third of a second, forward and right; matched share, texture."""
    made = scene.render(spec)
    estimator = Estimator(made.module)
    gyro = GyroSamples(time_s=made.gyro.time_s, rate_rad_s=made.gyro.rate_rad_s, accel_m_s2=made.gyro.accel_m_s2)
    estimator.add_range(RangeSamples(time_s=made.range.time_s, range_m=made.range.range_m,
                                     air_temperature_c=made.range.air_temperature_c))  # fmt: skip
    results, given = [], 0
    for frame in made.frames():
        stop = int(np.searchsorted(gyro.time_s, frame.time_s + AHEAD_S))
        estimator.add_gyro(gyro.part(slice(given, stop)))
        given, result = stop, estimator.add_frame(frame.time_s, frame.luma)
        results += [] if result is None else [result]
    rows = [result.row for result in results]
    assert [row.status for row in rows[20:]] == ["ok"] * len(rows[20:])
    truth = made.truth_at(np.array([row.time_s for row in rows]))
    # What single pairs of frames show is predicted; the accelerometer makes rows better.
    found = np.array([(each.pair.velocity_m_s if each.pair else each.row.velocity.vector_m_s)[:2] for each in results])  # type: ignore[union-attr]
    texture = texture_of(made.frame(5).luma, 1.45)
    assert texture is not None
    errors = found - np.column_stack([truth.forward_m_s, truth.right_m_s])
    blocks = BlockMatcher(made.module.camera.width_px, made.module.camera.height_px).count
    return errors[20:], rows[-1].tracks * (rows[-1].inlier_share or 0.0) / blocks, texture


@pytest.mark.parametrize(("ground", "height_m"), [("gravel", 0.4), ("soil", 1.5), ("gravel", 6.0)])
def test_predicts_the_errors_of_a_hover(ground: str, height_m: float) -> None:
    # Synthetic recordings with exact truth and a module file without errors: only the random part shows. 100 rows x 2
    # axes tell an RMS to 5 %; the prediction is of first order in all: 30 % is what is asked of it.
    motion = scene.straight(2.0, height_m=height_m) + scene.gusts(2.0, seed=3, wander_m=0.02)
    spec = scene.SceneSpec(motion=motion, ground=scene.make_ground(ground), seed=3)
    errors, matched, texture = flown(spec)
    conditions = Conditions(
        height_m=height_m, rocking_rad=0.03 * np.sqrt(2), rocking_hz=0.6, noise_levels=1.45, texture=texture,
        matched=matched,
    )  # fmt: skip
    predicted = predict(scene.preset_module(), conditions)
    ratio = np.sqrt(np.mean(errors**2)) / (np.hypot(*predicted.sigma_m_s("random")) / np.sqrt(2))
    assert ratio == pytest.approx(1.0, abs=0.3)
    # The mean of a second: 2 numbers an axis and height, so only its order can be held: within a factor of three.
    second = np.hypot.reduce([c.second_right_m_s for c in predicted.causes if c.kind == "random"])
    assert np.abs(errors[:60, 1].mean()) < 3 * second
    assert second < 0.3 * predicted.sigma_m_s("random")[1]
    assert isinstance(predicted, Budget) and 1.0 < predicted.image_over_bound < 1.3
