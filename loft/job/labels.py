"""What the label of a line says about its side and kind."""

from __future__ import annotations

import re

from loft.job.records import Job, Line

CENTRE_LINES = {"CROWN": "crown", "KEEL": "keel"}


def side_of_label(label: str) -> str:
    """Return port or starboard for letters, digits and a last letter P or S; else "".

    Examples
    --------
    >>> side_of_label("S4P"), side_of_label("S12S"), side_of_label("KEEL")
    ('port', 'starboard', '')
    """
    match = re.fullmatch(r"[A-Za-z]+[0-9]+([PS])", label)
    if not match:
        return ""
    return "port" if match[1] == "P" else "starboard"


def line_of(job: Job, label: str) -> Line | None:
    """Return the line of that label: from the job file, else from the label alone.

    Nothing is returned for a label that tells no side and stands in no [[line]].

    Examples
    --------
    >>> from pathlib import Path
    >>> job = Job(path=Path("job.toml"), title="", unit="mm", missing=(), frames=())
    >>> line_of(job, "S4P").side, line_of(job, "CROWN").kind, line_of(job, "DL")
    ('port', 'crown', None)
    """
    for line in job.lines:
        if line.name == label:
            return line
    if label in CENTRE_LINES:
        return Line(name=label, kind=CENTRE_LINES[label], side="centre")
    if side := side_of_label(label):
        return Line(name=label, kind="stringer", side=side)
    return None
