"""Files that promise more than they hold, or are no files, cost neither memory nor time."""

from __future__ import annotations

import contextlib
import errno
import gzip
import os
import signal
import socket
import subprocess
import sys
import textwrap
import time
import tracemalloc
import zlib
from io import BytesIO

import numpy as np
import pytest
from astropy.io import fits

from subgrade.errors import UnreadableFile
from subgrade.lights import read_facts, read_light
from subgrade.lights.byte_source import PlainSource
from subgrade.lights.fits_files import read_fits
from subgrade.record import read_guide
from subgrade.results.measurement_cache import content_identity

SHAPE = (60, 80)
NEEDS_PIPES = pytest.mark.skipif(os.name == "nt", reason="pipes have no place among files there")


def words(shape=SHAPE):
    return np.random.default_rng(3).integers(900, 1100, shape).astype(np.uint16)


def saved(*hdus) -> bytes:
    stream = BytesIO()
    fits.HDUList(list(hdus)).writeto(stream)
    return stream.getvalue()


def compressed(codec="RICE_1", tile=None, data=None) -> bytes:
    data = words() if data is None else data
    packed = fits.CompImageHDU(data, compression_type=codec, tile_shape=tile)
    return saved(fits.PrimaryHDU(), packed)


def with_card(content: bytes, key: str, value) -> bytes:
    """The file with one header value changed, wherever the keyword stands."""
    at = content.index(key.ljust(8).encode() + b"=")
    return content[:at] + f"{key:<8}= {value:>20}".ljust(80).encode() + content[at + 80 :]


@contextlib.contextmanager
def bounded(seconds: float, megabytes: float):
    """Fails where the time or the memory that Python and numpy took is larger."""
    tracemalloc.start()
    begin = time.perf_counter()
    try:
        yield
    finally:
        spent, peak = time.perf_counter() - begin, tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert spent < seconds
    assert peak < megabytes * 1e6


@contextlib.contextmanager
def alarm(seconds: int):
    """A call that hangs fails, and does not hang the tests."""

    def stop(number, frame):
        raise TimeoutError("it hangs")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


# ------------------------------------------------------------ gzip


def zeros_packed(size: int) -> bytes:
    pack = zlib.compressobj(9, wbits=31)
    parts = [pack.compress(bytes(1 << 24)) for _ in range(size >> 24)]
    return b"".join(parts) + pack.flush()


def test_no_more_is_unpacked_than_the_header_asks_for(tmp_path):
    """A gzip of 400 kB that holds a frame of 10 kB and then 400 MB."""
    path = tmp_path / "bomb.fits.gz"
    path.write_bytes(gzip.compress(saved(fits.PrimaryHDU(words()))) + zeros_packed(400 << 20))
    with bounded(5.0, 8.0):
        light = read_light(path)
        read_facts(path)
    np.testing.assert_array_equal(light.pixels.physical(), words())
    assert any("its end was not reached" in note for note in light.facts.notes)


def test_a_gzip_that_cannot_hold_its_promise_is_refused_at_once(tmp_path):
    path = tmp_path / "a.fits.gz"
    content = saved(fits.PrimaryHDU(words()))
    for key in ("NAXIS1", "NAXIS2"):
        content = with_card(content, key, 30_000)
    path.write_bytes(gzip.compress(content))
    with (
        bounded(1.0, 3.0),
        pytest.raises(UnreadableFile, match=r"truncated: .* promises 1800000000"),
    ):
        read_light(path)


def test_a_gzip_with_much_before_the_image_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("subgrade.lights.byte_source.MOST_PASSED", 1 << 24)
    path = tmp_path / "a.fits.gz"
    table = fits.BinTableHDU.from_columns([fits.Column("t", "E", array=np.arange(3.0))])
    content = with_card(saved(fits.PrimaryHDU(), table), "PCOUNT", 1 << 26)
    path.write_bytes(gzip.compress(content + bytes(1 << 26)))
    with bounded(2.0, 8.0), pytest.raises(UnreadableFile, match="beside its image"):
        read_light(path)


def test_an_image_behind_others_is_found_in_a_gzip(tmp_path):
    path = tmp_path / "a.fits.gz"
    small, chip = fits.ImageHDU(words((10, 12))), fits.ImageHDU(words())
    path.write_bytes(gzip.compress(saved(fits.PrimaryHDU(), small, chip, small)))
    np.testing.assert_array_equal(read_light(path).pixels.physical(), words())


def test_gzip_members_padding_and_stray_bytes(tmp_path):
    """A gzip file may consist of several (RFC 1952, 2.2) and be padded with zeros."""
    path = tmp_path / "a.fits.gz"
    content = saved(fits.PrimaryHDU(words()))
    parts = gzip.compress(content[:5000]) + gzip.compress(content[5000:])
    for behind, note in ((b"", ""), (bytes(700), ""), (b"stray", "followed by other bytes")):
        path.write_bytes(parts + behind)
        light = read_light(path)
        np.testing.assert_array_equal(light.pixels.physical(), words())
        assert len(light.facts.notes) == bool(note)
        assert all("gzip" in said and note in said for said in light.facts.notes)


def test_a_wrong_checksum_behind_whole_pixels_is_damage(tmp_path):
    path = tmp_path / "a.fits.gz"
    content = bytearray(gzip.compress(saved(fits.PrimaryHDU(words()))))
    content[-6] ^= 1
    path.write_bytes(content)
    with pytest.raises(UnreadableFile, match="damaged or cut short"):
        read_light(path)


# ------------------------------------------------------------ tiles


@pytest.mark.parametrize(
    ("codec", "changes", "cause"),
    [
        ("GZIP_1", {"TFIELDS": 1 << 32}, "not a number of columns"),
        ("GZIP_1", {"TFIELDS": 2}, "not a column's form"),
        ("RICE_1", {"NAXIS1": 4096}, "do not fit their columns|truncated"),
        ("PLIO_1", {"ZNAXIS1": 65_535, "ZNAXIS2": 65_535}, "not possible"),
        (
            "PLIO_1",
            {"ZNAXIS1": 30_000, "ZTILE1": 30_000, "ZNAXIS2": 30_000, "ZTILE2": 500},
            "cannot be held",
        ),
        ("RICE_1", {"ZNAXIS1": 60_000, "ZTILE1": 60_000}, "cannot be held|too few bytes"),
        ("GZIP_2", {"ZNAXIS1": 70_000, "ZTILE1": 70_000}, "too few bytes|damaged"),
        ("RICE_1", {"ZCMPTYPE": "'ZIP_7   '"}, "is not known"),
        ("RICE_1", {"ZVAL2": 8}, "BYTEPIX = 8"),
        ("RICE_1", {"ZVAL2": 0}, "BYTEPIX = 0"),
    ],
)
def test_a_table_that_cannot_hold_its_image_is_refused_at_once(tmp_path, codec, changes, cause):
    content = compressed(codec, data=words().astype(np.int32) if codec == "PLIO_1" else None)
    for key, value in changes.items():
        content = with_card(content, key, value)
    for name, held in (("a.fits.fz", content), ("a.fits.fz.gz", gzip.compress(content))):
        (tmp_path / name).write_bytes(held)
        with bounded(1.0, 20.0), pytest.raises(UnreadableFile, match=cause):
            read_light(tmp_path / name)


def test_a_tile_that_unpacks_to_more_than_its_pixels_is_refused(tmp_path):
    """300 kB inside one tile of 4,800 pixels, unpacking to 300 MB."""
    content = compressed("GZIP_1", tile=SHAPE)
    bomb = zeros_packed(300 << 20)
    start = content.index(b"XTENSION")
    table = start + content[start:].index(b"END" + b" " * 77) // 2880 * 2880 + 2880
    rows = np.array([len(bomb), 0], ">i4").tobytes()
    content = with_card(content[:table] + rows + bomb, "PCOUNT", len(bomb))
    (tmp_path / "a.fits.fz").write_bytes(content + bytes(-len(content) % 2880))
    with bounded(2.0, 8.0), pytest.raises(UnreadableFile, match="a tile of 4800 pixels unpacks"):
        read_light(tmp_path / "a.fits.fz")


@pytest.mark.parametrize(
    "words_at",
    [
        {2: 30_000},  # longer than what is there
        {2: 0, 3: 30_000, 4: 0},
        {2: 0, 3: 0, 4: 30_000},
        {2: -1, 3: 5, 4: 2},  # a long list
        {2: 0, 1: -30_000, 3: 20, 4: 0},
        {2: 0, 1: 7, 3: -20, 4: 0},
        {-1: 1 << 12},  # takes a word with it that is not there
    ],
)
def test_a_line_list_that_points_outside_itself_is_refused(tmp_path, words_at):
    """The codec reads on behind the tile: other pixels in every run, or a crash."""
    content = bytearray(compressed("PLIO_1", tile=SHAPE, data=words().astype(np.int32)))
    start = content.index(b"XTENSION")
    table = start + content[start:].index(b"END" + b" " * 77) // 2880 * 2880 + 2880
    count, place = np.frombuffer(content, ">i4", 2, table)
    for at, value in words_at.items():
        begin = table + 8 + place + 2 * (at % count)
        content[begin : begin + 2] = np.array(value, ">i2").tobytes()
    (tmp_path / "a.fits.fz").write_bytes(content)
    with pytest.raises(UnreadableFile, match=r"a tile of \d+ words states words"):
        read_light(tmp_path / "a.fits.fz")


@pytest.mark.parametrize("codec", ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1", "PLIO_1"])
def test_frames_that_pack_best_are_not_taken_for_impossible(tmp_path, codec):
    """One value all over, as an unexposed or saturated frame."""
    flat = np.full((300, 4096), 7, np.int32 if codec == "PLIO_1" else np.int16)
    for tile in (None, (300, 4096)) if codec != "HCOMPRESS_1" else ((300, 4096),):
        (tmp_path / "a.fits.fz").write_bytes(compressed(codec, tile, flat))
        assert (read_light(tmp_path / "a.fits.fz").pixels.physical() == 7).all()


def test_floats_that_cannot_be_made_smaller_are_read(tmp_path):
    """Tiles of noise without a step lie in a column of their own."""
    data = np.random.default_rng(1).normal(0, 1, SHAPE).astype(np.float32)
    data[::2] *= np.float32(1e30)
    (tmp_path / "a.fits.fz").write_bytes(compressed("GZIP_1", data=data / np.float32(1e30)))
    assert read_light(tmp_path / "a.fits.fz").pixels.shape == SHAPE


# ------------------------------------------------------------ what is no file


def call_all(path):
    """Everything that opens a file named by the user; the causes."""
    causes = []
    for read in (read_light, read_facts, read_fits, content_identity, read_guide):
        with alarm(5), pytest.raises(UnreadableFile) as caught:
            read(path)
        assert str(path) in str(caught.value)
        causes.append(caught.value.cause)
    return causes


def refusals(kind):
    """The two readers of frames open it and look, the others look first."""
    return ["cannot be opened: not a regular file"] * 2 + [f"is {kind}, not a file"] * 3


@NEEDS_PIPES
def test_pipes_sockets_and_devices_are_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.fits")
    assert call_all(tmp_path / "pipe.fits") == refusals("a pipe")
    with socket.socket(socket.AF_UNIX) as listener:
        here = os.getcwd()
        os.chdir(tmp_path)  # a socket's whole path is limited to some 100 bytes
        try:
            listener.bind("a.fits")
        finally:
            os.chdir(here)
        assert call_all(tmp_path / "a.fits") == refusals("a socket")
    assert call_all("/dev/zero") == refusals("a device")


def test_an_error_of_the_disk_names_the_file(tmp_path, monkeypatch):
    path = tmp_path / "far.fits"
    path.write_bytes(saved(fits.PrimaryHDU(words())))
    read_into = PlainSource.read_into

    class GoneAway:
        def __init__(self, file):
            self.file = file

        def __getattr__(self, name):
            return getattr(self.file, name)

        def readinto(self, room):
            raise OSError(errno.EIO, "Input/output error")

    def fails(self, room):
        if len(room) > 2880:
            self._file = GoneAway(self._file)
        return read_into(self, room)

    monkeypatch.setattr(PlainSource, "read_into", fails)
    with pytest.raises(UnreadableFile, match=r"far\.fits: cannot be read: Input/output error"):
        read_light(path)


@pytest.mark.skipif(os.name == "nt", reason="an open file cannot be shortened there")
def test_a_frame_cut_short_while_it_is_measured_is_measured_as_it_was(tmp_path):
    """Mapped, the process would end with SIGBUS."""
    path = tmp_path / "a.fits"
    path.write_bytes(saved(fits.PrimaryHDU(words((400, 600)))))
    code = """
        import os, sys
        from subgrade.lights import read_light
        from subgrade.stars import measure_stars
        light = read_light(sys.argv[1])
        os.truncate(sys.argv[1], 100)
        stars = measure_stars(light.pixels, light.facts)
        assert abs(stars.background_adu - 1000) < 5, stars
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code), str(path)], capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")
