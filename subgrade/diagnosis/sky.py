"""Findings on the sky: cloud, dew, and light that drowns the stars."""

from __future__ import annotations

import math

import numpy as np

from subgrade.diagnosis.model import Finding, Quantity
from subgrade.diagnosis.view import NightView, finding, utc
from subgrade.diagnosis.words import MAINS, SUN, counted, number

TWILIGHT_DEG = -18.0
"""Sun below this leaves the sky dark: astronomical twilight by definition."""


def cloud(view: NightView) -> Finding | None:
    """When cloud came and went, and how much light it took."""
    told, lost = view.told("cloud"), view.lost_to("cloud")
    if not told:
        return None
    light = _light(view, told)
    sentence = f"Cloud or haze dimmed {counted(len(told))}" + _when(view, told)
    numbers = []
    if len(light):
        sentence += f", leaving {100 * light.min():.0f}% of the starlight at worst"
        numbers = [Quantity("least light", float(light.min())),
                   Quantity("usual light in these frames", float(np.median(light)))]  # fmt: skip
    return finding(
        view, "cloud", sentence + ".", reason="cloud", frames=told, lost=lost, numbers=numbers,
        evidence=("starlight of the same stars, frame by frame, against the night's clear level",),
        sureness=view.sureness("cloud", told),
        advice=((
            "Plan for the clear part of the night and let the run pause while the guide star is "
            "faint; nothing in the set-up cures cloud",
            "these frames would make the stack noisier", "",
        ),),
    )  # fmt: skip


def dew(view: NightView) -> Finding | None:
    """Starlight lost slowly and one way."""
    told, lost = view.told("dew"), view.lost_to("dew")
    if not told:
        return None
    light = _light(view, told)
    numbers = [Quantity("least light", float(light.min()))] if len(light) else []
    share, time = view.night.compared, 0.5 * (view.start + view.end)[told]
    through = np.array([share[k].transparency for k in told], float)
    known = np.isfinite(through) & np.isfinite(time)
    sentence = f"Dew or frost dimmed and swelled the stars of {counted(len(told))}" + _when(
        view, told
    )
    if known.sum() >= 3 and np.ptp(time[known]) > 0:
        slope = float(np.polyfit((time[known] - time[known][0]) / 3600.0, through[known], 1)[0])
        numbers.append(Quantity("change of light", 100.0 * slope, None, "% an hour"))
        sentence += f", light changing by {number(100 * slope, None, '% an hour')}"
    return finding(
        view, "dew", sentence + ".", reason="dew", frames=told, lost=lost, numbers=numbers,
        evidence=("loss one way, with swelling and haloes",), sureness=view.sureness("dew", told),
        advice=((
            "Warm the front optics from the start with a dew heater, or lengthen the dew shield",
            "dew once formed costs the rest of the night", MAINS,
        ),),
    )  # fmt: skip


def sky_glow(view: NightView) -> Finding | None:
    """Frames under a bright sky, and whether Sun or Moon stood behind it."""
    told, lost = view.told("sky_glow"), view.lost_to("sky_glow")
    if not told:
        return None
    ratio = np.array([view.night.frames[k].stars.background_adu / view.usual(k, "background_adu")
                      for k in told])  # fmt: skip
    worst = float(np.nanmax(ratio)) if np.isfinite(ratio).any() else math.nan
    sentence = f"The sky was bright in {counted(len(told))}" + _when(view, told)
    if math.isfinite(worst):
        sentence += f", up to {number(worst)} times its usual level"
    numbers = [Quantity("background over the usual", worst)]
    heights = altitudes(view, told)
    evidence, action, because, caution = [], "", "", ""
    if heights is None:
        evidence.append("site or time unknown: Sun and Moon are not worked out")
    else:
        sun, moon = heights
        numbers += [Quantity("Sun's altitude at the brightest", float(sun.max()), 0.3, "°"),
                    Quantity("Moon's greatest altitude", float(moon.max()), 0.5, "°")]  # fmt: skip
        evidence.append(
            f"the Sun stood at {sun.min():.0f}° to {sun.max():.0f}°, the Moon at {moon.min():.0f}° "
            f"to {moon.max():.0f}°"
        )
        if sun.max() > TWILIGHT_DEG:
            dark = [k for k, s in zip(told, sun, strict=True) if s > TWILIGHT_DEG]
            before = view.start[dark[0]] > np.nanmedian(view.start)
            action = (
                f"{'End' if before else 'Begin'} the run {'before' if before else 'after'} "
                f"{utc(view.start[dark[0]] if before else view.end[dark[-1]])[11:16]} UTC"
            )
            because, caution = "the Sun was less than 18° below the horizon: twilight", SUN
        elif moon.max() > 0.0:
            action = "Plan such targets for hours without the Moon, or farther from it"
            because = "the Moon was up and neither twilight nor cloud explains it"
    if not action:
        action = "Look for lights near the telescope: headlights, lamps, screens"
        because = "neither twilight nor the Moon is known to explain it"
    return finding(
        view, "bright sky", sentence + ".", reason="sky_glow", frames=told, lost=lost,
        numbers=numbers, evidence=evidence, sureness=view.sureness("sky_glow", told),
        advice=((action, because, caution),),
    )  # fmt: skip


def altitudes(view: NightView, frames) -> tuple[np.ndarray, np.ndarray] | None:
    """Altitude of Sun and Moon at the middle of some frames, degrees; None without site or time."""
    latitude, longitude = view.common("site_lat_deg"), view.common("site_lon_deg")
    time = 0.5 * (view.start + view.end)[list(frames)]
    if not (math.isfinite(latitude) and math.isfinite(longitude) and np.isfinite(time).all()):
        return None
    return sun_and_moon(time, latitude, longitude)


def sun_and_moon(
    unix: np.ndarray, latitude_deg: float, longitude_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """Altitude of Sun and Moon without refraction, degrees, to about 0.1.

    Geocentric places from the SOFA routines epv00 (Earth about the Sun) and moon98, turned to
    the equator of date (pmat06); UTC taken for the other time scales, so that nothing has to
    be fetched.  The Moon is lowered by its parallax.
    """
    import erfa

    from subgrade.guiding import hour_angles

    day = np.asarray(unix, float) / 86400.0
    earth, _ = erfa.epv00(2440587.5, day)
    turned = erfa.pmat06(2440587.5, day)
    out = []
    for place in (-earth["p"], erfa.moon98(2440587.5, day)["p"]):
        ra, dec = erfa.c2s(np.einsum("...ij,...j->...i", turned, place))
        hour = np.radians(hour_angles(unix, longitude_deg, np.degrees(ra)))
        lat = math.radians(latitude_deg)
        sine = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour)
        out.append(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))
    sun, moon = out
    return sun, moon - 0.95 * np.cos(np.radians(moon))


def _light(view: NightView, frames) -> np.ndarray:
    light = np.array([view.night.compared[k].transparency for k in frames], float)
    return light[np.isfinite(light)]


def _when(view: NightView, frames) -> str:
    spans = view.spans(frames)
    known = [s for s in spans if s.start_utc and s.end_utc]
    if not known or len(known) > 3:
        return ""
    return ", " + ", ".join(f"{s.start_utc[11:16]} to {s.end_utc[11:16]}" for s in known) + " UTC"
