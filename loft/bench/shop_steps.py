"""The order of work on one piece, each step with what to mind there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loft.bench.blank import Blank
from loft.bench.block import Block
from loft.bench.frame import FrameLines
from loft.bench.tables import COLD_MINUTES, SOFT_MINUTES, alloy_of


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step and its cautions."""

    text: str
    cautions: tuple[str, ...] = ()


def steps_of(lines: FrameLines, block: Block, blank: Blank) -> tuple[Step, ...]:
    """Return the steps of making one piece.

    Facts without a source in the text are common practice.

    Examples
    --------
    >>> from loft.bench.blank import flat_blank
    >>> from loft.bench.block import forming_block
    >>> from loft.bench.frame import frame_lines
    >>> from loft.bench.stock import plain_job, round_section
    >>> section, job = round_section(600.0), plain_job()
    >>> lines = frame_lines(section, job)
    >>> steps = steps_of(
    ...     lines, forming_block(section, job, step=10.0)[0], flat_blank(lines, [], lines.pieces[0])
    ... )
    >>> steps[0].text[:27]
    'Make the block from its own'
    """
    return (
        _make_block(block),
        _cut_blank(lines, blank),
        *_relief(blank),
        _pins(block),
        _form(lines, blank),
        _angles(lines),
        _finish(lines),
    )


def _make_block(block: Block) -> Step:
    return Step(
        text=f"Make the block from its own block_{block.name}.stl, never by turning another over. "
        f"Scribe it by block_{block.name}.dxf, check one known length on it, round its edge and "
        "rub it smooth.",
        cautions=("Dust of hardwood and fibreboard: respirator and extraction.",),
    )


def _cut_blank(lines: FrameLines, blank: Blank) -> Step:
    trim = f", {lines.part.trim:g} mm of trim left on the flange" if lines.part.trim else ""
    return Step(
        text=f"Cut the blank from blank_{blank.piece.name}.dxf{trim}; grain as marked where the "
        "sheet allows. File and polish every edge before forming.",
        cautions=(
            "A nick or a rough edge starts a crack in forming (NAVEDTRA 14315). Sheared sheet "
            "cuts: gloves and goggles.",
        ),
    )


def _relief(blank: Blank) -> list[Step]:
    if not blank.relief:
        return []
    sizes = ", ".join(sorted({f"{across:.1f}" for _, _, across in blank.relief}))
    return [
        Step(
            text=f"Drill the relief holes at the chine, {sizes} mm, before bending: they lie where "
            "the bend tangent lines meet."
        )
    ]


def _pins(block: Block) -> Step:
    if not block.pins:
        return Step(text="Clamp the blank on the block so that it cannot shift; no pin is given.")
    names = ", ".join(pin.name for pin in block.pins)
    return Step(
        text=f"Drill {names} through blank and block together, pin them, and clamp a backing "
        "block over the web."
    )


def _form(lines: FrameLines, blank: Blank) -> Step:
    strain = lines.strain[blank.piece.rows]
    ways = []
    if (strain < 0).any():
        ways.append(
            "where the flange shrinks begin at the middle and work to both ends "
            "(NAVEDTRA 14018 ch. 13)"
        )
    if (strain > 0).any():
        ways.append(
            "where it stretches begin at the ends and work to the middle (NAVEDTRA 14018 ch. 13)"
        )
    most = 100 * float(strain[np.argmax(np.abs(strain))]) if len(strain) else 0.0
    cautions = [
        f"Up to {most:+.2f} % mean strain at the free edge. No published limit is built in: ask "
        "the shop, and stop at the first sign of a crack.",
        *_temper(lines.part.alloy),
    ]
    if (lines.angle[blank.piece.rows] < np.pi / 2 - 1e-9).any():
        cautions.append("The flange closes over the block here: see that the piece can come off.")
    text = "Turn the flange down a little at a time" + (": " + "; ".join(ways) if ways else "")
    return Step(text=text + ".", cautions=tuple(cautions))


def _temper(alloy: str) -> list[str]:
    """Return what is published of the alloy's heat treatment, and that it is not instruction."""
    family = alloy_of(alloy)[:4]
    out = [
        "A wrong step may leave sound-looking metal strained (FAA-H-8083-31 ch. 4). Temper to "
        "form in, and any heat treatment, come from the maker's data. Never heat a heat-treated "
        "alloy locally (FAA AC 43.13-1B ch. 4)."
    ]
    if family in SOFT_MINUTES:
        out.append(
            f"{family} freshly quenched stays soft for about {SOFT_MINUTES[family]} minutes "
            "(FAA-H-8083-30 ch. 5, of rivets); what is to be formed later goes into the cold "
            f"within {COLD_MINUTES[family]} (an airline's repair manual, as quoted). Salt baths: "
            "a wet part explodes the salt into steam (T.O. 1-1A-9)."
        )
    return out


def _angles(lines: FrameLines) -> Step:
    part = lines.part
    extra = "" if part.overbend_given else "; no overbend is built in, expect it to spring open"
    return Step(
        text="Try the flange's angle at every line with a bevel gauge against the table above"
        f"{extra}. Lay the web on the template, heel face up."
    )


def _finish(lines: FrameLines) -> Step:
    trim = "Trim the flange to width. " if lines.part.trim else ""
    return Step(
        text=f"{trim}Read the made part at its lines, pin holes and flange angles, and prove it "
        "against the section before it leaves the bench.",
        cautions=(
            "Fasteners, protection, and whether the part may fly: the maker's data, local rules "
            "and a licensed engineer decide, not this sheet.",
        ),
    )
