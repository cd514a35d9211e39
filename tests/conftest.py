"""Shared by all tests: one thread, a writable place for compiled code, frames rendered once."""

from __future__ import annotations

import os
import shutil
import tempfile
from contextlib import contextmanager
from pathlib import Path

# Before numba is imported anywhere: a source tree that cannot be written to must not
# make every run compile anew.
os.environ.setdefault("NUMBA_CACHE_DIR", str(Path(tempfile.gettempdir()) / "subgrade_numba"))

import pytest


@pytest.fixture(scope="session")
def measure():
    """`measure_stars` of bare pixels, compiled before the first test that needs it."""
    from subgrade.lights.model import Pixels
    from subgrade.stars import measure_stars, warm_up

    warm_up()

    def measure_array(data, facts=None):
        return measure_stars(Pixels(data, integer=data.dtype.kind == "u"), facts)

    return measure_array


@pytest.fixture(scope="session")
def graded(measure):
    """A function (shape, scene) -> (rendered frame, its measurement), each made once."""
    from subgrade.lights.model import HeaderFacts
    from tests.render import USUAL, render

    made = {}

    def grade(shape, scene=USUAL):
        if (shape, scene) not in made:
            frame = render(shape, scene)
            facts = HeaderFacts(mosaic=frame.mosaic) if frame.mosaic else None
            made[shape, scene] = frame, measure(frame.data, facts)
        return made[shape, scene]

    return grade


@pytest.fixture(scope="module")
def seen(measure):
    """A function from a case of ``tests/benchmarks/skies.py`` to the first two of what `measured`
    gives, each made once."""
    from tests.benchmarks.skies import measured

    made = {}

    def look(name):
        if name not in made:
            made[name] = measured(name)[:2]
        return made[name]

    return look


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    """A headless Chromium for the tests of the page, started by the first that asks for it."""
    from tests.report_chromium import chromium

    with chromium(tmp_path_factory.mktemp("downloads")) as driver:
        yield driver


@pytest.fixture
def bound():
    """A folder, and a context in which its owner is a user whom permissions bind: root is not."""
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    nobody = 65534
    folder = Path(tempfile.mkdtemp(prefix="subgrade_bound_"))

    @contextmanager
    def permissions():
        if not root:
            yield
            return
        for path in (folder, *folder.rglob("*")):
            os.chown(path, nobody, nobody, follow_symlinks=False)
        os.seteuid(nobody)
        try:
            yield
        finally:
            os.seteuid(0)

    yield folder, permissions
    shutil.rmtree(folder)


@pytest.fixture(autouse=True)
def _no_terminal_of_the_runner(monkeypatch):
    """The runner's own window must not decide how the program's output is folded."""
    for name in ("COLUMNS", "LINES", "NO_COLOR", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
