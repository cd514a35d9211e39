"""Findings on the run itself: dithers, bumps, lost tracking, optics, trails, odd files."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from subgrade.diagnosis.model import Advised, NightFinding, Quantity
from subgrade.diagnosis.night_view import NightView, finding
from subgrade.diagnosis.wording import BALANCE, CLAMPS, COLLIMATION, number
from subgrade.figures import counted
from subgrade.judging.model import Judgement

CHECK_THE_DISK = "Check the disk, its free space and the cables of the camera computer"
LOST_EXPOSURE = "a damaged file is a lost exposure"


def late_dither(view: NightView) -> NightFinding | None:
    """Exposures that started before the dither had settled, and how long to wait."""
    affected, lost = view.affected("dither_overlap"), view.lost_to("dither_overlap")
    if not affected:
        return None
    overlap = view.guided(affected, "settle_overlap_s")
    overlap = overlap[overlap > 0]
    settle = settling_times(view)
    numbers, because = [], "the stars were still moving when the exposure started"
    action = "Let the dither settle longer before the next exposure"
    happened = "started before the dither had settled"
    if during(view, affected):
        happened = "had a dither during the exposure"
        action = "Dither only when the exposure has ended"
        because = "the guiding record shows the dither during the exposure"
    elif len(overlap):
        worst = float(overlap.max())
        cadence = view.guiding.record.cadence_s
        numbers.append(Quantity("settling inside the exposure", worst, cadence, "s"))
        action += f": {math.ceil(worst + cadence):.0f} s more"
        if worst > 0.5 * np.median(view.exposure_s[affected]):
            action += ", or make the dithers smaller"
        because = f"settling ran up to {number(worst, cadence, 's')} into the exposure"
    if len(settle) and not during(view, affected):
        median = float(np.median(settle))
        numbers.append(Quantity("median settling", median, None, "s"))
        because += f" (median settling time of the night's dithers: {number(median, None, 's')})"
    return finding(
        view,
        "dither",
        f"{counted(len(affected)).capitalize()} {happened}.",
        reason="dither_overlap",
        frames=affected,
        lost=lost,
        numbers=numbers,
        evidence=(
            "from the guiding record"
            if len(overlap) or during(view, affected)
            else "from the images alone",
        ),
        sureness=view.sureness("dither_overlap", affected),
        advice=(Advised(action, because),),
    )


def during(view: NightView, frames) -> bool:
    """Whether a dither was commanded inside one of the exposures; the clock's error is allowed."""
    if view.guiding is None:
        return False
    doubt = view.guiding.clock.skew_error_s
    doubt = max(2.0 * doubt, 1.0) if math.isfinite(doubt) else 2.0
    times = [
        e.time + view.guiding.clock.add_s for e in view.guiding.record.events if e.kind == "dither"
    ]
    return any(view.start[k] + doubt < t < view.end[k] for k in frames for t in times)


def settling_times(view: NightView) -> np.ndarray:
    """Seconds each dither of the record took to settle."""
    if view.guiding is None:
        return np.empty(0)
    from subgrade.guiding import settling_intervals

    spans = settling_intervals(view.guiding.record)
    return spans[:, 1] - spans[:, 0]


def bump(view: NightView) -> NightFinding | None:
    """A step during the exposure."""
    affected, lost = view.affected("bump"), view.lost_to("bump")
    if not affected:
        return None
    lengths = np.array(
        [
            (
                view.night.frames[k].stars.length_px,
                view.night.frames[k].facts.scale_arcsec or math.nan,
            )
            for k in affected
        ]
    )
    apart = lengths[:, 0] * np.where(np.isfinite(lengths[:, 1]), lengths[:, 1], 1.0)
    unit = "″" if np.isfinite(lengths[:, 1]).all() else "px"
    apart = apart[np.isfinite(apart)]
    numbers = [Quantity("size of the step", float(apart.max()), None, unit)] if len(apart) else []
    peaks = view.guided(affected, "peak")
    seen = bool(len(peaks) and len(apart) and unit == "″" and peaks.max() > 0.4 * apart.max())
    off, lock = (
        "Keep off the pier and the cables during exposures",
        "lock the mirror, focuser and camera",
    )
    evidence = []
    if seen:
        evidence.append(f"the guide star jumped too, by {number(float(peaks.max()), None, '″')}")
        action, because, caution = off, "something bumped the mount", ""
    elif len(peaks):
        held = number(float(peaks.max()), None, "″")
        evidence.append(f"the guide star stayed within {held} while the image jumped")
        action, caution = f"{lock.capitalize()}; give the cables slack", CLAMPS
        because = "the main image jumped and the guide star did not"
    else:
        action, caution = f"{off}; {lock}", CLAMPS
        because = "without a guiding record of it, a bumped mount and a slipping part look the same"
    return finding(
        view,
        "doubled stars",
        f"The image jumped during {counted(len(affected))}.",
        reason="bump",
        frames=affected,
        lost=lost,
        numbers=numbers,
        evidence=evidence,
        sureness=view.sureness("bump", affected),
        advice=(Advised(action, because, caution),),
    )


def tracking(view: NightView) -> NightFinding | None:
    """Stars drawn into lines."""
    affected, lost = view.affected("tracking_lost"), view.lost_to("tracking_lost")
    if not affected:
        return None
    without = view.guided(affected, "lost_s")
    missing = float(without.max()) if len(without) else 0.0
    drop = view.guided(affected, "star_drop")
    evidence = []
    if missing > 0:
        most = "up to " if len(without) > 1 else ""
        evidence.append(f"the guide star was missing for {most}{number(missing, None, 's')}")
        # Not where other advice asks for shorter guide exposures.
        quick = view.lost_to("periodic_error") or view.affected("ra_oscillation")
        quick = quick or view.guiding.guide_exposure == "too slow"
        longer = "" if quick else ", with a longer guide exposure if all are faint"
        action, because = (
            f"Choose a brighter guide star away from the edge{longer}, and make sure that nothing "
            "blocks it",
            "guiding lost its star",
        )
    else:
        action, because = (
            "Check clutches, balance, cables and power: the mount stalled or slipped",
            "stars became lines"
            + (
                " while the guide star was in view"
                if len(drop)
                else ", and the guiding record does not show why"
                if view.guiding is not None
                else ", and no guiding record shows why"
            ),
        )
    return finding(
        view,
        "lost tracking",
        f"Tracking was lost in {counted(len(affected))}.",
        reason="tracking_lost",
        frames=affected,
        lost=lost,
        numbers=[Quantity("guide star missing", missing, None, "s")] if missing > 0 else (),
        evidence=evidence,
        sureness=view.sureness("tracking_lost", affected),
        advice=(Advised(action, because, BALANCE if missing == 0 else ""),),
    )


def optics(view: NightView) -> NightFinding | None:
    """A fixed pattern of shapes over the field."""
    affected = view.affected("tilt_or_coma")
    if not affected:
        return None
    worst = [
        e.value
        for k in affected
        for e in view.verdicts[k].evidence
        if e.reason == "tilt_or_coma" and e.value is not None
    ]
    value = float(np.median(worst)) if worst else math.nan
    return finding(
        view,
        "tilt or coma",
        (
            f"{counted(len(affected))} share one pattern of star shapes"
            if len(affected) > 1
            else "1 frame shows a pattern of star shapes"
        )
        + (f": eccentricity {number(value)} in the worst corner." if value == value else "."),
        reason="tilt_or_coma",
        frames=affected,
        numbers=[Quantity("eccentricity of the worst corner", value)],
        evidence=("it stays the same over the night, so guiding is not the cause",)
        if len(affected) > 1
        else (),
        sureness=0.85,
        advice=(
            Advised(
                "Check collimation, the camera's tilt and the corrector's spacing",
                "the pattern costs no frames but shows in the stack",
                COLLIMATION,
            ),
        ),
    )


def trails(view: NightView) -> NightFinding | None:
    """Satellites and meteors."""
    affected = view.affected("satellite_trail")
    if not affected:
        return None
    share = len(affected) / max(len(view), 1)
    return finding(
        view,
        "satellite trails",
        f"{'A trail crosses' if len(affected) == 1 else 'Trails cross'} {counted(len(affected))}"
        + (f" ({100 * share:.0f}% of all)." if len(view) > 1 else "."),
        reason="satellite_trail",
        frames=affected,
        sureness=0.85,
        advice=(
            Advised(
                "Stack with outlier rejection, and dither",
                "a frame with a satellite trail is good apart from it",
            ),
        ),
    )


def unusable(
    view: NightView,
    unreadable,
    other_kind: Sequence[tuple[Judgement, float]] = (),
    unmeasured: Sequence[tuple[Judgement, float]] = (),
) -> list[NightFinding]:
    """Frames of another kind, without stars or damaged, and files not read or not measured."""
    out = []
    for word, topic, one, many, action, because in (
        (
            "wrong_frame",
            "frames of another kind",
            "does not belong to this session's lights",
            "do not belong to this session's lights",
            "Keep calibration frames, tests and other targets in folders of their own",
            "only frames of one kind can be compared",
        ),
        (
            "few_stars",
            "too few stars",
            "has too few stars to be judged",
            "have too few stars to be judged",
            "Check frames with too few stars for a cap left on, cloud or a wrong pointing",
            "a frame is judged by its stars",
        ),
        (
            "incomplete",
            "damaged frames",
            "has damaged pixels",
            "have damaged pixels",
            CHECK_THE_DISK,
            LOST_EXPOSURE,
        ),
    ):
        affected = view.lost_to(word)
        others = [o for o in other_kind if o[0].reasons[:1] == (word,)]
        count = len(affected) + len(others)
        if not count:
            continue
        notes = [
            v.explanation
            for v in (
                *(view.verdicts[k] for k in affected),
                *(judgement for judgement, _ in others),
            )
        ]
        found = finding(
            view,
            topic,
            f"{counted(count)} {one if count == 1 else many}.",
            reason=word,
            frames=affected,
            lost=affected,
            sureness=0.8,
            evidence=tuple(dict.fromkeys(filter(None, notes)))[:5],
            advice=(Advised(action, because),),
        )
        cost = round(found.cost_s + sum(seconds for _, seconds in others), 1)
        names = (*found.frames, *(j.frame for j, _ in others))
        out.append(
            replace(
                found,
                cost_s=cost,
                frames=names,
                advice=tuple(replace(a, saves_s=cost, frames=names) for a in found.advice),
            )
        )
    if unreadable:
        some = [f"{name}: {cause}" for name, cause in unreadable[:5]]
        out.append(
            finding(
                view,
                "unreadable files",
                f"{counted(len(unreadable), 'file')} could not be read.",
                reason="unreadable",
                evidence=some,
                sureness=1.0,
                advice=(
                    Advised(
                        CHECK_THE_DISK,
                        LOST_EXPOSURE,
                    ),
                ),
            )
        )
    if unmeasured:
        out.append(_unmeasured(view, unmeasured))
    return out


def _unmeasured(view: NightView, unmeasured: Sequence[tuple[Judgement, float]]) -> NightFinding:
    """Files that the program itself failed on."""
    many = len(unmeasured) > 1
    found = finding(
        view,
        "files not measured",
        f"{counted(len(unmeasured), 'file')} could not be measured; the fault is the program's.",
        evidence=tuple(f"{j.frame}: {j.explanation}" for j, _ in unmeasured[:5]),
        sureness=1.0,
        advice=(
            Advised(
                f"Look yourself at the frame{'s' * many} that could not be measured, and report "
                "the fault with the bug report if there is one",
                f"{'they' if many else 'it'} may be good",
            ),
        ),
    )
    cost = round(sum(seconds for _, seconds in unmeasured), 1)
    return replace(
        found,
        cost_s=cost,
        frames=tuple(j.frame for j, _ in unmeasured),
        advice=tuple(replace(a, saves_s=0.0) for a in found.advice),
    )
