"""Compiled code is kept on disk where that can be done; a bad disk there costs time only."""

from __future__ import annotations

import importlib.util

import pytest
from numba.core import config

from subgrade.stars import raster
from subgrade.stars.compiled import kernel

resource = pytest.importorskip("resource")
TEXT = """
from subgrade.stars.compiled import kernel

@kernel
def twice(x):
    return 2.0 * x
"""


@pytest.fixture
def loaded(tmp_path, monkeypatch):
    """A function that gives a small kernel as a new process would see it."""
    monkeypatch.setattr(config, "CACHE_DIR", str(tmp_path / "kept"))
    # numba reads its settings again where any of them has changed in the environment
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "kept"))
    path = tmp_path / "small_kernel.py"
    path.write_text(TEXT)

    def load():
        spec = importlib.util.spec_from_file_location("small_kernel", path)
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return module.twice

    return load


def from_disk(twice) -> bool:
    assert twice(4.0) == 8.0
    return bool(twice.stats.cache_hits)


def test_what_was_compiled_is_loaded_by_the_next_run(loaded):
    assert [from_disk(loaded()) for _ in range(2)] == [False, True]


@pytest.mark.parametrize("content", [b"", b"\x80", b"no such thing", bytes(3000)])
@pytest.mark.parametrize("kind", ["nbi", "nbc"])
def test_damaged_code_is_compiled_anew_and_kept(loaded, tmp_path, kind, content):
    """As a power cut leaves it; unpickling raises a different error for each."""
    loaded()(4.0)
    [kept] = (tmp_path / "kept").rglob(f"*.{kind}")
    kept.write_bytes(content)
    assert [from_disk(loaded()) for _ in range(2)] == [False, True]


def test_a_full_disk_only_keeps_nothing(loaded, tmp_path):
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, before[1]))
    try:
        assert not from_disk(loaded())
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert [from_disk(loaded()) for _ in range(2)] == [False, True]


def test_every_kernel_is_made_so():
    made = type(kernel(lambda x: x)._cache)
    kernels = [v for v in vars(raster).values() if hasattr(v, "nopython_signatures")]
    assert kernels
    assert all(type(k._cache) is made for k in kernels)
