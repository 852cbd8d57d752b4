"""Choosing views: from a video the moments in which the board holds still, from a folder the files that serve."""

import re

import av
import cv2
import numpy as np
import pytest
from PIL import Image

from calib.boards import parse_board
from calib.frames import LeftOut, stills
from calib.lens import calibrate_lens
from calib.views import edge_width_px, pick_views
from flow.errors import DataError
from tests.calib.board_scenes import PINHOLE, Renderer, random_pose

BOARD = parse_board("chessboard:7x5:0.03")
SMALL = (320, 240)
LENS = PINHOLE * np.array([0.5, 0.5, 0.5, 0.5, 1, 1, 1, 1, 1])
HOLD, MOVE, HOLDS = 10, 8, 7
STEP_PX = 3.0


def write_video(path, pictures):
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=30)
        stream.width, stream.height, stream.pix_fmt = *SMALL, "gray"
        for picture in pictures:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="gray")))
        container.mux(stream.encode(None))


@pytest.fixture(scope="module")
def video(tmp_path_factory):
    """Seven poses held for 10 frames each, 8 frames of motion after each, then a board that glides 3 px a frame."""
    rng = np.random.default_rng(30)
    renderer = Renderer("pinhole", LENS, SMALL)
    tilts = [(20, 40)] * HOLDS
    poses = [in_small(rng, tilt) for tilt in tilts]

    def picture(pose):
        return renderer.render(BOARD, pose, rng, noise=0.0).astype(float)

    frames, held = [], []
    for i, pose in enumerate(poses):
        held += range(len(frames), len(frames) + HOLD)
        frames += [picture(pose)] * HOLD
        target = poses[(i + 1) % HOLDS]
        frames += [picture(pose + (target - pose) * (k + 1) / (MOVE + 1)) for k in range(MOVE)]
    glide = poses[0].copy()
    for _ in range(16):
        glide[3] += STEP_PX * glide[5] / LENS[0]
        frames.append(picture(glide))
    noisy = [np.clip(np.rint(f + rng.normal(0, 1.5, f.shape)), 0, 255).astype(np.uint8) for f in frames]
    folder = tmp_path_factory.mktemp("video")
    write_video(folder / "video.mkv", noisy)
    return folder, set(held), len(frames)


def in_small(rng, tilt_deg):
    """Draw a pose near the middle, so that the glide stays in the picture."""
    while True:
        pose = random_pose(rng, BOARD, "pinhole", PINHOLE, tilt_deg=tilt_deg, distance=(0.55, 0.8), border_px=30)
        # Turns below half a turn: the motion between two poses then stays short.
        if np.linalg.norm(pose[:3]) < 1.2:
            return pose


def test_a_video_gives_the_moments_in_which_the_board_holds_still(video):
    folder, held, count = video
    picked = pick_views(folder / "video.mkv", BOARD)
    chosen = {int(view.name.removeprefix("frame ")) for view in picked.views}
    assert chosen <= held
    assert len(chosen) >= HOLDS - 1
    assert all(view.motion_px < 0.3 for view in picked.views)
    assert picked.size_px == SMALL
    # One a hold: the others of the same hold are near copies.
    assert len({frame // (HOLD + MOVE) for frame in chosen}) == len(chosen)
    said = {int(out.name.removeprefix("frame ")): out.reason for out in picked.left_out}
    gliding = [reason for frame, reason in said.items() if frame > count - 16]
    speeds = [float(re.search(r"moves ([\d.]+) px a frame", reason)[1]) for reason in gliding]
    assert speeds
    # The median over corners at different depths of a tilted board; 3 px at its first point.
    np.testing.assert_allclose(speeds, STEP_PX, rtol=0.2)


def test_a_recording_folder_counts_as_its_video(video):
    folder, _, _ = video
    found = calibrate_lens(folder, BOARD, "pinhole")
    z = (found.fx_px - LENS[0]) / found.fx_sigma_px, (found.fy_px - LENS[1]) / found.fy_sigma_px
    assert np.abs(z).max() < 3.3
    np.testing.assert_allclose([found.fx_px, found.fy_px], LENS[:2], rtol=0.01)


def test_progress_is_told(video):
    folder, _, _ = video
    told = []
    pick_views(folder / "video.mkv", BOARD, told.append)
    assert told[-1] == "finding the board: 100%"


def test_pictures_are_not_turned_by_their_tags(tmp_path):
    picture = Image.fromarray(np.tile(np.arange(64, dtype=np.uint8), (48, 1)))
    tags = Image.Exif()
    tags[0x0112] = 6  # orientation: turn by 90 degrees to show
    picture.save(tmp_path / "a.jpg", exif=tags)
    (still,) = stills(tmp_path)
    assert still.grey.shape == (48, 64)


def test_unreadable_pictures_are_named(tmp_path):
    cv2.imwrite(str(tmp_path / "b.png"), np.zeros((48, 64), np.uint8))
    (tmp_path / "a.png").write_bytes(b"no picture")
    broken, whole = stills(tmp_path)
    assert isinstance(broken, LeftOut)
    assert (broken.name, whole.name) == ("a.png", "b.png")


def test_a_file_that_is_no_video(tmp_path):
    path = tmp_path / "a.mp4"
    path.write_bytes(b"no video")
    with pytest.raises(DataError, match=r"a\.mp4"):
        list(stills(path))


@pytest.mark.parametrize("smear", [(1, 1), (15, 1), (1, 15)])
def test_edge_width_sees_motion_in_any_direction(smear):
    # A sharp board has edges of the blur's own width: a Gaussian of 0.8 px has contrast over slope sqrt(2 pi)
    # 0.8 = 2.0 px, seen through Sobel's 2 px. Smeared over 15 px, one way only, the edge across it becomes a
    # 15 px ramp.
    x, y = np.meshgrid(np.arange(200) // 25, np.arange(200) // 25)
    picture = cv2.GaussianBlur(np.where((x + y) % 2, 205, 40).astype(np.uint8), (0, 0), 0.8)
    smeared = cv2.blur(picture, smear)
    width = edge_width_px(smeared, np.array([[25.0, 25], [175, 25], [175, 175], [25, 175]]))
    assert 1.5 < width < 3.5 if smear == (1, 1) else 8 < width < 17
