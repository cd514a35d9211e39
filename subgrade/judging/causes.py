"""How likely each cause of dim or wide stars is: clues and priors become shares.

Points are natural-log odds and add up, so that a candidate's share goes as the exponential of its
prior and its clues' points.  Only clues count: how far a frame is past a limit says that it is
ruined, not by what.  The shares go with the finding into the judgement, and whoever states how
likely a cause is, in a sentence, the table, the page or the diagnosis, takes them from there.

Priors say how common each candidate is before looking; none has a source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from subgrade.judging.model import Evidence, Shares

WIDE = {"seeing": 0.0, "focus": 0.0}
"""Causes of wide, round stars."""
CAUSES_OF_DIMMING = {"cloud": 1.0, "dew": 0.0}
"""Causes of lost starlight."""


def shares_of(items: Iterable[Evidence], prior: Mapping[str, float]) -> Shares:
    """How likely each candidate is, given the clues.

    Parameters
    ----------
    items : iterable of Evidence
        Clues of other causes than the candidates, and what is no clue, count nothing.
    prior : mapping of str to float
        Candidates and their points before looking; not empty.

    Returns
    -------
    tuple of (str, float)
        Candidates with their shares, likeliest first, of equal ones as in ``prior``; the shares
        add up to 1.
    """
    totals = dict(prior)
    for item in items:
        if item.clue and item.reason in totals:
            totals[item.reason] += item.points
    most = max(totals.values())
    weights = {word: math.exp(total - most) for word, total in totals.items()}
    whole = sum(weights.values())
    return tuple(sorted(((w, v / whole) for w, v in weights.items()), key=lambda pair: -pair[1]))
