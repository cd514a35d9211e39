"""What the terminal can show: its width, its characters, and text made to fit both."""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from subgrade.plaintext import printable

NARROWEST, WIDEST = 60, 200
UNFOLDED = 100
"""Columns of what cannot be folded where there is no terminal."""
USUAL_LINES = 24
HARD = "\u00a0"
"""Blank at which no line is folded."""
PLAIN = {
    "″": '"', "′": "'", "±": "+/-", "°": " deg", "×": "x", "·": ".", "…": "...", "→": "->",
    "–": "-", "—": "-", "−": "-", "²": "^2", "σ": "sigma", "▁": "1", "█": "8",
}  # fmt: skip
"""What stands for a character that the output's encoding lacks."""


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
        Whether lines are folded and names shortened to the width.
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
        text = printable(text)
        if self.can_show(text):
            return text
        return "".join(c if self.can_show(c) else PLAIN.get(c, ascii(c)[1:-1]) for c in text)

    def shortened(self, name: str, width: int) -> str:
        """A name cut in the middle to a width, where the output folds at all."""
        name = self.shown(name)
        return elided(name, width, self.shown("…")) if self.folds else name

    def folded(self, text: str, indent: int, first: str = "") -> list[str]:
        """A paragraph indented behind its first words; one line where nothing is folded.

        A hard blank holds two words together, and is written as a plain one.
        A word too long for the width is left whole: it may be a path to copy.
        """
        head = f"{first:<{indent}}"
        whole = HARD.join(self.shown(part) for part in text.split(HARD))
        if not self.folds:
            return [head + whole.replace(HARD, " ")]
        lines = textwrap.wrap(
            whole, self.width, initial_indent=head, subsequent_indent=" " * indent,
            break_long_words=False, break_on_hyphens=False,
        )  # fmt: skip
        lines = [line.replace(HARD, " ") for line in lines]
        return lines or [head.rstrip()]


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


def printer(screen: Screen) -> Callable[[str, str], None]:
    """A function that prints one line in a style of `rich`, plain where nothing is styled."""
    from rich.console import Console
    from rich.text import Text

    class Plain(Console):
        def on_broken_pipe(self) -> None:
            raise  # rich would leave with code 1

    console = Plain(
        width=screen.width, force_terminal=screen.styled, highlight=False, soft_wrap=True,
        color_system="standard" if screen.styled else None,
    )  # fmt: skip
    return lambda text, style="": console.print(Text(text.rstrip(), style))


def elided(name: str, width: int, gap: str = "…") -> str:
    """A text cut in the middle so that both ends stay.

    >>> elided("light_M31_L_120s_0042.fits", 16)
    'light_M…042.fits'
    """
    from rich.cells import cell_len

    if cell_len(name) <= width:
        return name
    room = max(width - cell_len(gap), 2)
    head, tail = room // 2, room - room // 2
    # a wide character takes two columns
    left, right = name, name
    while cell_len(left) > head:
        left = left[:-1]
    while cell_len(right) > tail:
        right = right[1:]
    return left + gap + right


def padded(text: str, width: int, right: bool = False) -> str:
    """Text filled with blanks to a width, wide characters counted as the terminal does."""
    from rich.cells import cell_len

    blanks = " " * max(width - cell_len(text), 0)
    return blanks + text if right else text + blanks


def _number(text: str | None) -> int:
    return int(text) if text and text.isascii() and text.isdigit() else 0
