"""Which spellings are one name, and what nights and setups are called."""

from __future__ import annotations

import datetime
import re
from collections import Counter
from collections.abc import Sequence

DAY_S = 86400.0
HALF_DAY_S = DAY_S / 2


def alike(value: object) -> object:
    """What two spellings of one name have in common: no blanks, dashes or capitals.

    >>> alike("M 31 ") == alike("m31"), alike("NGC-7000") == alike("ngc_7000")
    (True, True)
    """
    if not isinstance(value, str):
        return value
    return re.sub(r"[\s_\-]+", "", value).casefold() or None


def evening(start_unix: float, end_unix: float, lon_deg: float | None = None) -> str:
    """Date of the evening that a night began on, ISO 8601.

    Parameters
    ----------
    start_unix, end_unix : float
        First and last frame, POSIX seconds.
    lon_deg : float, optional
        East longitude; with it the date is that of local solar time at the noon before, without
        it that of UTC half a day before the middle.

    Examples
    --------
    >>> evening(1_900_000_000, 1_900_020_000, 10.0)
    '2030-03-17'
    """
    if lon_deg is None:
        moment = (start_unix + end_unix) / 2 - HALF_DAY_S
    else:
        moment = start_unix + lon_deg / 360 * DAY_S - HALF_DAY_S
    epoch = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)
    return (epoch + datetime.timedelta(seconds=moment)).date().isoformat()


def stack_name(target: str | None, through: str | None) -> str:
    """How a stack is called: its target and filter.

    >>> stack_name("M 31", "L"), stack_name(None, None), stack_name("M 31", None)
    ('M 31 L', 'no target', 'M 31')
    """
    return " ".join(filter(None, (target or "no target", through)))


def made_unique(names: Sequence[str], *more: Sequence[str]) -> list[str]:
    """Names made unique: by what is put behind those that are alike, a number if nothing else.

    Parameters
    ----------
    names : sequence of str
    *more : sequence of str
        One entry a name; the first of these that differs among all of one name is used.

    >>> made_unique(["a", "b", "a"], ["x", "x", "x"], ["1", "2", "3"])
    ['a, 1', 'b', 'a, 3']
    """
    found = list(names)
    for name, count in Counter(names).items():
        if count == 1:
            continue
        same = [k for k, other in enumerate(names) if other == name]
        numbers = [str(n + 1) for n in range(count)]
        choices = [[texts[k] for k in same] for texts in more]
        best = next((c for c in choices if all(c) and len(set(c)) == count), numbers)
        for k, text in zip(same, best, strict=True):
            found[k] = f"{name}, {text}"
    return found
