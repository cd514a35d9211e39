"""Pieces of evidence in the trade's words: what a reader is shown in place of the record's name."""

from __future__ import annotations

from subgrade.causes import figure, on_sky

WORDS = {
    "agreement of direction": "same direction as its neighbours",
    "angle from right ascension": "angle from the RA axis",
    "axis of the recorded motion": "RA share of the guiding error",
    "background_adu": "sky background",
    "burst in the record": "burst in the guiding record",
    "centre over ring brightness": "centre / ring brightness",
    "creep in declination": "Dec drift in the record",
    "creep of the field": "drift of the field",
    "depth": "depth (S/N² of the best)",
    "drawn towards the second image": "stretch towards the second image",
    "field after the creep": "field shift along the drift",
    "fit of the star image": "fit to the star image",
    "fixed pattern": "worst-corner eccentricity",
    "frames dimmed in a row": "consecutive dimmed frames",
    "frames in a row alike": "consecutive frames alike",
    "frames swollen in a row": "consecutive swollen frames",
    "fwhm_px across the narrow axis": "FWHM across the short axis",
    "fwhm_px expected": "expected FWHM",
    "fwhm_px with the motion": "FWHM with the motion",
    "guiding peak": "guiding peak error",
    "guiding rms": "guiding RMS",
    "interruption in the record": "guiding interruptions",
    "last pointing": "shift from the last pointing",
    "length of the line": "trail length in star widths",
    "length of the star trails": "trail length",
    "light out of the core": "light outside the core",
    "noise_adu": "sky noise",
    "period of the recorded swing": "period of the oscillation",
    "reversal of the error": "sample-to-sample reversal",
    "share the guider saw": "elongation explained by guiding",
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
    "second image", "share the guider saw", "swelling with the loss", "transparency over quarters",
    "variation of the motion",
}  # fmt: skip
"""Evidence kept as a share of one, shown in percent."""
OTHERS = {"turn between frames": (60.0, "′"), "sky with the loss": (1.0, "ADU")}
"""Evidence shown in another unit than it is kept in: factor and unit."""
ON_THE_SENSOR = ("streak", "last pointing")
"""Lengths that are found again on the image, and stay in pixels."""


def quantity_words(quantity: str) -> str:
    """A piece of evidence in the trade's words.

    >>> quantity_words("fwhm_px"), quantity_words("noise_adu"), quantity_words("overshoot")
    ('FWHM', 'sky noise', 'overshoot')
    """
    return WORDS.get(quantity, quantity.replace("fwhm_px", "FWHM"))


def quantity_text(quantity: str, value: float | None, unit: str, scale: float | None = None) -> str:
    """A value of it as a person writes it; empty where there is none.

    >>> quantity_text("share the guider saw", -0.004, ""), quantity_text("fwhm_px", 3.412, "px")
    ('0%', '3.41 px')
    >>> quantity_text("fwhm_px", 3.412, "px", 0.94), quantity_text("streak", 99.0, "px", 0.94)
    ('3.21″', '99.0 px')
    """
    if value is None:
        return ""
    value, unit = in_shown_unit(quantity, value, unit, scale)
    if quantity in SHARES:
        return f"{value:.1f}%" if 0.05 <= abs(value) < 9.95 else f"{round(value)}%"
    return figure(value, unit)


def in_shown_unit(
    quantity: str, value: float, unit: str, scale: float | None = None
) -> tuple[float, str]:
    """A value of it in the unit it is shown in: percent, arcseconds where the scale is known.

    >>> in_shown_unit("overshoot", 0.25, ""), in_shown_unit("fwhm_px", 4.0, "px", 0.5)
    ((25.0, '%'), (2.0, '″'))
    """
    if quantity in SHARES:
        # a guider that saw nothing of a motion may by chance have seen a little of its opposite
        return 100.0 * (max(value, 0.0) if quantity == "share the guider saw" else value), "%"
    if unit == "px" and quantity not in ON_THE_SENSOR:
        return on_sky(value, scale)
    factor, unit = OTHERS.get(quantity, (1.0, unit))
    return factor * value, unit
