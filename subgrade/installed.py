"""What is installed: this package's version, the libraries it rests on, its extras, the machine."""

from __future__ import annotations

import os
import platform
import re
import sys

MEASURING = ("numpy", "scipy", "astropy", "numba")
"""Libraries whose version can change a measured number."""
OTHERS = ("click", "rich", "pillow")
OF_DEVELOPERS = ("test", "docs")
"""Extras that add nothing to what the program does."""


def versions(names: tuple[str, ...] = MEASURING) -> dict[str, str]:
    """Versions of libraries, without those that are not there or do not know their own."""
    from importlib.metadata import PackageNotFoundError, version

    found = {}
    for name in names:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def extras() -> dict[str, tuple[str, ...]]:
    """The packages that each extra asks for, as the installed package states them.

    Empty where it runs from its source without being installed.
    """
    from importlib.metadata import PackageNotFoundError, requires

    try:
        stated = requires("subgrade") or []
    except PackageNotFoundError:
        return {}
    found: dict[str, tuple[str, ...]] = {}
    for line in stated:
        package = re.match(r"[\w.-]+", line)
        extra = re.search(r"""extra *== *["']([\w-]+)""", line)
        if package and extra and extra[1] not in OF_DEVELOPERS:
            found[extra[1]] = (*found.get(extra[1], ()), package[0])
    return found


def cores() -> int:
    """Processor cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def description() -> list[str]:
    """Python, machine, libraries and extras, a line each, as ``subgrade --version`` prints them."""
    count = cores()
    lines = [
        f"Python {platform.python_version()}, {platform.platform()}, "
        f"{count} {'core' if count == 1 else 'cores'}",
        _listed(versions(MEASURING + OTHERS)),
    ]
    for name, packages in sorted(extras().items()):
        there = versions(packages)
        missing = [package for package in packages if package not in there]
        state = f"without {', '.join(missing)}" if missing else _listed(there)
        lines.append(f"extra [{name}]: {state if there or not missing else 'not installed'}")
    return lines


def _listed(found: dict[str, str]) -> str:
    return ", ".join(f"{name} {version}" for name, version in found.items())


def alive(pid: int) -> bool:
    """Whether a process of this machine runs."""
    if sys.platform == "win32":  # there os.kill would disturb it
        import ctypes

        handle = ctypes.windll.kernel32.OpenProcess(0x00100000, False, pid)
        if handle:
            ctypes.windll.kernel32.CloseHandle(handle)
        return bool(handle)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True  # another user's
    return True
