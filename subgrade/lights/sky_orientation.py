"""Pixel size, image scale and orientation on the sky."""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from subgrade.lights.header_cards import Cards
from subgrade.lights.model import UNNAMED_SIP

if TYPE_CHECKING:
    from astropy.wcs import WCS

ARCSEC_MM_PER_UM = 206.264806
"""Arcseconds in a radian / 1000: scale = this * pixel_um / focal_mm."""
MIN_SCALE, MAX_SCALE = 0.01, 600.0
"""Arcsec per pixel between a large telescope and a fish-eye lens; outside, a WCS is a dummy."""
_WCS_CARD = re.compile(
    r"(WCSAXES|CTYPE[12]|CUNIT[12]|CRVAL[12]|CRPIX[12]|CDELT[12]|CROTA[12]|CD[12]_[12]"
    r"|PC[12]_[12]|PV[12]_\d+|LONPOLE|LATPOLE|RADESYS|EQUINOX|EPOCH|(A|B|AP|BP)_(ORDER|\d_\d))\Z"
)
_AS_READ = ("XPIXSZ", "PIXSZ", "PIXSCALX")
_ON_SENSOR = ("PIXSIZE1", "PIXSIZE", "PIXELSZ", "PIXSIZEX", "PIXWIDTH", "CCDPXSZ1")
_SCALE_CARDS = ("SCALE", "PIXSCALE", "SECPIX", "SECPIX1", "PIXSCAL1", "IMSCALE")
_SCALE_TEXT = re.compile(
    r"(?<![\d.,+-])(\d+(?:\.\d+)?|\.\d+)\s*(?:\"|''|″|arc[ -]?sec(?:ond)?s?|asec|as)"
    r"\s*(?:/|per|p(?=px|pix))\s*(?:px|pix(?:el)?s?)\b",
    re.IGNORECASE,
)
_OF_GUIDER = re.compile(r"guid", re.IGNORECASE)
_FOCAL = ("FOCALLEN", "FOCAL", "FOCALLENGTH", "FOCLEN", "TELFOCAL")


@dataclass(frozen=True, slots=True)
class Optics:
    """Pixel pitch as read out (um), focal length (mm), scale ("/px) and axes on the sky."""

    pixel_um: float | None = None
    focal_mm: float | None = None
    binning: tuple[int, int] = (1, 1)
    scale_arcsec: float | None = None
    scale_source: str | None = None
    sky_axes: tuple[tuple[float, float], tuple[float, float]] | None = None
    centre: tuple[float, float] | None = None
    """RA and Dec of the image centre by the WCS, degrees."""


def scale_of_optics(pixel_um: float, focal_mm: float) -> float:
    """Arcseconds per pixel of a pixel pitch (um) behind a focal length (mm)."""
    return ARCSEC_MM_PER_UM * pixel_um / focal_mm


def header_optics(
    cards: Cards, shape: tuple[int, int], scale: float | None, notes: list[str]
) -> Optics:
    """Work out scale and orientation.

    The scale is the `scale` given, else the WCS's, else that of pixel size and
    focal length, else that of a scale keyword.

    Parameters
    ----------
    cards : Cards
    shape : tuple of int
        (height, width).
    scale : float or None
        Arcsec per stored pixel that overrides the header.
    notes : list of str
        Receives contradictions and assumptions.
    """
    binning = _header_binning(cards, notes)
    focal = _positive(cards, _FOCAL)
    if focal is not None and "[m]" in cards.comment("FOCALLEN").lower() and focal < 20.0:
        focal *= 1000.0
    stated = _positive(cards, _SCALE_CARDS)
    if stated is None:
        stated = _scale_in_words(cards, notes)
    wcs_scale, axes, centre = _wcs(cards, shape, notes)
    measured = wcs_scale if wcs_scale is not None else stated
    pixel = _pixel_as_read(cards, binning, focal, measured, notes)
    computed = None
    if pixel is not None and focal is not None:
        computed = scale_of_optics(pixel, focal)
        if not MIN_SCALE <= computed <= MAX_SCALE:
            notes.append(f"pixel size and focal length give {computed:.3g} arcsec/px: not used")
            computed = None
    best, source = _best_scale(scale, wcs_scale, computed, stated, notes)
    if axes is not None and source == "option":
        ratio = best / wcs_scale
        axes = tuple(tuple(part * ratio for part in row) for row in axes)
    return Optics(pixel, focal, binning, best, source, axes, centre)


def _best_scale(
    option: float | None,
    wcs: float | None,
    computed: float | None,
    stated: float | None,
    notes: list[str],
) -> tuple[float | None, str | None]:
    if stated is not None and not MIN_SCALE <= stated <= MAX_SCALE:
        stated = None
    for first, second, names in (
        (wcs, computed, "the WCS and pixel size / focal length"),
        (computed, stated, "pixel size / focal length and the scale keyword"),
    ):
        if first and second and abs(second / first - 1.0) > 0.05:
            notes.append(f"{names} disagree on the scale: {first:.4g} and {second:.4g} arcsec/px")
            break
    if option is not None:
        return float(option), "option"
    if wcs is not None:
        return wcs, "wcs"
    best = computed if computed is not None else stated
    return best, None if best is None else "header"


def _scale_in_words(cards: Cards, notes: list[str]) -> float | None:
    """Scale that a keyword's text or comment states with its unit, arcsec per pixel."""
    # texts that disagree by over 5 %, or name the guide camera, do not count
    found: dict[str, float] = {}
    for key in cards:
        for text in (cards.get(key), cards.comment(key)):
            spoken = isinstance(text, str) and not _OF_GUIDER.search(f"{key} {text}")
            match = _SCALE_TEXT.search(text) if spoken else None
            if match and MIN_SCALE <= float(match.group(1)) <= MAX_SCALE:
                found.setdefault(key, float(match.group(1)))
    if not found:
        return None
    if max(found.values()) > 1.05 * min(found.values()):
        notes.append(f"the texts of {', '.join(found)} disagree on the scale: none was used")
        return None
    key, value = next(iter(found.items()))
    notes.append(f"{key} states {value:g} arcsec/px in words")
    return value


def _positive(cards: Cards, keys: Sequence[str]) -> float | None:
    for key in keys:
        value = cards.number(key)
        if value is not None and 0.0 < value < 1e6:
            return value
    return None


def _header_binning(cards: Cards, notes: list[str]) -> tuple[int, int]:
    """(x, y) pixels summed on the sensor; (1, 1) where the header is silent."""
    pairs = (("XBINNING", "YBINNING"), ("XBIN", "YBIN"), ("BINX", "BINY"), ("CCDXBIN", "CCDYBIN"))
    for x_key, y_key in (*pairs, ("CCDBIN1", "CCDBIN2")):
        x, y = cards.number(x_key), cards.number(y_key)
        if x is not None or y is not None:
            return _sane_binning(x if x is not None else y, y if y is not None else x, x_key, notes)
    for key in ("BINNING", "CCDSUM", "BIN"):
        text = cards.text(key)
        numbers = re.findall(r"\d+", text) if text else []
        if numbers:
            return _sane_binning(float(numbers[0]), float(numbers[-1]), key, notes)
    return (1, 1)


def _sane_binning(x: float, y: float, key: str, notes: list[str]) -> tuple[int, int]:
    if all(1 <= n <= 16 and n == int(n) for n in (x, y)):
        return int(x), int(y)
    notes.append(f"{key}: a binning of {x:g} x {y:g} is not possible; 1 x 1 was assumed")
    return (1, 1)


def _pixel_as_read(
    cards: Cards,
    binning: tuple[int, int],
    focal: float | None,
    measured: float | None,
    notes: list[str],
) -> float | None:
    """Pixel pitch along x with binning and channel step in it, um."""
    # XPIXSZ is taken to include the binning and PIXSIZE1 not to (common practice, no source; from
    # memory), unless a comment says so or a scale fits the other reading only
    value, key = None, None
    for name in (*_AS_READ, *_ON_SENSOR):
        number = cards.number(name)
        if number is not None and 0.1 < number < 200.0:
            value, key = number, name
            break
    if value is None:
        return None
    times = binning[0]
    comment = cards.comment(key).lower()
    included = key in _AS_READ
    stated = True
    if re.search(r"unbinned|without binning|before binning|sensor|physical|excl", comment):
        included = False
    elif re.search(r"binned|incl\w* binning|after binning|with binning", comment):
        included = True
    else:
        stated = False
    step = cards.whole("CHNLXSTP") or 1  # one colour plane of a mosaic: every step-th pixel
    step = step if 1 <= step <= 4 else 1
    pixel = value * step if included else value * step * times
    if times == 1:
        return pixel
    other = value * step * times if included else value * step
    if focal is not None and measured is not None:
        off = abs(scale_of_optics(pixel, focal) / measured - 1.0)
        other_off = abs(scale_of_optics(other, focal) / measured - 1.0)
        if other_off < 0.1 < off:
            notes.append(
                f"{key} = {value:g} µm at binning {times}: the image scale fits a pitch of "
                f"{other:g} µm after binning"
            )
            return other
        if off < 0.1:
            return pixel
    if not stated:
        notes.append(
            f"{key} = {value:g} µm at binning {times} was taken "
            + ("to include the binning" if included else "for the unbinned sensor pixel")
        )
    return pixel


def _wcs(
    cards: Cards, shape: tuple[int, int], notes: list[str]
) -> tuple[float | None, tuple | None, tuple[float, float] | None]:
    """(scale, sky axes, centre) of a complete and sane celestial WCS, else Nones."""
    nothing = (None, None, None)
    if any(cards.number(f"{key}{i}") is None for key in ("CRVAL", "CRPIX") for i in (1, 2)):
        return nothing
    if "CTYPE1" not in cards or "CTYPE2" not in cards:
        return nothing
    if not any(key in cards for key in ("CD1_1", "CD1_2", "CDELT1")):
        return nothing
    solution = _load_wcs(cards, notes)
    if solution is None:
        return nothing
    height, width = shape
    x, y = (width - 1) / 2.0, (height - 1) / 2.0
    try:
        longitudes, latitudes = solution.all_pix2world(
            [x, x - 0.5, x + 0.5, x, x], [y, y, y, y - 0.5, y + 0.5], 0
        )[:: -1 if solution.wcs.lng == 1 else 1]
    except Exception as error:  # the WCS library raises its own types on odd input
        notes.append(f"the WCS fails at the image centre ({error}): not used")
        return nothing
    if not all(map(math.isfinite, (*longitudes, *latitudes))):
        notes.append("the WCS has no sky position at the image centre: not used")
        return nothing
    shrink = math.cos(math.radians(latitudes[0]))
    east = tuple(_wrapped(longitudes[i + 1] - longitudes[i]) * shrink * 3600.0 for i in (1, 3))
    north = tuple((latitudes[i + 1] - latitudes[i]) * 3600.0 for i in (1, 3))
    per_x, per_y = math.hypot(east[0], north[0]), math.hypot(east[1], north[1])
    area = abs(east[0] * north[1] - east[1] * north[0])
    scale = math.sqrt(area)
    if not (MIN_SCALE <= scale <= MAX_SCALE and 0.4 < per_x / per_y < 2.5):
        notes.append(f"the WCS gives {per_x:.3g} x {per_y:.3g} arcsec/px: not used")
        return nothing
    if area < 0.7 * per_x * per_y:
        notes.append("the WCS has skewed axes: not used")
        return nothing
    axes = (tuple(map(float, east)), tuple(map(float, north)))
    return scale, axes, (float(longitudes[0]) % 360.0, float(latitudes[0]))


def _wrapped(angle: float) -> float:
    return (angle + 180.0) % 360.0 - 180.0


def _load_wcs(cards: Cards, notes: list[str]) -> WCS | None:
    from astropy.io import fits
    from astropy.wcs import WCS

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            header = fits.Header()
            sip = "A_ORDER" in cards and "B_ORDER" in cards
            for key in cards:
                if _WCS_CARD.match(key):
                    text = key.startswith(("CTYPE", "CUNIT", "RADESYS"))
                    value = cards.text(key) if text else cards.number(key)
                    if value is not None and key.startswith("CTYPE"):
                        # the library prints a page for each frame whose name and terms differ
                        value = value.removesuffix("-SIP") + ("-SIP" if sip else "")
                    if value is not None:
                        count = not text and value.is_integer()  # WCSAXES, A_ORDER are whole
                        header[key] = int(value) if count else value
            solution = WCS(header, naxis=2, fix=False)
            solution.wcs.set()
            if sip and "-SIP" not in (cards.text("CTYPE1") or ""):
                notes.append(UNNAMED_SIP)
        except Exception as error:  # the WCS library raises its own types on odd input
            notes.append(f"the WCS was not understood ({' '.join(str(error).split())[:120]})")
            return None
    if solution.wcs.lngtyp != "RA" or solution.wcs.lng < 0 or solution.wcs.lat < 0:
        return None
    return solution
