"""The night in one sentence: which kind of cure would have saved most, and what to do first."""

from __future__ import annotations

import math
from dataclasses import dataclass

from subgrade.diagnosis import duration
from subgrade.figures import listed
from subgrade.judging.reasons import REASONS


@dataclass(frozen=True, slots=True)
class Cure:
    """Reasons that the same kind of work cures.

    Attributes
    ----------
    name : str
        What they are called together, as a sentence starts.
    words : tuple of str
        Reason words.
    """

    name: str
    words: tuple[str, ...]


CURES = (
    Cure("The sky", ("cloud", "seeing", "sky_glow")),
    Cure("Focus and dew", ("focus", "dew")),
    Cure(
        "Mount and guiding",
        ("ra_oscillation", "periodic_error", "dec_drift", "field_rotation", "tracking_lost"),
    ),
    Cure("Wind and loose parts", ("wind_trail", "flexure", "bump")),
    Cure("The run and its files", ("dither_overlap", "wrong_frame", "incomplete")),
    Cure("Optics", ("tilt_or_coma", "satellite_trail")),
    Cure("Too few stars", ("few_stars",)),
)
"""Every reason that a night can lose a frame to, by what cures it: waiting and planning, care at
the focuser, alignment and settings, firm ground and screws, the capture run: a choice."""
APART = {"surplus": "left out by choice", "unreadable": "unreadable"}
"""Words that are no loss of the night, and what stands for them."""
NAMES = {
    "cloud": "cloud",
    "focus": "focus",
    "seeing": "seeing",
    "sky_glow": "bright sky",
    "bump": "bumps",
    "dither_overlap": "unsettled dithers",
    "flexure": "flexure",
    "wrong_frame": "wrong frames",
    "tracking_lost": "lost tracking",
}
"""Causes as they stand in the sentence, where that is not `Reason.noun`."""
MOST_NAMED = 2
"""Causes of one kind that are named themselves; more go by the name of the kind."""
IN_SECONDS, IN_MINUTES = 120.0, 3 * 3600.0
"""Times below which seconds, minutes are counted."""
MOST_TIED = 4
"""Kinds that are named where they cost the same."""


def headline(causes: list[dict], diagnosis: dict | None = None) -> dict:
    """The sentence that stands above a night.

    Parameters
    ----------
    causes : list of dict
        As in `session_record`: ``reason``, ``frames``, ``lost_s``.
    diagnosis : dict, optional
        As in `session_record`.

    Returns
    -------
    dict
        ``sentence``; ``first``, the piece of advice against it (a dict of the diagnosis) or None;
        ``first_of_all``, whether that leads the list of advice too;
        ``lost_s`` and ``lost_frames``, without what was no loss of the night; ``apart``, that:
        ``reason``, ``frames``, ``lost_s`` and ``text`` each.
    """
    lost = [row for row in causes if row["reason"] not in APART]
    timed = sum(row["lost_s"] for row in lost)
    of = "lost_s" if timed > 0 else "frames"
    kinds = _by_cure(lost, of)
    leading = [kind for kind in kinds if _alike(kind[0], kinds[0][0])]
    total = sum(row[of] for row in lost)
    first = _first([word for _, _, words in leading for word in words], diagnosis)
    return {
        "sentence": _sentence(leading, total, of),
        "first": first,
        "first_of_all": first is not None and first == diagnosis["advice"][0],
        "lost_s": float(timed),
        "lost_frames": sum(row["frames"] for row in lost),
        "apart": [
            {k: row[k] for k in ("reason", "frames", "lost_s")} | {"text": APART[row["reason"]]}
            for row in causes
            if row["reason"] in APART
        ],
    }


def _by_cure(lost: list[dict], of: str) -> list[tuple[float, str, list[str]]]:
    """What each kind cost, its name and its words, most first."""
    found = []
    for cure in (*CURES, *_unknown(lost)):
        rows = sorted((r for r in lost if r["reason"] in cure.words), key=lambda r: -r[of])
        if rows and sum(r[of] for r in rows) > 0:
            words = [r["reason"] for r in rows]
            name = listed([_name(w) for w in words]) if len(words) <= MOST_NAMED else cure.name
            found.append((sum(r[of] for r in rows), _capital(name), words))
    return sorted(found, key=lambda kind: -kind[0])


def _unknown(lost: list[dict]) -> list[Cure]:
    """Words of another version, each a kind of its own."""
    known = {word for cure in CURES for word in cure.words}
    return [Cure(r["reason"], (r["reason"],)) for r in lost if r["reason"] not in known]


def _name(word: str) -> str:
    return NAMES.get(word) or (REASONS[word].noun if word in REASONS else word)


def _alike(a: float, b: float) -> bool:
    return abs(a - b) < 0.5


def _sentence(leading: list[tuple[float, str, list[str]]], total: float, of: str) -> str:
    if not leading:
        return "Nothing was lost."
    cost, name, _ = leading[0]
    if len(leading) == 1:
        whole = _alike(cost, total)
        return f"{name} took {_all(total, of) if whole else _part(cost, total, of)}."
    part = f"{_part(cost, total, of)} each"
    names = [leading[0][1], *(_small(name) for _, name, _ in leading[1:])]
    if len(leading) > MOST_TIED:
        return f"No cause stands out: {len(leading)} took {part}."
    if any(" and " in name for name in names):
        many = {2: "Two", 3: "Three", 4: "Four"}[len(names)]
        return f"{many} kinds took {part}: {'; '.join([_small(names[0]), *names[1:]])}."
    return f"{listed(names)} took {part}."


def _all(total: float, of: str) -> str:
    size, unit = _parts(total, of)
    if not unit:
        return f"all {size} lost"
    many = {"1": "the only", "2": "both"}.get(size, f"all {size}")
    return f"{many} lost {unit.removesuffix('s') if size == '1' else unit}"


def _part(cost: float, total: float, of: str) -> str:
    """How much of all that was lost, in one unit where that reads well."""
    whole, unit = _parts(total, of)
    if not unit:
        return f"{duration(cost)} of the {whole} lost"
    share = _whole(cost / (60 if unit == "minutes" else 1))
    if share == whole:
        return f"nearly {_all(total, of)}"
    return f"{'less than 1' if share == '0' else share} of {whole} lost {unit}"


def _parts(total: float, of: str) -> tuple[str, str]:
    """A size and its unit; hours and minutes have theirs in the size."""
    if of == "frames":
        return _whole(total), "frames"
    if total < IN_SECONDS:
        return _whole(total), "seconds"
    if total < IN_MINUTES:
        return _whole(total / 60), "minutes"
    return duration(total), ""


def _whole(value: float) -> str:
    return str(math.floor(value + 0.5))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _small(text: str) -> str:
    """Within a sentence; capitals of RA and Dec stay."""
    return text if text.startswith(("RA ", "Dec ")) else text[:1].lower() + text[1:]


def _first(words: list[str], diagnosis: dict | None) -> dict | None:
    """The advice that saves most of the leading loss, else the first of all."""
    advice = diagnosis["advice"] if diagnosis else []
    topics = {f["topic"] for f in (diagnosis or {}).get("findings", ()) if f["reason"] in words}
    return next((a for a in advice if a["topic"] in topics), next(iter(advice), None))
