"""Poor jobs are shown too: no labels, two missing frames, canted, nothing known."""

import dataclasses
import xml.etree.ElementTree as ET

import numpy as np
import pytest
import standin

from loft.job.records import Evidence
from loft.show import lines, page, report, screen, window


def unlabelled():
    job, survey, body, sections, evidence = standin.whole()
    body.lines = {}
    blank = np.full(len(survey), "")
    none = dataclasses.replace(
        sections[0].crossings,
        **{f.name: getattr(sections[0].crossings, f.name)[:0]
           for f in dataclasses.fields(sections[0].crossings)},
    )  # fmt: skip
    bare = (dataclasses.replace(sections[0], crossings=none),)
    return job, dataclasses.replace(survey, line=blank, lines=()), body, bare, evidence


def two_missing():
    return standin.whole(missing=("F12", "F14"), cant=0.07)


def nothing_known():
    """No deviation, no angle, no band, no settlement is known."""
    job, survey, body, sections, evidence = standin.whole()
    nan = np.full(len(survey), np.nan)
    found = dataclasses.replace(evidence.deviations, deviation=nan, theta=nan, standardised=nan)
    unknown = np.full(len(evidence.settlements.frame), np.nan)
    settled = dataclasses.replace(
        evidence.settlements,
        **dict.fromkeys(("d_bl", "d_wl", "roll", "sd_bl", "sd_wl", "sd_roll"), unknown),
    )
    blind = np.full(len(sections[0].girth), np.nan)
    section = dataclasses.replace(sections[0], sd=blind, band95=blind, band95_all=blind)
    whole = Evidence(deviations=found, settlements=settled, holdouts=evidence.holdouts, findings=())
    return job, survey, body, (section,), whole


CASES = {"unlabelled": unlabelled, "two missing": two_missing, "nothing known": nothing_known}


@pytest.mark.parametrize("case", CASES)
def test_lines_drawing_is_drawn_whole(case):
    svg = lines.lines_drawing(*CASES[case]())
    ET.fromstring(svg)
    assert "nan" not in svg.lower().replace("nance", "")


@pytest.mark.parametrize("case", CASES)
def test_page_is_written_whole(case):
    html = page.view_page(*CASES[case]())
    assert html.rstrip().endswith("</html>")
    if case == "two missing":
        assert "F12, F14" in html


@pytest.mark.parametrize("case", CASES)
def test_report_says_unknown_and_never_nan(case):
    job, survey, body, sections, evidence = CASES[case]()
    summary = standin.make_summary(job, survey, body, sections, evidence)
    html = report.report_page(
        summary, job=job, survey=survey, surface=body, sections=sections, evidence=evidence
    )
    assert not [word for word in ("nan", "NaN", ">None<") if word in html.replace("nance", "")]
    for name in job.missing:
        assert f"Frame {name} as lifted off" in html
    if case == "nothing known":
        assert "± unknown" in html


@pytest.mark.skipif(
    not any(screen.loads(library) for library, _ in screen.WINDOWS), reason="no OpenGL library"
)
@pytest.mark.parametrize("case", CASES)
def test_picture_is_drawn(case, tmp_path):
    window.picture(*CASES[case](), tmp_path / "view.png", size=(480, 300))
    assert (tmp_path / "view.png").stat().st_size > 5000
