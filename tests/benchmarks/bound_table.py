"""Print how near the Cramer-Rao bound blocks and tracks come, and what they cost; run it, it is not a test.

    python -m tests.benchmarks.bound_table [TEXTURE ...] [--pairs 60] [--flights 4]

TEXTURE is a photograph of scikit-image or @ and a floor of ours; without any, those on which nothing was tuned. Two grey
levels of noise. Columns: error over the bound for a pure shift and with everything (0.3 degrees, 0.3 % and 1 % of light a
frame, leaning 3 to 8 degrees, lens, rolling rows); worst sub-pixel bias; error of the mean speed at a steady 0.1 and 0.25
px a frame. Times are of one thread, methods side by side in one process: median of a frame.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable
from functools import partial

import cv2
import numpy as np

from flow import scene
from flow.pair.search import Search
from flow.scene.ground import picture_ground
from tests.outside.bound_trials import (
    LEARNING,
    NOISE,
    OTHERS,
    SIZES,
    Pair,
    Shifted,
    creep_error,
    errors,
    flown_pairs,
    full_model,
    over_bound,
    searches,
    subpixel_bias_px,
    texture,
)

PRESETS = {(320, 240): "small", (640, 480): "large"}
METHODS = ("blocks", "tracks")
STAGES = """Median time of a frame; ratio: median of blocks over the other, frame by frame, blocks from 0.22 px off.
  blocks, tracks  the new picture made ready (the one before is), all rounds of the search, velocity and covariance solved
  OpenCV          goodFeaturesToTrack for 200 corners, calcOpticalFlowPyrLK (pyramids of both pictures); nothing solved
  there and back  the same and calcOpticalFlowPyrLK a second time as a check; nothing solved"""


def bare_tracks(pair: Pair, *, back: bool) -> None:
    """Lucas-Kanade as OpenCV gives it: 200 corners, 21 px windows, 4 levels; and ``back`` again as a check, as is common."""
    points = cv2.goodFeaturesToTrack(pair.first, 200, 0.01, 8)
    ends, _, _ = cv2.calcOpticalFlowPyrLK(pair.first, pair.second, points, None)
    if back:
        cv2.calcOpticalFlowPyrLK(pair.second, pair.first, ends, None)


def row(name: str, size: tuple[int, int], method: str, pairs: int, flights: int) -> str:
    """Measure one row of the table."""
    own = name.startswith("@")
    if own:
        ground, cells = scene.make_ground(name[1:], seed=77), ["-", "-", "-"]
    else:
        picture = texture(name)
        shifted = Shifted(picture, size)
        focal_px = shifted.module.camera.fx_px
        places = np.cumsum(np.random.default_rng(3).uniform(-1, 1, (LEARNING + pairs + 1, 2)), axis=0)
        shifts = shifted.pairs(places, NOISE, np.random.default_rng(1))
        cells = [f"{over_bound(errors(shifts, searches(shifted.module)[method], focal_px)):.2f}"]
        search = searches(shifted.module)[method]
        cells.append(f"{1000 * subpixel_bias_px(shifted, search):.2f}")
        cells.append(" ".join(f"{100 * creep_error(shifted, search, step):+.2f}" for step in (0.1, 0.25)))
        preset = scene.preset_module(PRESETS[size])
        # A pixel of the photograph is one of the picture from 1 m.
        ground = picture_ground(picture.astype(np.float32), picture.shape[1] / preset.camera.fx_px)
    found = []
    for seed in range(flights):
        spec = full_model(ground, PRESETS[size], seed)
        search = searches(spec.module)[method]
        found += errors(flown_pairs(spec, LEARNING + 12), search, spec.module.camera.fx_px)
    cells.insert(1, f"{over_bound(found):.2f}")
    bound = 1000 * np.sqrt(np.mean([np.square(e.bound_px) for e in found]))
    return f"{name:18s} {size[0]:4d} {method:7s} " + " ".join(f"{cell:>12s}" for cell in cells) + f" {bound:10.2f}"


def times(size: tuple[int, int], rounds: int = 40) -> str:
    """Time the motion stage of a frame: our blocks and tracks, solution included, and OpenCV's tracks at defaults."""
    shifted = Shifted(texture("coins"), size)
    places = np.cumsum(np.random.default_rng(3).uniform(-1, 1, (rounds + 1, 2)), axis=0)
    pairs = list(shifted.pairs(places, NOISE, np.random.default_rng(1)))
    px_per_m_s = shifted.module.camera.fx_px * (shifted.view.second_s - shifted.view.first_s)
    off_m_s = np.array([0.2, -0.1, 0.0]) / px_per_m_s

    def ours(search: Search, pair: Pair) -> object:
        return search.find(pair.first, pair.second, pair.view, pair.velocity_m_s + off_m_s)

    found = searches(shifted.module)
    ways: dict[str, Callable[[Pair], object]] = {name: partial(ours, found[name]) for name in METHODS}
    ways |= {"OpenCV": partial(bare_tracks, back=False), "OpenCV there and back": partial(bare_tracks, back=True)}
    spent: dict[str, list[float]] = {name: [] for name in ways}
    for pair in pairs:
        for name, way in ways.items():
            began = time.thread_time()
            way(pair)
            spent[name].append(1000 * (time.thread_time() - began))
    said = [f"blocks {statistics.median(spent['blocks']):.2f} ms"]
    for name in list(ways)[1:]:
        ratio = statistics.median(a / b for a, b in zip(spent["blocks"], spent[name], strict=True))
        said.append(f"{name} {statistics.median(spent[name]):.2f} ms (ratio {ratio:.2f})")
    return f"{size[0]} x {size[1]}: " + ", ".join(said)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("textures", nargs="*", default=OTHERS)
    parser.add_argument("--pairs", type=int, default=60)
    parser.add_argument("--flights", type=int, default=4)
    given = parser.parse_args()
    cv2.setNumThreads(1)
    print(STAGES)
    for size in SIZES:
        print(times(size), flush=True)
    print(f"{'texture':18s} {'size':4s} {'method':7s} ", end="")
    print(" ".join(f"{title:>12s}" for title in ("shift", "everything", "bias, mpx", "creep, %")), " bound, mpx")
    for name in given.textures:
        for size in SIZES:
            for method in METHODS:
                print(row(name, size, method, given.pairs, given.flights), flush=True)


if __name__ == "__main__":
    main()
