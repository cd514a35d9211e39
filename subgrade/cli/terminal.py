"""The standard streams as a shell leaves them, and what is laid out to be printed there.

`rich` measures, folds and lines up; it is imported when something is printed.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from subgrade.plaintext import printable

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Column
    from rich.text import Text

NARROWEST, NARROW, WIDEST = 60, 72, 200
UNFOLDED = 100
"""Columns of what cannot be folded where there is no terminal."""
ENDLESS = 10**6
"""Columns of a line that is not folded."""
USUAL_LINES = 24
HARD, WHOLE = "\ue000", "\ue001"
"""A blank at which no line is folded, and what fills the place of a word that is not cut; of the
private use area, so no text from outside holds them once it is printable."""
PLAIN = {
    **{"″": '"', "′": "'", "±": "+/-", "°": " deg", "×": "x", "·": ".", "…": "...", "→": "->"},
    **{"–": "-", "—": "-", "−": "-", "²": "^2", "σ": "sigma", "▁": "1", "█": "8"},
}
"""What stands for a character that the output's encoding lacks."""
OF_OUTPUT = (errno.EPIPE, errno.ENOSPC, errno.EBADF, errno.EIO)
"""Errors by which a stream can fail that is written to."""


@dataclass(frozen=True, slots=True)
class Screen:
    """What stdout can show.

    Attributes
    ----------
    width : int
        Columns to use.
    lines : int or None
        Lines that one screen holds; None where the output has no height.
    folds : bool
        Whether lines are folded to the width.
    styled : bool
        Whether colour and bold may be used.
    encoding : str
        Of the output; ``ascii`` for a terminal that can do nothing.
    """

    width: int = UNFOLDED
    lines: int | None = None
    folds: bool = False
    styled: bool = False
    encoding: str = "utf-8"

    def can_show(self, text: str) -> bool:
        """Whether the encoding has every character."""
        try:
            text.encode(self.encoding)
        except (UnicodeEncodeError, LookupError):
            return False
        return True

    def shown(self, text: str) -> str:
        """Text on one line in characters that the output has."""
        text = HARD.join(map(printable, text.split(HARD)))
        if self.can_show(text.replace(HARD, " ")):
            return text
        return "".join(
            c if c == HARD or self.can_show(c) else PLAIN.get(c, ascii(c)[1:-1]) for c in text
        )

    def folded(self, text: str, indent: int = 0, first: str = "", style: str = "") -> list[Text]:
        """A paragraph indented behind its first words; one line where nothing is folded.

        A hard blank holds two words together, and is printed as a plain one.
        A word too long for the width is left whole: it may be a path to copy.
        """
        from rich.cells import cell_len
        from rich.text import Text

        room = self.width - indent if self.folds else ENDLESS
        words = self.shown(text).split(" ")
        long = [word for word in words if cell_len(word) > room]
        held = " ".join(WHOLE * room if word in long else word for word in words)
        whole = iter(long)
        lines = [line.plain for line in Text(held).wrap(_console(self), room)]
        lines = [next(whole) if WHOLE in line else line for line in lines]
        heads = [f"{first:<{indent}}", *[" " * indent] * (len(lines) - 1)]
        return [
            Text((head + line).replace(HARD, " ").rstrip(), style)
            for head, line in zip(heads, lines, strict=True)
        ]

    def table(
        self,
        columns: Sequence[Column],
        rows: Iterable[Sequence[str] | Text],
        gap: int | None = None,
    ) -> list[Text]:
        """Rows under their titles, and between them lines over the whole width.

        Parameters
        ----------
        columns : sequence of rich.table.Column
            Without any title there is no row of titles. What is too long is folded, not cut.
        rows : iterable
            The texts of the cells, or a `Text` that is a line of its own.
        gap : int, optional
            Blanks between two columns; without it two, or one on a narrow terminal.

        Returns
        -------
        list of rich.text.Text
            The lines, the titles in bold.
        """
        from rich.table import Table
        from rich.text import Text

        if gap is None:
            gap = 1 if self.folds and self.width < NARROW else 2
        titled = any(column.header for column in columns)
        copies = [column.copy() for column in columns]  # each gathers the cells of its table
        for column in copies:
            column.overflow = "fold"
        grid = Table(
            *copies,
            box=None,
            padding=(0, gap, 0, 0),
            pad_edge=False,
            show_header=titled,
            header_style="bold",
        )
        rows = list(rows)
        for row in rows:
            # rich has no cell over several columns: an empty row keeps the place
            grid.add_row(*([] if isinstance(row, Text) else map(self.shown, row)))
        across = (row for row in rows if isinstance(row, Text))
        console = _console(self)
        options = console.options.update(width=self.width if self.folds else ENDLESS)
        lines = []
        for parts in console.render_lines(grid, options, pad=False):
            text = "".join(part.text for part in parts).replace(HARD, " ").rstrip()
            style = "bold" if any(part.style and part.style.bold for part in parts) else ""
            lines.append(Text(text, style) if text else next(across))
        return lines

    def show(self, lines: Iterable[Text]) -> None:
        """Print each line in its style, plain where nothing is styled."""
        for line in lines:
            _console(self).print(line)


@lru_cache(maxsize=8)
def _console(screen: Screen) -> Console:
    from rich.console import Console

    class Plain(Console):
        def on_broken_pipe(self) -> None:
            raise  # rich would leave with code 1

    return Plain(
        width=screen.width,
        force_terminal=screen.styled,
        color_system="standard" if screen.styled else None,
        highlight=False,
        markup=False,
        emoji=False,
        soft_wrap=True,
    )


def screen_of(stream=None, environment: Mapping[str, str] | None = None) -> Screen:
    """Ask stdout, the terminal and the environment.

    Parameters
    ----------
    stream : file, optional
        In place of stdout.
    environment : mapping, optional
        In place of ``os.environ``; ``COLUMNS``, ``LINES``, ``NO_COLOR``, ``FORCE_COLOR``
        and ``TERM`` are looked at.

    Returns
    -------
    Screen
    """
    stream = sys.stdout if stream is None else stream
    given = os.environ if environment is None else environment
    dumb = given.get("TERM", "").lower() in ("dumb", "unknown")
    terminal = stream.isatty() or bool(given.get("FORCE_COLOR"))
    columns, lines = _number(given.get("COLUMNS")), _number(given.get("LINES"))
    if stream.isatty() and not (columns and lines):
        try:
            real = os.get_terminal_size(stream.fileno())
        except (OSError, ValueError):
            real = os.terminal_size((80, USUAL_LINES))
        # a terminal that does not know its size reports 0
        columns, lines = columns or real.columns or 80, lines or real.lines or USUAL_LINES
    wide = columns or (80 if terminal else UNFOLDED)
    return Screen(
        width=min(max(wide, NARROWEST), WIDEST),
        lines=max(lines or USUAL_LINES, USUAL_LINES) if terminal else None,
        folds=terminal or bool(columns),
        styled=terminal and not dumb and not given.get("NO_COLOR"),
        encoding="ascii" if dumb else (getattr(stream, "encoding", None) or "ascii"),
    )


def _number(text: str | None) -> int:
    return int(text) if text and text.isascii() and text.isdigit() else 0


def prepare_streams() -> None:
    """Make sure that there is something to print to, and that any name can be printed.

    A descriptor that was closed would be taken by the next file opened, and a table would
    receive the summary.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest that is free
    for name, number in (("stdout", 1), ("stderr", 2)):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, os.fdopen(number, "w", encoding="utf-8", closefd=False))
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def is_of_output(error: OSError) -> bool:
    """Whether an error is one of printing, which names no file as those of files do."""
    return error.filename is None and error.errno in OF_OUTPUT


def finish() -> str | None:
    """Hand over what is left to print; why that is impossible, or None.

    A pipe that nobody reads any more has been read far enough.
    """
    lost = None
    for number, stream in ((1, sys.stdout), (2, sys.stderr)):
        try:
            stream.flush()
        except (OSError, ValueError) as error:
            broken = isinstance(error, BrokenPipeError) or number == 2
            lost = lost if broken else getattr(error, "strerror", None) or str(error)
            _drop(number)
    return lost


def _drop(number: int) -> None:
    """Keep the interpreter from trying again when it ends."""
    place = os.open(os.devnull, os.O_WRONLY)
    os.dup2(place, number)
    os.close(place)
