"""One thing that can be explained."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

Kind: TypeAlias = Literal[
    "file", "column", "module key", "status", "cause of error", "axes", "command", "option", "option value"
]

KINDS: tuple[Kind, ...] = get_args(Kind)
"""All kinds, in the order in which they are listed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What a word means in one place.

    Parameters
    ----------
    kind
        What the word is.
    word
        The word.
    place
        Where it stands: a file, a section, a command; empty where the word is unique.
    facts
        Title and text of what there is to say, in order; an empty text is left out.
    also
        Other ways to ask for it.
    """

    kind: Kind
    word: str
    place: str
    facts: tuple[tuple[str, str], ...]
    also: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """What it is and where, in a few words."""
        return f"{self.word}: {self.kind}{f' of {self.place}' if self.place else ''}"

    @property
    def told(self) -> tuple[tuple[str, str], ...]:
        """The facts that have a text."""
        return tuple(fact for fact in self.facts if fact[1])

    @property
    def asked(self) -> frozenset[str]:
        """Every word that asks for it, in small letters."""
        return frozenset(name.lower() for name in (self.word, *self.also))

    def as_dict(self) -> dict[str, str]:
        """Give it as plain values."""
        facts = {title.replace(" ", "_"): text for title, text in self.told}
        return {"kind": self.kind, "word": self.word, "place": self.place, **facts}
