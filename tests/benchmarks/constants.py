"""Every number that the estimator was given, and where it says that it comes from.

Run ``python -m tests.benchmarks.constants`` for counts by package, ``--untagged`` or ``--all`` for each constant with its place.

A constant says what it is in a comment beside it: at the end of one of its lines, or in the comment block right above it. The
comment begins with one of five words, a colon, the unit, a comma and the reason; it may go on as it likes::

    _ACCELERATION_M_S2 = 2.0  # prior: m/s^2 one-sigma, a small rotorcraft that leans by 12 degrees
    # rate: 1 in 1e6 rows, the chi-square point of three degrees of freedom
    _GATE = 30.7

``prior`` is what is believed before any measurement, ``density`` a noise density, ``rate`` a stated false-alarm rate, ``size`` a
geometry, a buffer or a kernel, ``source`` a published value. Whatever lacks this is listed as not saying where it comes from.

Constants are the numbers of module and class level, alone, in tuples or in formulas, and the defaults of arguments. In a
formula 0, 1, 2, 0.5, indices and exponents are its structure; by itself only 0 or 1 is. Numbers within function bodies have no
place for a tag: floats there and integers from 4 that are compared or calculated with are counted as "bare".
"""

from __future__ import annotations

import argparse
import ast
import io
import re
import tokenize
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
TAGS = ("prior", "density", "rate", "size", "source")
UNTAGGED = "does not say where it comes from"
# fmt: off
OTHERS = frozenset({
    "__init__", "accuracy", "ahead", "air", "benchmark", "budget", "camera", "choices", "columns", "disk",
    "error_sources", "errors", "estimator", "figures", "intake", "lens_files", "lens_values", "luma", "measure",
    "module", "module_keys", "module_reference", "numerics", "outlet", "recording", "registration", "result",
    "rotation", "row", "scene", "section_sigmas", "sections", "series", "speedlog", "statuses", "tables",
    "tracks", "unknown_key", "version", "video", "wording",
})
# fmt: on
"""What in ``flow`` is not looked at; a package that is new there is looked at until it is named here."""

_TAG = re.compile(rf"({'|'.join(TAGS)}):\s*([^,]*\S)\s*,\s*\S")
_STRUCTURE = {0, 1, 2, 0.5}  # within a formula
_NO_CHOICE = {0, 1}  # by themselves
_SHAPED = {"zeros", "ones", "empty", "eye", "slice", "range"}  # their arguments are shapes and indices
_LEAST_INTEGER = 4  # axes and shapes have up to three


@dataclass(frozen=True, slots=True, kw_only=True)
class Constant:
    """A number with a name, as the source has it; ``kind`` is one of :data:`TAGS`, or :data:`UNTAGGED`."""

    package: str
    place: str
    name: str
    value: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """What a file holds: its constants, and how many numbers stand bare in function bodies."""

    package: str
    constants: tuple[Constant, ...]
    bare: int


def estimator_sources(root: Path = ROOT) -> list[Source]:
    """Read the estimator's files."""
    flow = root / "flow"
    found = []
    for path in sorted(flow.rglob("*.py")):
        package = path.relative_to(flow).parts[0].removesuffix(".py")
        if package not in OTHERS:
            found.append(read_source(path.read_text(), f"flow/{package}", str(path.relative_to(root))))
    return found


def read_source(text: str, package: str, path: str) -> Source:
    """Find the constants of a Python file and what their comments say."""
    tree, comments = ast.parse(text), _comments(text)
    constants = [
        Constant(
            package=package, place=f"{path}:{first}", name=name, value=ast.unparse(value),
            kind=_kind(comments, first, value.end_lineno or first),
        )
        for name, value, first in _named(tree)
    ]  # fmt: skip
    return Source(package=package, constants=tuple(constants), bare=_bare(tree))


def _named(tree: ast.Module) -> Iterator[tuple[str, ast.expr, int]]:
    """Names, values and first lines of the constants: assignments of modules and classes, then defaults of arguments."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef):
            yield from _assigned(node.body)
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            yield from _defaults(node.args)


def _assigned(body: Iterable[ast.stmt]) -> Iterator[tuple[str, ast.expr, int]]:
    for statement in body:
        if isinstance(statement, ast.If | ast.Try):
            yield from _assigned(statement.body)
        elif isinstance(statement, ast.Assign):
            for target in statement.targets:
                yield from _pairs(target, statement.value, statement.lineno)
        elif isinstance(statement, ast.AnnAssign) and statement.value is not None:
            yield from _pairs(statement.target, statement.value, statement.lineno)


def _pairs(target: ast.expr, value: ast.expr, first: int) -> Iterator[tuple[str, ast.expr, int]]:
    """Match ``a, b = 1, 2`` one to one; a tuple with one name is one constant."""
    both = isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple)
    if both and len(target.elts) == len(value.elts):  # type: ignore[attr-defined]
        for one, its in zip(target.elts, value.elts, strict=True):  # type: ignore[attr-defined]
            yield from _pairs(one, its, first)
    elif _is_number(value):
        yield ast.unparse(target), value, first


def _defaults(arguments: ast.arguments) -> Iterator[tuple[str, ast.expr, int]]:
    positional = [*arguments.posonlyargs, *arguments.args]
    pairs = [*zip(positional[::-1], arguments.defaults[::-1], strict=False)]
    pairs += [(name, value) for name, value in zip(arguments.kwonlyargs, arguments.kw_defaults, strict=True) if value]
    for name, value in pairs:
        if _is_number(value):
            yield f"{name.arg} (default)", value, name.lineno


def _is_number(value: ast.expr) -> bool:
    """Tell whether an expression was chosen: a number, or a formula, tuple or call that is built of some."""
    if isinstance(value, ast.UnaryOp):
        return _is_number(value.operand)
    if isinstance(value, ast.Constant):
        return _number(value) is not None and _number(value) not in _NO_CHOICE
    if not _is_formula(value):
        return False
    return any(number not in _STRUCTURE for number in _numbers(value))


def _is_formula(value: ast.expr) -> bool:
    """Tell arithmetic, containers and calls, such as a point of a distribution, from types and text."""
    return isinstance(value, ast.BinOp | ast.Tuple | ast.List | ast.Dict | ast.Set | ast.IfExp | ast.Call)


def _numbers(node: ast.AST) -> Iterator[float]:
    """Give the numbers of an expression without shapes, indices and exponents."""
    if isinstance(node, ast.Constant):
        if (number := _number(node)) is not None:
            yield number
        return
    if isinstance(node, ast.Call) and ast.unparse(node.func).rpartition(".")[2] in _SHAPED:
        return
    for name, child in ast.iter_fields(node):
        if (isinstance(node, ast.Subscript) and name == "slice") or _is_exponent(node, name):
            continue
        for part in child if isinstance(child, list) else [child]:
            if isinstance(part, ast.AST):
                yield from _numbers(part)


def _is_exponent(node: ast.AST, name: str) -> bool:
    return isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow) and name == "right"


def _number(node: ast.Constant) -> float | None:
    is_number = isinstance(node.value, int | float) and not isinstance(node.value, bool)
    return abs(node.value) if is_number else None  # type: ignore[arg-type]


def _bare(tree: ast.Module) -> int:
    """Count numbers in function bodies that calculate or compare, but for the structure of formulas."""
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]
    counted = {}
    for function in functions:
        for statement in function.body:
            for node in ast.walk(statement):
                if isinstance(node, ast.BinOp | ast.Compare):
                    counted |= {id(one): one for one in _operands(node) if _is_bare(one)}
                elif isinstance(node, ast.Call):
                    counted |= {id(one): one for one in node.args if _is_bare(one) and isinstance(_value(one), float)}
    return len(counted)


def _operands(node: ast.BinOp | ast.Compare) -> list[ast.expr]:
    if isinstance(node, ast.Compare):
        return [node.left, *node.comparators]
    return [node.left] if isinstance(node.op, ast.Pow) else [node.left, node.right]


def _is_bare(node: ast.expr) -> bool:
    value = _value(node)
    if value is None or value in _STRUCTURE:
        return False
    return isinstance(value, float) or value >= _LEAST_INTEGER


def _value(node: ast.expr) -> float | None:
    return _number(node) if isinstance(node, ast.Constant) else None


def _comments(text: str) -> dict[int, tuple[str, bool]]:
    """Give by line its comment, without the sign, and whether it has the line for itself."""
    found = {}
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type == tokenize.COMMENT:
            found[token.start[0]] = token.string.lstrip("# "), not token.line[: token.start[1]].strip()
    return found


def _kind(comments: dict[int, tuple[str, bool]], first: int, last: int) -> str:
    """Read the tag beside a constant: on its own lines, else in the block above, of which the first line counts."""
    said = [comments[line][0] for line in range(first, last + 1) if line in comments]
    above, top = first - 1, None
    while above in comments and comments[above][1]:
        top, above = comments[above][0], above - 1
    if top is not None:
        said.append(top)
    return next((match[1] for text in said if (match := _TAG.match(text))), UNTAGGED)


def counts(sources: Iterable[Source]) -> dict[str, Counter[str]]:
    """Count constants by package and kind, and numbers that stand bare."""
    found: dict[str, Counter[str]] = {}
    for source in sources:
        by_kind = found.setdefault(source.package, Counter())
        by_kind.update(constant.kind for constant in source.constants)
        by_kind["bare"] += source.bare
    return found


def main() -> None:
    """Print the counts, and the constants that are asked for."""
    parser = argparse.ArgumentParser(description="Where the estimator's numbers come from. See the module's text.")
    parser.add_argument("--untagged", action="store_true", help="list the constants that do not say")
    parser.add_argument("--all", action="store_true", help="list every constant")
    asked = parser.parse_args()
    sources = estimator_sources()
    for constant in (one for source in sources for one in source.constants):
        if asked.all or (asked.untagged and constant.kind == UNTAGGED):
            print(f"{constant.place}: {constant.name} = {constant.value}: {constant.kind}")
    by_package = counts(sources)
    by_package["in all"] = sum(by_package.values(), Counter())
    heads = (*TAGS, "untagged", "bare in bodies")
    print(f"{'package':16}" + "".join(f"{head:>15}" for head in heads))
    for package, found in by_package.items():
        print(f"{package:16}" + "".join(f"{found[kind]:15d}" for kind in (*TAGS, UNTAGGED, "bare")))


if __name__ == "__main__":
    main()
