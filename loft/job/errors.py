"""Refusals: what is wrong, where it stands, what was wanted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One fault or remark about one place of one input.

    Parameters
    ----------
    text : str
        What stood there and what was wanted, in one line.
    file : str
        Name of the file as the user gave it, or "" when no file is at fault.
    row : int
        Line of the file, counted from 1; 0 when the whole file is meant.
    column : str
        Column or key; "" when the whole row is meant.
    severity : str
        "fault" stops the work; "warning" and "note" are told and kept.
    """

    text: str
    file: str = ""
    row: int = 0
    column: str = ""
    severity: str = "fault"

    def line(self) -> str:
        r"""Return the finding as one line: ``file:row: column: text``.

        What cannot be printed, as a control character read from a damaged file, is spelt out.

        Examples
        --------
        >>> Finding(text="unknown column li\fne found").line()
        'unknown column li\\x0cne found'
        """
        place = self.file + (f":{self.row}" if self.row else "")
        told = ": ".join(part for part in (place, self.column, self.text) if part)
        return "".join(
            one if one.isprintable() else one.encode("unicode_escape").decode() for one in told
        )


class LoftError(Exception):
    """The work is refused. Carries every fault that was found, not only the first.

    Examples
    --------
    >>> str(LoftError("the station is unknown"))
    'the station is unknown'
    """

    def __init__(self, faults: str | Finding | Iterable[Finding]):
        if isinstance(faults, str):
            faults = Finding(text=faults)
        self.findings = (faults,) if isinstance(faults, Finding) else tuple(faults)
        super().__init__("\n".join(finding.line() for finding in self.findings))
