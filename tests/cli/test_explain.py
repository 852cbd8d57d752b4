"""``groundpace explain``: every word has a meaning, and the page holds all of them."""

from __future__ import annotations

import html.parser
import json
import re
import textwrap
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from cli.main import COMMANDS, main
from cli.options import WordChoice
from cli.reference import KINDS, Entry, all_entries, find, nearest
from cli.reference.options import commands, words_of
from flow.columns import FILES
from flow.error_sources import ErrorSource
from flow.module import read_module
from flow.module_reference import example_module_text
from flow.statuses import FUSED_STATUSES, SPEED_STATUSES, Status
from tests.cli.test_review import browsing, needs_browser

ENTRIES = all_entries()


def explained(*arguments: str, width: int = 80) -> Result:
    return CliRunner().invoke(main, ["explain", *arguments], env={"COLUMNS": str(width)})


def test_a_column_is_told_with_unit_axes_and_meaning_for_every_file() -> None:
    result = explained("forward_m_s")
    assert result.exit_code == 0
    for file in ("truth.csv", "speed.csv", "fused.csv"):
        assert f"forward_m_s: column of {file}" in result.stdout
    assert "m/s" in result.stdout
    assert "forward = body x projected on the horizontal plane" in " ".join(result.stdout.split())
    assert result.stderr == ""


def test_places_where_a_word_means_the_same_share_one_text() -> None:
    out = explained("inlier_share").stdout
    assert "inlier_share: column of speed.csv, speed.parquet" in out
    assert out.count("meaning") == 1


def test_an_option_brings_its_words_along() -> None:
    for asked in ("--codec", "codec"):
        assert "mjpeg: option value of groundpace synthesize --codec, groundpace import --codec" in " ".join(
            explained(asked, width=110).stdout.split()
        )


def test_a_key_is_told_with_default_limits_and_how_to_get_it() -> None:
    out = " ".join(explained("range.scale").stdout.split())
    assert "distance = scale * range_m + offset_m" in out
    assert "default 1 limits more than 0.1, less than 10" in out
    assert "`groundpace calibrate range`" in out


@pytest.mark.parametrize("word", ["scale", "RANGE.SCALE", "range.scale"])
def test_a_key_may_be_asked_for_by_its_last_part_and_in_capitals(word: str) -> None:
    assert "range.scale: module key of module.yaml" in explained(word).stdout


@pytest.mark.parametrize("status", [*SPEED_STATUSES, *FUSED_STATUSES], ids=lambda status: status.word)
def test_a_status_is_told_with_what_to_do(status: Status) -> None:
    out = " ".join(explained(status.word, width=110).stdout.split())
    assert status.meaning in out
    assert status.remedy in out


@pytest.mark.parametrize("source", list(ErrorSource))
def test_a_cause_of_error_is_told_with_what_to_do_by_either_name(source: ErrorSource) -> None:
    for word in (source.value, source.label):
        found = [entry for entry in find(word, ENTRIES) if entry.kind == "cause of error"]
        assert dict(found[0].told)["what to do"] == source.remedy


def test_an_option_value_is_told_where_it_stands() -> None:
    out = explained("mcap").stdout
    assert "mcap: option value of groundpace export --to" in out
    assert "ROS 2 MCAP" in out


def test_several_words_make_one_name() -> None:
    assert "focal_length: cause of error" in explained("focal", "length").stdout
    assert "calibrate lens: command" in explained("calibrate", "lens").stdout


@pytest.mark.parametrize(
    ("typed", "meant"), [("heigth_m", "height_m"), ("no_textur", "no_texture"), ("inlier-shares", "inlier_share")]
)
def test_an_unknown_word_names_its_neighbours(typed: str, meant: str) -> None:
    result = explained(typed)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert f"nothing is called '{typed}'; did you mean " in result.stderr
    assert meant in nearest(typed, ENTRIES)


def test_a_word_without_neighbours_points_to_the_list() -> None:
    assert "`groundpace explain` lists every word" in explained("xyzzyplugh").stderr


def test_without_a_word_all_words_are_listed() -> None:
    out = explained().stdout
    words = re.split(r"[,\s]+", out)
    assert {entry.word for entry in ENTRIES if entry.kind != "command" and entry.kind != "file"} <= set(words)
    assert all(f"columns of {table.name}:" in out for table in FILES)


@pytest.mark.parametrize("arguments", [(), ("height_m",), ("few_tracks",), ("alignment",)])
@pytest.mark.parametrize("width", [40, 72])
def test_output_folds_to_the_terminal(arguments: tuple[str, ...], width: int) -> None:
    lines = explained(*arguments, width=width).stdout.splitlines()
    longest = max(len(word) for line in lines for word in line.split())
    assert max(map(len, lines)) <= max(width, longest + 20)  # a name is never broken, nor parted from its label
    assert len(lines) > len(explained(*arguments, width=110).stdout.splitlines())


def test_json_is_what_the_terminal_shows() -> None:
    found = json.loads(explained("no_height", "--json").stdout)
    assert [(entry["kind"], entry["word"], entry["place"]) for entry in found] == [("status", "no_height", "speed.csv")]
    assert set(found[0]) == {"kind", "word", "place", "meaning", "what_to_do"}
    assert len(json.loads(explained("--json").stdout)) == len(ENTRIES)


def test_every_entry_says_something_and_every_kind_is_there() -> None:
    for entry in ENTRIES:
        assert entry.told, entry.title
        assert all(text.strip() for _, text in entry.told)
        assert entry in find(entry.word, ENTRIES)
    assert {entry.kind for entry in ENTRIES} == set(KINDS)


def parameters() -> list[tuple[str, click.Parameter]]:
    return [(name, param) for name, command in commands() for param in command.params]


def test_commands_are_all_walked() -> None:
    names = {name.split(" ")[0] for name, _ in commands()}
    assert names == set(COMMANDS)
    assert {"calibrate lens", "calibrate range", "calibrate gyro", "calibrate alignment"} <= {n for n, _ in commands()}


@pytest.mark.parametrize(
    ("command", "param"), [pytest.param(c, p, id=f"{c} {p.name}") for c, p in parameters() if p.name != "help"]
)
def test_every_word_that_an_option_takes_has_a_meaning(command: str, param: click.Parameter) -> None:
    if isinstance(param.type, click.Choice):
        assert isinstance(param.type, WordChoice), f"{command} {param.name}: give its words a meaning"
        assert list(param.type.choices) == list(param.type.words)
    shown = param.make_metavar(click.Context(click.Command(command)))
    written = {word for word in shown.split("|") if re.fullmatch(r"[a-z][a-z0-9-]*", word)} if "|" in shown else set()
    assert written <= set(words_of(param))
    assert all(words_of(param).values())
    if isinstance(param, click.Option):
        assert param.help


class Page(html.parser.HTMLParser):
    """What a test needs to know of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.headings: list[int] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.scopes: list[str | None] = []
        self.tags: list[str] = []
        self.words: list[str] = []
        self.example = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note headings, links, identifiers and header cells."""
        held = dict(attrs)
        self.tags.append(tag)
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if held.get("id"):
            self.ids.append(held["id"] or "")
        if tag == "a":
            self.links.append(held.get("href") or "")
        if tag == "th":
            self.scopes.append(held.get("scope"))

    def handle_data(self, data: str) -> None:
        """Keep the text."""
        if self.tags and self.tags[-1] == "pre":
            self.example += data
        self.words.append(data)

    def handle_endtag(self, tag: str) -> None:
        """Notice where the example ends."""
        if tag == "pre":
            self.tags.append("/pre")


@pytest.fixture(scope="module")
def page_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("reference") / "reference.html"
    result = explained("--html", str(path))
    assert (result.exit_code, result.stdout, result.stderr) == (0, "", f"written: {path}\n")
    return path


@pytest.fixture(scope="module")
def page(page_path: Path) -> Page:
    return Page(page_path.read_text(encoding="utf-8"))


def test_the_page_holds_every_entry(page: Page) -> None:
    text = re.sub(r"\s+", " ", "".join(page.words))
    for entry in ENTRIES:
        assert entry.word.rpartition(".")[2] in text
        for title, said in entry.told:
            if title not in ("axes", "columns", "values", "needed", "use"):
                wanted = re.sub(r"\s+", " ", said.replace("`", ""))
                assert wanted in text or wanted[:1].upper() + wanted[1:] in text, (entry.title, title)


def test_the_page_has_contents_that_lead_somewhere_and_headings_in_order(page: Page) -> None:
    assert page.headings[0] == 1 and page.headings.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(page.headings, page.headings[1:], strict=False))
    assert len(set(page.ids)) == len(page.ids)
    assert len(page.links) > 30
    assert {link.removeprefix("#") for link in page.links} <= set(page.ids)


def test_tables_have_header_cells_and_the_page_needs_nothing_else(page: Page, page_path: Path) -> None:
    assert set(page.scopes) == {"col", "row"}
    assert page.tags.count("table") == page.tags.count("thead")
    assert "script" not in page.tags and "noscript" not in page.tags
    assert not re.search(r"(src|href)=\"(?!#|data:)", page_path.read_text(encoding="utf-8"))


def test_the_example_on_the_page_is_a_valid_module_file(page: Page, tmp_path: Path) -> None:
    (tmp_path / "module.yaml").write_text(page.example.lstrip("\n"), encoding="utf-8")
    assert read_module(tmp_path / "module.yaml").name == "fern-03"
    assert page.example.strip() == example_module_text().strip()


def test_a_word_and_a_page_at_once(tmp_path: Path) -> None:
    result = explained("no_gyro", "--html", str(tmp_path / "page.html"))
    assert "no_gyro: status of speed.csv" in result.stdout
    assert (tmp_path / "page.html").exists()


def test_a_page_that_cannot_be_written_is_one_line_and_exit_1(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    result = explained("--html", str(tmp_path / "file" / "page.html"))
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1 and result.stderr.startswith("groundpace: ")
    assert (tmp_path / "file").read_text() == "mine"


@needs_browser
@pytest.mark.parametrize("width", [360, 1280])
def test_nothing_on_the_page_is_wider_than_the_window(page_path: Path, tmp_path: Path, width: int) -> None:
    with browsing(tmp_path / "profile", width=width, height=900) as browser:
        browser.get(page_path.as_uri())
        assert browser.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
        too_wide = """return [...document.querySelectorAll("table, tbody th, td, p, h3")]
            .filter((e) => e.getBoundingClientRect().right > window.innerWidth).map((e) => e.textContent.slice(0, 60))"""
        assert browser.execute_script(too_wide) == []


def test_an_entry_shows_only_what_it_knows() -> None:
    entry = Entry(kind="status", word="lost", place="", facts=(("meaning", "gone"), ("unit", "")))
    assert entry.told == (("meaning", "gone"),)
    assert textwrap.shorten(entry.title, 40) == "lost: status"
