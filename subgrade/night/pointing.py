"""Separate frames of another part of the sky from frames that show too little of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from subgrade.night.group import is_stray_size
from subgrade.night.model import Frame
from subgrade.night.register import (
    Registered,
    agreeing,
    reference_scores,
    register_frames,
    usable_stars,
)
from subgrade.stars.model import FrameStars

STRAY_STARS = 12
"""A frame with fewer bright stars is never called a stray by its pointing."""
STRAY_SNR = 10.0
POINTINGS_TRIED = 12
"""Most further parts of the sky looked for in one setup."""


def split_by_pointing(
    frames: Sequence[Frame], members: Sequence[int]
) -> tuple[list[Registered], dict[int, str]]:
    """Register a setup's frames, splitting off other parts of the sky.

    Frames with many stars that fit nowhere on the group's pattern are tried on
    one another: several that agree are a pointing of their own; single ones are
    strays.  Frames with few stars (cloud, dew) or drawn stars stay with the
    main pointing, unregistered.

    Returns
    -------
    list of Registered, dict of int to str
        Pointings, the largest first, and strays with the reason.
    """
    main = register_frames(frames, members)
    pointings, strays = [], {}
    if len(main.transforms) >= max(3, 0.1 * len(members)):
        left = [
            i
            for i in members
            if i not in main.transforms and _plainly_elsewhere(frames[i].stars, main.masks.get(i))
        ]
        scores = dict(zip(left, reference_scores(frames, left), strict=True))
        for _ in range(POINTINGS_TRIED):
            if not left:
                break
            head = max(left, key=lambda i: scores[i])
            crowd = agreeing(frames, head, [i for i in left if i != head], main.masks)
            together = tuple(sorted({head, *crowd}))
            left = [i for i in left if i not in together]
            if len(together) < 3 or is_stray_size(len(together), len(main.transforms)):
                strays.update({i: _elsewhere_note(frames, i, main) for i in together})
            else:
                pointings.append(register_frames(frames, together))
        strays.update({i: _elsewhere_note(frames, i, main) for i in left})
    gone = {i for p in pointings for i in p.members} | set(strays)
    stay = tuple(i for i in members if i not in gone)
    main = Registered(
        main.reference,
        stay,
        main.transforms,
        {i: main.registrations[i] for i in stay},
        main.defects,
        main.masks,
    )
    return sorted([main, *pointings], key=lambda r: -len(r.members)), strays


def _plainly_elsewhere(stars: FrameStars, mask: np.ndarray | None) -> bool:
    """Whether a frame shows so many good stars that a missing match must mean another sky."""
    if stars.catalogue is None or stars.shape_status not in ("measured", "few"):
        return False
    chosen = usable_stars(stars, mask)
    bright = np.asarray(stars.catalogue.snr)[chosen] >= STRAY_SNR
    clean = stars.catalogue.is_star[chosen]
    return int((bright & clean).sum()) >= STRAY_STARS


def _elsewhere_note(frames: Sequence[Frame], index: int, main: Registered) -> str:
    facts, there = frames[index].facts, frames[main.reference].facts
    count = len(usable_stars(frames[index].stars))
    text = f"pointing: its {count} star{'s' * (count != 1)} show none of the night's star pattern"
    known = (facts.ra_deg, facts.dec_deg, there.ra_deg, there.dec_deg)
    if all(v is not None for v in known):
        apart = separation_deg(facts.ra_deg, facts.dec_deg, there.ra_deg, there.dec_deg)
        text += f"; its header points {apart:.2f}° away"
    return text


def separation_deg(ra1, dec1, ra2, dec2) -> np.ndarray | float:
    """Angle between directions (haversine); all in degrees, NaN where one is unknown."""
    ra1, dec1, ra2, dec2 = np.radians([ra1, dec1, ra2, dec2])
    h = np.sin((dec2 - dec1) / 2) ** 2 + np.cos(dec1) * np.cos(dec2) * np.sin((ra2 - ra1) / 2) ** 2
    return np.degrees(2 * np.arcsin(np.sqrt(np.minimum(1.0, h))))
