"""Damaged, odd and hostile records: a clear refusal or what is left, never a crash."""

from __future__ import annotations

import subprocess
import sys
import textwrap
import time
import tracemalloc
import warnings

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from subgrade.errors import SubgradeError, UnreadableFile
from subgrade.record import read as reading
from subgrade.record import read_guide
from tests.record_layouts import LAYOUTS, SCALE, START, comma, stamp, truth

FEW = settings(
    max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)
TEXTS = {name: layout(truth(n=40, dithers=(9,))) for name, layout in LAYOUTS.items()}


@pytest.mark.parametrize(
    ("content", "cause"),
    [
        (b"", "empty"),
        (b"\xef\xbb\xbf \r\n\n", "empty"),
        (b"\x89PNG\r\n\x1a\n" + bytes(200), "not a text"),
        (b"SIMPLE  =                    T" + b" " * 2850, "not a text"),
        (bytes(range(256)) * 40, "not a text"),
        (b"\x1f\x8b\x08" + bytes(90), "gzip"),
        (b"PK\x03\x04" + bytes(90), "zip"),
        (b"Time,RA error (arcsec),Dec error (arcsec)\n", "no rows"),
        (b"Time,RA error (px),Dec error (px)\n\n\n", "no rows"),
        (b"a shopping list\nmilk, 2\nbread, 1\n", "no header row"),
        (b"x" * 600_000, "too long"),
        (b'{"broken": [1, 2\n' * 20, "no header row"),
    ],
)
def test_what_is_no_record_is_refused_with_the_cause(tmp_path, content, cause):
    path = tmp_path / "odd.txt"
    path.write_bytes(content)
    with pytest.raises(UnreadableFile, match=cause) as caught:
        read_guide(path)
    assert caught.value.path == path


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(UnreadableFile, match="opened"):
            read_guide(path)


@pytest.mark.parametrize(
    "encode",
    [
        lambda s: s.encode("utf-8-sig"),
        lambda s: s.encode("utf-16"),
        lambda s: s.encode("utf-16-le"),
        lambda s: s.encode("utf-16-be"),
        lambda s: s.replace("\n", "\r\n").encode(),
        lambda s: s.replace("\n", "\r").encode(),
        lambda s: s.replace("\n", "\r\n").encode("utf-16"),
        lambda s: s.replace("settling", "st\xf6rt").encode("latin-1"),
        lambda s: s.replace("settling", "st\xf6rt").encode("utf-8") + "# \xe9\n".encode("latin-1"),
        lambda s: s.rstrip("\n").encode(),
        lambda s: s.replace("\n", "\n\n").encode(),
        lambda s: s.encode() + b"\x1a",
    ],
)
def test_encodings_and_line_ends_do_not_matter(tmp_path, encode):
    t = truth(n=80, dithers=(9,))
    path = tmp_path / "record.csv"
    path.write_bytes(encode(comma(t)))
    record = read_guide(path)
    np.testing.assert_allclose(record.ra, t.ra)
    np.testing.assert_allclose(record.time, t.time, atol=0.06)
    assert [e.kind for e in record.events[:2]] == ["dither", "settle_end"]


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_record_cut_short_keeps_its_whole_rows(tmp_path, name):
    t = truth(n=40, dithers=(9,))
    text = TEXTS[name]
    last = text.rstrip("\n").rsplit("\n", 2 if name == "blanks" else 1)[1]
    cut = text[: text.rindex(last) + len(last) // 2 - 3]
    path = tmp_path / "cut.txt"
    path.write_text(cut, encoding="utf-8")
    record = read_guide(path)
    assert len(record) in (39, 40)
    if name != "places":
        np.testing.assert_allclose(record.ra[:39], t.ra[:39], atol=2e-3)


def test_a_half_row_at_the_end_is_told(tmp_path):
    path = tmp_path / "cut.csv"
    path.write_text(comma(truth(n=40, dithers=()))[:-30])
    record = read_guide(path)
    assert len(record) == 39
    assert any("cut short" in note for note in record.notes)


@FEW
@given(st.binary(max_size=3000))
def test_random_bytes_never_crash(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "random.bin"
    path.write_bytes(content)
    with pytest.raises(SubgradeError):
        read_guide(path)


@st.composite
def damaged(draw):
    text = TEXTS[draw(st.sampled_from(sorted(TEXTS)))]
    lines = text.split("\n")
    for _ in range(draw(st.integers(1, 12))):
        k = draw(st.integers(0, len(lines) - 1))
        line = lines[k]
        a = draw(st.integers(0, len(line)))
        what = draw(st.sampled_from(["drop", "twice", "cut", "insert", "swap", "join", "date"]))
        other = draw(st.integers(0, len(lines) - 1))
        if what == "drop":
            lines[k] = ""
        elif what == "twice":
            lines.insert(other, line)
        elif what == "cut":
            lines[k] = line[a:]
        elif what == "insert":
            lines[k] = line[:a] + draw(st.text(max_size=8)) + line[a:]
        elif what == "swap":
            lines[k], lines[other] = lines[other], lines[k]
        elif what == "join":
            lines[k] = line + lines[other]
        else:
            lines.insert(
                k,
                draw(
                    st.sampled_from(
                        [
                            "Run 99/99/9999 25:61:61",
                            "0001-01-01 00:00:00 begins",
                            "nan,inf,-inf,1e400,,,",
                            "Session 31.02.2031 12:00:00",
                            '"unclosed',
                            "1e308 1e308 1e308",
                            "{}",
                            "[",
                            '{"t":1}',
                        ]
                    )
                ),
            )
    return "\n".join(lines)


@pytest.mark.slow
@settings(FEW, max_examples=250)
@given(damaged())
def test_damaged_lines_never_crash(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "damaged.txt"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            record = read_guide(path)
        except SubgradeError:
            return
    n = len(record)
    assert np.all(np.isfinite(record.time))
    assert np.all(np.diff(record.time) >= 0)
    for name in (
        "ra",
        "dec",
        "ra_pulse_ms",
        "dec_pulse_ms",
        "brightness",
        "snr",
        "good",
        "section",
    ):
        assert len(getattr(record, name)) == n
    assert len(record.sections) == len(set(record.section.tolist()))
    assert not np.isinf(record.ra).any()


# ---------------------------------------------------------------- records made at random

CLOCKS = {
    "iso": ("Time", lambda t, k: stamp(t.time[k])),
    "zulu": ("Stamp", lambda t, k: stamp(t.time[k], "%Y-%m-%dT%H:%M:%S.%fZ")),
    "day first": ("Date time", lambda t, k: stamp(t.time[k], "%d.%m.%Y %H:%M:%S")),
    "am pm": ("Local time", lambda t, k: stamp(t.time[k], "%m/%d/%Y %I:%M:%S %p")),
    "unix": ("Unix time", lambda t, k: f"{t.time[k]:.1f}"),
    "mjd": ("MJD", lambda t, k: f"{t.time[k] / 86400 + 40587:.8f}"),
    "seconds": ("Elapsed (s)", lambda t, k: f"{t.time[k] - START:.1f}"),
}
DECOYS = {
    "RA filtered ({unit})": lambda t, k: f"{0.3 * t.ra[k] + 0.2:.3f}",
    "RA RMS ({unit})": lambda t, k: f"{0.4 + 0.001 * (k % 7):.3f}",
    "Temperature": lambda t, k: f"{11 - 0.01 * k:.2f}",
    "Exposure (s)": lambda t, k: "2.0",
    "Dec coordinate (deg)": lambda t, k: f"{41.2 + 1e-5 * k:.5f}",
    "Focus position": lambda t, k: f"{20100 + k % 3}",
    "Mode": lambda t, k: "auto",
}


@st.composite
def made(draw):
    """A record of random columns and what must be read from it."""
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", " | "]))
    clock = draw(st.sampled_from(sorted(CLOCKS)))
    unit, factor = draw(
        st.sampled_from([("arcsec", 1.0), ("px", SCALE), ("mas", 0.001), ('"', 1.0)])
    )
    comma_mark = delimiter != "," and clock not in ("iso", "zulu") and draw(st.booleans())
    remarks = draw(st.sampled_from(["lines", "none", "timed"]))
    decoys = draw(st.lists(st.sampled_from(sorted(DECOYS)), unique=True, max_size=4))
    t = truth(n=50, dithers=(12,), seed=draw(st.integers(0, 20)))
    error = draw(st.sampled_from(["{} error", "{} err", "{} deviation", "d{}", "{} raw distance"]))
    style = draw(st.sampled_from(["{title} ({unit})", "{title} [{unit}]", "{title}_{unit}"]))
    if unit == '"':
        style = "{title} ({unit})"
    name = lambda axis: style.format(title=error.format(axis), unit=unit)  # noqa: E731
    digits = 1 if unit == "mas" else 5
    cells = {
        CLOCKS[clock][0]: lambda k: CLOCKS[clock][1](t, k),
        name("RA"): lambda k: f"{t.ra[k] / factor:.{digits}f}",
        name("Dec"): lambda k: f"{t.dec[k] / factor:.{digits}f}",
        "RA pulse (ms)": lambda k: f"{t.ra_pulse[k]:.0f}",
        "SNR": lambda k: f"{t.snr[k]:.1f}",
    }
    cells |= {d.format(unit=unit): (lambda k, d=d: DECOYS[d](t, k)) for d in decoys}
    titles = draw(st.permutations(sorted(cells)))
    lines = [f"Guide camera {SCALE} arcsec per pixel", delimiter.join(titles)]
    for k in range(len(t)):
        if k == 12 and remarks != "none":
            when = stamp(t.time[k]) if remarks == "timed" and clock == "iso" else ""
            lines.append(f"# {when} Dither of 4 px")
        row = delimiter.join(cells[title](k) for title in titles)
        if comma_mark:
            row = delimiter.join(
                cells[x](k)
                if x == CLOCKS[clock][0] and ":" in cells[x](k)
                else cells[x](k).replace(".", ",")
                for x in titles
            )
        lines.append(row)
    return "\n".join(lines), t, clock, remarks


@settings(FEW, max_examples=120)
@given(made())
def test_a_record_of_random_columns_is_read_back(tmp_path_factory, found):
    text, t, clock, remarks = found
    path = tmp_path_factory.getbasetemp() / "made.txt"
    path.write_text(text, encoding="utf-8")
    record = read_guide(path)
    truly = t.time - START if clock == "seconds" else t.time
    np.testing.assert_allclose(record.time, truly, atol=0.06)
    np.testing.assert_allclose(record.ra, t.ra, atol=2e-3)
    np.testing.assert_allclose(record.dec, t.dec, atol=2e-3)
    np.testing.assert_allclose(record.ra_pulse_ms, t.ra_pulse)
    np.testing.assert_allclose(record.snr, t.snr)
    kinds = [e.kind for e in record.events]
    assert kinds == ([] if remarks == "none" else ["dither"])
    if kinds:
        assert abs(record.events[0].time - truly[12]) <= 2.0


# ---------------------------------------------------------------- size


def long_record(path, rows):
    t = truth(n=1000)
    block = comma(t).splitlines()[1:]
    with open(path, "w", encoding="utf-8") as file:
        file.write(comma(t).splitlines()[0] + "\n")
        for k in range(0, rows, 1000):
            # the same thousand rows, their time moved on
            file.writelines(
                f"{stamp(t.time[0] + 2 * (k + i))},{line.split(',', 1)[1]}\n"
                for i, line in enumerate(x for x in block if not x.endswith('"'))
            )


@pytest.mark.slow
def test_memory_grows_with_numbers_and_not_with_text(tmp_path):
    path = tmp_path / "long.csv"
    long_record(path, 60_000)
    size = path.stat().st_size
    tracemalloc.start()
    record = read_guide(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(record) == 60_000
    bare = 60_000 * 110  # eleven arrays of up to eight bytes, and what joining them takes
    assert peak < 3 * bare + 16e6, f"{peak / 1e6:.0f} MB for a file of {size / 1e6:.0f} MB"


@pytest.mark.skipif(sys.platform == "win32", reason="no limit of memory to set")
def test_a_file_of_20_megabytes_needs_little_memory(tmp_path):
    path = tmp_path / "long.csv"
    long_record(path, 40_000)
    text = path.read_text().splitlines()
    with open(path, "w") as file:
        file.write("\n".join([text[0], *(f"{x}{'filling ' * 55}" for x in text[1:])]))
    assert path.stat().st_size > 19e6
    probe = textwrap.dedent("""
        import resource, sys
        import numpy
        from subgrade.record import read_guide
        import subgrade.record.read
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        record = read_guide(sys.argv[1])
        print(len(record), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
    """)
    said = subprocess.run(
        [sys.executable, "-c", probe, path], capture_output=True, text=True, check=True
    )
    n, used = map(int, said.stdout.split())
    used *= 1 if sys.platform == "darwin" else 1024
    assert n == 40_000
    assert used < 75e6, f"{used / 1e6:.0f} MB more than before reading"


@pytest.mark.parametrize("bad", [[0], [0, 1], [29], [30], [29, 30], [59], range(10)])
def test_a_remark_beside_rows_whose_date_is_none(tmp_path, bad):
    """The 82nd month has no day; the remark's own time of day has then no date either."""
    lines = ["Date,UTC,RA residual (arcsec),Dec residual (arcsec)"]
    for k in range(60):
        day = "2031/82/18" if k in bad else "2031/02/18"
        lines.append(f"{day},21:30:{k:02d},{(k * 7 % 11 - 5) / 10},{(k * 5 % 13 - 6) / 10}")
        if k in (0, 29, 59):
            lines.append(f"Dither at 21:30:{k:02d} by 3 px")
    path = tmp_path / "record.csv"
    path.write_text("\n".join(lines))
    record = read_guide(path)
    assert len(record.time) == 60 - len(bad)
    assert np.isfinite([event.time for event in record.events]).all()
    assert 1 <= len(record.events) <= 3


def rows_of(count, first=0):
    return [f"{k},{(k * 7 % 11 - 5) / 10},{(k * 5 % 13 - 6) / 10}" for k in range(first, count)]


TITLES = "time (s),RA error (arcsec),Dec error (arcsec)"
ENDLESS = {
    "titles": [TITLES] * 300_000,
    "titles with a row each": [f"{TITLES} {k}\n{k},0.1,0.2" for k in range(40_000)],
    "remarks": [TITLES, *(f"{k} dither by 3 px" for k in range(60_000))],
    "digits": [TITLES, *[f"{'9' * 5000},{'1' * 3000},-{'0' * 2000}.5"] * 200],
    "statements": [TITLES, *["focal" * 400] * 4000],
}


@pytest.mark.slow
@pytest.mark.parametrize("lines", ENDLESS.values(), ids=ENDLESS)
def test_endless_text_costs_seconds_at_the_most(tmp_path, monkeypatch, lines):
    """Each took from a quarter of a minute to for ever; a tenth of the text that is read here."""
    monkeypatch.setattr(reading, "MOST_TEXT", reading.MOST_TEXT // 10)
    monkeypatch.setattr(reading, "MOST_TITLES", reading.MOST_TITLES // 10)
    path = tmp_path / "record.csv"
    path.write_text("\n".join(lines))
    begin = time.process_time()
    with pytest.raises(UnreadableFile):
        read_guide(path)
    assert time.process_time() - begin < 20.0  # it hangs, or it does not


def test_what_is_left_out_of_too_much_text_is_noted(tmp_path, monkeypatch):
    monkeypatch.setattr(reading, "MOST_TEXT", 20_000)
    path = tmp_path / "record.csv"
    remarks = [f"settling done, note {k}" for k in range(2000)]
    path.write_text("\n".join([TITLES, *rows_of(60), *remarks, *rows_of(120, 60)]))
    record = read_guide(path)
    np.testing.assert_allclose(np.diff(record.time), 1.0)
    assert len(record.time) == 120
    assert 300 < len(record.events) < 600
    assert any("characters of text between the rows" in note for note in record.notes)


def test_header_rows_beyond_any_record_are_noted(tmp_path, monkeypatch):
    monkeypatch.setattr(reading, "MOST_TITLES", 5)
    path = tmp_path / "record.csv"
    path.write_text("\n".join([TITLES, *rows_of(60), *[TITLES] * 10, *rows_of(120, 60)]))
    record = read_guide(path)
    assert len(record.time) == 120
    assert "more than 5 header rows: later ones were left out" in record.notes
