"""Everything that can be explained, gathered from the definitions that the code itself uses."""

from __future__ import annotations

from collections.abc import Iterator

from cli.reference.entry import Entry
from cli.reference.options import option_entries
from flow.columns import AXES, FILES, CsvFile
from flow.error_sources import SOURCES, ErrorSource, Follows, Lasts
from flow.module_reference import ModuleKey, module_keys
from flow.statuses import FUSED_STATUSES, SPEED_STATUSES, Status

MODULE_FILE = "module.yaml"

LASTS = {
    Lasts.PAIR: "one pair of frames: it averages out",
    Lasts.FRAME: "one frame: it cancels in the sum of the two rows beside it",
    Lasts.STRETCH: "up to some seconds: it averages out over longer spans",
    Lasts.FLIGHT: "the whole flight: no averaging helps",
}
"""How long one draw of an error lasts."""

FOLLOWS = {
    Follows.CHANCE: "sign by chance",
    Follows.VELOCITY: "as a scale error of the velocity",
    Follows.BODY: "fixed to the body's axes",
}
"""What the effect on the speed goes with."""


def all_entries() -> tuple[Entry, ...]:
    """Give everything that can be explained, in the order of the reference."""
    return (
        *(entry for table in FILES for entry in file_entries(table)),
        *(_module_key(key) for key in module_keys()),
        *(_status(status, "speed.csv") for status in SPEED_STATUSES),
        *(_status(status, "fused.csv") for status in FUSED_STATUSES),
        *(_cause(source) for source in SOURCES),
        *(Entry(kind="axes", word=name, place="", facts=(("are", text),)) for name, text in AXES.items()),
        *option_entries(),
    )


def file_entries(table: CsvFile) -> Iterator[Entry]:
    """Explain a table and its columns."""
    stem = table.name.partition(".")[0]
    facts = (("holds", table.about), ("use", table.used_by), ("columns", ", ".join(table.names)))
    yield Entry(kind="file", word=table.name, place="", facts=facts, also=(stem,))
    for column in table.columns:
        yield Entry(
            kind="column",
            word=column.name,
            place=table.name,
            facts=(
                ("meaning", column.meaning),
                ("unit", "none" if column.unit == "1" else column.unit),
                ("axes", "" if column.axes == "none" else f"{column.axes}: {AXES[column.axes]}"),
                ("needed", "the file may lack it" if column.optional else ""),
            ),
            also=(f"{table.name}:{column.name}", f"{stem}.{column.name}"),
        )


def _module_key(key: ModuleKey) -> Entry:
    parts = key.path.split(".")
    return Entry(
        kind="module key",
        word=key.path,
        place=MODULE_FILE,
        facts=(
            ("meaning", key.meaning),
            ("unit", "none" if key.unit == "1" else key.unit),
            ("axes", "" if key.axes == "none" else f"{key.axes}: {AXES[key.axes]}"),
            ("default", key.default),
            ("limits", key.limits),
            *((f"value {word}", text) for word, text in key.values.items()),
            ("how to get it", key.how),
        ),
        also=(*(".".join(parts[k:]) for k in range(len(parts))), *parts[:-1], MODULE_FILE),
    )


def _status(status: Status, place: str) -> Entry:
    facts = (("meaning", status.meaning), ("what to do", status.remedy))
    return Entry(kind="status", word=status.word, place=place, facts=facts, also=("status",))


def _cause(source: ErrorSource) -> Entry:
    return Entry(
        kind="cause of error",
        word=source.value,
        place="",
        facts=(
            ("meaning", source.words),
            ("what to do", source.remedy),
            ("lasts", LASTS[source.lasts]),
            ("acts", FOLLOWS[source.follows]),
            ("module key", source.module_key),
        ),
        also=(source.label, source.label.replace(" ", "_"), "cause of error"),
    )
