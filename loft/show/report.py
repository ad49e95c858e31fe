"""report.html: what was concluded on the first page, and behind it the evidence.

Every figure in words and tables is taken from the summary; the drawings are drawn from
the records that the summary was made of.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from loft.job.caution import CAUTION
from loft.job.errors import LoftError
from loft.job.files import written_whole
from loft.job.records import Evidence, Job, Section, Survey
from loft.show.cuts import Loft
from loft.show.figures import (
    band_round,
    developed_plan,
    held_figure,
    residuals,
    section_figure,
    settlement_chart,
)
from loft.show.held import HeldFrame
from loft.show.report_parts import (
    cell,
    facts_table,
    figure,
    holdout_table,
    inputs_table,
    made_table,
    paragraphs,
    rejected_table,
    settlement_table,
    table,
)
from loft.show.report_style import PRINT
from loft.show.scene import Scene, ribbon_of, scene_of
from loft.show.style import CSS
from loft.show.words import SOUND_COVERAGE, date_of, known
from loft.survey.account import BETWEEN, line_by_frame

Summary = Mapping[str, Any]
NEXT = 3  # readings to take next that stand on the first page


def report_page(
    summary: Summary,
    *,
    job: Job,
    survey: Survey,
    surface: Loft,
    sections: Sequence[Section],
    evidence: Evidence,
    held: Sequence[HeldFrame] = (),
) -> str:
    """Return the report: conclusions on one page, then the evidence.

    Parameters
    ----------
    summary : mapping
        As written to summary.json: every figure that is printed.
    job, survey, surface, sections, evidence
        What the summary was made of, for the drawings.
    held : sequence of HeldFrame
        Frames predicted as if missing, to be pictured (the worst ones).

    Returns
    -------
    html : str
        One file without outside addresses; the same input gives the same text.

    Examples
    --------
    >>> html = report_page(  # doctest: +SKIP
    ...     summary, job=job, survey=survey, surface=surface, sections=sections,
    ...     evidence=evidence,
    ... )
    """
    scene = scene_of(job, survey, surface, sections, evidence)
    parts = [
        _conclusions(summary, job, section, number == 0) for number, section in enumerate(sections)
    ]
    parts.append(_readings(summary, job, survey, surface, scene))
    parts.append(_coverage(job, survey))
    parts.append(_held(summary, held))
    parts.append(_settlement(summary, evidence))
    parts += [_band(summary, job, section) for section in sections]
    parts.append(_drawing(summary))
    parts.append(_make(summary))
    parts.append(_set_aside(summary))
    parts.append(_record(summary, job))
    return _document(job, "\n".join(part for part in parts if part))


def report_pdf(html: str, path: Path) -> None:
    """Write the report as PDF.

    Parameters
    ----------
    html : str
        From `report_page`.
    path : Path
        Written whole or not at all.

    Raises
    ------
    LoftError
        weasyprint or its system libraries are not installed; names what to install.

    Examples
    --------
    >>> report_pdf(html, Path("report.pdf"))  # doctest: +SKIP
    """
    try:
        from weasyprint import HTML
    except ImportError as error:
        raise LoftError("report.pdf needs weasyprint; pip install 'fuselage-loft[pdf]'") from error
    except OSError as error:
        raise LoftError(
            "report.pdf needs the Pango libraries; on Debian: apt-get install libpango-1.0-0 "
            "libpangoft2-1.0-0 libharfbuzz-subset0"
        ) from error
    with written_whole(Path(path)) as scrap:
        HTML(string=html).write_pdf(scrap, pdf_identifier=b"loft report", custom_metadata=False)


def _document(job: Job, body: str) -> str:
    title = escape(job.title)
    foot = escape(f"{job.title}, revision {known(job.revision)}, {date_of(job)}")
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}: report</title>
<style>{CSS}{PRINT}
@page {{ @bottom-left {{ content: {_css_text(f"{job.title}, revision {known(job.revision)}")}; }} }}
</style></head>
<body><main>
{body}
</main><footer class="quiet screen">{foot}. {escape(CAUTION)}</footer></body></html>
"""


def _css_text(words: str) -> str:
    """Return words as a CSS string that cannot end its style element."""
    safe = "".join(c if c.isalnum() or c in " ,.-" else f"\\{ord(c):06x}" for c in words)
    return f'"{safe}"'


# --- the first page ---------------------------------------------------------------------------


def _conclusions(summary: Summary, job: Job, section: Section, first: bool) -> str:
    """Return the page that a hurried engineer reads: verdict, figures, who signs."""
    lifted = _of(summary, "section", section.frame)
    band = _of(summary, "bands", section.frame)
    verdict = _of(summary, "verdict", section.frame)
    word = known(verdict.get("verdict"))
    reasons = "".join(f"<li>{escape(str(reason))}</li>" for reason in verdict.get("reasons", ()))
    times = ribbon_of(section).times
    kind = {"make": "good", "make with care": "care"}.get(word, "stop")
    bevel = lifted.get("bevel_deg") or [None, None]
    rows = [
        ("station", cell(lifted.get("station_mm"), 1), "mm"),
        ("cant", cell(lifted.get("cant_deg"), 3), "°, positive: top leans aft"),
        ("girth once round", cell(lifted.get("girth_mm"), 1), "mm"),
        ("half-breadth, starboard", cell(lifted.get("half_breadth_starboard_mm"), 1), "mm"),
        ("half-breadth, port", cell(lifted.get("half_breadth_port_mm"), 1), "mm"),
        ("top", cell(lifted.get("top_wl_mm"), 1), "waterline, mm"),
        ("bottom", cell(lifted.get("bottom_wl_mm"), 1), "waterline, mm"),
        ("bevel", f"{cell(bevel[0], 2)} to {cell(bevel[1], 2)}", "°"),
        ("lines crossing", cell(lifted.get("lines_crossing"), 0), ""),
        ("95 % band at a point", f"± {cell(band.get('band95_mean_mm'), 2)}",
         f"mm on average, ± {cell(band.get('band95_widest_mm'), 2)} at its widest"),
        ("95 % band, whole outline", f"± {cell(band.get('band95_all_mean_mm'), 2)}",
         f"mm on average, ± {cell(band.get('band95_all_widest_mm'), 2)} at its widest, at girth "
         f"{cell(band.get('widest_at_girth_mm'), 0)}"),
        ("tolerance of the shop", cell(job.shop.tolerance_mould_line, 2), "mm, mould line"),
    ]  # fmt: skip
    body = "".join(
        f"<tr><td>{escape(name)}</td><td class=n>{value}</td>"
        f"<td class=quiet>{escape(unit)}</td></tr>"
        for name, value, unit in rows
    )
    return f"""<section class="page{"" if first else " new"}">
<header><p class="quiet">{escape(job.title)} · revision {escape(known(job.revision))} ·
{escape(date_of(job))}</p>
<h1>Frame {escape(section.frame)} as lifted off the faired loft</h1></header>
<div class="verdict {kind}"><p class="word">{escape(word.capitalize())}</p>
<ul>{reasons or "<li>nothing stands against it</li>"}</ul></div>
<div class="two"><div><table class="facts">{body}</table>
<p class="small quiet">Section {escape(known(lifted.get("hash")))}, mould line from
{escape(known(lifted.get("source")))}. {escape(_counted(summary))}</p></div>
<div class="drawing">{figure(section_figure(section, times))}</div></div>
{_grounds(summary, section.frame)}
<p class="caution">{escape(CAUTION)}</p>
{_signatures(job)}
</section>"""


def _grounds(summary: Summary, frame: str) -> str:
    """Return what the frame rests on, what to distrust of it and what to measure next."""
    following = [str(words) for words in (summary.get("plan") or {}).get(frame, ())][:NEXT]
    columns = {
        "It rests on": _rests_on(summary, frame),
        "Distrust": _distrust(summary),
        "Measure next": following or ["nothing was planned in this run"],
    }
    body = "".join(
        f"<div><h3>{name}</h3><ul>{''.join(f'<li>{escape(one)}</li>' for one in told)}</ul></div>"
        for name, told in columns.items()
    )
    return f'<div class="three grounds">{body}</div>'


def _rests_on(summary: Summary, frame: str) -> list[str]:
    """Return the nearest surveyed frames on either side, with how well each was predicted."""
    own = _of(summary, "section", frame)
    held = {row["frame"]: row for row in summary.get("holdout") or ()}
    read = [
        (row["station_mm"] - own["station_mm"], row)
        for row in summary.get("frames") or ()
        if row["name"] != frame and row.get("readings") and None not in
        (row.get("station_mm"), own.get("station_mm"))
    ]  # fmt: skip
    told = [_counted(summary)]
    for side, word in ((-1, "forward"), (1, "aft")):
        near = min(
            (one for one in read if one[0] * side > 0), key=lambda one: abs(one[0]), default=None
        )
        if near is None:
            told.append(f"no surveyed frame {word} of it")
            continue
        far, row = near
        rms = held.get(row["name"], {}).get("rms_mm")
        told.append(
            f"{row['name']}, {cell(abs(far), 0)} mm {word}: {cell(row['readings'], 0)} readings, "
            f"predicted as if missing to {cell(rms, 2)} mm rms"
        )
    return told


def _distrust(summary: Summary) -> list[str]:
    """Return the frames that were badly predicted and how much warned or disagreed."""
    told = [
        f"{row['frame']}: predicted as if missing, {cell(100 * row['coverage95'], 0)} % of its "
        "readings inside their interval"
        for row in summary.get("holdout") or ()
        if row.get("coverage95") is not None
        and row["coverage95"] < SOUND_COVERAGE
        and not row.get("note")
    ]
    told += [
        f"{_named(row)} on the drawing of {name}: contradicted"
        for name, rows in (summary.get("drawing") or {}).items()
        for row in rows
        if row.get("verdict") == "contradicted"
    ]
    cautions = [str(words) for words in summary.get("cautions") or () if words != CAUTION]
    failed = sum("FAILED REPEAT" in words for words in cautions)
    told += [f"{failed} points read twice and not alike"] if failed else []
    others = len(cautions) - failed
    told += [f"{others} other cautions, listed behind"] if others else []
    return told or ["nothing in particular"]


def _named(row: Mapping[str, Any]) -> str:
    words = f"{row.get('dimension') or ''} {row.get('arc') or ''}"
    return words.replace("_", " ").strip()


def _counted(summary: Summary) -> str:
    survey = summary.get("survey", {})
    return (
        f"{cell(survey.get('readings'), 0)} readings: {cell(survey.get('used'), 0)} used, "
        f"{cell(survey.get('doubted'), 0)} doubted, {cell(survey.get('not_used'), 0)} not used."
    )


def _signatures(job: Job) -> str:
    rows = (("prepared by", job.prepared_by), ("checked by", ""), ("approved by", ""))
    return (
        '<div class="signed">'
        + "".join(
            f'<div><span class="line">{escape(name)}</span><span class="small quiet">{role}, '
            "name, date</span></div>"
            for role, name in rows
        )
        + "</div>"
    )


def _of(summary: Summary, key: str, frame: str) -> Mapping[str, Any]:
    """Return the summary's entry of one frame; nothing where there is none."""
    entries = summary.get(key) or ()
    return next((entry for entry in entries if entry.get("frame") == frame), {})


# --- the evidence -----------------------------------------------------------------------------


def _readings(summary: Summary, job: Job, survey: Survey, surface: Loft, scene: Scene) -> str:
    return f"""<section class="new"><h2>Readings against the loft</h2>
<p>A deviation is a reading less the mould line, along the normal, positive where metal stands
outside; the face's depth and the frame's settlement are taken out. {escape(_counted(summary))}</p>
{figure(developed_plan(job, surface, scene))}
{figure(residuals(job, survey, scene.readings, surface))}
</section>"""


def _coverage(job: Job, survey: Survey) -> str:
    """Return at how many readings in use every line was reached at every frame."""
    names = [*(frame.name for frame in job.frames), BETWEEN]
    rows = [
        (line, *(counts[name] or "·" for name in names))
        for line, counts in line_by_frame(job, survey).items()
    ]
    cells = table(("line", *names), rows, numbers=range(1, len(names) + 1))
    return f"""<section class="new"><h2>What the survey reached</h2>
<p>Readings in use by line and frame; a dot where there is none. Readings without a line are not
counted here; survey.svg shows where they stand.</p>
<div class="tight">{cells}</div></section>"""


def _held(summary: Summary, held: Sequence[HeldFrame]) -> str:
    largest = max((float(np.abs(h.error).max()) for h in held if len(h.error)), default=1.0)
    tall = max((float(np.ptp(h.outline[:, 1])) for h in held), default=1.0)
    steps = (1, 2, 5, 10, 20, 50, 100)
    times = float(max(s for s in steps if s == 1 or s * largest <= tall * 0.16))
    pictures = "".join(figure(held_figure(h, times)) for h in held)
    return f"""<section class="new"><h2>Every surviving frame predicted as if missing</h2>
<p>Each frame was left out, the loft faired without it, and its own readings compared with the
line predicted there. This is the nearest there is to measuring the missing frame. End frames are
extrapolated and count in no average.</p>
{holdout_table(summary.get("holdout") or ())}
{f'<div class="three">{pictures}</div>' if pictures else ""}
</section>"""


def _settlement(summary: Summary, evidence: Evidence) -> str:
    return f"""<section class="new"><div class="keep"><h2>Settlement of the frames</h2>
<p>The rigid movement of every frame in its own plane: where the metal stands less where it should.
Bars are 95 % intervals.</p>
{figure(settlement_chart(evidence.settlements))}</div>
{settlement_table(summary.get("settlement") or ())}
</section>"""


def _band(summary: Summary, job: Job, section: Section) -> str:
    band = _of(summary, "bands", section.frame)
    return f"""<section class="keep"><h2>How well {escape(section.frame)} is known</h2>
<p>Along the normal, at each point by itself: ± {cell(band.get("band95_mean_mm"), 2)} mm on
average. For the whole outline at once: ± {cell(band.get("band95_all_mean_mm"), 2)} mm on average,
± {cell(band.get("band95_all_widest_mm"), 2)} mm at its widest.</p>
{figure(band_round(section, job.shop.tolerance_mould_line))}
</section>"""


def _drawing(summary: Summary) -> str:
    facts = summary.get("drawing") or {}
    body = "".join(
        f"<h3>Frame {escape(frame)}</h3>{facts_table(rows)}"
        for frame, rows in facts.items()
        if rows
    )
    words = (
        "Each fact read off the drawing against the survey: confirmed only where an error of three "
        "times its tolerance would have been seen."
        if body
        else "No facts of the drawing were compared."
    )
    return f"<section><h2>The drawing against the survey</h2><p>{words}</p>{body}</section>"


def _make(summary: Summary) -> str:
    made = summary.get("make") or {}
    body = "".join(f"<h3>Frame {escape(k)}</h3>{made_table(v)}" for k, v in made.items() if v)
    return f'<section class="new"><h2>The part to be made</h2>{body}</section>' if body else ""


def _set_aside(summary: Summary) -> str:
    rows = summary.get("rejected") or ()
    return f"""<section class="tight"><h2>Readings set aside, doubted or weakened</h2>
<p>By the fit, or by an entry of the job. Nothing else was left out.</p>
{rejected_table(rows)}</section>"""


def _record(summary: Summary, job: Job) -> str:
    """Return cautions, inputs, versions and options."""
    versions = summary.get("versions") or {}
    options = summary.get("options") or {}
    told = ", ".join(f"{escape(str(k))} {escape(str(v))}" for k, v in versions.items())
    given = "; ".join(
        f"{escape(str(k))}: {escape(', '.join(map(str, v)) if isinstance(v, list) else str(v))}"
        for k, v in options.items()
    )
    frames = table(
        ("frame", "station, mm", "cant, °", "status", "readings"),
        [
            (f.get("name"), cell(f.get("station_mm"), 1), cell(f.get("cant_deg"), 3),
             f.get("status"), cell(f.get("readings"), 0))
            for f in summary.get("frames") or ()
        ],
        numbers=(1, 2, 4),
    )  # fmt: skip
    inputs = inputs_table(summary.get("inputs") or {})
    rules = dict.fromkeys(known(row.get("rule")) for row in summary.get("verdict") or ())
    judged = "".join(f"<p>{escape(rule)}</p>" for rule in rules)
    return f"""<section><h2>How it was judged</h2>{judged or "<p>unknown</p>"}</section>
<section><h2>Cautions</h2>{paragraphs(summary.get("cautions") or ())}</section>
<section class="tight"><h2>Frame schedule</h2>{frames}</section>
<section class="tight keep"><h2>What this was made from</h2>{inputs}
<p class="small quiet">Versions: {told or "unknown"}.<br>Options: {given or "none"}.<br>
Job file {escape(job.path.name)}; no clock time is kept, the date is the job's.</p></section>"""
