"""Which column is which: words of the titles, confirmed by the data under them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from subgrade.record.cells import NOTHING, SIDES, has_decimal_commas, to_numbers
from subgrade.record.clock_text import Dates, read_cells
from subgrade.record.header_row import Header
from subgrade.record.titles import Guess, guesses, words_of

NAN = float("nan")
ENOUGH = 0.3
"""Points times data below which a column stays unused."""


FARTHEST_PX = 50.0
"""Most that a guide star usually lies from where it is wanted: common practice, no source."""
_AT_A_PLACE = "star positions on the guide camera"


@dataclass(slots=True)
class Choice:
    """The columns of one layout, with the evidence of the first rows."""

    header: Header
    uses: tuple[Use, ...]
    comma: bool
    numbers: dict[int, np.ndarray] = field(default_factory=dict)

    def one(self, role: str) -> Use | None:
        """The first column of a role."""
        return next((u for u in self.uses if u.role == role), None)

    @property
    def wanted(self) -> bool:
        """Whether errors are the star's place less the wanted one beside it."""
        placed = all(u is not None and u.is_place for u in self.axes)
        return self.camera_only and placed and self.one("x_wanted") is not None

    def all(self, role: str) -> list[Use]:
        """Every column of a role."""
        return [u for u in self.uses if u.role == role]

    @property
    def time(self) -> Use:
        """The time column, which every choice has."""
        return self.one("time")

    @property
    def camera_only(self) -> bool:
        """Whether neither error is along RA or Dec."""
        return not (self.one("ra") or self.one("dec"))

    @property
    def axes(self) -> tuple[Use | None, Use | None]:
        """The two error columns: RA and Dec, or else the camera's x and y."""
        first, second = ("x", "y") if self.camera_only else ("ra", "dec")
        return self.one(first), self.one(second)


def choose_columns(header: Header, ready: dict | None = None) -> Choice | None:
    """Name the columns under a header.

    Parameters
    ----------
    header : Header
    ready : dict of int to Use, optional
        Columns that a guide map fixes; the rest is still chosen.

    Returns
    -------
    Choice or None
        None where no column is a time, or none is an error along an axis.
    """
    comma = header.cut.kind not in (",", "json") and has_decimal_commas(header.rows)
    columns = list(zip(*header.rows, strict=False)) if header.rows else [()] * len(header.titles)
    columns += [()] * (len(header.titles) - len(columns))
    seen = [_look(list(cells), comma) for cells in columns]
    uses = dict(ready or {})
    if not any(u.role == "time" for u in uses.values()):
        times = time_columns(header, seen, uses)
        if not times:
            return None
        uses |= {u.place: u for u in times}
    options = _options(header, seen, uses)
    taken = {u.role for u in uses.values() if u.role not in ("ra_pulse", "dec_pulse")}
    for score, place, guess, why in sorted(options, key=lambda o: (-o[0], o[1])):
        if place in uses or score < ENOUGH:
            continue
        several = guess.role.endswith("_pulse") and _may_join(guess, uses, header)
        if guess.role in taken and not several:
            continue
        taken.add(guess.role)
        sure = round(min(score, 1.0), 2)
        uses[place] = Use(place, guess.role, guess.unit, guess.factor, sure, why, guess.sign)
    chosen = tuple(uses[k] for k in sorted(uses))
    if not {u.role for u in chosen} & {"ra", "dec", "x", "y"}:
        return None
    numbers = {k: s.numbers for k, s in enumerate(seen)}
    chosen = _wanted_places(_whole_pairs(chosen), numbers)
    return Choice(header, chosen, comma, numbers)


def _wanted_places(chosen: tuple[Use, ...], numbers: dict[int, np.ndarray]) -> tuple[Use, ...]:
    """Without wanted places that are half a pair, or far from the star's own."""
    roles = {u.role: u for u in chosen}
    near = []
    for axis in ("x", "y"):
        use, star = roles.get(f"{axis}_wanted"), roles.get(axis)
        if use is None:
            near.append(False)
            continue
        apart = np.zeros(1)
        if star is not None and star.is_place:
            apart = np.abs(numbers[star.place] - numbers[use.place])
        apart = apart[np.isfinite(apart)]
        near.append(not len(apart) or bool(np.median(apart) <= FARTHEST_PX))
    return chosen if all(near) else tuple(u for u in chosen if not u.role.endswith("_wanted"))


def _whole_pairs(chosen: tuple[Use, ...]) -> tuple[Use, ...]:
    """Without half an RA/Dec pair where the camera's x and y are both there and trusted more."""
    roles = {u.role: u for u in chosen}
    half = ("ra" in roles) != ("dec" in roles)
    if half and "x" in roles and "y" in roles:
        lone = roles.get("ra") or roles["dec"]
        if lone.sure < min(roles["x"].sure, roles["y"].sure):
            return tuple(u for u in chosen if u is not lone)
    return chosen


def _may_join(guess: Guess, uses: dict[int, Use], header: Header) -> bool:
    """A second pulse column: the other direction's, or a signed distance beside a time."""
    mine = [u for u in uses.values() if u.role == guess.role]
    if not mine or len(mine) > 1:
        return not mine
    opposite = mine[0].sign != guess.sign
    words = words_of(header.titles[mine[0].place])
    sided = bool({"e", "w", "n", "s", "east", "west", "north", "south"} & set(words))
    distance = {"arcsec", "px"}
    # a time with its direction beside a distance: only the time is needed when it is signed
    return (opposite and sided) or (mine[0].unit not in distance and guess.unit in distance)


def _look(cells: list[str], comma: bool) -> Seen:
    numbers = to_numbers(cells, comma) if cells else np.zeros(0)
    filled = [c.strip().lower() not in NOTHING for c in cells]
    n = sum(filled)
    share = float(np.isfinite(numbers).sum() / n) if n else 0.0
    return Seen(cells, numbers, min(share, 1.0), n / len(cells) if cells else 0.0)


# ---------------------------------------------------------------- the others


def _options(
    header: Header, seen: list[Seen], fixed: dict[int, Use]
) -> list[tuple[float, int, Guess, str]]:
    """Every (score, place, guess, why) that titles and data allow."""
    out = []
    for place, (title, unit) in enumerate(zip(header.titles, header.units, strict=True)):
        if place in fixed:
            continue
        found = guesses(title, unit)
        look = seen[place]
        for guess in found:
            if guess.role == "time":
                continue
            data, found_in = _borne_out(guess, look, title)
            out.append((guess.points * data, place, guess, f"{guess.why}; {found_in}"))
        if not found or found[0].role not in ("remark", "state"):
            worded = [c for c in look.cells if " " in c.strip() and any(map(str.isalpha, c))]
            commonest = Counter(c for c in look.cells if c.strip()).most_common(1)
            if worded and look.share < 0.2 and commonest[0][1] < 0.5 * len(look.cells):
                guess = Guess("remark", "", 1.0, 0.6, "")
                out.append((0.6, place, guess, "cells hold free text"))
    return out


def _borne_out(guess: Guess, look: Seen, title: str) -> tuple[float, str]:
    """How well the data fits a meaning, and in which words."""
    role = guess.role
    if not look.cells:
        return 0.8, "no rows to check against"
    if role == "remark":
        texts = [c for c in look.cells if c.strip() and not c.strip().isdigit()]
        return (0.9 if texts or look.filled == 0 else 0.3), "cells are text or empty"
    if role in ("ra_side", "dec_side"):
        return _is_side(look)
    if role == "state":
        kinds = {c.strip().lower() for c in look.cells}
        few = len(kinds) <= max(6, 0.05 * len(look.cells))
        return (1.0, "few different values") if few else (0.1, "too many different values")
    values = look.finite
    if len(values) == 0:
        if role.endswith("_pulse"):
            return 0.6, "no numbers in the first rows"
        return 0.0, "no numbers"
    if look.share < 0.5:
        return 0.0, "under half of the cells are numbers"
    if role.endswith("_wanted"):
        return 1.0, "numbers"
    check = {"snr": _is_level, "brightness": _is_level, "frame": _is_count}
    if role in check:
        return check[role](values)
    if role.endswith("_pulse"):
        return _is_pulse(values, guess)
    return _is_error(values, role, guess)


def _is_side(look: Seen) -> tuple[float, str]:
    words = [c.strip().lower() for c in look.cells if c.strip().lower() not in NOTHING - {"-"}]
    if not words:
        return 0.7, "no directions in the first rows"
    share = sum(c in SIDES or c in ("0", "1", "-1", "none") for c in words) / len(words)
    return share, f"{share:.0%} of the cells are directions"


def _is_level(values: np.ndarray) -> tuple[float, str]:
    negative = float(np.mean(values < 0))
    some = f"{negative:.0%}" if negative >= 0.005 else "almost none"
    why = f"{some} of the numbers are negative" if negative else "none of the numbers is negative"
    return (1.0 if negative < 0.03 else 0.2), why


def _is_count(values: np.ndarray) -> tuple[float, str]:
    whole = np.all(values == np.floor(values))
    if whole and grows(values):
        return 1.0, "whole numbers, increasing"
    return 0.1, "not a running number"


def _is_pulse(values: np.ndarray, guess: Guess) -> tuple[float, str]:
    size = float(np.max(np.abs(values)))
    if len(values) > 20 and np.all(np.diff(values) > 0):
        return 0.0, "increases steadily"
    if guess.unit in ("ms", "s") and size * guess.factor > 60000:
        return 0.1, "too long for corrections"
    signed = bool((values < 0).any())
    return 1.0, "both signs" if signed else "no negative numbers"


def _is_error(values: np.ndarray, role: str, guess: Guess) -> tuple[float, str]:
    """An error changes sign and stays small; a coordinate or a star's place does neither."""
    n = len(values)
    spread = float(np.std(values))
    middle = float(np.median(values))
    if n > 10 and (np.all(np.diff(values) > 0) or np.all(np.diff(values) < 0)):
        return 0.1, "changes steadily in one direction"
    both = min(float(np.mean(values > 0)), float(np.mean(values < 0)))
    if spread == 0 and n > 10:
        return (0.45, "always zero") if middle == 0 else (0.1, "constant")
    if abs(middle) <= 4 * spread + 1e-12 and (both > 0.02 or n < 12):
        if abs(middle) * max(guess.factor, 1e-9) > 600:
            return 0.2, "too large for an error"
        return 1.0, f"changes sign, median {middle:.3g}"
    if role in ("x", "y") and middle > 0 and guess.unit in ("", "px"):
        return 0.7, _AT_A_PLACE
    if n < 12 and abs(middle) < 10:
        return 0.7, "too few numbers to check"
    if both > 0 or abs(middle) < 4 * spread:
        return 0.6, "mostly of one sign"
    return 0.1, f"stays near {middle:.4g} and never changes sign"


# ---------------------------------------------------------------- the time

KINDS = {
    "iso": (5.0, "cells hold a date and time"),
    "unix": (4.2, "numbers are seconds since 1970"),
    "jd": (4.1, "numbers are Julian days"),
    "mjd": (4.0, "numbers are modified Julian days"),
    "clock": (3.0, "cells hold a time of day"),
    "s": (2.0, "numbers increase like seconds"),
}
"""Forms of a time, the more absolute the more points."""


@dataclass(frozen=True, slots=True)
class Use:
    """One column put to use.

    Attributes
    ----------
    place : int
        Index of the column.
    role, unit : str
        As in `model.Column`; also ``date`` and ``remark``.
    factor : float
        What the cells are multiplied by; for times, seconds in one unit.
    sign : int
        -1 for a pulse column that counts west or south as positive.
    """

    place: int
    role: str
    unit: str
    factor: float
    sure: float
    why: str
    sign: int = 1

    @property
    def is_place(self) -> bool:
        """Whether it holds places on the guide camera and not errors."""
        return self.why.endswith(_AT_A_PLACE)


@dataclass(frozen=True, slots=True)
class Seen:
    """A column's sample: cells, numbers, how many of the filled cells are numbers."""

    cells: list[str]
    numbers: np.ndarray
    share: float
    filled: float

    @property
    def finite(self) -> np.ndarray:
        return self.numbers[np.isfinite(self.numbers)]


def time_columns(header: Header, seen: list[Seen], fixed: dict[int, Use]) -> list[Use]:
    """The column (or date and time columns) that hold the time."""
    found: list[tuple[float, Use]] = []
    days: list[Use] = []
    for place, (title, unit) in enumerate(zip(header.titles, header.units, strict=True)):
        if place in fixed:
            continue
        guess = next((g for g in guesses(title, unit) if g.role == "time"), None)
        points = guess.points if guess else 0.0
        other = guesses(title, unit)
        if other and other[0].role in ("ra", "dec", "x", "y", "frame", "snr") and not guess:
            continue
        look = seen[place]
        kind, factor, sure = _time_kind(title, guess, look)
        if kind == "date":
            days.append(Use(place, "date", "date", 1.0, 0.95, "every cell is a date"))
        elif kind and (points > 0.1 or kind in ("iso", "clock")):
            absolute, seen_in = KINDS[kind]
            why = f"{guess.why if guess else 'title does not name a time'}; {seen_in}"
            utc = 0.3 if {"utc", "ut", "gmt"} & set(words_of(title)) else 0.0
            sure *= min(1.0, 0.6 + 0.4 * points)
            use = Use(place, "time", kind, factor, round(sure, 2), why)
            found.append((absolute + utc + 0.5 * (points > 0.1) + sure - 0.01 * place, use))
    if not found:
        return []
    best = max(found, key=lambda f: f[0])[1]
    clocks = [f for f in found if f[1].unit == "clock"]
    if best.unit in ("clock", "s") and days and clocks:
        clock = max(clocks, key=lambda f: f[0])[1]
        return [min(days, key=lambda u: abs(u.place - clock.place)), clock]
    return [best]


def _time_kind(title: str, guess: Guess | None, look: Seen) -> tuple[str, float, float]:
    """How a column gives the time: kind, seconds in its unit (or factor), how sure."""
    if not look.cells:
        factor = guess.factor if guess and guess.factor else 1.0
        return ("s", factor, 0.3) if guess else ("", 0.0, 0.0)
    words = set(words_of(title))
    if look.share < 0.5:
        day, seconds, _, _ = read_cells(look.cells[:120], Dates())
        read = float(np.mean(day > -2))
        if read < 0.6:
            return "", 0.0, 0.0
        if np.isfinite(seconds).sum() < 0.5 * (day > -2).sum():
            return "date", 1.0, read
        if (day >= 0).sum() > 0.5 * (day > -2).sum():
            return "iso", 1.0, read
        if words & {"elapsed", "since"} and grows(seconds) and np.nanmin(seconds) < 3600:
            return "clock", 1.0, 0.7
        return "clock", 1.0, read
    values = look.finite
    if look.share < 0.8 or look.filled < 0.6 or len(values) < 1:
        return "", 0.0, 0.0
    if guess is None or not grows(values):
        compact = look.cells[0].strip()
        if guess is not None and len(compact) == 8 and compact.startswith(("19", "20")):
            return "date", 1.0, 0.8
        return "", 0.0, 0.0
    return _numeric_kind(values, words, guess.factor)


def _numeric_kind(values: np.ndarray, words: set[str], factor: float) -> tuple[str, float, float]:
    middle = float(np.median(values))
    step = float(np.median(np.diff(values))) if len(values) > 1 else 1.0
    for low, high, scale in ((1e8, 5e9, 1.0), (1e11, 5e12, 1e-3), (1e14, 5e15, 1e-6)):
        if low <= middle <= high:
            return "unix", scale, 1.0
    if 2.3e6 <= middle <= 2.6e6 and step < 0.1:
        return "jd", 1.0, 1.0
    day_like = bool(words & {"mjd", "jd"}) or (step < 0.02 and factor == 0)
    if 3e4 <= middle <= 1e5 and day_like:
        # "JD" with five digits has lost its 2400000, not its half day
        return ("jd", 2400000.0, 0.9) if "jd" in words else ("mjd", 1.0, 0.95)
    if factor:
        return "s", factor, 0.95
    if step >= 300.0:
        return "s", 0.001, 0.7  # no guider is that slow: milliseconds
    return "s", 1.0, 0.9


def grows(values: np.ndarray) -> bool:
    """Whether numbers mostly go up, as a clock does."""
    values = np.asarray(values)[np.isfinite(values)]
    if len(values) < 3:
        return True
    steps = np.diff(values)
    return float(np.mean(steps >= 0)) > 0.75 and float(np.mean(steps > 0)) > 0.4
