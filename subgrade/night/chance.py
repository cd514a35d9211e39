"""How often chance alone would bring as many stars together.

An a-contrario test: Desolneux, Moisan & Morel 2000, Int. J. Comput. Vis. 40, 7 (from memory).
"""

from __future__ import annotations

import numpy as np

FALSE_ALARMS = 1e-6
"""Largest expected number of accidental matches as good as an accepted one."""


def log10_false_alarms(
    matched: int, overlap: int, chance: float, frame_stars: int, pattern_stars: int, dof: int
) -> float:
    """Expected number of accidental matches this good, log 10.

    ``dof`` stars (1 for a shift, 2 for a similarity) fix the transform and
    prove nothing; the others each agree by accident with probability ``chance``.
    The number of transforms tried is that of ways to pick the ``dof`` pairs.
    """
    from scipy.special import bdtrc, gammaln

    tried = dof * np.log10(max(frame_stars, 1) * max(pattern_stars, 1))
    free, drawn = matched - dof, max(overlap, matched) - dof
    if free <= 0:
        return float(tried)
    chance = float(np.clip(chance, 1e-12, 1.0))
    tail = bdtrc(free - 1, drawn, chance)
    if tail > 1e-290:
        log_tail = np.log10(tail)
    else:  # underflow: the leading term of the tail is plenty
        ways = gammaln(drawn + 1) - gammaln(free + 1) - gammaln(drawn - free + 1)
        log_tail = (ways + free * np.log(chance)) / np.log(10)
    return float(tried + log_tail)
