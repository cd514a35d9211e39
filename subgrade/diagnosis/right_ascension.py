"""Findings on right ascension: the guider's swing, the worm, the guide exposure."""

from __future__ import annotations

import math

import numpy as np

from subgrade.diagnosis.model import Finding, Quantity
from subgrade.diagnosis.view import NightView, finding
from subgrade.diagnosis.words import BALANCE, LIKELY, counted, number, possibly

GOOD_GAIN = 0.6
"""Share of the error a correction should remove: common practice, no source."""
GAIN_DOUBT = 0.05
"""Relative doubt in a loop gain, since guide star noise hides part of a reversal; measured on
practice nights (docs/diagnosis.md)."""
PERIOD_DOUBT, SIZE_DOUBT = 0.01, 0.15
"""Relative doubt in the worm's period and size; measured on practice nights (docs/guiding.md)."""
DELAYED = 3.0
"""A swing longer than so many cadences comes from lateness: gain alone swings in two, a delay of
one cadence in six (roots of z^2 - z + 1), derived."""


def swing(view: NightView) -> Finding | None:
    """The guider's own swing in right ascension and its likeliest cure."""
    told, lost = view.told("ra_oscillation"), view.lost_to("ra_oscillation")
    if not told:
        return None
    gain, gain_error = loop_gain(view, told)
    period, over = _median(view, told, "period_s"), _median(view, told, "overshoot")
    lag, rms = _median(view, told, "lag1_ra"), _median(view, told, "rms_ra")
    cadence = view.guiding.record.cadence_s if view.guiding else math.nan
    action, because, caution, certain = _cure(view, gain, gain_error, period, over, lag, cadence)
    sentence = f"Right ascension swung to and fro in {counted(len(told))}"
    if math.isfinite(period):
        sentence += f" with a period of {number(period, None, 's')}"
        sentence += f" ({period / cadence:.1f} guide cadences)"
    if math.isfinite(rms):
        sentence += f", rms {number(rms, None, '″')}"
    evidence = []
    if math.isfinite(lag):
        evidence.append(
            f"each error against the one before: correlation {lag:.2f} (-1: each reverses)"
        )
    if math.isfinite(over):
        limit = view.limits.guiding.overshoot
        evidence.append(
            f"{100 * over:.0f}% of the corrections threw the star past the middle by more than "
            f"half the error (over-correction from {100 * limit:.0f}%)"
        )
    if not certain:
        evidence.append(
            "the record does not tell which cure it needs" if view.recorded(told)
            else "without a guiding record the cure is a guess"
        )  # fmt: skip
    return finding(
        view, "swing in right ascension", sentence + ".", reason="ra_oscillation",
        frames=told, lost=lost,
        numbers=(
            Quantity("period", period, None, "s"),
            Quantity("share of the error a correction moved", gain, gain_error),
            Quantity("correlation of neighbours", lag),
            Quantity("rms in right ascension", rms, None, "″"),
            Quantity("overshoot", over),
        ),
        evidence=evidence, sureness=view.sureness("ra_oscillation", told),
        advice=((action, because, caution),),
    )  # fmt: skip


def _cure(view, gain, gain_error, period, over, lag, cadence):
    """Action, reason, caution, and whether the numbers chose it."""
    late = math.isfinite(period) and period > DELAYED * cadence
    if math.isfinite(lag) and lag < view.limits.guiding.reversal and not late:
        text = f"errors reverse from one guide exposure to the next (correlation {lag:.2f})"
        action = "Lower the aggressiveness in right ascension"
        if math.isfinite(gain) and gain > 1.0:
            text += f": each correction moved {number(gain, gain_error)} times the error it met"
            action += f" to about {100 * GOOD_GAIN / gain:.0f}% of what it was"
        return action, text, "", True
    if late and (not math.isfinite(lag) or lag > 0.0):
        text = (
            f"the swing takes {number(period / cadence, None)} cadences: corrections come late, or "
            "the axis answers late"
        )
        action = (
            "Shorten the guide exposure and any delay, lower the aggressiveness in right ascension "
            "and balance the axis slightly heavy to the east, so that the gears stay in touch"
        )
        return action, text, BALANCE, False
    if view.guiding is not None and view.guiding.guide_exposure == "chases seeing":
        longer = "" if view.lost_to("periodic_error") else ", or guide with longer exposures"
        return (
            f"Raise the least move{longer}",
            "corrections are as large as the errors and follow the seeing", "", True,
        )  # fmt: skip
    return (
        "Lower the aggressiveness in right ascension; if the swing stays, shorten the guide "
        "exposure",
        "over-correction is the commonest cause of a swing (common practice, no source)", "", False,
    )  # fmt: skip


def loop_gain(view: NightView, frames) -> tuple[float, float]:
    """Share of the error that a correction moves in RA, and one sigma; NaN without a record.

    In a loop without delay ``error[k+1] = (1 - g) error[k] + noise`` (derived), so the
    gain is one less the regression of each error on the one before.
    """
    if view.guiding is None:
        return math.nan, math.nan
    record, top, bottom, count = view.guiding.record, 0.0, 0.0, 0
    for k in frames:
        use = view.samples([k])
        time, error = record.time[use], record.ra[use]
        if len(error) < 10:
            continue
        error = error - error.mean()
        near = np.diff(time) < 1.5 * record.cadence_s
        top += float(np.sum((error[1:] * error[:-1])[near]))
        bottom += float(np.sum((error[:-1] ** 2)[near]))
        count += int(near.sum())
    if not bottom > 0 or count < 10:
        return math.nan, math.nan
    slope = top / bottom
    gain = 1.0 - slope
    return gain, math.hypot(math.sqrt(max(1.0 - slope**2, 0.01) / count), GAIN_DOUBT * gain)


def worm(view: NightView) -> Finding | None:
    """The worm's period and size, what the guider left of it, and the cure."""
    told, lost = view.told("periodic_error"), view.lost_to("periodic_error")
    guiding = view.guiding
    period = guiding.worm_period_s if guiding else math.nan
    if not told and not math.isfinite(period):
        return None
    size = guiding.worm_amplitude if guiding else math.nan
    left = left_of(view, told, period)
    more = math.isfinite(left) and left > size
    # What no correction has touched is seen plainly; corrections undone depend on their rate.
    size = left if more else size
    numbers = [Quantity("worm period", period, PERIOD_DOUBT * period, "s"),
               Quantity("amplitude on the sky", size, SIZE_DOUBT * size, "″")]  # fmt: skip
    sentence, evidence = [], []
    if math.isfinite(period):
        sentence.append(
            f"The worm swings right ascension by {number(size, SIZE_DOUBT * size, '″')} to either "
            f"side every {number(period, PERIOD_DOUBT * period, 's')} when not guided."
        )
        evidence.append(
            "period from the guiding record with its corrections undone, size from the frames in "
            "which it was left"
            if more
            else "from the guiding record with its corrections undone"
        )
        usual = left_of(view, view.kept(), period)
        numbers.append(Quantity("left in kept frames", usual, None, "″"))
        numbers.append(Quantity("left in these frames", left, None, "″"))
        if math.isfinite(left):
            evidence.append(f"{number(left, None, '″')} of it is left where it shows")
        if math.isfinite(usual):
            evidence.append(f"{number(usual, None, '″')} of it is left in the kept frames")
    sureness = view.sureness("periodic_error", told) if told else 0.9
    if told:
        whose = "Its" if sentence else "The worm's"
        shown = f"{whose} swing shows in {counted(len(told))}."
        sentence.append(possibly(shown) if sureness < LIKELY else shown)
    return finding(
        view, "periodic error", " ".join(sentence), reason="periodic_error", frames=told,
        lost=lost, numbers=numbers, evidence=evidence, sureness=sureness,
        advice=_worm_advice(view, period, size) if lost else (), hedged=True,
    )  # fmt: skip


def _worm_advice(view: NightView, period: float, size: float):
    because = "the stars are drawn out as a worm's slow swing would draw them"
    if math.isfinite(period) and size > 0:
        speed = 2.0 * math.pi * size / period
        because = (
            f"at its fastest the worm runs {number(speed, None, '″ a second')}: "
            f"{number(2.0 * speed, None, '″')} from one correction to the next at one every 2 s, "
            f"{number(5.0 * speed, None, '″')} at one every 5 s (this record: every "
            f"{number(view.guiding.record.cadence_s, None, 's')})"
        )
    action = (
        "Guide with shorter exposures and enough aggressiveness to follow the worm (about "
        f"{100 * GOOD_GAIN:.0f}% of each error), or train the mount's own worm correction over "
        "several turns"
    )
    return ((action, because, ""),)


def left_of(view: NightView, frames, period: float) -> float:
    """Amplitude at the worm's period in the guided error of some frames, arcsec."""
    if view.guiding is None or not len(frames) or not math.isfinite(period):
        return math.nan
    use = view.samples(frames)
    if use.sum() < 30:
        return math.nan
    record = view.guiding.record
    phase = 2.0 * np.pi * record.time[use] / period
    design = np.column_stack([np.sin(phase), np.cos(phase), np.ones(len(phase))])
    solution = np.linalg.lstsq(design, record.ra[use], rcond=None)[0]
    return float(np.hypot(solution[0], solution[1]))


def guide_exposure(view: NightView) -> Finding | None:
    """Whether the guide exposure fits the mount and the seeing; None where it does."""
    if view.guiding is None or view.guiding.guide_exposure not in ("too slow", "chases seeing"):
        return None
    cadence = number(view.guiding.record.cadence_s, None, "s")
    lost, swings = [], bool(view.told("ra_oscillation"))
    if view.guiding.guide_exposure == "too slow":
        said = (
            f"Guiding was too slow: one sample every {cadence}, and neighbouring errors are alike."
        )
        # A loop that swings wants less of it, and the worm's own advice says both.
        more = "" if swings else " or more aggressiveness in right ascension"
        action = f"Guide with shorter exposures{more}"
        because = (
            "most of the error left is slower than ten samples; guide exposures of 2 s often keep "
            "up where 5 s do not (common practice, no source)"
        )
        lost = view.lost_to("periodic_error")
    elif swings:
        return None  # the swing's own finding tells of errors that alternate
    else:
        said = f"Guiding chased the seeing: at one sample every {cadence} the errors alternate."
        action = "Raise the least move"
        if not view.lost_to("periodic_error"):  # which asks for the opposite
            action += ", lower the aggressiveness, or expose the guide star longer"
        because = "corrections as large as the errors answer the air, not the mount"
    return finding(view, "guide exposure", said, evidence=("from the record outside dithers",),
                   sureness=0.7, frames=lost,
                   advice=() if lost else ((action, because, ""),))  # fmt: skip


def backlash(view: NightView) -> Finding | None:
    """Play in the declination gears."""
    seconds = view.guiding.backlash_s if view.guiding else math.nan
    if not (math.isfinite(seconds) and seconds > 2.0 * view.guiding.record.cadence_s):
        return None
    # With nothing sent at all, both ways come first: guiding one way would contradict it.
    one_way = "" if view.told("dec_drift") else "Guide declination one way, against the drift, or "
    action = f"{one_way}take up the play in the gear mesh"
    return finding(
        view, "backlash in declination",
        f"Declination answers a reversal {number(seconds, None, 's')} late.",
        numbers=(Quantity("delay of a reversal", seconds, view.guiding.record.cadence_s, "s"),),
        evidence=("median wait after large errors that called for a move against the last one",),
        sureness=0.6,
        advice=((
            action[:1].upper() + action[1:],
            "a reversal is answered late, and what is sent meanwhile overshoots", BALANCE,
        ),),
    )  # fmt: skip


def _median(view: NightView, frames, name: str) -> float:
    values = view.guided(frames, name)
    return float(np.median(values)) if len(values) else math.nan
