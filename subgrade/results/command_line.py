"""The command of a run as a person types it again: every option that was given, in one place.

Paths are absolute, so that it can be typed in any folder, and quoted for the shells of the
machine that the run was on.
"""

from __future__ import annotations

import os
import re
import shlex
from collections.abc import Iterable, Mapping, Sequence

from subgrade.results.teaching import TAUGHT_FILE
from subgrade.settings import PATHS, Settings, asked_for

POSIX, CMD, POWERSHELL = "a shell", "Command Prompt", "PowerShell"
SWITCHES = {"report": (False, "--no-report"), "dry_run": (True, "--dry-run")}
"""Options without a value: the setting at which each is given, and its name."""
NOT_AGAIN = ("remeasure", "engine")
"""What was measured, anew or on a cluster, is measured: nothing to ask for a second time."""
PLAIN = re.compile(r"[A-Za-z0-9_.:\\/+-]+")
"""Words that neither shell of Windows reads anything into."""


def grade_words(settings: Mapping, **instead: object) -> list[str]:
    """A run of ``grade`` as the words of its command.

    Parameters
    ----------
    settings : mapping
        What was asked for, ``settings`` of session.json.
    **instead
        Settings to take in place of those, as they stand: a path stays relative.

    Returns
    -------
    list of str
        ``subgrade`` first.  Settings at their default are left out, but for ``out``.
    """
    # the results' own folder is stated always, as another one may be typed in
    shipped = asked_for(Settings((), out=""))
    words = ["subgrade", "grade", *map(os.path.abspath, settings["paths"])]
    for name, value in {**settings, **instead}.items():
        if name in ("paths", *NOT_AGAIN) or not given(value, shipped.get(name)):
            continue
        if name in SWITCHES:
            words += [SWITCHES[name][1]]
            continue
        many = isinstance(value, list | tuple) and name in PATHS
        for one in value if many else [value]:
            path = name in PATHS and name not in instead
            words += [f"--{name.replace('_', '-')}", os.path.abspath(one) if path else _text(one)]
    return words


def given(value: object, default: object) -> bool:
    """Whether a setting differs from its default; lists and tuples are alike."""
    alike = (list(v) if isinstance(v, tuple) else v for v in (value, default))
    return value is not None and next(alike) != next(alike)


def _text(value: object) -> str:
    if isinstance(value, list | tuple):
        return ",".join(map(_text, value))
    return str(value)


def quoted(words: Sequence[str], shell: str = POSIX) -> str:
    """Words as a shell takes them for one command.

    >>> words = ["subgrade", "grade", "C:\\\\my subs", "95,2"]
    >>> print(quoted(words, CMD))
    subgrade grade "C:\\my subs" "95,2"
    >>> print(quoted(words, POWERSHELL))
    subgrade grade 'C:\\my subs' '95,2'
    """
    if shell == POSIX:
        return shlex.join(words)
    quote = _for_cmd if shell == CMD else _for_powershell
    return " ".join(w if PLAIN.fullmatch(w) else quote(w) for w in words)


def _for_cmd(word: str) -> str:
    """Quotes cannot be part of a name on Windows; a backslash before the last one would hold it."""
    return f'"{word}\\"' if word.endswith("\\") else f'"{word}"'


def _for_powershell(word: str) -> str:
    """It takes typographic quotes for plain ones."""
    return "'" + re.sub("(['\u2018\u2019\u201a\u201b])", r"\1\1", word) + "'"


def shells_here() -> tuple[str, ...]:
    """The shells that a person may have on this machine."""
    return (CMD, POWERSHELL) if os.name == "nt" else (POSIX,)


def with_marks(
    settings: Mapping, marks: str = "marks.csv", shells: Iterable[str] | None = None
) -> dict[str, list[dict]]:
    """The commands that repeat a run with a person's marks: to overrule by, and to learn from.

    Parameters
    ----------
    settings : mapping
        As for `grade_words`; made in the folder of the run, since paths may be relative to it.
    marks : str
        The file of marks, taken as it stands.
    shells : iterable of str, optional
        In place of `shells_here`.

    Returns
    -------
    dict
        ``marks`` and ``teach``, and ``keep`` and ``keep_marks``, the run without and with the
        marks to which a share to keep is added: for each shell a dict of ``shell`` and ``text``;
        empty where no settings are known or a path has characters that cannot be typed.

    Notes
    -----
    Limits taught by this run are what the next lesson starts from; marks taught before do not
    count twice then.
    """
    teach = {"teach": marks, "marks": None}
    every = {"keep": None, "prefer": "depth"}
    asked = {
        "marks": {"marks": marks},
        "teach": teach,
        "keep": every,
        "keep_marks": {**every, "marks": marks},
    }
    if not settings.get("paths"):
        return {name: [] for name in asked}
    if settings.get("teach"):
        teach["limits"] = os.path.abspath(os.path.join(settings["out"], TAUGHT_FILE))
    shells = shells_here() if shells is None else tuple(shells)
    return {
        name: [
            {"shell": shell, "text": text}
            for shell in shells
            if (text := quoted(grade_words(settings, **instead), shell)).isprintable()
        ]
        for name, instead in asked.items()
    }
