"""Texture, blur, noise and search range: closed forms, Monte-Carlo, and blocks and tracks on exactly shifted ground."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import scipy.ndimage

from flow.budget.image_noise import (
    BORDER_PX,
    Texture,
    block_noise,
    least_gradient,
    search_px,
    shift_bound_px2,
    texture_of,
)
from flow.pair.search import NEAR_PX
from flow.registration.blocks import BlockMatcher
from flow.registration.filters import SMOOTHING_PX
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
    # sigma = sqrt(1.5^2 + 1/12); bound sqrt(2) sigma / (6 sqrt(320 x 240)). Smoothing 0.75 px of a grain of 1.1 px: (1.21 +
    # 0.5625)^4 / ((1.21 + 1.125)^2 x 1.4641) = 1.2366 of the variance. Blocks cover all but 5 px at each border.
    texture = Texture(gradient_levels_px=6.0)
    found = block_noise(size_px=(320, 240), noise_levels=1.5, texture=texture, blur_px=0.0, matched=0.9)
    bound = np.sqrt(2 * (2.25 + 1 / 12)) / 6 / np.sqrt(320 * 240)
    assert found.bound_px[0] == pytest.approx(bound, rel=1e-6)
    lost = 320 * 240 / (310 * 230 * 0.9 * 0.93)
    assert found.noise_px[1] == pytest.approx(bound * np.sqrt(1.2366 * lost), rel=1e-4)
    assert found.blur_px[0] == pytest.approx(0.0, abs=1e-12)
    # A blur of 4 px makes the grain 1.5948 px along the motion (variance 2.5433): the bound's variance grows by (2.5433 /
    # 1.21)^(3/2) along and (...)^(1/2) across; smoothing costs 1.0728 there and 1.1120 (the root of 1.2366) the other way.
    soft = block_noise(size_px=(320, 240), noise_levels=1.5, texture=texture, blur_px=4.0, matched=0.9)
    wide, narrow = (2.54333 + 0.5625) ** 2 / (2.54333 + 1.125) / 2.54333, np.sqrt(1.2366)
    for axis, power in ((0, 1.5), (1, 0.5)):
        grown = (2.54333 / 1.21) ** power
        assert soft.bound_px[axis] == pytest.approx(bound * np.sqrt(grown), rel=1e-4)
        costs = wide**power * narrow ** (2 - power)
        whole = float(np.hypot(soft.noise_px, soft.blur_px)[axis])
        assert whole == pytest.approx(bound * np.sqrt(grown * costs * lost), rel=1e-4)


@pytest.mark.parametrize("grain_px", [(1.0, 1.0), (2.0, 1.0)])
def test_smoothing_costs_as_predicted(grain_px: tuple[float, float]) -> None:
    # Monte-Carlo: least squares on the smoothed slopes of periodic grain (down, across), without blocks, weights or
    # interpolation. 2000 trials tell a variance to 3 %; slopes by the shift theorem.
    rng, size = np.random.default_rng(6), 64
    waves = np.stack(np.meshgrid(*[2 * np.pi * np.fft.fftfreq(size)] * 2, indexing="ij"))
    smoothed = np.exp(-0.5 * np.square(SMOOTHING_PX) * np.square(waves).sum(axis=0))
    grains = np.exp(-0.5 * np.tensordot(np.square(grain_px), np.square(waves), 1))
    scene = np.fft.fft2(rng.normal(0, 200, (size, size))) * grains
    slope = [np.fft.ifft2(1j * waves * scene * share).real.reshape(2, -1) for share in (smoothed, 1.0)]
    noise = rng.normal(0, 1, (2000, size, size)) - rng.normal(0, 1, (2000, size, size))
    seen = np.fft.ifft2(np.fft.fft2(noise) * smoothed).real.reshape(2000, -1)
    found = np.linalg.solve(slope[0] @ slope[0].T, slope[0] @ seen.T)
    bound = np.diag(shift_bound_px2(1.0, slope[1] @ slope[1].T))
    a, s = np.square(grain_px), SMOOTHING_PX**2
    factor = (a + s) ** 2 / ((a + 2 * s) * a)
    expected = factor**1.5 * factor[::-1] ** 0.5
    # One small picture of grain is not the mean of all: 10 %.
    np.testing.assert_allclose(found.var(axis=1) / bound, expected, rtol=0.12)
    # The code's own, along and across a blur that widens the grain of 1 px to grain_px[0].
    noises = block_noise(
        size_px=(320, 240), noise_levels=2.0, texture=Texture(grain_px=1.0), matched=320 * 240 / (310 * 230) / 0.93,
        blur_px=float(np.sqrt(12 * (a[0] - 1))),
    )  # fmt: skip
    ratio = (np.square(noises.noise_px) + np.square(noises.blur_px)) / np.square(noises.bound_px)
    np.testing.assert_allclose(ratio, expected, rtol=1e-9)


def test_blocks_are_as_exact_as_predicted() -> None:
    # 60 pairs of exactly shifted grain with 4 levels of noise, found to half a pixel before; the weighted mean of all
    # blocks. 120 numbers tell a sigma to 6.5 %: three of these. Without what smoothing costs the prediction would be 11 %
    # too small, with the tracks' windows in place of all pixels 40 % too large.
    rng = np.random.default_rng(5)
    ground = ShiftedGround(grain(512, sigma_px=GRAIN_PX))
    blocks, errors, shares = BlockMatcher(WIDTH, HEIGHT), [], []
    for _ in range(60):
        shift = rng.uniform(-3, 3, 2)
        pair = [noisy(ground(*by), 4.0, rng) for by in ((0.0, 0.0), shift)]
        found = shift + rng.uniform(-0.3, 0.3, 2)
        for _ in range(3):
            matches = blocks.match(pair[0], pair[1], lambda p, s=found: p + s)
            weight = np.linalg.inv(matches.covariance_px2)
            moved = np.einsum("nij,nj->i", weight, matches.second_px - matches.first_px)
            found = np.linalg.solve(weight.sum(axis=0), moved)
        errors.append(found - shift)
        shares.append(len(matches) / blocks.count)
    noise = block_noise(
        size_px=(WIDTH, HEIGHT), noise_levels=4.0, blur_px=0.0, matched=np.mean(shares) / 0.93,
        texture=Texture(gradient_levels_px=GRADIENT, grain_px=GRAIN_PX),
    )  # fmt: skip
    assert np.sqrt(np.mean(np.square(errors))) / noise.noise_px[0] == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize("size", [(320, 240), (640, 480), (160, 120), (1280, 960), (64, 48)])
@pytest.mark.parametrize("far", [False, True])
def test_levels_are_those_that_opencv_builds(size: tuple[int, int], far: bool) -> None:
    blank = np.zeros(size[::-1], np.uint8)
    levels = cv2.buildOpticalFlowPyramid(blank, (15, 15), 4 if far else 1)[0]
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


@pytest.mark.parametrize("off", [0.95 * NEAR_PX, 4.0])
def test_blocks_look_as_far_as_the_search_lets_them(off: float) -> None:
    # Photograph of gravel moved by a whole pixel, expected ``off`` beside it: one step leads there from within the limit
    # of the search, to a tenth of a pixel or so, which the next steps mend; from far beyond nothing matches.
    picture = photograph("gravel").astype(np.uint8)
    first, second = (picture[100 - k : 100 - k + HEIGHT, 96 : 96 + WIDTH] for k in (0, 1))
    matches = BlockMatcher(WIDTH, HEIGHT).match(first, second, lambda p: p + np.array([0.0, 1.0 - off]))
    if off > NEAR_PX:
        assert len(matches) < 12  # what does not fit passes for noise, and leaves no texture
        return
    missed = np.median(matches.second_px - matches.first_px, axis=0) - [0.0, 1.0]
    assert np.abs(missed).max() < 0.15


@pytest.mark.parametrize("noise", [0.5, 1.5, 4.0])
@pytest.mark.parametrize("size", [(320, 240), (640, 480)])
def test_least_gradient_is_where_blocks_give_up(size: tuple[int, int], noise: float) -> None:
    # At 0.6 of the least gradient few are left, at 1.6 times it nearly all: blocks differ in texture, and each counts
    # its stronger direction.
    least = least_gradient(size, noise, GRAIN_PX)
    rng, unit = np.random.default_rng(8), (grain(1024, sigma_px=GRAIN_PX) - 128) / GRADIENT
    kept = {}
    for share in (0.6, 1.6):
        scene = 128 + share * least * unit[: size[1], : size[0]]
        pair = [noisy(scene, noise, rng) for _ in range(2)]
        blocks = BlockMatcher(*size)
        kept[share] = len(blocks.match(*pair, lambda p: p)) / blocks.count
    assert kept[0.6] < 0.3 and kept[1.6] > 0.9


@pytest.mark.parametrize("size", [(160, 120), (320, 240), (640, 480)])
@pytest.mark.parametrize("noise", [1.0, 3.0, 8.0])
def test_noise_alone_makes_no_matches(size: tuple[int, int], noise: float) -> None:
    # Twelve would make a row: a floor without texture would then be measured as moving just as expected.
    rng = np.random.default_rng(4)
    bare = [noisy(np.full(size[::-1], 118.0), noise, rng) for _ in range(2)]
    assert len(BlockMatcher(*size).match(*bare, lambda p: p)) < 12


def test_the_border_is_what_no_block_covers() -> None:
    assert BlockMatcher(320, 240).covered_px == (320 - BORDER_PX) * (240 - BORDER_PX)
    assert BlockMatcher(1280, 960).covered_px < 0.6 * 1280 * 960  # blocks of larger pictures leave gaps
