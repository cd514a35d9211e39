"""What the person's marks of this run and of earlier ones have to do with each frame."""

from __future__ import annotations

from subgrade.results import Graded, is_surplus

WORDS = {"keep": "kept", "reject": "rejected"}
OTHER = {"keep": "reject", "reject": "keep"}
MOST_LIMITS = 3
"""Moved limits named beside one frame."""


def marked_before(graded: Graded) -> dict[str, str]:
    """Marks given to this run that the verdicts alone do not show, by frame."""
    person = graded.person
    if person is None:
        return {}
    # what a choice leaves out passed
    verdicts = {f.name: "keep" if is_surplus(f) else f.judgement.verdict for f in graded.frames}
    marks = {name: OTHER.get(verdicts.get(name)) for name in person.still}
    marks |= {name: verdicts.get(name) for name in person.overruled}
    return {name: word for name, word in marks.items() if word in OTHER}


def without_marks(graded: Graded) -> dict[str, str]:
    """The verdicts that marks of this run overruled, as they would be without, by frame."""
    person = graded.person
    own = {j.frame: j.verdict for j in person.own} if person is not None else {}
    return {name: own[name] for name in (person.overruled if person else ()) if name in own}


def what_marks_changed(graded: Graded) -> dict[str, list[str]]:
    """What marks of this run, and limits that they taught, changed in each frame's verdict.

    Parameters
    ----------
    graded : Graded

    Returns
    -------
    dict of str to list of str
        Sentences by frame; frames whose verdict they left alone are missing.
    """
    person = graded.person
    if person is None:
        return {}
    own = {j.frame: j.verdict for j in person.own or person.verdicts}
    found: dict[str, list[str]] = {}
    moved = _moved(graded)
    for name in person.changed:
        after = own.get(name)
        if after in WORDS:
            text = f"Limits taught by your marks: {WORDS[OTHER[after]]} before, {WORDS[after]} now"
            found.setdefault(name, []).append(f"{text}{moved}.")
    for name in person.still:
        marked = OTHER.get(own.get(name, ""))
        if marked:
            found.setdefault(name, []).append(
                f"You marked it {marked} to teach; under the taught limits it is still "
                f"{WORDS[own[name]]}."
            )
    for name in person.overruled:
        if own.get(name) in WORDS:
            found.setdefault(name, []).append(
                f"Your mark overruled the verdict: {WORDS[own[name]]} without it."
            )
    return found


def _moved(graded: Graded) -> str:
    """The limits that moved, in brackets."""
    moved = graded.person.taught.moved if graded.person.taught is not None else ()
    texts = [f"{t.key} {t.before:.4g} → {t.after:.4g}" for t in moved[:MOST_LIMITS]]
    texts += [f"{len(moved) - MOST_LIMITS} more"] if len(moved) > MOST_LIMITS else []
    return f" ({', '.join(texts)})" if texts else ""
