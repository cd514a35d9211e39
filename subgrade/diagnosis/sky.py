"""Findings on the sky: cloud, dew, and light that drowns the stars."""

from __future__ import annotations

import math

import numpy as np

from subgrade.diagnosis.model import Advised, NightFinding, Quantity
from subgrade.diagnosis.night_view import NightView, finding, utc
from subgrade.diagnosis.wording import MAINS, SUN, number
from subgrade.figures import counted
from subgrade.night import fullest_night

LIGHTS = "look for lights near the telescope: headlights, lamps, screens"
PLAIN = 1.05
"""Ratio to the typical from which a number is worth a word: a choice."""
TWILIGHT_DEG = -18.0
"""Sun below this leaves the sky dark: astronomical twilight by definition."""


def cloud(view: NightView) -> NightFinding | None:
    """When cloud came and went, and how much light it took."""
    affected, lost = view.affected("cloud"), view.lost_to("cloud")
    if not affected:
        return None
    light = _light(view, affected)
    plan = "Image in the clear part of the night"
    if len(affected) == len(view):
        plan = "Wait for a clear night"
    sentence = f"Cloud or haze dimmed {counted(len(affected))}" + _when(view, affected)
    numbers = []
    if len(light):
        if light.min() < 1.0 / PLAIN:
            sentence += f", leaving {100 * light.min():.0f}% of the starlight at worst"
        median = float(np.median(light))
        numbers = [
            Quantity("lowest transparency", float(light.min())),
            Quantity("median transparency of these frames", median),
        ]
    return finding(
        view,
        "cloud",
        sentence + ".",
        reason="cloud",
        frames=affected,
        lost=lost,
        numbers=numbers,
        evidence=("brightness of the same stars in each frame, against the night's clear level",),
        sureness=view.sureness("cloud", affected),
        advice=(
            Advised(
                f"{plan}, and let the run pause while the guide star is faint",
                "nothing in the set-up helps against cloud",
            ),
        ),
    )


def dew(view: NightView) -> NightFinding | None:
    """Starlight that fell slowly and did not come back."""
    affected, lost = view.affected("dew"), view.lost_to("dew")
    if not affected:
        return None
    light = _light(view, affected)
    numbers = [Quantity("lowest transparency", float(light.min()))] if len(light) else []
    share, time = view.night.compared, 0.5 * (view.start + view.end)[affected]
    through = np.array([share[k].transparency for k in affected], float)
    known = np.isfinite(through) & fullest_night(time)
    sentence = f"Dew or frost dimmed and enlarged the stars in {counted(len(affected))}" + _when(
        view, affected
    )
    if known.sum() >= 3 and np.ptp(time[known]) > 0:
        hours = (time[known] - time[known].mean()) / 3600.0
        slope = float(np.polyfit(hours, through[known], 1)[0])
        numbers.append(Quantity("change of transparency", 100.0 * slope, None, "% an hour"))
        sentence += (
            f"; starlight went from {100 * through[known][0]:.0f}% of the clear level to "
            f"{100 * through[known][-1]:.0f}%"
        )
    return finding(
        view,
        "dew",
        sentence + ".",
        reason="dew",
        frames=affected,
        lost=lost,
        numbers=numbers,
        evidence=("starlight fell steadily while stars grew and gained halos",),
        sureness=view.sureness("dew", affected),
        advice=(
            Advised(
                "Warm the front optics with a dew heater from the start, or fit a longer dew "
                "shield",
                "once formed, dew stays until the optics are warmed",
                MAINS,
            ),
        ),
    )


def sky_glow(view: NightView) -> NightFinding | None:
    """Frames under a bright sky, and whether Sun or Moon stood behind it."""
    affected, lost = view.affected("sky_glow"), view.lost_to("sky_glow")
    if not affected:
        return None
    ratio = np.array(
        [
            view.night.frames[k].stars.background_adu / view.usual(k, "background_adu")
            for k in affected
        ]
    )
    worst = float(np.nanmax(ratio)) if np.isfinite(ratio).any() else math.nan
    sentence = f"The sky was bright in {counted(len(affected))}" + _when(view, affected)
    if worst > PLAIN:
        most = "up to " if len(affected) > 1 else ""
        sentence += f", {most}{number(worst)} times its typical level"
    numbers = [Quantity("background / typical", worst)]
    heights = altitudes(view, affected)
    evidence, action, because, caution = [], "", "", ""
    if heights is None:
        evidence.append(
            "the headers lack site or time, so the altitudes of Sun and Moon are unknown"
        )
        action = f"Check whether it was twilight or the Moon was up; if not, {LIGHTS}"
        because = "without site and time Sun and Moon cannot be ruled out"
    else:
        sun, moon = heights
        numbers += [
            Quantity("Sun's altitude at the brightest", float(sun.max()), 0.3, "°"),
            Quantity("Moon's greatest altitude", float(moon.max()), 0.5, "°"),
        ]
        evidence.append(f"altitude of the Sun {_range(sun)}, of the Moon {_range(moon)}")
        if sun.max() > 0.0:
            action = "Correct the clock, time zone and site that are written into the headers"
            because = "the headers put the Sun above the horizon, where no stars would show"
        elif sun.max() > TWILIGHT_DEG:
            action, caution = _in_the_dark(view, np.array(affected)[sun > TWILIGHT_DEG]), SUN
            because = "it was twilight: the Sun was less than 18° below the horizon"
        elif moon.max() > 0.0:
            action = "Plan such targets for hours without the Moon, or farther from it"
            because = "the Moon was up, and it was not twilight"
        else:
            action = LIGHTS[0].upper() + LIGHTS[1:]
            because = "neither twilight nor the Moon explains it"
    return finding(
        view,
        "bright sky",
        sentence + ".",
        reason="sky_glow",
        frames=affected,
        lost=lost,
        numbers=numbers,
        evidence=evidence,
        sureness=view.sureness("sky_glow", affected),
        advice=(Advised(action, because, caution),),
    )


def _in_the_dark(view: NightView, bright) -> str:
    """When to start or end so that twilight is left out: by whether the Sun sets or rises."""
    site = view.common("site_lat_deg"), view.common("site_lon_deg")
    before, after = (sun_and_moon(t[bright], *site)[0] for t in (view.start, view.end))
    dusk, dawn = bright[after <= before], bright[after > before]
    parts = []
    if len(dusk):
        parts.append(f"start the run after {utc(view.end[dusk].max())[11:16]}")
    if len(dawn):
        parts.append(
            f"end {'it' if parts else 'the run'} before {utc(view.start[dawn].min())[11:16]}"
        )
    text = " and ".join(parts)
    return f"{text[:1].upper()}{text[1:]} UTC"


def _range(degrees: np.ndarray) -> str:
    low, high = (f"{float(v):.0f}°" for v in (degrees.min(), degrees.max()))
    return low if low == high else f"{low} to {high}"


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
    sun, moon = (
        altitude_of(unix, ra, dec, latitude_deg, longitude_deg)
        for ra, dec in sun_and_moon_places(unix)
    )
    return sun, moon - 0.95 * np.cos(np.radians(moon))


def sun_and_moon_places(unix: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Right ascension and declination of Sun and Moon, radians, equator of date, geocentric."""
    import erfa

    day = np.asarray(unix, float) / 86400.0
    earth, _ = erfa.epv00(2440587.5, day)
    turned = erfa.pmat06(2440587.5, day)
    return [
        erfa.c2s(np.einsum("...ij,...j->...i", turned, place))
        for place in (-earth["p"], erfa.moon98(2440587.5, day)["p"])
    ]


def altitude_of(unix, ra, dec, latitude_deg: float, longitude_deg: float) -> np.ndarray:
    """Altitude of a place in radians, degrees, without refraction; POSIX seconds."""
    from subgrade.guiding import hour_angles

    hour = np.radians(hour_angles(unix, longitude_deg, np.degrees(ra)))
    lat = math.radians(latitude_deg)
    sine = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour)
    return np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))


def _light(view: NightView, frames) -> np.ndarray:
    light = np.array([view.night.compared[k].transparency for k in frames], float)
    return light[np.isfinite(light)]


def _when(view: NightView, frames) -> str:
    spans = view.spans(frames)
    known = [s for s in spans if s.start_utc and s.end_utc]
    if not known or len(known) > 3:
        return ""
    return ", " + ", ".join(f"{s.start_utc[11:16]} to {s.end_utc[11:16]}" for s in known) + " UTC"
