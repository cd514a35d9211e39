"""Findings on guiding: RA oscillation, periodic error, the guide exposure, Dec backlash."""

from __future__ import annotations

import math

import numpy as np

from subgrade.diagnosis.model import Advised, NightFinding, Quantity
from subgrade.diagnosis.mount_kind import unguided
from subgrade.diagnosis.night_view import NightView, finding
from subgrade.diagnosis.wording import BALANCE, LIKELY, number, possibly
from subgrade.figures import counted
from subgrade.night import fullest_night

GOOD_GAIN = 0.6
"""Share of the error a correction should remove: common practice, no source."""
SMALLER = "Correct a smaller share of each RA error"
GAIN_DOUBT = 0.05
"""Relative doubt in a loop gain, since guide star noise hides part of a reversal; measured on
practice nights (docs/diagnosis.md)."""
PERIOD_DOUBT, SIZE_DOUBT = 0.01, 0.15
"""Relative doubt in period and amplitude of the periodic error; measured on practice
nights (docs/guiding.md)."""
DELAYED = 3.0
"""A longer oscillation, in guide intervals, comes from delay: gain alone oscillates in two, a
delay of one interval in six (roots of z^2 - z + 1), derived."""
SHORT_INTERVAL_S = 2.5
"""Guide interval that needs no shorter guide exposures: common practice, no source."""


def oscillation(view: NightView) -> NightFinding | None:
    """RA oscillation and what is most likely to end it."""
    affected, lost = view.affected("ra_oscillation"), view.lost_to("ra_oscillation")
    if not affected or unguided(view):
        return None  # what nobody corrects, no correction drives to and fro
    gain, gain_error = loop_gain(view, affected)
    period, over = _median(view, affected, "period_s"), _median(view, affected, "overshoot")
    lag, rms = _median(view, affected, "lag1_ra"), _median(view, affected, "rms_ra")
    cadence = view.guiding.record.cadence_s if view.guiding else math.nan
    action, because, caution, certain = _remedy(view, gain, gain_error, period, over, lag, cadence)
    sentence = f"The mount oscillated in RA in {counted(len(affected))}"
    if math.isfinite(period):
        sentence += f", with a period of {number(period, None, 's')}"
        if cadence > 0:
            sentence += f" ({period / cadence:.1f} guide intervals)"
    if math.isfinite(rms):
        whose = "guiding RMS" if len(affected) == 1 else "median guiding RMS of these frames"
        sentence += f"; {whose} {number(rms, None, '″')} in RA"
    evidence = []
    if math.isfinite(lag):
        evidence.append(
            f"successive errors have a correlation of {lag:.2f} (-1: each reverses the one before)"
        )
    if math.isfinite(over):
        limit = view.limits.guiding.overshoot
        evidence.append(
            f"{100 * over:.0f}% of the corrections overshot by more than half the error "
            f"(over-correction from {100 * limit:.0f}%)"
        )
    if not certain:
        evidence.append(
            "the record does not show which remedy it needs"
            if view.recorded(affected)
            else "without a guiding record the remedy is a guess"
        )
    return finding(
        view,
        "RA oscillation",
        sentence + ".",
        reason="ra_oscillation",
        frames=affected,
        lost=lost,
        numbers=(
            Quantity("period", period, None, "s"),
            Quantity("correction / error", gain, gain_error),
            Quantity("correlation of successive errors", lag),
            Quantity("guiding RMS in RA", rms, None, "″"),
            Quantity("overshoot", over),
        ),
        evidence=evidence,
        sureness=view.sureness("ra_oscillation", affected),
        advice=(Advised(action, because, caution),),
    )


def _remedy(view, gain, gain_error, period, over, lag, cadence):
    """Action, reason, caution, and whether the numbers chose it."""
    late = math.isfinite(period) and period > DELAYED * cadence
    if math.isfinite(lag) and lag < view.limits.guiding.reversal and not late:
        text = f"errors reverse from one guide exposure to the next (correlation {lag:.2f})"
        action = SMALLER
        if math.isfinite(gain) and gain > 1.0:
            text += (
                f"; each correction moved the star by {number(gain, gain_error)} times its error"
            )
            action = (
                f"Lower the RA correction strength to about {100 * GOOD_GAIN / gain:.0f}% of its "
                f"present value, so that about {100 * GOOD_GAIN:.0f}% of each error is corrected"
            )
        return action, text, "", True
    if late and (not math.isfinite(lag) or lag > 0.0):
        text = (
            f"one oscillation takes {period / cadence:.1f} guide intervals: corrections are sent "
            "late, or the mount responds late"
        )
        action = (
            "Shorten the guide exposure and any delay, correct a smaller share of each RA error, "
            "and balance RA slightly east-heavy so that the gears stay meshed on one side"
        )
        return action, text, BALANCE, False
    if view.guiding is not None and view.guiding.guide_exposure == "chases seeing":
        longer = "" if view.lost_to("periodic_error") else ", or guide with longer exposures"
        return (
            f"Raise the smallest RA correction that is sent{longer}",
            "corrections are as large as the errors and follow the seeing",
            "",
            True,
        )
    return (
        f"{SMALLER}; if the oscillation stays, shorten the guide exposure",
        "over-correction is the most common cause of RA oscillation (a rule of thumb)",
        "",
        False,
    )


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


def periodic_error(view: NightView) -> NightFinding | None:
    """Period and amplitude of the periodic error, what guiding left of it, and the remedy."""
    affected, lost = view.affected("periodic_error"), view.lost_to("periodic_error")
    guiding = view.guiding
    period = guiding.worm_period_s if guiding else math.nan
    if not affected and not math.isfinite(period):
        return None
    size = guiding.worm_amplitude if guiding else math.nan
    left = left_of(view, affected, period)
    more = math.isfinite(left) and left > size
    # What no correction has touched is seen plainly; corrections undone depend on their rate.
    size = left if more else size
    numbers = [
        Quantity("worm period", period, PERIOD_DOUBT * period, "s"),
        Quantity("amplitude on the sky", size, SIZE_DOUBT * size, "″"),
    ]
    sentence, evidence = [], []
    if math.isfinite(period):
        sentence.append(
            f"Unguided, the periodic error has an amplitude of "
            f"{number(size, SIZE_DOUBT * size, '″')} and a period of "
            f"{number(period, PERIOD_DOUBT * period, 's')}."
        )
        evidence.append(
            "period from the guiding record with its corrections undone, amplitude from the "
            "affected frames"
            if more
            else "from the guiding record with its corrections undone"
        )
        in_kept = left_of(view, view.kept(), period)
        numbers.append(Quantity("left in kept frames", in_kept, None, "″"))
        numbers.append(Quantity("left in these frames", left, None, "″"))
        parts = [
            f"{number(value, None, '″')} in the {whose} frames"
            for value, whose in ((left, "affected"), (in_kept, "kept"))
            if math.isfinite(value)
        ]
        if parts:
            evidence.append(f"amplitude left after guiding: {', '.join(parts)}")
    sureness = view.sureness("periodic_error", affected) if affected else 0.9
    if affected:
        what = "It" if sentence else "Periodic error"
        shown = f"{what} affected {counted(len(affected))}."
        sentence.append(possibly(shown) if sureness < LIKELY else shown)
    return finding(
        view,
        "periodic error",
        " ".join(sentence),
        reason="periodic_error",
        frames=affected,
        lost=lost,
        numbers=numbers,
        evidence=evidence,
        sureness=sureness,
        advice=_periodic_advice(view, period, size) if lost else (),
        hedged=True,
    )


def _periodic_advice(view: NightView, period: float, size: float) -> tuple[Advised, ...]:
    if unguided(view):
        because = "periodic error repeats with every turn of the worm, and nothing corrected it"
        return (
            Advised("Guide the mount, or train its PEC over several turns of the worm", because),
        )
    interval = view.guiding.record.cadence_s if view.guiding else math.nan
    oscillating = view.affected("ra_oscillation")
    steps = [] if interval <= SHORT_INTERVAL_S else ["guide with shorter exposures"]
    if not oscillating or loop_gain(view, oscillating)[0] > 1.0:  # else it may ask for less
        steps.append(f"correct about {100 * GOOD_GAIN:.0f}% of each RA error")
    own = "train the mount's PEC over several turns of the worm"
    action = _capital(", or ".join(filter(None, (" and ".join(steps), own))))
    if not steps:
        return (Advised(action, "periodic error repeats with every turn of the worm"),)
    because = "the stars are elongated along RA, as periodic error would leave them"
    if math.isfinite(period) and size > 0:
        speed = 2.0 * math.pi * size / period
        because = (
            f"at its fastest the error grows by {number(speed, None, '″ a second')}: "
            f"{number(2.0 * speed, None, '″')} between corrections 2 s apart, "
            f"{number(5.0 * speed, None, '″')} at 5 s"
        )
        if interval > 0:
            because += f" (this record: {number(interval, None, 's')})"
    return (Advised(action, because),)


def left_of(view: NightView, frames, period: float) -> float:
    """Amplitude at the worm's period in the guided error of some frames, arcsec."""
    if view.guiding is None or not len(frames) or not math.isfinite(period):
        return math.nan
    use = view.samples(frames)
    if use.sum() < 30:
        return math.nan
    record = view.guiding.record
    # The period is not known well enough to keep the phase from one night to another.
    use[use] = fullest_night(record.time[use])
    phase = 2.0 * np.pi * (record.time[use] - record.time[use][0]) / period
    design = np.column_stack([np.sin(phase), np.cos(phase), np.ones(len(phase))])
    solution = np.linalg.lstsq(design, record.ra[use], rcond=None)[0]
    return float(np.hypot(solution[0], solution[1]))


def guide_exposure(view: NightView) -> NightFinding | None:
    """Whether the guide exposure fits the mount and the seeing; None where it does."""
    if view.guiding is None or view.guiding.guide_exposure not in ("too slow", "chases seeing"):
        return None
    cadence = number(view.guiding.record.cadence_s, None, "s")
    lost, oscillates = [], bool(view.affected("ra_oscillation"))
    if view.guiding.guide_exposure == "too slow":
        sentence = (
            f"Guiding was too slow: with an exposure every {cadence}, successive errors are "
            "correlated."
        )
        # An oscillating loop needs less of it, and the advice on periodic error covers both.
        more = "" if oscillates else ", or correct a larger share of each RA error"
        action = f"Guide with shorter exposures{more}"
        because = "most of the error left is slower than ten samples"
        if not view.guiding.record.cadence_s <= SHORT_INTERVAL_S:
            because += "; guide exposures of 2 s often keep up where 5 s do not (a rule of thumb)"
        lost = view.lost_to("periodic_error")
    elif oscillates:
        return None  # the finding on the oscillation covers errors that alternate
    else:
        sentence = (
            f"Guiding chased the seeing: with an exposure every {cadence}, successive errors "
            "alternate."
        )
        action = "Raise the smallest RA correction that is sent"
        if not view.lost_to("periodic_error"):  # which asks for the opposite
            action += ", correct a smaller share of each RA error, or expose the guide star longer"
        because = "corrections as large as the errors follow the seeing, not the mount"
    return finding(
        view,
        "guide exposure",
        sentence,
        evidence=("from the guiding record, dithers left out",),
        sureness=0.7,
        frames=lost,
        advice=() if lost else (Advised(action, because),),
    )


def backlash(view: NightView) -> NightFinding | None:
    """Backlash in declination."""
    seconds = view.guiding.backlash_s if view.guiding else math.nan
    if not (math.isfinite(seconds) and seconds > 2.0 * view.guiding.record.cadence_s):
        return None
    # With nothing sent at all, both ways come first: guiding one way would contradict it.
    one_way = "" if view.affected("dec_drift") else "guide Dec one way only, against the drift, or "
    action = _capital(f"{one_way}adjust the gear mesh to take up the backlash")
    return finding(
        view,
        "Dec backlash",
        f"Dec responds to a reversed correction {number(seconds, None, 's')} late.",
        numbers=(Quantity("delay of a reversal", seconds, view.guiding.record.cadence_s, "s"),),
        evidence=("median delay after large errors that called for a correction the other way",),
        sureness=0.6,
        advice=(
            Advised(
                action,
                "Dec responds late when its correction reverses, and then overshoots",
                BALANCE,
            ),
        ),
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _median(view: NightView, frames, name: str) -> float:
    values = view.guided(frames, name)
    return float(np.median(values)) if len(values) else math.nan
