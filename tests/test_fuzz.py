"""Some of the cases of ``tests/benchmarks/fuzz.py``, and that the bench finds what it looks for."""

from __future__ import annotations

import multiprocessing
import os
import time

import numpy as np
import pytest

from subgrade.lights import fits_files
from tests.benchmarks import fuzz
from tests.fuzzing import cases, pool, sources
from tests.fuzzing.cases import Outcome

CASES = 300
pytestmark = pytest.mark.skipif(
    "fork" not in multiprocessing.get_all_start_methods(), reason="children need fork"
)


@pytest.mark.parametrize("source", sources.sources(), ids=lambda s: s.name)
def test_sound_files_are_read_clean(source):
    outcome = cases.outcome_of(cases.sound(source))
    assert outcome == Outcome("clean")


@pytest.mark.slow
def test_damaged_files_neither_break_a_run_nor_give_wrong_numbers():
    found = fuzz.run(fuzz.SEED, range(CASES), min(os.cpu_count() or 1, 2))
    assert len(found) == CASES
    bad = {
        number: (case.source.name, case.mutations, outcome)
        for number, (case, outcome, _) in found.items()
        if outcome.kind in fuzz.FINDINGS
    }
    assert bad == {}
    kinds = {outcome.kind for _, outcome, _ in found.values()}
    assert kinds == {"clean", "refused"}


def test_a_case_is_the_same_again():
    one, other = cases.case(1, 77), cases.case(1, 77)
    assert one == other
    assert cases.case(2, 77) != one


def watched(give, numbers=(0, 1, 2), slowest_s=1.0):
    return {n: o for n, o, _ in pool.outcomes(numbers, give, 2, slowest_s)}


def test_a_child_that_hangs_or_dies_is_one_finding_and_the_others_go_on():
    def give(number: int) -> Outcome:
        if number == 1:
            time.sleep(60)
        if number == 2:
            os.kill(os.getpid(), 11)
        return Outcome("clean")

    found = watched(give, range(6))
    assert found.pop(1).kind == "hang"
    assert found.pop(2) == Outcome("crash", "the process ended with -11")
    assert found == {n: Outcome("clean") for n in (0, 3, 4, 5)}


@pytest.mark.skipif(not os.path.exists("/proc/self/statm"), reason="needs the process's size")
def test_memory_is_bounded():
    def give(number: int) -> Outcome:
        try:
            np.ones(number, np.uint8)
        except MemoryError:
            return Outcome("memory")
        return Outcome("clean")

    found = watched(give, (1_000_000, 2_000_000_000), 20.0)
    assert {n: o.kind for n, o in found.items()} == {1_000_000: "clean", 2_000_000_000: "memory"}


def fits_case(content: bytes, same: bool = False) -> cases.Case:
    source = next(s for s in sources.sources() if s.name == "uint16")
    return cases.Case(0, source, content, ("by hand",), same)


def test_wrong_pixels_are_found(monkeypatch):
    source = fits_case(b"").source
    half = fits_case(source.content[: 2880 * 6])  # astropy refuses a file cut short
    assert cases.outcome_of(half).kind == "refused"
    monkeypatch.setattr(fits_files, "_data", lambda *given: np.full(given[3], 7, np.uint8))
    assert cases.outcome_of(half).kind == "wrong"
    assert cases.outcome_of(fits_case(source.content, same=True)).kind == "wrong"


def test_a_crash_is_found(monkeypatch):
    import subgrade.stars

    def fail(*_):
        raise ValueError("cannot convert float NaN to integer")

    monkeypatch.setattr(subgrade.stars, "measure_stars", fail)
    outcome = cases.outcome_of(fits_case(fits_case(b"").source.content))
    assert outcome.kind == "crash"
    assert "NaN to integer" in outcome.detail


def test_a_wrong_kept_measurement_is_found(monkeypatch):
    from dataclasses import replace

    from subgrade.results.measurement_cache import MeasurementCache

    facts, stars = sources.measured_field()
    wrong = replace(stars, fwhm_px=stars.fwhm_px * 1.01)
    monkeypatch.setattr(MeasurementCache, "load", lambda *_: (facts, wrong))
    source = next(s for s in sources.sources() if s.family == "cache")
    one = cases.Case(0, source, source.content, (), False)
    assert cases.outcome_of(one).kind == "wrong"
