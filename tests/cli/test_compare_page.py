"""The comparison's page in a real browser: wide and narrow, light and dark, without a network."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from cli.main import main
from tests.cli.test_compare import logs
from tests.cli.test_review import browsing, needs_browser, wait

pytestmark = needs_browser

__all__ = ["logs"]  # the fixture


@pytest.mark.parametrize(("width", "dark"), [(360, True), (1440, False)])
def test_the_page_fits_and_draws(logs: tuple[str, str], tmp_path: Path, width: int, dark: bool) -> None:
    (Path(logs[0]).parent / "review.html").write_text("<title>review</title>")
    named = Path(logs[1]).rename(tmp_path / "<img src=x onerror='window.broken=1'>.csv")
    arguments = ["compare", logs[0], str(named), "--output", str(tmp_path / "page")]
    assert CliRunner().invoke(main, arguments).exit_code == 0

    def run(script: str) -> Any:
        return browser.execute_script("return " + script)

    with browsing(tmp_path / "profile", width, dark=dark) as browser:
        browser.get((tmp_path / "page" / "compare.html").as_uri())
        wait(browser, lambda _: run("document.querySelectorAll('.chart .main-svg').length") >= 10)  # two a chart
        assert run("document.documentElement.scrollWidth") <= width
        assert run("typeof window.broken") == "undefined"
        assert run("document.querySelectorAll('main img').length") == 0
        paper = run("getComputedStyle(document.body).backgroundColor")
        assert (sum(int(v) for v in paper[4:-1].split(",")) < 200) == dark
        wait(browser, lambda _: run("document.querySelectorAll('.chart .main-svg')[0].style.background") == run(
            "(() => { const s = document.querySelector('.sheet'); return getComputedStyle(s).backgroundColor; })()"
        ))  # fmt: skip
        assert [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []
        links = run("document.querySelectorAll('td a').length")
        assert links >= 5
        run("document.querySelector('td a').click()")
        wait(browser, lambda b: b.title == "review")
        assert "#t=" in browser.current_url
