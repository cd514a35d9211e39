"""What the title of a column may mean, by the words in it."""

from __future__ import annotations

import re
from collections.abc import Set
from dataclasses import dataclass
from functools import lru_cache

from subgrade.record.unit_words import ARCSEC, MS, PX, UNITS, unit_of

_SPLIT = re.compile(r"[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-zµμäöüéèêóáíñ]+|[A-Z]+|\d+|[αδΔ]")
_BRACKET = re.compile(r"[\(\[\{<]([^\)\]\}>]*)[\)\]\}>]")
_INITIALS = re.compile(r"\b([A-Za-z])\.\s*([A-Za-z])\.?(?=\W|$)")


def _all(words: str) -> frozenset[str]:
    return frozenset(words.split())


RA = _all("ra alpha α rekta rektaszension rectascension ascension ar adr")
DEC = _all("dec decl dekl declination de delta δ deklination declinaison declinacion")
EAST, WEST = {"east", "eastward", "e"}, {"west", "westward", "w"}
NORTH, SOUTH = {"north", "northward", "n"}, {"south", "southward", "s"}
X = {"x", "dx", "xerr", "xerror", "xoff", "xoffset", "xdev", "horizontal", "col", "column"}
Y = {"y", "dy", "yerr", "yerror", "yoff", "yoffset", "ydev", "vertical", "row"}
TIME = _all(
    "time timestamp datetime utc ut gmt clock when elapsed t seconds secs since stamp jd mjd "
    "epoch unix posix zeit uhrzeit zeitpunkt zeitstempel heure hora temps tempo moment at "
    "local"
)
DATE = {"date", "day", "datum", "fecha", "jour"}
ERROR = _all(
    "error err raw distance dist offset off dev deviation diff d residual displacement "
    "measured fehler abweichung abstand erreur ecart desviacion deviance miss excursion"
)
PULSE = _all(
    "pulse pulses corr corrs correction corrections duration dur guide guiding move cmd "
    "command output applied sent issued impuls korrektur impulse impulsion pulso relay korr"
)
_PLACE = {"x", "y", "horizontal", "vertical", "col", "column", "row"}
_PLAIN_ERROR = {"error", "err", "raw", "deviation", "residual", "fehler", "abweichung", "erreur"}
DIRECTION = {"direction", "dir", "side", "sense", "richtung", "sens", "towards", "toward"}
BRIGHT = _all(
    "mass brightness bright flux adu signal intensity helligkeit luminosity counts brilliance "
    "flujo brillo"
)
SNR = {"snr", "sn", "sbr"}
STATE = _all(
    "state status code flag flags error errorcode err fault valid ok good lost locked quality "
    "result health condition tracked found"
)
REMARK = _all(
    "remark remarks note notes comment comments event events message info text bemerkung "
    "description annotation msg happening"
)
FRAME = _all("frame sample index number no nr num id seq sequence count row # image line n")
WANTED = _all(
    "lock locked reference ref target aim aimed set setpoint setpos wanted desired goal ideal home "
    "nominal expected anchor intended commanded soll cible consigne"
)
"""Words of the place where the star is held."""
OTHER = _all(
    "rms filtered filter smoothed smooth avg average mean median sigma std stdev limit peak "
    "max min step steps rate aggressiveness aggr predicted prediction target exposure exp "
    "dither total cumulative sum width fwhm hfd temperature temp settings setting interval "
    "delay latency age processed after jitter algorithm algo integrated ideal goal processing"
)
"""Words of a column of the same axis that is not what we look for."""


_TIMES = TIME | DATE
_AXES = RA | DEC | X | Y | EAST | WEST | NORTH | SOUTH
_WORDS = (
    RA | DEC | _TIMES | _AXES | ERROR | PULSE | DIRECTION | BRIGHT | SNR | STATE | REMARK | FRAME
)
_KNOWN = {word for word in _WORDS | OTHER | {*UNITS, "star", "camera"} if len(word) > 1}


@dataclass(frozen=True, slots=True)
class Guess:
    """One meaning a title may have; `points` compare guesses, 1 being a plain title."""

    role: str
    unit: str
    factor: float
    points: float
    why: str
    sign: int = 1


def words_of(title: str) -> list[str]:
    """Lower-case words of a title without its units, run-together capitals taken apart.

    >>> words_of("RA raw error (px)"), words_of("decErr_arcsec"), words_of("R.A. dist")
    (['ra', 'raw', 'error'], ['dec', 'err'], ['ra', 'dist'])
    """
    return list(_parse(title)[0])


@lru_cache(maxsize=4096)
def _parse(title: str) -> tuple[tuple[str, ...], tuple[str, float] | None]:
    unit = None
    bare = title.strip().strip("#").strip()
    for inner in _BRACKET.findall(title):
        unit = unit or unit_of(inner)
    bare = _BRACKET.sub(" ", bare)
    bare = bare.replace("Δ", " diff ")
    bare = _INITIALS.sub(lambda m: m[1] + m[2], bare)
    bare = re.sub(r"\b[Ss]\s*/\s*[Nn](?:\s*[Rr](?:atio)?)?\b", "snr", bare)
    if bare.rstrip().endswith(('"', "″")):
        unit = unit or (ARCSEC, 1.0)
    words = [word.lower() for word in _SPLIT.findall(bare)]
    plural = ERROR | PULSE | BRIGHT
    words = [w[:-1] if len(w) > 4 and w[-1] == "s" and w[:-1] in plural else w for w in words]
    words = [part for w in words for part in _apart(w)]
    if unit is None and len(words) > 1:
        named = unit_of(words[-1])
        # "RA err px" and "dur_ms"; "d ra" or "pulse e" end in no unit.
        if named and (len(words[-1]) > 1 or words[-1] == "s"):
            unit = named
            words = words[:-1]
    elif unit is None and len(words) == 1 and words[0] in {"seconds", "secs", "sec", "s", "ms"}:
        unit = unit_of(words[0])
    if title.strip() == "#":
        words = ["#"]
    return tuple(words), unit


def _apart(word: str) -> list[str]:
    """Take "raerr" or "errcode" apart: known words written without any mark between."""
    if word in _KNOWN or not 3 <= len(word) <= 24:
        return [word]
    for k in range(len(word) - 1, 0, -1):
        first, rest = word[:k], word[k:]
        if (first in _KNOWN or first == "d") and (rest in _KNOWN or len(rest) > 3):
            others = _apart(rest)
            if all(w in _KNOWN for w in others):
                return [first, *others]
    return [word]


def may_be_titles(line: str) -> bool:
    """Whether a line has words for time and for an axis, as every header row must."""
    found = set(_parse(line)[0])
    return bool(found & _TIMES) and bool(found & _AXES)


def guesses(title: str, unit: tuple[str, float] | None = None) -> list[Guess]:
    """What a title may mean, best first; `unit` is what a row of units adds."""
    words, own = _parse(title)
    read = _Title(words, *(own or unit or ("", 1.0)))
    _time(read)
    for role, axis, plus, minus in (("ra", RA, EAST, WEST), ("dec", DEC, NORTH, SOUTH)):
        sides = {"ra": ("east", "west"), "dec": ("north", "south")}[role]
        if read.found.issuperset(sides) or words[:2] == (sides[0][0], sides[1][0]):
            axis, plus, minus = read.found, set(), set()  # both directions name the axis
        _axis(read, role, axis, plus, minus)
    _others(read)
    return sorted(read.meanings, key=lambda g: -g.points)


class _Title:
    """Words and unit of a title, and the meanings they allow."""

    def __init__(self, words: tuple[str, ...], unit: str, factor: float):
        self.words, self.found, self.unit, self.factor = words, set(words), unit, factor
        self.meanings: list[Guess] = []
        self.penalty = 0.6 * bool(self.found & OTHER)
        self.why = f"title: {', '.join(words)}" if words else "no words in the title"
        self.why += f"; unit {unit}" if unit else ""

    def may_be(self, role: str, points: float, *unit: str | float, sign: int = 1) -> None:
        """Take down a meaning; `unit` and its factor are the title's unless given."""
        if points > 0:
            unit = unit or (self.unit, self.factor)
            self.meanings.append(Guess(role, *unit, points, self.why, sign))


def _time(title: _Title) -> None:
    found, unit = title.found, title.unit
    if not found & _TIMES or found & (RA | DEC) or unit in (ARCSEC, PX):
        return
    stretch = found & {"exposure", "exp", "dither", "interval", "delay", "latency", "age", "settle"}
    points = (1.0 if found & TIME else 0.9) - (0.8 if stretch else 0.0)
    if found & PULSE:
        points -= 0.5
    seconds = {"s": title.factor, MS: 0.001}.get(unit, 0.0)
    title.may_be("time", points, "s" if seconds else "", seconds)


def _axis(title: _Title, role: str, axis: Set[str], plus: Set[str], minus: Set[str]) -> None:
    """Error, pulse and direction readings of one axis' title."""
    found, unit, penalty = title.found, title.unit, title.penalty
    on_axis = bool(found & axis)
    side = bool(found & plus) - bool(found & minus)
    if role == "dec" and "delta" in found and found & (RA | X | Y | TIME):
        return  # "delta RA" is a difference, not the Greek letter
    if not on_axis and not side:
        return
    if found & DIRECTION:
        title.may_be(f"{role}_side", 1.0 - penalty, "", 1.0)
        return
    pulse = found & PULSE or unit in (MS, "s")
    if found & PULSE <= {"guide", "guiding"} and found & _PLAIN_ERROR and unit not in (MS, "s"):
        pulse = False  # the guiding error, not a correction
    if side and not on_axis:
        single = {"e", "w", "n", "s"} & found
        if pulse and (not single or len(title.words) > 1):
            title.may_be(f"{role}_pulse", 1.0 - penalty, sign=side)
        elif found & ERROR or (not single and len(found) == 1):
            title.may_be(role, (0.8 if found & ERROR else 0.5) - penalty, sign=side)
        return
    if unit in ("adu", "db"):
        return
    if pulse:
        points = 1.0 + 0.3 * (unit in (MS, "s")) - penalty - 0.2 * bool(found & ERROR)
        title.may_be(f"{role}_pulse", points)
        if unit in ("", ARCSEC, PX) and found & ERROR and not found & {"corr", "correction"}:
            title.may_be(role, 0.35 - penalty)
        return
    points = 0.7 + 0.3 * bool(found & ERROR) + 0.2 * ("raw" in found)
    title.may_be(role, points + {ARCSEC: 0.1, PX: 0.05}.get(unit, 0.0) - penalty)


def _others(title: _Title) -> None:
    """Camera axes, brightness, SNR, state, remarks and running numbers."""
    found, unit, penalty = title.found, title.unit, title.penalty
    for role, axis in (("x", X), ("y", Y)):
        if found & axis and not found & (RA | DEC) and unit in ("", PX, ARCSEC):
            if found & WANTED and found & axis & _PLACE and not found & (ERROR | PULSE):
                # "reference star x" is the wanted place, unless another column is
                title.may_be(f"{role}_wanted", 0.6 if "star" in found else 0.9)
                penalty = 0.15
                if "star" not in found:
                    continue
            plain = 0.8 + 0.3 * bool(found & (ERROR | {"dx", "dy"}))
            pulse = found & PULSE - {"guide", "guiding"}
            title.may_be(role, plain - penalty - 0.5 * bool(pulse or found & {"lock"}))
    if found & BRIGHT and unit in ("", "adu"):
        title.may_be("brightness", 1.0 - penalty)
    if found & SNR or {"signal", "noise"} <= found or {"s", "n"} == found:
        title.may_be("snr", 1.1 - penalty)
    if found & STATE and unit == "":
        elsewhere = bool(found & (RA | DEC | X | Y | PULSE | BRIGHT))
        title.may_be("state", 0.8 - 0.4 * elsewhere - penalty)
    if found & REMARK:
        title.may_be("remark", 0.9)
    if found & FRAME and unit == "" and not found & (RA | DEC | X | Y | TIME):
        title.may_be("frame", 0.7)
