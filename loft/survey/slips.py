"""What a reading that fails probably was: the slips that a tape and a pencil make."""

from __future__ import annotations

import math
from collections.abc import Iterator

from loft.job.units import parse_length
from loft.survey.network import Tie

LIKELY = 3.0  # standard deviations within which a slip explains a reading

# Size of the slip in mm, its words for one, how often it may occur in one reading.
STEPS = (
    (1000.0, "1 m", 3),
    (304.8, "1 ft", 3),
    (100.0, "100 mm", 3),
    (25.4, "1 in", 3),
    (10.0, "10 mm", 1),
)


def likely_slip(tie: Tie, suggested: float, sd: float) -> str:
    """Return which slip turns the suggested value into what was written, "" if none fits.

    Slips of reading (whole metres, feet, 100 mm, inches), of the figures (6 and 9
    turned over, two neighbours transposed) and of the side (port and starboard, or
    the ends of a height, exchanged) are tried; every one that lands within three
    standard deviations is named. A whole step is only believed where the standard
    deviation is small beside it, since some multiple always fits otherwise.

    Parameters
    ----------
    tie : Tie
        The reading, with what stood in the file.
    suggested : float
        What the other readings make of it, mm.
    sd : float
        Of the difference between the reading and `suggested`, mm.

    Notes
    -----
    The commonest slips: whole metre, foot or inch, wrong point, left and right
    exchanged, figures turned over (Guidelines for Recording Historic Ships, 3rd ed.
    2004, p. 98; Green, Maritime Archaeology, 2nd ed., p. 148).

    Examples
    --------
    >>> tie = Tie(kind="tape", start="A", end="B", value=3826.0, sigma=2.0, text="3826")
    >>> likely_slip(tie, 2826.9, 2.5)
    '1 m too much'
    >>> likely_slip(Tie(kind="bl", end="B", value=612.0, sigma=1.5, text="612"), -611.2, 2.0)
    'port and starboard exchanged: the sign of bl'
    """
    if not (math.isfinite(suggested) and sd > 0 and abs(tie.value - suggested) > LIKELY * sd):
        return ""
    fits = []
    for rank, (value, sd_limit, words) in enumerate(_slips(tie)):
        miss = abs(value - suggested)
        if miss <= LIKELY * sd <= sd_limit:
            fits.append((miss / sd, rank, words))
    told = [fit[2] for fit in sorted(fits)]
    return ", or ".join(dict.fromkeys(told[:3]))


def _slips(tie: Tie) -> Iterator[tuple[float, float, str]]:
    """Give the true value each slip would have had, how large 3 sd may be, and its words."""
    change = abs(tie.value)
    if tie.kind == "bl":
        yield -tie.value, change / 2, "port and starboard exchanged: the sign of bl"
    if tie.kind == "height":
        yield -tie.value, change / 2, "the two ends exchanged: the sign of the height"
    for step, words, most in STEPS:
        for times in range(1, most + 1):
            count = words if times == 1 else f"{times} x {words}"
            yield tie.value - times * step, step / 3, f"{count} too much"
            yield tie.value + times * step, step / 3, f"{count} too little"
    for text, words in _rewritten(tie.text):
        try:
            value = parse_length(text, tie.unit)
        except ValueError:
            continue
        yield value, abs(value - tie.value) / 3, f"{words}: {text} written as {tie.text}"


def _rewritten(text: str) -> Iterator[tuple[str, str]]:
    """Give the text with one 6 or 9 turned over, all turned over, or two figures exchanged."""
    turn = str.maketrans("69", "96")
    for k, figure in enumerate(text):
        if figure in "69":
            yield text[:k] + figure.translate(turn) + text[k + 1 :], "6 and 9 turned over"
    if sum(figure in "69" for figure in text) > 1:
        yield text.translate(turn), "6 and 9 turned over"
    for k in range(len(text) - 1):
        pair = text[k : k + 2]
        if pair.isdigit() and pair[0] != pair[1]:
            yield text[:k] + pair[::-1] + text[k + 2 :], "figures transposed"
