"""Use one extra where no other is installed: python use_extra.py EXTRA RESULTS.

The packages of the other extras must be absent, so that none is leant on by accident.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from subgrade.installed import extras, versions

MODULES = {"exifread": "exifread", "rawpy": "rawpy", "tifffile": "tifffile"}
"""Packages whose module bears another name are not among the extras so far."""


def camera(results: str) -> None:
    """A TIFF is read."""
    import rawpy
    import tifffile

    from subgrade.lights import read_light

    assert rawpy.libraw_version
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "light_001.tif")
        pixels = np.arange(64 * 48, dtype=np.uint16).reshape(48, 64)
        tifffile.imwrite(path, pixels)
        assert read_light(path).pixels.physical().shape == (48, 64)


def review(results: str) -> None:
    """The server's modules load."""
    from subgrade.cli import cli
    from subgrade.review import server

    assert server.__name__
    assert cli.get_command(None, "review") is not None  # type: ignore[arg-type]


def frames(results: str) -> None:
    """A graded night becomes a data frame."""
    from subgrade.api import open_result

    table = open_result(results).table
    assert len(table) == 34
    assert table["fwhm_px"].mean() > 0


def watch(results: str) -> None:
    """The command loads with what it needs."""
    import watchfiles

    from subgrade.cli import cli

    assert watchfiles.__version__
    assert cli.get_command(None, "watch") is not None  # type: ignore[arg-type]


def cluster(results: str) -> None:
    """A scheduler with one worker, both in this process, has something done."""
    from distributed import Client, LocalCluster

    from subgrade.cluster.engine import check_engine

    check_engine("dask://127.0.0.1:8786")
    with (
        LocalCluster(n_workers=1, processes=False, dashboard_address=":0") as here,
        Client(here) as client,
    ):
        assert client.submit(sum, [1, 2]).result(timeout=60) == 3


USES: dict[str, Callable[[str], None]] = {
    "camera": camera,
    "review": review,
    "frames": frames,
    "watch": watch,
    "cluster": cluster,
}


def main(extra: str, results: str) -> None:
    """Fail where the extra lacks something, or another extra's packages are there too."""
    stated = extras()
    assert set(stated) <= set(USES), f"no use is written for {set(stated) - set(USES)}"
    own = versions(stated[extra])
    assert set(own) == set(stated[extra]), set(stated[extra]) - set(own)
    for other, packages in stated.items():
        # a package may come with another's own dependencies, but not all of them
        if other != extra and not set(packages) <= set(stated[extra]):
            assert not all(find_spec(MODULES.get(name, name)) for name in packages), other
    USES[extra](results)
    print(f"extra [{extra}]: {own}")


if __name__ == "__main__":
    main(*sys.argv[1:])
