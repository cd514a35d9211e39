"""Pieces of evidence as a reader is shown them, by `subgrade.judging.features`."""

from __future__ import annotations

import math
from collections.abc import Collection

from subgrade.figures import beside, eccentricity_text, figure, on_sky
from subgrade.judging.features import BOUNDED, FEATURES, ON_SKY, PERCENT, Feature


def feature_of(evidence: dict) -> Feature:
    """What a piece of evidence is of; one that another version wrote is shown as it was kept."""
    name, unit = evidence["quantity"], evidence["unit"]
    return FEATURES.get(name) or Feature(name, unit=unit, shown=ON_SKY if unit == "px" else "")


def evidence_words(evidence: dict) -> str:
    """A piece of evidence in the trade's words; the motion that fits a star best is named.

    >>> evidence_words({"quantity": "noise_adu", "unit": "ADU"})
    'sky noise'
    >>> evidence_words({"quantity": "fit of the star image", "unit": "%", "named": "step"})
    'best fit: step'
    """
    named = evidence.get("named")
    return f"best fit: {named}" if named else feature_of(evidence).label


def decided(evidence: dict, reasons: Collection[str]) -> bool:
    """Whether a number rejected the frame: past its limit, or of a kind that needs none."""
    limited = evidence["limit"] is not None or feature_of(evidence).limitless
    return limited and evidence["points"] > 0 and evidence["reason"] in reasons


def quantity_texts(evidence: dict, scale: float | None = None) -> tuple[str, str, str]:
    """Value, typical value and limit of a piece of evidence, each empty where there is none.

    Parameters
    ----------
    evidence : dict
        One of ``evidence`` in session.json.
    scale : float, optional
        Arcseconds per pixel: lengths of stars and motions are then in arcseconds.

    Returns
    -------
    str, str, str
        The value never reads as its limit unless it is equal to it.
    """
    feature = feature_of(evidence)
    numbers = [
        None if evidence[key] is None else _shown(feature, evidence[key], scale)
        for key in ("value", "usual", "limit")
    ]
    value, usual, limit = (_written(feature, number) for number in numbers)
    if value and value == limit:
        (number, unit), (bound, _) = numbers[0], numbers[2]
        value, limit = beside(number, bound, unit, feature.digits)
    elif value and feature.shown == BOUNDED:
        error = evidence.get("error")
        value = eccentricity_text(evidence["value"], math.nan if error is None else error)
    return value, usual, limit


def quantity_numbers(evidence: dict, scale: float | None = None) -> dict | None:
    """The same as numbers in one unit, to be drawn on one scale.

    Parameters
    ----------
    evidence : dict
    scale : float, optional
        As for `quantity_texts`.

    Returns
    -------
    dict or None
        ``value``, ``usual`` and ``limit`` to five figures, each left out where there is none;
        ``less_is_worse``; ``beyond``, whether the value is past the limit, as it was judged before
        rounding.  None without a value, or where there is nothing to hold it against.
    """
    feature, value, limit = feature_of(evidence), evidence["value"], evidence["limit"]
    if value is None or (limit is None and evidence["usual"] is None):
        return None
    numbers = {
        key: float(f"{_shown(feature, evidence[key], scale)[0]:.5g}")
        for key in ("value", "usual", "limit")
        if evidence[key] is not None
    }
    beyond = limit is not None and (value < limit if feature.less_is_worse else value > limit)
    return numbers | {"less_is_worse": feature.less_is_worse, "beyond": beyond}


def _shown(feature: Feature, value: float, scale: float | None) -> tuple[float, str]:
    """A value and its unit as they are shown."""
    if feature.least is not None:
        value = max(value, feature.least)
    if feature.shown == PERCENT:
        return 100.0 * value, "%"
    if feature.shown == ON_SKY:
        return on_sky(value, scale)
    return feature.factor * value, feature.shown_unit


def _written(feature: Feature, number: tuple[float, str] | None) -> str:
    if number is None:
        return ""
    value, unit = number
    if unit == "%":
        return f"{value:.1f}%" if 0.05 <= abs(value) < 9.95 else f"{round(value)}%"
    return figure(value, unit, feature.digits)
