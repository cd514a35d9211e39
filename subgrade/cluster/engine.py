"""What ``--engine`` may be, and whether the libraries of a cluster are there."""

from __future__ import annotations

import re
from importlib.util import find_spec

from subgrade.errors import UsageError

LOCAL = "local"
KINDS = {"dask": "tcp", "dask+tls": "tls"}
"""How an engine is written, and the protocol that its scheduler is met by."""
NEEDED = ("dask", "distributed")
WRITTEN = re.compile(r"([a-z+]+)://(\[[0-9A-Fa-f:.%]+\]|[^\s/:@\[\]]+):([0-9]{1,5})/?")


def scheduler_address(engine: str) -> str | None:
    """The scheduler that an engine names, as dask writes it; None measures on this machine.

    Raises
    ------
    UsageError
        If it is neither ``local`` nor ``dask://HOST:PORT``.

    Examples
    --------
    >>> scheduler_address("dask://10.0.0.5:8786")
    'tcp://10.0.0.5:8786'
    >>> scheduler_address("dask+tls://observatory:8786")
    'tls://observatory:8786'
    """
    if engine == LOCAL:
        return None
    found = WRITTEN.fullmatch(engine)
    if not found or found[1] not in KINDS or not 0 < int(found[3]) < 65536:
        raise UsageError(
            f"--engine {engine}: is neither local nor dask://HOST:PORT, the address of a scheduler"
        )
    return f"{KINDS[found[1]]}://{found[2]}:{found[3]}"


def check_engine(engine: str) -> None:
    """Make sure that an engine can be asked for here; the scheduler itself is not met yet.

    Raises
    ------
    UsageError
    """
    if scheduler_address(engine) is None:
        return
    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise UsageError(
            f'--engine {engine} needs {" and ".join(missing)}: pip install "subgrade[cluster]"'
        )
