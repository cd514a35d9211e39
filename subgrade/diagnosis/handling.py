"""Findings on the run itself: late dithers, bumps, lost stars, optics, trails, odd files."""

from __future__ import annotations

import math

import numpy as np

from subgrade.diagnosis.model import Finding, Quantity
from subgrade.diagnosis.view import NightView, finding
from subgrade.diagnosis.words import BALANCE, CLAMPS, COLLIMATION, counted, number


def late_dither(view: NightView) -> Finding | None:
    """Exposures that began before the dither had settled, and how long to wait."""
    told, lost = view.told("dither_overlap"), view.lost_to("dither_overlap")
    if not told:
        return None
    overlap = view.guided(told, "settle_overlap_s")
    overlap = overlap[overlap > 0]
    settle = settling_times(view)
    numbers, because = [], "the stars were still on their way when the shutter opened"
    action = "Let the dither settle longer before the next exposure"
    happened = "began before the dither had settled"
    if during(view, told):
        happened = "had a dither while the shutter was open"
        action = "Command the dither only when the exposure has ended"
        because = "the record's dither was commanded while the shutter was open"
    elif len(overlap):
        worst = float(overlap.max())
        cadence = view.guiding.record.cadence_s
        numbers.append(Quantity("unsettled part of the exposure", worst, cadence, "s"))
        action += f": {math.ceil(worst + cadence):.0f} s more"
        because = f"settling ran up to {number(worst, cadence, 's')} into the exposure"
    if len(settle) and not during(view, told):
        usual = float(np.median(settle))
        numbers.append(Quantity("usual settling", usual, None, "s"))
        because += f" (dithers of this night settle in {number(usual, None, 's')} as a rule)"
    return finding(
        view, "dither", f"{counted(len(told)).capitalize()} {happened}.",
        reason="dither_overlap", frames=told, lost=lost, numbers=numbers,
        evidence=(
            "seen in the guiding record" if len(overlap) else "told from the images alone",
        ),
        sureness=view.sureness("dither_overlap", told), advice=((action, because, ""),),
    )  # fmt: skip


def during(view: NightView, frames) -> bool:
    """Whether a dither was commanded inside one of the exposures; the clock's error is allowed."""
    if view.guiding is None:
        return False
    doubt = view.guiding.clock.skew_error_s
    doubt = max(2.0 * doubt, 1.0) if math.isfinite(doubt) else 2.0
    times = [e.time + view.guiding.clock.add_s for e in view.guiding.record.events
             if e.kind == "dither"]  # fmt: skip
    return any(view.start[k] + doubt < t < view.end[k] for k in frames for t in times)


def settling_times(view: NightView) -> np.ndarray:
    """Seconds each dither of the record took to settle."""
    if view.guiding is None:
        return np.empty(0)
    from subgrade.guiding import settling_intervals

    spans = settling_intervals(view.guiding.record)
    return spans[:, 1] - spans[:, 0]


def bump(view: NightView) -> Finding | None:
    """A step during the exposure."""
    told, lost = view.told("bump"), view.lost_to("bump")
    if not told:
        return None
    lengths = np.array([
        (view.night.frames[k].stars.length_px, view.night.frames[k].facts.scale_arcsec or math.nan)
        for k in told
    ])  # fmt: skip
    apart = lengths[:, 0] * np.where(np.isfinite(lengths[:, 1]), lengths[:, 1], 1.0)
    unit = "″" if np.isfinite(lengths[:, 1]).all() else "px"
    apart = apart[np.isfinite(apart)]
    numbers = [Quantity("size of the step", float(apart.max()), None, unit)] if len(apart) else []
    peaks = view.guided(told, "peak")
    seen = bool(len(peaks) and len(apart) and unit == "″" and peaks.max() > 0.4 * apart.max())
    off, lock = (
        "Keep off the pier and cables while it exposes",
        "lock the mirror, focuser and camera",
    )
    evidence = []
    if seen:
        evidence.append(f"the guide star jumped too, by {number(float(peaks.max()), None, '″')}")
        action, because, caution = off, "something knocked the mount", ""
    elif len(peaks):
        held = number(float(peaks.max()), None, "″")
        evidence.append(f"the guide star stayed within {held} while the image jumped")
        action, caution = f"{lock.capitalize()}; ease the cables", CLAMPS
        because = "the main image jumped and the guide star did not"
    else:
        action, caution = f"{off}; {lock}", CLAMPS
        because = "without a guiding record a knock and a slip look the same"
    return finding(
        view, "bump", f"The image jumped during {counted(len(told))}.", reason="bump",
        frames=told, lost=lost, numbers=numbers, evidence=evidence,
        sureness=view.sureness("bump", told), advice=((action, because, caution),),
    )  # fmt: skip


def tracking(view: NightView) -> Finding | None:
    """Stars drawn into lines."""
    told, lost = view.told("tracking_lost"), view.lost_to("tracking_lost")
    if not told:
        return None
    without = view.guided(told, "lost_s")
    missing = float(without.max()) if len(without) else 0.0
    drop = view.guided(told, "star_drop")
    evidence = []
    if missing > 0:
        most = "up to " if len(without) > 1 else ""
        evidence.append(f"the guide star was gone for {most}{number(missing, None, 's')}")
        action, because = (
            "Choose a brighter guide star away from the edge, with a longer guide exposure if all "
            "are faint, and see that nothing hides it",
            "the guider lost its star",
        )
    else:
        action, because = (
            "Check clutches, balance, cables and power: the mount stalled or slipped",
            "stars became lines"
            + (
                " while the guide star was in sight"
                if len(drop)
                else ", and the guiding record does not say why"
                if view.guiding is not None
                else ", and no guiding record says why"
            ),
        )
    return finding(
        view, "tracking lost", f"Tracking was lost in {counted(len(told))}.",
        reason="tracking_lost", frames=told, lost=lost,
        numbers=[Quantity("without guide star", missing, None, "s")] if missing > 0 else (),
        evidence=evidence, sureness=view.sureness("tracking_lost", told),
        advice=((action, because, BALANCE if missing == 0 else ""),),
    )  # fmt: skip


def optics(view: NightView) -> Finding | None:
    """A fixed pattern of shapes over the field."""
    told = view.told("tilt_or_coma")
    if not told:
        return None
    worst = [e.value for k in told for e in view.verdicts[k].evidence
             if e.reason == "tilt_or_coma" and e.value is not None]  # fmt: skip
    value = float(np.median(worst)) if worst else math.nan
    return finding(
        view, "tilt or coma",
        f"The same pattern of star shapes lies over {counted(len(told))}"
        + (f": eccentricity {number(value)} in the worst corner." if value == value else "."),
        reason="tilt_or_coma", frames=told,
        numbers=[Quantity("eccentricity of the worst corner", value)],
        evidence=("it stays put over the night, so it is no matter of guiding",), sureness=0.85,
        advice=((
            "Check collimation, the camera's tilt and the corrector's spacing",
            "the pattern costs no frame but shows in every stack", COLLIMATION,
        ),),
    )  # fmt: skip


def trails(view: NightView) -> Finding | None:
    """Satellites and meteors."""
    told = view.told("satellite_trail")
    if not told:
        return None
    share = len(told) / max(len(view), 1)
    return finding(
        view, "satellite trails",
        f"{'A streak crosses' if len(told) == 1 else 'Streaks cross'} {counted(len(told))} "
        f"({100 * share:.0f}% of all).",
        reason="satellite_trail", frames=told, sureness=0.85,
        advice=((
            "Stack with outlier rejection, and dither",
            "such frames are good but for the streak", "",
        ),),
    )  # fmt: skip


def unusable(view: NightView, unreadable) -> list[Finding]:
    """Frames of another kind, without stars, and files that could not be read."""
    out = []
    for word, topic, action in (
        ("wrong_frame", "frames of another kind",
         "Keep calibration frames, tests and other targets in folders of their own"),
        ("few_stars", "too few stars",
         "Look at these frames for a cap left on, cloud, or a wrong pointing"),
    ):  # fmt: skip
        told = view.lost_to(word)
        if told:
            out.append(finding(
                view, topic, f"{counted(len(told)).capitalize()} could not be compared with the "
                "others.", reason=word, frames=told, lost=told, sureness=0.8,
                evidence=tuple(
                    dict.fromkeys(filter(None, (view.verdicts[k].explanation for k in told)))
                )[:5],
                advice=((action, "what cannot be compared cannot be judged", ""),),
            ))  # fmt: skip
    if unreadable:
        some = [f"{name}: {cause}" for name, cause in unreadable[:5]]
        out.append(finding(
            view, "unreadable files", f"{counted(len(unreadable), 'file')} could not be read.",
            reason="unreadable", evidence=some, sureness=1.0,
            advice=((
                "Check the disk, its free space and the cables of the camera computer",
                "a damaged file is an exposure lost", "",
            ),),
        ))  # fmt: skip
    return out
