"""Text from outside made safe to show; every part may import it."""

from __future__ import annotations


def clean(text: str) -> str:
    """Text from a header or a record on one line, with nothing in it that steers a screen.

    Whatever stands for a blank or a line end becomes a blank; any other control character,
    direction mark or byte that is no text is written out, as in ``\\x1b``.

    >>> clean("M 31\\x0bcore\\x85\\x1b[2J")
    'M 31 core \\\\x1b[2J'
    """
    if text.isprintable():
        return text
    return "".join(" " if c.isspace() else _written_out(c) for c in text)


def printable(text: str) -> str:
    """A name or sentence with every character that cannot be shown written out.

    >>> printable("a\\nb")
    'a\\\\nb'
    """
    return text if text.isprintable() else "".join(map(_written_out, text))


def _written_out(character: str) -> str:
    return character if character.isprintable() else ascii(character)[1:-1]
