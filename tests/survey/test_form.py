"""Blank survey forms: what stands on them, and that the program reads them back."""

import io
from pathlib import Path

import pytest

from loft.job.caution import CAUTION
from loft.job.errors import LoftError
from loft.job.records import CloudSet, Frame, Job, Line, SurveySet, TieSet
from loft.survey.form import (
    CARES,
    STEPS,
    survey_form,
    survey_page,
    targets_form,
    ties_form,
    write_forms,
)
from loft.survey.tables import scan_table
from loft.survey.tape import tape_tolerance, wire_sag
from loft.survey.targets import read_targets
from loft.survey.ties import adjust_table, read_ties

FRAMES = (Frame(name="F12", station=5200.0), Frame(name="F14", station=6160.0))


def job(**more):
    settings = {"path": Path("job.toml"), "title": "Corncrake frame 14", "unit": "mm"}
    return Job(**(settings | {"missing": ("F14",), "frames": FRAMES} | more))


def words(pdf):
    from pypdf import PdfReader

    reader = PdfReader(io.BytesIO(pdf))
    assert len(reader.pages) == 1
    return " ".join(reader.pages[0].extract_text().split()), reader.pages[0].mediabox


def test_page_is_one_sheet_of_a4_with_steps_and_cares():
    """ISO 216: 210 x 297 mm."""
    text, box = words(survey_page(title="Corncrake frame 14"))
    assert float(box.width) / 72 * 25.4 == pytest.approx(210, abs=0.01)
    assert float(box.height) / 72 * 25.4 == pytest.approx(297, abs=0.01)
    assert "Corncrake frame 14" in text
    assert "looking forward" in text
    for sentence in (*STEPS, *CARES, CAUTION):
        assert sentence in text


def test_page_is_the_same_every_time():
    assert survey_page() == survey_page()


def test_nothing_on_the_page_runs_over_its_edge():
    """No text starts left of the margin or ends beyond it, by the drawn string widths."""
    from pypdf import PdfReader
    from reportlab.pdfbase.pdfmetrics import stringWidth

    ends = []

    def visit(text, _cm, matrix, font, size):
        if text.strip():
            name = "Helvetica-Bold" if "Bold" in str(font.get("/BaseFont")) else "Helvetica"
            ends.append((matrix[4] + stringWidth(text.strip(), name, size)) / 72 * 25.4)

    PdfReader(io.BytesIO(survey_page())).pages[0].extract_text(visitor_text=visit)
    assert len(ends) > 40
    assert max(ends) < 198.0


def test_filled_survey_form_is_read():
    source = survey_form(frames=["F12"], lines=["S4P"], unit="in", title="Corncrake")
    source = source.replace("F12,S4P,,,,,,", "F12,S4P,,-24.5,35.25,,,dented")
    table = SurveySet(file=Path("tape.csv"), sigma=1.5, face="skin_outer", unit="in")
    readings, faults = scan_table(job(), table, source=source)
    assert faults == ()
    assert readings[0].bl == pytest.approx(-24.5 * 25.4)
    assert readings[0].note == "dented"


def test_filled_ties_form_is_read():
    source = ties_form(points=["F12:S4P"])
    assert source.count("F12:S4P,tape") == 3
    filled = source.replace(",F12:S4P,bl,,,", ",F12:S4P,bl,-600,,")
    filled = filled.replace(",F12:S4P,wl,,,", ",F12:S4P,wl,900,2,")
    filled = "".join(line for line in filled.splitlines(True) if ",tape," not in line)
    table = TieSet(file=Path("ties.csv"), sigma=1.5, face="skin_inner", unit="mm")
    ties, faults = read_ties(job(), table, source=filled)
    assert faults == ()
    assert [(tie.kind, tie.value, tie.sigma) for tie in ties] == [
        ("bl", -600.0, 1.5),
        ("wl", 900.0, 2.0),
    ]


def test_filled_targets_form_is_read():
    source = targets_form(names=["T1"]).replace("T1,,,,,,,", "T1,1,2,3,5000,-1,7,")
    cloud = CloudSet(
        file=Path("b.ply"), sigma=0.8, face="skin_inner", unit="m", targets=Path("targets.csv")
    )
    assert read_targets(job(), cloud, source=source).scan.tolist() == [[1000.0, 2000.0, 3000.0]]


def test_forms_follow_the_job(tmp_path):
    lines = (Line(name="DL", kind="longeron", side="port"),)
    write_forms(tmp_path, job=job(lines=lines, unit="in"))
    table = (tmp_path / "tape-blank.csv").read_text()
    assert "units of bare lengths: in" in table
    assert "F12,DL," in table
    assert "F14" not in table.splitlines()[-1]
    assert "F12:DL,tape" in (tmp_path / "ties-blank.csv").read_text()


def test_forms_never_overwrite(tmp_path):
    write_forms(tmp_path)
    (tmp_path / "ties-blank.csv").write_text("my readings")
    with pytest.raises(LoftError, match="is there already") as refusal:
        write_forms(tmp_path)
    assert len(refusal.value.findings) == 4
    assert (tmp_path / "ties-blank.csv").read_text() == "my readings"
    write_forms(tmp_path, force=True)
    assert (tmp_path / "ties-blank.csv").read_text() != "my readings"


def guide():
    return (Path(__file__).parents[2] / "docs" / "survey-team.md").read_text()


def test_ties_of_the_guide_are_solved():
    """The table printed for the survey team, as it stands: both points, to the millimetre."""
    source = next(block for block in guide().split("```") if block.strip().startswith("from,to"))
    table = TieSet(file=Path("ties.csv"), sigma=1.5, face="skin_inner", unit="mm")
    result = adjust_table(job(), table, source=source.strip() + "\n")
    assert result.place("F12:S4P") == pytest.approx([5200.0, -600.0, 1371.0], abs=1.0)
    assert result.place("F12:S5P") == pytest.approx([5200.0, -640.0, 1190.0], abs=1.0)
    assert result.failures == ()


def test_figures_of_the_guide_are_the_programs():
    text = guide()
    for name in ("I", "II", "III"):
        row = next(line for line in text.splitlines() if line.startswith(f"| {name} |"))
        printed = [float(cell.replace("mm", "")) for cell in row.split("|")[2:-1]]
        found = [tape_tolerance(1000.0 * metres, name) for metres in (3, 5, 8, 10)]
        assert printed == pytest.approx(found, abs=0.051)
    sag = [wire_sag(1000.0 * metres, diameter_mm=0.5, pull_n=90.0) for metres in (5, 10)]
    assert f"sags\n   {sag[0]:.1f} mm over 5 m and {sag[1]:.1f} mm over 10 m" in text


def test_unknown_unit_is_refused():
    with pytest.raises(LoftError, match="unit furlong found, mm, m, in, ft, ft-in wanted"):
        survey_form(unit="furlong")
