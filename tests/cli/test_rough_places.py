"""``groundpace`` where things are rough: killed, without a network, in odd places, given files that mean harm."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socketserver
import subprocess
import sys
import threading
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner

from cli.main import main
from flow.errors import DataError
from flow.intake.mapping import read_mapping
from flow.lens_files import read_lens_file
from flow.module import read_module, write_module
from flow.video import Video
from tests.cli.short_flight import ENVIRONMENT, held, measured, run, small_module

_KILLED = """
import os, signal, sys
import flow
import cli.main

whole, row = flow.measure, int(sys.argv[1])
def stopped(*given, **named):
    for number, result in enumerate(whole(*given, **named)):
        if number == row:
            os.kill(os.getpid(), signal.SIGKILL)
        yield result
    os.kill(os.getpid(), signal.SIGKILL)
flow.measure = stopped
cli.main.main(sys.argv[2:])
"""


def shown(folder: Path) -> dict[str, bytes]:
    """Give what a person sees in a folder: a killed program leaves its unfinished files, in folders that begin with a dot."""
    return {
        name: content
        for name, content in held(folder).items()
        if not any(part.startswith(".") for part in Path(name).parts)
    }


@pytest.mark.parametrize("row", [0, 40, 10_000])
def test_killed_at_any_moment_the_earlier_result_stays(recording: Path, row: int) -> None:
    measured("rec")
    before = shown(recording)
    longer = small_module().camera.model_copy(update={"fx_px": 160.0, "fy_px": 160.0})
    write_module(Path("longer.yaml"), small_module().model_copy(update={"camera": longer}))
    command = [sys.executable, "-c", _KILLED, str(row), "measure", "rec", "--module", "longer.yaml"]
    killed = subprocess.run(command, capture_output=True, check=False, env=ENVIRONMENT)
    assert killed.returncode == -signal.SIGKILL, killed.stderr
    assert shown(recording) == before
    # The next run is not disturbed by what the killed one left, and gives what it would have given anyway.
    measured("rec")
    after = shown(recording)
    assert after.keys() == before.keys()
    assert after["measured/speed.csv"] == before["measured/speed.csv"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere; run the tests as a user")
def test_a_folder_that_may_only_be_read(recording: Path) -> None:
    recording.chmod(0o555)
    try:
        result = run("rec")
        assert result.exit_code == 1
        assert re.fullmatch(
            r"groundpace: rec/measured/\S+: cannot be written \(Permission denied\); .*\n", result.stderr
        )
        measured("rec", "--output", "elsewhere")
    finally:
        recording.chmod(0o755)


def test_paths_with_blanks_and_letters_of_any_language(recording: Path) -> None:
    place = Path("Gewächshaus № 3") / "温室 دفيئة" / "it's “rec” #1 %20 & co"
    place.parent.mkdir(parents=True)
    shutil.copytree(recording, place)
    measured("rec")
    said = measured(
        str(place), "--output", str(place / "out put"), "--overlay", "--reference", str(place / "truth.csv")
    ).stdout
    assert str(place / "out put" / "speed.csv") in said
    assert (place / "out put" / "speed.csv").read_bytes() == (recording / "measured" / "speed.csv").read_bytes()
    assert json.loads((place / "out put" / "summary.json").read_text(encoding="utf-8"))["recording"] == str(place)
    compared = CliRunner().invoke(main, ["compare", str(place / "out put" / "speed.csv"), str(place / "truth.csv")])
    assert compared.exit_code == 0, compared.output


@pytest.mark.parametrize("read", [read_module, read_mapping, read_lens_file])
def test_a_file_of_settings_is_data_and_never_code(read: object, tmp_path: Path) -> None:
    path, sign = tmp_path / "module.yaml", tmp_path / "sign"
    for harm in (
        f"!!python/object/apply:os.system ['touch {sign}']",
        f"!!python/object/new:subprocess.Popen [['touch', '{sign}']]",
        "!!python/name:os.system",
        f"!<tag:yaml.org,2002:python/object/apply:pathlib.Path.touch> ['{sign}']",
    ):
        for key in ("name", "camera", "camera_matrix", "frames"):
            path.write_text(f"{key}: {harm}\n")
            with pytest.raises(DataError):
                read(path)  # type: ignore[operator]
    assert not sign.exists()


def test_a_measurement_needs_no_network(recording: Path) -> None:
    code = (
        "import sys\n"
        "def watch(event, _):\n"
        "    if event.startswith(('socket.connect', 'socket.getaddrinfo', 'socket.bind', 'urllib.')):\n"
        "        sys.stderr.write(f'{event}\\n'); sys.exit(99)\n"
        "sys.addaudithook(watch)\n"
        "import cli.main; cli.main.main(sys.argv[1:])\n"
    )
    command = [sys.executable, "-c", code, "measure", "rec", "--reference", "rec/truth.csv"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=ENVIRONMENT)
    assert done.returncode == 0, done.stderr


def test_a_video_that_is_a_list_of_others_reaches_for_none(tmp_path: Path, recording: Path) -> None:
    """FFmpeg also reads lists of files and addresses; as the video of a recording none may lead anywhere else."""
    asked: list[str] = []

    class Ear(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            asked.append("a request")

    secret = recording / "video.mp4"
    with socketserver.TCPServer(("127.0.0.1", 0), Ear) as ear:
        threading.Thread(target=ear.serve_forever, daemon=True).start()
        address = f"http://127.0.0.1:{ear.server_address[1]}/a.ts"
        for name, text in {
            "list.m3u8": f"#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:5,\n{address}\n#EXT-X-ENDLIST\n",
            "file.m3u8": f"#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:5,\n{secret.resolve()}\n#EXT-X-ENDLIST\n",
            "video.mp4": f"#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:5,\n{address}\n#EXT-X-ENDLIST\n",
            "video.mkv": f"ffconcat version 1.0\nfile '{address}'\n",
            "video.avi": f"ffconcat version 1.0\nfile '{secret.resolve()}'\n",
            "video.mov": "ffconcat version 1.0\nfile 'whole.mp4'\n",
            "video.sdp": "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\n"
            "m=video 5004 RTP/AVP 96\na=rtpmap:96 H264/90000\n",
        }.items():
            shutil.copy(secret, tmp_path / "whole.mp4")
            (tmp_path / name).write_text(text)
            with pytest.raises(DataError, match=re.escape(name)):
                list(Video(tmp_path / name))
        ear.shutdown()
    assert asked == []


class _Tags(HTMLParser):
    """Collects what a browser would act on."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.handlers: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.handlers += [name for name, _ in attrs if name.startswith("on")]


HOSTILE = "<img src=x onerror=alert(1)><svg onload=alert(2)>"


def test_a_page_escapes_what_comes_from_files(recording: Path) -> None:
    place = Path(f"{HOSTILE}'\"&amp;").with_name(f"{HOSTILE}'\"&amp;")
    recording.rename(place)
    fern = small_module().model_copy(update={"name": f"</script>{HOSTILE}\u2028'\"&lt;"})
    write_module(place / "module.yaml", fern)
    (place / "truth.csv").rename(place / f"{HOSTILE}.csv")
    measured(str(place), "--reference", str(place / f"{HOSTILE}.csv"), "--output", f"out {HOSTILE}")
    page = (Path(f"out {HOSTILE}") / "review.html").read_text(encoding="utf-8")
    seen = _Tags()
    seen.feed(page)
    assert "img" not in seen.tags
    assert not [name for name in seen.handlers if name in ("onerror", "onload")]
    assert HOSTILE not in page
    assert page.count("</script>") == seen.tags.count("script")
