"""A lens that another program calibrated, for the module file."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from calib.provenance import provenance
from flow.lens_files import Layout, read_lens_file
from flow.lens_values import camera_values
from flow.module import Module


@dataclass(frozen=True, slots=True, kw_only=True)
class LensFromFile:
    """What a lens file says: ``section`` for the module file's ``camera``, and remarks, a sentence each."""

    layout: Layout
    section: dict[str, Any]
    remarks: tuple[str, ...]


def lens_from_file(
    source: str | os.PathLike[str],
    held: Module,
    *,
    model: Literal["pinhole", "fisheye"] | None = None,
    size_px: tuple[int, int] | None = None,
) -> LensFromFile:
    """Read the lens of a camera-info YAML or an OpenCV FileStorage file as a ``camera`` section.

    A readout time that ``held`` knows stays, with its sigma and origin; the sigmas of an older lens go, because
    they say nothing about this one.

    Parameters
    ----------
    source
        The lens file.
    held
        The module as it is.
    model, size_px
        As in :func:`flow.lens_files.read_lens_file`.

    Raises
    ------
    DataError
        The file cannot be read, or holds a lens that ours cannot express.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import calib, flow
    >>> from flow.lens_files import camera_info_text
    >>> module = flow.read_module("sample_video/flight/module.yaml")
    >>> path = Path(tempfile.mkdtemp()) / "lens.yaml"
    >>> _ = path.write_text(camera_info_text(module.camera, "small"))
    >>> found = calib.lens_from_file(path, module)
    >>> found.layout, found.section["fx_px"]
    ('camera-info', 266.28)
    """
    lens, layout = read_lens_file(source, model=model, size_px=size_px)
    values, remarks = camera_values(lens)
    values["provenance"] = provenance(Path(source), {"layout": layout})
    if held.camera is not None:
        older = held.camera.sigma.model_dump(exclude_unset=True)
        values["sigma"] = {key: older[key] for key in ("readout_s",) if key in older}
        readout = {key: said for key, said in held.camera.provenance.items() if key.startswith("readout_")}
        values["provenance"] |= readout
    if held.camera is None or "readout_s" not in held.camera.model_fields_set:
        remarks.append(
            "such a file does not say how long the shutter takes to roll: `groundpace calibrate alignment --readout` "
            "finds camera.readout_s"
        )
    elif (values["width_px"], values["height_px"]) != (held.camera.width_px, held.camera.height_px):
        size = f"{held.camera.width_px} x {held.camera.height_px} px"
        remarks.append(f"camera.readout_s stays as it was found at {size}; another mode of the camera has another one")
    remarks.append(
        "nor its one-sigmas: error bands assume a careful calibration (0.02 % of the focal length) "
        "until camera.sigma.fx_px and fy_px are set"
    )
    return LensFromFile(layout=layout, section=values, remarks=tuple(remarks))
