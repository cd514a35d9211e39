"""What each reason cost over all nights; what was left out by choice is no loss."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from subgrade.judging.reasons import REASONS, SURPLUS
from subgrade.season.model import GradedNight, SeasonLoss

UNKNOWN = "unreadable"


def losses(nights: Sequence[GradedNight]) -> tuple[SeasonLoss, ...]:
    """Frames and exposure time that each first reason cost.

    Parameters
    ----------
    nights : sequence of GradedNight

    Returns
    -------
    tuple of SeasonLoss
        Most time first.  ``share`` is of all exposure time, kept and lost, without what was
        left out by choice; 0 where no header states an exposure time.
    """
    total = exposed_s(nights)
    found: dict[str, list[tuple[int, int, float]]] = {}
    for k, night in enumerate(nights):
        for reason, (frames, seconds) in lost_by_reason(night).items():
            found.setdefault(reason, []).append((k, frames, seconds))
    rows = []
    for reason, by_night in found.items():
        lost = float(sum(seconds for _, _, seconds in by_night))
        frames = sum(count for _, count, _ in by_night)
        text = REASONS[reason].short if reason in REASONS else reason
        share = lost / total if total > 0 else 0.0
        rows.append(SeasonLoss(reason, text, frames, lost, share, tuple(by_night)))
    return tuple(sorted(rows, key=lambda r: (-r.lost_s, -r.frames, r.reason)))


def exposed_s(nights: Sequence[GradedNight]) -> float:
    """Exposure time of all nights, kept and lost, without what was left out by choice."""
    return float(
        sum(
            np.nansum(n.frames.exposure_s[np.array([r != SURPLUS for r in n.frames.reason], bool)])
            for n in nights
        )
    )


def lost_by_reason(night: GradedNight) -> dict[str, tuple[int, float]]:
    """Frames and seconds of one night by the reason that lost them."""
    table, found = night.frames, {}
    seconds = np.nan_to_num(table.exposure_s)
    for verdict, reason, exposure in zip(table.verdict, table.reason, seconds, strict=True):
        if verdict == "keep" or reason == SURPLUS:
            continue
        frames, lost = found.get(reason or UNKNOWN, (0, 0.0))
        found[reason or UNKNOWN] = frames + 1, lost + float(exposure)
    return found
