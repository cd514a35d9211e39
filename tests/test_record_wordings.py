"""What the text of a record says of its scale and of new places, in many people's words."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.errors import UnreadableFile
from subgrade.record import read_guide
from subgrade.record.running_text import Facts, kind_of, learn

STATED = (
    "One pixel covers 1.83 arcsec",
    "a pixel is 1.83 arc-sec",
    'each guide pixel spans 1.83"',
    "guide camera pixel = 1.83 arcseconds",
    "1 px = 1.83 arcsec",
    "pixel size on the sky: 1.83 arcsec",
    "guide pixels subtend about 1.83 arcsec",
    "1.83 arcsec for each pixel",
    "1.83 seconds of arc per pixel",
    "1830 mas per pixel",
    "1.83 arc-sec/px",
    "scale 1.83",
)
NOT_STATED = (
    "Dither of 3 px = 5.5 arcsec",
    "star moved by 1.2 pixels, 2.2 arcsec",
    "640 x 480 px 1.2 arcsec seeing",
    "21 px = 4 arcsec",
    "RMS 0.4 px (0.8 arcsec)",
    "main camera: one pixel covers 0.9 arcsec",
)


@pytest.mark.parametrize("line", STATED)
def test_a_scale_is_read_in_any_sensible_wording(line):
    assert learn(Facts(), line).scale == pytest.approx(1.83)


@pytest.mark.parametrize("line", NOT_STATED)
def test_other_lengths_are_no_scale(line):
    assert np.isnan(learn(Facts(), line).scale)


def test_a_pixel_in_micrometres_is_no_scale():
    facts = learn(Facts(), "pixel size 3.75 um, focal length 240 mm")
    assert np.isnan(facts.scale)
    # 206.265 p / f (small angles, textbook)
    assert facts.scale_arcsec_px == pytest.approx(206.264806 * 3.75 / 240.0)


@pytest.mark.parametrize(
    "text",
    [
        "New place for the guide star",
        "new star position",
        "Guide star moved to 312, 240",
        "star position changed",
        "nudged the field by 3 px",
    ],
)
def test_a_new_place_in_other_words_is_a_move(text):
    assert kind_of(text) == "reference_moved"


@pytest.mark.parametrize("text", ["Guide star lost", "star missing"])
def test_a_lost_star_is_no_move(text):
    assert kind_of(text) == "star_missing"


def test_pixels_of_unknown_size_are_handed_on_where_asked_for(tmp_path):
    path = tmp_path / "guiding.csv"
    rows = "\n".join(f"{2 * k},{0.1 * (k % 3)},{-0.2 * (k % 2)}" for k in range(60))
    path.write_text(f"Elapsed (s),RA error (px),Dec error (px)\n{rows}\n")
    with pytest.raises(UnreadableFile, match="--guide-scale ARCSEC"):
        read_guide(path)
    record = read_guide(path, pixels=True)
    assert record.unscaled
    assert np.isnan(record.scale_arcsec_px)
    assert record.ra.max() == pytest.approx(0.2)
    assert not read_guide(path, scale_arcsec_px=2.0, pixels=True).unscaled


def test_elapsed_seconds_under_a_dated_line_have_a_clock(tmp_path):
    """1_929_148_756 is 2031-02-18T02:39:16Z (date -u -d @1929148756)."""
    path = tmp_path / "guiding.csv"
    rows = "\n".join(f"{2 * k},{0.1 * (k % 3)},{-0.2 * (k % 2)}" for k in range(60))
    table = f"Elapsed (s),RA error (arcsec),Dec error (arcsec)\n{rows}\n"
    path.write_text(f"Guiding begins 2031-02-18 02:39:16\n{table}")
    record = read_guide(path)
    assert (record.clock, record.time[0]) == ("unknown", 1_929_148_756.0)
    path.write_text(f"Guiding begins 2031-02-18 02:39:16 UTC\n{table}")
    assert read_guide(path).clock == "utc"
