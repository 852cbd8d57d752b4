"""Commands that fail in every way a command may; the tests put them in place of the real ones."""

from __future__ import annotations

import errno
import os
import sys

import click


@click.group()
def fail() -> None:
    """Fail."""


@fail.command()
def data() -> None:
    """Meet data that cannot serve."""
    from flow.errors import DataError

    raise DataError("912 rad/s is beyond any gyro", path="gyro.csv", line=41, key="gyro_x_rad_s")


@fail.command()
def interrupt() -> None:
    """Be interrupted."""
    raise KeyboardInterrupt


@fail.command()
def space() -> None:
    """Meet a full disk."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "speed.csv")


@fail.command()
def bug() -> None:
    """Be wrong."""
    raise ZeroDivisionError


@fail.command()
def flood() -> None:
    """Write until nobody reads."""
    for _ in range(100_000):
        sys.stdout.write("0.1,0.2,0.3\n")
