"""Kinds of remarks in a record: dithers, settling, missing stars, pauses, starts and ends."""

from __future__ import annotations

import re

_DONE = r"(?:done|end\w*|complete\w*|finish\w*|over|ok|fail\w*|timed? ?out|reached|success\w*)"
_ORDER = (
    ("settle_end", rf"\bsettled\b|settl\w*\W+(?:\w+\W+){{0,2}}?{_DONE}\b|{_DONE}\W+settl"),
    ("settle_end", rf"dither\w*\W+(?:is\W+)?{_DONE}\b"),
    ("dither", r"dither"),
    ("settle_start", r"settl"),
    ("other", r"star\W+(?:\w+\W+)?(?:back|found again|recovered|regained|re-?acquired)"),
    ("star_missing", r"\blost\b|\bno (?:guide ?)?star|star (?:not|is not|wasn.t) (?:found|seen)|"
     r"star (?:is )?(?:vanished|gone|missing|disappeared)|\bloss of\b|"
     r"cannot (?:find|see) (?:the )?star"),
    ("resume", r"resum|unpause|re-?start|continu|guiding (?:on|again|enabled)\b"),
    ("pause", r"paus|suspend|guiding (?:off|stop\w*|disabled|halted)\b|stop\w* guiding"),
    ("reference_moved", r"\block\b.*\b(?:mov|set|shift|chang|new|pos|at)|re-?lock"
     r"|(?:new|mov\w*|set\w*|shift\w*) (?:lock|(?:the )?reference)"
     r"|\breference (?:position |point |star )?(?:was |is )?(?:mov|set|shift|chang)"),
)  # fmt: skip
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
