"""Outcomes that are made once and kept from run to run; every part may import this.

A stage names an outcome and states what it depends on.  Whoever runs the stages may lay a
keeper round them with `keeping`; without one everything is made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import fields, is_dataclass
from hashlib import blake2b
from typing import Protocol, TypeVar

Made = TypeVar("Made")


class Keeper(Protocol):
    """Whatever keeps outcomes."""

    def outcome(self, kind: str, key: str, make: Callable[[], Made]) -> Made:
        """What is kept under a key, else what ``make`` returns, kept from now on."""


_KEEPER: ContextVar[Keeper | None] = ContextVar("keeper", default=None)


@contextmanager
def keeping(keeper: Keeper) -> Iterator[None]:
    """Let a keeper answer every `kept` inside."""
    token = _KEEPER.set(keeper)
    try:
        yield
    finally:
        _KEEPER.reset(token)


def kept(kind: str, depends: tuple, make: Callable[[], Made]) -> Made:
    """An outcome, made only where none is kept.

    Parameters
    ----------
    kind : str
        What it is, in one word; a file name.
    depends : tuple
        All that it depends on beside the program itself: plain values, arrays, tuples and
        dataclasses of them.
    make : callable
        Makes it, of plain values, arrays and the dataclasses that stages hand on.

    Returns
    -------
    object
        Equal to what ``make`` returns, whether kept or not; numpy numbers come as plain ones.
    """
    keeper = _KEEPER.get()
    return make() if keeper is None else keeper.outcome(kind, key_of(depends), make)


def remembered(kind: str, depends: tuple, make: Callable[[], Made]) -> Made:
    """As `kept`, for a small step of which there are many: kept in memory only, and only by a
    process that grades the same night again and again.

    Parameters
    ----------
    kind : str
    depends : tuple
        As for `kept`.
    make : callable
        What it returns is handed out again as it is, so nobody may change it.
    """
    remember = getattr(_KEEPER.get(), "remember", None)
    return make() if remember is None else remember(kind, key_of(depends), make)


def key_of(depends: tuple) -> str:
    """A short text that differs wherever the values given do.

    Raises
    ------
    TypeError
        If one is neither a plain value, an array, a tuple nor a dataclass.
    """
    digest = blake2b(digest_size=20)
    _feed(digest.update, depends)
    return digest.hexdigest()


def _feed(add: Callable[[bytes], None], value: object) -> None:
    if value is None or isinstance(value, (bool, int, str, float)):
        text = repr(float(value) if isinstance(value, float) else value)
        add(f"{len(text)}:{text}".encode("utf-8", "surrogatepass"))
    elif hasattr(value, "tobytes"):
        if value.dtype.hasobject:
            raise TypeError("an array of objects has no key")
        add(f"array {value.dtype.str} {value.shape} ".encode())
        add(value.tobytes())
    elif isinstance(value, tuple):
        add(f"tuple {len(value)} ".encode())
        for part in value:
            _feed(add, part)
    elif is_dataclass(value):
        add(f"class {type(value).__name__} ".encode())
        for field in fields(value):
            _feed(add, getattr(value, field.name))
    else:
        raise TypeError(f"a {type(value).__name__} has no key")
