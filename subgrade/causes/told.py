"""What was learnt from a person's marks, in sentences."""

from __future__ import annotations

import math

from subgrade.causes.dials import Dial, Turned
from subgrade.causes.evidence import said

UNITS = {"FWHM": "px"}


def sentence_of(dial: Dial, moved: list[Turned], heard, followed: set[str], shift: float) -> str:
    """What the marks did to the limits behind one number, and why.

    Parameters
    ----------
    dial : Dial
    moved : list of Turned
        Empty where nothing moved.
    heard : list of Spoke
        Every mark that spoke of the number.
    followed : set of str
        Frames with a disagreeing mark that the limit now follows.
    shift : float
        What the fit asked for, on the dial's scale.
    """
    against = [s for s in heard if s.against]
    text = f"{_went(moved)}: " if moved else f"{dial.name}: no limit moved, although "
    sides = [[s for s in against if s.mark.keep is keep] for keep in (False, True)]
    text += " and ".join(_asked(dial, side) for side in sides if side)
    text += f"; {_count(len(heard), 'mark')} spoke of this number"
    left = len(against) - len(followed)
    if moved and left:
        text += f", of which {left} still {'stands' if left == 1 else 'stand'} against the limit"
    shared = sum(s.share < 1 for s in against)
    if shared:
        text += f"; {_count(shared, 'mark')} may as well have meant another number"
    pair = contradiction(heard)
    if pair:
        kept, rejected = (_at(dial, s) for s in pair)
        text += f"; you kept {kept} but rejected {rejected}, and no limit can follow both"
    elif not moved:
        text += (
            "; the limit stands at the end of its allowed range"
            if abs(shift) > 1e-3
            else "; so few marks so far from the limit may as well be slips"
        )
    return text


def contradiction(heard):
    """The kept and the rejected frame that contradict each other most, or None.

    The kept one is worse than the rejected one by more than the two can be told apart.
    """
    kept = max((s for s in heard if s.mark.keep), key=_worse, default=None)
    rejected = min((s for s in heard if not s.mark.keep), key=_worse, default=None)
    if kept is None or rejected is None:
        return None
    apart = kept.number.beyond - rejected.number.beyond
    return (
        (kept, rejected) if apart > math.hypot(kept.number.error, rejected.number.error) else None
    )


def _worse(spoke) -> tuple:
    return spoke.number.beyond, spoke.mark.frame


def _went(moved: list[Turned]) -> str:
    parts = [
        f"{t.key} went from {t.before:g} to {t.after:g}"
        + (f" to make room for {t.follows}" if t.follows else "")
        for t in moved
    ]
    return ", ".join(parts)


def _asked(dial: Dial, against) -> str:
    keep = against[0].mark.keep
    did, limit_did = ("kept", "rejected") if keep else ("rejected", "let pass")
    values = sorted(s.number.value for s in against)
    unit = UNITS.get(dial.name, "")
    span = said(values[0], unit)
    if said(values[-1], unit) != span:
        span += f" to {said(values[-1], unit)}"
    frames = _count(len(against), "frame")
    return f"you {did} {frames} that the limit {limit_did} ({dial.name} {span})"


def _at(dial: Dial, spoke) -> str:
    return f"{spoke.mark.frame} at {said(spoke.number.value, UNITS.get(dial.name, ''))}"


def _count(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"
