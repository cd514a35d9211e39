"""A cull after a cull: of links, of frames brought back by hand, with places that went."""

from __future__ import annotations

import shutil

import pytest

from subgrade.errors import NotMoved
from subgrade.moving import Away, cull, restore, where_culled, would_cull
from tests.cli_frames import run
from tests.culled_nights import (
    KEEPS,
    REJECTS,
    culled_folder,  # noqa: F401
    frames_in,
    graded_night,  # noqa: F401
    lights_folder,  # noqa: F401
    record_session,
    tree,
)


def test_restore_says_of_links_that_nothing_was_moved(graded, lights, culled, capfd):
    before = tree(lights)
    cull(graded, culled, link=True)
    code, out, err = run(capfd, "restore", graded)
    assert (code, err) == (0, "")
    assert out == "Removed 3 links; the subs were never moved.\n"
    assert tree(lights) == before
    assert not culled.exists()


@pytest.mark.parametrize("place", ["culled", "other"])
def test_a_move_after_links_removes_them_first(graded, lights, culled, capfd, place):
    before, to = tree(lights), culled.parent / place
    cull(graded, culled, link=True)
    assert len(would_cull(graded)) == 3
    code, out, err = run(capfd, "cull", graded, "--to", to)
    assert (code, err) == (0, "")
    first, second, *_ = out.splitlines()
    assert first == "Removed 3 links that an earlier cull made."
    assert second == f"Moved 3 rejects (6 min) to {to}"
    assert frames_in(to) == {n: before[n] for n in REJECTS}
    assert place == "culled" or not culled.exists()
    assert len(restore(graded).moved) == 3
    assert tree(lights) == before
    assert not to.exists()


def test_links_stay_where_the_move_after_them_is_refused(graded, lights, culled):
    cull(graded, culled, link=True)
    linked = tree(culled)
    (lights / REJECTS[0]).write_bytes(b"changed")
    with pytest.raises(NotMoved):
        cull(graded, culled.parent / "other")
    assert tree(culled) == linked


def test_links_that_somebody_removed_are_made_anew(graded, culled):
    cull(graded, culled, link=True)
    shutil.rmtree(culled)
    assert len(cull(graded, culled, link=True).moved) == 3
    assert restore(graded).unlinked == 3
    assert not culled.exists()


def test_a_file_in_a_links_place_is_left_alone_by_a_move(graded, lights, culled, capfd):
    before = tree(lights)
    cull(graded, culled, link=True)
    own = culled / REJECTS[0]
    own.unlink()
    own.write_bytes(b"the user's own")
    code, _, err = run(capfd, "cull", graded, "--to", culled)
    assert code == 2
    assert f"{own}: is there already; name another folder with --to" in err
    assert len(cull(graded, culled.parent / "other").moved) == 3
    assert restore(graded).problems == ()
    assert tree(lights) == before
    assert own.read_bytes() == b"the user's own"


def test_after_a_cull_and_a_new_grade_it_is_said_where_they_are(graded, lights, culled, capfd):
    before = tree(lights)
    cull(graded, culled)
    record_session(lights, graded, dict.fromkeys(KEEPS, "keep"))
    where = f"Nothing to do.\nAn earlier cull moved 3 frames to {culled}\n"
    where += f"To bring them back: subgrade restore {graded}\n"
    assert run(capfd, "cull", graded, "--to", culled) == (0, where, "")
    assert run(capfd, "cull", graded, "--list") == (0, "", where)
    assert run(capfd, "cull", graded, "--list", "--quiet") == (0, "", "")
    assert where_culled(graded) == (Away(str(culled), "move", 3),)
    restore(graded)
    assert tree(lights) == before
    assert where_culled(graded) == ()


def test_frames_brought_back_by_hand_can_be_culled_again(graded, lights, culled):
    before = tree(lights)
    cull(graded, culled)
    for name in REJECTS:
        (culled / name).rename(lights / name)
    assert len(cull(graded, culled.parent / "other").moved) == 3
    assert len(restore(graded).moved) == 3
    assert tree(lights) == before


def test_a_culled_frame_that_was_copied_back_is_not_moved_again(graded, lights, culled, capfd):
    cull(graded, culled)
    name = REJECTS[0]
    shutil.copy2(culled / name, lights / name)
    code, _, err = run(capfd, "cull", graded, "--to", culled.parent / "other")
    assert code == 2
    assert f"is at {culled / name} too, where a cull moved it; run restore first" in err


def test_a_new_frame_under_a_culled_frames_name_is_one_more(graded, lights, culled):
    """A camera that begins to count anew; both come back but cannot have one place."""
    name = REJECTS[0]
    first = (lights / name).read_bytes()
    cull(graded, culled)
    (lights / name).write_bytes(b"a new frame of this name" * 100)
    record_session(lights, graded, {name: "reject"} | dict.fromkeys(KEEPS, "keep"))
    with pytest.raises(NotMoved, match="is there already"):
        cull(graded, culled)
    assert len(cull(graded, culled.parent / "other").moved) == 1
    outcome = restore(graded)
    assert len(outcome.moved) == 3
    ((path, cause),) = outcome.problems
    assert path == str(culled / name)
    assert "is taken by another file; move that, then restore again" in cause
    assert (culled / name).read_bytes() == first
    assert (lights / name).read_bytes().startswith(b"a new frame")


def test_a_cull_folder_that_is_gone_is_said_to_be(graded, culled, capfd):
    cull(graded, culled)
    culled.rename(culled.parent / "renamed")
    _, out, _ = run(capfd, "cull", graded, "--to", culled)
    assert f"An earlier cull moved 3 frames to {culled}, which is not there now\n" in out
    code, _, err = run(capfd, "restore", graded)
    assert (code, err.count("is not there; was it moved or removed, or is its disk ")) == (3, 3)


def test_lights_that_went_elsewhere_are_asked_after(graded, lights, culled, capfd):
    cull(graded, culled)
    lights.rename(lights.parent / "renamed")
    code, out, _ = run(capfd, "restore", graded)
    assert code == 0
    assert out.endswith(f"\n{lights} was gone and is made again; were the lights moved?\n")


def test_results_that_nothing_was_culled_with(graded, capfd):
    code, out, _ = run(capfd, "restore", graded)
    assert code == 0
    assert out == "Nothing to restore: nothing was culled with these results.\n"
