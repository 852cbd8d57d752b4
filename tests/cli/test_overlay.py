"""The overlay and the playable copy: true times, a format that browsers play, marks where they belong."""

from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from cli.main import main
from cli.overlay import Overlay, PlayableVideo
from flow import scene
from flow.errors import DataError
from flow.module import Module
from flow.result import FrameResult
from flow.row import LevelVelocity, NoVelocity, SpeedRow
from flow.tracks import Matches
from flow.video import Video

CAMERA = {"width_px": 160, "height_px": 120, "fx_px": 130.0, "fy_px": 130.0, "cx_px": 79.5, "cy_px": 59.5}
MODULE = Module.model_validate({"camera": CAMERA})
GREY = np.full((120, 160), 90, np.uint8)
SHOWN = 93  # grey 90 at video levels: 16 + 90 * 219 / 255 (ITU-R BT.601)


def result(forward_m_s: float = 0.0, right_m_s: float = 0.0, *, ok: bool = True) -> FrameResult:
    """One point that agrees at (40, 30), one that does not at (120, 90)."""
    velocity = LevelVelocity(
        forward_m_s=forward_m_s, right_m_s=right_m_s, down_m_s=0.0, covariance_m2_s2=np.diag([1e-6, 1e-6, 1e-6])
    )
    at = np.array([[40.0, 30.0], [120.0, 90.0]])
    return FrameResult(
        row=SpeedRow(
            time_s=1.0,
            interval_s=0.02,
            velocity=velocity if ok else NoVelocity(reason="contradictory"),
            height_m=1.0,
            height_sigma_m=0.01,
            tracks=2,
            inlier_share=0.5,
        ),
        matches=Matches(first_px=at, second_px=at, covariance_px2=np.zeros((2, 2, 2)), offered=3),
        used=np.array([True, False]),
        effects_m_s=None,
    )


def luma(forward_m_s: float = 0.0, right_m_s: float = 0.0, *, ok: bool = True) -> np.ndarray:
    planes = Overlay(MODULE).draw(GREY, result(forward_m_s, right_m_s, ok=ok))
    return planes[: planes.shape[0] * 2 // 3].copy()


def test_frame_times_are_the_recordings_own(tmp_path: Path) -> None:
    times = np.cumsum(np.random.default_rng(0).uniform(0.004, 0.09, 40)) + 17.0
    with PlayableVideo(tmp_path / "copy.mp4") as video:
        for time in times:
            video.write(time, GREY)
    # Stamps count 90 000 a second.
    np.testing.assert_allclose(Video(tmp_path / "copy.mp4").times_s, times - times[0], atol=0.51 / 90_000)
    with av.open(str(tmp_path / "copy.mp4")) as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.pix_fmt) == ("h264", "yuv420p")


def test_a_copy_looks_like_the_picture_and_odd_sizes_are_taken(tmp_path: Path) -> None:
    y, x = np.mgrid[:121, :161]
    picture = (128 + 127 * np.sin(x / 9) * np.cos(y / 7)).astype(np.uint8)
    with PlayableVideo(tmp_path / "copy.mp4", factor=10) as video:
        for k in range(5):
            video.write(0.02 * k, picture)
    frame = next(iter(Video(tmp_path / "copy.mp4")))
    assert frame.luma.shape == (122, 162)
    # At video levels (ITU-R BT.601), within what a gentle quantiser takes.
    assert np.abs(frame.luma[:121, :161] - (16 + picture * (219 / 255))).mean() < 3
    assert frame.luma.min() > 8 and frame.luma.max() < 243


def test_nothing_is_left_when_the_work_fails(tmp_path: Path) -> None:
    (tmp_path / "copy.mp4").write_bytes(b"older")
    with pytest.raises(DataError, match="stop"), PlayableVideo(tmp_path / "copy.mp4") as video:
        video.write(0.0, GREY)
        raise DataError("stop")
    assert [path.name for path in tmp_path.iterdir()] == ["copy.mp4"]
    assert (tmp_path / "copy.mp4").read_bytes() == b"older"


def test_marks_are_where_the_points_are_and_differ_in_shape() -> None:
    # Pixel centres: (40, 30) of a picture that is shown 4 times as large is at 4 * 40.5 - 0.5, 4 * 30.5 - 0.5.
    drawn = luma()[:480].astype(int) != SHOWN
    filled, hollow = drawn[118:126, 158:166], drawn[357:367, 477:487]
    assert filled[4, 4] and filled.sum() >= 9
    assert not hollow[4:6, 4:6].any() and hollow.sum() >= 16  # a square with nothing in its middle
    drawn[110:134, 150:174] = drawn[350:374, 470:494] = drawn[200:280, 280:360] = False
    assert not drawn.any()


@pytest.mark.parametrize(
    ("forward_m_s", "right_m_s", "way"), [(1, 0, (0, -1)), (-1, 0, (0, 1)), (0, 1, (1, 0)), (0, -1, (-1, 0))]
)
def test_the_arrow_points_where_the_craft_goes(forward_m_s: float, right_m_s: float, way: tuple[int, int]) -> None:
    more = luma(forward_m_s, right_m_s)[:480].astype(int) - luma(0.01, 0.0)[:480]
    bright = np.argwhere(more > 60)[:, ::-1] - [320, 240]
    centre = bright.mean(axis=0)
    # Nominal mounting: forward is up in the picture, right is right. 1 m/s is drawn 0.25 * 480 px long.
    assert centre @ way > 40 and abs(centre @ way[::-1]) < 4
    assert (bright @ way).max() == pytest.approx(120, abs=4)


def test_a_row_without_speed_has_no_arrow_and_says_so() -> None:
    with_speed, without = luma(1.0, 0.0), luma(ok=False)
    assert (without[140:340, 240:400] == SHOWN).all() and not (with_speed[140:340, 240:400] == SHOWN).all()
    assert without[480:].max() > 200  # words below
    assert (without[480:] != with_speed[480:]).any()


@pytest.mark.parametrize(("width", "times"), [(64, 10), (160, 4), (320, 2), (400, 2), (640, 1), (1280, 1)])
def test_small_pictures_are_shown_enlarged(width: int, times: int) -> None:
    # The least whole number that makes it 640 px wide: marks of 3 px and letters of 12 px hide nothing then.
    overlay = Overlay(Module.model_validate({"camera": CAMERA | {"width_px": width}}))
    planes = overlay.draw(np.full((120, width), 90, np.uint8), None)
    assert overlay.enlarged == times and planes.shape[1] == times * width
    assert (planes[: times * 120] == SHOWN).all()


def test_plus_minus_is_drawn_as_such(monkeypatch: pytest.MonkeyPatch) -> None:
    texts: list[str] = []
    put = cv2.putText
    monkeypatch.setattr(
        "cli.overlay.cv2.putText", lambda image, text, *rest: (texts.append(text), put(image, text, *rest))
    )
    with_speed = luma(1.0, 0.0)
    assert "+-" not in "".join(texts) and not any("?" in text or "±" in text for text in texts)
    assert texts.count("+") == 2  # one an axis, over a line of its own
    at = texts.index("+")
    x = 4 + cv2.getTextSize(texts[at - 1], cv2.FONT_HERSHEY_SIMPLEX, 0.5, 1)[0][0]
    plus = cv2.getTextSize("+", cv2.FONT_HERSHEY_SIMPLEX, 0.5, 1)[0][0]
    under = with_speed[480 + 17, round(x + 0.3 * plus) : round(x + 0.7 * plus)]
    assert (under > 180).all()


@pytest.fixture(scope="module")
def lossless(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a recording whose video no browser plays (lossless grey H.264), with uneven frame times."""
    folder = tmp_path_factory.mktemp("overlay") / "flight"
    motion = scene.straight(1.0, height_m=1.0, speed_m_s=0.3)
    spec = scene.SceneSpec(
        motion=motion, ground=scene.make_ground("gravel"), frame_rate_hz=20, frame_jitter_s=0.004, seed=5
    )
    scene.synthesize(folder, spec, scene.Encoding(codec="lossless"))
    return folder


def test_the_command_writes_both_videos_at_the_frame_times(lossless: Path, tmp_path: Path) -> None:
    arguments = ["measure", str(lossless), "--output", str(tmp_path / "out"), "--overlay"]
    finished = CliRunner().invoke(main, arguments)
    assert finished.exit_code == 0, finished.output
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names == {"speed.csv", "track.csv", "fused.csv", "summary.json", "review.html", "review.mp4", "overlay.mp4"}
    times = Video(lossless / "video.mp4").times_s
    for name in ("review.mp4", "overlay.mp4"):
        video = Video(tmp_path / "out" / name)
        np.testing.assert_allclose(video.times_s, times - times[0], atol=0.51 / 90_000)
        with av.open(str(video.path)) as container:
            assert container.streams.video[0].codec_context.pix_fmt == "yuv420p"
    assert Video(tmp_path / "out" / "overlay.mp4").height_px == 480 + 44


def test_truth_is_not_read_unless_it_is_named(lossless: Path, tmp_path: Path) -> None:
    truth = lossless / "truth.csv"
    before = truth.read_bytes()
    try:
        truth.write_text("this is no log\n", encoding="utf-8")
        quiet = CliRunner().invoke(main, ["measure", str(lossless), "--output", str(tmp_path / "a")])
        named = CliRunner().invoke(
            main, ["measure", str(lossless), "--output", str(tmp_path / "b"), "--reference", str(truth)]
        )
    finally:
        truth.write_bytes(before)
    assert quiet.exit_code == 0, quiet.output
    assert named.exit_code == 1 and "truth.csv" in named.output
    assert not (tmp_path / "b" / "speed.csv").exists() and not (tmp_path / "b" / "review.html").exists()


def test_a_damaged_video_leaves_nothing_behind(lossless: Path, tmp_path: Path) -> None:
    folder = tmp_path / "cut"
    folder.mkdir()
    for path in lossless.iterdir():
        if path.is_file():
            (folder / path.name).write_bytes(path.read_bytes())
    gyro = (folder / "gyro.csv").read_text(encoding="utf-8").splitlines()
    gyro[-2] = gyro[-2].replace(gyro[-2].split(",")[1], "x")
    (folder / "gyro.csv").write_text("\n".join(gyro) + "\n", encoding="utf-8")
    finished = CliRunner().invoke(main, ["measure", str(folder), "--output", str(folder / "out"), "--overlay"])
    assert finished.exit_code == 1 and "gyro.csv" in finished.output
    assert not (folder / "out").exists() or list((folder / "out").iterdir()) == []
