"""A bag of any kind as a stream of messages: ROS 1, ROS 2 in SQLite, MCAP; no ROS needed."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from types import TracebackType
from typing import Any

from rosbags.highlevel import AnyReader
from rosbags.typesys import Stores, get_typestore

from flow.errors import DataError
from flow.intake.bag_topics import Topic

_MAGIC = {b"#ROSBAG V2.0": ".bag", b"\x89MCAP0\r\n": ".mcap", b"SQLite format 3\0": ".db3"}
_FOLDER_MARK = b"rosbag2_bagfile_information"


def is_bag(path: Path) -> bool:
    """Whether a file or folder is a bag, by its first bytes or its ``metadata.yaml``."""
    return (path.is_dir() and _is_bag_folder(path)) or (path.is_file() and _suffix(path) is not None)


class BagReader:
    """The topics of a bag and its messages, one at a time.

    Use it as a context manager; each iteration reads the file anew.

    Raises
    ------
    DataError
        On entering or while iterating: no bag, cut short, damaged, or of a kind that cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._stack = ExitStack()

    def __enter__(self) -> BagReader:
        with self._stack:
            try:
                store = get_typestore(Stores.LATEST)  # for older bags, which hold no message definitions
                reader = AnyReader([self._named()], default_typestore=store)
                self._reader = self._stack.enter_context(reader)
            except Exception as error:  # a damaged file makes the library fail in every way there is
                raise self._unreadable(error) from None
            self._stack = self._stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        return self._stack.__exit__(kind, error, trace)

    @property
    def topics(self) -> list[Topic]:
        """What the bag holds, by name."""
        held = sorted(self._reader.topics.items())
        return [Topic(name=name, kind=info.msgtype or "several types", count=info.msgcount) for name, info in held]

    def messages(self, names: Collection[str]) -> Iterator[tuple[str, Any]]:
        """Give topic and message of the named topics, in the order of arrival."""
        connections = [held for held in self._reader.connections if held.topic in names]
        stream = self._reader.messages(connections=connections)
        while True:
            try:
                connection, _, data = next(stream)
                message = self._reader.deserialize(data, connection.msgtype)
            except StopIteration:
                return
            except Exception as error:  # as above
                raise self._unreadable(error) from None
            yield connection.topic, message

    def _named(self) -> Path:
        """Give a path whose suffix says what the content is; the library goes by the suffix."""
        if self.path.is_dir():
            return self.path
        suffix = _suffix(self.path)
        if suffix is None or self.path.suffix == suffix:
            return self.path
        link = Path(self._stack.enter_context(TemporaryDirectory())) / f"bag{suffix}"
        link.symlink_to(self.path.resolve())
        return link

    def _unreadable(self, error: Exception) -> DataError:
        reason = str(error).splitlines()[0].strip(" .") if str(error) else type(error).__name__
        remedy = "was it cut short, or not closed after recording?"
        if "rofile" in reason:  # an MCAP file says in its header what its messages are
            remedy = "only MCAP files with ROS 2 messages can be read"
        problem = f"cannot be read as a bag ({reason}); {remedy}"
        return DataError(problem, path=self.path)


def _is_bag_folder(path: Path) -> bool:
    try:
        return _FOLDER_MARK in (path / "metadata.yaml").read_bytes()[:4096]
    except OSError:
        return False


def _suffix(path: Path) -> str | None:
    """Name the suffix that belongs to the content of a file; None where it is no bag."""
    with path.open("rb") as file:
        start = file.read(16)
    return next((suffix for magic, suffix in _MAGIC.items() if start.startswith(magic)), None)
