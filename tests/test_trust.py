"""What docs/trust.md promises: its tests are there, subs are only read, nothing is sent."""

from __future__ import annotations

import ast
import json
import re
import signal
import subprocess
import sys
from pathlib import Path
from urllib.request import urlopen

import pytest

from tests.cli_frames import write_night

ROOT = Path(__file__).resolve().parents[1]
PAGE = (ROOT / "docs" / "trust.md").read_text(encoding="utf-8")
OF_A_CLUSTER = {"dask", "distributed"}
NETWORK = {"socket", "ssl", "http", "urllib", "ftplib", "smtplib", "requests", "asyncio"}
NETWORK |= OF_A_CLUSTER
WAITING = ("connections", "decoded", "guard", "subs")
LISTENING = {f"review/{name}.py": {"asyncio"} for name in WAITING}
LISTENING["review/server.py"] = {"asyncio", "socket"}
"""The one part that listens, and on this machine only; it has nothing to reach out with."""
REACHING = {"cluster/link.py": {"socket", *OF_A_CLUSTER}}
"""The one part that reaches out: to the scheduler that ``--engine`` names, and to no other."""
WATCHED = """
import json, os, sys
lights, out, command = sys.argv[1], sys.argv[2], sys.argv[3:]
seen = []
def watch(event, details):
    if event == "open":
        path, mode, flags = details
        writes = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
        if str(path).startswith(lights) and (flags or 0) & writes:
            seen.append([event, str(path)])
    elif event in ("os.rename", "os.remove", "os.truncate", "os.chmod", "os.utime", "os.link"):
        if any(str(d).startswith(lights) for d in details):
            seen.append([event, str(details)])
    elif event in ("socket.connect", "socket.bind", "socket.sendto", "socket.getaddrinfo"):
        seen.append([event, str(details[1:])])
sys.addaudithook(watch)
from subgrade.cli import main
try:
    main(command)
except SystemExit as left:
    code = left.code
open(out, "w").write(json.dumps([code, seen]))
"""


def named(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`(tests/[\w/]+\.py)`", PAGE))))
def test_every_test_that_is_named_is_there(name):
    assert (ROOT / name).is_file()


def watched(tmp_path, *command, script: str = WATCHED) -> tuple[int, list]:
    """Exit code of a command, and the audit events in which it touches subs or the network."""
    place, out = tmp_path / "watched.py", tmp_path / "seen.json"
    place.write_text(script)
    words = [str(word) for word in command]
    subprocess.run(
        [sys.executable, place, tmp_path / "lights", out, *words],
        check=False,
        capture_output=True,
        timeout=300,
        cwd=ROOT,
    )
    return tuple(json.loads(out.read_text()))


def test_subs_are_only_read_and_nothing_is_sent(tmp_path):
    lights, out = write_night(tmp_path / "lights"), tmp_path / "graded"
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in lights.iterdir()}
    assert watched(tmp_path, "grade", lights, "--out", out, "--workers", 1) == (0, [])
    for command in (("explain", out, "light_03"), ("diagnose", out), ("cull", out, "--list")):
        assert watched(tmp_path, *command) == (0, [])
    assert {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in lights.iterdir()} == before


@pytest.mark.parametrize(
    ("act", "event"),
    [
        ("open(lights + '/light_00.fits', 'r+b').close()", "open"),
        ("os.rename(lights + '/light_00.fits', lights + '/other.fits')", "os.rename"),
        ("__import__('socket').getaddrinfo('localhost', 80)", "socket.getaddrinfo"),
    ],
)
def test_the_watch_sees_what_it_watches_for(tmp_path, act, event):
    write_night(tmp_path / "lights", 1)
    script = WATCHED.replace("main(command)", f"{act}; sys.exit(0)")
    code, seen = watched(tmp_path, script=script)
    assert (code, [one for one, _ in seen]) == (0, [event])


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="ends the server by a signal")
def test_a_review_listens_on_this_machine_only_and_reads_subs(tmp_path):
    pytest.importorskip("uvicorn")
    lights, out = write_night(tmp_path / "lights"), tmp_path / "graded"
    assert watched(tmp_path, "grade", lights, "--out", out, "--workers", 1)[0] == 0
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in lights.iterdir()}
    place, found = tmp_path / "watched.py", tmp_path / "seen.json"
    found.unlink()
    with subprocess.Popen(
        [sys.executable, place, lights, found, "review", out, "--no-open"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        cwd=ROOT,
    ) as process:
        address = process.stdout.readline().strip()
        for path in ("", "state", "frame/0", "tile/0/0/0/0", "tile/1/0/0/0"):
            with urlopen(address + path, timeout=60) as answer:
                assert answer.status == 200
        process.send_signal(signal.SIGINT)
    code, seen = json.loads(found.read_text())
    assert code in (0, None)
    assert seen == [["socket.bind", str((("127.0.0.1", 0),))]]
    assert {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in lights.iterdir()} == before


@pytest.mark.parametrize("path", sorted((ROOT / "subgrade").rglob("*.py")), ids=named)
def test_no_module_reaches_for_the_network(path):
    place = path.relative_to(ROOT / "subgrade").as_posix()
    allowed = LISTENING.get(place) or REACHING.get(place, set())
    assert imported(path.read_text(encoding="utf-8")) & NETWORK <= allowed


def imported(source: str) -> set[str]:
    """The packages that a module names in an import, by statement or by call."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            if node.module == "urllib.parse":
                continue  # only text
            found.add((node.module or "").split(".")[0])
        elif isinstance(node, ast.Call) and re.search(r"import", ast.unparse(node.func)):
            texts = [a.value for a in node.args if isinstance(a, ast.Constant)]
            found |= {text.split(".")[0] for text in texts if isinstance(text, str)}
    return found


@pytest.mark.parametrize(
    "line",
    [
        "import socket",
        "def f():\n    from urllib.request import urlopen",
        "import os, http.client",
        "__import__('ssl')",
        "importlib.import_module('requests.api')",
    ],
)
def test_an_import_of_the_network_is_found(line):
    assert imported(line) & NETWORK
