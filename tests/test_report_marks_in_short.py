"""What marks changed, in a line for the top of the page."""

from dataclasses import replace

from subgrade.judging import load_limits
from subgrade.report import report_page
from subgrade.report.your_marks import marks_in_short
from subgrade.teaching import Decided
from subgrade.teaching.dials import Turned
from subgrade.teaching.teach import Lesson, Taught
from tests.report_nights import data_of, graded_of, lost_night


def judged(graded, **verdicts):
    """Verdicts of the night, some changed."""
    return tuple(
        replace(
            f.judgement, verdict=verdicts.get(f.name.removesuffix(".fits"), f.judgement.verdict)
        )
        for f in graded.frames
    )


def test_without_marks_nothing_is_stated():
    graded = graded_of(lost_night())
    assert marks_in_short(graded) == []
    assert data_of(report_page(graded))["by_your_marks"] == []


def test_marks_that_overruled_are_named_with_what_they_made():
    graded = graded_of(lost_night())
    verdicts = judged(graded, light_000="reject", light_003="keep")
    frames = tuple(replace(f, judgement=j) for f, j in zip(graded.frames, verdicts, strict=True))
    names = "light_000.fits", "light_003.fits"
    person = Decided(verdicts, graded.limits, marked=3, overruled=names)
    marked = replace(graded, frames=frames, person=person)
    assert marks_in_short(marked) == [
        "Your marks changed 2 verdicts (light_003.fits now kept; light_000.fits now rejected)."
    ]
    agreeing = replace(marked, person=replace(person, overruled=()))
    assert marks_in_short(agreeing) == ["Your marks changed no verdict."]


def test_a_taught_limit_is_named_with_its_move():
    graded = graded_of(lost_night())
    turned = Turned("roundness.floor", 0.55, 0.5123)
    lesson = Lesson("eccentricity", (turned,), 2, ("light_000.fits",), "")
    taught = Taught(load_limits(), (lesson,), (), 2, 1)
    verdicts = judged(graded, light_000="reject")
    person = Decided(verdicts, graded.limits, taught=taught, changed=("light_000.fits",))
    assert marks_in_short(replace(graded, person=person)) == [
        "Limits taught by your marks changed 1 verdict (light_000.fits now rejected): "
        "limit on eccentricity (roundness.floor) 0.55 to 0.5123."
    ]
    nothing = replace(person, taught=replace(taught, lessons=()), changed=())
    assert marks_in_short(replace(graded, person=nothing)) == [
        "Limits taught by your marks changed no verdict: no limit moved."
    ]


def test_many_changed_frames_are_counted():
    graded = graded_of(lost_night())
    names = tuple(f.name for f in graded.frames[:9])
    verdicts = judged(graded, **{n.removesuffix(".fits"): "keep" for n in names})
    taught = Taught(load_limits(), (), (), 9, 0)
    person = Decided(verdicts, graded.limits, taught=taught, changed=names)
    (line,) = marks_in_short(replace(graded, person=person))
    assert "changed 9 verdicts (light_000.fits, " in line
    assert "light_005.fits and 3 more now kept)" in line
