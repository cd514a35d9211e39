"""Trouble in moving and bringing back: taken places, bad disks, odd names, torn journals."""

from __future__ import annotations

import errno
import json
import os
import shutil
import sys
from pathlib import Path

import pytest

from subgrade.errors import NotMoved, ResultsError
from subgrade.lights import CULLED_MARKER
from subgrade.moving import cull, cull_plan, disk, restore, would_cull
from subgrade.moving.journal import Journal
from subgrade.results.files import line_path
from tests.cli_frames import run
from tests.culled_nights import (
    REJECTS,
    culled_folder,  # noqa: F401
    frames_in,
    graded_night,  # noqa: F401
    lights_folder,  # noqa: F401
    other_disk,
    tree,
    write_results,
)


def test_a_place_taken_meanwhile_is_kept_and_the_others_come_back(graded, lights, culled, capfd):
    before = tree(lights)
    cull(graded, culled)
    (lights / REJECTS[0]).write_bytes(b"a new frame")
    code, out, err = run(capfd, "restore", graded)
    assert code == 3
    assert f"{culled / REJECTS[0]}: {lights / REJECTS[0]} is taken by another file" in err
    assert "Brought back 2 frames" in out
    assert (lights / REJECTS[0]).read_bytes() == b"a new frame"
    assert (culled / REJECTS[0]).read_bytes() == before[REJECTS[0]][0]
    (lights / REJECTS[0]).unlink()
    assert run(capfd, "restore", graded)[0] == 0
    assert tree(lights) == before


def test_a_frame_brought_back_by_hand_is_not_doubled_or_lost(graded, lights, culled):
    before = tree(lights)
    cull(graded, culled)
    copied, renamed, tied = REJECTS
    (lights / copied).write_bytes((culled / copied).read_bytes())
    (culled / renamed).rename(lights / renamed)
    os.link(culled / tied, lights / tied)
    assert restore(graded).problems == ()
    assert {n: t[0] for n, t in tree(lights).items()} == {n: t[0] for n, t in before.items()}
    assert not culled.exists()


def test_links_set_in_a_frames_place_never_cost_the_frame(graded, lights, culled):
    """A link back to the culled frame has the same bytes, but is no second copy."""
    before = tree(lights)
    cull(graded, culled)
    (lights / REJECTS[0]).symlink_to(culled / REJECTS[0])
    outcome = restore(graded)
    assert len(outcome.problems) == 1
    assert (culled / REJECTS[0]).read_bytes() == before[REJECTS[0]][0]
    assert (lights / REJECTS[0]).is_symlink()


def test_the_same_folder_under_two_names_never_costs_a_frame(graded, lights, culled):
    before = tree(lights)
    cull(graded, culled)
    for name in REJECTS:
        (culled / name).rename(lights / name)
    (culled / CULLED_MARKER).unlink()
    (culled / "sub dir").rmdir()
    culled.rmdir()
    culled.symlink_to(lights)
    restore(graded)
    assert tree(lights) == before


def test_a_culled_frame_that_changed_or_went_is_left_and_named(graded, lights, culled, capfd):
    cull(graded, culled)
    (culled / REJECTS[0]).write_bytes(b"edited")
    (culled / REJECTS[1]).rename(culled / "hidden away")
    code, _, err = run(capfd, "restore", graded)
    assert code == 3
    assert "was changed since it was moved there; move it back yourself" in err
    assert "is not there; was it moved or removed, or is its disk not attached?" in err
    assert (culled / REJECTS[0]).read_bytes() == b"edited"
    assert (culled / "hidden away").exists()
    assert (lights / REJECTS[2]).exists()


def test_a_full_disk_loses_nothing(graded, lights, culled, monkeypatch, capfd):
    before = tree(lights)
    across, write = other_disk(lights), os.write

    def full(handle, data):
        if len(data) > 2000:
            write(handle, data[:100])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(handle, data)

    monkeypatch.setattr(disk, "exclusive_rename", across)
    monkeypatch.setattr(os, "link", across)
    monkeypatch.setattr(os, "write", full)
    code, _, err = run(capfd, "cull", graded, "--to", culled)
    assert code == 3
    assert "No space left on device" in err
    assert tree(lights) == before
    assert frames_in(culled) == {}


def test_too_small_a_disk_is_refused_before_anything_moves(graded, lights, culled, monkeypatch):
    true_stat, before = os.stat, tree(lights)

    def elsewhere(path, *rest, **options):
        state = true_stat(path, *rest, **options)
        if str(path).endswith(".fits"):
            return os.stat_result((*state[:2], state.st_dev + 1, *state[3:10]))
        return state

    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10, 10, 0))
    frames = would_cull(graded)
    monkeypatch.setattr(os, "stat", elsewhere)
    with pytest.raises(NotMoved, match=r"has 0\.0 MB free and 0\.0 MB are needed"):
        cull_plan._enough_space(list(frames), str(culled))
    monkeypatch.undo()
    assert tree(lights) == before


def test_a_bad_copy_is_never_taken_for_the_frame(graded, lights, culled, monkeypatch):
    """A disk that stores other bytes than were written: the original stays."""
    before = tree(lights)
    across, write = other_disk(lights), os.write

    def flips(handle, data):
        if len(data) > 2000:
            data = bytes(data[:1000]) + bytes([data[1000] ^ 1]) + bytes(data[1001:])
        return write(handle, data)

    monkeypatch.setattr(disk, "exclusive_rename", across)
    monkeypatch.setattr(os, "write", flips)
    outcome = cull(graded, culled)
    assert len(outcome.problems) == 3
    assert "read back, is not the same" in outcome.problems[0][1]
    monkeypatch.undo()
    assert tree(lights) == before
    assert restore(graded).problems == ()
    assert tree(lights) == before


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs enforced permissions")
def test_a_folder_that_may_not_be_changed(bound):
    folder, permissions = bound
    graded = write_results(folder)
    lights, culled = graded.parent / "lights", graded.parent / "culled"
    before = tree(lights)
    os.chmod(lights, 0o555)
    try:
        with permissions():
            outcome = cull(graded, culled)
    finally:
        os.chmod(lights, 0o755)
    assert len(outcome.problems) == 2
    assert len(outcome.moved) == 1
    restore(graded)
    assert tree(lights) == before


@pytest.mark.parametrize("disks", ["one disk", "two disks"])
def test_a_frame_that_may_not_be_removed_is_not_doubled(graded, lights, culled, monkeypatch, disks):
    before, unlink = tree(lights), os.unlink
    number = {"one disk": errno.EACCES, "two disks": errno.EXDEV}[disks]

    def refused(origin, place, call=disk.exclusive_rename):
        if Path(origin).is_relative_to(lights):
            raise OSError(number, os.strerror(number))
        return call(origin, place)

    def shut(path):
        if Path(path).is_relative_to(lights):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), path)
        unlink(path)

    monkeypatch.setattr(disk, "exclusive_rename", refused)
    monkeypatch.setattr(os, "unlink", shut)
    outcome = cull(graded, culled)
    denied = "Permission denied; its folder and the other one must be writable"
    assert [cause for _, cause in outcome.problems] == [denied] * 3
    assert tree(lights) == before
    assert frames_in(culled) == {}


def test_read_only_frames_move_and_stay_read_only(graded, lights, culled):
    for name in REJECTS:
        os.chmod(lights / name, 0o444)
    before = tree(lights)
    assert len(cull(graded, culled).moved) == 3
    restore(graded)
    assert tree(lights) == before


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names that they do not allow")
def test_names_that_are_not_utf8(tmp_path, capfd):
    name = os.fsdecode(b"caf\xe9 \x1b[1m.fits")
    graded = write_results(tmp_path, rejects=(name,))
    before = tree(tmp_path / "lights")
    _, out, _ = run(capfd, "cull", graded, "--list")
    assert line_path(out.strip()) == str(tmp_path / "lights" / name)
    assert run(capfd, "cull", graded, "--to", tmp_path / "culled")[0] == 0
    assert (tmp_path / "culled" / name).exists()
    assert run(capfd, "restore", graded)[0] == 0
    assert tree(tmp_path / "lights") == before


def test_a_journal_line_cut_short_counts_as_not_written(graded, lights, culled):
    before = tree(lights)
    cull(graded, culled)
    with (graded / "cull_journal.jsonl").open("ab") as stream:
        stream.write(b'{"step": "begun", "num')
    assert restore(graded).problems == ()
    assert tree(lights) == before
    assert len(cull(graded, culled).moved) == 3
    assert Journal(graded).damaged == ()


def test_a_damaged_journal_stops_a_cull_and_restore_does_what_it_can(graded, lights, culled):
    cull(graded, culled)
    path = graded / "cull_journal.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    at = next(k for k, line in enumerate(lines) if b'"begun"' in line)
    lines[at] = b"\0" * 40 + b"\n"
    path.write_bytes(b"".join(lines))
    with pytest.raises(ResultsError, match=f"line {at + 1}"):
        cull(graded, culled)
    outcome = restore(graded)
    assert len(outcome.moved) == 2
    assert outcome.problems
    assert (culled / REJECTS[0]).exists()


def test_a_journal_that_cannot_be_written_stops_the_rest(graded, lights, culled, monkeypatch):
    before, write = tree(lights), os.write

    def shut(handle, data):
        if b'"begun"' in bytes(data):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return write(handle, data)

    monkeypatch.setattr(os, "write", shut)
    outcome = cull(graded, culled)
    ((path, cause),) = outcome.problems
    assert path == str(lights / REJECTS[0])
    assert cause.startswith(f"stays, as all that follow: {graded / 'cull_journal.jsonl'}: cannot")
    monkeypatch.undo()
    assert tree(lights) == before


def test_every_step_is_written_before_it_is_taken(graded, lights, culled, monkeypatch):
    native, moves = disk.exclusive_rename, []

    def watched(origin, place):
        if Path(origin).is_relative_to(lights):
            moves.append(str(Path(origin).relative_to(lights)))
            last = json.loads((graded / "cull_journal.jsonl").read_bytes().splitlines()[-1])
            assert (last["step"], last["source"], last["target"]) == ("begun", origin, place)
            assert last["sha256"] == disk.digest(origin)
        return native(origin, place)

    monkeypatch.setattr(disk, "exclusive_rename", watched)
    assert len(cull(graded, culled).moved) == 3
    assert sorted(moves) == sorted(REJECTS)


def test_a_disk_with_coarse_times_gives_the_true_one_back(graded, lights, culled, monkeypatch):
    """FAT keeps even seconds, from memory."""
    before, native = tree(lights), disk.exclusive_rename

    def across(origin, place):
        if Path(origin).is_relative_to(lights) != Path(place).is_relative_to(lights):
            raise OSError(errno.EXDEV, "other device")
        return native(origin, place)

    monkeypatch.setattr(disk, "exclusive_rename", across)
    cull(graded, culled)
    for name in REJECTS:
        coarse = (culled / name).stat().st_mtime_ns // 2_000_000_000 * 2_000_000_000
        os.utime(culled / name, ns=(coarse, coarse))
    assert restore(graded).problems == ()
    assert tree(lights) == before
