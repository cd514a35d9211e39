"""The guiding record, written in one of several layouts and clocks of our own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np

from .rig import Rig


@dataclass(frozen=True, slots=True)
class Samples:
    """What there is to write.

    Attributes
    ----------
    start : datetime
        UTC at second 0, by the guide computer's clock.
    second : ndarray, shape (m,)
        Of each sample.
    error : ndarray, shape (m, 2)
        East and north, arcsec; star less wanted place.
    pulse : ndarray, shape (m, 2)
        East and north, seconds, signed.
    lost : ndarray of bool, shape (m,)
    snr : ndarray, shape (m,)
    flipped : ndarray of bool, shape (m,)
    dithers : list of (float, float, float)
        Second, and how far the wanted place moved east and north, arcsec.
    """

    start: datetime
    second: np.ndarray
    error: np.ndarray
    pulse: np.ndarray
    lost: np.ndarray
    snr: np.ndarray
    flipped: np.ndarray
    dithers: list[tuple[float, float, float]]

    def at(self, k: int, zone: float = 0.0) -> datetime:
        """When sample k was taken, on a clock so many hours ahead of UTC."""
        return self.start + timedelta(seconds=float(self.second[k]), hours=zone)

    def sections(self) -> list[range]:
        """Samples in a row, without long breaks."""
        cuts = np.flatnonzero(np.diff(self.second) > 45.0) + 1
        edges = [0, *cuts.tolist(), len(self.second)]
        return [range(a, b) for a, b in pairwise(edges) if b > a]

    def events(self) -> dict[int, tuple[float, float, float]]:
        """The dither told before a sample."""
        places = {int(np.searchsorted(self.second, d[0])): d for d in self.dithers}
        return {k: d for k, d in places.items() if k < len(self.second)}


LAYOUTS: dict[str, Callable[[Rig, Samples, np.random.Generator], str]] = {}


def layout(function):
    """Enter a way to write a record."""
    LAYOUTS[function.__name__] = function
    return function


def write(rig: Rig, samples: Samples, rng: np.random.Generator) -> tuple[str, str]:
    """A file name and its text."""
    name = str(rng.choice(sorted(LAYOUTS)))
    ending = "csv" if name in ("utc_table", "local_table", "julian_table") else "txt"
    return f"guiding.{ending}", LAYOUTS[name](rig, samples, rng)


def _iso(when: datetime, digits: int = 3) -> str:
    text = when.strftime("%Y-%m-%dT%H:%M:%S.%f")
    return text[: 20 + digits]


@layout
def utc_table(rig: Rig, s: Samples, rng: np.random.Generator) -> str:
    """UTC in ISO 8601, arcseconds, pulses in ms with signs; empty cells where the star was lost."""
    lines = ["time_utc,ra_error_arcsec,dec_error_arcsec,ra_pulse_ms,dec_pulse_ms,snr,state"]
    events, settle = s.events(), -1e9
    for k in range(len(s.second)):
        if k in events:
            settle = s.second[k]
        state = "lost" if s.lost[k] else "settling" if s.second[k] - settle < 8.0 else "guiding"
        cells = [_iso(s.at(k)) + "Z"]
        cells += ["", ""] if s.lost[k] else [f"{v:.3f}" for v in s.error[k]]
        cells += [f"{1000 * v:.0f}" for v in s.pulse[k]] + [f"{s.snr[k]:.1f}", state]
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"


@layout
def local_table(rig: Rig, s: Samples, rng: np.random.Generator) -> str:
    """Local clock with its zone stated, semicolons, at times decimal commas."""
    zone = float(rng.choice([-7.0, -5.0, 1.0, 2.0, 5.5, 10.0]))
    comma = rng.random() < 0.4
    sign = "+" if zone >= 0 else "-"
    stated = f"UTC{sign}{int(abs(zone)):02d}:{int(abs(zone) % 1 * 60):02d}"
    lines = [
        f"# Guiding of {s.at(0, zone):%d %B %Y}; all times local, {stated}",
        "Local time;RA offset (arcsec);Dec offset (arcsec);RA correction (ms);RA direction;"
        "Dec correction (ms);Dec direction;Star SNR",
    ]
    for k in range(len(s.second)):
        when = s.at(k, zone).strftime("%Y-%m-%d %H:%M:%S.%f")[:-4]
        ways = ["" if v == 0 else "EW"[int(v < 0)] for v in s.pulse[k, :1]]
        ways += ["" if v == 0 else "NS"[int(v < 0)] for v in s.pulse[k, 1:]]
        errors = ["--", "--"] if s.lost[k] else [f"{v:.2f}" for v in s.error[k]]
        sizes = [f"{1000 * abs(v):.0f}" for v in s.pulse[k]]
        cells = [*errors, sizes[0], ways[0], sizes[1], ways[1], f"{s.snr[k]:.1f}"]
        if comma:
            cells = [c.replace(".", ",") for c in cells]
        lines.append(";".join([when, *cells]))
    return "\n".join(lines) + "\n"


@layout
def sections_text(rig: Rig, s: Samples, rng: np.random.Generator) -> str:
    """Sections with a date, seconds since their start, errors in guide pixels, a stated scale."""
    lines = [f"Guide camera: {rig.guide_scale:.3f} arcsec/px, exposure {rig.guide_exposure:.1f} s"]
    events = s.events()
    for part in s.sections():
        start = s.start + timedelta(seconds=float(s.second[part[0]]) - rig.cadence)
        lines += ["", f"Guiding started {start:%Y-%m-%d %H:%M:%S} UTC"]
        lines += ["Elapsed (s)\tRA error (px)\tDec error (px)\tRA pulse (ms)\tDec pulse (ms)\tSNR"]
        zero = (start.replace(microsecond=0) - s.start).total_seconds()
        for k in part:
            if k in events:
                east, north = (v / rig.guide_scale for v in events[k][1:])
                lines.append(f"# Dither: lock moved by {east:.2f}, {north:.2f} px")
            head = f"{s.second[k] - zero:.2f}\t"
            if s.lost[k]:
                lines.append(head + "star lost\t\t0\t0\t0.0")
                continue
            errors = "\t".join(f"{v / rig.guide_scale:.3f}" for v in s.error[k])
            pulses = "\t".join(f"{1000 * v:.0f}" for v in s.pulse[k])
            lines.append(f"{head}{errors}\t{pulses}\t{s.snr[k]:.1f}")
        last = s.start + timedelta(seconds=float(s.second[part[-1]]))
        lines.append(f"Guiding stopped {last:%Y-%m-%d %H:%M:%S} UTC")
    return "\n".join(lines) + "\n"


@layout
def camera_axes(rig: Rig, s: Samples, rng: np.random.Generator) -> str:
    """Errors along the camera's own x and y, with its scale and angle in the head."""
    way = "mirrored" if rig.guide_mirror else "not mirrored"
    lines = [
        f"# start_utc = {_iso(s.start)}",
        f"# guide_scale_arcsec_per_px = {rig.guide_scale:.3f}",
        f"# camera_angle_deg = {rig.guide_turn:.1f} ({way})",
        "seconds,x_error_px,y_error_px,ra_pulse_ms,dec_pulse_ms,star_mass,lost",
    ]
    for k in range(len(s.second)):
        x, y = rig.to_guide_pixels(bool(s.flipped[k])) @ s.error[k]
        pulses = ",".join(f"{1000 * v:.0f}" for v in s.pulse[k])
        place = "nan,nan" if s.lost[k] else f"{x:.3f},{y:.3f}"
        lines.append(f"{s.second[k]:.2f},{place},{pulses},{s.snr[k] ** 2 * 9:.0f},{s.lost[k]:d}")
    return "\n".join(lines) + "\n"


@layout
def star_places(rig: Rig, s: Samples, rng: np.random.Generator) -> str:
    """Columns of set width with the star's place and the wanted place in pixels; UTC clock."""
    lines = [
        f"Date: {s.start:%Y-%m-%d} (UTC)   Image scale: {rig.guide_scale:.2f} arcsec/px",
        f"{'Date':>10} {'UTC':>12} {'star_x':>9} {'star_y':>9} {'lock_x':>9} {'lock_y':>9}"
        f" {'snr':>6}",
    ]
    lock = rng.uniform(200.0, 900.0, 2)
    events = s.events()
    for k in range(len(s.second)):
        turned = rig.to_guide_pixels(bool(s.flipped[k]))
        if k in events:
            lock = lock + turned @ np.array(events[k][1:])
        star = lock + turned @ s.error[k]
        shown = ["-", "-"] if s.lost[k] else [f"{v:.3f}" for v in star]
        when = s.at(k)
        lines.append(
            f"{when:%Y-%m-%d} {when:%H:%M:%S}.{when.microsecond // 1000:03d} {shown[0]:>9} "
            f"{shown[1]:>9} {lock[0]:9.3f} {lock[1]:9.3f} {s.snr[k]:6.1f}"
        )
    return "\n".join(lines) + "\n"


@layout
def julian_table(rig: Rig, s: Samples, rng: np.random.Generator) -> str:
    """Julian dates, arcseconds, tab-separated, rows of lost stars left out."""
    zero = datetime(2000, 1, 1, 12, tzinfo=UTC)
    lines = ["JD (UTC)\tDec error [arcsec]\tRA error [arcsec]\tDec guide [ms]\tRA guide [ms]"]
    for k in np.flatnonzero(~s.lost):
        days = 2451545.0 + (s.at(int(k)) - zero).total_seconds() / 86400.0
        (east, north), (pe, pn) = s.error[k], s.pulse[k]
        lines.append(f"{days:.8f}\t{north:.3f}\t{east:.3f}\t{1000 * pn:.0f}\t{1000 * pe:.0f}")
    return "\n".join(lines) + "\n"
