"""The page's first picture: the frames and lines as a plain drawing, seen from the bow.

A browser without a graphics card is some seconds at the three-dimensional view; one that
has none at all keeps the drawing.
"""

from __future__ import annotations

from html import escape

import numpy as np

from loft.job.records import Array
from loft.show.colour import INK, LINE, MISSING
from loft.show.scene import Scene

EYE = np.array([-1.1, 1.85, 0.78])  # as the view opens: off the starboard bow, from above
ROOM = 1000.0  # width of the drawing
MARGIN = 40.0
POINTS = 90  # of a curve, about


def poster(scene: Scene) -> str:
    """Return an SVG of the scene's frames, lines and missing sections, far ones first.

    Examples
    --------
    >>> poster(scene)[:4]  # doctest: +SKIP
    '<svg'
    """
    missing = {ribbon.name: ribbon.curve for ribbon in scene.ribbons}
    rings = sorted((scene.frames | missing).items(), key=lambda ring: seen(ring[1])[:, 2].mean())
    flat = np.concatenate([seen(curve)[:, :2] for _, curve in rings])
    low, high = flat.min(0), flat.max(0)
    scale = ROOM / (high[0] - low[0])
    tall = (high[1] - low[1]) * scale + 2 * MARGIN

    def put(curve: Array) -> Array:
        step = max(1, len(curve) // POINTS)
        some = np.concatenate([curve[:-1:step], curve[-1:]])
        place = seen(some)
        return np.stack(
            [(place[:, 0] - low[0]) * scale + MARGIN, (high[1] - place[:, 1]) * scale + MARGIN], -1
        )

    parts = []
    for name, curve in rings:
        place, colour = put(curve), MISSING if name in missing else INK
        parts.append(
            f'<path d="{_path(place)}Z" fill="#f3f0e8" fill-opacity="0.5" stroke="{colour}" '
            f'stroke-width="{4 if name in missing else 1.4}"/>'
        )
        top = place[place[:, 1].argmin()]
        parts.append(
            f'<text x="{top[0]:.1f}" y="{top[1] - 8:.1f}" text-anchor="middle" fill="{colour}" '
            f'font-size="{19 if name in missing else 14}">{escape(name)}</text>'
        )
    lines = "".join(f'<path d="{_path(put(curve))}"/>' for curve in scene.lines.values())
    return (
        f'<svg id="poster" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 '
        f'{ROOM + 2 * MARGIN:g} {tall:.1f}" role="img" aria-label="frames and lines of the loft">'
        f"{''.join(parts)}"
        f'<g fill="none" stroke="{LINE}" stroke-width="0.8">{lines}</g></svg>'
    )


def seen(points: Array) -> Array:
    """Return points as seen from the eye: to the right, up, and towards it, shape (n, 3).

    Examples
    --------
    >>> aft, starboard, up = seen(np.eye(3))
    >>> bool(aft[0] < starboard[0] < 0), bool(up[1] > 0 == up[0])
    (True, True)
    """
    towards = EYE / np.linalg.norm(EYE)
    right = np.cross([0.0, 0.0, 1.0], towards)
    right /= np.linalg.norm(right)
    return np.asarray(points) @ np.stack([right, np.cross(towards, right), towards], -1)


def _path(place: Array) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in place)
