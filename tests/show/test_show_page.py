"""view.html in a real browser: no faults, no network, layers, hover, cut."""

import dataclasses
import re
import time
import xml.etree.ElementTree as ET

import numpy as np
import pytest
import standin
from browser import needs_browser, opened

from loft.show import page
from loft.show.colour import Bands
from loft.show.poster import poster
from loft.show.scene import NEAR, scene_of

PLOT = 'document.getElementById("loft")'
READY = 'document.body.dataset.ready === "yes"'


@pytest.fixture(scope="module")
def whole():
    return standin.whole()


@pytest.fixture(scope="module")
def html(whole):
    return page.view_page(*whole)


def test_page_is_one_small_enough_file_without_outside_addresses(html):
    assert len(html.encode()) < 8_000_000
    own = html[: html.index('<script type="application/json"')]
    assert not re.search(r'(?:src|href)\s*=\s*["\'](?!#)', own)
    assert "@import" not in own
    assert "Shape only, not approved data" in own


def test_same_input_gives_the_same_bytes(whole, html):
    assert page.view_page(*whole) == html


def test_hostile_names_stay_text(whole):
    job = dataclasses.replace(whole[0], title="</script><script>alert(1)</script>")
    text = page.view_page(job, *whole[1:])
    assert "<script>alert(1)" not in text


def test_scale_is_stepped_at_the_bounds_of_the_bands():
    scale = page.banded_scale()
    step = 0.5
    for value in np.arange(-2.43, 2.44, 0.05):  # never on a bound
        share = (value + 5 * step) / (10 * step)
        colour = next(c for stop, c in scale[1::2] if share <= stop)
        assert colour == Bands(step=step).colour([value])[0]


def test_the_first_picture_has_every_frame_once_far_ones_first(whole):
    """Seen off the starboard bow: what lies forward or to starboard is nearer."""
    scene = scene_of(*whole)
    drawing = ET.fromstring(poster(scene))
    words = [word.text for word in drawing.iter("{http://www.w3.org/2000/svg}text")]
    assert sorted(words) == sorted(scene.frames | {r.name: r.curve for r in scene.ribbons})
    station = {name: curve[:, 0].mean() for name, curve in scene.frames.items()}
    assert words == sorted(words, key=lambda name: -station[name])
    width, tall = (float(v) for v in drawing.attrib["viewBox"].split()[2:])
    for path in drawing.iter("{http://www.w3.org/2000/svg}path"):
        place = np.array(re.findall(r"([-\d.]+) ([-\d.]+)", path.attrib["d"]), float)
        assert (place > 0.0).all()
        assert (place < [width, tall]).all()


@needs_browser
def test_the_first_picture_gives_way_and_stays_where_there_is_no_webgl(html, tmp_path):
    there = 'document.getElementById("poster") !== null'
    with opened(html, tmp_path, ready=READY) as browser:
        assert not browser.eval(there)
    without = html.replace('canvas.getContext("webgl2") || canvas.getContext("webgl")', "false")
    assert without != html
    with opened(without, tmp_path, ready='document.body.dataset.ready === "no 3-D"') as browser:
        assert browser.eval(there)
        assert browser.faults == []


@needs_browser
def test_browser_draws_toggles_tells_and_cuts(whole, html, tmp_path):
    """A real mouse: the skin is told by station, buttock line, waterline, deviation."""
    with opened(html, tmp_path, ready=READY) as browser:
        kinds = browser.eval(f"{PLOT}._fullData.map(t => t.visible)")
        assert kinds.count(False) == 1, "the settlement waits to be asked for"
        _toggle(browser)
        _cut(browser)
        told = _hover(browser)
        assert browser.faults == []
        assert [
            url for url in browser.asked if not url.startswith(("file:", "data:", "blob:"))
        ] == []
    _hover_is_true(whole, told)


def _toggle(browser):
    box = """document.querySelector('#controls input[data-traces="0,1"]')"""
    place = browser.eval(
        f"(r => [r.x + r.width / 2, r.y + r.height / 2])({box}.getBoundingClientRect())"
    )
    for wanted in (False, True):
        browser.click(*place)
        for _ in range(100):
            shown = browser.eval(f"{PLOT}._fullData.slice(0, 2).map(t => t.visible)")
            if shown == [wanted, wanted]:
                break
            time.sleep(0.1)
        assert shown == [wanted, wanted]


def _cut(browser):
    assert browser.eval("document.getElementById('at').textContent") == "Section at station 5360.0"
    near = browser.eval("document.getElementById('near').textContent")
    assert near.startswith("nearest frame F14, missing, 0.0 mm from it")
    browser.eval(
        "(s => { s.value = 0; s.dispatchEvent(new Event('input')); })"
        "(document.getElementById('cut'))"
    )
    assert browser.eval("document.getElementById('at').textContent") == "Section at station 3020.0"
    assert browser.eval("document.querySelectorAll('#drawing .lines text').length") == 20
    assert browser.eval(f"{PLOT}._fullData.slice(-1)[0].x[0]") == pytest.approx(3020.0)


def _hover(browser):
    left, top, width, height = browser.eval(
        "(r => [r.x, r.y, r.width, r.height])"
        "(document.querySelector('#loft canvas').getBoundingClientRect())"
    )
    browser.eval(
        f"{PLOT}.on('plotly_hover', e => {{ const p = e.points[0];"
        " window.hit = [p.x, p.y, p.z]; }) && 1"
    )
    told = []
    for share in np.linspace(0.40, 0.66, 8):
        for step in (0, 1):
            browser.move(left + width * share + step, top + height * 0.49)
            time.sleep(0.35)
        text = browser.eval("document.getElementById('told').innerText")
        told.append((text, browser.eval("window.hit")))
    return told


def _hover_is_true(whole, told):
    """What is told is what was hit, lies on the body, and carries the mean of that place."""
    skins = [(text, hit) for text, hit in told if text.startswith("skin")]
    assert len(skins) >= 4, told
    body = whole[2]
    skin = scene_of(*whole, net=(121, 144)).skin
    stations = []
    for text, hit in skins:
        station, bl, wl = (
            value_of(text, name) for name in ("station", "buttock line", "waterline")
        )
        assert np.allclose([station, bl, wl], hit, atol=2.7)  # the grey patch stands 2.5 mm proud
        a, b, c, *_ = body._axes(station)
        assert np.hypot(bl / a, (wl - c) / b) == pytest.approx(1.0, abs=5e-4)  # one decimal told
        near = np.linalg.norm(skin.point - [station, bl, wl], axis=-1)
        knot = np.unravel_index(near.argmin(), near.shape)
        if skin.away[knot] <= NEAR:
            mean = value_of(text, "mean deviation of the readings near")
            assert mean == pytest.approx(skin.mean[knot], abs=0.0051)  # two decimals told
        else:
            assert "no reading near" in text
        stations.append(station)
        assert bl > 0  # seen from starboard
    assert (np.diff(stations) < 0).all()  # seen from the bow's side: aft is to the left


def value_of(text, name):
    found = re.search(rf"{name} ([+−]?[\d.]+)", text)
    assert found, (name, text)
    return float(found.group(1).replace("−", "-"))
