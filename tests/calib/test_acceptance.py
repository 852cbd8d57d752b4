"""Acceptance: the speed error in closed form against an exact camera, verdicts, and what moved."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib.acceptance import accept
from calib.limits import Limits, read_limits
from calib.speed_error import CRUISE, HOVER, Flight, speed_error
from flow.error_sources import ErrorSource
from flow.errors import DataError
from flow.module import Module, PartialModule

NONE = [0.0, 0.0, 0.0]
PROVENANCE = {"when": "2026-05-04T08:00:00+00:00", "sha256": "ab" * 32}
SECTIONS = {
    "name": "fern-03",
    "camera": {
        "width_px": 640, "height_px": 480, "fx_px": 530.0, "fy_px": 530.0, "cx_px": 320.0, "cy_px": 240.0,
        "sigma": {"fx_px": 0.53, "fy_px": 0.53, "cx_px": 1.0, "cy_px": 1.0},
        "provenance": {**PROVENANCE, "rms_px": 0.2},
    },
    "alignment": {
        "sigma": {
            "camera_to_body_rad": [1e-3, 1e-3, 2e-3], "time_offset_s": 2e-4, "camera_position_m": [1e-3] * 3,
        },
        "provenance": PROVENANCE,
    },
    "gyro": {
        "bias_rad_s": [0.01, -0.02, 0.005],
        "noise_rad_s_rthz": [1e-4, 2e-4, 1e-4],
        "bias_instability_rad_s": [3e-5, 3e-5, 3e-5],
        "sigma": {"bias_rad_s": [2e-4, 3e-4, 2e-4]},
        "provenance": PROVENANCE,
    },
    "range": {
        "scale": 1.01, "offset_m": -0.02, "noise_m": 0.005, "assumed_air_temperature_c": 20.0,
        "sigma": {"scale": 2e-3, "offset_m": 3e-3},
        "provenance": {**PROVENANCE, "residual_m": 0.004},
    },
}  # fmt: skip


def module(kind=PartialModule, **changed):
    """Give the module above with some keys of its sections replaced."""
    tree = {name: dict(part) if isinstance(part, dict) else part for name, part in SECTIONS.items()}
    for section, keys in changed.items():
        tree[section] = tree[section] | keys if keys is not None else None
    return kind.model_validate({k: v for k, v in tree.items() if v is not None})


def bare(**keys):
    """Give a module whose sigmas are all zero but those given as section__key."""
    parts = {
        "camera": {"sigma": {"fx_px": 0.0, "fy_px": 0.0}},
        "alignment": {"sigma": {"camera_to_body_rad": NONE, "time_offset_s": 0.0, "camera_position_m": NONE}},
        "gyro": {"noise_rad_s_rthz": 0.0, "bias_instability_rad_s": None, "sigma": {"bias_rad_s": NONE}},
        "range": {"noise_m": 0.0, "sigma": {"scale": 0.0, "offset_m": 0.0}},
    }
    for name, value in keys.items():
        section, key = name.split("__")
        own = key in ("noise_m", "assumed_air_temperature_c") or key.startswith("noise_rad")
        where = parts[section] if own else parts[section]["sigma"]
        where[key] = value
    return module(Module, **parts)


STEP_S = 1 / 30


def exact_errors(
    flight, height, *, focal=0.0, turn=(0, 0, 0), height_error=0.0, late_s=0.0, gyro=(0, 0, 0), arm=(0, 0, 0)
):
    """RMS over the rocking of (forward, right) speed errors of an exact small-field camera that looks down.

    Ground points are turned and moved exactly over one frame; the velocity is solved from the two linear
    equations a ray gives, with one thing believed wrong. No closed form of ours is used.
    """
    grid = np.linspace(-0.05, 0.05, 5)
    rays = np.array([(x, y, 1.0) for x in grid for y in grid])
    velocity, errors = np.array([flight.speed_m_s, 0.0, 0.0]), []
    peak = flight.rocking_rad * 2 * math.pi * flight.rocking_hz
    for phase in np.arange(12) / 12 * 2 * math.pi:

        def rate(t, phase=phase):  # roll a quarter turn behind pitch
            angle = 2 * math.pi * flight.rocking_hz * t + phase
            return peak * np.array([math.cos(angle), math.sin(angle), 0.0])

        turned = Rotation.from_rotvec(rate(0.0) * STEP_S)  # body at the second frame, from the first
        seen = turned.inv().apply(rays * height - velocity * STEP_S)
        seen /= seen[:, 2:]
        wrong = np.array([1 + focal, 1 + focal, 1.0])
        mounted = Rotation.from_rotvec(turn)
        believed_rays, believed_seen = mounted.apply(rays * wrong), mounted.apply(seen * wrong)
        believed = Rotation.from_rotvec((rate(late_s) + np.array(gyro)) * STEP_S)
        errors.append(
            solved(believed_rays, believed.apply(believed_seen), height + height_error)
            - velocity
            + np.cross(rate(0.0), arm)
        )
    return np.sqrt(np.mean(np.square(errors), axis=0))[:2]


def solved(first, second, height):
    """Least squares of ``(P - v t) x ray = 0`` over all rays, P on a level ground."""
    points = first * (height / first[:, 2:])
    rows, target = [], []
    for p, b in zip(points, second / second[:, 2:], strict=True):
        rows += [(STEP_S, 0, -STEP_S * b[0]), (0, STEP_S, -STEP_S * b[1])]
        target += [p[0] - p[2] * b[0], p[1] - p[2] * b[1]]
    return np.linalg.lstsq(np.array(rows), np.array(target))[0]


BOTH = Flight(name="both", speed_m_s=1.5, rocking_rad=math.radians(3), rocking_hz=1.0)


@pytest.mark.parametrize("flight", [HOVER, CRUISE, BOTH], ids=lambda f: f.name)
@pytest.mark.parametrize(
    ("cause", "keys", "wrong"),
    [
        ("focal_length", {"camera__fx_px": 5.3, "camera__fy_px": 5.3}, {"focal": 0.01}),
        ("range", {"range__scale": 0.02}, {"height_error": 0.04}),
        # 10 K of 293.15 K, half as much in the speed of sound.
        ("air", {"range__assumed_air_temperature_c": None}, {"height_error": 2.0 * 0.5 * 10 / 293.15}),
        ("range", {"range__offset_m": 0.03}, {"height_error": 0.03}),
        ("height", {"range__noise_m": 0.03}, {"height_error": 0.03}),
        ("mounting", {"alignment__camera_to_body_rad": [0, 0, 0.01]}, {"turn": (0, 0, 0.01)}),
        ("clock", {"alignment__time_offset_s": 1e-3}, {"late_s": 1e-3}),
        ("gyro_bias", {"gyro__bias_rad_s": [0.002, 0.003, 0]}, {"gyro": (0.002, 0.003, 0)}),
        ("lever_arm", {"alignment__camera_position_m": [0, 0, 0.01]}, {"arm": (0, 0, 0.01)}),
    ],
)
def test_closed_form_agrees_with_an_exact_camera(flight, cause, keys, wrong):
    height = 2.0
    found = speed_error(bare(**keys), flight, height).parts_m_s
    # First order in errors of a per cent, a field of 3 degrees, turns of 0.6 degrees a frame: 2 per cent; the
    # second order of a turn of 0.01 rad is 1e-4 of 2 m/s.
    assert found[cause] == pytest.approx(exact_errors(flight, height, **wrong), rel=0.02, abs=2e-4)
    assert all(part == (0.0, 0.0) for other, part in found.items() if other != cause)


def test_turns_about_the_level_axes_do_not_matter_to_level_speed():
    """Only the turn about the optical axis counts: the others are of second order, 1e-4 of speed."""
    for turn in ((0.01, 0, 0), (0, 0.01, 0)):
        assert exact_errors(CRUISE, 2.0, turn=turn).max() < 2e-4 * CRUISE.speed_m_s


def test_gyro_noise_is_averaged_over_a_frame():
    """White noise of density N averaged over t: N / sqrt(t), here drawn; 20000 draws know it to 0.5 %."""
    rng = np.random.default_rng(0)
    inside = rng.normal(0, 1e-3 / math.sqrt(STEP_S / 8), (20000, 8)).mean(axis=1)
    found = speed_error(bare(gyro__noise_rad_s_rthz=1e-3), HOVER, 2.0, 1 / STEP_S).parts_m_s["gyro_noise"]
    assert found == pytest.approx([2.0 * inside.std()] * 2, rel=0.02)


def test_bias_instability_counts_when_the_sigma_forgets_it():
    m = module(Module, gyro={"bias_instability_rad_s": [0.0, 1e-3, 0.0]})
    # Pitch drives forward: the floor 0.664 B (IEEE Std 952) is above its sigma of 3e-4; roll keeps its 2e-4.
    assert speed_error(m, HOVER, 2.0).parts_m_s["gyro_bias"] == pytest.approx((2 * 0.664e-3, 4e-4), rel=1e-3)


def test_total_is_the_root_sum_of_squares_of_the_worse_axis():
    found = speed_error(module(Module), HOVER, 1.0)
    totals = [math.sqrt(sum(part[k] ** 2 for part in found.parts_m_s.values())) for k in (0, 1)]
    assert found.total_m_s == pytest.approx(max(totals))
    assert found.largest is ErrorSource.GYRO_NOISE  # pitch 2e-4 sqrt(30) = 1.1 mm/s


def test_a_good_module_passes():
    verdict = accept(module())
    assert verdict.passed and verdict.guessed == ()
    assert {check.section for check in verdict.checks} == {"camera", "alignment", "gyro", "range", "speed"}
    assert len(verdict.speed_errors) == 8
    assert all(check.why and not check.remedy for check in verdict.checks)


SURE = {"camera_to_body_rad": [1e-3, 1e-3, 1e-3]}
BREAKS = {
    "focal length, one-sigma": ("camera", {"sigma": {"fx_px": 5.0, "fy_px": 5.0}}),
    "principal point, one-sigma": ("camera", {"sigma": {"fx_px": 0.5, "fy_px": 0.5, "cx_px": 4.0}}),
    "lens residual": ("camera", {"provenance": {**PROVENANCE, "rms_px": 0.9}}),
    "mounting, one-sigma": ("alignment", {"sigma": {"camera_to_body_rad": [5e-3, 1e-3, 1e-3]}}),
    "camera clock, one-sigma": ("alignment", {"sigma": {**SURE, "time_offset_s": 2e-3}}),
    "camera position, one-sigma": ("alignment", {"sigma": {**SURE, "camera_position_m": [0.02, 0, 0]}}),
    "largest bias": ("gyro", {"bias_rad_s": [0.0, -0.2, 0.0]}),
    "bias, one-sigma": ("gyro", {"sigma": {"bias_rad_s": [2e-3, 0, 0]}}),
    "noise": ("gyro", {"noise_rad_s_rthz": 1e-3}),
    "bias instability": ("gyro", {"bias_instability_rad_s": [0, 0, 1e-3]}),
    "scale away from 1": ("range", {"scale": 0.93}),
    "scale, one-sigma": ("range", {"sigma": {"scale": 0.02}}),
    "air unknown, one-sigma": ("range", {"assumed_air_temperature_c": None}),
    "offset either way": ("range", {"offset_m": -0.2}),
    "offset, one-sigma": ("range", {"sigma": {"scale": 2e-3, "offset_m": 0.03}}),
    "noise of a reading": ("range", {"noise_m": 0.06}),
    "farthest from a straight line": ("range", {"provenance": {**PROVENANCE, "residual_m": 0.05}}),
}


@pytest.mark.parametrize("quantity", BREAKS)
def test_each_limit_can_fail_and_says_the_remedy(quantity):
    section, keys = BREAKS[quantity]
    verdict = accept(module(**{section: keys}))
    failed = [check for check in verdict.checks if not check.passed and check.section != "speed"]
    assert [(check.section, check.quantity) for check in failed] == [(section, quantity)]
    assert failed[0].remedy and failed[0].value > failed[0].limit
    assert not verdict.passed


def test_speed_limits_name_the_cause():
    verdict = accept(module(range={"noise_m": 0.045}))
    failed = [check for check in verdict.checks if not check.passed]
    # 45 mm at 0.5 m are 9 % of 2 m/s: 180 mm/s against 80.
    assert failed[0].section == "speed" and failed[0].value == pytest.approx(180, rel=0.01)
    assert "range" in failed[0].remedy


@pytest.mark.parametrize("section", ["camera", "alignment", "gyro", "range"])
@pytest.mark.parametrize("lacks", ["sigma", "provenance", "section"])
def test_a_section_never_calibrated_fails(section, lacks):
    tree = {k: dict(v) if isinstance(v, dict) else v for k, v in SECTIONS.items()}
    tree.pop(section) if lacks == "section" else tree[section].pop(lacks)
    verdict = accept(PartialModule.model_validate(tree))
    never = [check for check in verdict.checks if check.quantity == "never calibrated"]
    assert [check.section for check in never] == [section]
    assert never[0].remedy.startswith("groundpace calibrate") and not verdict.passed
    assert verdict.guessed == (section,)
    assert bool(verdict.speed_errors) == (section != "camera" or lacks != "section")


def test_a_bias_or_readout_from_the_alignment_is_no_calibration_of_its_section():
    """`calibrate alignment` writes both, with their own provenance; lens and noise are still unknown then."""
    found = accept(
        module(
            gyro={"provenance": {"bias_when": "2026-05-04T08:00:00+00:00"}},
            camera={"sigma": {"readout_s": 1e-4}, "provenance": {"readout_when": "2026-05-04T08:00:00+00:00"}},
        )
    )
    never = {check.section: check.why for check in found.checks if check.quantity == "never calibrated"}
    assert set(never) == {"gyro", "camera"}
    assert "lacks provenance" in never["gyro"] and "lacks sigma and provenance" in never["camera"]


def test_limits_come_from_a_file(tmp_path):
    path = tmp_path / "limits.yaml"
    path.write_text("focal_length_sigma: 0.0005  # half a per mille\nheights_m: [1, 6]\n")
    limits = read_limits(path)
    verdict = accept(module(), limits)
    assert [check.quantity for check in verdict.checks if not check.passed] == ["focal length, one-sigma"]
    assert {error.height_m for error in verdict.speed_errors} == {1.0, 6.0}
    assert limits.mounting_sigma_deg == Limits().mounting_sigma_deg


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("focal_sigma: 1\n", "focal_sigma: unknown limit"),
        ("range_noise_m: -1\n", "range_noise_m: Input should be greater than 0"),
        ("range_noise_m: much\n", "range_noise_m"),
        ("- 1\n", "expected lines"),
        ("a: [1\n", "not valid YAML"),
    ],
)
def test_bad_limits(tmp_path, text, words):
    path = tmp_path / "limits.yaml"
    path.write_text(text)
    with pytest.raises(DataError, match=r"limits\.yaml") as error:
        read_limits(path)
    assert words in str(error.value)
