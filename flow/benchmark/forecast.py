"""What the error budget predicts for a synthetic run, summed up in a few figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flow import scene
from flow.benchmark.trial_flight import Flight
from flow.budget.image_noise import Texture, texture_of
from flow.budget.prediction import Cause, Kind, predict
from flow.budget.situation import in_view
from flow.registration.blocks import BlockMatcher
from flow.row import SpeedRow

_MID_GREY = 128.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """One-sigma of a row, of one axis (root of the mean square of both), m/s.

    ``scatter`` comes of random causes, which are all that a synthetic recording shows; ``forward`` and ``right`` are
    its two axes; ``main_cause`` makes up ``main_share`` of its variance. ``leftover`` is what the module file may have
    wrong by its own sigmas, ``leftover_cause`` the largest part of it. ``texture_levels_px`` is the rms gradient of the
    picture, grey levels a pixel.
    """

    scatter_m_s: float
    forward_m_s: float
    right_m_s: float
    main_cause: str
    main_share: float
    leftover_m_s: float
    leftover_cause: str
    texture_levels_px: float


def forecast(flight: Flight, rows: Sequence[SpeedRow]) -> Forecast | None:
    """Predict the error of a flight from how it went, the noise of its pictures and how much of them matched.

    None where nothing matched, or where the budget does not hold (see :func:`flow.budget.prediction.predict`).
    """
    spec, frames = flight.spec, flight.frames
    agree = [row.tracks * row.inlier_share for row in rows if row.inlier_share is not None]
    texture = _sharp_texture(spec, frames[len(frames) // 2].index)
    if texture is None or not agree:
        return None
    light = float(np.mean([frame.luma.mean() for frame in frames])) / _MID_GREY
    known = flight.in_words_of_the_budget()
    camera = spec.module.camera
    blocks = BlockMatcher(camera.width_px, camera.height_px).count
    conditions = replace(
        known,
        noise_levels=spec.noise_levels * float(np.sqrt(1 - spec.shot_share + spec.shot_share * light)),
        texture=texture,
        matched=min(float(np.median(agree)) / (blocks * in_view(spec.module, known)), 1.0),
    )
    try:
        budget = predict(spec.module, conditions)
    except ValueError:
        return None
    return _summary(budget.causes, texture)


def _sharp_texture(spec: scene.SceneSpec, index: int) -> Texture | None:
    """Texture of one frame without noise and without motion blur."""
    sharp = scene.render(replace(spec, exposure_s=0.0, noise_levels=0.0))
    return texture_of(sharp.frame(index).luma, 0.0)


def _summary(causes: Sequence[Cause], texture: Texture) -> Forecast:
    def some(kind: Kind) -> list[Cause]:
        return [cause for cause in causes if cause.kind == kind]

    random, systematic = some("random"), some("systematic")
    main, left = max(random, key=_square), max(systematic, key=_square)
    scatter = sum(map(_square, random))
    return Forecast(
        scatter_m_s=float(np.sqrt(scatter)),
        forward_m_s=float(np.hypot.reduce([cause.forward_m_s for cause in random])),
        right_m_s=float(np.hypot.reduce([cause.right_m_s for cause in random])),
        main_cause=main.name,
        main_share=_square(main) / scatter if scatter > 0 else 0.0,
        leftover_m_s=float(np.sqrt(sum(map(_square, systematic)))),
        leftover_cause=left.name,
        texture_levels_px=texture.gradient_levels_px,
    )


def _square(cause: Cause) -> float:
    return (cause.forward_m_s**2 + cause.right_m_s**2) / 2
