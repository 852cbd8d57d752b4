"""The module file that a calibration changes: read first, written last, and what is printed in between."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import hypot
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import click

from cli.console import print_text, result_console
from cli.progress import note

if TYPE_CHECKING:
    from cli.page.report import Fact, Page


class Target:
    """The module file that a calibration is about to change; read first, so that a broken one is reported at once."""

    def __init__(self, module: Path, command: str, dry_run: bool, report: Path | None) -> None:
        from flow.module import read_partial_module

        self._path, self._dry_run = module, dry_run
        self._report = report or module.with_name(f"{module.stem}-{command}.html")
        self._held = read_partial_module(module)
        self.name = self._held.name if module.exists() else module.stem

    def needs_lens(self) -> None:
        """Refuse a module file that is not there yet, or has no lens."""
        from flow.errors import DataError

        if self._held.camera is None:
            problem = "no such file" if not self._path.exists() else "has no camera section"
            command = f"groundpace calibrate lens IMAGES --board KIND:COLSxROWS:SIZE --module {self._path}"
            raise DataError(f"{problem}; the lens comes first: {command}", path=self._path)

    @property
    def assumed_air_temperature_c(self) -> float | None:
        """Air temperature that an ultrasonic sensor assumes."""
        return self._held.range.assumed_air_temperature_c

    @property
    def air_dependent_left_out(self) -> bool:
        """Whether the module file leaves it to the beam whether the air matters."""
        return self._held.range.air_dependent is None

    def is_air_dependent(self, beam: str | None) -> bool:
        """Whether readings depend on the air, by the file and, where given, by the beam that is about to be written."""
        held = self._held.range
        return (held if beam is None else held.model_copy(update={"beam": beam})).is_air_dependent

    def surer_bias(self, bias_rad_s: Sequence[float], sigma_rad_s: Sequence[float]) -> bool:
        """Whether the file's own gyro bias agrees with this one within three sigma, and has smaller sigmas."""
        held = self._held.gyro
        if "bias_rad_s" not in held.sigma.model_fields_set:
            return False
        axes = zip(held.bias_rad_s, held.sigma.bias_rad_s, bias_rad_s, sigma_rad_s, strict=True)
        return all(
            old_sigma < new_sigma and abs(old - new) < 3 * hypot(old_sigma, new_sigma)
            for old, old_sigma, new, new_sigma in axes
        )

    def with_other_sigmas(self, section: str, values: Mapping[str, Any]) -> dict[str, Any]:
        """Give ``values`` with the sigmas of keys that this calibration does not find; a readout keeps its origin."""
        held = getattr(self._held, section)
        if held is None:
            return dict(values)
        sigma = held.sigma.model_dump(exclude_unset=True, exclude_none=True) | values["sigma"]
        readout = {key: said for key, said in held.provenance.items() if key.startswith("readout_")}
        return {**values, "sigma": sigma, "provenance": values["provenance"] | readout}

    def finish(
        self,
        sections: Mapping[str, Mapping[str, Any]],
        facts: Sequence[Fact],
        remarks: Sequence[str],
        page: Callable[[], Page],
    ) -> None:
        """Print the result; write report and module file, or show the change."""
        from flow.disk.files import write_text
        from flow.module import section_diff

        text = self._updated(sections)
        tell(facts, remarks)
        if self._dry_run:
            click.echo(section_diff(self._path, text), nl=False)
            note(f"dry run: {self._path} stays as it is")
            return
        from cli.page.report import render

        write_text(self._report, render(page()))
        write_text(self._path, text)
        written = f"written: {' and '.join(sections)} in {self._path}, {self._report}"
        print_text(result_console(), written)

    def _updated(self, sections: Mapping[str, Mapping[str, Any]]) -> str:
        """Text of the module file with all sections renewed, worked out on a copy."""
        from flow.module import section_update

        text = ""
        with TemporaryDirectory() as folder:
            copy = Path(folder) / self._path.name
            if self._path.exists():
                copy.write_bytes(self._path.read_bytes())
            for section, values in sections.items():
                text = section_update(copy, section, values)
                copy.write_text(text, encoding="utf-8", newline="\n")
        return text


def tell(facts: Sequence[Fact], remarks: Sequence[str]) -> None:
    """Print each value with its meaning, then the remarks, as the result."""
    console = result_console()
    width = max(len(fact.name) for fact in facts)
    value_width = min(36, max(len(fact.value) for fact in facts))
    for fact in facts:
        print_text(console, fact.meaning, label=f"{fact.name:<{width}}  {fact.value:<{value_width}}  ")
    for remark in remarks:
        print_text(console, remark, label="note: ")
