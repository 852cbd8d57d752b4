"""The version of the installed package."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("groundpace")
except PackageNotFoundError:  # run from its folder without being installed
    __version__ = "0+unknown"
