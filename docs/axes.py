"""Draw docs/axes.svg: axes, girth, bevel and cant, on the Corncrake's own shape."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from loft.corncrake import STATIONS, true_section, truth
from loft.job.files import write_text

STYLE = """
text { font: 13px sans-serif; fill: #222 }
.title { font-weight: bold; font-size: 15px }
.small { font-size: 12px; fill: #444 }
.axis { stroke: #1a4f8a; stroke-width: 2; fill: none; marker-end: url(#tip) }
.axis-text { fill: #1a4f8a; font-weight: bold }
.body { stroke: #888; stroke-width: 1; fill: none }
.line { stroke: #bbb; stroke-width: .8; fill: none }
.missing { stroke: #b3261e; stroke-width: 2; stroke-dasharray: 6 4; fill: none }
.skin { stroke: #222; stroke-width: 2.2; fill: none }
.help { stroke: #888; stroke-width: 1; stroke-dasharray: 3 3; fill: none }
.arrow { stroke: #2d6a2d; stroke-width: 1.8; fill: none; marker-end: url(#leaf) }
.green { fill: #2d6a2d }
.red { fill: #b3261e }
"""


def path(points: np.ndarray, kind: str, *, closed: bool = False) -> str:
    """Return a polyline."""
    steps = " L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    return f'<path class="{kind}" d="M{steps}{"Z" if closed else ""}"/>'


def text(x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> str:
    """Return one line of words."""
    return f'<text x="{x:.1f}" y="{y:.1f}" class="{kind}" text-anchor="{anchor}">{words}</text>'


def pictorial(x: float, y: float) -> list[str]:
    """Return the body seen from aft and starboard, with the three axes."""
    right = np.array([-0.60, 0.80, 0.0])
    up = np.array([-0.24, -0.18, 0.954])
    eye = np.stack([right, -up]).T * 0.085

    def flat(points: np.ndarray) -> np.ndarray:
        return (points - [6160.0, 0.0, 930.0]) @ eye + [x, y]

    parts = []
    for frame, station in STATIONS.items():
        outline = true_section(frame, step=30.0)
        points = np.column_stack([np.full(len(outline), station), outline])
        parts.append(path(flat(points), "missing" if frame == "F14" else "body", closed=True))
        if frame in ("F8", "F14", "F20"):
            top = flat(np.array([station, 0.0, 1740.0]))
            parts.append(text(*(top - [0, 6]), frame, "red" if frame == "F14" else "", "middle"))
    station = np.linspace(STATIONS["F8"], STATIONS["F20"], 40)
    for theta in np.deg2rad([0, 40, 90, 125, 180, -40, -90]):
        points = np.column_stack([station, truth(station, theta)])
        parts.append(path(flat(points), "line"))
    origin = np.array([9700.0, -200.0, 250.0])
    for step, words, shift, anchor in (
        ([1500, 0, 0], "station, + aft", (4, 24), "middle"),
        ([0, 1100, 0], "buttock line bl, + starboard", (8, 6), "start"),
        ([0, 0, 900], "waterline wl, + up", (-8, -4), "end"),
    ):
        ends = flat(np.array([origin, origin + step]))
        parts += [path(ends, "axis"), text(*(ends[1] + shift), words, "axis-text", anchor)]
    return parts


def section(x: float, y: float) -> list[str]:
    """Return F14 looking forward: girth, normal, deviation."""
    scale = 0.19

    def flat(points: np.ndarray) -> np.ndarray:
        return (np.asarray(points) - [0.0, 930.0]) * [scale, -scale] + [x, y]

    parts = [path(flat(true_section("F14", step=10.0)), "skin", closed=True)]
    parts.append(path(flat([[0, 1760], [0, 80]]), "help"))
    parts.append(path(flat([[-700, 900], [700, 900]]), "help"))
    theta = np.linspace(0.06, np.deg2rad(62), 60)
    normal = np.column_stack([np.sin(theta), np.cos(theta)])
    parts.append(path(flat(truth(6160.0, theta) + 70.0 * normal), "arrow"))
    ring = flat(truth(6160.0, np.deg2rad(30)) + [95, 110])
    parts.append(text(*ring, "girth, 0 at the crown,", "green"))
    parts.append(text(*(ring + [0, 16]), "+ down the starboard side", "green"))
    at = truth(6160.0, np.deg2rad(122))
    out = np.array([np.sin(np.deg2rad(122)), np.cos(np.deg2rad(122))])
    parts.append(path(flat([at, at + 190 * out]), "arrow"))
    label = flat(at + 200 * out)
    parts.append(text(*(label + [4, 6]), "outward normal;", "green"))
    parts.append(text(*(label + [4, 22]), "deviation + outside", "green"))
    for point, words, shift, anchor in (
        ([0, 1700], "CROWN", (0, 20), "middle"),
        ([0, 154], "KEEL", (0, 22), "middle"),
        ([-300, 900], "port, bl −", (0, -6), "middle"),
        ([300, 900], "starboard, bl +", (0, -6), "middle"),
    ):
        parts.append(text(*(flat(point) + shift), words, "", anchor))
    return parts


def bevels(x: float, y: float) -> list[str]:
    """Return the sign of the bevel and of the cant."""
    parts = [
        path(np.array([[x, y + 40], [x + 250, y + 90]]), "skin"),
        path(np.array([[x + 125, y - 15], [x + 125, y + 130]]), "help"),
        path(np.array([[x + 125, y + 65], [x + 195, y + 65]]), "axis"),
        text(x + 200, y + 60, "N, aft", "axis-text"),
        path(np.array([[x + 125, y + 65], [x + 141, y - 15]]), "arrow"),
        text(x + 146, y - 8, "n, outward", "green"),
        text(x, y + 152, "The skin runs inwards going aft: the bevel is negative.", "small"),
        text(x, y + 168, "sin(bevel) = −n·N", "small"),
    ]
    x += 390
    lean = np.array([[x + 60, y + 130], [x + 92, y - 15]])
    parts += [
        path(np.array([[x, y + 95], [x + 190, y + 95]]), "help"),
        path(np.array([[x + 67.7, y - 15], [x + 67.7, y + 130]]), "help"),
        path(lean, "skin"),
        path(np.array([[x + 110, y + 55], [x + 190, y + 55]]), "axis"),
        text(x + 196, y + 60, "aft", "axis-text"),
        text(x + 196, y + 99, "pivot_wl", "small"),
        text(x, y + 152, "Cant is positive where the top leans aft. The heel plane", "small"),
        text(x, y + 168, "crosses pivot_wl on bl 0 at the frame's station.", "small"),
    ]
    return parts


def drawing() -> str:
    """Return the whole sheet as SVG text."""
    tips = "".join(
        f'<marker id="{name}" viewBox="0 0 10 10" refX="9" refY="5" markerWidth="7" '
        f'markerHeight="7" orient="auto"><path d="M0 1 10 5 0 9z" fill="{colour}"/></marker>'
        for name, colour in (("tip", "#1a4f8a"), ("leaf", "#2d6a2d"))
    )
    parts = [
        text(20, 30, "The body, seen from aft and starboard above", "title"),
        *pictorial(340, 230),
        text(560, 30, "A section, looking forward", "title"),
        *section(720, 235),
        text(20, 470, "Bevel: the starboard skin at a frame, from above", "title"),
        text(560, 470, "Cant: the frame from port", "title"),
        *bevels(170, 520),
    ]
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 980 710" width="980" height="710">\n'
        f"<style>{STYLE}</style><defs>{tips}</defs>\n"
        '<rect width="980" height="710" fill="white"/>\n' + "\n".join(parts) + "\n</svg>\n"
    )


if __name__ == "__main__":
    write_text(Path(__file__).with_name("axes.svg"), drawing())
