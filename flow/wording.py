"""Small words of messages: numbers with their nouns."""

from __future__ import annotations


def counted(number: int, noun: str, plural: str | None = None) -> str:
    """Give a number with its noun in singular or plural.

    >>> counted(1, "image"), counted(2, "image"), counted(0, "axis", "axes")
    ('1 image', '2 images', '0 axes')
    """
    return f"{number} {noun if number == 1 else plural or noun + 's'}"
