"""How likely each cause is: clues and priors become shares of the candidates, here alone.

Points are natural-log odds and add up, so that a candidate's share goes as the exponential of its
prior and its clues' points.  Only clues count: how far a frame is past a limit says that it is
ruined, not by what.  The shares go with the finding into the judgement, and whoever states how
likely a cause is, in a sentence, the table, the page or the diagnosis, takes them from there.

Priors say how common each candidate is before looking; none has a source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from types import MappingProxyType

from subgrade.judging.model import Evidence, Shares

MOTION = {
    "wind_trail": 0.0,
    "ra_oscillation": 0.0,
    "periodic_error": -0.5,
    "dec_drift": -0.2,
    "flexure": -0.4,
}
"""Motions of an oval frame, always weighed."""
RARE_MOTION = {"field_rotation": -1.0, "tracking_lost": -1.5, "bump": -1.0, "dither_overlap": -1.5}
"""Motions of an oval frame that are weighed where their clues support them, not for being asked."""
STEADY = {word: MOTION[word] for word in ("dec_drift", "flexure")}
"""Motions that draw many frames into the same line."""
LONG_LINE = {
    "tracking_lost": 1.5,
    "dither_overlap": 0.0,
    "flexure": -1.0,
    "wind_trail": -2.0,
    "periodic_error": -1.0,
    "dec_drift": -1.0,
}
"""Causes of a line many star widths long."""
TWO_IMAGES = {"bump": 1.5, "dither_overlap": 0.0, "tracking_lost": -0.5}
"""Causes of a double star image."""
SECOND_IMAGE = {"bump": 0.5, "dither_overlap": 0.0, "tracking_lost": -0.3}
"""Causes of light displaced into a fainter second image that is seen."""
UNSEEN_IMAGE = {"bump": -0.3, "dither_overlap": 0.0, "tracking_lost": 0.5}
"""Causes of displaced light that only the count of stars, lines or the record show."""
WIDE = {"seeing": 0.0, "focus": 0.0}
"""Causes of wide, round stars."""
CAUSES_OF_DIMMING = {"cloud": 1.0, "dew": 0.0}
"""Causes of lost starlight."""


def shares_of(
    items: Iterable[Evidence],
    prior: Mapping[str, float],
    if_supported: Mapping[str, float] = MappingProxyType({}),
) -> Shares:
    """How likely each candidate is, given the clues.

    Parameters
    ----------
    items : iterable of Evidence
        Clues of other causes than the candidates, and what is no clue, count nothing.
    prior : mapping of str to float
        Candidates and their points before looking; not empty.
    if_supported : mapping of str to float
        Further candidates, each weighed only where its clues add up to more than 0 points.

    Returns
    -------
    tuple of (str, float)
        Candidates with their shares, likeliest first, of equal ones as in ``prior``; the shares
        add up to 1.
    """
    points = dict.fromkeys((*prior, *if_supported), 0.0)
    for item in items:
        if item.clue and item.reason in points:
            points[item.reason] += item.points
    further = {word: value for word, value in if_supported.items() if points[word] > 0}
    totals = {word: value + points[word] for word, value in {**prior, **further}.items()}
    most = max(totals.values())
    weights = {word: math.exp(total - most) for word, total in totals.items()}
    whole = sum(weights.values())
    return tuple(sorted(((w, v / whole) for w, v in weights.items()), key=lambda pair: -pair[1]))
