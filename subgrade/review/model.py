"""What a review is given to show."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

from subgrade.results import FileIdentity, Graded


class Opened(Protocol):
    """A graded night that can be decided again with other marks."""

    @property
    def folder(self) -> Path:
        """RESULTS, absolute."""

    @property
    def run(self) -> str:
        """What the run is known by that wrote the results."""

    @property
    def marks_file(self) -> str | None:
        """The marks that the run was given, as it named them."""

    @property
    def marks(self) -> Mapping[str, str]:
        """``keep`` or ``reject`` by frame name: marks that the run followed."""

    @property
    def identities(self) -> Mapping[Path, FileIdentity]:
        """What the files were when they were graded."""

    def keeping(self) -> AbstractContextManager[None]:
        """Use inside what the run kept of dear steps."""

    def graded(self, marks: Mapping[str, str]) -> Graded:
        """The night with these marks."""
