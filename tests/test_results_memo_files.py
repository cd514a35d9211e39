"""What stages made is kept, used where nothing it rests on has changed, and changes no result."""

from __future__ import annotations

import importlib
import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from subgrade.errors import NotWritten
from subgrade.memo import keeping, kept, key_of
from subgrade.night.model import Registration
from subgrade.optional_parts import noting, part
from subgrade.pipeline import Progress, Settings, grade
from subgrade.practice import scenario_file as nights
from subgrade.practice.night import simulate_night
from subgrade.results import memo_files
from subgrade.results.memo_files import ENDING, KeptOutcomes

pytestmark = pytest.mark.slow

FRAMES = 9
STRICT = "[roundness]\nfloor = 0.3\nremark = 0.2\n"


@pytest.fixture(scope="module")
def graded_once(tmp_path_factory):
    """A practice night with a guiding record, graded with and without it, and a place for it."""
    root = tmp_path_factory.mktemp("night")
    scenario = nights.adapt(nights.default_scenario(), 3, FRAMES, 300, 220, None, None)
    simulate_night(root / "lights", scenario)
    (root / "strict.toml").write_text(STRICT)
    for guide in (True, False):
        grade(asked(root, guide))
    return root, shutil.copytree(root, tmp_path_factory.mktemp("kept") / "n")


@pytest.fixture
def night(graded_once):
    """The night, its results and all that was kept, to be changed at will: set back each time."""
    place, whole = graded_once
    shutil.rmtree(place)
    return Path(shutil.copytree(whole, place))


def asked(root: Path, guide: bool = True, **options) -> Settings:
    record = (str(root / "lights" / "guiding.csv"),) if guide else ()
    return Settings(
        (str(root / "lights"),),
        str(root / "graded"),
        guide=record,
        workers=1,
        **({"report": False} | options),
    )


def content(root: Path) -> dict[str, bytes]:
    """All files of the results, the moment of writing left out."""
    found = {}
    for path in sorted((root / "graded").iterdir()):
        if path.is_file():
            data = re.sub(rb'"written_utc":\s*"[^"]*"', b"", path.read_bytes())
            found[path.name] = data
    return found


def forget(root: Path) -> None:
    for path in (root / "graded" / "measured").glob(f"*{ENDING}"):
        path.unlink()


class Heard(Progress):
    def __init__(self):
        self.said, self.warned = [], []

    def say(self, text):
        self.said.append(text)

    def warn(self, text):
        self.warned.append(text)


def boom(*arguments, **options):
    raise ZeroDivisionError("made anew")


DEAR = (
    "subgrade.night.compare_night",
    "subgrade.guiding.guide_night",
    "subgrade.record.read_guide",
    "subgrade.judging.damaged_frames",
    "subgrade.stars.motion.kinds.solve_motions",
    "subgrade.stars.motion.second_images._second_image",
)
"""What is made once; the first alone tells whether the night was compared anew."""


def forbid(patch, places=DEAR):
    for place in places:
        module, name = place.rsplit(".", 1)
        patch.setattr(importlib.import_module(module), name, boom, raising=False)


def add(root):
    one = sorted((root / "lights").glob("*.fits"))[2]
    shutil.copy(one, root / "lights" / "one_more.fits")


def remove(root):
    sorted((root / "lights").glob("*.fits"))[4].unlink()


def change_header(root):
    one = sorted((root / "lights").glob("*.fits"))[1]
    fits.setval(one, "FILTER", value="Ha")


CHANGES = {
    "nothing": lambda root: None,
    "frame added": add,
    "frame removed": remove,
    "header changed": change_header,
}


@pytest.mark.parametrize(
    ("guide", "limits"), [(True, "strict.toml"), (False, None)], ids=["guided", "unguided"]
)
@pytest.mark.parametrize("change", CHANGES)
def test_results_are_the_same_with_and_without_what_was_kept(night, change, limits, guide):
    CHANGES[change](night)
    settings = asked(night, guide, limits=limits and str(night / limits), report=guide)
    grade(settings)
    with_kept = content(night)
    forget(night)
    grade(settings)
    assert content(night) == with_kept
    assert {"summary.csv", "session.json"} <= with_kept.keys()


@pytest.mark.parametrize("limits", [None, "strict.toml"])
def test_nothing_dear_is_made_twice(night, monkeypatch, limits):
    settings = asked(night, limits=limits and str(night / limits))
    if limits:
        with monkeypatch.context() as patch:
            forbid(patch, DEAR[:4])  # other limits may find other frames oval
            assert grade(settings).problems == ()
    with monkeypatch.context() as patch:
        forbid(patch)
        assert grade(settings).problems == ()


@pytest.mark.parametrize("change", [c for c in CHANGES if c != "nothing"])
def test_a_changed_night_is_compared_anew(night, monkeypatch, change):
    CHANGES[change](night)
    with monkeypatch.context() as patch:
        forbid(patch, DEAR[:1])
        names = [problem.file for problem in grade(asked(night)).problems]
    assert "the comparison of the frames" in names


def test_taking_a_frame_out_again_costs_nothing(night, monkeypatch):
    add(night)
    grade(asked(night))
    (night / "lights" / "one_more.fits").unlink()
    with monkeypatch.context() as patch:
        forbid(patch)
        assert grade(asked(night)).problems == ()


def test_remeasure_makes_everything_anew(night, monkeypatch):
    with monkeypatch.context() as patch:
        forbid(patch, DEAR[:1])
        assert grade(asked(night, remeasure=True)).problems


def test_a_dry_run_uses_what_is_kept_and_writes_nothing(night, monkeypatch):
    before = {p: p.stat().st_mtime_ns for p in night.rglob("*")}
    with monkeypatch.context() as patch:
        forbid(patch)
        grade(asked(night, dry_run=True))
    add(night)
    before |= {p: p.stat().st_mtime_ns for p in [night / "lights" / "one_more.fits"]}
    before[night / "lights"] = (night / "lights").stat().st_mtime_ns
    grade(asked(night, dry_run=True))
    assert {p: p.stat().st_mtime_ns for p in night.rglob("*")} == before


@pytest.mark.parametrize("damage", ["cut", "flip", "empty", "other kind"])
def test_what_is_damaged_is_made_anew_and_said_once(night, damage):
    before = content(night)
    path = night / "graded" / "measured" / f"night{ENDING}"
    data = bytearray(path.read_bytes())
    if damage == "cut":
        del data[len(data) // 2 :]
    elif damage == "flip":
        data[len(data) // 2] ^= 0xFF
    elif damage == "empty":
        data = b""
    else:
        data = path.with_name(f"guiding{ENDING}").read_bytes()
    path.write_bytes(data)
    heard = Heard()
    grade(asked(night, guide=False), heard)
    assert content(night) == before
    assert [t for t in heard.said if "kept outcomes" in t] == [
        "the kept outcomes (night) were damaged and are made anew"
    ]
    heard = Heard()
    grade(asked(night, guide=False), heard)
    assert not [t for t in heard.said if "kept outcomes" in t]


def test_what_another_version_kept_is_made_anew(night, monkeypatch):
    before, heard = content(night), Heard()
    with monkeypatch.context() as patch:
        patch.setattr(memo_files, "program_identity", lambda: "another")
        grade(asked(night, guide=False), heard)
        forbid(patch, DEAR[:1])
        assert not grade(asked(night, guide=False)).problems, "its own it uses"
    assert content(night) == before
    assert sum("of another version and is made anew" in t for t in heard.said) == 1


def test_a_disk_too_full_to_keep_is_a_warning_and_no_lost_night(night, monkeypatch):
    add(night)

    def full(path, data):
        raise NotWritten(f"{path}: cannot be written: No space left on device")

    heard = Heard()
    with monkeypatch.context() as patch:
        patch.setattr(memo_files, "write_whole", full)
        assert len(grade(asked(night), heard).frames) == FRAMES + 1
    (line,) = [t for t in heard.warned if "not kept for another run" in t]
    assert "No space left on device" in line
    session = json.loads((night / "graded" / "session.json").read_text())
    assert len(session["frames"]) == FRAMES + 1


def test_a_program_with_other_code_is_another_one(tmp_path, monkeypatch):
    memo_files.program_identity.cache_clear()
    before = memo_files.program_identity()
    copy = tmp_path / "subgrade"
    shutil.copytree(Path(memo_files.subgrade.__file__).parent, copy)
    monkeypatch.setattr(memo_files.subgrade, "__file__", str(copy / "__init__.py"))
    memo_files.program_identity.cache_clear()
    assert memo_files.program_identity() == before
    with open(copy / "night" / "register.py", "a") as stream:
        stream.write("# another line\n")
    memo_files.program_identity.cache_clear()
    assert memo_files.program_identity() != before
    monkeypatch.undo()
    memo_files.program_identity.cache_clear()


def test_what_failed_in_part_is_not_kept(tmp_path):
    def make():
        with part("a piece"):
            raise ValueError("no luck")
        return 1.0

    for _ in range(2):
        keeper = KeptOutcomes(tmp_path)
        with noting() as failed, keeping(keeper):
            assert [kept("thing", ("a",), make) for _ in range(2)] == [1.0, 1.0]
            assert failed.left_out == {"a piece": "ValueError: no luck"}
        keeper.write()
        assert not list(tmp_path.iterdir())


def test_unused_outcomes_go_once_they_outnumber_the_used(tmp_path):
    for night in range(6):
        keeper = KeptOutcomes(tmp_path)
        with keeping(keeper):
            for k in range(3):
                kept("thing", (night, k), lambda: (1.5, None, np.arange(3)))
        keeper.write()
    keeper, made = KeptOutcomes(tmp_path), []
    with keeping(keeper):
        for night in range(6):
            for k in range(3):
                kept("thing", (night, k), lambda night=night: made.append(night))
    assert sorted({*range(6)} - {*made}) == [4, 5]


def test_keys_differ_wherever_values_do():
    values = [
        None,
        True,
        1,
        1.0,
        "1",
        (1,),
        ((1,),),
        (1, 1),
        (),
        "",
        np.ones(2),
        np.ones((2, 1)),
        np.ones(2, np.float32),
        float("nan"),
        Registration(1),
        Registration(1, 0.0),
    ]
    assert len({key_of((v,)) for v in values}) == len(values)
    assert key_of(("ab", "c")) != key_of(("a", "bc"))
    assert key_of((np.float64(0.1),)) == key_of((0.1,))
    with pytest.raises(TypeError, match="set has no key"):
        key_of(({1},))
