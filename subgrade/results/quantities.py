"""Pieces of evidence in the trade's words: what a reader is shown in place of the record's name."""

from __future__ import annotations

from subgrade.causes import said

WORDS = {
    "background_adu": "sky background",
    "noise_adu": "sky noise",
    "axis of the recorded motion": "recorded motion in RA",
    "centre over ring brightness": "centre over ring",
    "drawn towards the second image": "drawn to the second image",
    "field after the creep": "shift along the creep",
    "fixed pattern": "worst corner eccentricity",
    "fwhm_px across the narrow axis": "FWHM of the narrow axis",
    "fwhm_px expected": "FWHM to be expected",
    "last pointing": "from the last pointing",
    "length of the line": "length in star widths",
    "length of the star trails": "length of the stars",
    "light out of the core": "light beyond the core",
    "period of the recorded swing": "period of the swing",
    "separation of the two images": "gap between the images",
    "share the guider saw": "elongation the guider saw",
    "streak": "length of the streak",
    "transparency over quarters": "spread over the quarters",
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


def quantity_words(quantity: str) -> str:
    """A piece of evidence in the trade's words.

    >>> quantity_words("fwhm_px"), quantity_words("noise_adu"), quantity_words("overshoot")
    ('FWHM', 'sky noise', 'overshoot')
    """
    return WORDS.get(quantity, quantity.replace("fwhm_px", "FWHM"))


def quantity_said(quantity: str, value: float | None, unit: str) -> str:
    """A value of it as a person writes it; empty where there is none.

    >>> quantity_said("share the guider saw", -0.004, ""), quantity_said("fwhm_px", 3.412, "px")
    ('0%', '3.41 px')
    """
    if value is None:
        return ""
    if quantity in SHARES:
        # a guider that saw nothing of a motion may by chance have seen a little of its opposite
        percent = 100.0 * (max(value, 0.0) if quantity == "share the guider saw" else value)
        return f"{percent:.1f}%" if 0.05 <= abs(percent) < 9.95 else f"{round(percent)}%"
    factor, unit = OTHERS.get(quantity, (1.0, unit))
    return said(factor * value, unit)
