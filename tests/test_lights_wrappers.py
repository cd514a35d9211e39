"""Frames packed by bzip2 and by compress, held to the standard library, gzip and uncompresspy."""

from __future__ import annotations

import bz2
import contextlib
import io
import shutil
import subprocess

import numpy as np
import pytest
import uncompresspy
from astropy.io import fits

from subgrade.errors import UnreadableFile
from subgrade.lights import find_lights, read_facts, read_light
from subgrade.lights.compress_codes import Unpacker
from tests.test_lights_resources import bounded, saved, words


def compressed(content: bytes, most: int = 16, clears: bool = True) -> bytes:
    """A ``.Z`` file; the table is cleared once when it is full and half the content is done."""
    out, group, width = bytearray((0x1F, 0x9D, most | (0x80 if clears else 0))), [], 9
    table, free = {}, 257 if clears else 256

    def flush():
        bits = sum(code << (k * width) for k, code in enumerate(group))
        out.extend(bits.to_bytes(width, "little"))
        group.clear()

    text, at, cleared = b"", 0, False

    def put(code):
        group.append(code)
        if len(group) == 8:
            flush()

    for at in range(len(content)):
        letter = content[at : at + 1]
        if text + letter in table or not text:
            text += letter
            continue
        put(text[0] if len(text) == 1 else table[text])
        if free < 1 << most:
            # a reader's table is one entry behind, so it grows the width a code later
            if free > (1 << width) - 1 and width < most:
                if group:
                    flush()
                width += 1
            table[text + letter] = free
            free += 1
        elif clears and not cleared and at > len(content) // 2:
            put(256)
            if group:
                flush()
            table, free, width, cleared = {}, 257, 9, True
        text = letter
    if text:
        put(text[0] if len(text) == 1 else table[text])
    if group:
        bits = sum(code << (k * width) for k, code in enumerate(group))
        out.extend(bits.to_bytes(-(-len(group) * width // 8), "little"))
    return bytes(out)


CONTENTS = {
    "frame": saved(fits.PrimaryHDU(words())),
    "one value": bytes(60_000),
    "noise": np.random.default_rng(3).integers(0, 256, 20_000, np.uint8).tobytes(),
    "letters": b"abababababaabbaabb" * 300,
    "short": b"a",
}


@pytest.mark.slow
@pytest.mark.parametrize("name", CONTENTS)
@pytest.mark.parametrize(
    ("most", "clears"), [(16, True), (12, True), (10, True), (16, False), (11, False)]
)
@pytest.mark.parametrize("piece", [7, 1 << 18])
def test_compress_is_unpacked_as_by_other_programs(name, most, clears, piece, tmp_path):
    content = CONTENTS[name]
    packed = compressed(content, most, clears)
    if (
        clears
    ):  # uncompresspy takes 256 codes for the first table, which are 257 without a clear code
        assert uncompresspy.LZWFile(io.BytesIO(packed)).read() == content
    if shutil.which("gzip"):
        done = subprocess.run(["gzip", "-dc"], input=packed, capture_output=True, check=True)
        assert done.stdout == content
    unpacker, out, rest = Unpacker(), b"", packed
    while not unpacker.eof:
        if not rest:
            out += unpacker.decompress(b"", piece)
            continue
        now = rest[:piece]
        out += unpacker.decompress(now, piece)
        rest = rest[len(now) - len(unpacker.unconsumed_tail) :]
    assert out == content


@pytest.mark.parametrize(("suffix", "pack"), [(".bz2", bz2.compress), (".Z", compressed)])
def test_packed_frames_are_read_whatever_they_are_called(tmp_path, suffix, pack):
    data = words()
    packed = pack(saved(fits.PrimaryHDU(data)))
    for name in (f"a.fits{suffix}", "b.fit", f"c.dat{suffix}"):
        path = tmp_path / name
        path.write_bytes(packed)
        np.testing.assert_array_equal(read_light(path).pixels.physical(), data)
        assert read_facts(path).notes == ()
    assert len(find_lights([tmp_path]).files) == 3
    # as astropy opens them
    np.testing.assert_array_equal(fits.getdata(tmp_path / f"a.fits{suffix}"), data)


@pytest.mark.parametrize(("suffix", "pack"), [(".bz2", bz2.compress), (".Z", compressed)])
def test_damaged_and_cut_packed_frames_are_named(tmp_path, suffix, pack):
    packed = pack(saved(fits.PrimaryHDU(words())))
    path = tmp_path / f"a.fits{suffix}"
    path.write_bytes(packed[: len(packed) // 2])
    with pytest.raises(UnreadableFile, match=r"damaged or cut short|truncated"):
        read_light(path)
    assert find_lights([tmp_path]).files == (path,)
    rng = np.random.default_rng(5)
    taken = []
    for _ in range(40):
        broken = bytearray(packed)
        broken[rng.integers(3, len(packed))] ^= 1 << rng.integers(8)
        path.write_bytes(broken)
        with contextlib.suppress(UnreadableFile):
            taken.append(read_light(path).pixels.shape)
    # bzip2 has a checksum of every block, compress has none
    assert set(taken) == (set() if suffix == ".bz2" else {words().shape})
    path.write_bytes(packed[:3])
    with pytest.raises(UnreadableFile):
        read_light(path)


@pytest.mark.slow
@pytest.mark.parametrize(("suffix", "pack"), [(".bz2", bz2.compress), (".Z", compressed)])
def test_a_small_file_that_unpacks_to_much_is_bounded(tmp_path, suffix, pack):
    frame = saved(fits.PrimaryHDU(words()))
    path = tmp_path / f"a.fits{suffix}"
    path.write_bytes(pack(frame + bytes(4 << 20)))
    read_light(path)  # what is compiled, is compiled
    with bounded(20.0, 24.0):
        assert read_light(path).pixels.shape == words().shape


def test_bzip2_members_and_stray_bytes(tmp_path):
    content, path = saved(fits.PrimaryHDU(words())), tmp_path / "a.fits.bz2"
    parts = bz2.compress(content[:5000]) + bz2.compress(content[5000:])
    path.write_bytes(parts)
    assert read_light(path).facts.notes == ()
    path.write_bytes(parts + b"stray")
    assert "bzip2 file is followed" in read_light(path).facts.notes[0]


def test_a_text_that_starts_like_a_wrapper_is_none(tmp_path):
    (tmp_path / "a.fits").write_bytes(b"BZhello")
    with pytest.raises(UnreadableFile, match="not a FITS file"):
        read_light(tmp_path / "a.fits")
