"""Kept measurements come back exactly, and damaged ones not at all."""

import os
import subprocess
import sys
import textwrap
from dataclasses import fields, is_dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from subgrade.errors import UnreadableFile
from subgrade.lights.model import HeaderFacts
from subgrade.results import codec
from subgrade.results.codec import Codec
from subgrade.results.measurement_cache import BLOCKS, CODEC, MeasurementCache, content_identity
from subgrade.stars.model import FrameStars, ShapeField, StarImage, StarList, Streak

numbers = st.floats() | st.integers(-(2**40), 2**40)
texts = st.text(max_size=8)
arrays = hnp.arrays(
    st.sampled_from([np.float64, np.float32, np.uint16, np.int64, np.bool_]),
    hnp.array_shapes(min_dims=1, max_dims=2, min_side=0, max_side=4),
)
leaves = st.none() | st.booleans() | numbers | texts | arrays
parts = [StarList, StarImage, ShapeField, Streak]


def any_of(kind, values):
    """A dataclass with any value in any field: the codec must not rely on their types."""
    return st.tuples(*(values for _ in fields(kind))).map(
        lambda v: kind(**{f.name: x for f, x in zip(fields(kind), v, strict=True)})
    )


small = st.one_of(*(any_of(kind, leaves) for kind in parts))
nested = leaves | small | st.lists(leaves | small, max_size=3).map(tuple)


def same(a, b) -> bool:
    if type(a) is not type(b):
        return False
    if isinstance(a, np.ndarray):
        return a.dtype == b.dtype and a.shape == b.shape and a.tobytes() == b.tobytes()
    if isinstance(a, float):
        return a == b or (a != a and b != b)
    if isinstance(a, tuple):
        return len(a) == len(b) and all(map(same, a, b))
    if is_dataclass(a):
        return all(same(getattr(a, f.name), getattr(b, f.name)) for f in fields(a))
    return a == b


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(any_of(FrameStars, nested), any_of(HeaderFacts, nested))
def test_every_field_comes_back_exactly(stars, facts):
    back = CODEC.decode(CODEC.encode((facts, stars)))
    assert same(back, (facts, stars))


def test_numpy_numbers_come_back_as_plain_ones():
    assert CODEC.decode(CODEC.encode(np.float64(0.1))) == 0.1
    assert CODEC.decode(CODEC.encode(np.int32(7))) == 7


def test_what_is_not_known_is_refused():
    with pytest.raises(TypeError, match="cannot store a set"):
        CODEC.encode({1})
    with pytest.raises(TypeError, match="Streak"):
        Codec(HeaderFacts).encode(Streak(0, 0, 1, 1, 1, 1))
    with pytest.raises(ValueError, match="damaged"):
        Codec(HeaderFacts).decode(Codec(Streak).encode(Streak(0, 0, 1, 1, 1, 1)))


def forged(value, *changes) -> bytes:
    """An encoded value with its tree changed and the checksum made to fit."""
    data = CODEC.encode(value)
    _, tree, _ = codec._HEAD.unpack_from(data, len(codec.MAGIC))
    text, room = data[codec.HEAD_BYTES :][:tree], data[codec.HEAD_BYTES + tree + -tree % 16 :]
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    payload = codec._padded(text) + room
    head = codec._HEAD.pack(len(payload), len(text), codec._checksum(payload))
    return codec.MAGIC + head + payload


def test_objects_are_neither_written_nor_read():
    with pytest.raises(TypeError, match="cannot store an array of object"):
        CODEC.encode(np.array([print], dtype=object))
    assert same(CODEC.decode(forged(np.arange(3.0))), np.arange(3.0))
    for change in [
        (b"<f8", b"|O8"),
        (b"<f8", b"<U8"),
        (b"[3]", b"[-3]"),
        (b"[3]", b"[9000]"),
        (b"array", b"class"),
        (b"[3]", b"null"),
        (b", 0]", b", 1e9]"),
    ]:
        with pytest.raises(ValueError, match=r"."):
            CODEC.decode(forged(np.arange(3.0), change))


@pytest.fixture
def cache(tmp_path):
    return MeasurementCache(tmp_path / "measured", {"measure": 1})


@pytest.fixture
def light(tmp_path):
    path = tmp_path / "light.fits"
    path.write_bytes(np.random.default_rng(1).bytes(700_000))
    return path


FACTS = HeaderFacts(target="T", exposure_s=60.0)
STARS = FrameStars(10, 10, 100.0, 3.0, np.zeros((2, 2)), 5, 3, 20.0)


def test_a_measurement_is_kept_and_found(cache, light):
    key = cache.key(light)
    assert cache.load(key) is None
    cache.save(key, FACTS, STARS)
    facts, stars = cache.load(key)
    assert facts == FACTS
    assert same(stars, STARS)
    assert sorted(os.listdir(cache.folder)) == [f"{key}.kept"]


@pytest.mark.parametrize("damage", ["cut", "flip", "empty", "other"])
def test_a_damaged_measurement_is_as_good_as_none(cache, light, damage):
    key = cache.key(light)
    cache.save(key, FACTS, STARS)
    path = cache.folder / f"{key}.kept"
    data = bytearray(path.read_bytes())
    if damage == "cut":
        data = data[: len(data) // 2]
    elif damage == "flip":
        middle = data.index(b"fields") + 60
        data[middle : middle + 40] = bytes(b ^ 0xFF for b in data[middle : middle + 40])
    elif damage == "empty":
        data = b""
    else:
        data = CODEC.encode(("another key", FACTS, STARS))
    path.write_bytes(data)
    assert cache.load(key) is None
    assert cache.damaged == 1


MUTATE = """
    import random, resource, sys
    from pathlib import Path
    from subgrade.results.measurement_cache import MeasurementCache

    folder = Path(sys.argv[1])
    cache = MeasurementCache(folder, {})
    key = "k"
    (kept,) = folder.glob("*.kept")
    whole = kept.read_bytes()
    assert cache.load(key) is not None
    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + (32 << 20),) * 2)
    rng = random.Random(1)
    for k in range(2000):
        data = bytearray(whole)
        for _ in range(rng.choice((1, 1, 3))):
            at = rng.choice((rng.randrange(len(data)), rng.randrange(min(700, len(data)))))
            kind = rng.choice(("byte", "cut", "drop", "insert", "huge", "swap"))
            if kind == "byte":
                data[at] ^= rng.randrange(1, 256)
            elif kind == "cut":
                del data[max(at, 1):]
            elif kind == "drop":
                del data[at:at + rng.randrange(1, 50)]
            elif kind == "insert":
                data[at:at] = rng.randbytes(rng.randrange(1, 50))
            elif kind == "huge":
                data[at:at + 8] = b"\\xff" * 7 + b"\\x7f"
            else:
                data[at:at + 16], data[-16:] = data[-16:], data[at:at + 16]
            data = data or bytearray(b"x")
        kept.write_bytes(data)
        before = cache.damaged
        found = cache.load(key)
        if bytes(data) == whole:
            assert found is not None
        else:
            assert found is None, k
            assert cache.damaged == before + 1
        kept.with_suffix(".drawn2").write_bytes(data)
        assert cache.load_pictures(key) is None
    print(cache.damaged)
"""


@pytest.mark.slow
@pytest.mark.skipif(not os.path.exists("/proc/self/statm"), reason="needs /proc for the memory")
def test_no_damage_raises_costs_memory_or_passes_for_a_measurement(tmp_path):
    """2,000 damaged files in a process with 32 MB to spare."""
    cache = MeasurementCache(tmp_path, {})
    stars = FrameStars(
        10, 10, 100.0, 3.0, np.random.default_rng(1).normal(0, 1, (200, 200)), 5, 3, 20.0
    )
    cache.save("k", FACTS, stars)
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(MUTATE), str(tmp_path)],
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert int(done.stdout) > 1900


def test_a_large_file_that_is_no_measurement_is_not_read(cache, light):
    key = cache.key(light)
    cache.save(key, FACTS, STARS)
    with open(cache.folder / f"{key}.kept", "r+b") as stream:
        stream.truncate(1 << 33)  # 8 GiB of nothing behind it
    assert cache.load(key) is None
    assert cache.damaged == 1


def test_another_setting_is_another_key(cache, light):
    other = MeasurementCache(cache.folder, {"measure": 2})
    assert cache.key(light) != other.key(light)


@pytest.mark.parametrize("place", [0, 65_000, 350_000 + 10, 699_999])
def test_a_change_anywhere_that_is_looked_at_changes_the_identity(light, place):
    before, state = content_identity(light), os.stat(light)
    data = bytearray(light.read_bytes())
    data[place] ^= 1
    light.write_bytes(data)
    os.utime(light, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert content_identity(light) != before


def test_the_same_content_written_again_is_a_change_by_its_time(light):
    before = content_identity(light)
    assert content_identity(light) == before
    os.utime(light, ns=(1, 1))
    assert content_identity(light) != before


def test_identity_reads_a_small_share_of_a_large_file(light):
    assert BLOCKS * 4096 + 2 * 65536 < 50_000_000 / 100


@pytest.mark.parametrize("size", [0, 1, 100, 70_000])
def test_small_files_have_an_identity(tmp_path, size):
    path = tmp_path / "small"
    path.write_bytes(b"x" * size)
    assert len(content_identity(path)) == 40


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(UnreadableFile, match=r"gone\.fits: cannot be opened: No such file"):
        content_identity(tmp_path / "gone.fits")
