"""A module file under which ``measure`` gives next to nothing: ``check`` stops, and names the figure that is wrong.

On a rendered flight through a lens that bends the picture and a shutter that rolls, and on a recording with real pictures
where there is one (:mod:`tests.outside.carried`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import cast

import numpy as np
import pytest

from calib.fitness import Fitness, check_recording
from calib.fitness.sample import MOST_REFUSED, Sampler, planned_sample
from flow import scene
from flow.measure import measure
from flow.module import Module
from flow.recording import Recording, open_recording
from flow.row import REASONS
from tests.calib.fitness.memory_flight import MemoryFlight, fly
from tests.outside.carried import FOLDER, needs_carried

DURATION_S = 6.0
LATE_S = 0.05


def _camera(module: Module, **keys: object) -> Module:
    return module.model_copy(update={"camera": module.camera.model_copy(update=keys)})


def late(module: Module) -> Module:
    alignment = module.alignment
    moved = alignment.model_copy(update={"time_offset_s": alignment.time_offset_s + LATE_S})
    return module.model_copy(update={"alignment": moved})


def longer(module: Module) -> Module:
    return _camera(module, fx_px=1.46 * module.camera.fx_px, fy_px=1.46 * module.camera.fy_px)


def straight(module: Module) -> Module:
    return _camera(module, distortion=(0.0,) * 5)


def global_shutter(module: Module) -> Module:
    return _camera(module, readout_s=0.0)


WRONG: dict[str, Callable[[Module], Module]] = {
    "clock offset": late,
    "focal length": longer,
    "distortion": straight,
    "readout": global_shutter,
}


@pytest.fixture(scope="module")
def flight() -> MemoryFlight:
    """Fly forward in strong gusts, that rock by 5 degrees RMS."""
    preset = scene.preset_module("small")
    bent = _camera(preset, distortion=(-0.35, 0.15, 0.0, 0.0, 0.0), readout_s=0.018)
    motion = scene.straight(DURATION_S, height_m=0.8, speed_m_s=0.5) + scene.gusts(DURATION_S, seed=3, strength=3.0)
    return fly(motion, module=bent, seed=2)


def assert_named(found: Fitness, figure: str) -> None:
    (stop,) = [finding for finding in found.findings if finding.severity == "stop"]
    assert not found.fit
    assert stop.figure == figure, stop
    refused, rows = found.facts["flight"]["sample_refused"], found.facts["flight"]["sample_rows"]
    assert f"measure refuses {100 * int(refused or 0) / int(rows or 1):.0f} % of a sample of {rows} rows" in stop.what
    assert "as gyro_disagrees" in stop.what
    # Nothing that is innocent is accused beside it, and whatever else is printed as found is what the file says.
    assert not [f for f in found.findings if f.figure and f is not stop], found.findings
    others = [e for e in found.estimates if e.quantity != figure and e.sigmas is not None]
    assert all(e.sigmas is not None and abs(e.sigmas) < 4 for e in others), others


def test_a_module_that_is_right_is_measured(flight: MemoryFlight) -> None:
    found = check_recording(cast("Recording", flight))
    assert found.fit
    assert not [finding for finding in found.findings if finding.figure]
    assert found.facts["flight"]["sample_refused"] == 0


@pytest.mark.parametrize("figure", WRONG)
def test_the_figure_that_measure_stumbles_over_is_named(figure: str, flight: MemoryFlight) -> None:
    found = check_recording(cast("Recording", replace(flight, module=WRONG[figure](flight.module))))
    assert_named(found, figure)
    (estimate,) = [e for e in found.estimates if e.quantity == figure] or [None]
    true = {"clock offset": 0.006, "focal length": flight.module.camera.fx_px, "readout": 0.018}
    if figure in true:
        assert estimate is not None and estimate.by_flight is not None and estimate.sigma is not None
        assert abs(estimate.by_flight - true[figure]) < 4 * estimate.sigma, estimate


def test_the_sample_is_what_measure_gives(flight: MemoryFlight) -> None:
    """The same code over the same frames: row by row the same status."""
    video = flight.video()
    short = replace(flight, frames=replace(flight.frames, frames=list(video)[:46]))
    sampler = Sampler(short.video().times_s, video.width_px * video.height_px)
    for frame in short.video():
        sampler.add(frame)
    for module in (flight.module, longer(flight.module)):
        recording = cast("Recording", replace(short, module=module))
        statuses = [result.row.status for result in measure(recording, positions=False)]
        sample = sampler.measured(recording)
        assert sample.rows == len(statuses) == 45
        assert sample.refused == {word: statuses.count(word) for word in set(statuses) - {"ok"}}
    assert sample.refused_share > MOST_REFUSED


def test_a_sample_is_bounded() -> None:
    """However long the flight and however large its pictures: three stretches, away from both ends."""
    for frames, frame_px in ((100_000, 640 * 480), (2000, 4096 * 3072), (50, 640 * 480), (2, 16)):
        parts = planned_sample(frames, frame_px)
        kept = {index for part in parts for index in range(part.start, part.stop)}
        assert 2 <= len(kept) <= 138
        assert len(kept) * frame_px <= max(60_000_000, 6 * frame_px)
        assert max(kept) < frames
    first = planned_sample(100_000, 640 * 480)
    assert [round((part.start + part.stop) / 2 / 100_000, 3) for part in first] == [0.167, 0.5, 0.833]


def test_gyro_disagrees_names_what_to_look_at() -> None:
    words = REASONS["gyro_disagrees"]
    assert all(
        word in words for word in ("axes", "signs", "clock", "mounting", "focal length", "distortion", "readout")
    )


@pytest.fixture(scope="module")
def real() -> Recording:
    return open_recording(FOLDER)


@needs_carried
def test_a_real_recording_is_fit(real: Recording) -> None:
    found = check_recording(real)
    assert found.fit, found.findings
    assert not [finding for finding in found.findings if finding.figure], found.findings


@needs_carried
@pytest.mark.parametrize("figure", WRONG)
def test_the_figure_is_named_on_a_real_recording(figure: str, real: Recording) -> None:
    module = WRONG[figure](real.module)
    assert module != real.module, "the recording's own module file lacks what is to be taken away"
    found = check_recording(replace(real, module=module))
    assert_named(found, figure)
    by_flight = {e.quantity: (e.by_flight, e.sigma) for e in found.estimates}
    true = {
        "clock offset": real.module.alignment.time_offset_s,
        "focal length": real.module.camera.fx_px,
        "readout": real.module.camera.readout_s,
    }
    if figure in true:
        value, sigma = by_flight[figure]
        assert value is not None and sigma is not None
        assert abs(value - true[figure]) < 4 * sigma
    else:
        # Two terms stand for all that the lens has: near the first of them.
        (k1,) = [float(f.what.split("k1 ")[1].split()[0]) for f in found.findings if f.figure == figure]
        assert abs(k1 - real.module.camera.distortion_terms[0]) < 0.2 * np.abs(real.module.camera.distortion_terms[0])
