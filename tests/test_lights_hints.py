"""What headers say by the way: in words, by a half-named convention, or by a hint."""

from __future__ import annotations

import logging

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from subgrade.lights.model import UNNAMED_SIP
from tests.test_lights_header import SHAPE, facts_of, wcs_header

SIP = {"A_ORDER": 2, "B_ORDER": 2, "A_2_0": 1e-4, "B_1_1": -2e-4, "CRPIX1": 10.0}


@pytest.mark.parametrize(
    ("text", "scale"),
    [
        ("pixel size, 1.25 arcsec/pixel", 1.25),
        ("0.94 arcseconds per pixel after binning", 0.94),
        ('image scale: 2.06 "/px', 2.06),
        (".81 arcsec / pix", 0.81),
        ("1.7″ per pixel", 1.7),
        ("3 arc sec/pixel", 3.0),
        ("10.5 as/px", 10.5),
        ("seeing 2.5 arcsec, 3.76 um/pixel", None),
        ("tracking 15.04 arcsec/s", None),
        ("0.0001 arcsec/pixel", None),
        ("arcsec/pixel", None),
        ("guide camera, 3.2 arcsec/pixel", None),
    ],
)
@pytest.mark.parametrize("where", ["comment", "value"])
def test_a_scale_in_words(text, scale, where):
    """Spellings from common practice, no source."""
    card = (2.4, text) if where == "comment" else text
    facts = facts_of(REMARK=card)
    assert facts.scale_arcsec == scale
    assert facts.scale_source == (scale and "header")
    assert (facts.notes != ()) == (scale is not None)


def test_a_scale_in_words_comes_after_every_other_and_must_be_one():
    words = (3.76, "Microns, 1.25 arcsec/pixel")
    assert facts_of(XPIXSZ=words, PIXSCALE=2.0).scale_arcsec == 2.0
    assert facts_of(XPIXSZ=words, FOCALLEN=500.0).scale_arcsec == pytest.approx(1.551, abs=1e-3)
    torn = facts_of(XPIXSZ=words, NOTE="1.9 arcsec/pixel")
    assert torn.scale_arcsec is None
    assert "disagree on the scale" in torn.notes[0]
    assert facts_of(XPIXSZ=words, NOTE="1.26 arcsec/pixel").scale_arcsec == 1.25


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("terms", [True, False])
def test_distortion_terms_count_whatever_they_are_called(named, terms, caplog):
    """Axes and centre as astropy gives them; its page-long notice never appears."""
    header, _ = wcs_header("cd", 33.0)
    header |= SIP if terms else {}
    if named:
        header |= {"CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP"}
    with caplog.at_level(logging.INFO, logger="astropy"):
        facts = facts_of(**header)
    assert not caplog.records
    assert (UNNAMED_SIP in facts.notes) == (terms and not named)
    expected = WCS(fits.Header(list(header.items()))).all_pix2world(
        [[(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2]], 0
    )
    np.testing.assert_allclose([(facts.ra_deg, facts.dec_deg)], expected, atol=1e-9)
