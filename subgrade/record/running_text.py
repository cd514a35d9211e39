"""The text between the rows: scale, units, clock and date that it states, and its remarks."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from subgrade.constants import SIDEREAL_RATE
from subgrade.record.clock_text import Reading, date_in, reading_in
from subgrade.record.unit_words import ARCSECONDS, MILLIARCSECONDS, PIXELS, pattern_of, unit_of
from subgrade.record.zone_text import stated_zone, zone_of_reading

NAN = float("nan")
ARCSEC_UM_PER_MM = 206.264806
"""Arcseconds in a radian over 1000: a pixel in micrometres over a focal length in mm."""

_N = r"(\d+(?:[.,]\d+)?|[.,]\d+)"
_ARC = pattern_of(ARCSECONDS)
_ANGLE = pattern_of((*ARCSECONDS, *MILLIARCSECONDS))
_PX = pattern_of(PIXELS)
_UM = r"(?:µm|μm|um|microns?|micromet\w*)"
_SCALE = (
    # "1.83 arcsec per pixel", "50 mas/px"
    re.compile(
        rf"{_N}\s*{_ANGLE}\s*(?:/|per|a|(?:for|to)\s+(?:each|every|the|a|one)|\s)\s*"
        rf"(?:guide\s+)?(?:camera\s+)?{_PX}\b",
        re.I,
    ),
    # "one pixel covers 1.83 arcsec", "1 px = 1.83 arcsec", "pixel size on the sky: 1.83 arcsec"
    re.compile(
        rf"(?:(?<![\d.,])\b1\s*|(?<![\w.,])(?<!\d\s)){_PX}"
        r"(?:\s+(?:size|width)(?:\s+on\s+(?:the\s+)?sky)?\s*[=:]?|\s*[=:]"
        r"|\s+(?:is|are|covers?|spans?|subtends?|sees?|measures?)\b)"
        rf"\s*(?:about\s+)?{_N}\s*{_ANGLE}(?!\w)",
        re.I,
    ),
    # "image scale: 1.83", "scale (mas/px): 1830"; "scale 50 %" is none
    re.compile(
        rf"\bscale\b[^\d\n;|]{{0,40}}?{_N}(?!\d|[.,]\d|\s*(?:mm|px|x\b|%))"
        rf"(?:\s*{_ANGLE}(?!\w))?",
        re.I,
    ),
    # "arcsec/px = 1.83"
    re.compile(rf"{_ANGLE}\s*(?:/|per)\s*{_PX}\W{{0,5}}{_N}", re.I),
)
_SECONDS_OF_ARC = re.compile(r"\bsec(?:ond)?s? of arc\b", re.I)
_MILLI = re.compile(rf"(?<![a-z]){pattern_of(MILLIARCSECONDS)}(?![a-z])", re.I)
_PIXEL = (
    re.compile(rf"\bpixel\w*(?:\s+(?:size|pitch|width))?[^\d\n]{{0,15}}?{_N}\s*{_UM}", re.I),
    re.compile(rf"{_N}\s*{_UM}\s*pixel", re.I),
    re.compile(rf"\bpixel[ _]?(?:size|pitch)[^\d\n]{{0,15}}?{_N}", re.I),
)
_FOCAL = re.compile(
    rf"\bfocal\w*(?:[ _]?length)?[^\d\n]{{0,15}}?{_N}\s*(mm|cm|m|in\w*)?(?!\w)", re.I
)
_BINNING = re.compile(r"\bbin(?:ned|ning)?\b[^\d\n]{0,10}?(\d)\b", re.I)
# "all errors in arcsec", "units = px"; "1.83 arcsec per pixel" is a scale
_UNIT = re.compile(
    r"\b(?:errors?|distances?|offsets?|deviations?|units?|values?)\b[^\n]{0,25}?"
    rf"(?:\b(?:in|are)\b|=|:)\s*(?:guide[ -]?camera\s+)?({_ANGLE}|{_PX})(?!\w|\s*(?:/|per))",
    re.I,
)
_OTHER_CAMERA = re.compile(r"\b(?:main|imaging|science)\s+(?:camera|scope|telescope|train)", re.I)
_RATE = re.compile(
    rf"\bguid\w+ (?:rate|speed)[^\d\n]{{0,15}}?{_N}\s*(x|×|%|sidereal|{_ARC})?", re.I
)


@dataclass(frozen=True, slots=True)
class Facts:
    """Statements of the text so far; NaN, '' or None where it is silent."""

    scale: float = NAN
    pixel_um: float = NAN
    focal_mm: float = NAN
    binning: int = 1
    unit: str = ""
    """Of the errors: arcsec or px."""
    unit_factor: float = 1.0
    """What an error as written is multiplied by to be in that unit."""
    zone_hours: float = NAN
    zone_rank: int = 0
    """How plainly the zone is said of the rows' times, as in `zone_text`."""
    rate_arcsec_s: float = NAN
    opened: Reading | None = None
    opened_line: str = ""
    date_text: str = ""
    night_of: bool = False

    @property
    def scale_arcsec_px(self) -> float:
        """Stated, or from the pixel and the focal length."""
        if self.scale == self.scale:
            return self.scale
        return ARCSEC_UM_PER_MM * self.pixel_um * self.binning / self.focal_mm

    @property
    def scale_source(self) -> str:
        return "stated" if self.scale == self.scale else "from pixel size and focal length"


def learn(facts: Facts, line: str) -> Facts:
    """Add what one line of text states."""
    new: dict = {}
    words = line.replace("_", " ")  # "guide_scale_arcsec_per_px = 1.83"
    if not _OTHER_CAMERA.search(words):
        _optics(words, new)
    zone = stated_zone(line)
    if zone.rank and zone.rank >= facts.zone_rank:
        new["zone_hours"], new["zone_rank"] = zone.hours, zone.rank
    unit = _UNIT.search(words)
    if unit:
        named, factor = unit_of(unit[1])
        new["unit"], new["unit_factor"] = named, factor
    reading = reading_in(line)
    if reading is not None and not closes(line):
        if reading.zone != reading.zone:
            reading = replace(reading, zone=zone_of_reading(line))
        # "created 20:00" before "guiding begins 20:31": words for a start outweigh later lines
        if facts.opened is None or opens(line) or not opens(facts.opened_line):
            new["opened"], new["opened_line"] = reading, line
        new["date_text"] = reading.date
    elif (day := date_in(line)) and facts.opened is None:
        new["date_text"], new["night_of"] = day, bool(re.search(r"\bnight\b", line, re.I))
    return replace(facts, **new) if new else facts


def _optics(line: str, new: dict) -> None:
    scale = _scale_in(line)
    if 0.02 <= scale <= 60:
        new["scale"] = scale
    pixel = next((m for p in _PIXEL if (m := p.search(line))), None)
    if scale == scale and pixel and _number(pixel[1]) == scale:
        pixel = None  # "pixel size 1.83 arcsec" is one on the sky
    if pixel and 0.5 <= _number(pixel[1]) <= 50:
        new["pixel_um"] = _number(pixel[1])
    focal = _FOCAL.search(line)
    if focal:
        unit = (focal[2] or "mm").lower()
        value = _number(focal[1]) * {"m": 1000.0, "cm": 10.0, "mm": 1.0}.get(unit, 25.4)
        if 10 <= value <= 50000:
            new["focal_mm"] = value
    binning = _BINNING.search(line)
    if binning and 1 <= int(binning[1]) <= 8:
        new["binning"] = int(binning[1])
    rate = _RATE.search(line)
    if rate:
        value, unit = _number(rate[1]), (rate[2] or "").lower()
        if unit in ("x", "×", "sidereal", "", "%"):
            value *= SIDEREAL_RATE / (100 if unit == "%" else 1)
        if 0.5 <= value <= 100:
            new["rate_arcsec_s"] = value


def _scale_in(line: str) -> float:
    """Arcsec per pixel, NaN where the line states none."""
    line = _SECONDS_OF_ARC.sub("arcsec", line)
    found = next((m for p in _SCALE if (m := p.search(line))), None)
    if found is None:
        return NAN
    return _number(found[1]) * (0.001 if _MILLI.search(found[0]) else 1.0)


def _number(text: str) -> float:
    return float(text.replace(",", "."))


# ---------------------------------------------------------------- remarks

_DONE = r"(?:done|end\w*|complete\w*|finish\w*|over|ok|fail\w*|timed? ?out|reached|success\w*)"
_ORDER = (
    ("settle_end", rf"\bsettled\b|settl\w*\W+(?:\w+\W+){{0,2}}?{_DONE}\b|{_DONE}\W+settl"),
    ("settle_end", rf"dither\w*\W+(?:is\W+)?{_DONE}\b"),
    ("dither", r"dither"),
    ("settle_start", r"settl"),
    ("other", r"star\W+(?:\w+\W+)?(?:back|found again|recovered|regained|re-?acquired)"),
    (
        "star_missing",
        r"\blost\b|\bno (?:guide ?)?star|star (?:not|is not|wasn.t) (?:found|seen)|"
        r"star (?:is )?(?:vanished|gone|missing|disappeared)|\bloss of\b|"
        r"cannot (?:find|see) (?:the )?star",
    ),
    ("resume", r"resum|unpause|re-?start|continu|guiding (?:on|again|enabled)\b"),
    ("pause", r"paus|suspend|guiding (?:off|stop\w*|disabled|halted)\b|stop\w* guiding"),
    (
        "reference_moved",
        r"\block\b.*\b(?:mov|set|shift|chang|new|pos|at)|re-?lock"
        r"|(?:new|mov\w*|set\w*|shift\w*) (?:lock|(?:the )?reference)"
        r"|\breference (?:position |point |star )?(?:was |is )?(?:mov|set|shift|chang)"
        # "new place for the guide star", "guide star moved to", "star position changed"
        r"|\bnew (?:guide |star )?(?:place|position|spot|location)\b(?!.*\bmount\b)"
        r"|\bstar (?:position |place )?(?:was |is )?(?:moved|shifted|displaced|offset|changed)\b"
        r"|\b(?:moved|shifted|displaced) (?:the )?(?:guide )?star\b"
        r"|\b(?:move|shift|nudge)d? (?:of )?the (?:guide )?(?:star|field)\b",
    ),
)
_KINDS = tuple((kind, re.compile(pattern, re.IGNORECASE)) for kind, pattern in _ORDER)
_OPENING = re.compile(
    r"\b(?:begin\w*|beg[au]n|start\w*|open\w*|section|session|run|sequence|new|log|on)\b",
    re.IGNORECASE,
)
_CLOSING = re.compile(
    r"\b(?:end|ends|ended|ending|finish\w*|stop\w*|closed?|closing|complete\w*|done)\b",
    re.IGNORECASE,
)


def kind_of(text: str) -> str:
    """The kind of event a remark is; ``other`` when it is none that matters.

    >>> kind_of("Dither by +1 px, settling"), kind_of("settled"), kind_of("Guide star lost")
    ('dither', 'settle_end', 'star_missing')
    """
    return next((kind for kind, pattern in _KINDS if pattern.search(text)), "other")


def closes(text: str) -> bool:
    """Whether a dated line marks an end and not a start."""
    end = _CLOSING.search(text)
    return bool(end) and not _OPENING.search(text[: end.start()])


def opens(text: str) -> bool:
    """Whether a dated line marks a start."""
    return bool(_OPENING.search(text)) and not closes(text)
