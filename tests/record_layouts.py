"""Guiding records of a known truth, written in layouts made up for the tests."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np

NAN = float("nan")
START = datetime(2031, 2, 18, 21, 30, 12, tzinfo=UTC).timestamp()
SCALE = 1.83


@dataclass(frozen=True)
class Truth:
    """What a record says: times on its own clock, errors in arcsec, pulses in ms."""

    time: np.ndarray
    ra: np.ndarray
    dec: np.ndarray
    ra_pulse: np.ndarray
    dec_pulse: np.ndarray
    brightness: np.ndarray
    snr: np.ndarray
    lost: np.ndarray
    events: tuple[tuple[float, str], ...]

    def __len__(self):
        return len(self.time)


def truth(n=240, step=2.0, start=START, seed=3, lost=(), dithers=(60, 150)) -> Truth:
    """A guider's night: noisy errors, pulses against them, dithers with their settling."""
    rng = np.random.default_rng(seed)
    time = start + step * np.arange(n)
    ra, dec = rng.normal(0, 0.6, n), rng.normal(0.1, 0.5, n)
    gone = np.zeros(n, bool)
    gone[list(lost)] = True
    events = []
    for k in dithers:
        events += [(time[k], "dither"), (time[k + 6], "settle_end")]
        ra[k : k + 5] += 4.0 * 0.6 ** np.arange(5)
    ra_pulse, dec_pulse = np.round(-70 * ra), np.round(-55 * dec)
    dec_pulse[np.abs(dec_pulse) < 20] = 0
    bright = np.round(9000 + 300 * rng.normal(size=n))
    snr = np.round(35 + rng.normal(size=n), 1)
    return Truth(
        time,
        np.round(ra, 3),
        np.round(dec, 3),
        ra_pulse,
        dec_pulse,
        bright,
        snr,
        gone,
        tuple(events),
    )


def stamp(time: float, form: str = "%Y-%m-%d %H:%M:%S", digits: int = 1) -> str:
    """A time as text; `%f` in the form stands for the digits after the second."""
    moment = datetime.fromtimestamp(round(time, digits), UTC)
    part = f"{moment.microsecond:06d}"[:digits]
    return moment.strftime(form.replace("%f", part))


def words(event: str) -> str:
    return {"dither": "Dither by +2.1 -0.4, now settling", "settle_end": "Settled"}[event]


def lines(t: Truth, row, remark=None) -> list[str]:
    """Rows with a remark before the row of its time."""
    said = dict(t.events) if remark else {}
    out = []
    for k in range(len(t)):
        if t.time[k] in said:
            out.append(remark(t.time[k], words(said[t.time[k]])))
        out.append(row(k))
    return out


def comma(t: Truth) -> str:
    """ISO times, a column of remarks."""
    rows = lines(
        t,
        lambda k: (
            f"{stamp(t.time[k])},{k},{t.ra[k]:.3f},{t.dec[k]:.3f},{t.ra_pulse[k]:.0f},"
            f"{t.dec_pulse[k]:.0f},{t.brightness[k]:.0f},{t.snr[k]},"
        ),
        lambda time, text: f'{stamp(time)},,,,,,,,"{text}"',
    )
    head = "When,n,RA offset (arcsec),Dec offset (arcsec),RA pulse ms,Dec pulse ms,Flux,SNR,Remarks"
    return "\n".join([head, *rows]) + "\n"


def semicolon(t: Truth) -> str:
    """Decimal commas, day first, German titles, text above the titles."""
    rows = lines(
        t,
        lambda k: (
            f"{stamp(t.time[k], '%d.%m.%Y %H:%M:%S')};{t.dec[k]:.3f};{t.ra[k]:.3f};"
            f"{t.snr[k]};{t.brightness[k]:.1f};{t.dec_pulse[k]:.0f};{t.ra_pulse[k]:.0f}".replace(
                ".", ","
            ).replace(",02,2031", ".02.2031")
        ),
        lambda time, text: f"# {stamp(time, '%d.%m.%Y %H:%M:%S')} {text.replace(',', '')}",
    )
    head = (
        'Zeit;Abweichung Dekl ["];Abweichung RA ["];SNR;Helligkeit;Korrektur Dekl [ms];'
        "Korrektur RA [ms]"
    )
    return "\n".join(["Nachtprotokoll", "", head, *rows]) + "\n"


def bars(t: Truth) -> str:
    """A table with bars at its borders, month first, AM and PM."""
    rows = lines(
        t,
        lambda k: (
            f"| {stamp(t.time[k], '%m/%d/%Y %I:%M:%S %p')} "
            f"| {t.ra[k]:8.3f} | {t.dec[k]:8.3f} "
            f"| {t.ra_pulse[k]:6.0f} | {t.dec_pulse[k]:6.0f} |"
        ),
        lambda time, text: f"-- {text} --",
    )
    head = '| Local clock | RA err (") | Dec err (") | RA correction (ms) | Dec correction (ms) |'
    return "\n".join([head, "|---|---|---|---|---|", *rows]) + "\n"


def fixed(t: Truth) -> str:
    """Fixed places with titles of two words, a row of units, empty cells, pixels."""

    def row(k):
        if t.lost[k]:
            return f"{k:6d}  {stamp(t.time[k])}"
        return (
            f"{k:6d}  {stamp(t.time[k])}  {t.ra[k] / SCALE:9.4f} {t.dec[k] / SCALE:9.4f}"
            f" {t.ra_pulse[k]:8.0f} {t.dec_pulse[k]:8.0f} {t.snr[k]:7.1f}"
        )

    head = "Number  Date and time        RA error Dec error RA pulse Dec pulse    S/N"
    unit = "                                   px        px       ms       ms"
    text = f"Guide camera: {SCALE} arcsec per pixel"
    note = lambda time, words: f"        {stamp(time)}  {words}"  # noqa: E731
    return "\n".join([text, "", head, unit, *lines(t, row, note)]) + "\n"


def blanks(t: Truth, parts: int = 3) -> str:
    """Several sections, each opened by a dated line; seconds since it; blanks between."""
    out = ["Observing log of a made-up night", f"scale: {SCALE}"]
    said = dict(t.events)
    edges = np.linspace(0, len(t), parts + 1).astype(int)
    for a, b in pairwise(edges):
        begun = t.time[a] - 1.5
        out += ["", f"--- guiding opened {stamp(begun, '%d %b %Y, %H:%M:%S.%f')} ---"]
        out += ["elapsed_s  star_x  star_y  err_ra_px  err_dec_px  cmd_ra_ms  cmd_dec_ms"]
        for k in range(a, b):
            if t.time[k] in said:
                out.append(f"! {t.time[k] - begun:.2f} {words(said[t.time[k]])}")
            out.append(
                f"{t.time[k] - begun:.2f}  {512 + t.ra[k] / SCALE:.3f} {380 + t.dec[k]:.3f}  "
                f"{t.ra[k] / SCALE:.5f} {t.dec[k] / SCALE:.5f} {t.ra_pulse[k]:.0f} "
                f"{t.dec_pulse[k]:.0f}"
            )
        out.append(f"--- guiding ended {stamp(t.time[b - 1] + 1)} ---")
    return "\n".join(out) + "\n"


def json_lines(t: Truth) -> str:
    """One object a line, zone told, errors nested."""

    def row(k):
        found = {"at": stamp(t.time[k] + 7200, "%Y-%m-%dT%H:%M:%S.%f+02:00"), "frame": k}
        if t.lost[k]:
            return json.dumps({**found, "status": "no star", "error": None})
        found |= {"status": "ok", "error": {"ra_arcsec": t.ra[k], "dec_arcsec": t.dec[k]}}
        return json.dumps(
            {
                **found,
                "pulse": {"ra_ms": t.ra_pulse[k], "dec_ms": t.dec_pulse[k]},
                "snr": t.snr[k],
                "flux": t.brightness[k],
            }
        )

    def remark(time, text):
        return json.dumps({"at": stamp(time + 7200, "%Y-%m-%dT%H:%M:%S.%f+02:00"), "event": text})

    return "\n".join(lines(t, row, remark)) + "\n"


def camera(t: Truth) -> str:
    """Camera axes only, milliseconds since 1970, size of a pixel from the optics."""
    rows = [
        f"{t.time[k] * 1000:.0f}\t{t.ra[k] / SCALE:.4f}\t{t.dec[k] / SCALE:.4f}\t"
        f"{t.brightness[k]:.0f}"
        for k in range(len(t))
    ]
    focal = 206.264806 * 3.75 * 2 / SCALE
    text = f"// pixel size 3.75 um; binning 2; focal length {focal:.4f} mm"
    return "\n".join([text, "timestamp\tdx\tdy\tADU", *rows]) + "\n"


def turned(t: Truth) -> str:
    """MJD; both camera axes in pixels and RA/Dec of no stated unit, which lengths tell."""
    angle = np.radians(37.0)
    x = (t.ra * np.cos(angle) - t.dec * np.sin(angle)) / SCALE
    y = (t.ra * np.sin(angle) + t.dec * np.cos(angle)) / SCALE
    rows = [
        f"{t.time[k] / 86400 + 40587:.8f}, {x[k]:.5f}, {y[k]:.5f}, {t.ra[k]:.4f}, {t.dec[k]:.4f}, "
        f"{5.5921 + 1e-7 * k:.6f}, {t.snr[k]}"
        for k in range(len(t))
    ]
    return (
        "\n".join(["MJD, dx [px], dy [px], RA distance, Dec distance, RA (h), SNR", *rows]) + "\n"
    )


def midnight(t: Truth) -> str:
    """Times of day only; the date stands in the text above; a clock that passes midnight."""
    rows = lines(
        t,
        lambda k: (
            f"{stamp(t.time[k], '%H:%M:%S.%f')}\t{t.ra[k]:.3f}\t{t.dec[k]:.3f}\t"
            f"{'lost' if t.lost[k] else 'ok'}"
        ),
        lambda time, text: f"# {stamp(time, '%H:%M:%S')} {text}",
    )
    text = f"# Night of {stamp(t.time[0], '%Y-%m-%d')}, all times in UTC"
    return "\n".join([text, "Time\tRA deviation arcsec\tDEC deviation arcsec\tState", *rows]) + "\n"


def two_columns(t: Truth) -> str:
    """Date and time apart; lengths of pulses beside words for their direction."""

    def side(value, plus, minus):
        return plus if value > 0 else minus if value < 0 else ""

    rows = [
        f"{stamp(t.time[k], '%Y/%m/%d')},{stamp(t.time[k], '%H:%M:%S')},"
        f"{t.ra[k]:.3f},{t.dec[k]:.3f},"
        f"{abs(t.ra_pulse[k]):.0f},{side(t.ra_pulse[k], 'East', 'West')},"
        f"{abs(t.dec_pulse[k]):.0f},{side(t.dec_pulse[k], 'North', 'South')}"
        for k in range(len(t))
    ]
    head = (
        "Date,UTC,RA residual (arcsec),Dec residual (arcsec),RA duration (ms),RA direction,"
        "Dec duration (ms),Dec direction"
    )
    return "\n".join([head, *rows]) + "\n"


def four_sides(t: Truth) -> str:
    """A column of pulses for each direction."""
    up = lambda v: f"{max(v, 0):.0f}"  # noqa: E731
    rows = [
        f"{t.time[k]:.1f};{t.ra[k]:.3f};{t.dec[k]:.3f};{up(t.ra_pulse[k])};{up(-t.ra_pulse[k])};"
        f"{up(t.dec_pulse[k])};{up(-t.dec_pulse[k])}"
        for k in range(len(t))
    ]
    head = (
        "Unix time;Delta RA (arcsec);Delta Dec (arcsec);East pulse (ms);West pulse (ms);"
        "North pulse (ms);South pulse (ms)"
    )
    return "\n".join([head, *rows]) + "\n"


def places(t: Truth) -> str:
    """The star's place on the camera, jumping at every dither."""
    jump = np.zeros(len(t))
    for time, kind in t.events:
        jump += (kind == "dither") * 5.0 * (t.time >= time)
    rows = lines(
        t,
        lambda k: (
            f"{t.time[k] - t.time[0]:.1f},{640 + jump[k] + t.ra[k] / SCALE:.4f},"
            f"{481 + t.dec[k] / SCALE:.4f},{t.brightness[k]:.0f}"
        ),
        lambda time, text: f"# {text}",
    )
    return (
        "\n".join([f"# scale {SCALE} arcsec/pixel", "t (s),Star X,Star Y,Brightness", *rows]) + "\n"
    )


def julian(t: Truth) -> str:
    """Julian days, milliarcseconds, a code that is 0 for a good row."""
    rows = [
        f"{t.time[k] / 86400 + 2440587.5:.7f} {1000 * t.ra[k]:.1f} {1000 * t.dec[k]:.1f} "
        f"{4 * t.lost[k]:.0f} {t.snr[k]}"
        for k in range(len(t))
    ]
    return "\n".join(["JD ra_err_mas dec_err_mas errcode snr", *rows]) + "\n"


def decoys(t: Truth) -> str:
    """Columns that speak of the same axes: filtered, RMS, coordinates, limits, distances."""
    rng = np.random.default_rng(8)
    noise = rng.normal(0, 0.2, len(t))
    rows = [
        f"{k},{83.63 + 1e-6 * k:.6f},{22.01:.4f},{0.5 * t.ra[k] + noise[k]:.3f},{t.ra[k]:.3f},"
        f"{0.4 * t.dec[k]:.3f},{t.dec[k]:.3f},{0.61:.2f},{2.0},{-0.6 * t.ra[k]:.3f},"
        f"{-0.4 * t.dec[k]:.3f},{stamp(t.time[k], '%Y%m%dT%H%M%S')},{11.2 - 0.001 * k:.2f}"
        for k in range(len(t))
    ]
    head = (
        "Frame,RA (deg),Dec (deg),RA filtered (arcsec),RA raw (arcsec),Dec filtered (arcsec),"
        "Dec raw (arcsec),RA RMS (arcsec),Exposure (s),RA correction (arcsec),"
        "Dec correction (arcsec),Timestamp,Temperature"
    )
    return "\n".join([head, *rows]) + "\n"


def run_together(t: Truth) -> str:
    """Titles run together behind a comment sign; pulses with their letter in one cell."""

    def pulse(value, letters):
        return f"{abs(value):.0f}{letters[int(value < 0)]}" if value else "0"

    rows = [
        f"{stamp(t.time[k], '%d-%b-%Y %H:%M:%S')}, {t.ra[k]:+.3f}, {t.dec[k]:+.3f}, "
        f"{pulse(t.ra_pulse[k], 'EW')}, {pulse(t.dec_pulse[k], 'NS')}"
        for k in range(len(t))
    ]
    return (
        "\n".join(["# localTime, raErrArcsec, decErrArcsec, raPulseMs, decPulseMs", *rows]) + "\n"
    )


def elapsed(t: Truth) -> str:
    """Hours, minutes and seconds since the line that opens the section."""

    def since(time):
        whole = round(time - t.time[0] + 3, 1)
        return f"{int(whole // 3600)}:{int(whole % 3600 // 60):02d}:{whole % 60:04.1f}"

    rows = [f"{since(t.time[k])} | {t.ra[k]:.3f} | {t.dec[k]:.3f}" for k in range(len(t))]
    opened = f"Session began on {stamp(t.time[0] - 3, '%A %B %d, %Y at %I:%M:%S %p')}"
    return "\n".join([opened, 'Elapsed | RA error " | Dec error "', *rows]) + "\n"


def states(t: Truth) -> str:
    """What the guider is doing stands in every row."""
    now = dict(t.events)
    doing, out = "guiding", []
    for k in range(len(t)):
        kind = now.get(t.time[k])
        doing = {"dither": "dithering", "settle_end": "guiding", None: doing}[kind]
        word = "lost" if t.lost[k] else doing
        out.append(f"{stamp(t.time[k])}\t{t.dec[k]:.3f}\t{t.ra[k]:.3f}\t{word}")
    return "\n".join(["Time stamp\tDecl. error [as]\tR.A. error [as]\tStatus", *out]) + "\n"


LAYOUTS = {
    f.__name__: f
    for f in (
        comma,
        semicolon,
        bars,
        fixed,
        blanks,
        json_lines,
        camera,
        turned,
        midnight,
        two_columns,
        four_sides,
        places,
        julian,
        decoys,
        run_together,
        elapsed,
        states,
    )
}
