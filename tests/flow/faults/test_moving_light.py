"""Light that moves by itself over the ground; synthetic flights with exact truth."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path
from typing import cast

import numpy as np
import pytest

from flow.faults.moving_light import MovingLight
from flow.faults.standing_grain import StandingGrain
from flow.measure import measure
from flow.pair.search import Found, NotFound, Search
from flow.recording import Recording
from flow.scene import Ground, textures
from flow.scene.encode import Codec, Encoding, write_video
from flow.scene.ground import make_layer
from flow.video import Video
from tests.flow.flights import Flight, flight, gusty, measured
from tests.flow.spoils import drawn, leaf_shadows


def soil(contrast: float, grain_m: float) -> Flight:
    """Pass over soil of so many grey levels, whose finest grain is so wide; a pixel shows 5 mm."""
    cloud = textures.cloud(512, 1e-3, grain_m, 0.03, np.random.default_rng(8))
    ground = Ground(name="soil", mean_levels=90.0, layers=(make_layer(contrast * cloud, 1e-3),))
    return flight(gusty(2.0, 0.7, 0.5), ground=ground, frame_rate_hz=50, seed=8)


@pytest.mark.parametrize(("contrast", "grain_m"), [(9, 0.008), (14, 0.004)])
def test_shadows_of_leaves_do_not_carry_the_speed_away(contrast: float, grain_m: float) -> None:
    # Exact truth, every row. A shadow's edge changes by 22 grey levels; followed as if it were ground it takes the speed
    # 0.07 to 0.1 m/s along (RMS, measured), beyond its band in most rows.
    found = measured(drawn(leaf_shadows(0.25), 0, 9)(soil(contrast, grain_m)))
    assert set(found.status) == {"ok"}
    assert (np.abs(found.error_m_s) <= np.maximum(4 * found.sigma_m_s, 0.02)).all()
    assert (np.sqrt(np.mean(np.square(found.error_m_s[:, :2]), axis=0)) < 0.03).all()


@pytest.mark.parametrize("codec", ["lossless", "mjpeg", "h264"])
def test_light_that_rests_is_not_accused(codec: Codec, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # By construction no light moves. Pictures freed of it cost precision: they must not be taken without need.
    seen: list[bool] = []
    find = MovingLight.find

    def watched(self: MovingLight, *args: object) -> object:
        found = find(self, *args)  # type: ignore[arg-type]
        seen.append(self.moves)
        return found

    monkeypatch.setattr(MovingLight, "find", watched)
    flown, encoding = soil(14, 0.004), Encoding(codec=codec)
    write_video(tmp_path / encoding.file_name, flown.frames, encoding, 50)
    found = measured(replace(flown, frames=list(Video(tmp_path / encoding.file_name))))
    assert len(seen) >= len(found.rows)
    assert not any(seen)


@pytest.mark.parametrize(("end_s", "often"), [(0.7, False), (9.0, True)])
def test_a_moment_of_moving_light_says_nothing_for_the_rest(
    end_s: float, often: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # By construction: shadows sway for 0.4 s of 2, or from then on. Rows without them lose by being freed of them, and out of
    # focus there is nothing else in them to be found.
    seen, find = list[MovingLight](), MovingLight.find
    moved: list[bool] = []

    def watched(self: MovingLight, *args: object) -> object:
        found = find(self, *args)  # type: ignore[arg-type]
        seen.append(self)
        moved.append(self.moves)
        return found

    monkeypatch.setattr(MovingLight, "find", watched)
    list(
        measure(
            cast("Recording", drawn(leaf_shadows(0.25), 0.3, end_s)(soil(9, 0.008))), positions=False, first_pass=False
        )
    )
    assert any(moved)
    assert seen[-1].often_moves == often


def test_grain_is_followed_where_plain_pictures_hold_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    # By construction, as bands of a lamp on mains do to faint soil: after a while nothing is found in plain pictures.
    begin = MovingLight.__init__

    def blinded(self: MovingLight, plain: Search, *args: object, **keys: object) -> None:
        find, calls = plain.find, itertools.count()

        def nothing_later(*pair: object) -> Found | NotFound:
            found = find(*pair)  # type: ignore[arg-type]
            return found if next(calls) < 40 else NotFound(matches=found.matches, reason="no_texture")

        monkeypatch.setattr(plain, "find", nothing_later)
        begin(self, plain, *args, **keys)  # type: ignore[arg-type]

    monkeypatch.setattr(MovingLight, "__init__", blinded)
    rows = [r.row for r in measure(cast("Recording", soil(14, 0.004)), positions=False, first_pass=False)]
    assert [row.status for row in rows].count("no_texture") <= 4  # so many before it is believed
    assert {row.status for row in rows[-40:]} == {"ok"}


@pytest.mark.parametrize("share", [0.0, 0.1, 0.4])
def test_grain_that_stands_is_told_by_its_share(share: float) -> None:
    # Closed form: of pictures whose grain is new but for a share of the variance that stands, a mean keeps that share.
    # Rounding to whole levels adds 1/12 to a variance of 400; 160 x 60 pixels tell a variance to 1.4 %.
    rng = np.random.default_rng(2)
    stands, grain = rng.normal(0, 20, (120, 160)), StandingGrain()
    for _ in range(40):
        picture = 128 + np.sqrt(share) * stands + np.sqrt(1 - share) * rng.normal(0, 20, stands.shape)
        grain.add(np.clip(np.rint(picture), 0, 255).astype(np.uint8))
    assert grain.share == pytest.approx(share * (1 - 1 / 39), abs=0.02)
    assert StandingGrain().share == 0.0
