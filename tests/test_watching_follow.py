"""A watch from dusk to dawn: its results are those of one grading at the end, byte for byte.

The clock is a number that the tests move, and what happens to the folder happens between two of
the watch's looks.
"""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from subgrade.errors import NotWritten, ResultsError
from subgrade.moving import cull, locked, restore
from subgrade.pipeline import Settings, grade
from subgrade.practice import scenario_file as nights
from subgrade.practice.night import simulate_night
from subgrade.results import session
from subgrade.results import write as results_write
from subgrade.settings import Progress
from subgrade.watching import Asked, condition_of, follow
from subgrade.watching.arrivals import STUCK_S
from subgrade.watching.follow import RECORD_S

pytestmark = pytest.mark.slow

FRAMES = 9
STEP_S = 4.0
"""What the watch's clock moves on between two looks: more than any file needs to settle."""
WRITTEN = (
    *("summary.csv", "summary.ecsv", "keeps.txt", "rejects.txt", "weights.csv"),
    *("session.json", "report.html"),
)


@pytest.fixture(scope="module")
def rendered(tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("rendered")
    scenario = nights.adapt(nights.default_scenario(), 3, FRAMES, 300, 220, None, None)
    simulate_night(place, scenario)
    return place


class Evening:
    """A watch whose folder changes by a script of steps, one before each look."""

    def __init__(self, root: Path, rendered: Path):
        self.root, self.rendered = root, rendered
        self.lights, self.out = root / "lights", root / "graded"
        self.lights.mkdir()
        self.record = self.lights / "guiding.csv"
        self.subs = sorted(p.name for p in rendered.glob("*.fits"))
        self.now = 1000.0
        self.notes: list[str] = []
        self.shown: list[str] = []
        self.alarms: list = []
        self.progress = Progress()

    @property
    def settings(self) -> Settings:
        return Settings((str(self.lights),), str(self.out), guide=(str(self.record),), workers=1)

    def bring(self, *names: str) -> Callable[[], None]:
        return lambda: [shutil.copy(self.rendered / n, self.lights / n) for n in names] and None

    def lines(self, lines) -> None:
        self.shown += [line.text for line in lines]

    def note(self, text: str) -> None:
        self.notes.append(text)

    def alarm(self, facts) -> None:
        self.alarms.append(facts)

    def watch(self, *steps: Callable[[], None] | None, conditions=(), **asked):
        """Follow the folder through the steps; each is given one look and another to settle."""
        stop, waiting = threading.Event(), iter(steps)
        evening = self

        class Waking:
            settle = 0

            def wait(self, seconds: float) -> None:
                evening.now += STEP_S
                if self.settle:
                    self.settle -= 1
                    return
                try:
                    step = next(waiting)
                except StopIteration:
                    stop.set()
                    return
                if step is not None:
                    step()
                self.settle = 2

        conditions = tuple(map(condition_of, conditions))
        clock = lambda: self.now  # noqa: E731
        return follow(Asked(self.settings, conditions, **asked), self, Waking(), stop, clock)

    def check(self) -> None:
        """The results are those of one grading of what is there now."""
        once = self.root / "once"
        shutil.rmtree(once, ignore_errors=True)
        mine = {name: (self.out / name).read_bytes() for name in WRITTEN}
        # in the same place, as paths and settings stand in the results
        shutil.move(self.out, once)
        grade(self.settings)
        for name in WRITTEN:
            assert (self.out / name).read_bytes() == mine[name], name
        left = [p.name for p in once.iterdir() if p.name.startswith(".")]
        assert not left


@pytest.fixture
def evening(tmp_path, rendered, monkeypatch):
    # the page holds it too
    monkeypatch.setattr(session, "utc_now", lambda: "2031-03-06T04:00:00Z")
    return Evening(tmp_path, rendered)


def copy_record(evening: Evening, rows: float, cut: int = 0) -> Callable[[], None]:
    """As much of the record as was written by then; the last line cut short by some bytes."""
    text = (evening.rendered / "guiding.csv").read_bytes()
    end = text.rfind(b"\n", 0, int(rows * len(text))) + 1 if rows < 1 else len(text)
    return lambda: evening.record.write_bytes(text[: end - cut]) and None


def test_any_order_of_arrival_ends_in_the_same_results(evening):
    a, b, c, d, e, f, g, h, i = evening.subs
    evening.watch(
        copy_record(evening, 0.3, cut=7),
        evening.bring(d),
        evening.bring(b),
        evening.bring(a, c),
        copy_record(evening, 0.6, cut=3),
        evening.bring(i),
        evening.bring(f, e),
        evening.bring(h),
        copy_record(evening, 1.0),
        evening.bring(g),
    )
    evening.check()
    assert len([line for line in evening.shown if "light_00" in line.split("  ")[1]]) >= FRAMES


def test_a_single_sub_is_set_beside_the_night_first_and_all_compared_then(evening, monkeypatch):
    from subgrade.watching.night_so_far import NightSoFar

    updates, real = [], NightSoFar.grade

    def noted(self, *given, **named):
        updates.append(real(self, *given, **named))
        return updates[-1]

    monkeypatch.setattr(NightSoFar, "grade", noted)
    rest = [evening.bring(name) for name in evening.subs[5:]]
    evening.watch(copy_record(evening, 1.0), evening.bring(*evening.subs[:5]), *rest)
    whole = [update.whole for update in updates if update.graded is not None]
    assert whole == [True] + [False, True] * len(rest)
    first = {update.fresh[0].name: update for update in updates if not update.whole}
    assert [*first] == evening.subs[5:]
    last = {frame.name: frame for frame in updates[-1].graded.frames}
    for name, update in first.items():
        quick = update.fresh[0]
        assert quick.judgement.verdict == last[name].judgement.verdict
        assert quick.compared.transparency == pytest.approx(
            last[name].compared.transparency, rel=0.03
        )
        assert quick.guiding.samples == last[name].guiding.samples
    evening.check()


def test_the_record_alone_is_taken_in_when_no_sub_comes(evening):
    evening.watch(
        evening.bring(*evening.subs),
        copy_record(evening, 1.0),
        *[None] * int(RECORD_S / STEP_S),
    )
    evening.check()


def test_replaced_removed_unreadable_and_calibration_frames(evening):
    a, b, c, d, e, f, *rest = evening.subs

    def replaced() -> None:
        shutil.copy(evening.rendered / f, evening.root / "new.fits")
        os.replace(evening.root / "new.fits", evening.lights / b)

    def dark() -> None:
        header = fits.Header({"IMAGETYP": "Dark Frame", "EXPTIME": 60.0})
        noise = np.random.default_rng(1).normal(500, 9, (220, 300)).astype(np.uint16)
        fits.PrimaryHDU(noise, header).writeto(evening.lights / "dark_001.fits")

    def cut_short() -> None:
        whole = (evening.rendered / e).read_bytes()
        (evening.lights / "broken.fits").write_bytes(whole[: len(whole) // 2])

    evening.watch(
        copy_record(evening, 1.0),
        evening.bring(a, b, c, d),
        evening.bring(e),
        replaced,
        dark,
        cut_short,
        *[None] * int(STUCK_S / STEP_S),
        lambda: (evening.lights / c).unlink(),
        evening.bring(*rest),
    )
    assert any("broken.fits has stopped growing at" in note for note in evening.notes)
    assert any("is gone" in line for line in evening.shown)
    evening.check()


def test_a_watch_that_is_started_again_goes_on(evening):
    half = len(evening.subs) // 2
    evening.watch(copy_record(evening, 1.0), evening.bring(*evening.subs[:half]))
    measured = {p.name: p.stat().st_mtime_ns for p in (evening.out / "measured").glob("*.kept")}
    assert len(measured) == half
    evening.watch(evening.bring(*evening.subs[half:]))
    for name, written in measured.items():  # nothing is measured twice
        assert (evening.out / "measured" / name).stat().st_mtime_ns == written
    evening.check()


def test_culled_and_restored_in_between(evening):
    away = evening.root / "away"
    evening.watch(
        copy_record(evening, 1.0),
        evening.bring(*evening.subs[:7]),
        lambda: cull(evening.out, away) and None,
        evening.bring(*evening.subs[7:]),
    )
    summary = (evening.out / "summary.csv").read_text()
    once = evening.root / "once_culled"
    shutil.copytree(evening.out, once)
    grade(evening.settings)
    assert (evening.out / "summary.csv").read_text() == summary
    restore(evening.out)


def test_a_folder_that_goes_away_loses_nothing(evening):
    gone = evening.root / "unmounted"
    evening.watch(
        copy_record(evening, 1.0),
        evening.bring(*evening.subs[:5]),
        lambda: evening.lights.rename(gone),
        None,
        lambda: gone.rename(evening.lights),
        evening.bring(*evening.subs[5:]),
    )
    assert any("waiting for it to come back" in note for note in evening.notes)
    assert any("there again" in note for note in evening.notes)
    assert not any("is gone" in line for line in evening.shown)
    evening.check()


def test_a_folder_that_goes_away_while_it_is_graded_costs_no_verdict(evening, monkeypatch):
    from subgrade.measuring import MeasureFile

    gone, whole, left = evening.root / "unmounted", MeasureFile.__call__, []

    def unmounted(self, path):
        if path.name == evening.subs[5] and not left:
            left.append(path)
            evening.lights.rename(gone)
        return whole(self, path)

    monkeypatch.setattr(MeasureFile, "__call__", unmounted)
    evening.watch(
        copy_record(evening, 1.0),
        evening.bring(*evening.subs[:5]),
        evening.bring(*evening.subs[5:]),
        None,
        lambda: gone.rename(evening.lights),
        None,
        conditions=("1 unreadable",),
    )
    assert left
    assert any("waiting for it to come back" in note for note in evening.notes)
    assert not any("UNREADABLE" in line or "is gone" in line for line in evening.shown)
    assert not evening.alarms
    evening.check()


def test_a_folder_that_nobody_may_search_keeps_no_sub_waiting(evening, monkeypatch):
    whole, shut = os.scandir, evening.lights / "shut"

    def scandir(path="."):
        if os.fspath(path) == str(shut):
            raise PermissionError(13, "Permission denied")
        return whole(path)

    monkeypatch.setattr(os, "scandir", scandir)
    evening.watch(
        copy_record(evening, 1.0),
        evening.bring(*evening.subs[:5]),
        shut.mkdir,
        evening.bring(*evening.subs[5:]),
    )
    evening.check()
    assert len([line for line in evening.shown if "light_00" in line]) >= FRAMES


def test_a_sub_that_is_written_again_is_not_gone(evening):
    first = evening.lights / evening.subs[1]

    def half() -> None:
        first.write_bytes((evening.rendered / evening.subs[1]).read_bytes()[:50000])

    evening.watch(
        copy_record(evening, 1.0),
        evening.bring(*evening.subs[:5]),
        half,
        evening.bring(evening.subs[5]),
        evening.bring(*evening.subs),
    )
    assert any(f"{evening.subs[1]} is being written again" in line for line in evening.shown)
    assert not any("is gone" in line for line in evening.shown)
    evening.check()


def test_flats_do_not_end_the_silence(evening):
    def flat(name: str) -> Callable[[], None]:
        header = fits.Header({"IMAGETYP": "Flat Field", "EXPTIME": 2.0})
        noise = np.random.default_rng(1).normal(20000, 90, (220, 300)).astype(np.uint16)
        return lambda: fits.PrimaryHDU(noise, header).writeto(evening.lights / name)

    evening.watch(
        evening.bring(*evening.subs[:4]),
        *[flat(f"flat_{k}.fits") for k in range(10)],
        conditions=("no sub for 1 min",),
    )
    assert [facts.condition for facts in evening.alarms] == ["no sub for 1 min"]


def test_results_that_cannot_be_written_are_written_later(evening, monkeypatch):
    whole, full = results_write.room_for, []

    def room_for(folder, wanted):
        if full:
            raise NotWritten(f"{folder}: its disk has 0.0 MB free")
        whole(folder, wanted)

    monkeypatch.setattr(results_write, "room_for", room_for)
    before: list[bytes] = []
    evening.watch(
        copy_record(evening, 1.0),
        evening.bring(*evening.subs[:5]),
        lambda: before.append((evening.out / "summary.csv").read_bytes()) or full.append(1),
        evening.bring(*evening.subs[5:]),
        lambda: before.append((evening.out / "summary.csv").read_bytes()) or full.clear(),
        *[None] * 5,
        conditions=("1 rejects in 9",),
    )
    assert before[0] == before[1]  # what stood there stays whole
    assert any("0.0 MB free" in note for note in evening.notes)
    assert any("written again" in note for note in evening.notes)
    assert len([line for line in evening.shown if "light_00" in line]) >= FRAMES
    assert evening.alarms
    evening.check()


def test_a_reader_that_fails_never_ends_the_watch(evening, monkeypatch):
    import subgrade.record as record

    def broken(*_, **__):
        raise RuntimeError("half a line")

    whole = record.read_guide
    evening.watch(
        copy_record(evening, 0.5),
        lambda: monkeypatch.setattr(record, "read_guide", broken),
        evening.bring(*evening.subs[:5]),
        lambda: monkeypatch.setattr(record, "read_guide", whole),
        evening.bring(*evening.subs[5:]),
        copy_record(evening, 1.0),
    )
    evening.check()


def test_a_cull_at_work_is_waited_for(evening):
    held = locked(evening.out)
    evening.watch(
        copy_record(evening, 1.0),
        evening.bring(*evening.subs[:5]),
        lambda: held.__enter__(),
        evening.bring(*evening.subs[5:]),
        lambda: held.__exit__(None, None, None),
        None,
    )
    assert any("cull or restore is at work" in note for note in evening.notes)
    evening.check()


def test_nothing_to_grade_is_said_and_no_error(evening):
    night = evening.watch(lambda: (evening.lights / "notes.txt").write_text("clear") and None, None)
    assert night.graded is None
    assert not (evening.out / "summary.csv").exists()


def test_silence_wakes_and_subs_end_it(evening):
    evening.watch(
        copy_record(evening, 0.5),
        evening.bring(*evening.subs[:4]),
        *[None] * 20,
        evening.bring(*evening.subs[4:]),
        conditions=("no sub for 2 min", "no guiding for 3 min"),
    )
    assert [facts.condition for facts in evening.alarms] == [
        "no sub for 2 min",
        "no guiding for 3 min",
    ]
    assert "no sub for 2 min" in evening.alarms[0].sentence


def test_the_end_of_the_time_asked_for_ends_it(evening):
    bring = evening.bring(*evening.subs[:4])
    evening.watch(bring, *[None] * 1000, stop_after_s=100.0)
    assert evening.now < 1000 + 100 + 3 * STEP_S
    assert len((evening.out / "summary.csv").read_text().splitlines()) == 5


def test_two_watches_on_one_results_folder_are_refused(evening):
    evening.out.mkdir()
    again = locked(evening.out, "watch.lock", "watch")
    with locked(evening.out, "watch.lock", "watch"), pytest.raises(ResultsError, match="watch"):
        again.__enter__()
