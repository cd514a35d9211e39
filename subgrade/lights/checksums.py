"""Checksums that a FITS file carries of itself (FITS 4.0, sect. 4.4.2.7 and appendix J).

Both are 32-bit ones'-complement sums (as in RFC 1071): DATASUM of an HDU's data, padding
included, and CHECKSUM such that the whole HDU sums to zero.
"""

from __future__ import annotations

import re

import numpy as np

from subgrade.lights.header_cards import Cards

ALL_ONES = 0xFFFFFFFF
_CHUNK = 1 << 22
"""Bytes summed at a time; 2^20 words of 32 bits cannot overflow 64."""


def ones_complement_sum(data: bytes | np.ndarray, start: int, stop: int) -> int:
    """Ones'-complement sum of big-endian 32-bit words.

    Parameters
    ----------
    data : bytes-like
    start, stop : int
        What to sum; a last word that is not whole is filled with zeros, and so is what lies
        past the end of ``data``.

    Returns
    -------
    int
        0 to 2^32 - 1.
    """
    total = 0
    stop = min(stop, len(data))
    whole = start + max(0, stop - start) // 4 * 4
    for at in range(start, whole, _CHUNK):
        words = np.frombuffer(data, ">u4", (min(at + _CHUNK, whole) - at) // 4, at)
        total += int(words.sum(dtype=np.uint64))
    if whole < stop:
        total += int.from_bytes(bytes(data[whole:stop]).ljust(4, b"\0"), "big")
    while total > ALL_ONES:
        total = (total & ALL_ONES) + (total >> 32)
    return total


def broken_checksum(cards: Cards, header: bytes, data: bytes | np.ndarray) -> tuple[str, str]:
    """Hold an HDU against the checksums in its header.

    Parameters
    ----------
    cards : Cards
        The HDU's own header.
    header : bytes
        The same as stored, in whole blocks.
    data : bytes-like
        Its data, without the zeros that fill the last block.

    Returns
    -------
    cause, note : str
        What shows the pixels to be damaged, and what a person should know though the pixels
        are sound; both empty where nothing is wrong.  Where DATASUM holds, a CHECKSUM that does
        not only shows that the header was edited later.
    """
    stated = _stated_sum(cards.get("DATASUM"))
    sealed = _is_seal(cards.get("CHECKSUM"))
    if stated is None and not sealed:
        return "", ""
    found = ones_complement_sum(data, 0, len(data))
    if stated is not None and _differ(found, stated):
        cause = f"damaged: the checksum of the pixels is {found}, the header states {stated}"
        return f"{cause} (DATASUM)", ""
    if not sealed or not _differ(ones_complement_sum(header, 0, len(header)) + found, 0):
        return "", ""
    if stated is not None:
        return "", "the header was changed after its CHECKSUM was written; the pixels are intact"
    return "damaged: the file does not match the checksum in its header (CHECKSUM)", ""


def _stated_sum(value: object) -> int | None:
    """DATASUM as a number; it is a text of digits, some write a number."""
    text = str(value).strip() if value is not None and not isinstance(value, bool) else ""
    return int(text) if re.fullmatch(r"\d{1,10}", text) and int(text) <= ALL_ONES else None


def _is_seal(value: object) -> bool:
    """Whether CHECKSUM holds 16 characters to check with; 16 zeros are a blank."""
    return bool(
        isinstance(value, str) and re.fullmatch(r"[0-9A-Za-z]{16}", value) and value.strip("0")
    )


def _differ(one: int, other: int) -> bool:
    # ones'-complement zero has two forms
    return one % ALL_ONES != other % ALL_ONES
