"""Ground: seamless, level by level the same, of plausible stones, and a user's picture in its true size."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from flow.errors import DataError
from flow.module import Alignment
from flow.scene import KINDS, CameraPath, Renderer, make_ground, picture_ground, preset_module
from flow.scene.ground import make_layer
from flow.scene.textures import cloud, paving, soil, stones
from tests.flow.scene.grounds import still

MAKERS = {
    "stones": lambda rng: stones(512, 0.5e-3, rng),
    "soil": lambda rng: soil(512, 0.5e-3, rng),
    "paving": lambda rng: paving(1024, 2e-3, rng),
    "cloud": lambda rng: cloud(512, 8e-3, 0.06, 3.0, rng),
}


@pytest.mark.parametrize("maker", MAKERS)
def test_tiles_are_seamless(maker: str) -> None:
    tile = MAKERS[maker](np.random.default_rng(3)).astype(float)
    for axis in (0, 1):
        steps = np.diff(tile, axis=axis).std(axis=1 - axis)
        across = (np.take(tile, 0, axis) - np.take(tile, -1, axis)).std()
        # Across the border it is no rougher than from one line of texels to the next anywhere inside.
        assert across <= 1.1 * steps.max()
        assert steps.max() < tile.std()
    assert abs(tile.mean()) < 0.05 * tile.std()


def test_levels_keep_place_and_mean() -> None:
    # A cosine through the (1 4 6 4 1) chain keeps its phase: texel 0 of every level stays on the origin.
    n, period = 256, 64
    x = np.arange(n)
    tile = np.tile(10 + np.cos(2 * np.pi * (x - 5) / period), (n, 1)).astype(np.float32)
    layer = make_layer(tile, 1e-3)
    for k in range(4):
        level = layer.levels[k].astype(float)
        wave = np.exp(-2j * np.pi * np.arange(level.shape[1]) * 2**k / period)
        assert level.mean() == pytest.approx(10, abs=1e-4)
        place = -np.angle((level[3] * wave).sum()) * period / (2 * np.pi)
        assert place == pytest.approx(5, abs=1e-3)
        assert layer.texel_m[k] * level.shape[1] == pytest.approx(layer.period_m)


def test_level_never_skips_texture() -> None:
    layer = make_layer(np.zeros((256, 256), np.float32), 1e-3)
    for sample_m in (0.2e-3, 1e-3, 1.1e-3, 2e-3, 3.9e-3, 4.1e-3):
        texel = layer.texel_m[layer.level(sample_m)]
        assert texel >= sample_m
        assert texel < 2 * sample_m or texel == 1e-3


def test_stones_are_of_gravel_size() -> None:
    tile = stones(1024, 0.5e-3, np.random.default_rng(4)).astype(float)
    power = np.abs(np.fft.fft2(tile)) ** 2
    correlation = np.real(np.fft.ifft2(power))[0] / np.mean(tile**2) / tile.size
    half_m = 0.5e-3 * np.argmax(correlation < 0.5)
    # Half the correlation is lost at about a fifth to a half of a stone of 5 to 30 mm.
    assert 1e-3 < half_m < 8e-3
    assert 20 < tile.std() < 45


@pytest.mark.parametrize("height_m", [0.5, 8.0])
def test_gravel_has_texture_near_and_far(height_m: float) -> None:
    camera = preset_module("small").camera
    picture = Renderer(camera, make_ground("gravel")).picture(CameraPath(still(1, 2, height_m), Alignment()), 0.05)
    slope = np.hypot(*np.gradient(picture.astype(float)))
    # Noise is 1.5 levels: slopes must stand above it, and nothing may clip.
    assert np.sqrt(np.mean(slope**2)) > (4.0 if height_m < 1 else 1.5)
    assert np.mean((picture < 1) | (picture > 254)) < 0.01


def test_bare_ground_is_fainter_than_the_noise() -> None:
    camera = preset_module("small").camera
    picture = Renderer(camera, make_ground("bare")).picture(CameraPath(still(0, 0, 1), Alignment()), 0.05)
    assert 0.05 < picture.std() < 1.5
    assert np.hypot(*np.gradient(picture.astype(float))).max() < 0.2


def test_ground_repeats_with_its_seed_only() -> None:
    one, again, other = (make_ground("bare", seed=s).layers[0].levels[2] for s in (1, 1, 2))
    np.testing.assert_array_equal(one, again)
    assert np.corrcoef(one.ravel(), other.ravel())[0, 1] < 0.5
    assert set(KINDS) == {"gravel", "soil", "paving", "bare"}


def test_a_picture_keeps_its_size_and_becomes_seamless(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    wide = cv2.GaussianBlur(rng.uniform(0, 255, (400, 512)), (0, 0), 3)
    wide = np.clip(128 + 8 * (wide - wide.mean()), 0, 255).astype(np.uint8)
    path = tmp_path / "path.png"
    cv2.imwrite(str(path), wide)
    ground = make_ground(str(path), size_m=2.0)
    layer = ground.layers[0]
    assert layer.texel_m[0] == pytest.approx(2.0 / 512)
    tile = ground.mean_levels + layer.levels[0]
    inside = slice(len(tile) // 4, len(tile) // 2)
    np.testing.assert_allclose(tile[inside, inside], wide[inside, inside], atol=1e-3)
    for axis in (0, 1):
        seam = np.abs(np.take(tile, 0, axis) - np.take(tile, -1, axis)).mean()
        assert seam < 2 * np.abs(np.diff(tile, axis=axis)).mean()
    same = picture_ground(wide.astype(np.float32), 2.0)
    np.testing.assert_array_equal(same.layers[0].levels[1], layer.levels[1])


def test_bad_grounds_are_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="unknown ground; choose gravel, soil, paving, bare or the file of an image"):
        make_ground(str(tmp_path / "moss.png"), size_m=1.0)
    (tmp_path / "text.png").write_text("no picture")
    with pytest.raises(DataError, match=r"text\.png: not an image"):
        make_ground(str(tmp_path / "text.png"), size_m=1.0)
    with pytest.raises(DataError, match="--ground-size"):
        make_ground(str(tmp_path / "text.png"))
