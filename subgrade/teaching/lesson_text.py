"""One sentence for every number that marks taught: what moved, and why."""

from __future__ import annotations

import math

from subgrade.figures import figure
from subgrade.teaching.dials import Dial, Turned

UNITS = {"FWHM": "px"}


def sentence_of(dial: Dial, moved: list[Turned], heard, followed: set[str], shift: float) -> str:
    """What the marks did to the limits behind one number, and why.

    Parameters
    ----------
    dial : Dial
    moved : list of Turned
        Empty where nothing moved.
    heard : list of Spoke
        Every mark that bears on the number.
    followed : set of str
        Frames with a disagreeing mark that the limit now follows.
    shift : float
        What the fit asked for, on the dial's scale.
    """
    against = [s for s in heard if s.against]
    sides = [[s for s in against if s.mark.keep is keep] for keep in (False, True)]
    asked = " and ".join(_asked(dial, side) for side in sides if side)
    if moved:
        text = f"{dial.shown}: {_went(moved)}, because you {asked}" + _left(against, followed)
    else:
        text = f"{dial.shown}: no limit moved, although you {asked}"
    left = [s for s in against if s.mark.frame not in followed] if moved else []
    text += _otherwise([s for s in against if s.share < 1 or s in left])
    pair = contradiction(heard)
    if pair:
        kept, rejected = (_at(dial, s) for s in pair)
        text += f"; you kept {kept} and rejected {rejected}: no limit fits both"
    elif not moved:
        text += (
            "; the limit is at the end of its allowed range"
            if abs(shift) > 1e-3
            else "; so few marks so far from the limit may be slips"
        )
    return text


def contradiction(heard):
    """The kept and the rejected frame that contradict each other most, or None.

    The kept one is worse than the rejected one by more than their errors.
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
        f"{t.key} {t.before:g} → {t.after:g}" + (" to make room for it" if t.follows else "")
        for t in moved
    ]
    return ", ".join(parts)


def _asked(dial: Dial, against) -> str:
    keep = against[0].mark.keep
    did, side = ("kept", "beyond") if keep else ("rejected", "within")
    values = sorted(s.number.value for s in against)
    unit = UNITS.get(dial.name, "")
    span = figure(values[0], unit)
    if figure(values[-1], unit) != span:
        span += f" to {figure(values[-1], unit)}"
    return f"{did} {_count(len(against), 'frame')} {side} the limit ({span})"


def _left(against, followed: set[str]) -> str:
    """The marks that a moved limit still does not follow."""
    left = [s for s in against if s.mark.frame not in followed]
    if not left:
        return ""
    one = len(left) == 1
    some = f"{len(left)} of them"
    if len(left) == len(against):
        some = "the frame" if one else "all of them"
    sides = {s.mark.keep for s in left}
    if len(sides) == 2:
        return f"; on {some} you and the limit still differ"
    if True in sides:
        return f"; {some} {'is' if one else 'are'} still rejected"
    return f"; {some} still {'passes' if one else 'pass'}"


def _otherwise(marks) -> str:
    """What marks may be about that another number explains as well, or that the limit cannot."""
    if not marks:
        return ""
    rejected = [s.mark.frame for s in marks if not s.mark.keep]
    if not rejected:
        return "; the limit on another number may be the one that is too strict"
    alone = "it" if len(marks) == 1 else rejected[0]
    them = alone if len(rejected) == 1 else "some of them"
    return f"; you may have rejected {them} for another reason"


def _at(dial: Dial, spoke) -> str:
    return f"{spoke.mark.frame} at {figure(spoke.number.value, UNITS.get(dial.name, ''))}"


def _count(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"
