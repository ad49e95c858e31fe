"""The shop sheet: a first page for the frame, then one for each piece, cautions at their step."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from loft.bench.bend import ruling_sagitta
from loft.bench.blank import Blank
from loft.bench.block import Block
from loft.bench.frame import FrameLines
from loft.bench.marks import Mark
from loft.bench.pieces import Piece
from loft.bench.shop_figure import piece_figure
from loft.bench.shop_steps import steps_of
from loft.bench.shop_style import STYLE
from loft.bench.splice import Splice
from loft.bench.template import side_words
from loft.bench.titles import CAUTIONS, small, view_words
from loft.job.errors import Finding, LoftError
from loft.job.records import Job, Section
from loft.job.units import format_length

UNIT_WORDS = {"mm": "mm", "in": "in", "ft-in": "ft-in-eighths"}
SIGNED = (
    '<p class="signed"><span>made by, date</span><span>proved by, date</span>'
    "<span>licensed engineer, date</span></p>"
)
_EVERY = 200.0  # mm of girth between rows of the flange table, lines apart


@dataclass(frozen=True, eq=False, kw_only=True)
class Work:
    """Everything the sheet is made from."""

    section: Section
    job: Job
    section_hash: str
    units: str
    lines: FrameLines
    marks: tuple[Mark, ...]
    blocks: tuple[Block, ...]
    blanks: tuple[Blank, ...]
    splice: Splice
    findings: tuple[Finding, ...]
    run_curvature: float  # of the body fore and aft, 1/mm; NaN unknown

    def say(self, mm: float) -> str:
        """Return a length in the shop's units, its unit apart."""
        return format_length(mm, self.units)

    def small(self, mm: float) -> str:
        """Return a short length with its unit."""
        return small(mm, self.units)

    @property
    def unit(self) -> str:
        """Return the name of the unit."""
        return UNIT_WORDS[self.units]


def shop_html(work: Work) -> str:
    """Return the shop sheet as one page of HTML that prints on A4.

    Examples
    --------
    >>> from loft.bench.make import work_of
    >>> from loft.bench.stock import plain_job, round_section
    >>> page = shop_html(work_of(round_section(600.0), plain_job(), "0123456789ab"))
    >>> page.count("<section")
    5
    """
    title = f"{work.section.frame} shop sheet, section {work.section_hash}"
    pages = [_first(work), *(_piece(work, number) for number in range(len(work.blocks)))]
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">\n'
        f"<title>{escape(title)}</title>\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<style>{STYLE}</style></head>\n<body>\n" + "\n".join(pages) + "\n</body></html>\n"
    )


def shop_pdf(html: str) -> bytes:
    """Return the shop sheet as PDF.

    Raises
    ------
    LoftError
        The optional package, or what it needs of the system, is not there.

    Examples
    --------
    >>> shop_pdf("<p>F14</p>")[:5]  # doctest: +SKIP
    b'%PDF-'
    """
    try:
        import weasyprint
    except (ImportError, OSError) as error:
        raise LoftError(
            "shop.pdf needs the extra pdf (pip install fuselage-loft[pdf]) and the system's pango; "
            "shop.html prints from any browser"
        ) from error
    return bytes(weasyprint.HTML(string=html).write_pdf(pdf_identifier=b"fuselage-loft"))


def _head(work: Work, title: str, kind: str) -> str:
    job = work.job
    date = f"{job.date.day} {job.date:%B %Y}" if job.date else "date unknown"
    return (
        f"<header><h1><small>{escape(job.title)}, {kind}</small>{escape(title)}</h1>"
        f'<div class="of">section <b>{work.section_hash}</b><br>revision '
        f"{escape(job.revision or 'unknown')}, {date}<br>prepared by "
        f"{escape(job.prepared_by or 'unknown')}</div></header>"
    )


def _first(work: Work) -> str:
    part, lines = work.lines.part, work.lines
    degrees = np.rad2deg(lines.angle)
    rows = [
        ("station of the heel plane", f"{work.say(work.section.station)} {work.unit}"),
        ("seen", view_words(lines)),
        ("stands", "on the skin" if part.stands == "on_skin" else "inside the stringers"),
        ("flange", f"{work.small(part.flange)}, faces {part.faces}"),
        ("flange to web", f"{degrees.min():.2f} to {degrees.max():.2f}°, changing round the frame"),
        ("web, flange line to inner edge", work.small(part.web_depth)),
        ("sheet", f"{part.gauge:g} mm {escape(part.alloy or 'alloy unknown')}"),
        ("inside bend radius", f"{part.radius:g} mm"),
        ("overbend", f"{math.degrees(part.overbend):g}°" if part.overbend_given else "none given"),
        (
            "free edge of the flange",
            f"{100 * lines.strain.min():+.2f} to {100 * lines.strain.max():+.2f} % mean strain",
        ),
        ("band of the section, 95 %", f"up to {work.section.band95.max():.2f} mm either side"),
    ]
    if work.section.cant:
        rows.insert(1, ("cant", f"{math.degrees(work.section.cant):g}°, top aft"))
    found = "".join(
        f'<li class="{finding.severity}">{escape(finding.column)}: {escape(finding.text)}</li>'
        for finding in work.findings
    )
    return (
        f"<section>{_head(work, f'Frame {work.section.frame}', 'shop sheet')}"
        f'<p class="caution">{escape(CAUTIONS[0])}</p>'
        + table(("", ""), rows, words=2)
        + "<h2>Pieces</h2>"
        + table(
            ("piece", "side", f"girth, {work.unit}", "block deep", "files"),
            [
                (
                    block.name,
                    side_words(work.lines, piece).lower(),
                    work.say(piece.run),
                    work.small(block.depth + block.base),
                    f"block_{block.name}.stl, blank_{block.name}.dxf",
                )
                for block, piece in zip(work.blocks, work.lines.pieces, strict=True)
            ],
            words=(0, 1, 4),
        )
        + (f"<h2>To be checked before metal is cut</h2><ol>{found}</ol>" if found else "")
        + _splice(work)
        + f"{SIGNED}</section>"
    )


def _splice(work: Work) -> str:
    plan = work.splice
    if not work.job.frame_section.splices:
        return ""
    rows = [
        (leg.name, work.small(leg.width), leg.rivets or "unknown", leg.worked) for leg in plan.legs
    ]
    facts = []
    if plan.rivet == plan.rivet:
        facts.append(
            f"Rivet {plan.rivet:g} mm; edge distance at least {plan.edge_distance:.1f}, usual "
            f"{plan.edge_usual:.1f} mm; pitch at least {plan.pitch_least:.1f}, usual "
            f"{plan.pitch_usual[0]:.1f} to {plan.pitch_usual[1]:.1f} mm; rows "
            f"{plan.transverse:.1f} mm apart or more; length {plan.rivet_length:.1f} mm and more "
            "as the plate is thicker."
        )
    if plan.plate_length == plan.plate_length:
        facts.append(
            f"Plate at least {plan.plate_length:.0f} mm long and thicker than the frame, its "
            "section no less than that which it joins, element by element; ends tapered; "
            "neighbouring splices staggered."
        )
    notes = "".join(f'<p class="warning">{escape(note)}</p>' for note in plan.notes)
    count = "rivets through both" if plan.type == "overlap" else "rivets each side"
    return (
        f"<h2>Splices ({escape(plan.type or 'type not given')})</h2>"
        + table(("leg", "width", count, "worked"), rows, words=(0, 3))
        + "".join(f"<p>{escape(fact)}</p>" for fact in facts)
        + notes
        + f'<p class="source">By {escape("; ".join(plan.sources))}.</p>'
    )


def _piece(work: Work, number: int) -> str:
    block, blank = work.blocks[number], work.blanks[number]
    side = side_words(work.lines, blank.piece)
    return (
        f"<section>{_head(work, f'{work.section.frame}  {block.name}', side.lower() + ' piece')}"
        + '<div class="two"><div>'
        + piece_figure(work.lines, work.section, blank)
        + "</div><div><h2>Block</h2>"
        + _block_facts(work, block)
        + "</div></div><h2>Flange and cut-outs, from end to end</h2>"
        + _flange_table(work, blank.piece)
        + "<h2>Work</h2><ol>"
        + "".join(
            f"<li>{escape(step.text)}"
            + "".join(f'<p class="caution">{escape(c)}</p>' for c in step.cautions)
            + "</li>"
            for step in steps_of(work.lines, block, blank)
        )
        + f"</ol>{SIGNED}</section>"
    )


def _flange_table(work: Work, piece: Piece) -> str:
    lines = work.lines
    words = lines.open_closed
    beyond = lines.part.flange - 2 * lines.setback + lines.allowance
    cuts = {mark.name: mark for mark in work.marks if mark.kind == "cutout"}
    rows = []
    for place, row in _stops(work, piece):
        strain = 100 * lines.strain[row]
        deed = "shrink" if strain < 0 else "stretch" if strain > 0 else "straight"
        radius = lines.flange_radius[row]
        cut = cuts.get(place)
        rows.append(
            (
                place,
                work.say(_along(work, piece, row)),
                f"{np.rad2deg(lines.angle[row]):.2f}",
                str(words[row]),
                f"{np.rad2deg(lines.bend[row]):.2f}",
                f"{lines.setback[row]:.2f}",
                f"{lines.allowance[row]:.2f}",
                f"{beyond[row]:.2f}",
                f"{np.rad2deg(lines.block_side[row]):+.2f}",
                f"{radius:.0f}" if np.isfinite(radius) else "straight",
                f"{strain:+.2f} {deed}",
                f"{work.small(cut.width).split()[0]} x {work.small(cut.depth)}" if cut else "",
            )
        )
    heads = (
        *("at", f"from first end, {work.unit}", "flange to web, °", "", "bend, °", "setback, mm"),
        *("bend allow., mm", "blank past flange line, mm", "block side, °", "radius, mm"),
        *("free edge, %", "cut-out wide x deep"),
    )
    lean = max((abs(float(np.rad2deg(mark.lean))) for mark in cuts.values()), default=0.0)
    note = (
        f"Cut-outs: depth from the flange line; corners {next(iter(cuts.values())).radius:g} mm; "
        f"their feet lean by up to {lean:.2f}° (marks.csv). "
        if cuts
        else "No cut-outs: the frame stands inside the stringers. "
    )
    return (
        f'<div class="fine">{table(heads, rows, words=(0, 3))}</div>'
        f'<p class="source">{note}Block side: positive stands out further down.</p>'
    )


def _along(work: Work, piece: Piece, row: int) -> float:
    """Return how far a row lies from the piece's first end; its last row at the other end."""
    if row == piece.rows[-1] and not piece.closed:
        return piece.run
    return float((work.lines.girth[row] - piece.start) % work.section.length)


def _stops(work: Work, piece: Piece) -> list[tuple[str, int]]:
    """Return the rows of the flange table: every line, the ends, and none far from another."""
    lines, length = work.lines, work.section.length
    names = dict(
        zip(
            np.round(np.mod(work.section.crossings.girth, length), 3).tolist(),
            work.section.crossings.line.tolist(),
            strict=True,
        )
    )
    stops: list[tuple[str, int]] = []
    last = -math.inf
    for row in piece.rows.tolist():
        along = _along(work, piece, row)
        name = _near(names, float(lines.girth[row]))
        if name or along - last > _EVERY or row in (piece.rows[0], piece.rows[-1]):
            stops.append((name, row))
            last = along
    return stops


def _near(names: dict[float, str], girth: float) -> str:
    return next((name for place, name in names.items() if abs(place - girth) < 2e-3), "")


def _block_facts(work: Work, block: Block) -> str:
    rows = [
        ("file", f"block_{block.name}.stl, mm, top at Z 0"),
        ("seen", block.view),
        ("bevelled side", f"{work.small(block.depth)} deep"),
        ("plain base", f"{work.small(block.base)} more" if block.base else "none"),
        ("edge", f"rounded to {work.lines.part.radius:g} mm"),
        ("gap of a straight flange", _sagitta(work)),
    ]
    rows += [
        (pin.name, f"{pin.width:g} mm, {work.small(pin.depth)} inside the flange line")
        for pin in block.pins
    ]
    board = work.job.shop.block_board
    if board == board:
        count = math.ceil((block.depth + block.base) / board)
        rows.append(("boards", f"{count} of {work.small(board)}"))
    return table(("", ""), rows, words=2) + "".join(
        f'<p class="caution">{escape(note)}</p>' for note in block.notes
    )


def _sagitta(work: Work) -> str:
    if work.run_curvature != work.run_curvature:
        return "unknown: the body's run is not known here"
    gap = ruling_sagitta(work.lines.part.flange, work.run_curvature)
    return f"up to {abs(gap):.3f} mm at the free edge"


def table(
    heads: Sequence[str], rows: Iterable[Sequence[object]], *, words: int | Sequence[int] = ()
) -> str:
    """Return an HTML table; columns in `words` (or that many first) are left-aligned text.

    Examples
    --------
    >>> table(("at", "mm"), [("S1S", 2)], words=1)[-41:]
    '<td class="n">2</td></tr></tbody></table>'
    """
    left = set(range(words)) if isinstance(words, int) else set(words)
    kind = ["w" if k in left else "n" for k in range(len(heads))]
    head = ""
    if any(heads):
        cells = "".join(
            f'<th class="{k}">{escape(text)}</th>' for k, text in zip(kind, heads, strict=True)
        )
        head = f"<thead><tr>{cells}</tr></thead>"
    body = "".join(
        "<tr>"
        + "".join(
            f'<td class="{k if k == "n" else ""}">{escape(str(cell))}</td>'
            for k, cell in zip(kind, row, strict=True)
        )
        + "</tr>"
        for row in rows
    )
    return f"<table>{head}<tbody>{body}</tbody></table>"
