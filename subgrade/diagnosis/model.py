"""What the diagnosing stage hands on: the night's story and the advice for the next night."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Quantity:
    """One number of a finding.

    Attributes
    ----------
    name : str
        A short phrase.
    value : float
    error : float or None
        One sigma; None where none can be given.
    unit : str
        Empty for a plain number; ``′`` is arcminutes, ``″`` arcseconds.
    """

    name: str
    value: float
    error: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Span:
    """A run of frames, one after the other, and when it was exposed.

    ``start_utc`` and ``end_utc`` are ISO 8601, empty where the headers give no time.
    """

    first_frame: str
    last_frame: str
    frames: int
    start_utc: str = ""
    end_utc: str = ""


@dataclass(frozen=True, slots=True)
class Advised:
    """What a finding advises: what to do, the numbers behind it, what could hurt in doing so."""

    action: str
    because: str
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Advice:
    """What to change the next night: what a finding advised, with what it would have saved.

    Attributes
    ----------
    topic : str
        The finding it comes from.
    action, because : str
        What to do and the numbers behind it.
    caution : str
        What could hurt a person or the gear in doing so; empty where nothing can.
    saves_s : float
        Integration time that was lost to what it cures, s.
    sureness : float
        Of the finding, 0..1.
    frames : tuple of str
        The frames whose time that is.
    saves : str
        The same in words, with what is counted already for the advice before it; empty
        where there is nothing to save.
    """

    topic: str
    action: str
    because: str
    caution: str
    saves_s: float
    sureness: float
    frames: tuple[str, ...] = ()
    saves: str = ""


@dataclass(frozen=True, slots=True)
class NightFinding:
    """One thing learnt about the night.

    Attributes
    ----------
    topic : str
        A short title.
    reason : str
        The reason word it explains; empty where it explains none.
    sentence : str
    numbers : tuple of Quantity
    evidence : tuple of str
        Where the numbers come from and what supports them.
    sureness : float
        0..1.
    sure : str
        ``sure``, ``likely`` or ``possible``: high, fair or low confidence.
    frames : tuple of str
        Frames it concerns.
    spans : tuple of Span
        The same frames as runs.
    cost_s : float
        Integration time that the night lost to it, s.
    advice : tuple of Advice
    """

    topic: str
    reason: str
    sentence: str
    numbers: tuple[Quantity, ...] = ()
    evidence: tuple[str, ...] = ()
    sureness: float = 0.5
    sure: str = "possible"
    frames: tuple[str, ...] = ()
    spans: tuple[Span, ...] = ()
    cost_s: float = 0.0
    advice: tuple[Advice, ...] = ()


@dataclass(frozen=True, slots=True)
class Loss:
    """Frames rejected or unreadable for one first reason."""

    reason: str
    text: str
    frames: int
    lost_s: float
    spans: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The night's story.

    Attributes
    ----------
    summary : str
        The night in a sentence or two.
    kept_s, lost_s : float
        Integration time, s.
    typical : tuple of Quantity
        Medians of the kept frames: widths and shapes of the largest group, the guiding of all.
    losses : tuple of Loss
        Most integration time first.
    findings : tuple of NightFinding
        Most integration time first.
    advice : tuple of Advice
        The same as in the findings, ranked by the integration time it would have saved,
        then by sureness.
    notes : tuple of str
        What stayed unknown, and why.
    pole : tuple of Quantity
        The numbers on the polar axis, however small; empty where the night does not show them.
        A finding has them only where they are significant.
    """

    summary: str
    kept_s: float = 0.0
    lost_s: float = 0.0
    typical: tuple[Quantity, ...] = ()
    losses: tuple[Loss, ...] = ()
    findings: tuple[NightFinding, ...] = ()
    advice: tuple[Advice, ...] = ()
    notes: tuple[str, ...] = ()
    pole: tuple[Quantity, ...] = ()
