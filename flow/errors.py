"""What goes wrong with a user's data, said in one line.

Libraries raise :class:`DataError`; ``cli.main`` alone turns it into a message and exit code 1.
"""

from __future__ import annotations

import os
from pathlib import Path


class DataError(Exception):
    """The data cannot serve; the message says where, why and what to do.

    Parameters
    ----------
    problem
        What is wrong and how to mend it, one line, no final full stop needed.
    path
        The file or folder it is about.
    line
        Line in that file, counted from 1 (the header of a CSV file is line 1).
    key
        Column name, YAML key or option that is wrong.

    Examples
    --------
    >>> print(DataError("912 rad/s is beyond any gyro; is the log in deg/s?",
    ...                 path="gyro.csv", line=41, key="gyro_x_rad_s"))
    gyro.csv:41: gyro_x_rad_s: 912 rad/s is beyond any gyro; is the log in deg/s?
    """

    def __init__(
        self,
        problem: str,
        *,
        path: str | os.PathLike[str] | None = None,
        line: int | None = None,
        key: str | None = None,
    ) -> None:
        self.problem = problem
        self.path = None if path is None else Path(path)
        self.line = line
        self.key = key
        where = "" if path is None else os.fspath(path) + ("" if line is None else f":{line}") + ": "
        super().__init__(" ".join((where + ("" if key is None else f"{key}: ") + problem).split()))
