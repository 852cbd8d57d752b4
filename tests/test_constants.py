"""The walk over the estimator's numbers finds what is planted, and the share that does not say its origin does not grow."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.constants import OTHERS, ROOT, UNTAGGED, Constant, counts, estimator_sources, read_source

# Counted when the walk was written. A number without a tag is one that nobody can judge: give a new one its tag, and lower
# these as old ones are tagged or go. They may rise only where a package that was not looked at comes in.
MOST_UNTAGGED, MOST_BARE = 123, 88


def found(text: str) -> list[Constant]:
    return list(read_source(text, "flow/planted", "flow/planted.py").constants)


def kinds(text: str) -> dict[str, str]:
    return {one.name: one.kind for one in found(text)}


def test_a_planted_constant_is_found_where_it_stands(tmp_path: Path) -> None:
    planted = tmp_path / "flow" / "planted" / "gate.py"
    planted.parent.mkdir(parents=True)
    planted.write_text('"""Gate."""\n\n_GATE = 3.7\n', encoding="utf-8")
    (tmp_path / "flow" / "scene").mkdir()
    (tmp_path / "flow" / "scene" / "motion.py").write_text("KNOT_S = 0.01\n", encoding="utf-8")
    (source,) = estimator_sources(tmp_path)  # the scene is not the estimator, a new package is
    assert source.constants == (
        Constant(package="flow/planted", place="flow/planted/gate.py:3", name="_GATE", value="3.7", kind=UNTAGGED),
    )
    assert counts([source])["flow/planted"][UNTAGGED] == 1


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("_A, _B = 3, -0.7", ["_A", "_B"]),
        ("_PAIR = (3.0, 4.0)", ["_PAIR"]),
        ("_TURN_RAD = np.radians(4.0)", ["_TURN_RAD"]),
        ("_POINT = chi2.isf(1e-6, 3)", ["_POINT"]),
        ("_BY = {'x': (2, 0.03)}", ["_BY"]),
        ("class Noise:\n    walk: float = 1e-5\n    _LEAST = 64", ["walk", "_LEAST"]),
        ("def f(a, b=0.3, *, c: float = 7.0, d=1): ...", ["b (default)", "c (default)"]),
        ("class F:\n    def f(self, a: int = 12) -> None: ...", ["a (default)"]),
        ("_HALF = 0.5", ["_HALF"]),  # somebody chose it, for all that formulas are full of halves
    ],
)
def test_what_is_a_constant(text: str, names: list[str]) -> None:
    assert [one.name for one in found(text)] == names


@pytest.mark.parametrize(
    "text",
    [
        "_OFF = 0",
        "_ONE = 1.0",
        "_YES = True",
        "_SIDE = 0.5 * _WIDTH**4",
        "_LAST = TABLE[7]",
        "_NAME = 'x'",
        "_X = re.compile('3')",
        "_NONE = np.zeros((3, 12))",
        "_PART = (slice(14, 15), slice(21, 22))",
    ],
)
def test_structure_is_no_constant(text: str) -> None:
    assert found(text) == []


def test_tags_are_read_beside_and_above() -> None:
    text = """
_A = 2.5  # prior: m/s^2 one-sigma, a small rotorcraft leans by so much
# rate: 1 in 1e6 rows, chi-square of three
# degrees of freedom
_B = 30.7
# Words about what follows.
_C = 4.685  # source: 1, Tukey's biweight at 95 % efficiency (Holland and Welsch 1977)
_D = (
    3.0,  # size: px, half of the kernel
    4.0,
)
def f(
    keep_s: float = 7.0,  # size: s, what interpolation needs
    gate: float = 9.0,
): ...
"""
    assert kinds(text) == {
        "_A": "prior", "_B": "rate", "_C": "source", "_D": "size", "keep_s (default)": "size", "gate (default)": UNTAGGED,
    }  # fmt: skip


@pytest.mark.parametrize(
    "comment",
    [
        "# prior:",
        "# prior: m/s",
        "# a prior: m/s, by experience",
        "# tuned: m/s, it worked",
        "# Prior: m/s, by experience",
        "",
    ],
)
def test_a_tag_needs_its_word_unit_and_reason(comment: str) -> None:
    assert kinds(f"_A = 2.5  {comment}\n") == {"_A": UNTAGGED}
    # What is said of a line above that has a value of its own is not said of this one.
    assert kinds(f"_B = 3.5  # prior: m, a room\n_A = 2.5  {comment}\n")["_A"] == UNTAGGED


def test_numbers_within_bodies_are_counted() -> None:
    text = """
def f(x, rows):
    if x > 5 and rows[7] is not None:
        return 0.3 * x + x**6 + 0.5 * x - 1
    return np.zeros((3, 12)) + min(x, 0.9)
"""
    # 5, 0.3 and 0.9: not the index, exponent, half, one, nor a shape.
    assert read_source(text, "flow/planted", "flow/planted.py").bare == 3


def test_numbers_that_do_not_say_where_they_come_from_do_not_grow() -> None:
    sources = estimator_sources()
    untagged = sum(one.kind == UNTAGGED for source in sources for one in source.constants)
    assert untagged <= MOST_UNTAGGED, "tag the new constant: python -m tests.benchmarks.constants --untagged"
    assert sum(source.bare for source in sources) <= MOST_BARE, "name the new number, and give it its tag"


def test_every_package_that_is_left_out_exists() -> None:
    present = {path.stem for path in (ROOT / "flow").iterdir()}
    assert present >= OTHERS
