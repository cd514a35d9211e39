"""Pieces of evidence in the trade's words: what a reader is shown in place of the record's name."""

from __future__ import annotations

import math
import re

from subgrade.figures import beside, eccentricity_text, figure, on_sky

WORDS = {
    "agreement of direction": "same direction as neighbours",
    "angle from right ascension": "angle from the RA axis",
    "axis of the recorded motion": "RA share of the guiding error",
    "background_adu": "sky background",
    "burst in the record": "gust in the guiding record",
    "centre over ring brightness": "centre / ring brightness",
    "creep of the field": "drift of the field",
    "depth": "depth (S/N² vs good frames)",
    "drawn towards the second image": "stretch to the second image",
    "field after the creep": "field shift along the drift",
    "fit of the star image": "best-fitting motion",
    "fixed pattern": "worst-corner eccentricity",
    "frames dimmed in a row": "consecutive dimmed frames",
    "frames swollen in a row": "consecutive bloated frames",
    "fwhm_px across the narrow axis": "FWHM across the short axis",
    "fwhm_px expected": "expected FWHM",
    "fwhm_px with the motion": "FWHM with the motion",
    "guiding peak": "guiding peak error",
    "guiding rms": "total guiding RMS",
    "interruption in the record": "guiding interruptions",
    "last pointing": "shift from the last pointing",
    "length of the line": "trail length in star widths",
    "length of the star trails": "trail length",
    "light out of the core": "light outside the core",
    "noise_adu": "sky noise",
    "period of the recorded swing": "period of the oscillation",
    "share explained by guiding": "elongation explained by guiding",
    "size of the swing": "size of the oscillation",
    "streak": "streak length",
    "swelling with the loss": "star growth with the loss",
    "time without guide star": "time without a guide star",
    "transparency over quarters": "unevenness across the frame",
    "turn between frames": "rotation between frames",
    "wings over core width": "wings / core width",
    "worst corner eccentricity": "worst-corner eccentricity",
}
"""Names of evidence that read better, or shorter, otherwise."""
SHARES = {
    "axis of the recorded motion", "light beside the stars", "light between the images",
    "light out of the core", "one-sided corrections", "overshoot", "patchiness of the loss",
    "second image", "share explained by guiding", "swelling with the loss",
    "transparency over quarters", "variation of the motion",
}  # fmt: skip
"""Evidence kept as a share of one, shown in percent."""
OTHERS = {"turn between frames": (60.0, "′"), "sky with the loss": (1.0, "ADU")}
"""Evidence shown in another unit than it is kept in: factor and unit."""
IN_PIXELS = {"streak"}
"""Lengths across the frame, which stay in pixels where the scale is known, too."""


def quantity_words(quantity: str) -> str:
    """A piece of evidence in the trade's words.

    >>> quantity_words("fwhm_px"), quantity_words("noise_adu"), quantity_words("overshoot")
    ('FWHM', 'sky noise', 'overshoot')
    """
    return WORDS.get(quantity, quantity.replace("fwhm_px", "FWHM"))


def evidence_words(evidence: dict) -> str:
    """The same for a piece of evidence; the motion that fits a star best is named.

    >>> evidence_words({"quantity": "overshoot", "text": ""})
    'overshoot'
    >>> fit = {"quantity": "fit of the star image", "text": "a step of 3″ fits the star image best"}
    >>> evidence_words(fit)
    'best fit: step'
    """
    motion = re.match(r"an? (.+?) of .* fits the star image best", evidence["text"])
    if evidence["quantity"] == "fit of the star image" and motion:
        return f"best fit: {motion[1]}"
    return quantity_words(evidence["quantity"])


def quantity_text(quantity: str, value: float | None, unit: str, scale: float | None = None) -> str:
    """A value of it as a person writes it; empty where there is none.

    Parameters
    ----------
    quantity : str
        Its name in the record.
    value : float or None
    unit : str
        The unit it is kept in.
    scale : float, optional
        Arcseconds per pixel: lengths of stars and motions are then in arcseconds.

    >>> quantity_text("overshoot", 0.25, ""), quantity_text("fwhm_px", 3.412, "px")
    ('25%', '3.41 px')
    >>> quantity_text("fwhm_px", 3.0, "px", 0.9), quantity_text("streak", 900.0, "px", 0.9)
    ('2.70″', '900 px')
    """
    return "" if value is None else _written(*_shown(quantity, value, unit, scale))


def quantity_texts(evidence: dict, scale: float | None = None) -> tuple[str, str, str]:
    """Value, typical value and limit of a piece of evidence, each empty where there is none.

    Parameters
    ----------
    evidence : dict
        One of ``evidence`` in session.json.
    scale : float, optional
        Arcseconds per pixel.

    Returns
    -------
    str, str, str
        The value never reads as its limit unless it is equal to it.
    """
    name, unit = evidence["quantity"], evidence["unit"]
    value, usual, limit = (
        quantity_text(name, evidence[key], unit, scale) for key in ("value", "usual", "limit")
    )
    if value and value == limit:
        (number, unit), (bound, _) = (
            _shown(name, evidence[key], unit, scale) for key in ("value", "limit")
        )
        value, limit = beside(number, bound, unit)
    elif name == "eccentricity" and value:
        error = evidence.get("error")
        value = eccentricity_text(evidence["value"], math.nan if error is None else error)
    return value, usual, limit


def _shown(quantity: str, value: float, unit: str, scale: float | None) -> tuple[float, str]:
    """A value and its unit as they are shown."""
    if quantity in SHARES:
        # a guider that saw nothing of a motion may by chance have seen a little of its opposite
        return 100.0 * (max(value, 0.0) if quantity == "share explained by guiding" else value), "%"
    if unit == "px" and quantity not in IN_PIXELS:
        return on_sky(value, scale)
    factor, unit = OTHERS.get(quantity, (1.0, unit))
    return factor * value, unit


def _written(value: float, unit: str) -> str:
    if unit == "%":
        return f"{value:.1f}%" if 0.05 <= abs(value) < 9.95 else f"{round(value)}%"
    return figure(value, unit)
