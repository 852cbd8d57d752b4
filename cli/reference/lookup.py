"""Finds what a word means, or the words that come nearest to it."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from cli.reference.entry import Entry

_MOST, _LIKE = 4, 0.6  # suggestions, and how like the word they must be (difflib's own default)


def find(word: str, entries: Sequence[Entry]) -> list[Entry]:
    """Give everything that a word means.

    Capitals do not count, and hyphens within a name mean underscores. Words of the very name come before others.
    """
    asked = word.strip().lower()
    found = [entry for entry in entries if asked in entry.asked]
    if not found and not asked.startswith("-"):
        asked = asked.replace("-", "_").replace(" ", "_")
        found = [entry for entry in entries if asked in entry.asked]
    return sorted(found, key=lambda entry: entry.word.lower() != asked)


def nearest(word: str, entries: Sequence[Entry]) -> list[str]:
    """Give the known words that come nearest to one that is unknown, the best first."""
    known = sorted({name for entry in entries for name in entry.asked})
    return difflib.get_close_matches(word.strip().lower(), known, n=_MOST, cutoff=_LIKE)
