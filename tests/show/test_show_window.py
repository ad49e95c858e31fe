"""The picture and the window, drawn off screen."""

import dataclasses

import numpy as np
import pytest
import standin

from loft.job.errors import LoftError
from loft.show import colour, overlay, screen, stage, window
from loft.show.scene import NEAR, scene_of

needs_gl = pytest.mark.skipif(
    not any(screen.loads(library) for library, _ in screen.WINDOWS),
    reason="no OpenGL library on this machine",
)


@pytest.fixture(scope="module")
def whole():
    return standin.whole()


@pytest.fixture(scope="module")
def scene(whole):
    return scene_of(*whole)


def test_without_opengl_the_refusal_names_the_packages():
    with pytest.raises(LoftError, match="libegl1 libgl1-mesa-dri"):
        screen.off_screen_window(lambda name: False)


def test_osmesa_is_taken_where_there_is_no_egl():
    assert screen.off_screen_window(lambda name: "OSMesa" in name) == "vtkOSOpenGLRenderWindow"
    assert screen.off_screen_window(lambda name: True) == "vtkEGLRenderWindow"


def test_window_without_a_screen_is_refused_before_the_renderer_loads(monkeypatch):
    monkeypatch.delenv("DISPLAY", raising=False)
    with pytest.raises(LoftError, match="DISPLAY is not set"):
        screen.renderer(interactive=True)


def test_colours_are_dark_at_both_ends_and_differ_for_the_colour_blind():
    """Lightness falls from the neutral middle to both ends, so the size reads in grey too."""
    rgb = np.array([[int(c[k : k + 2], 16) for k in (1, 3, 5)] for c in colour.COLOURS]) / 255.0
    light = rgb @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(light[:5]) > 0.05).all()
    assert (np.diff(light[4:]) < -0.05).all()
    # Viénot, Brettel and Mollon 1999 (from memory): a deuteranope keeps blue against yellow.
    assert (rgb[:4, 2] > rgb[:4, 0] + 0.1).all()
    assert (rgb[5:, 0] > rgb[5:, 2] + 0.2).all()


def test_ten_bins_agree_with_the_nine_bands():
    bands = colour.Bands(step=0.5)
    value = np.arange(-2.43, 2.44, 0.05)  # never on a bound
    bins = np.clip(np.floor((value + 2.5) / 0.5).astype(int), 0, 9)
    by_bin = [stage.ten_colours()[number] for number in bins]
    assert by_bin == bands.colour(value)


def test_scene_tells_used_doubted_rejected_and_damaged_apart(scene):
    marks, counts = np.unique(scene.readings.mark, return_counts=True)
    assert dict(zip(marks.tolist(), counts.tolist(), strict=True)) == {
        "damaged": 9,
        "doubted": 4,
        "rejected": 5,
        "used": len(scene.readings.mark) - 18,
    }


def test_rejected_and_damaged_readings_do_not_colour_the_skin(whole, scene):
    """The crushed side of F13 is 9 mm in; the colours there come from sound readings only."""
    assert np.abs(scene.skin.mean[scene.skin.away <= NEAR]).max() < 4.0
    evidence = whole[4]
    full = np.ones(len(whole[1]))  # whatever weight an unused reading may carry
    loud = dataclasses.replace(
        evidence, deviations=dataclasses.replace(evidence.deviations, weight=full)
    )
    mean = scene_of(*whole[:4], loud).skin
    assert np.abs(mean.mean[mean.away <= NEAR]).max() < 4.0


def test_ribbon_is_the_band_a_stated_number_of_times_as_wide(whole, scene):
    section, ribbon = whole[3][0], scene.ribbons[0]
    wide = np.linalg.norm(ribbon.outer - ribbon.inner, axis=1)[:-1]
    assert np.allclose(wide, 2.0 * ribbon.times * section.band95)
    away = np.hypot(*ribbon.outer[:, 1:].T)
    assert (away > np.hypot(*ribbon.curve[:, 1:].T)).all()


@needs_gl
def test_picture_shows_the_missing_frame_and_the_deviations(whole, tmp_path):
    import pyvista

    path = tmp_path / "view.png"
    window.picture(*whole, path, size=(800, 500))
    image = pyvista.read(path)
    assert image.dimensions[:2] == (800, 500)
    pixel = image.active_scalars.reshape(-1, image.active_scalars.shape[-1])[:, :3].astype(int)
    red = (pixel[:, 0] > 120) & (pixel[:, 1] < 70) & (pixel[:, 2] < 50)
    warm = (pixel[:, 0] - pixel[:, 2] > 60) & (pixel[:, 1] > 100)
    cool = pixel[:, 2] - pixel[:, 0] > 40
    assert red.sum() > 300
    assert warm.sum() > 1500
    assert cool.sum() > 1500
    assert [item.name for item in tmp_path.iterdir()] == ["view.png"]


@needs_gl
def test_window_cuts_toggles_and_answers(whole, scene):
    pyvista = screen.renderer()
    view = window.viewer(pyvista, whole[0], whole[2], scene, off_screen=True)
    try:
        view.cut(6100.0)
        curve = view.plotter.renderers[0].actors["cut"].mapper.dataset.points
        assert np.allclose(curve[:, 0], 6100.0)
        assert any("station 6100" in getattr(a, "input", "") for a in view.pane)
        number = int(np.flatnonzero(scene.readings.mark == "rejected")[0])
        said = view.ask(scene.readings.point[number])
        for wanted in (
            str(scene.readings.frame[number]),
            str(scene.readings.line[number]),
            "station",
            "buttock line",
            "waterline",
            "rejected by the fit",
            "fit:",
        ):
            assert wanted in said, (wanted, said)
        assert "sd" in view.ask(whole[2].points(5100.0, 0.13))
        before = np.asarray(view.plotter.screenshot(return_img=True), dtype=int)
        view.toggle("skin", False)
        view.plotter.render()
        after = np.asarray(view.plotter.screenshot(return_img=True), dtype=int)
        assert (np.abs(before - after).max(axis=-1) > 40).mean() > 0.05
    finally:
        view.plotter.close()


@needs_gl
def test_a_click_on_a_mark_tells_its_reading(whole, scene):
    """A real press of the button at the place where the mark is drawn."""
    pyvista = screen.renderer()
    view = window.viewer(pyvista, whole[0], whole[2], scene, off_screen=True)
    try:
        view.plotter.show(auto_close=False, interactive=False)
        # A used reading of F12, starboard side, in full view of the starboard bow.
        readings = scene.readings
        number = int(np.flatnonzero((readings.frame == "F12") & (readings.line == "S5S"))[0])
        renderer = view.plotter.renderers[0]
        renderer.SetWorldPoint(*readings.point[number], 1.0)
        renderer.WorldToDisplay()
        x, y, _ = renderer.GetDisplayPoint()
        view.plotter.iren.interactor.SetEventInformation(round(x), round(y))
        view.plotter.iren.interactor.LeftButtonPressEvent()
        view.plotter.iren.interactor.LeftButtonReleaseEvent()
        assert view.said.startswith("F12, line S5S; station 4420")
    finally:
        view.plotter.close()


def test_words_of_a_reading_say_unknown_for_what_was_not_read(scene):
    bl = scene.readings.bl.copy()
    bl[3] = np.nan
    lost = dataclasses.replace(scene, readings=dataclasses.replace(scene.readings, bl=bl))
    assert "buttock line unknown" in window.spoken(lost, 3)


def test_bar_is_lettered_with_its_bounds(monkeypatch):
    words = []
    monkeypatch.setattr(overlay, "plate", lambda *a, **k: None)
    monkeypatch.setattr(overlay, "letter", lambda plotter, text, *a, **k: words.append(text))
    overlay.colour_bar(None, colour.Bands(step=0.5), box=(0.1, 0.1, 0.9, 0.2), unit=1.0)
    assert words[:9] == ["−2", "−1.5", "−1", "−0.5", "+0.5", "+1", "+1.5", "+2", "0"]
