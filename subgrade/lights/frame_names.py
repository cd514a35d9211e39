"""Which frame a person means by a name, a path or a part of one."""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Iterable

from subgrade.lights.file_kinds import FITS_SUFFIXES, RAW_SUFFIXES, TIFF_SUFFIXES
from subgrade.plaintext import printable

PACKED = (".fz", ".gz", ".bz2", ".z")
"""Endings of a packed file behind that of its kind."""
_ENDINGS = sorted((*FITS_SUFFIXES, *TIFF_SUFFIXES, *RAW_SUFFIXES), key=len, reverse=True)


class FrameNames:
    """The names of a night's frames, and who answers to what a person calls one.

    Parameters
    ----------
    names : iterable of str
        Relative to the common folder, ``/`` between parts.
    paths : iterable of path-like
        Absolute, in the same order; empty where they are not known.
    """

    def __init__(self, names: Iterable[str], paths: Iterable[str | os.PathLike] = ()) -> None:
        self.names = tuple(names)
        self._paths = [os.fspath(path) for path in paths]
        self._unshown = not all(map(str.isprintable, (*self.names, *self._paths)))
        self._low = [f"/{name}".lower() for name in self.names]
        self._forms = [{*_unpacked(name), _stem(name)} for name in self._low]
        self._alike: dict[str, list[int]] = {}
        for k, name in enumerate(self._low):
            self._alike.setdefault(_key(name), []).append(k)

    def meant(self, wanted: str, *, any_part: bool = True) -> list[int]:
        """The frames that answer to a name, by the strictest reading that finds one.

        In this order: the whole name or path, the end of it, the same without its ending
        (``light_7`` and ``light_7.fits`` for ``light_7.fits.fz``), the same but for leading
        zeros (``light_7`` for ``light_007.fits``), a part in which numbers are whole (``7``
        for ``light_007.fits``, not for ``light_17.fits``), any part.  A name with characters
        that cannot be shown answers to what is shown in their place, too.

        Parameters
        ----------
        wanted : str
        any_part : bool
            Try the last reading, too.

        Returns
        -------
        list of int
            Places in ``names``; more than one where the name is ambiguous.
        """
        plain = wanted.replace(os.sep, "/").removeprefix("./")
        if not plain.strip("./"):
            return []
        part, path = plain.lower(), os.path.abspath(wanted)
        end = "/" + re.sub(r"^(\.*/)+", "", part)
        ends = _unpacked(end)
        unpadded = tuple(map(_unpad, ends))
        whole = _whole_numbers(part)
        readings = [
            lambda k: self.names[k] in (plain, wanted),
            lambda k: bool(self._paths) and self._paths[k] == path,
            lambda k: f"/{self.names[k]}".endswith(f"/{plain}"),
            lambda k: self._low[k].endswith(end),
            lambda k: any(form.endswith(tuple(ends)) for form in self._forms[k]),
            lambda k: any(_unpad(form).endswith(unpadded) for form in self._forms[k]),
        ]
        # Whoever answers to one of these has the same file name, endings and zeros aside.
        alike = self._alike.get(_key(end), [])
        tries = [(reading, alike) for reading in readings]
        everyone = range(len(self.names))
        tries.append(
            (lambda k: part in self._low[k] and bool(whole.search(self._low[k])), everyone)
        )
        if any_part:
            tries.append((lambda k: part in self._low[k], everyone))
        for reading, among in tries:
            found = [k for k in among if reading(k)]
            if found:
                return found
        return self._shown().meant(wanted, any_part=any_part) if self._unshown else []

    def shortest(self, name: str) -> str:
        """As little of a frame's name as stands for it alone: its stem, or all of it."""
        stem = name.rsplit("/", 1)[-1].split(".")[0]
        plain = stem and not stem.startswith("-")
        alone = plain and self.meant(stem) == [self.names.index(name)]
        return stem if alone else name

    def _shown(self) -> FrameNames:
        """The same frames by their names as a screen or a table shows them."""
        return FrameNames(map(printable, self.names), map(printable, self._paths))

    def nearest(self, wanted: str, most: int = 3) -> list[str]:
        """Names that look most like one that no frame has; empty where none does."""
        key = _key(wanted.replace(os.sep, "/").lower())
        near = difflib.get_close_matches(key, self._alike, most)
        return [self.names[self._alike[k][0]] for k in near]


def _unpacked(name: str) -> set[str]:
    return {name, *(name.removesuffix(packed) for packed in PACKED)}


def _key(name: str) -> str:
    return _unpad(_stem(name.rsplit("/", 1)[-1]))


def _unpad(name: str) -> str:
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", name)


def _stem(name: str) -> str:
    for packed in PACKED:
        name = name.removesuffix(packed)
    return next((name.removesuffix(end) for end in _ENDINGS if name.endswith(end)), name)


def _whole_numbers(part: str) -> re.Pattern:
    """A part that cuts no number, but for its leading zeros."""
    before = r"(?<![0-9])0*" if part[0].isdigit() else ""
    after = r"(?![0-9])" if part[-1].isdigit() else ""
    return re.compile(before + re.escape(part) + after)
