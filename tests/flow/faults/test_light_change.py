"""The change of light over the ground, from rendered flights in steady light and light laid over them."""

from __future__ import annotations

from typing import cast

import numpy as np
import pytest

from flow.faults import moving_light
from flow.faults.light_change import light_change
from flow.measure import measure
from flow.pair.geometry import PairView
from flow.recording import Recording
from flow.tracks import Picture
from tests.flow.fault_flights import clean
from tests.flow.flights import Flight
from tests.flow.spoils import Grey, drawn, gain, lamp, leaf_shadows, noise

NOISE_LEVELS = 1.5  # of the renderer's sensor


def changes(flown: Flight, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Give the change of light of each pair that is compared, at the velocity that the ground's grain shows."""
    found: list[float] = []

    def watched(first: Picture, second: Picture, view: PairView, velocity: np.ndarray, levels: float) -> float:
        found.append(light_change(first, second, view, velocity, levels))
        return found[-1]

    monkeypatch.setattr(moving_light, "light_change", watched)
    list(measure(cast("Recording", flown), positions=False, first_pass=False))
    return found


def shading(grey: Grey, _: float, rng: np.random.Generator) -> Grey:
    """Draw a lens that is darker toward its corners, by half, and stray light of a tenth of full scale."""
    y, x = np.mgrid[: grey.shape[0], : grey.shape[1]] / np.array(grey.shape)[:, None, None] - 0.5
    return (grey * (1 - x * x - y * y) * 0.8 + 25).astype(np.float32) + noise(rng, grey.shape, 0.5)


@pytest.mark.parametrize("light", [None, gain(lambda t: 1 + 0.3 * np.sin(9 * t)), shading])
def test_steady_light_leaves_what_noise_does(light: object, monkeypatch: pytest.MonkeyPatch) -> None:
    # By construction: the light rests, exposure and shading do not count. The unit is what noise, codec and relief may leave;
    # here there is noise alone, so that it is at most 1; a dozen pairs tell it to a few per cent.
    flown = clean() if light is None else drawn(light, 0, 9)(clean())  # type: ignore[arg-type]
    found = changes(flown, monkeypatch)
    assert len(found) > 20
    assert max(found) < 1.3


@pytest.mark.parametrize("light", [leaf_shadows(0.25), leaf_shadows(0.5), lamp(0.3, 0.014)])
def test_light_that_moves_shows(light: object, monkeypatch: pytest.MonkeyPatch) -> None:
    # By construction: shadows or bands of a lamp change the light by 25 to 50 %, tens of times what noise does to the mean
    # over a few pixels (1.5 levels of 100, by 1 / (2 sqrt(pi) 3)).
    found = changes(drawn(light, 0, 9)(clean()), monkeypatch)  # type: ignore[arg-type]
    assert np.median(found) > 2.0
