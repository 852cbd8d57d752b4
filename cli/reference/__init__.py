"""The reference: every file, column, key, status, cause of error and option, from the definitions that the code uses."""

from cli.reference.entry import KINDS, Entry
from cli.reference.gather import all_entries
from cli.reference.lookup import find, nearest

__all__ = ["KINDS", "Entry", "all_entries", "find", "nearest"]
