"""Lay every frame of a group on one reference frame.

Matching itself is `subgrade.night.matching`; here is what a night adds: the
choice of the reference, the neighbour's rotation as a first guess, hot pixels
that must not be taken for stars, and frames so far off the reference that they
only meet its neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from subgrade.memo import remembered
from subgrade.night.matching import FULL, GLANCE, SHIFTS, Match, Pattern, match_stars
from subgrade.night.model import Frame, Registration
from subgrade.night.sensor_defects import MIN_POINTINGS, SensorDefects, find_defects
from subgrade.night.similarity import Similarity, fit_similarity
from subgrade.stars.model import FrameStars, StarFlag

STARS_USED = 800
"""Brightest stars of a frame that take part in matching."""
CANDIDATES = 12
"""Frames looked at when the first reference proves the odd one out."""
HEAVY_SEARCHES = 15
"""Most searches over all rotations and scales on one reference ..."""
FAILED_SEARCHES = 4
"""... and most of them that may come to nothing: a bound on the time a hopeless night takes."""


@dataclass(frozen=True, slots=True)
class Registered:
    """A group's frames on its reference.

    Attributes
    ----------
    reference : int
        Index of the reference frame.
    members : tuple of int
        The frames of one pointing, matched or not.
    transforms : dict of int to Similarity
        Frame to reference, for the matched ones.
    registrations : dict of int to Registration
        For every member.
    defects : SensorDefects or None
        What stays put on the sensor.
    masks : dict of int to ndarray of bool
        True at a frame's detections that are such defects.
    """

    reference: int
    members: tuple[int, ...]
    transforms: dict[int, Similarity]
    registrations: dict[int, Registration]
    defects: SensorDefects | None = None
    masks: dict[int, np.ndarray] = field(default_factory=dict)

    @property
    def hot_pixels(self) -> np.ndarray | None:
        """Places of the sensor's defects, px, shape (n, 2); None when none could be found."""
        if self.defects is None or self.defects.pointings < MIN_POINTINGS:
            return None
        return np.column_stack([self.defects.x, self.defects.y])


def positions(stars: FrameStars) -> np.ndarray:
    """All detections as complex positions x + iy, px."""
    catalogue = stars.catalogue
    if catalogue is None:
        return np.zeros(0, complex)
    return np.asarray(catalogue.x, float) + 1j * np.asarray(catalogue.y, float)


def usable_stars(stars: FrameStars, mask: np.ndarray | None = None) -> np.ndarray:
    """Indices of the detections worth matching, brightest first.

    Clean stars when there are enough; in frames of drawn or doubled stars the
    measuring stage may doubt every detection, and then all but the sharp ones
    (hot pixels, cosmic rays) have to do.

    Parameters
    ----------
    stars : FrameStars
    mask : ndarray of bool, shape (detections,), optional
        What stays on the sensor.
    """
    catalogue = stars.catalogue
    if catalogue is None or not len(catalogue):
        return np.zeros(0, int)
    finite = np.isfinite(catalogue.x) & np.isfinite(catalogue.y)
    if mask is not None:
        finite &= ~mask
    doubtful = int(StarFlag.BAD_PIXEL)
    tiers = (
        finite & catalogue.is_star & ((catalogue.flags & doubtful) == 0),
        finite & ((catalogue.flags & int(StarFlag.SHARP)) == 0),
        finite,
    )
    chosen = next((t for t in tiers if t.sum() >= 8), None)
    if chosen is None:
        chosen = tiers[0] if tiers[0].sum() >= 3 else tiers[1]
    return np.flatnonzero(chosen)[:STARS_USED]


def match_radius(stars: FrameStars) -> float:
    """How far a star's centroid may stray, px: seeing, optics, drawn stars."""
    wide = 0.6 * stars.fwhm_px if np.isfinite(stars.fwhm_px) else 0.0
    drawn = 0.15 * stars.length_px if np.isfinite(stars.length_px) else 0.0
    return float(np.clip(max(wide, drawn), 3.0, 10.0))


def frame_centre(stars: FrameStars) -> complex:
    """Middle of the frame, x + iy, px."""
    return complex((stars.width - 1) / 2, (stars.height - 1) / 2)


def reference_scores(frames: Sequence[Frame], members: Sequence[int]) -> np.ndarray:
    """How good a reference each member is, shape (members,): many stars, small and round."""
    counts = np.array([len(usable_stars(frames[i].stars)) for i in members], float)
    fwhm = np.array([frames[i].stars.fwhm_px for i in members])
    round_ = np.array([frames[i].stars.eccentricity for i in members])
    sound = np.array([frames[i].stars.shape_status in ("measured", "few") for i in members])
    typical = np.nanmedian(fwhm) if np.isfinite(fwhm).any() else 1.0
    size = np.where(np.isfinite(fwhm), typical / np.where(fwhm > 0, fwhm, np.inf), 0.5)
    axis_ratio = np.sqrt(1 - np.clip(np.nan_to_num(round_, nan=0.8), 0, 0.999) ** 2)
    return np.minimum(counts, 400) * np.clip(size, 0.3, 2) * axis_ratio * np.where(sound, 1, 0.05)


def register_frames(frames: Sequence[Frame], members: Sequence[int]) -> Registered:
    """Register members of one setup on the best of them.

    Frames that match nothing keep a `Registration` that states why.
    """
    scores = dict(zip(members, reference_scores(frames, members), strict=True))
    result = _with_defects(frames, members, max(members, key=lambda i: scores[i]))
    if 2 * len(result.transforms) < len(members):
        # A reference that fewer than half of the frames fit may be the odd one out.
        rivals = [i for i in members if i not in result.transforms and i != result.reference]
        second = _best_connected(frames, rivals, scores)
        attempt = None if second is None else _with_defects(frames, members, second)
        if attempt is not None and len(attempt.transforms) > len(result.transforms):
            result = attempt
    better = _more_central(frames, result, scores)
    if better is not None:
        again = _with_defects(frames, members, better)
        if len(again.transforms) >= len(result.transforms):
            result = again
    return result


def _best_connected(
    frames: Sequence[Frame], members: Sequence[int], scores: dict[int, float]
) -> int | None:
    """The frame that a sample of the others fits best, by a glance at each."""
    if len(members) < 2:
        return None
    candidates = sorted(members, key=lambda i: -scores[i])[:CANDIDATES]
    picks = np.linspace(0, len(members) - 1, min(len(members), CANDIDATES)).astype(int)
    sample = [members[k] for k in picks]
    return max(
        candidates,
        key=lambda i: (len(agreeing(frames, i, [j for j in sample if j != i], {})), scores[i]),
    )


def _with_defects(frames: Sequence[Frame], members: Sequence[int], reference: int) -> Registered:
    """Register; find what stays on the sensor; register again without it."""
    matches = _match_all(frames, members, reference, {})
    lists = [positions(frames[i].stars) for i in members]
    centres = np.full(len(members), np.nan + 0j)
    for k, i in enumerate(members):
        if matches.get(i) is not None:
            centres[k] = matches[i].transform(frame_centre(frames[i].stars))
    size = frames[reference].stars
    defects = find_defects(lists, centres, float(size.width) * size.height)
    masks = {i: m for i, m in zip(members, defects.masks, strict=True) if m is not None and m.any()}
    if masks:
        matches = _match_all(frames, members, reference, masks)
    return _finish(frames, members, reference, matches, defects, masks)


def _match_all(
    frames: Sequence[Frame], members: Sequence[int], reference: int, masks: dict[int, np.ndarray]
) -> dict[int, Match | None]:
    """Match each member to the reference, then the rest to all that matched."""
    # Shift votes settle nearly every frame. The heavier votes are tried on one frame of each crowd
    # that agrees among itself: a turned camera costs one heavy search and not one a frame.
    z, _ = _list_of(frames[reference].stars, masks.get(reference))
    pattern = Pattern(z)
    if pattern.repeats(match_radius(frames[reference].stars)):
        return {}
    matches: dict[int, Match | None] = {}
    last = 1 + 0j
    for i in members:
        turns = (last, -last) if abs(last.imag) > 1e-2 else (1 + 0j, -1 + 0j)
        matches[i] = _match_one(frames[i].stars, masks.get(i), pattern, turns, SHIFTS)
        if matches[i] is not None:
            last = matches[i].transform.a
    left = [i for i in members if matches[i] is None and len(usable_stars(frames[i].stars)) >= 3]
    if not left:
        return matches
    joined = [i for i in members if matches[i] is not None and i != reference]
    if joined:
        pattern = Pattern(_sky_map(frames, joined, matches, pattern, masks))
    scores = dict(zip(left, reference_scores(frames, left), strict=True))
    searches = failures = 0
    while left and searches < HEAVY_SEARCHES and failures < FAILED_SEARCHES:
        head = max(left, key=lambda i: scores[i])
        left.remove(head)
        found = _match_one(frames[head].stars, masks.get(head), pattern, (1 + 0j, -1 + 0j))
        matches[head], searches = found, searches + 1
        if found is None:
            failures += 1
            crowd = agreeing(frames, head, left, masks)
        else:
            turns = (found.transform.a, -found.transform.a)
            tried = {
                i: _match_one(frames[i].stars, masks.get(i), pattern, turns, GLANCE) for i in left
            }
            crowd = {i for i, match in tried.items() if match is not None}
            matches.update({i: tried[i] for i in crowd})
        left = [i for i in left if i not in crowd]
    return matches


def agreeing(
    frames: Sequence[Frame], head: int, others: Sequence[int], masks: dict[int, np.ndarray]
) -> set[int]:
    """The frames that match ``head`` by shift votes."""
    z, _ = _list_of(frames[head].stars, masks.get(head))
    pattern = Pattern(z)
    turns = (1 + 0j, -1 + 0j)
    return {
        i
        for i in others
        if _match_one(frames[i].stars, masks.get(i), pattern, turns, GLANCE) is not None
    }


def _list_of(stars: FrameStars, mask: np.ndarray | None) -> tuple[np.ndarray, np.ndarray]:
    chosen = usable_stars(stars, mask)
    if not len(chosen):
        return np.zeros(0, complex), np.zeros(0)
    return positions(stars)[chosen], np.asarray(stars.catalogue.flux, float)[chosen]


def _match_one(
    stars: FrameStars,
    mask: np.ndarray | None,
    pattern: Pattern,
    turns: tuple[complex, ...],
    depth: int = FULL,
) -> Match | None:
    chosen = usable_stars(stars, mask)
    z, flux = _list_of(stars, mask)
    snr = np.asarray(stars.catalogue.snr, float)[chosen] if len(chosen) else z.real
    # all that is asked of the frame and of the pattern below
    depends = (
        *(chosen, z, flux, snr, pattern.z, np.array(turns, complex), depth, mask is None),
        *(stars.shape_status, match_radius(stars), float(stars.fwhm_px)),
    )
    return remembered(
        "match",
        depends,
        lambda: _matched(stars, mask is None, chosen, z, flux, pattern, turns, depth),
    )


def _matched(
    stars: FrameStars,
    unmasked: bool,
    chosen: np.ndarray,
    z: np.ndarray,
    flux: np.ndarray,
    pattern: Pattern,
    turns: tuple[complex, ...],
    depth: int,
) -> Match | None:
    # Two images of each star would look like motion to a wary matcher.
    wary = stars.shape_status != "doubled" and unmasked
    found = match_stars(z, flux, pattern, match_radius(stars), turns, depth, wary)
    if found is None:
        return None
    mine = chosen[found.frame_index]
    fit, rms = found.transform, found.rms_px
    if len(found) >= 5:
        snr = np.asarray(stars.catalogue.snr, float)[mine]
        width = stars.fwhm_px if np.isfinite(stars.fwhm_px) else 3.0
        # Centroid error of a matched filter is about 0.6 FWHM / SNR; optics add a floor.
        error2 = 0.1**2 + (0.6 * width / np.where(snr > 1, snr, 1.0)) ** 2
        there = pattern.z[found.pattern_index]
        fit, rms = fit_similarity(z[found.frame_index], there, 1 / error2)
    return Match(fit, mine, found.pattern_index, rms, found.log10_false_alarms, found.overlap)


def _sky_map(
    frames: Sequence[Frame],
    joined: Sequence[int],
    matches: dict[int, Match | None],
    pattern: Pattern,
    masks: dict[int, np.ndarray],
) -> np.ndarray:
    """The pattern with the stars that matched frames add outside its field."""
    points = [pattern.z]
    covered = pattern
    order = sorted(joined, key=lambda i: -abs(matches[i].transform.b))
    for i in order[:40]:
        z, _ = _list_of(frames[i].stars, masks.get(i))
        placed = matches[i].transform(z[:300])
        fresh = placed[~covered.contains(placed, 5.0)]
        if len(fresh) > 10:
            points.append(fresh)
            covered = Pattern(np.concatenate(points))
    return np.concatenate(points)


def _more_central(
    frames: Sequence[Frame], result: Registered, scores: dict[int, float]
) -> int | None:
    """A better reference when this one lies far from the middle of the pointings."""
    if len(result.transforms) < 3:
        return None
    size = abs(frame_centre(frames[result.reference].stars))
    centres = {i: t(frame_centre(frames[i].stars)) for i, t in result.transforms.items()}
    spots = np.array(list(centres.values()))
    middle = complex(np.median(spots.real), np.median(spots.imag))
    unmatched = 1 - len(result.transforms) / len(result.members)
    if abs(centres[result.reference] - middle) < (0.3 if unmatched < 0.1 else 0.1) * size:
        return None
    near = sorted(centres, key=lambda i: abs(centres[i] - middle))[: max(3, len(centres) // 4)]
    best = max(near, key=lambda i: scores[i])
    return best if best != result.reference else None


def _finish(
    frames: Sequence[Frame],
    members: Sequence[int],
    reference: int,
    matches: dict[int, Match | None],
    defects: SensorDefects,
    masks: dict[int, np.ndarray],
) -> Registered:
    registrations, transforms = {}, {}
    for i in members:
        match = matches.get(i)
        if match is None:
            registrations[i] = Registration(
                0, note=_why_not(frames[i].stars, masks.get(i), matches)
            )
            continue
        transforms[i] = match.transform
        registrations[i] = _registration_of(match)
    return Registered(reference, tuple(members), transforms, registrations, defects, masks)


def _registration_of(match: Match) -> Registration:
    """The public record of a match."""
    fit = match.transform
    flipped = abs(abs(fit.rotation_deg) - 180) < 5
    return Registration(
        matched=len(match),
        dx=fit.b.real,
        dy=fit.b.imag,
        rotation_deg=fit.rotation_deg,
        scale=fit.scale,
        rms_px=match.rms_px,
        note="rotated by half a turn from the reference" if flipped else "",
    )


def _why_not(stars: FrameStars, mask: np.ndarray | None, matches: dict) -> str:
    count = len(usable_stars(stars, mask))
    if not matches:
        return "the reference frame's pattern repeats like a grid, so shifts are ambiguous"
    if count == 0:
        return "no stars to match"
    if count < 3:
        return f"{count} star{'s' * (count > 1)}: too few to match"
    return f"its {count} stars match the reference no better than chance"
