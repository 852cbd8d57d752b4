"""``flow`` imports nothing else of ours, ``calib`` may import ``flow``, ``cli`` both, and nobody ``cli``."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ALLOWED = {"flow": {"flow"}, "calib": {"flow", "calib"}, "cli": {"flow", "calib", "cli"}}


def ours_imported(source: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(source.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add((node.module or "").split(".")[0] if node.level == 0 else source.relative_to(ROOT).parts[0])
    return found & ALLOWED.keys()


@pytest.mark.parametrize("package", sorted(ALLOWED))
def test_layers_hold(package: str) -> None:
    sources = list((ROOT / package).rglob("*.py"))
    assert sources
    for source in sources:
        beyond = ours_imported(source) - ALLOWED[package]
        assert not beyond, f"{source.relative_to(ROOT)} imports {', '.join(sorted(beyond))}"


@pytest.mark.parametrize(
    ("package", "above"),
    [("pair", ("faults", "stages", "estimator")), ("faults", ("stages", "estimator")), ("stages", ("estimator",))],
)
def test_what_measures_is_a_stack(package: str, above: tuple[str, ...]) -> None:
    """Pairs know nothing of the checks, checks nothing of the stages, stages nothing of who strings them together."""
    sources = list((ROOT / "flow" / package).rglob("*.py"))
    assert sources
    for source in sources:
        modules = [n.module or "" for n in ast.walk(ast.parse(source.read_text())) if isinstance(n, ast.ImportFrom)]
        beyond = [module for module in modules if module.startswith(tuple(f"flow.{name}" for name in above))]
        assert not beyond, f"{source.relative_to(ROOT)} imports {', '.join(beyond)}"
