"""What a user imports: quick to load, typed, documented, and each with an example that runs."""

from __future__ import annotations

import doctest
import importlib
import inspect
import itertools
import json
import re
import subprocess
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import flow
from flow.columns import SPEED
from flow.speedlog import SpeedLogWriter

ROOT = Path(__file__).parents[1]
PACKAGES = ("flow", "calib", "flow.fusion")
NEVER_AT_FIRST = {
    "pandas",
    "pyarrow",
    "plotly",
    "scipy",
    "numba",
    "cv2",
    "av",
    "pydantic",
    "rosbags",
    "jinja2",
    "ruamel",
}
NEVER_TO_MEASURE = {"pandas", "pyarrow", "plotly", "scipy.stats", "scipy.optimize", "scipy.signal", "rosbags", "jinja2"}
EXPORTED = [(package, name) for package in PACKAGES for name in importlib.import_module(package).__all__]


def loaded_by(program: str) -> set[str]:
    """Names of the modules that a fresh interpreter has loaded after a program."""
    code = f"{program}\nimport sys, json\nprint(json.dumps(sorted(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    return set(json.loads(run.stdout))


@pytest.mark.parametrize("package", PACKAGES)
def test_importing_a_package_loads_nothing_heavy(package: str) -> None:
    loaded = loaded_by(f"import {package}")
    assert package in loaded
    assert not loaded & NEVER_AT_FIRST


def test_what_a_live_loop_needs_loads_no_tables_and_no_charts() -> None:
    loaded = loaded_by("import flow; flow.Estimator, flow.measure, flow.open_recording, flow.GyroSamples")
    assert "flow.estimator" in loaded
    assert not loaded & NEVER_TO_MEASURE


def test_help_loads_nothing_heavy() -> None:
    loaded = loaded_by(
        "from click.testing import CliRunner; from cli.main import main; CliRunner().invoke(main, ['--help'])"
    )
    assert not loaded & (NEVER_AT_FIRST | {"rich", "numpy", "flow"})


@pytest.mark.parametrize(("package", "name"), EXPORTED)
def test_every_exported_name_is_there_and_documented(package: str, name: str) -> None:
    module = importlib.import_module(package)
    found = getattr(module, name)
    assert name in dir(module)
    if name != "__version__":
        assert found.__name__ == name
        assert inspect.getdoc(found)


def example(found: Any) -> list[doctest.Example]:
    return doctest.DocTestParser().get_examples(inspect.getdoc(found) or "")


def results_of_functions() -> set[str]:
    """Names of the classes that exported functions return: the functions' examples show them."""
    functions = [getattr(importlib.import_module(package), name) for package, name in EXPORTED]
    return {str(f.__annotations__.get("return")) for f in functions if inspect.isfunction(f)}


@pytest.mark.parametrize(("package", "name"), [pair for pair in EXPORTED if pair[1] != "__version__"])
def test_every_exported_name_has_an_example(package: str, name: str) -> None:
    found = getattr(importlib.import_module(package), name)
    if inspect.isfunction(found) or package != "calib" or name not in results_of_functions():
        assert example(found), f"{package}.{name}: a doctest is missing"
    if inspect.isfunction(found):
        assert any(name in line.source for line in example(found))


def test_the_function_stays_a_function_beside_its_module() -> None:
    module = importlib.import_module("flow.measure")
    assert flow.measure is module.measure
    assert callable(flow.measure)


def test_the_version_is_that_of_the_package() -> None:
    assert flow.__version__ == version("groundpace")


@pytest.mark.parametrize("package", ["flow", "calib", "cli"])
def test_packages_say_that_they_are_typed(package: str) -> None:
    assert (ROOT / package / "py.typed").exists()
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    assert {"py.typed", "*.pyi"} <= set(settings["tool"]["setuptools"]["package-data"]["*"])


# What flow's own types are made of counts; the libraries behind its code do not, and take mypy half a minute.
MYPY = """\
[mypy]
strict = True
follow_imports = silent
[mypy-scipy.*,numba.*,cv2.*,av.*,rosbags.*,ruamel.*]
follow_imports = skip
follow_imports_for_stubs = True
"""


def mypy_says(program: str, folder: Path) -> str:
    """Give what mypy strict says of a user's program; empty where nothing is wrong."""
    (folder / "mypy.ini").write_text(MYPY)
    (folder / "program.py").write_text(program, encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--config-file", str(folder / "mypy.ini"), "--no-error-summary"]
    command += ["--cache-dir", str(folder / "cache"), str(folder / "program.py")]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False).stdout


def test_the_readmes_example_passes_mypy_strict(tmp_path: Path) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    [block] = re.findall(r"```python\n(.*?)```", readme, flags=re.DOTALL)
    assert mypy_says(block, tmp_path) == ""
    # The check can fail: a row may have no velocity, and its speed is a number.
    hasty = block.replace(
        "isinstance(velocity := result.row.velocity, flow.LevelVelocity)",
        "(velocity := result.row.velocity).status == 'ok'",
    )
    assert hasty != block
    assert 'Item "NoVelocity" of "LevelVelocity | NoVelocity" has no attribute "forward_m_s"' in mypy_says(
        hasty, tmp_path
    )


def test_a_table_of_results_is_the_table_of_the_file(tmp_path: Path) -> None:
    recording = flow.open_recording(ROOT / "sample_video" / "flight")
    results = list(itertools.islice(flow.measure(recording, positions=False, first_pass=False), 40))
    silent = flow.SpeedRow(
        time_s=results[-1].row.time_s + 0.02, interval_s=0.02, velocity=flow.NoVelocity(reason="few_tracks"),
        height_m=None, height_sigma_m=None, tracks=0, inlier_share=None,
    )  # fmt: skip
    rows = [*results, silent]
    with SpeedLogWriter(tmp_path / "speed.csv") as log:
        for row in rows:
            log.write(row if isinstance(row, flow.SpeedRow) else row.row)
    made, read = flow.speed_table(rows), flow.read_speed_log(tmp_path / "speed.csv")
    assert list(made.columns) == list(read.columns) == list(SPEED.names)
    assert (made.dtypes == read.dtypes).all()
    # An independent reader finds the same types in the file.
    plain = pd.read_csv(tmp_path / "speed.csv")
    assert [kind.kind for kind in plain.dtypes[:-1]] == [kind.kind for kind in read.dtypes[:-1]]
    pd.testing.assert_frame_equal(read, plain, check_dtype=True)
    # The file keeps 7 decimals of a time, 6 of a velocity, 5 of a height and 4 of a share: half a unit of the last, and a
    # millionth of it for the binary rounding.
    for name in SPEED.needed:
        decimals = 7 if name in ("time_s", "interval_s") else 5 if "height" in name else 4 if "share" in name else 6
        difference = np.abs(made[name] - read[name]).dropna()
        assert difference.max() <= 0.5 * 10**-decimals * (1 + 1e-6)
        assert (made[name].isna() == read[name].isna()).all()
    assert made.status.to_list() == read.status.to_list()
    assert read.status.iloc[-1] == "few_tracks" and np.isnan(read.forward_m_s.iloc[-1])


def test_a_table_of_nothing_has_the_columns_too() -> None:
    empty = flow.speed_table([])
    assert list(empty.columns) == list(SPEED.names)
    assert empty.tracks.dtype == np.int64
