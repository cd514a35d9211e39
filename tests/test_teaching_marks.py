"""Tables of marks as people, spreadsheets and strangers write them; marks that overrule."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from subgrade.errors import UsageError
from subgrade.judging import judge_night, load_limits
from subgrade.judging.reasons import REASONS
from subgrade.judging.weights import stack_weights
from subgrade.lights import FrameNames
from subgrade.night.series import group_series
from subgrade.teaching import judge_with, read_person
from subgrade.teaching.judged_with_marks import Person
from subgrade.teaching.marks import MOST_BYTES, Mark, of_these, read_marks
from subgrade.teaching.overrule import MARK, overrule
from tests.judged_nights import Shot, night_of, steady

LIMITS = load_limits()


def table(tmp_path, content) -> str:
    path = tmp_path / "marks.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return str(path)


def words(marks) -> dict:
    return {m.frame: m.word for m in marks}


@pytest.mark.parametrize(
    "text",
    [
        "frame,verdict\na.fits,keep\nb/c.fits,reject\n",
        "frame;verdict\r\na.fits;keep\r\nb/c.fits;reject\r\n",
        "frame\tverdict\na.fits\tkeep\nb/c.fits\treject",
        "\ufefframe,verdict\na.fits,KEEP\n\n./b/c.fits, Reject \n",
        "frame,verdict\na.fits,keep\nb/c.fits,reject\n" * 2,
        '"verdict","note, mine","Frame"\n"keep","x","a.fits"\n"reject","","b/c.fits"\n',
        "frame,verdict\na.fits,keep\na.fits,keep\nb/c.fits,reject\nd.fits,\ne.fits,unreadable\n",
    ],
)
def test_marks_are_read_as_people_save_them(tmp_path, text):
    text = text.replace("\ufefframe", "\ufeffframe")
    assert words(read_marks(table(tmp_path, text))) == {"a.fits": "keep", "b/c.fits": "reject"}


@pytest.mark.parametrize("written", ["b\\c.fits", ".\\b\\c.fits", "odd\\nname.fits"])
def test_marks_name_frames_as_another_system_or_the_page_writes_them(tmp_path, written):
    text = f"frame,verdict\n{written},reject\n"
    known, unknown = of_these(
        read_marks(table(tmp_path, text)), FrameNames(["b/c.fits", "odd\nname.fits"])
    )
    assert unknown == []
    assert list(known) == ["odd\nname.fits" if "odd" in written else "b/c.fits"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "is empty"),
        ("\n\n", "is empty"),
        ("frame,verdict\n", "holds no marks"),
        ("name,verdict\na,keep\n", "line 1: the header row must name the column frame once"),
        ("frame,frame,verdict\na,b,keep\n", "must name the column frame once"),
        ("frame,verdict\na.fits,keep\nb.fits,maybe\n", "line 3: the verdict 'maybe' is neither"),
        ("frame,verdict\na.fits,=1+1\n", "line 2: the verdict '=1+1' is neither keep nor reject"),
        ("frame,verdict\n,keep\n", "line 2: no frame is named"),
        ("frame,verdict\na.fits\n", "line 2: only 1 cells"),
        (
            "frame,verdict\na.fits,keep\nb.fits,keep\n./a.fits,reject\n",
            "lines 2 and 4 mark the same frame 'a.fits' keep and reject",
        ),
        (b"frame,verdict\na.fits,keep\0", "not a table of text"),
        ("frame,verdict\nä,keep\n".encode("latin-1"), "not UTF-8"),
        ("frame,verdict\na,keep\n".encode("utf-16"), "not a table of text"),
        (b"SIMPLE  =                    T", "must name the column frame once"),
        ('frame,verdict\n"' + "x" * 200_000 + '",keep\n', "not valid CSV"),
        (b"x" * (MOST_BYTES + 1), "larger than any list of marks"),
    ],
)
def test_what_is_no_table_of_marks_is_named_with_its_cause(tmp_path, content, said):
    with pytest.raises(UsageError) as caught:
        read_marks(table(tmp_path, content))
    assert said in str(caught.value)
    assert "marks.csv" in str(caught.value)
    assert len(str(caught.value)) < 600


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda t: t.encode("utf-8")))
def test_any_bytes_are_marks_or_a_usage_error(tmp_path_factory, content):
    for start in (b"", b"frame,verdict\n"):
        path = tmp_path_factory.mktemp("m") / "marks.csv"
        path.write_bytes(start + content)
        found, said = (), ""
        try:
            found = read_marks(path)
        except UsageError as error:
            said = str(error)
        assert bool(found) != bool(said)
        assert said.isprintable()


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(UsageError, match=r"none\.csv: cannot read the marks"):
        read_marks(tmp_path / "none.csv")
    with pytest.raises(UsageError, match="cannot read the marks"):
        read_marks(tmp_path)


def test_frames_are_found_by_their_name_in_the_summary():
    marks = [Mark("-a.fits", True), Mark("b.fits", False), Mark("gone.fits", True)]
    known, unknown = of_these(marks, FrameNames(["-a.fits", "b.fits", "c.fits"]))
    assert words(known.values()) == {"-a.fits": "keep", "b.fits": "reject"}
    assert words(unknown) == {"gone.fits": "keep"}


def test_marks_of_another_night_are_warned_of_and_none_at_all_is_an_error(tmp_path):
    path = table(tmp_path, "frame,verdict\na.fits,keep\nx\x1b[1m.fits,keep\n")
    person = read_person(None, path, {"a.fits": "/n/a.fits"})
    assert person.teach is None
    assert words(person.marks.values()) == {"a.fits": "keep"}
    (note,) = person.notes
    assert "not of this night" in note
    assert note.isprintable()
    with pytest.raises(UsageError, match="marks no frame of this night"):
        read_person(path, None, {"b.fits": "/n/b.fits"})


NIGHT = {f"light_{k:03d}.fits.fz": f"/n/light_{k:03d}.fits.fz" for k in range(1, 35)}


@pytest.mark.parametrize(
    "name",
    [
        "light_006.fits.fz",
        "light_006.fits",
        "light_006",
        "LIGHT_006.FITS",
        "light_6",
        "006",
        "6",
        "t_006.f",
        "/n/light_006.fits.fz",
    ],
)
def test_any_name_that_only_one_frame_answers_to_will_do(tmp_path, name):
    path = table(tmp_path, f"frame,verdict\n{name},reject\n")
    person = read_person(path, None, NIGHT)
    assert {k: (m.frame, m.word) for k, m in person.teach.items()} == {
        "light_006.fits.fz": ("light_006.fits.fz", "reject")
    }
    assert person.notes == ()


@pytest.mark.parametrize(
    "name", ["light_06x", "ght_00", "/other/light_006.fits.fz", "sky_006.fits"]
)
def test_a_name_of_another_night_is_not_taken_for_one_of_this(tmp_path, name):
    path = table(tmp_path, f"frame,verdict\nlight_001,keep\n{name},reject\n")
    person = read_person(None, path, NIGHT)
    assert list(person.marks) == ["light_001.fits.fz"]
    assert "not of this night" in person.notes[0]


def test_an_unknown_name_is_shown_with_the_nearest(tmp_path):
    path = table(tmp_path, "frame,verdict\nlihgt_006.fits,keep\n")
    with pytest.raises(UsageError, match=r"'lihgt_006\.fits' \(nearest: light_006\.fits\.fz\)"):
        read_person(path, None, NIGHT)


def test_an_ambiguous_name_is_an_error_that_names_some(tmp_path):
    path = table(tmp_path, "frame,verdict\nlight,keep\n")
    with pytest.raises(UsageError, match=r"line 2: 34 frames answer to 'light': 'light_001\.fits"):
        read_person(path, None, NIGHT)


def test_two_names_of_one_frame_must_agree(tmp_path):
    path = table(tmp_path, "frame,verdict\nlight_006,keep\nlight_006.fits,reject\n")
    with pytest.raises(UsageError, match=r"same frame 'light_006\.fits\.fz'"):
        read_person(path, None, NIGHT)


def marked_night(**marks):
    """Twelve clean frames, one oval, one clouded, one of lines, a stray; marked by number."""
    shots = [
        *steady(12),
        Shot(eccentricity=0.62),
        Shot(transparency=0.4),
        Shot(status="trailed", length=40.0),
        Shot(stray="another field"),
    ]
    night = night_of(shots)
    given = {}
    for key, word in marks.items():
        name = night.frames[int(key[1:])].name
        given[name] = Mark(name, word == "keep")
    decided = judge_with(night, LIMITS, lambda li: judge_night(night, li), Person(marks=given))
    return night, judge_night(night, LIMITS), decided


def test_marks_overrule_and_what_was_found_stays():
    _, before, decided = marked_night(f12="keep", f3="reject", f4="keep", f14="keep")
    after = decided.verdicts
    assert [after[k].verdict for k in (12, 3, 4, 14)] == ["keep", "reject", "keep", "keep"]
    assert after[12].explanation.startswith(
        "Kept by your mark; subgrade would have rejected it: stars are elongated"
    )
    assert after[12].reasons == before[12].reasons
    assert after[4].explanation.startswith("Kept by your mark, as subgrade would have: ecc")
    assert {after[k].confidence for k in (12, 3, 4, 14)} == {1.0}
    for k in (12, 3, 4, 14):
        assert after[k].evidence[0].quantity == MARK.name
        assert after[k].evidence[1:] == before[k].evidence
    assert decided.marked == 4
    assert decided.overruled == tuple(before[k].frame for k in (3, 12, 14))
    assert decided.notes == ()
    others = [k for k in range(16) if k not in (12, 3, 4, 14)]
    for k in others:
        assert after[k].evidence == before[k].evidence
        assert after[k].verdict == before[k].verdict


def test_a_clean_frame_rejected_by_mark_has_a_word_and_says_whence():
    _, before, decided = marked_night(f3="reject")
    found = decided.verdicts[3]
    assert before[3].reasons == ()
    assert found.reasons[0] in REASONS
    assert "subgrade would have kept it" in found.explanation
    assert "; closest to its limit, and so named as the reason, is " in found.explanation
    assert found.explanation.endswith(").")


def test_the_night_is_described_without_what_only_a_mark_rejected():
    _, before, decided = marked_night(f3="reject", f12="keep")
    assert decided.verdicts[3].verdict == "reject"
    assert decided.measured[3] == before[3]
    assert decided.measured[12] == decided.verdicts[12]
    assert decided.measured[13] == before[13]


def test_a_remark_becomes_the_reason_of_a_reject_by_mark():
    night = night_of([*steady(12), Shot(eccentricity=0.47)])
    before = judge_night(night, LIMITS)
    assert (before[12].verdict, len(before[12].reasons)) == ("keep", 1)
    name = before[12].frame
    after, _ = overrule(night, before, LIMITS, {name: Mark(name, False)})
    assert after[12].reasons == before[12].reasons
    assert after[12].explanation.endswith(f"listed under its remark, {before[12].reasons[0]}.")


def test_weights_are_those_of_the_frames_kept_in_the_end():
    night, before, decided = marked_night(f12="keep", f13="keep", f0="reject")
    best = max(range(12), key=lambda k: before[k].weight)
    name = before[best].frame
    more, _ = overrule(night, decided.verdicts, LIMITS, {name: Mark(name, False)})
    for verdicts in (decided.verdicts, more):
        (group,) = night.groups
        series = group_series(night, group)
        kept = np.array([verdicts[i].verdict == "keep" for i in series.members])
        weights = stack_weights(series, kept)
        assert [verdicts[i].weight for i in series.members] == list(weights)
        assert max(v.weight for v in verdicts) == 1.0
        assert all((v.weight > 0) == (v.verdict == "keep") for v in verdicts)


def test_what_cannot_be_kept_is_listed():
    night, before, decided = marked_night(f15="keep")
    assert decided.verdicts == before
    (note,) = decided.notes
    assert "light_015.fits: cannot be kept as marked: it is not a light of this session" in note
    assert (decided.marked, decided.overruled) == (0, ())
    _, notes = overrule(night, before, LIMITS, {"cut.fits": Mark("cut.fits", True)})
    assert "was not measured" in notes[0]
    _, notes = overrule(night, before, LIMITS, {"cut.fits": Mark("cut.fits", False)})
    assert notes == []


def test_a_night_without_marks_is_judged_as_ever():
    _, before, decided = marked_night()
    assert decided.verdicts == before
    assert decided.taught is None
