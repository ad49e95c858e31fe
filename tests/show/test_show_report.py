"""The report: every figure is the summary's, it is honest about what is unknown, it prints."""

import copy
import dataclasses
import io
import re
import zlib

import numpy as np
import pytest
import standin
from browser import needs_browser, opened

from loft.show import figures, raster, report
from loft.show.held import worst
from loft.show.scene import NEAR, scene_of


@pytest.fixture(scope="module")
def parts():
    job, survey, body, sections, evidence = standin.whole()
    held = standin.make_held(body, job, worst(evidence.holdouts), np.random.default_rng(3))
    return {
        "summary": standin.make_summary(job, survey, body, sections, evidence),
        "job": job, "survey": survey, "surface": body, "sections": sections,
        "evidence": evidence, "held": held,
    }  # fmt: skip


def page_of(parts, **change):
    given = {**parts, **change}
    return report.report_page(given.pop("summary"), **given)


@pytest.fixture(scope="module")
def html(parts):
    return page_of(parts)


def words_of(html):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_first_page_concludes(parts, html):
    first = words_of(html[: html.index("Readings against the loft")])
    verdict = parts["summary"]["verdict"][0]
    assert verdict["verdict"].capitalize() in first
    for reason in verdict["reasons"]:
        assert re.sub(r"\s+", " ", reason) in first
    for wanted in ("14 May 1938", "Loft floor, bay 2", "checked by", "approved by",
                   "Shape only, not approved data", "licensed engineer",
                   parts["summary"]["section"][0]["hash"]):  # fmt: skip
        assert wanted in first, wanted


def test_first_page_says_what_it_rests_on_what_to_distrust_and_what_comes_next(parts):
    summary = copy.deepcopy(parts["summary"])
    name = parts["sections"][0].frame
    summary["plan"] = {name: [f"take reading {k}" for k in range(5)]}
    near = {row["frame"]: row for row in summary["holdout"]}
    near["F13"].update(rms_mm=1234.5, coverage95=0.52, note="")
    near["F15"].update(rms_mm=2345.6, coverage95=0.99, note="")
    summary["cautions"] = ["FAILED REPEAT: F12 S3P", "FAILED REPEAT: F12 S4P", "one more"]
    html = page_of(parts, summary=summary)
    first = words_of(html[: html.index("What the survey reached")])
    for wanted in ("take reading 0", "take reading 2", "1234.50 mm rms", "2345.60 mm rms",
                   "F13: predicted as if missing, 52 % of its readings", "2 points read twice",
                   "1 other cautions"):  # fmt: skip
        assert wanted in first, wanted
    assert "take reading 3" not in first
    assert "F15: predicted as if missing, 99" not in first


def test_coverage_counts_every_reading_of_a_line_in_use(parts, html):
    survey = parts["survey"]
    rows = html[html.index("What the survey reached") : html.index("Every surviving frame")]
    told = sum(int(n) for n in re.findall(r"<td class=n>(\d+)</td>", rows))
    lines = [line.name for line in survey.lines]
    assert told == int((survey.use & np.isin(survey.line, lines)).sum()) > 100


@pytest.mark.parametrize(
    ("part", "key", "told"),
    [
        ("section", "girth_mm", "7777.7"), ("section", "half_breadth_port_mm", "7777.7"),
        ("bands", "band95_all_widest_mm", "7777.70"), ("holdout", "rms_mm", "7777.70"),
        ("settlement", "d_wl_mm", "7777.70"), ("rejected", "deviation_mm", "7777.70"),
        ("frames", "station_mm", "7777.7"),
    ],
)  # fmt: skip
def test_figures_are_those_of_the_summary_and_unknown_is_said(parts, html, part, key, told):
    summary = copy.deepcopy(parts["summary"])
    summary[part][0][key] = 7777.7
    assert told not in html
    assert told in words_of(page_of(parts, summary=summary))
    summary[part][0][key] = None
    before = words_of(html).count("unknown")
    assert words_of(page_of(parts, summary=summary)).count("unknown") > before


def test_band_is_the_same_on_the_first_page_and_behind_it(parts):
    summary = copy.deepcopy(parts["summary"])
    for number, key in enumerate(
        ("band95_mean_mm", "band95_all_mean_mm", "band95_all_widest_mm"), start=1
    ):
        summary["bands"][0][key] = 1111.11 * number
    words = words_of(page_of(parts, summary=summary))
    assert [words.count(f"± {1111.11 * number:.2f}") for number in (1, 2, 3)] == [2, 2, 2]


def test_everything_set_aside_is_listed_with_its_reason(parts, html):
    listed = words_of(html[html.index("Readings set aside") :])
    assert len(parts["summary"]["rejected"]) == 18
    for row in parts["summary"]["rejected"]:
        assert row["place"] in listed
        assert row["reason"] in listed


def test_contradicted_facts_inputs_and_cautions_stand_in_it(parts, html):
    summary = copy.deepcopy(parts["summary"])
    summary["inputs"] = {"job.toml": "ab" * 32}
    summary["cautions"].append("FAILED REPEAT: F12 S3P")
    words = words_of(page_of(parts, summary=summary))
    for wanted in ("contradicted", "confirmed", "441.00", "ab" * 32, "FAILED REPEAT: F12 S3P"):
        assert wanted in words


def test_one_file_same_bytes_no_outside_address(parts, html):
    assert page_of(parts) == html
    assert not re.search(r'(?:src|href)\s*=\s*["\'](?!data:)', html)
    assert "@import" not in html
    assert "http" not in html.replace("http://www.w3.org/2000/svg", "")


def test_hostile_title_stays_text(parts):
    job = dataclasses.replace(parts["job"], title='</style><script>"alert"</script>')
    html = page_of(parts, job=job)
    assert "<script>" not in html
    assert "</style><script" not in html


def test_plan_is_coloured_by_the_mean_deviation_of_the_place(parts):
    """Read the picture's dots back: the grey bay and the signs must be where the readings are."""
    scene = scene_of(
        *(parts[k] for k in ("job", "survey", "surface", "sections", "evidence")), net=(101, 120)
    )
    girth = figures._girths(parts["surface"], scene)
    body = parts["surface"]
    # Girth of an ellipse by its own integral (common practice, no source), mm.
    a, b, *_ = body._axes(5000.0)
    angle = np.linspace(0, np.pi / 2, 20001)
    quarter = np.trapezoid(np.hypot(a * np.cos(angle), b * np.sin(angle)), angle)
    row = int(np.abs(scene.skin.point[:, 0, 0] - 5000.0).argmin())
    at = scene.skin.point[row, 0, 0]
    scale = body._axes(at)[0] / a
    side = int(np.abs(scene.skin.theta[row] - np.pi / 2).argmin())
    assert girth[row, side] == pytest.approx(quarter * scale, rel=3e-4)  # 120 chords
    port = int(np.abs(scene.skin.theta[row] - 1.5 * np.pi).argmin())
    assert girth[row, port] == pytest.approx(-quarter * scale, rel=3e-4)
    assert (scene.skin.away > NEAR).any()
    svg = figures.developed_plan(parts["job"], body, scene)
    assert "data:image/png" in svg
    assert svg.count("<path") > 150


def test_png_reads_back():
    """PNG 1.2 specification: signature, chunks with CRC, filter byte before each row."""
    index = np.array([[0, 1, -1], [2, 2, 0]])
    data = raster.png_bytes(index, ["#102030", "#405060", "#708090"])
    place, chunks = 8, {}
    while place < len(data):
        size = int.from_bytes(data[place : place + 4], "big")
        name, body = data[place + 4 : place + 8], data[place + 8 : place + 8 + size]
        assert int.from_bytes(data[place + 8 + size : place + 12 + size], "big") == zlib.crc32(
            name + body
        )
        chunks[name] = body
        place += 12 + size
    rows = np.frombuffer(zlib.decompress(chunks[b"IDAT"]), dtype=np.uint8).reshape(2, 4)
    assert (rows[:, 1:].astype(int) - 1 == index).all()
    assert chunks[b"PLTE"][3:6] == bytes.fromhex("102030")
    with pytest.raises(ValueError, match="palette"):
        raster.png_bytes([[3]], ["#102030"])


def test_worst_frames_are_the_largest_rms_extrapolated_last(parts):
    names = worst(parts["evidence"].holdouts, 11)
    held = parts["evidence"].holdouts
    inner = {str(n): r for n, r, e in zip(held.frame, held.rms, held.note, strict=True) if not e}
    assert [inner[n] for n in names[: len(inner)]] == sorted(inner.values(), reverse=True)
    assert set(names[len(inner) :]) == {"F9", "F19"}


def test_pdf_has_the_conclusions_first_and_the_same_bytes_twice(html, tmp_path):
    pypdf = pytest.importorskip("pypdf")
    pytest.importorskip("weasyprint", exc_type=OSError)
    for name in ("one.pdf", "two.pdf"):
        report.report_pdf(html, tmp_path / name)
    one = (tmp_path / "one.pdf").read_bytes()
    assert one == (tmp_path / "two.pdf").read_bytes()
    reader = pypdf.PdfReader(io.BytesIO(one))
    assert [round(float(v) / 72 * 25.4) for v in reader.pages[0].mediabox[2:]] == [210, 297]
    first = re.sub(r"\s+", " ", reader.pages[0].extract_text())
    assert "Measure first" in first
    assert "approved by" in first
    assert "page 1 of" in first
    assert "Readings against the loft" in reader.pages[1].extract_text()


@needs_browser
def test_browser_shows_it_without_faults_or_overflow(html, tmp_path):
    with opened(html, tmp_path, size=(1100, 900)) as browser:
        assert browser.faults == []
        assert [url for url in browser.asked if not url.startswith(("file:", "data:"))] == []
        assert browser.eval("document.documentElement.scrollWidth <= 1100")
        assert browser.eval("document.querySelectorAll('figure svg').length") >= 7
        over = browser.eval(
            "Array.from(document.querySelectorAll('main td, main th, main p')).filter(e =>"
            " e.getBoundingClientRect().right > "
            "document.querySelector('main').getBoundingClientRect().right).length"
        )
        assert over == 0


OVERLAPS = """(() => {
  const words = Array.from(document.querySelectorAll('svg text')).map(e =>
    [e.textContent, e.getBoundingClientRect()]);
  const found = [];
  for (let a = 0; a < words.length; a++) for (let b = a + 1; b < words.length; b++) {
    const [p, q] = [words[a][1], words[b][1]];
    const wide = Math.min(p.right, q.right) - Math.max(p.left, q.left);
    const high = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
    // A letter's box is a third taller than its ink.
    if (wide > 1 && high > 0.30 * Math.min(p.height, q.height)) found.push(words[a][0] + " / "
      + words[b][0]);
  }
  return found; })()"""


@needs_browser
def test_no_lettering_overlaps_on_the_lines_drawing(parts, tmp_path):
    from loft.show.lines import lines_drawing

    svg = lines_drawing(*(parts[k] for k in ("job", "survey", "surface", "sections", "evidence")))
    page = f"<html><head></head><body>{svg}</body></html>"
    with opened(page, tmp_path, size=(2300, 1700)) as browser:
        assert browser.eval(OVERLAPS) == []
        outside = browser.eval(
            "(() => { const s = document.querySelector('svg').getBoundingClientRect(); return "
            "Array.from(document.querySelectorAll('svg text')).filter(e => { const r = "
            "e.getBoundingClientRect(); return r.right > s.right - 30 || r.left < s.left + 60; })"
            ".map(e => e.textContent); })()"
        )
        assert outside == []
