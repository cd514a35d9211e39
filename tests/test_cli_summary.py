"""The summary on the terminal: what it shows, that it fits, and that any output can show it."""

import io
import json
import math
import os
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.cells import cell_len
from rich.table import Column
from rich.text import Text

from subgrade.cli import COMMANDS
from subgrade.cli.night_chart import BLOCKS, letters_of, night_chart
from subgrade.cli.summary import print_summary, summary_lines
from subgrade.cli.terminal import HARD, Screen, screen_of
from subgrade.results.guiding_record import night_rms, recorded_rms
from subgrade.results.model import CulledFrame
from subgrade.results.night_remarks import night_remarks
from subgrade.results.session import causes_counted, session_json
from tests.judged_nights import EXPOSURE_S, Shot, steady
from tests.report_nights import HOSTILE, graded_of, lost_night, unreadable_only

TERMINAL = Screen(width=80, lines=24, folds=True)


class Stream(io.StringIO):
    """A stream that is a terminal or not, of some encoding."""

    def __init__(self, terminal: bool, encoding: str):
        super().__init__()
        self._terminal, self._encoding = terminal, encoding

    encoding = property(lambda self: self._encoding)

    def isatty(self) -> bool:
        return self._terminal

    def fileno(self) -> int:
        raise OSError("no file")


def text_of(graded, screen=TERMINAL, out="graded") -> str:
    return "\n".join(line.plain for line in summary_lines(graded, out, screen))


def many_causes():
    """Forty frames with five kinds of loss."""
    shots = steady(40)
    shots[3] = replace(shots[3], transparency=0.4)
    shots[5] = replace(shots[5], transparency=0.3)
    shots[9] = Shot(status="trailed", length=50.0, transparency=np.nan)
    shots[20] = replace(shots[20], fwhm=5.5)
    shots[30] = replace(shots[30], eccentricity=0.85, angle=30.0)
    shots[37] = replace(shots[37], sky=6000.0, noise=25.0)
    return graded_of(shots, guided=True)


def test_the_numbers_are_those_of_the_session():
    graded = graded_of(lost_night())
    text = text_of(graded)
    rejected = [f for f in graded.frames if f.judgement.verdict == "reject"]
    assert len(rejected) == 3
    assert text.startswith("12 files: 9 kept (18 min), 3 rejected (6 min); 75% of the time kept\n")
    for row in causes_counted(graded):
        (line,) = [x for x in text.splitlines() if re.match(rf"[A-Z]  {row['reason']} ", x)]
        share = row["lost_s"] / (12 * EXPOSURE_S)
        assert line.split()[-4:] == [str(row["frames"]), "2", "min", f"{share:.0%}"]
    kept = [f for f in graded.frames if f.judgement.verdict == "keep"]
    best = max(kept, key=lambda f: f.judgement.weight)
    worst = min(kept, key=lambda f: f.judgement.weight)
    assert f"Best        {best.name}: FWHM {best.stars.fwhm_px:.2f}″" in text
    assert f"Worst kept  {worst.name}: FWHM {worst.stars.fwhm_px:.2f}″" in text
    doubtful = min(rejected, key=lambda f: f.judgement.confidence)
    assert f"subgrade explain graded {doubtful.name.removesuffix('.fits')}" in text
    assert f"Advice      {graded.diagnosis.advice[0].action.split()[0]} " in text
    assert str(os.path.abspath("graded")) in text
    named = re.findall(r"subgrade (\w+) graded", text)
    assert named == ["diagnose", "explain", "cull"]
    assert all(line.count("subgrade ") <= 1 for line in text.splitlines())
    assert set(named) <= set(COMMANDS)


def test_a_caution_stands_beside_its_advice():
    graded = graded_of(lost_night())
    first = replace(graded.diagnosis.advice[0], caution="Keep hands clear. Lock the axes.")
    graded = replace(graded, diagnosis=replace(graded.diagnosis, advice=(first,)))
    assert "Caution     Keep hands clear.\n" in text_of(graded)


def test_the_night_line_has_a_mark_for_every_frame_under_the_letter_of_its_cause():
    graded = graded_of(lost_night())
    letters = letters_of(causes_counted(graded))
    line = night_chart(graded, letters, TERMINAL, 60)
    assert len(line.widths) == len(line.losses) == 12
    for frame, mark in zip(graded.frames, line.losses, strict=True):
        lost = frame.judgement.verdict != "keep"
        assert mark == (letters[frame.judgement.reasons[0]] if lost else "·")
    assert line.widths[5] == " "  # drawn into a line: it has no width
    assert line.widths[7] == "█"  # 3.8 px beside 3.0
    sizes = [f.stars.fwhm_px for f in graded.frames]
    order = [BLOCKS.find(c) for c in line.widths]
    for a in range(12):
        for b in range(12):
            if order[a] > order[b] >= 0:
                assert sizes[a] > sizes[b]


def test_a_long_night_is_drawn_in_runs():
    shots = steady(500)
    for k in range(100, 150):
        shots[k] = replace(shots[k], transparency=0.3)
    shots[300] = replace(shots[300], transparency=0.3)
    graded = graded_of(shots)
    line = night_chart(graded, {"cloud": "A"}, TERMINAL, 68)
    assert len(line.widths) == len(line.losses) == 63 <= 68
    assert "8 frames a character, capital where half or more are lost" in line.key
    assert re.fullmatch(r"·{12}A{6,7}a?·+a·+", line.losses)


def test_a_steady_night_is_not_blown_up():
    line = night_chart(graded_of(steady(30)), {}, TERMINAL, 60)
    assert line.losses == "·" * 30
    assert set(line.widths) - set(BLOCKS[:7]) == set()  # 5 % about 3 px is not the whole scale


@pytest.mark.parametrize("widest", [3.001, 3.1, 3.6, 4.7, 9.0])
@pytest.mark.parametrize(("count", "scale"), [(30, 0.5), (400, 0.5), (30, None)])
def test_the_legend_names_widths_of_the_night_by_marks_that_are_drawn(widest, count, scale):
    shots = steady(count)
    for k in range(8, 24):
        shots[k] = replace(shots[k], fwhm=widest + 0.01 * k)
    graded = graded_of(shots, scale_arcsec=scale)
    line = night_chart(graded, {}, TERMINAL, 60)
    legend, after = line.key.split("(FWHM) ")[1].split("″" if scale else " px")
    assert not after or count == 400
    sizes = {f"{f.stars.fwhm_px * (scale or 1):.2f}" for f in graded.frames}
    named = re.findall(r"\d+\.\d+", legend)
    assert len(named) >= 2
    assert set(named) <= sizes
    drawn = sorted(set(line.widths), key=BLOCKS.index)
    marks = [c for c in legend if c in BLOCKS]
    assert marks == ([drawn[0], drawn[-1]] if len(drawn) > 1 else [])
    if count == 30:
        assert {named[0], named[-1]} == {min(sizes, key=float), max(sizes, key=float)}


def test_digits_that_stand_for_levels_are_marked_off_from_widths():
    shots = steady(20)
    shots[4] = replace(shots[4], fwhm=4.2)
    line = night_chart(graded_of(shots), {}, replace(TERMINAL, encoding="ascii"), 60)
    assert re.search(r"\(FWHM\) 1=2\.\d\d to 8=4\.20″$", line.key)
    assert set(line.widths) <= set("12345678")


def test_a_night_of_one_width_takes_one_number():
    even = night_chart(graded_of([replace(s, fwhm=3.0) for s in steady(4)]), {}, TERMINAL, 60)
    assert even.key.endswith("; star width (FWHM) 3.00″")
    assert even.widths == BLOCKS[0] * 4


@pytest.mark.parametrize("width", [80, 120])
def test_a_common_night_fits_one_screen(width):
    text = text_of(many_causes(), replace(TERMINAL, width=width))
    assert len(text.splitlines()) <= 23  # the prompt takes the last
    assert "Guiding" in text


@pytest.mark.parametrize("width", [60, 80, 120, 200])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "cp1252"])
def test_no_line_is_wider_than_the_terminal_or_beyond_its_encoding(width, encoding):
    long = [f"{'very_long_name_' * 8}{k:03d}.fits" for k in range(4)]
    wide = [f"{'星' * 60}{k}.fits" for k in range(4)]
    graded = graded_of(lost_night(), guided=True, names=[*long, *wide, *"abcd"])
    screen = Screen(width, 24, folds=True, encoding=encoding)
    for line in text_of(graded, screen).splitlines():
        line.encode(encoding)
        if "subgrade explain" not in line:  # to be copied, so whole on a line of its own
            assert cell_len(line) <= width, line


def test_a_table_with_little_room_names_the_other_causes_with_their_letters():
    graded = many_causes()
    causes = causes_counted(graded)
    assert len(causes) >= 5
    short = text_of(graded, replace(TERMINAL, lines=10))
    shown = [x for x in short.splitlines() if re.match(r"[A-Z]  \w", x)]
    assert len(shown) == 3
    letters = letters_of(causes)
    for row in causes[3:]:  # each whole on its line
        assert f"{letters[row['reason']]} {row['reason']} {row['frames']}" in short
    whole = text_of(graded, Screen())
    assert len([x for x in whole.splitlines() if re.match(r"[A-Z]  \w", x)]) == len(causes)


def test_piped_output_is_whole_and_has_no_escape_codes(capsys):
    names = [f"{'long_' * 30}{k:02d}.fits" for k in range(12)]
    print_summary(graded_of(lost_night(), names=names), "graded")
    text = capsys.readouterr().out
    assert "\x1b" not in text
    assert any(f"Best        {name}: " in text for name in names)


def test_hostile_names_cannot_steer_the_terminal(capsys):
    names = [*HOSTILE, *"wxyz"]
    print_summary(graded_of(lost_night(), names=names), "gra\x1b[31mded", Screen(styled=False))
    text = capsys.readouterr().out
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "\udcff" not in text


def test_colour_comes_only_where_it_may(capsys):
    print_summary(graded_of(lost_night()), "graded", replace(TERMINAL, styled=True))
    assert "\x1b[1m12 files" in capsys.readouterr().out
    print_summary(graded_of(lost_night()), "graded", TERMINAL)
    assert "\x1b" not in capsys.readouterr().out


def test_several_filters_get_a_line_each():
    graded = graded_of(steady(12))
    (group,) = graded.groups
    frames = [
        replace(f, compared=replace(f.compared, group=k % 3)) for k, f in enumerate(graded.frames)
    ]
    groups = tuple(replace(group, label=f"Field, {c}, 120 s") for c in "RGB")
    text = text_of(replace(graded, frames=tuple(frames), groups=groups))
    for name in "RGB":
        assert f"Field, {name}, 120 s: 4 of 4 kept" in text
    assert text.count("Group ") == 1
    assert "; FWHM over the typical of its group ▁ 0.9" in " ".join(text.split())
    assert "\n            17:46 UTC; " in text  # the test's frames state one time


def test_a_table_is_in_arcseconds_only_if_every_row_has_a_scale():
    graded = graded_of(lost_night())
    (group,) = graded.groups
    frames = [
        replace(
            f,
            compared=replace(f.compared, group=k % 2),
            facts=replace(f.facts, scale_arcsec=None if k % 2 else 1.0),
        )
        for k, f in enumerate(graded.frames)
    ]
    groups = tuple(replace(group, label=f"Field, {c}, 120 s") for c in "RG")
    text = text_of(replace(graded, frames=tuple(frames), groups=groups))
    for label in ("Field, R, 120 s:", "Field, G, 120 s:", "Best ", "Worst kept "):
        (line,) = [x for x in text.splitlines() if f"{label}" in x and "FWHM" in x][:1]
        assert " px" in line
    assert "″" not in text.split("\nAdvice")[0]


def test_the_guiding_rms_is_the_median_of_the_kept_frames():
    shots = lost_night()
    graded = graded_of(shots, guided=True)
    rms = [0.30 + 0.01 * k for k in range(12)]
    frames = tuple(
        replace(f, guiding=replace(f.guiding, rms_ra=r, rms_dec=2 * r))
        for f, r in zip(graded.frames, rms, strict=True)
    )
    graded = replace(graded, frames=frames)
    # 3, 5 and 7 are rejected: of 0 1 2 4 6 8 9 10 11 the middle one is 6
    assert night_rms(graded) == pytest.approx((0.36, 0.72))
    session = json.loads(session_json(graded))
    assert recorded_rms(session["frames"]) == night_rms(graded)
    lines = " ".join(text_of(graded).split())
    assert (
        "Guiding RMS RA 0.36″, Dec 0.72″, median of the kept frames; the record covers all 12 "
        "frames, its clock is 2 h ahead of UTC"
    ) in lines
    nothing = night_rms(graded_of(shots))
    assert all(map(math.isnan, nothing))
    assert all(map(math.isnan, night_rms(unreadable_only())))


def test_an_eccentricity_lost_in_noise_is_a_bound():
    shots = [replace(s, eccentricity=0.0, eccentricity_error=0.04) for s in steady(6)]
    best = re.search(r"Best .*", text_of(graded_of(shots)))[0]
    assert ", ecc. < 0.1, weight " in best


@pytest.mark.parametrize("width", [60, 80, 120])
@pytest.mark.parametrize("count", [1, 3])
def test_a_long_name_of_a_group_is_folded_and_its_numbers_stay(width, count):
    graded = graded_of(steady(12), scale_arcsec=1.0)
    name = "The target of the night and its long name with 星, Ha, 300 s"
    (group,) = graded.groups
    frames = tuple(
        replace(f, compared=replace(f.compared, group=k % count))
        for k, f in enumerate(graded.frames)
    )
    groups = tuple(replace(group, label=name) for _ in range(count))
    graded = replace(graded, frames=frames, groups=groups)
    text = text_of(graded, replace(TERMINAL, width=width)).split("Group ")[1].split("Best ")[0]
    letters = "".join(text.split())
    for part in ("typicalFWHM", "ecc.0.", *["px)"] * (count == 1)):
        assert letters.count(part) == count
    for word in name.split():
        assert text.count(word) >= count
    assert all(cell_len(line) <= width for line in text.splitlines()[1:])


def test_typical_values_of_few_frames_are_remarked_upon():
    remark = "Remark      the typical values rest on only 3 frames"
    assert remark in text_of(graded_of(steady(3)))
    assert "rest on" not in text_of(graded_of(steady(5)))


def test_nothing_is_typical_of_a_single_frame():
    shots = [replace(s, eccentricity=0.6) for s in steady(1)]
    text = " ".join(text_of(graded_of(shots)).split())
    assert "Group Field, L, 120 s: FWHM " in text
    assert "only one frame: nothing to compare it with" in text
    assert "stars were elongated, eccentricity 0.60 (poor from 0.50)" in text
    assert "typical" not in text
    assert "all night" not in text


def test_the_kept_of_an_oval_night_are_described_and_nobody_picks_the_worst_of_none():
    shots = [replace(s, eccentricity=0.6) for s in steady(9)]
    oval = "stars were elongated all night, typical eccentricity 0.60 (poor from 0.50)"
    graded = graded_of(shots)
    verdicts = ["reject"] * 3 + ["keep"] * 6
    for judged, end in (
        (["keep"] * 9, ""),
        (verdicts, ", 0.60 in the 6 kept"),
    ):
        frames = tuple(
            replace(f, judgement=replace(f.judgement, verdict=v, reasons=("wind_trail",)))
            for f, v in zip(graded.frames, judged, strict=True)
        )
        text = " ".join(text_of(replace(graded, frames=frames)).split())
        assert f"{oval}{end}" in text
        assert (" in the " in text.split("(poor from 0.50)")[1].split(" kept")[0]) == bool(end)


def test_what_every_frame_was_rejected_for_is_no_steady_fault_of_the_night():
    shots = [replace(s, eccentricity=0.6, fwhm=6.0) for s in steady(9)]
    graded = graded_of(shots)
    for word, wide in (("wind_trail", False), ("focus", True)):
        frames = tuple(
            replace(f, judgement=replace(f.judgement, verdict="reject", reasons=(word,)))
            for f in graded.frames
        )
        remarks = night_remarks(graded.groups, frames, graded.limits)
        assert any("wide all night" in r for r in remarks) == wide
        assert not any("elongated" in r for r in remarks)


def test_the_lowest_confidence_reject_is_asked_for_by_a_name_that_only_it_has():
    names = [f"{'ab'[k % 2]}/light_{k // 2:03d}.fits" for k in range(12)]
    text = text_of(graded_of(lost_night(), names=names))
    asked = re.search(r"subgrade explain graded (\S+)", text)[1]
    assert asked in names  # the bare name is another folder's too


def test_the_name_asked_for_is_no_culled_frames_either():
    names = [f"a/light_{k:03d}.fits" for k in range(12)]
    graded = graded_of(lost_night(), names=names)
    assert re.search(r"subgrade explain graded (\S+)", text_of(graded))[1].startswith("light_")
    gone = tuple(CulledFrame(n.replace("a/", "b/"), Path("/n"), Path("/c")) for n in names)
    asked = re.search(r"subgrade explain graded (\S+)", text_of(replace(graded, culled=gone)))[1]
    assert asked in names


def test_no_name_that_cannot_be_typed_is_asked_for():
    names = [f"bad_\udcff{k:02d}.fits" for k in range(12)]
    text = text_of(graded_of(lost_night(), names=names))
    assert "subgrade cull graded" in text
    assert "subgrade explain" not in text


def test_a_small_folder_and_one_without_a_readable_file():
    six = text_of(graded_of(steady(6)))
    assert six.startswith("6 files: all kept (12 min)\nNight ")
    assert "lost" not in six.lower()
    assert text_of(graded_of(steady(1))).startswith("1 file: kept (2 min)\n")
    none = text_of(unreadable_only())
    assert none.startswith("2 files: 0 kept, 0 rejected, 2 could not be graded\n")
    assert "Lost        AA" in none
    assert "Not graded  a.fits: cut short" in none
    assert re.search(r"^   lost to +frames  share$", none, re.MULTILINE)
    assert re.search(r"^A  unreadable .* 2 +100%$", none, re.MULTILINE)


@pytest.mark.parametrize(
    ("terminal", "encoding", "given", "expected"),
    [
        (False, "utf-8", {}, Screen(100, None, False, False, "utf-8")),
        (False, "utf-8", {"COLUMNS": "70"}, Screen(70, None, True, False, "utf-8")),
        (True, "utf-8", {}, Screen(80, 24, True, True, "utf-8")),
        (True, "utf-8", {"COLUMNS": "20", "LINES": "50"}, Screen(60, 50, True, True, "utf-8")),
        (True, "utf-8", {"COLUMNS": "900", "LINES": "5"}, Screen(200, 24, True, True, "utf-8")),
        (True, "utf-8", {"NO_COLOR": "1"}, Screen(80, 24, True, False, "utf-8")),
        (True, "utf-8", {"NO_COLOR": ""}, Screen(80, 24, True, True, "utf-8")),
        (True, "utf-8", {"TERM": "dumb"}, Screen(80, 24, True, False, "ascii")),
        (True, "latin-1", {"COLUMNS": "wide"}, Screen(80, 24, True, True, "latin-1")),
        (False, "utf-8", {"FORCE_COLOR": "1"}, Screen(80, 24, True, True, "utf-8")),
    ],
)
def test_the_terminal_is_asked(terminal, encoding, given, expected):
    # An empty NO_COLOR counts as not set: the informal standard of that name, from memory.
    assert screen_of(Stream(terminal, encoding), given) == expected


def plain(lines) -> list[str]:
    return [line.plain for line in lines]


def test_a_paragraph_is_folded_by_columns_of_the_terminal():
    screen = replace(TERMINAL, width=60)
    lines = plain(screen.folded("星星星 " * 20, 12, "Label"))
    assert lines[0].startswith("Label       星")
    assert all(line.startswith(" " * 12) for line in lines[1:])
    assert max(map(cell_len, lines)) <= 60
    assert sum(line.count("星") for line in lines) == 60
    assert plain(Screen().folded("星星星 " * 60, 12, "Label")) == [
        "Label       " + "星星星 " * 59 + "星星星"
    ]


def test_a_path_to_copy_and_words_held_together_are_not_parted():
    path = f"/{'night/' * 15}graded"
    lines = plain(replace(TERMINAL, width=60).folded(f"in the folder {path}: a.csv and more", 12))
    assert lines == [" " * 12 + "in the folder", f"{' ' * 12}{path}:", " " * 12 + "a.csv and more"]
    held = HARD.join(["subgrade", "explain", "graded", "light_0042"])
    lines = plain(replace(TERMINAL, width=60).folded(f"aaaaaaaa bbbbbbbb cccccccc {held}", 12))
    assert lines[1] == f"{' ' * 12}subgrade explain graded light_0042"


def test_a_table_folds_long_names_and_lines_between_its_rows_cross_the_columns():
    columns = [Column("name", overflow="fold"), Column("value", justify="right", no_wrap=True)]
    heading = Text("a heading that is far wider than the first of the columns", "cyan")
    rows = [("星" * 40, "1.5"), heading, ("[red]b[/] :star:", "12.25"), ("short", "")]
    lines = replace(TERMINAL, width=60).table(columns, rows)
    assert max(cell_len(line.plain) for line in lines) <= 60
    assert lines[0].plain.split() == ["name", "value"]
    assert lines[0].style == "bold"
    assert "".join(plain(lines)).count("星") == 40
    assert plain(lines).count(heading.plain) == 1
    assert next(line.style for line in lines if line.plain == heading.plain) == "cyan"
    assert lines[-2].plain.startswith("[red]b[/] :star:  ")  # neither markup nor a picture
    assert lines[-2].plain.endswith(" 12.25")
    assert lines[-1].plain == "short"
    assert len(plain(Screen().table(columns, rows))) == 5  # nothing is folded in a pipe


def test_what_an_encoding_lacks_is_replaced_before_columns_are_laid_out():
    screen = replace(TERMINAL, encoding="ascii")
    assert screen.shown("3.2″ ± 0.1 ü") == '3.2" +/- 0.1 \\xfc'
    columns = [Column("", no_wrap=True), Column("", no_wrap=True)]
    lines = plain(screen.table(columns, [("1 ± 2", "a"), ("1", "b")]))
    assert lines == ["1 +/- 2  a", "1        b"]
