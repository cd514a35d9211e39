"""The errors a caller can meet, each naming the file and the cause."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import ClassVar


class SubgradeError(Exception):
    """Base of every error that subgrade raises on purpose.

    Attributes
    ----------
    exit_code : int
        What the command line leaves with where this ends it.
    """

    exit_code: ClassVar[int] = 2


class UnreadableFile(SubgradeError):
    """A file that is damaged, truncated, unsupported or not an image.

    Parameters
    ----------
    path : path-like
        The file at fault.
    cause : str
        What is wrong, in plain words, without the path.
    """

    def __init__(self, path: str | Path, cause: str) -> None:
        self.path = Path(path)
        self.cause = cause
        super().__init__(f"{self.path}: {cause}")

    def __reduce__(
        self,
    ) -> tuple[
        type[UnreadableFile], tuple[Path, str]
    ]:  # crosses process boundaries with its fields
        return type(self), (self.path, self.cause)


class UsageError(SubgradeError):
    """An option or settings file that cannot be acted on."""


class NothingToGrade(SubgradeError):
    """No light frame was found or could be measured."""

    exit_code = 1


class ResultsError(SubgradeError):
    """A results folder that is missing, incomplete or does not hold the frame."""


class NotWritten(ResultsError):
    """Results that cannot be written: no permission, no room, a disk that fails."""

    exit_code = 4


class NotMoved(SubgradeError):
    """Files that cannot be moved safely, so that none was.

    Parameters
    ----------
    text : str
        What came of it.
    problems : sequence of (str, str)
        Each file and its cause.
    """

    def __init__(self, text: str, problems: Iterable[tuple[str, str]]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n  ".join([text, *(f"{file}: {cause}" for file, cause in problems)]))
