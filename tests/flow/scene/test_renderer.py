"""The renderer against phase measurement, brute force and closed forms."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.spatial.transform import Rotation
from scipy.special import erf

from flow.module import Alignment, Camera
from flow.scene import CameraPath, Ground, Patch, Renderer, from_function, straight
from flow.scene.ground import make_layer
from tests.flow.scene.grounds import PERIOD_M, gravel, hills, pinhole, plain, still

Array = NDArray[np.float64]


def shift_px(before: Array, after: Array, guess: tuple[float, float]) -> Array:
    """Shift of the scene from ``before`` to ``after`` on a torus, from the phases of the cross-spectrum."""
    h, w = before.shape
    fy, fx = np.meshgrid(np.fft.fftfreq(h), np.fft.fftfreq(w), indexing="ij")
    # A scene that moves by s multiplies the spectrum by exp(-2 pi i f s).
    cross = np.fft.fft2(before) * np.conj(np.fft.fft2(after)) * np.exp(-2j * np.pi * (fx * guess[0] + fy * guess[1]))
    weight = np.abs(cross) * (np.hypot(fx, fy) < 0.5)
    weight[0, 0] = 0
    A = 2 * np.pi * np.stack([fx.ravel(), fy.ravel()], axis=1)
    normal = (A * weight.ravel()[:, None]).T
    return np.linalg.solve(normal @ A, normal @ np.angle(cross).ravel()) + guess


@pytest.mark.parametrize("size", [180, 256])
@pytest.mark.parametrize("oversampling", [3, 4])
def test_pictures_move_by_exactly_what_was_asked(size: int, oversampling: int) -> None:
    # The picture spans one period of the ground exactly, so that the Fourier shift is exact.
    height = 1.0
    camera = pinhole(size, size, size * height / PERIOD_M)
    renderer = Renderer(camera, gravel(), oversampling=oversampling)
    pixel_m = PERIOD_M / size

    def seen(right_px: float, down_px: float) -> Array:
        # Nominal mounting: image right is east, image down is south; the scene moves against the camera.
        motion = still(0.137 + down_px * pixel_m, 0.211 - right_px * pixel_m, height)
        return renderer.picture(CameraPath(motion, Alignment()), 0.05).astype(float)

    for asked in ((0.25, 0.0), (0.5, 0.25), (1 / 3, 0.9), (1.37, -2.61)):
        # 1 mpx: aliasing left behind 0.75 px of blur; the interpolation and the rays add nothing above it.
        np.testing.assert_allclose(shift_px(seen(0, 0), seen(*asked), asked), asked, atol=1e-3)


LENSES = {
    "pinhole": Camera(
        width_px=96, height_px=72, fx_px=80, fy_px=81, cx_px=48.3, cy_px=34.9,
        distortion=(-0.2, 0.05, 1e-3, -2e-3, 0.01)
    ),
    "fisheye": Camera(
        model="fisheye", width_px=96, height_px=72, fx_px=49, fy_px=49.2, cx_px=47.1, cy_px=36.2,
        distortion=(0.02, -0.01, 0.003, -0.001),
    ),
}  # fmt: skip
MOUNTING = Rotation.from_euler("z", 90, degrees=True) * Rotation.from_euler("xyz", [0.05, -0.03, 0.2])


@pytest.mark.parametrize("lens", LENSES)
def test_brute_force_sees_the_same(lens: str) -> None:
    camera = LENSES[lens]
    alignment = Alignment(
        camera_to_body_wxyz=tuple(MOUNTING.as_quat(scalar_first=True)), camera_position_m=(0.2, -0.1, 0.05)
    )
    motion = still(3.3, -7.1, 0.9, roll=0.08, pitch=-0.1, yaw=0.7)
    picture = Renderer(camera, hills()).picture(CameraPath(motion, alignment), 0.05)
    rng = np.random.default_rng(0)
    at = rng.uniform([6, 6], [camera.width_px - 7, camera.height_px - 7], (60, 2)).round()
    expected = [_brute_force(camera, alignment, u, v) for u, v in at]
    found = picture[at[:, 1].astype(int), at[:, 0].astype(int)]
    # Slopes here are some ten levels a pixel: 0.1 level is 0.01 px. A fisheye's pixels are longer than wide,
    # which square texels follow only roughly: 0.6. A swapped axis or sign is off by the ground's 30 levels.
    tolerance = 0.1 if lens == "pinhole" else 0.6
    assert np.sqrt(np.mean((found - expected) ** 2)) < tolerance
    # And no displacement: least squares on the picture's own slopes.
    slope = np.stack([g[at[:, 1].astype(int), at[:, 0].astype(int)] for g in np.gradient(picture)], axis=1)
    moved = np.linalg.lstsq(slope, found - expected, rcond=None)[0]
    assert np.abs(moved).max() < (0.003 if lens == "pinhole" else 0.02)


def _brute_force(camera: Camera, alignment: Alignment, u: float, v: float) -> float:
    """Mean of 45 x 45 rays weighted by the pixel's box and the Gaussian blur, every step written out."""
    spread = np.linspace(-2.5, 2.5, 45)
    weight = erf((spread + 0.5) / (0.75 * np.sqrt(2))) - erf((spread - 0.5) / (0.75 * np.sqrt(2)))
    du, dv = np.meshgrid(spread, spread)
    pixels = np.stack([u + du.ravel(), v + dv.ravel()], axis=1)[:, None]
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-12)
    undo = cv2.fisheye.undistortPoints if camera.model == "fisheye" else cv2.undistortPoints
    rays = undo(pixels, camera.matrix, camera.distortion_terms, criteria=criteria)[:, 0]
    attitude = (
        Rotation.from_rotvec([0, 0, 0.7]) * Rotation.from_rotvec([0, -0.1, 0]) * Rotation.from_rotvec([0.08, 0, 0])
    )
    q = alignment.camera_to_body_wxyz
    level = attitude.apply(Rotation.from_quat([*q[1:], q[0]]).apply(np.column_stack([rays, np.ones(len(rays))])))
    eye = np.array([3.3, -7.1, -0.9]) + attitude.apply([0.2, -0.1, 0.05])
    ground = eye + level * (-eye[2] / level[:, 2])[:, None]
    layer = hills().layers[0]
    texels = ground[:, [1, 0]] / layer.texel_m[0]  # rows run east, columns north
    values = map_coordinates(layer.levels[0].astype(float), texels.T, order=1, mode="grid-wrap")
    w = np.outer(weight, weight).ravel()
    return float(hills().mean_levels + w @ values / w.sum())


def test_rows_roll_from_top_to_bottom() -> None:
    # Sideways flight under a rolling shutter shears the picture: row r is ((r + 0.5)/H - 0.5) readout late.
    size, height, readout, speed = 256, 1.0, 0.02, 0.3
    camera = pinhole(size, size, size * height / PERIOD_M, readout)
    motion = straight(1, height_m=height, speed_m_s=speed, heading_rad=np.pi / 2)  # east: to the right
    path = CameraPath(motion, Alignment())
    rolled = Renderer(camera, gravel(), blur_px=0.9).picture(path, 0.5).astype(float)
    whole = Renderer(pinhole(size, size, camera.fx_px), gravel(), blur_px=0.9).picture(path, 0.5).astype(float)
    spectra = [np.fft.rfft(p, axis=1)[:, 1:90] for p in (whole, rolled)]
    cross = spectra[0] * np.conj(spectra[1])
    f = np.arange(1, 90) / size
    row_s = ((np.arange(size) + 0.5) / size - 0.5) * readout
    asked_px = -speed * row_s * size / PERIOD_M  # the scene moves to the left
    phase = np.angle(cross * np.exp(-2j * np.pi * f * asked_px[:, None]))
    error_px = (np.abs(cross) * f * phase).sum(axis=1) / (2 * np.pi * (np.abs(cross) * f**2).sum(axis=1))
    assert asked_px[-1] == pytest.approx(-1.5, abs=0.02)
    # One row alone holds little: 0.02 px is its aliasing; over the picture it averages out.
    assert np.abs(error_px).max() < 0.02
    assert abs(np.polyfit(asked_px, error_px, 1)[0]) < 1e-3


def test_a_known_rotation_shears_by_its_rate() -> None:
    # Roll right side down at 1 rad/s: the camera looks ever more to the left, by rate * time of the row.
    camera = pinhole(120, 90, 110, 0.02)
    rate = 1.0

    def turning(t: Array) -> Array:
        zero = np.zeros_like(t)
        return np.column_stack([zero, zero, zero - 0.8, rate * (t - 0.05), zero, zero])

    rolled = Renderer(camera, gravel()).picture(CameraPath(from_function(turning, 0.1), Alignment()), 0.05)
    whole = Renderer(pinhole(120, 90, 110), gravel())
    for row in (5, 45, 84):
        angle = rate * ((row + 0.5) / 90 - 0.5) * 0.02
        held, other = (
            whole.picture(CameraPath(still(0, 0, 0.8, roll=way * angle), Alignment()), 0.05)[row] for way in (1, -1)
        )
        # The blur spans a few rows, which differ by 0.02 px: less than a level, where a wrong row time is tens.
        assert np.abs(rolled[row] - held).max() < 1.0
        assert row == 45 or np.abs(rolled[row] - other).max() > 10


@pytest.mark.parametrize("speed", [0.2, 0.6])
def test_blur_is_the_mean_over_the_exposure_and_moves_nothing(speed: float) -> None:
    size, height, exposure = 180, 1.0, 0.01
    camera = pinhole(size, size, size * height / PERIOD_M)
    motion = straight(1, height_m=height, speed_m_s=speed, heading_rad=0.5)
    path = CameraPath(motion, Alignment())
    sharp = Renderer(camera, gravel())
    blurred = Renderer(camera, gravel(), exposure_s=exposure).picture(path, 0.5).astype(float)
    instants = 0.5 + ((np.arange(64) + 0.5) / 64 - 0.5) * exposure
    mean = np.mean([sharp.picture(path, t) for t in instants], axis=0)
    # Nine moments stand for 64, over 0.7 and 2.1 px: 1.1 % of the contrast; places and moments that go together
    # leave 2.6 %.
    assert np.std(blurred - mean) < 0.017 * np.std(mean)
    np.testing.assert_allclose(shift_px(mean, blurred, (0, 0)), 0, atol=1e-3)  # as exact as the shifts above


def test_white_patch_appears_where_geometry_says() -> None:
    camera = pinhole(160, 120, 100)
    top, height = 0.3, 1.3
    patch = Patch(centre_m=(0.1, -0.2), size_m=(0.3, 0.2), ground=plain(250), velocity_m_s=(-0.4, 0.5), height_m=top)
    path = CameraPath(still(0.05, 0.02, height), Alignment())
    picture = Renderer(camera, plain(50), patches=[patch]).picture(path, 0.05).astype(float)
    share = (picture - 50) / 200
    north, east = 0.1 - 0.4 * 0.05, -0.2 + 0.5 * 0.05
    scale = 100 / (height - top)
    area = share.sum()
    v, u = np.mgrid[:120, :160]
    # Edges fall between rays: a ninth of a pixel along an edge of some 25 px.
    assert area == pytest.approx(0.3 * 0.2 * scale**2, rel=0.02)
    assert (share * u).sum() / area == pytest.approx(79.5 + scale * (east - 0.02), abs=0.1)
    assert (share * v).sum() / area == pytest.approx(59.5 - scale * (north - 0.05), abs=0.1)


def test_sky_beyond_the_horizon_and_dark_outside_the_lens() -> None:
    fisheye = Camera(
        model="fisheye", width_px=160, height_px=120, fx_px=60, fy_px=60, cx_px=79.5, cy_px=59.5,
        distortion=(0, 0, 0, 0),
    )  # fmt: skip
    path = CameraPath(still(0, 0, 1, pitch=np.radians(50)), Alignment())  # nose up: the top sees the sky
    picture = Renderer(fisheye, plain(60)).picture(path, 0.05)
    # Row 59.5 - 60 * radians(38) looks 88 degrees from the vertical.
    edge = 59.5 - 60 * np.radians(38)
    assert (picture[: int(edge) - 3, 80] > 200).all()
    assert (picture[int(edge) + 4 :, 80] < 61).all()
    assert picture[0, 0] < 1  # 110 degrees off the axis: no ray


def test_vignetting_takes_its_share_in_the_corner() -> None:
    path = CameraPath(still(0, 0, 1), Alignment())
    picture = Renderer(pinhole(160, 120, 120), plain(100), vignetting=0.4).picture(path, 0.05)
    assert picture[60, 80] == pytest.approx(100, abs=0.1)
    # The corner pixel's centre is half a pixel inside the corner.
    assert picture[0, 0] == pytest.approx(60, abs=0.6)


def test_same_sharpness_from_every_pyramid_level() -> None:
    # White ground has the same spectrum at all scales, so the picture's is that of pixel and lens alone; at
    # 3 mm a pixel the level changes by an octave.
    tile = np.random.default_rng(2).standard_normal((1024, 1024)).astype(np.float32) * 60
    white = Ground(name="white", mean_levels=120.0, layers=(make_layer(tile, 0.5e-3),))
    fx, fy = np.meshgrid(np.fft.fftfreq(200), np.fft.fftfreq(200))
    f = np.hypot(fx, fy)
    fine, rough = (f > 0.22) & (f < 0.3), (f > 0.02) & (f < 0.1)
    optics = np.sinc(fx) * np.sinc(fy) * np.exp(-2 * (np.pi * 0.75 * f) ** 2)
    expected = np.mean(optics[fine] ** 2) / np.mean(optics[rough] ** 2)
    for pixel_m in (2.05e-3, 2.5e-3, 2.95e-3, 3.05e-3, 3.6e-3, 4.5e-3, 6.2e-3):
        picture = Renderer(pinhole(200, 200, 200), white).picture(
            CameraPath(still(0, 0, pixel_m * 200), Alignment()), 0.05
        )
        power = np.abs(np.fft.fft2(picture * np.outer(np.hanning(200), np.hanning(200)))) ** 2
        # The rough band holds some 400 independent values: 5 % of scatter, three times that allowed. A level
        # more or less without its compensation changes the ratio by 30 %.
        assert power[fine].mean() / power[rough].mean() == pytest.approx(expected, rel=0.15)


def test_a_table_top_rolls_with_the_rows() -> None:
    # Flying east at 3 m/s over a white table top 0.3 m high: each row sees it from where the camera then is.
    camera = pinhole(160, 120, 100, readout_s=0.03)
    top, height, speed = 0.3, 1.3, 3.0
    table = Patch(centre_m=(0.0, 0.15), size_m=(2.0, 0.4), ground=plain(250), height_m=top)
    motion = straight(0.1, height_m=height, speed_m_s=speed, heading_rad=np.pi / 2)
    picture = Renderer(camera, plain(50), patches=[table]).picture(CameraPath(motion, Alignment()), 0.05).astype(float)
    share = (picture - 50) / 200
    row_s = 0.05 + ((np.arange(120) + 0.5) / 120 - 0.5) * 0.03
    expected = 79.5 + 100 * (0.15 - speed * row_s) / (height - top)
    found = (share * np.arange(160)).sum(axis=1) / share.sum(axis=1)
    # Edges fall between rays: a third of a pixel each, the same for both or averaged over rows; the slant is 9 px.
    assert np.ptp(expected) == pytest.approx(8.9, abs=0.1)
    assert np.abs(found - expected).max() < 0.35
    assert np.polyfit(expected, found, 1)[0] == pytest.approx(1, abs=0.01)
