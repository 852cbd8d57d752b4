"""The review page in a real browser: Debian's Chromium, headless, without a server."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from selenium.webdriver import Chrome, ChromeOptions
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.actions.wheel_input import ScrollOrigin
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from cli.main import main
from flow import scene
from flow.video import Video
from tests.cli.review_flights import HOLE_S, SPIKE_M_S, SPIKE_S, write_review

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
AXE = Path(os.environ.get("GROUNDPACE_AXE", "/nowhere")) / "node_modules" / "axe-core" / "axe.min.js"
FRAME_S = 1 / 30
RANGE_GAP_S, GYRO_HOLE_S = (1.0, 1.6), (2.2, 2.5)
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip

needs_browser = pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="needs chromium and chromedriver")
pytestmark = needs_browser


@contextmanager
def browsing(profile: Path, width: int = 1440, height: int = 2600, *, dark: bool = False) -> Iterator[Chrome]:
    assert CHROMIUM is not None and DRIVER is not None
    options = ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    browser = Chrome(options=options, service=Service(DRIVER))
    try:
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
        yield browser
    finally:
        browser.quit()


def wait(browser: Chrome, until: Callable[[Chrome], Any]) -> Any:
    return WebDriverWait(browser, 60, poll_frequency=0.05).until(until)


def opened(browser: Chrome, page: Path, fragment: str = "") -> Chrome:
    browser.get("about:blank")
    browser.get(page.resolve().as_uri() + fragment)
    wait(browser, lambda b: b.execute_script("return document.documentElement.dataset.drawn"))
    return browser


@pytest.fixture(scope="module")
def flight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Measure a flight of 4 s whose range sensor fell silent for a while and whose gyro log has a hole."""
    folder = tmp_path_factory.mktemp("review") / "bench <b>4"
    motion = scene.straight(4.0, height_m=1.0, speed_m_s=0.3) + scene.gusts(4.0, seed=2)
    spec = scene.SceneSpec(motion=motion, ground=scene.make_ground("gravel"), frame_rate_hz=1 / FRAME_S, seed=2)
    scene.synthesize(folder, spec, scene.Encoding(codec="h264"))
    for name, (begin_s, end_s) in (("range.csv", RANGE_GAP_S), ("gyro.csv", GYRO_HOLE_S)):
        log = pd.read_csv(folder / name)
        log[(log.time_s <= begin_s) | (log.time_s >= end_s)].to_csv(folder / name, index=False)
    module = folder / "module.yaml"
    text = module.read_text(encoding="utf-8")
    hostile = "name: '</script><img src=x onerror=\"window.broken = 1\">'"
    module.write_text(hostile + text[text.index("\n") :], encoding="utf-8")
    arguments = ["measure", str(folder), "--reference", str(folder / "truth.csv")]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 0, result.output
    return folder


@pytest.fixture(scope="module")
def page(flight: Path) -> Path:
    return flight / "measured" / "review.html"


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    with browsing(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


@pytest.fixture(scope="module")
def rows(page: Path) -> pd.DataFrame:
    """Read the speed log with, for each row, the time in the video of the picture that ends it."""
    log = pd.read_csv(page.parent / "speed.csv")
    times = Video(page.parent / "review.mp4").times_s
    assert len(times) == len(log) + 1
    log["video_s"] = times[1:]
    return log


CHART = "document.querySelector('.plot[data-chart=\"{}\"]')"


def chart(browser: Chrome, name: str) -> Any:
    return browser.execute_script(f"return {CHART.format(name)}")


def axis_range(browser: Chrome, name: str) -> list[float]:
    return list(browser.execute_script(f"return {CHART.format(name)}.firstElementChild.layout.xaxis.range"))


def time_drawn_at(browser: Chrome, name: str, x: float) -> float:
    """Which time plotly's own axis has at ``x`` px from the left of a chart."""
    axis = f"const axis = {CHART.format(name)}.firstElementChild._fullLayout.xaxis;"
    return float(browser.execute_script(axis + "return axis.p2l(arguments[0] - axis._offset)", x))


def video_s(browser: Chrome) -> float:
    wait(browser, lambda b: not b.execute_script("return document.getElementById('video').seeking"))
    return float(browser.execute_script("return document.getElementById('video').currentTime"))


def shown_s(browser: Chrome) -> float:
    """Time stamp of the picture on the screen."""
    return float(browser.execute_script("return document.getElementById('video').dataset.shown || -1"))


def click_at(browser: Chrome, name: str, share: float) -> float:
    """Click into a chart; give the time that is drawn there."""
    plot = chart(browser, name)
    width = plot.size["width"]
    x = round((share - 0.5) * width)
    ActionChains(browser).move_to_element_with_offset(plot, x, 10).click().perform()
    return time_drawn_at(browser, name, width / 2 + x)


def cursor_x(browser: Chrome, name: str) -> float:
    plot = f"const plot = {CHART.format(name)}, left = (node) => node.getBoundingClientRect().left;"
    return float(browser.execute_script(plot + "return left(plot.querySelector('.cursor')) + 1 - left(plot)"))


def nearest(rows: pd.DataFrame, time_s: float) -> pd.Series[Any]:
    return rows.iloc[int((rows.time_s - time_s).abs().argmin())]


def text_of(browser: Chrome, identifier: str) -> str:
    return str(browser.execute_script("return document.getElementById(arguments[0]).textContent", identifier))


def test_opens_from_a_file_without_a_console_error(browser: Chrome, page: Path) -> None:
    opened(browser, page)
    wait(browser, lambda b: b.execute_script("return document.getElementById('video').readyState >= 2"))
    assert browser.get_log("browser") == []
    assert browser.execute_script("return document.getElementById('video').videoWidth") == 320
    drawn = (
        "return Array.from(document.querySelectorAll('.plot')).filter((p) => p.querySelector('.main-svg path')).length"
    )
    assert browser.execute_script(drawn) == 8
    assert (
        browser.execute_script(
            "return performance.getEntriesByType('resource').filter((e) => !e.name.startsWith('file:')).length"
        )
        == 0
    )


def test_text_from_files_stays_text(browser: Chrome, page: Path) -> None:
    opened(browser, page)
    assert browser.execute_script("return window.broken") is None
    assert browser.execute_script("return document.querySelector('h1').textContent").endswith("bench <b>4")
    assert "</script><img src=x" in browser.execute_script("return document.body.textContent")


@pytest.mark.parametrize("name", ["forward", "height", "gyro", "status"])
def test_a_click_moves_the_video_there(browser: Chrome, page: Path, rows: pd.DataFrame, name: str) -> None:
    opened(browser, page)
    for share in (0.75, 0.3):
        row = nearest(rows, click_at(browser, name, share))
        # Within a quarter of a picture: the player may start a little into it, and must not show another.
        assert video_s(browser) == pytest.approx(row.video_s, abs=FRAME_S / 4)
        wait(browser, lambda b, row=row: abs(shown_s(b) - row.video_s) < 1e-3)


def test_dragging_scrubs(browser: Chrome, page: Path, rows: pd.DataFrame) -> None:
    opened(browser, page)
    plot = chart(browser, "right")
    ActionChains(browser).move_to_element_with_offset(plot, -200, 5).click_and_hold().move_by_offset(350, 0).perform()
    row = nearest(rows, time_drawn_at(browser, "right", plot.size["width"] / 2 + 150))
    held = video_s(browser)
    ActionChains(browser).release().perform()
    assert held == pytest.approx(row.video_s, abs=FRAME_S / 4)


def test_playing_moves_the_cursor(browser: Chrome, page: Path, rows: pd.DataFrame) -> None:
    opened(browser, page)
    click_at(browser, "forward", 0.2)
    before_s, before_x = video_s(browser), cursor_x(browser, "forward")
    browser.execute_script("document.getElementById('play').click()")
    wait(browser, lambda b: b.execute_script("return document.getElementById('video').currentTime") > before_s + 0.4)
    browser.execute_script("document.getElementById('play').click()")
    wait(browser, lambda b: b.execute_script("return document.getElementById('video').paused"))
    after_x = wait(browser, lambda b: cursor_x(b, "forward") if cursor_x(b, "forward") > before_x + 5 else None)
    # The cursor stands at the row that ends with the picture shown; a picture may have passed since it was read.
    at_cursor = nearest(rows, time_drawn_at(browser, "forward", after_x))
    assert at_cursor.video_s == pytest.approx(shown_s(browser), abs=1.5 * FRAME_S)
    assert cursor_x(browser, "gyro") == pytest.approx(cursor_x(browser, "forward"), abs=0.5)


def test_zoom_is_shared(browser: Chrome, page: Path) -> None:
    opened(browser, page)
    names = ("forward", "right", "status", "height", "points", "motion", "gyro")
    whole = axis_range(browser, "forward")
    plot = chart(browser, "height")
    fixed = time_drawn_at(browser, "height", plot.size["width"] / 2 + 60)
    zooming = ActionChains(browser).key_down(Keys.CONTROL)
    zooming.scroll_from_origin(ScrollOrigin.from_element(plot, 60, 0), 0, -120).key_up(Keys.CONTROL).perform()
    wait(browser, lambda b: all(axis_range(b, name) != whole for name in names))
    ranges = [axis_range(browser, name) for name in names]
    assert all(r == ranges[0] for r in ranges)
    assert ranges[0][1] - ranges[0][0] < 0.8 * (whole[1] - whole[0])
    assert time_drawn_at(browser, "height", plot.size["width"] / 2 + 60) == pytest.approx(fixed, abs=0.01)
    assert browser.execute_script(
        "return document.getElementById('window').offsetWidth < 0.8 * document.getElementById('whole').offsetWidth"
    )
    browser.execute_script("document.getElementById('zoom-all').click()")
    wait(browser, lambda b: all(axis_range(b, name) == whole for name in names))


def test_keys_step_and_play(browser: Chrome, page: Path, rows: pd.DataFrame) -> None:
    opened(browser, page)
    click_at(browser, "forward", 0.4)
    start = int((rows.video_s - video_s(browser)).abs().argmin())
    body = browser.find_element("tag name", "body")
    body.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_LEFT)
    assert video_s(browser) == pytest.approx(rows.video_s[start + 2], abs=FRAME_S / 4)
    body.send_keys(" ")
    wait(browser, lambda b: not b.execute_script("return document.getElementById('video').paused"))
    body.send_keys(" ")
    wait(browser, lambda b: b.execute_script("return document.getElementById('video').paused"))


def test_a_link_leads_to_its_moment(browser: Chrome, page: Path, rows: pd.DataFrame) -> None:
    opened(browser, page, "#t=1.7")
    row = nearest(rows, 1.7)
    assert video_s(browser) == pytest.approx(row.video_s, abs=FRAME_S / 4)
    assert float(text_of(browser, "now-time").split()[0]) == pytest.approx(row.time_s, abs=1e-3)
    assert text_of(browser, "now-forward") == f"{row.forward_m_s:+.3f} ± {1.96 * row.forward_sigma_m_s:.3f} m/s"
    click_at(browser, "forward", 0.5)
    wait(browser, lambda b: "#t=1.7" not in b.current_url and "#t=" in b.current_url)


def test_no_speed_is_said_in_words_and_never_zero(browser: Chrome, page: Path, rows: pd.DataFrame) -> None:
    lost = rows[rows.status == "no_gyro"]
    middle_s = float(lost.time_s.iloc[len(lost) // 2])
    assert GYRO_HOLE_S[0] < middle_s < GYRO_HOLE_S[1]
    opened(browser, page, f"#t={middle_s:.3f}")
    assert text_of(browser, "now-forward") == text_of(browser, "now-right") == "none"
    assert "does not cover the interval" in text_of(browser, "now-status")
    script = (
        f"const t = {CHART.format('forward')}.firstElementChild.data[1]; return t.x.filter((x, i) => t.y[i] !== null)"
    )
    drawn = np.array(browser.execute_script(script))
    inside = (drawn > lost.time_s.min() - 1e-3) & (drawn < lost.time_s.max() + 1e-3)
    assert len(drawn) > 50 and not inside.any()


def test_findings_name_the_gaps_and_lead_there(browser: Chrome, page: Path, rows: pd.DataFrame) -> None:
    opened(browser, page)
    found = browser.find_elements("css selector", ".found li")
    words = {item.find_element("tag name", "span").text: item.find_element("tag name", "a") for item in found}
    silent = next(link for text, link in words.items() if text.startswith("no range echo"))
    # The sensor speaks every 50 ms, and the page rounds to 0.1 s.
    begin_s = float(silent.get_attribute("data-begin") or "nan")
    end_s = float(silent.get_attribute("data-end") or "nan")
    assert begin_s == pytest.approx(RANGE_GAP_S[0], abs=0.06) and end_s == pytest.approx(RANGE_GAP_S[1], abs=0.06)
    assert any("the gyro log does not cover" in text for text in words)
    silent.click()
    assert video_s(browser) == pytest.approx(nearest(rows, begin_s).video_s, abs=FRAME_S / 4)


def test_the_reference_is_drawn_where_it_was_given(browser: Chrome, flight: Path, page: Path) -> None:
    opened(browser, page)
    script = f"const t = {CHART.format('forward')}.firstElementChild.data[2]; return [t.x, t.y]"
    x, y = (np.array(values, float) for values in browser.execute_script(script))
    truth = pd.read_csv(flight / "truth.csv")
    # 16-bit steps, and the mean over a picture's interval against the value in its middle: a gust changes by 1 mm/s.
    np.testing.assert_allclose(y, np.interp(x, truth.time_s, truth.forward_m_s), atol=2e-3)


def test_a_page_without_its_video_names_the_file(browser: Chrome, page: Path, tmp_path: Path) -> None:
    alone = tmp_path / "alone" / "review.html"
    alone.parent.mkdir()
    shutil.copy(page, alone)
    opened(browser, alone)
    trouble = wait(browser, lambda b: b.find_element("id", "video-trouble"))
    wait(browser, lambda _: trouble.is_displayed())
    assert "review.mp4 cannot be shown: it must lie beside this page" in trouble.text
    assert not browser.find_element("id", "play").is_enabled()
    click_at(browser, "forward", 0.5)  # the charts work without it
    assert text_of(browser, "now-forward").endswith("m/s")
    browser.get_log("browser")  # the missing file is an error there, too


@pytest.mark.parametrize("width", [360, 1440])
def test_the_tables_of_the_module_need_no_sideways_scrolling(page: Path, tmp_path: Path, width: int) -> None:
    with browsing(tmp_path / "profile", width, 800) as browser:
        opened(browser, page)
        sizes = browser.execute_script(
            "return Array.from(document.querySelectorAll('.scroll')).map((box) => [box.scrollWidth, box.clientWidth])"
        )
        assert len(sizes) == 2 and all(inner <= outer for inner, outer in sizes), sizes


def test_a_flight_without_any_speed_leads_with_the_reason(browser: Chrome, flight: Path, tmp_path: Path) -> None:
    blind = tmp_path / "blind"
    shutil.copytree(flight, blind, ignore=shutil.ignore_patterns("measured"))
    readings = pd.read_csv(blind / "range.csv")
    readings["range_m"] = 50.0
    readings.to_csv(blind / "range.csv", index=False)
    assert CliRunner().invoke(main, ["measure", str(blind), "--fast"]).exit_code == 1
    opened(browser, blind / "measured" / "review.html")
    assert browser.get_log("browser") == []
    reason = browser.find_element("id", "no-speed")
    assert "the height is outside what the range sensor can measure" in reason.text
    assert reason.location["y"] < browser.find_element("id", "stage").location["y"]
    charts = browser.execute_script("return Array.from(document.querySelectorAll('.plot')).map((p) => p.dataset.chart)")
    assert charts == ["status", "height", "points", "motion", "gyro"]


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [360, 1440])
def test_fits_the_screen(page: Path, tmp_path: Path, width: int, dark: bool) -> None:
    with browsing(tmp_path / "profile", width, 800, dark=dark) as browser:
        opened(browser, page)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width
        luminance = browser.execute_script(
            "return getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)"
        )
        assert (max(luminance) < 80) == dark
        plot = chart(browser, "forward")
        assert plot.size["width"] > 0.5 * min(width, 700)


@pytest.mark.skipif(not AXE.exists(), reason="GROUNDPACE_AXE names no folder in which npm installed axe-core")
@pytest.mark.parametrize("dark", [False, True])
def test_accessible(page: Path, tmp_path: Path, dark: bool) -> None:
    with browsing(tmp_path / "profile", dark=dark) as browser:
        opened(browser, page)
        browser.execute_script(AXE.read_text(encoding="utf-8"))
        violations = browser.execute_async_script("axe.run(document).then((found) => arguments[0](found.violations))")
        assert [(v["id"], [n["html"][:120] for n in v["nodes"]][:3]) for v in violations] == []


@pytest.fixture(scope="module")
def minutes(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    """Pages of one minute and of ten, 60 rows a second, rows made up."""
    folder = tmp_path_factory.mktemp("minutes")
    return {length: write_review(folder / f"minutes-{length}", 60.0 * length) for length in (1, 10)}


def test_ten_minutes_open_and_pan_like_one(browser: Chrome, minutes: dict[int, Path]) -> None:
    plotly_bytes = 1.2e6
    assert minutes[10].stat().st_size - plotly_bytes < 15e6
    # Processor time of the page's own thread, so that other work on the machine does not count; side by side.
    browser.execute_cdp_cmd("Performance.enable", {"timeDomain": "threadTicks"})
    opening, panning = [], []
    for _ in range(3):
        costs = {}
        for length, page in minutes.items():
            opened(browser, page)
            began_s = busy_s(browser)
            browser.execute_async_script(PAN)
            costs[length] = (began_s, busy_s(browser) - began_s)
        opening.append(costs[10][0] / costs[1][0])
        panning.append(costs[10][1] / costs[1][1])
    # Plotly's script and the charts cost the same on both; ten times the rows add decoding. Rows that were not thinned
    # would pan ten times slower.
    assert min(opening) < 2.5
    assert min(panning) < 2


def busy_s(browser: Chrome) -> float:
    """Processor time that the page has taken since it began to load."""
    found = browser.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    return float(next(metric["value"] for metric in found if metric["name"] == "TaskDuration"))


PAN = """
const done = arguments[0], plot = document.querySelector('.plot[data-chart="forward"]');
const basics = { bubbles: true, cancelable: true, clientX: 900 };
const turn = (more) => plot.dispatchEvent(new WheelEvent("wheel", { ...basics, ...more }));
turn({ ctrlKey: true, deltaY: -60 });
const began = performance.now();
let left = 12;
const next = () => (--left ? step() : done(performance.now() - began));
const step = () => { turn({ shiftKey: true, deltaY: 25 }); requestAnimationFrame(next); };
step();
"""


def test_thinning_drops_no_peak(browser: Chrome, minutes: dict[int, Path]) -> None:
    opened(browser, minutes[10])
    script = f"const line = {CHART.format('forward')}.firstElementChild.data[1]; return [line.x, line.y]"
    x, y = (np.array(values, float) for values in browser.execute_script(script))
    points, peak, peak_s = len(x), np.nanmax(y), x[np.nanargmax(y)]
    assert points < 5000  # of 36 000 rows
    assert peak > SPIKE_M_S - 0.6  # the swing of the speed under it
    # Eights of rows are joined (0.13 s): a fifth of a pixel at this width.
    assert peak_s == pytest.approx(SPIKE_S, abs=8.5 / 60)
    status = browser.execute_script("return document.getElementById('reasons').textContent")
    assert "no height" in status
    opened(browser, minutes[10], f"#t={HOLE_S[1] - 0.2}")
    assert text_of(browser, "now-forward") == "none"
