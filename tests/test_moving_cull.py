"""``subgrade cull`` and ``restore``: what moves, what is refused, what is printed."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

from subgrade.errors import NotMoved
from subgrade.lights import CULLED_MARKER, find_lights
from subgrade.moving import Outcome, cull, disk, restore, would_cull
from subgrade.moving.journal import Journal
from subgrade.results.files import line_path
from tests.cli_frames import run, write_light, write_night
from tests.culled_nights import (
    KEEPS,
    REJECTS,
    culled_folder,  # noqa: F401
    frames_in,
    graded_night,  # noqa: F401
    lights_folder,  # noqa: F401
    record_session,
    tree,
    write_results,
)


def test_rejects_move_and_come_back_byte_for_byte(graded, lights, culled, capfd):
    before = tree(lights)
    code, out, err = run(capfd, "cull", graded, "--to", culled)
    assert (code, err) == (0, "")
    back = f"To bring them back: subgrade restore {graded}\n"
    assert out == f"Moved 3 rejects (6 min) to {culled}\n{back}"
    assert frames_in(culled) == {n: before[n] for n in REJECTS}
    assert tree(lights) == {n: before[n] for n in KEEPS}
    code, out, _ = run(capfd, "cull", graded, "--to", culled)
    assert code == 0
    assert out == f"Nothing to do.\nAn earlier cull moved 3 frames to {culled}\n{back}"
    code, out, err = run(capfd, "restore", graded)
    assert (code, out, err) == (0, "Brought back 3 frames (6 min).\n", "")
    assert tree(lights) == before
    assert not culled.exists()
    code, out, _ = run(capfd, "restore", graded)
    assert (code, out) == (0, "Nothing to restore.\n")
    assert len(cull(graded, culled).moved) == 3
    assert len(restore(graded).moved) == 3


def test_a_real_night_graded_culled_graded_again_and_restored(tmp_path, capfd):
    lights, out = write_night(tmp_path / "lights"), tmp_path / "lights" / "graded"
    before = tree(lights)
    grade = ["grade", str(lights), "--out", str(out), "--workers", "1", "--quiet"]
    assert run(capfd, *grade)[0] == 0
    identity = json.loads((out / "session.json").read_text())["frames"][0]["identity"]
    assert identity["size"] == (lights / "light_00.fits").stat().st_size
    rejects = (out / "rejects.txt").read_text().splitlines()[1:]
    assert rejects
    code, printed, _ = run(capfd, "cull", out, "--list")
    assert (code, printed.split()) == (0, [str(lights / name) for name in rejects])
    # a cull folder among the lights is passed over by the next grade
    assert run(capfd, "cull", out, "--to", lights / "culled")[0] == 0
    assert run(capfd, *grade)[0] == 0
    session = json.loads((out / "session.json").read_text())
    assert session["totals"]["frames"] == 8 - len(rejects)
    assert run(capfd, "restore", out)[0] == 0
    assert {n: t for n, t in tree(lights).items() if not n.startswith("graded")} == before


def test_list_changes_nothing(graded, capfd):
    before = tree(graded.parent)
    code, out, _ = run(capfd, "cull", graded, "--list")
    assert code == 0
    listed = [line_path(line) for line in out.splitlines()]
    assert listed == [str(graded.parent / "lights" / name) for name in REJECTS]
    assert run(capfd, "cull", graded, "--list", "--to", graded.parent / "new")[0] == 0
    assert tree(graded.parent) == before
    assert not (graded.parent / "new").exists()


def test_links_move_nothing_and_restore_removes_only_them(graded, lights, culled, capfd):
    before = tree(lights)
    code, out, _ = run(capfd, "cull", graded, "--to", culled, "--link")
    assert code == 0
    gone = f"To remove the links: subgrade restore {graded}\n"
    assert out == f"Made links to 3 rejects (6 min) in {culled}; no sub moved.\n{gone}"
    assert tree(lights) == before
    assert frames_in(culled) == {n: ("link", str(lights / n)) for n in REJECTS}
    code, out, _ = run(capfd, "cull", graded, "--to", culled.parent / "other", "--link")
    assert (code, out) == (0, f"Nothing to do.\nAn earlier cull made 3 links in {culled}\n{gone}")
    first, second, third = (culled / n for n in REJECTS)
    first.unlink()
    second.unlink()
    second.write_bytes(b"the user's own")
    outcome = restore(graded)
    assert [path for path, _ in outcome.problems] == [str(second)]
    assert second.read_bytes() == b"the user's own"
    assert not os.path.lexists(third)
    assert tree(lights) == before
    assert restore(graded) == Outcome()


def test_one_cause_for_many_files_does_not_fill_the_screen(tmp_path, capfd):
    rejects = tuple(f"light_{k:02d}.fits" for k in range(20))
    graded = write_results(tmp_path, rejects=rejects)
    for name in rejects:
        (tmp_path / "lights" / name).unlink()
    code, _, err = run(capfd, "cull", graded, "--to", tmp_path / "culled")
    lines = err.splitlines()
    assert (code, len(lines)) == (2, 7)
    assert lines[5].startswith("subgrade: and 15 more: is gone")


@pytest.mark.parametrize("error", [errno.EPERM, errno.EOPNOTSUPP])
def test_where_no_link_can_be_made_the_cause_is_said(graded, culled, monkeypatch, capfd, error):
    def refuse(*_):
        raise OSError(error, os.strerror(error))

    monkeypatch.setattr(os, "symlink", refuse)
    code, _, err = run(capfd, "cull", graded, "--to", culled, "--link")
    assert code == 3
    assert err.count("no link could be made in this folder") == 3
    assert restore(graded).problems == ()


def test_a_taken_target_stops_everything(graded, lights, culled, capfd):
    before = tree(lights)
    taken = culled / REJECTS[1]
    taken.parent.mkdir(parents=True)
    taken.write_bytes(b"another night's")
    code, out, err = run(capfd, "cull", graded, "--to", culled)
    assert (code, out) == (2, "")
    assert f"{taken}: is there already; name another folder with --to" in err
    assert tree(lights) == before
    assert frames_in(culled) == {
        REJECTS[1]: (b"another night's", *frames_in(culled)[REJECTS[1]][1:])
    }


def test_a_target_taken_at_the_last_moment_is_not_overwritten(graded, culled, monkeypatch):
    late = culled / REJECTS[1]
    begin = Journal.begin

    def quicker(self, kind, frame, *rest):
        if frame.target == str(late):
            late.write_bytes(b"quicker")
        return begin(self, kind, frame, *rest)

    monkeypatch.setattr(Journal, "begin", quicker)
    for missing in ((), ("rename",), ("rename", "link")):
        with monkeypatch.context() as patch:
            lack(patch, *missing)
            outcome = cull(graded, culled)
        assert len(outcome.moved) == 2
        assert "is there already" in outcome.problems[0][1]
        assert late.read_bytes() == b"quicker"
        assert len(restore(graded).moved) == 2
        late.unlink()


def lack(patch, *missing: str) -> None:
    """A file system without the safe rename, or without links too."""

    def cannot(*_):
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))

    if "rename" in missing:
        patch.setattr(disk, "exclusive_rename", cannot)
    if "link" in missing:
        patch.setattr(os, "link", cannot)


CHANGES = {
    "content": (lambda p: change(p, lambda b: b[:50] + b"x" + b[51:]), "was changed since"),
    "content, not its time": (
        lambda p: change(p, lambda b: b[:50] + b"x" + b[51:], keep_time=True),
        "has other content than when it was graded",
    ),
    "size": (lambda p: change(p, lambda b: b + b"more", keep_time=True), "bytes, had"),
    "gone": (Path.unlink, "is gone"),
    "a link": (lambda p: linked(p), "is a link"),
}


def change(path, how, keep_time=False):
    state = path.stat()
    path.write_bytes(how(path.read_bytes()))
    if keep_time:
        os.utime(path, ns=(state.st_mtime_ns, state.st_mtime_ns))


def linked(path):
    path.rename(path.parent.parent / "elsewhere")
    path.symlink_to(path.parent.parent / "elsewhere")


@pytest.mark.parametrize("how", CHANGES)
def test_a_reject_that_is_not_as_graded_stops_everything(graded, lights, culled, capfd, how):
    spoil, words = CHANGES[how]
    spoil(lights / REJECTS[0])
    before = tree(lights)
    for options in (["--to", culled], ["--to", culled, "--link"], ["--list"]):
        code, out, err = run(capfd, "cull", graded, *options)
        assert (code, out) == (2, "")
        assert f"{lights / REJECTS[0]}: " in err
        assert words in err
        assert err.endswith("nothing was moved\n")
    assert tree(lights) == before
    assert not culled.exists()


def test_a_changed_keep_stops_it_and_one_taken_away_does_not(graded, lights, culled):
    state = (lights / KEEPS[0]).stat()
    os.utime(lights / KEEPS[0])
    with pytest.raises(NotMoved, match="was changed since it was graded"):
        cull(graded, culled)
    os.utime(lights / KEEPS[0], ns=(state.st_mtime_ns, state.st_mtime_ns))
    (lights / KEEPS[1]).unlink()
    assert len(cull(graded, culled).moved) == 3


def test_results_that_do_not_say_what_the_files_were_are_refused(graded, culled, capfd):
    session = json.loads((graded / "session.json").read_text())
    for frame in session["frames"]:
        del frame["identity"]
    (graded / "session.json").write_text(json.dumps(session))
    code, _, err = run(capfd, "cull", graded, "--to", culled)
    assert code == 2
    assert "run grade again" in err


@pytest.mark.parametrize("name", ["../light_1.fits", "/etc/light_1.fits", "light_2.fits"])
def test_a_name_that_leads_elsewhere_is_refused(graded, lights, culled, name):
    session = json.loads((graded / "session.json").read_text())
    session["frames"][0]["values"]["frame"] = name
    (graded / "session.json").write_text(json.dumps(session))
    before = tree(graded.parent)
    with pytest.raises(NotMoved, match="does not lie under"):
        cull(graded, culled)
    assert {n: t for n, t in tree(graded.parent).items() if "journal" not in n} == before


def test_folders_that_cannot_take_them(graded, lights, capfd):
    (lights / "keep these").mkdir()
    (lights / "keep these" / "a.fits").write_bytes(b"SIMPLE")
    (lights.parent / "file").write_bytes(b"")
    (lights.parent / "nowhere").symlink_to(lights.parent / "absent")
    for place, words in (
        (lights, "is the folder of the lights themselves"),
        (lights / "keep these", "holds other files"),
        (graded / "culled", "lies in the results folder"),
        (lights.parent / "file", "is a file"),
        (lights.parent / "file" / "below", "cannot be used: Not a directory"),
        (lights.parent / "nowhere", "is a link that leads nowhere"),
    ):
        code, _, err = run(capfd, "cull", graded, "--to", place)
        assert code == 2
        assert words in err
        assert len(err.splitlines()) == 2
    assert len(would_cull(graded)) == 3


def test_a_file_where_a_folder_of_the_lights_would_be_stops_everything(graded, lights, culled):
    culled.mkdir()
    (culled / "sub dir").write_bytes(b"a file")
    before = tree(lights.parent)
    with pytest.raises(NotMoved, match="sub dir: is a file where a folder must be"):
        cull(graded, culled)
    after = {n: t for n, t in tree(lights.parent).items() if not n.startswith("graded")}
    assert after == {n: t for n, t in before.items() if not n.startswith("graded")}


def test_a_folder_with_other_files_outside_the_lights_is_used_and_not_marked(graded, culled):
    culled.mkdir()
    (culled / "other.fits").write_bytes(b"another night's")
    assert len(cull(graded, culled).moved) == 3
    assert not (culled / CULLED_MARKER).exists()
    restore(graded)
    assert list(tree(culled)) == ["other.fits"]


def test_wrong_usage(graded, capfd):
    for options in ([], ["--to", ""], ["--list", "--link"], ["--to", "x", "--no-such"]):
        assert run(capfd, "cull", graded, *options)[0] == 2
    assert run(capfd, "cull", graded.parent / "absent", "--to", "x")[0] == 2
    assert run(capfd, "restore", graded.parent / "absent")[0] == 2


def test_unreadable_files_go_only_where_asked(tmp_path):
    graded = write_results(tmp_path, unreadable=("cut.fits",))
    assert len(would_cull(graded)) == 3
    assert len(cull(graded, tmp_path / "culled", unreadable=True).moved) == 4
    assert (tmp_path / "culled" / "cut.fits").exists()
    assert len(restore(graded).moved) == 4


def test_no_rejects(tmp_path, capfd):
    graded = write_results(tmp_path, rejects=())
    code, out, _ = run(capfd, "cull", graded, "--to", tmp_path / "culled")
    assert (code, out) == (0, "There are no rejects to move.\n")
    assert not (tmp_path / "culled").exists()


def test_two_nights_share_a_cull_folder(tmp_path):
    first, second = (
        write_results(tmp_path / "a"),
        write_results(tmp_path / "b", rejects=("x.fits",)),
    )
    culled = tmp_path / "culled"
    cull(first, culled)
    cull(second, culled)
    restore(first)
    assert list(frames_in(culled)) == ["x.fits"]
    assert (culled / CULLED_MARKER).exists()
    restore(second)
    assert frames_in(culled) == {}


def test_frames_culled_twice_after_new_verdicts_all_come_back(graded, lights, culled):
    before = tree(lights)
    cull(graded, culled)
    record_session(lights, graded, {KEEPS[0]: "reject", KEEPS[1]: "keep"})
    assert len(cull(graded, culled.parent / "second").moved) == 1
    assert len(restore(graded).moved) == 4
    assert tree(lights) == before


def test_grade_passes_over_culled_frames_unless_named(tmp_path):
    write_light(tmp_path / "a.fits", 0)
    write_light(tmp_path / "away" / "b.fits", 1)
    (tmp_path / "away" / CULLED_MARKER).write_text("")
    assert [p.name for p in find_lights(tmp_path).files] == ["a.fits"]
    assert [p.name for p in find_lights(tmp_path / "away").files] == ["b.fits"]
