"""Texture, blur, noise and search range: closed forms, Monte-Carlo, and the tracker on exactly shifted ground."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import scipy.ndimage

from flow.budget.image_noise import (
    WINDOW_PX,
    Texture,
    least_gradient,
    search_px,
    shift_bound_px2,
    texture_of,
    tracker_noise,
)
from flow.tracks import LucasKanade
from tests.streams import HEIGHT, WIDTH, ShiftedGround, grain, photograph

GRAIN_PX, SPREAD = 1.1, 40.0
# White noise smoothed by a Gaussian a has the autocorrelation exp(-x^2 / 4 a^2): rms gradient = spread / (a sqrt 2).
GRADIENT = SPREAD / (GRAIN_PX * np.sqrt(2))


def noisy(picture: np.ndarray, sigma: float, rng: np.random.Generator) -> np.ndarray:
    return np.clip(np.rint(picture + rng.normal(0, sigma, picture.shape)), 0, 255).astype(np.uint8)


def test_an_efficient_estimator_reaches_the_bound() -> None:
    # Gauss-Newton on Fourier-shifted (exact sinc interpolation) patches, gradients of both pictures' mean: the maximum-
    # likelihood estimate, which reaches the bound as the noise gets small (Robinson and Milanfar 2004). 600 trials tell
    # a variance to 1 / sqrt(300) = 6 %; four of these.
    size, sigma, shift = 48, 0.7, np.array([0.31, -0.23])
    rng = np.random.default_rng(3)
    scene = grain(size, seed=2, sigma_px=1.5)
    waves = np.stack(np.meshgrid(*[2j * np.pi * np.fft.fftfreq(size)] * 2), axis=0)  # x, y

    def moved(picture: np.ndarray, by: np.ndarray) -> np.ndarray:
        return np.fft.ifft2(np.fft.fft2(picture) * np.exp(-np.tensordot(by, waves, 1))).real

    def gradient(picture: np.ndarray) -> np.ndarray:
        return np.fft.ifft2(np.fft.fft2(picture) * waves).real.reshape(2, -1)

    second = moved(scene, shift)
    found = []
    for _ in range(600):
        a, b = (clean + rng.normal(0, sigma, scene.shape) for clean in (scene, second))
        at = np.zeros(2)
        for _ in range(4):
            back = moved(b, -at)
            slope = gradient(0.5 * (a + back))
            at = at + np.linalg.solve(slope @ slope.T, slope @ (a - back).ravel())
        found.append(at)
    bound = shift_bound_px2(sigma, gradient(scene) @ gradient(scene).T)
    covariance = np.cov(np.array(found).T)
    np.testing.assert_allclose(np.diag(covariance) / np.diag(bound), 1.0, atol=0.24)
    correlation = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    assert correlation == pytest.approx(bound[0, 1] / np.sqrt(bound[0, 0] * bound[1, 1]), abs=0.16)  # 4 / sqrt(600)


@pytest.mark.parametrize("noise", [0.0, 3.0])
@pytest.mark.parametrize("grain_px", [1.5, 2.5])
def test_texture_is_measured_through_noise(grain_px: float, noise: float) -> None:
    # Closed form above; differences over a pixel and Scharr's smoothing see sharp waves weaker: 14 % at a grain of
    # 1.5 px, 6 % at 2.5.
    picture = noisy(grain(512, sigma_px=grain_px), noise, np.random.default_rng(1))
    found = texture_of(picture, noise)
    assert found is not None
    assert found.gradient_levels_px == pytest.approx(SPREAD / (grain_px * np.sqrt(2)), rel=0.15)
    assert found.grain_px == pytest.approx(grain_px, rel=0.12)


def test_noise_alone_is_no_texture() -> None:
    # What is left of pure noise is the sampling error of its variance: half a grey level a pixel at the very most.
    found = texture_of(noisy(np.full((240, 320), 120.0), 2.0, np.random.default_rng(4)), 2.0)
    assert found is None or found.gradient_levels_px < 0.2
    assert texture_of(np.full((240, 320), 120, np.uint8), 2.0) is None


@pytest.mark.parametrize("length", [2, 4, 6])
def test_blur_weakens_the_gradient(length: int) -> None:
    # Real box blur of Gaussian grain against the model's Gaussian of the same variance; a box's spectrum falls off
    # more slowly than a Gaussian's, 15 % at 6 px of blur on 1.5 px grain.
    scene = grain(512, sigma_px=1.5)
    # Odd kernel of the box's length with half weights at its ends.
    kernel = np.ones(length + 1)
    kernel[[0, -1]] = 0.5
    blurred = scipy.ndimage.convolve1d(scene, kernel / kernel.sum(), axis=0, mode="wrap")
    rms = [np.sqrt(np.mean(np.square(np.gradient(blurred, axis=axis)))) for axis in (0, 1)]
    still = np.sqrt(np.mean(np.square(np.gradient(scene, axis=0))))
    expected = Texture(gradient_levels_px=float(still), grain_px=1.5).blurred(np.sqrt(length**2 + 0.5))
    np.testing.assert_allclose(rms, expected, rtol=0.15)
    assert rms[0] < 0.97 * rms[1]  # and not the other way round


def test_the_longest_blur_leaves_just_that_gradient() -> None:
    texture = Texture(gradient_levels_px=7.0, grain_px=1.2)
    assert texture.blurred(texture.longest_blur_px(2.0))[0] == pytest.approx(2.0, rel=1e-9)
    # By hand: (7/2)^(2/3) = 2.305, 1.2 sqrt(12 (2.305^2 - 1)) = 8.63 px.
    assert texture.longest_blur_px(2.0) == pytest.approx(8.63, abs=0.01)
    assert texture.longest_blur_px(8.0) == 0.0


def test_pixel_noise_by_hand() -> None:
    # sigma = sqrt(1.5^2 + 1/12); a window of 15 px: sqrt(2) sigma / (15 x 6); 100 tracks share 100 x 225 / (305 x 225).
    found = tracker_noise(
        size_px=(320, 240), noise_levels=1.5, texture=Texture(gradient_levels_px=6.0), blur_px=0.0, tracks=100.0
    )
    assert found.noise_px[0] == pytest.approx(np.sqrt(2 * (2.25 + 1 / 12)) / 90 / 10 * np.sqrt(1 + 100 / 305), rel=1e-6)
    assert found.blur_px[0] == pytest.approx(0.0, abs=1e-12)
    assert found.bound_px[0] == pytest.approx(np.sqrt(2 * (2.25 + 1 / 12)) / 6 / np.sqrt(320 * 240), rel=1e-6)
    soft = tracker_noise(
        size_px=(320, 240), noise_levels=1.5, texture=Texture(gradient_levels_px=6.0), blur_px=4.0, tracks=100.0
    )
    assert np.hypot(soft.noise_px, soft.blur_px)[0] == pytest.approx(
        found.noise_px[0] * (1 + 16 / 12 / 1.1**2) ** 0.75, rel=1e-6
    )


@pytest.mark.parametrize(("grain_px", "low", "high"), [(1.1, 0.7, 1.0), (2.0, 0.9, 1.1)])
def test_interpolation_pulls_as_predicted(grain_px: float, low: float, high: float) -> None:
    # The tracker on exactly shifted grain without noise, 25 shifts x 190 tracks: 3 % of sampling. The theory is first
    # order in k^2, exact for coarse grain; on sharp grain it overrates the pull by a quarter.
    rng = np.random.default_rng(5)
    ground = ShiftedGround(grain(512, sigma_px=grain_px))
    tracker, each = LucasKanade(WIDTH, HEIGHT), []
    for _ in range(25):
        shift = rng.uniform(-3, 3, 2)
        matches = tracker.match(ground(0, 0), ground(*shift), lambda p, s=shift: p + np.rint(s), far=False)
        each.append(matches.second_px - matches.first_px - shift)
    texture = Texture(gradient_levels_px=SPREAD / (grain_px * np.sqrt(2)), grain_px=grain_px)
    noise = tracker_noise(size_px=(WIDTH, HEIGHT), noise_levels=0.0, blur_px=0.0, tracks=1.0, texture=texture)
    ratio = np.sqrt(np.mean(np.square(np.vstack(each)))) / np.hypot(noise.pull_px, noise.noise_px)[0]
    assert low < ratio < high


def test_tracks_share_their_noise_as_predicted() -> None:
    # 60 pairs of exactly shifted grain with 4 levels of noise: 120 numbers tell a sigma to 6.5 %. Interpolation
    # averages some of the noise away and corners are stronger than the rest of the picture, which the prediction leaves
    # out: measured 10 % below it. Together 25 %; without the shared pixels it would be 30 % too small.
    rng = np.random.default_rng(5)
    ground = ShiftedGround(grain(512, sigma_px=GRAIN_PX))
    tracker, errors = LucasKanade(WIDTH, HEIGHT), []
    for _ in range(60):
        shift = rng.uniform(-3, 3, 2)
        pair = [noisy(ground(*by), 4.0, rng) for by in ((0.0, 0.0), shift)]
        matches = tracker.match(pair[0], pair[1], lambda p, s=shift: p + np.rint(s), far=False)
        errors.append((matches.second_px - matches.first_px - shift).mean(axis=0))
    noise = tracker_noise(
        size_px=(WIDTH, HEIGHT), noise_levels=4.0, blur_px=0.0, tracks=190.0,
        texture=Texture(gradient_levels_px=GRADIENT, grain_px=GRAIN_PX),
    )  # fmt: skip
    expected = float(np.hypot(noise.noise_px, noise.pull_px)[0])
    assert np.sqrt(np.mean(np.square(errors))) / expected == pytest.approx(1.0, abs=0.25)


@pytest.mark.parametrize("size", [(320, 240), (640, 480), (160, 120), (1280, 960), (64, 48)])
@pytest.mark.parametrize("far", [False, True])
def test_levels_are_those_that_opencv_builds(size: tuple[int, int], far: bool) -> None:
    blank = np.zeros(size[::-1], np.uint8)
    levels = cv2.buildOpticalFlowPyramid(blank, (WINDOW_PX, WINDOW_PX), 4 if far else 1)[0]
    assert search_px(size, far=far) == (3 if levels > 1 else 5) * 2**levels


@pytest.mark.parametrize("name", ["gravel", "grass"])
@pytest.mark.parametrize("far", [False, True])
def test_search_range_on_photographs(name: str, far: bool) -> None:
    # Photographs of ground moved by whole pixels: exact. Within the range nearly all are found, at twice it few.
    picture = photograph(name).astype(np.uint8)
    reach = search_px((WIDTH, HEIGHT), far=far)
    first = picture[100 : 100 + HEIGHT, 96 : 96 + WIDTH]
    found = {}
    for share in (0.95, 2.0):
        step = round(share * reach)
        second = picture[100 - step : 100 - step + HEIGHT, 96 : 96 + WIDTH]
        matches = LucasKanade(WIDTH, HEIGHT).match(first, second, lambda p: p, far=far)
        offered = np.count_nonzero(np.abs(matches.second_px - matches.first_px - [0, step]).max(axis=1) < 0.5)
        found[share] = offered / max(len(matches), 1)
    assert found[0.95] > 0.8
    assert found[2.0] < 0.2


def test_least_gradient_is_where_the_tracker_gives_up() -> None:
    # The tracker looks at half the size: a gradient of 1 level a pixel is one of 2 there, and its square 4 x that.
    assert least_gradient(0.0) == pytest.approx(0.5 * np.sqrt(1.4))
    assert least_gradient(4.0) == pytest.approx(0.5 * np.sqrt(0.6 * 16))
    rng = np.random.default_rng(8)
    slow = grain(512, sigma_px=4.0) - 128  # coarse, so that half the size loses nothing of it
    unit = slow / np.sqrt(np.mean(np.gradient(slow, axis=0) ** 2))
    tracker = LucasKanade(WIDTH, HEIGHT)
    kept = {}
    for share in (0.3, 4.0):
        scene = noisy(128 + share * least_gradient(1.0) * unit[:HEIGHT, :WIDTH], 1.0, rng)
        again = noisy(128 + share * least_gradient(1.0) * unit[:HEIGHT, :WIDTH], 1.0, rng)
        kept[share] = len(tracker.match(scene, again, lambda p: p, far=False))
    assert kept[0.3] < 20 < 150 < kept[4.0]
