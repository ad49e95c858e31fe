"""Words that stand on everything people look at."""

from __future__ import annotations

from loft.job.records import Evidence, Job

SOUND_COVERAGE = 0.85  # share of a frame's readings inside their interval, when left out


def known(words: object) -> str:
    """Return the words, or "unknown" where there are none.

    Examples
    --------
    >>> known(""), known("A")
    ('unknown', 'A')
    """
    return str(words) if words not in ("", None) else "unknown"


def date_of(job: Job) -> str:
    """Return the date that the job gives, never today's.

    Examples
    --------
    >>> from pathlib import Path
    >>> date_of(Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=()))
    'unknown'
    """
    return f"{job.date.day} {job.date:%B %Y}" if job.date else "unknown"


def counts(evidence: Evidence) -> dict[str, int]:
    """Return how many readings were used, doubted, rejected by the fit, set aside as damage.

    Examples
    --------
    >>> counts(evidence)  # doctest: +SKIP
    {'used': 188, 'doubted': 4, 'rejected': 5, 'damaged': 9}
    """
    names = fate(evidence)
    return {name: names.count(name) for name in ("used", "doubted", "rejected", "damaged")}


def fate(evidence: Evidence) -> list[str]:
    """Return for every reading: used, doubted, rejected (by the fit) or damaged (by the job).

    A reading that a [[damage]] entry only weakens and the fit uses counts as doubted.

    Examples
    --------
    >>> fate(evidence)[:2]  # doctest: +SKIP
    ['used', 'damaged']
    """
    names = []
    deviations = evidence.deviations
    for used, reason in zip(deviations.used, deviations.reason, strict=True):
        if used == "no":
            names.append("damaged" if str(reason).startswith("damage") else "rejected")
        else:
            names.append("used" if used == "yes" else "doubted")
    return names
