"""When a file that lands is complete: FITS by the length it states (FITS standard 4.0, section 3).

Lengths are asked of astropy, which writes the files.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from astropy.io import fits

from subgrade.lights import Kinds, find_frames, find_lights, stated_length
from subgrade.watching.arrivals import (
    EMPTY_S,
    SETTLED_S,
    STEADY_S,
    STUCK_S,
    TEMPORARY,
    Arrivals,
)


@pytest.fixture
def pixels():
    return np.random.default_rng(1).integers(1, 60000, (40, 50)).astype(np.uint16)


def written(path, pixels, **how):
    fits.PrimaryHDU(pixels).writeto(path, **how)
    return path


def test_the_length_is_that_of_headers_and_data(tmp_path, pixels):
    path = written(tmp_path / "a.fits", pixels)
    with fits.open(path) as hdus:
        info = hdus[0].fileinfo()
    assert stated_length(path) == info["datLoc"] + pixels.nbytes
    # the standard pads data to whole blocks of 2880 bytes; some programs leave that out
    assert stated_length(path) <= path.stat().st_size < stated_length(path) + 2880


def test_a_packed_image_behind_an_empty_header_counts(tmp_path, pixels):
    path = tmp_path / "a.fits.fz"
    fits.CompImageHDU(pixels).writeto(path)
    assert 0 <= path.stat().st_size - stated_length(path) < 2880
    data = path.read_bytes()
    path.write_bytes(data[:2880])  # as far as the primary header
    assert stated_length(path) is None


def test_half_a_header_states_no_length(tmp_path, pixels):
    path = written(tmp_path / "a.fits", pixels)
    path.write_bytes(path.read_bytes()[:200])
    assert stated_length(path) is None


def look(arrivals, path, now):
    looked = arrivals.look([path], now)
    return path in looked.ready


def test_a_fits_file_is_taken_when_its_length_is_there(tmp_path, pixels):
    whole = written(tmp_path / "whole.fits", pixels).read_bytes()
    path, arrivals = tmp_path / "a.fits", Arrivals()
    for share, now in ((0.1, 0.0), (0.6, 5.0), (0.75, 20.0)):
        path.write_bytes(whole[: int(share * len(whole))])
        assert not look(arrivals, path, now)
        assert not look(arrivals, path, now + STEADY_S + 1)
    path.write_bytes(whole)
    assert not look(arrivals, path, 30.0)
    assert look(arrivals, path, 30.0 + SETTLED_S)
    assert look(arrivals, path, 31.0)


def test_a_file_of_its_full_length_with_an_empty_end_is_waited_for(tmp_path, pixels):
    whole = written(tmp_path / "whole.fits", pixels).read_bytes()
    path, arrivals = tmp_path / "a.fits", Arrivals()
    path.write_bytes(whole[:2880] + bytes(len(whole) - 2880))
    assert not look(arrivals, path, 0.0)
    assert not look(arrivals, path, EMPTY_S - 1)
    path.write_bytes(whole)
    assert not look(arrivals, path, EMPTY_S)
    assert look(arrivals, path, EMPTY_S + SETTLED_S)


def test_other_kinds_are_taken_when_they_stop_growing(tmp_path):
    path, arrivals = tmp_path / "a.cr2", Arrivals()
    for step in range(4):
        path.write_bytes(b"II*\x00" + b"x" * 100 * (step + 1))
        assert not look(arrivals, path, float(step))
    assert not look(arrivals, path, 3 + STEADY_S - 0.1)
    assert look(arrivals, path, 3 + STEADY_S)


def test_a_file_that_never_becomes_complete_is_named_once_and_taken(tmp_path, pixels):
    whole = written(tmp_path / "whole.fits", pixels).read_bytes()
    path, arrivals = tmp_path / "a.fits", Arrivals()
    path.write_bytes(whole[: len(whole) // 2])
    assert arrivals.look([path], 0.0).due_s == pytest.approx(STUCK_S)
    looked = arrivals.look([path], STUCK_S)
    assert path in looked.ready
    assert "stopped growing at" in looked.stuck[path]
    assert not arrivals.look([path], STUCK_S + 1).stuck
    path.write_bytes(whole)  # and it may still come
    assert path in arrivals.look([path], STUCK_S + 2).waiting
    assert path in arrivals.look([path], STUCK_S + 3).ready


@pytest.mark.parametrize("ending", TEMPORARY)
def test_a_temporary_name_is_waited_for(tmp_path, pixels, ending):
    path = written(tmp_path / "whole.fits", pixels)
    there = tmp_path / f"a.fits{ending}"
    os.rename(path, there)
    arrivals = Arrivals()
    assert not look(arrivals, there, 0.0)
    assert not look(arrivals, there, 30.0)
    os.rename(there, path)  # renamed into place
    assert not look(arrivals, path, 30.0)
    assert look(arrivals, path, 30.0 + SETTLED_S)


def test_a_replaced_file_is_new(tmp_path, pixels):
    path, arrivals = written(tmp_path / "a.fits", pixels), Arrivals()
    look(arrivals, path, 0.0)
    before = arrivals.look([path], 1.0).ready[path]
    other = written(tmp_path / "b.fits", pixels[::-1].copy())
    os.replace(other, path)
    assert not look(arrivals, path, 2.0)
    assert arrivals.look([path], 3.0).ready[path] != before


def test_a_file_that_vanishes_is_forgotten(tmp_path, pixels):
    path, arrivals = written(tmp_path / "a.fits", pixels), Arrivals()
    look(arrivals, path, 0.0)
    path.unlink()
    looked = arrivals.look([path], 1.0)
    assert not looked.ready
    assert not looked.waiting
    assert looked.due_s is None


def test_a_file_is_looked_into_only_when_it_has_changed(tmp_path, pixels, monkeypatch):
    whole, opened = find_frames.kind_of, []
    monkeypatch.setattr(find_frames, "kind_of", lambda path: opened.append(path) or whole(path))
    path, kinds = written(tmp_path / "a.fits", pixels), Kinds()
    (tmp_path / "notes.txt").write_text("clear")
    for _ in range(5):
        assert find_lights(tmp_path, kinds=kinds).files == (path,)
    assert len(opened) == 2
    other = written(tmp_path / "new", pixels)
    os.replace(other, tmp_path / "notes.txt")  # a frame by its content
    assert len(find_lights(tmp_path, kinds=kinds).files) == 2
    assert len(opened) == 3
