"""A short recording, rendered once, and copies of it to spoil."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from flow import scene
from tests.cli.short_flight import small_module
from tests.flow.scene import grounds


@pytest.fixture(scope="session")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """1.2 s over gravel in gusts, 160 x 120 px, 60 frames/s: 66 frames with truth."""
    motion = scene.straight(1.2, height_m=1.0, speed_m_s=0.4) + scene.gusts(1.2, seed=1)
    spec = scene.SceneSpec(motion=motion, ground=grounds.gravel(), module=small_module(), seed=1)
    folder = tmp_path_factory.mktemp("flown") / "recording"
    scene.synthesize(folder, spec)
    return folder


@pytest.fixture
def recording(flown: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a copy to spoil, named as a user in its parent folder would name it."""
    shutil.copytree(flown, tmp_path / "rec")
    monkeypatch.chdir(tmp_path)
    return Path("rec")
