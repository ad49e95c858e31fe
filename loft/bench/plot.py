"""A full-size drawing as DXF, SVG and PDF: pure bytes, the same every time."""

from __future__ import annotations

import io
import math
import unicodedata
from collections.abc import Callable, Iterable
from html import escape
from typing import Any

import numpy as np

from loft.bench.drawing import FAINT, LAYERS, Circle, Drawing, Layer, Stroke, Words, word_box
from loft.job.caution import SHAPE_ONLY
from loft.job.errors import Finding, LoftError
from loft.job.records import Array

MARGIN = 15.0  # mm round a drawing on one sheet
PAPERS = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "Letter": (215.9, 279.4)}
EDGE, FOOT, OVERLAP = 9.0, 16.0, 12.0  # mm of a tile: left free, its foot, shared with the next
_POINT = 72.0 / 25.4
_LONGEST = 5000.0  # mm: a PDF page may not be longer


def dxf_bytes(drawing: Drawing) -> bytes:
    """Return a drawing as DXF (AC1024), units declared as millimetres.

    Examples
    --------
    >>> drawing = Drawing(title="t", subject="s")
    >>> drawing.stroke("MOULD_LINE", [[0.0, 0.0], [100.0, 0.0]])
    >>> b"AC1024" in dxf_bytes(drawing)[:400]
    True
    """
    used = {stroke.layer for stroke in drawing.strokes}
    used |= {stroke.look for stroke in drawing.strokes}
    used |= {circle.layer for circle in drawing.circles} | {word.layer for word in drawing.words}

    def fill(space: Any) -> None:
        for stroke in drawing.strokes:
            look = LAYERS[stroke.look] if stroke.look else None
            own = {"color": look.colour, "linetype": _dash_name(look)} if look else {}
            space.add_lwpolyline(
                np.round(stroke.points, 6).tolist(),
                close=stroke.closed,
                dxfattribs={"layer": stroke.layer, **own},
            )
        for circle in drawing.circles:
            space.add_circle(circle.centre, circle.radius, dxfattribs={"layer": circle.layer})

    layers = [layer for name, layer in LAYERS.items() if name in used]
    return dxf_of(drawing, fill, layers)


def dxf_of(drawing: Drawing, fill: Callable[[Any], None], layers: Iterable[Layer]) -> bytes:
    """Return a DXF with the lettering of a drawing and what `fill` puts in its model space.

    Parameters
    ----------
    drawing : Drawing
        Of which title, subject, lettering and extent are taken.
    fill : callable
        Called with the model space.
    layers : iterable of Layer
        The layers to make.
    """
    import ezdxf

    fixed = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True  # no clock time, no random ids
    try:
        doc = ezdxf.new("R2010", setup=False, units=4)
        doc.header["$MEASUREMENT"] = 1
        doc.header.custom_vars.append("TITLE", drawing.title)
        doc.header.custom_vars.append("SUBJECT", drawing.subject)
        _dxf_layers(doc, layers)
        fill(doc.modelspace())
        _dxf_words(doc.modelspace(), drawing.words)
        low_x, low_y, high_x, high_y = drawing.box()
        doc.header["$EXTMIN"], doc.header["$EXTMAX"] = (low_x, low_y, 0.0), (high_x, high_y, 0.0)
        for name in sorted(doc.entitydb.dxf_types_in_use()):  # a set: its order is no order
            doc.classes.add_class(name)
        out = io.StringIO()
        doc.write(out)
        return out.getvalue().encode(doc.output_encoding)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = fixed


def _dxf_words(space: Any, words: Iterable[Words]) -> None:
    """Put lettering into a model space."""
    from ezdxf.enums import TextEntityAlignment

    align = {
        "start": TextEntityAlignment.LEFT,
        "middle": TextEntityAlignment.CENTER,
        "end": TextEntityAlignment.RIGHT,
    }
    for word in words:
        text = space.add_text(
            word.text,
            height=word.height,
            rotation=word.turn,
            dxfattribs={"layer": word.layer},
        )
        text.set_placement(word.place, align=align[word.anchor])


def _dxf_layers(doc: Any, layers: Iterable[Layer]) -> None:
    """Make layers, each with its line type."""
    for layer in layers:
        if layer.dash:
            pattern = [length * (-1.0) ** k for k, length in enumerate(layer.dash)]
            doc.linetypes.add(_dash_name(layer), pattern=[sum(layer.dash), *pattern])
        doc.layers.add(
            layer.name,
            color=layer.colour,
            linetype=_dash_name(layer),
            lineweight=round(100 * layer.width),
        )


def _dash_name(layer: Layer) -> str:
    return f"{layer.name}_DASHES" if layer.dash else "CONTINUOUS"


def svg_bytes(drawing: Drawing) -> bytes:
    """Return a drawing as SVG in millimetres, width and height in mm.

    Examples
    --------
    >>> drawing = Drawing(title="t", subject="s")
    >>> drawing.stroke("MOULD_LINE", [[0.0, 0.0], [100.0, 0.0]])
    >>> b'width="130mm"' in svg_bytes(drawing)
    True
    """
    low_x, low_y, high_x, high_y = drawing.box()
    wide, tall = high_x - low_x + 2 * MARGIN, high_y - low_y + 2 * MARGIN
    shift = np.array([MARGIN - low_x, high_y + MARGIN])
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_short(wide)}mm" '
        f'height="{_short(tall)}mm" viewBox="0 0 {_short(wide)} {_short(tall)}" '
        'font-family="Helvetica, Arial, sans-serif" fill="none" stroke-linejoin="round">',
        f"<title>{escape(drawing.title)}</title>",
        f"<desc>{escape(drawing.subject)}</desc>",
        f'<rect width="{_short(wide)}" height="{_short(tall)}" fill="#fff"/>',
    ]
    for name, layer in LAYERS.items():
        inside = [
            *(_svg_stroke(s, shift) for s in drawing.strokes if name == s.layer),
            *(_svg_circle(c, shift) for c in drawing.circles if c.layer == name),
            *(_svg_words(w, shift) for w in drawing.words if w.layer == name),
        ]
        if inside:
            dash = " ".join(_short(length) for length in layer.dash)
            style = f' stroke-dasharray="{dash}"' if dash else ""
            parts.append(
                f'<g id="{name}" stroke="{layer.ink}" stroke-width="{layer.width}"{style}>'
            )
            parts += [*inside, "</g>"]
    return ("\n".join([*parts, "</svg>"]) + "\n").encode("utf-8")


def _svg_stroke(stroke: Stroke, shift: Array) -> str:
    points = (stroke.points * [1.0, -1.0] + shift).tolist()
    path = " L".join(f"{_short(x)} {_short(y)}" for x, y in points)
    own = ""
    if stroke.look:
        look = LAYERS[stroke.look]
        dash = " ".join(_short(length) for length in look.dash) or "none"
        own = f' stroke="{look.ink}" stroke-width="{look.width}" stroke-dasharray="{dash}"'
    return f'<path d="M{path}{" Z" if stroke.closed else ""}"{own}/>'


def _svg_circle(circle: Circle, shift: Array) -> str:
    x, y = (np.array(circle.centre) * [1.0, -1.0] + shift).tolist()
    return f'<circle cx="{_short(x)}" cy="{_short(y)}" r="{_short(circle.radius)}"/>'


def _svg_words(word: Words, shift: Array) -> str:
    x, y = (np.array(word.place) * [1.0, -1.0] + shift).tolist()
    turn = f' transform="rotate({_short(-word.turn)} {_short(x)} {_short(y)})"' if word.turn else ""
    ink = LAYERS[word.layer].ink
    return (
        f'<text x="{_short(x)}" y="{_short(y)}" font-size="{_short(word.height / 0.72)}" '
        f'text-anchor="{word.anchor}" fill="{ink}" stroke="none"{turn}>{escape(word.text)}</text>'
    )


def pdf_bytes(drawing: Drawing, *, paper: str = "") -> bytes:
    """Return a drawing as PDF at full size, on one sheet or on tiles to be joined.

    Tiles overlap by 12 mm; a cross in each shared corner must fall on its like on
    the neighbour. Tiles without anything but grid lines are left out. The file asks
    that printers do not scale it.

    Parameters
    ----------
    drawing : Drawing
    paper : str
        "" for one sheet as large as the drawing, or A4, A3, Letter.

    Raises
    ------
    LoftError
        A paper that is not known; one sheet longer than a PDF page can be.

    Examples
    --------
    >>> drawing = Drawing(title="t", subject="s")
    >>> drawing.stroke("MOULD_LINE", [[0.0, 0.0], [100.0, 0.0]])
    >>> pdf_bytes(drawing)[:5]
    b'%PDF-'
    """
    if paper and paper not in PAPERS:
        raise LoftError(Finding(column="paper", text=f"{paper} found, {', '.join(PAPERS)} wanted"))
    from reportlab.pdfgen.canvas import Canvas

    low_x, low_y, high_x, high_y = drawing.box()
    size = (high_x - low_x + 2 * MARGIN, high_y - low_y + 2 * MARGIN)
    if not paper and max(size) > _LONGEST:
        raise LoftError(f"one sheet of {max(size):.0f} mm is longer than a page can be: use tiles")
    out = io.BytesIO()
    sheet = PAPERS.get(paper, size)
    canvas = Canvas(
        out, pagesize=(sheet[0] * _POINT, sheet[1] * _POINT), invariant=1, pageCompression=1
    )
    canvas.setTitle(drawing.title)
    canvas.setSubject(drawing.subject)
    canvas.setAuthor("")
    canvas.setViewerPreference("PrintScaling", "None")
    if paper:
        # drawn once, shown on each tile; its box leaves room for half a line's width
        canvas.beginForm("drawing", low_x - 1, low_y - 1, high_x + 1, high_y + 1)
        _pdf_draw(canvas, drawing)
        canvas.endForm()
        for tile in tiles(drawing, paper):
            _pdf_tile(canvas, drawing, tile)
            canvas.showPage()
    else:
        canvas.scale(_POINT, _POINT)
        canvas.translate(MARGIN - low_x, MARGIN - low_y)
        _pdf_draw(canvas, drawing)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def tiles(drawing: Drawing, paper: str) -> list[dict[str, Any]]:
    """Return the tiles of a drawing that hold more than grid lines, row by row from the top.

    Each has its name (A1 is top left), the window of the drawing it shows
    (x, y of the lower left corner, width, height) and its neighbours' names.

    Examples
    --------
    >>> drawing = Drawing(title="t", subject="s")
    >>> drawing.stroke("MOULD_LINE", [[0.0, 0.0], [300.0, 0.0]])
    >>> [tile["name"] for tile in tiles(drawing, "A4")]
    ['A1', 'A2']
    """
    wide, tall = PAPERS[paper]
    window = (wide - 2 * EDGE, tall - 2 * EDGE - FOOT)
    step = (window[0] - OVERLAP, window[1] - OVERLAP)
    low_x, low_y, high_x, high_y = drawing.box()
    columns = max(math.ceil((high_x - low_x - OVERLAP) / step[0]), 1)
    rows = max(math.ceil((high_y - low_y - OVERLAP) / step[1]), 1)
    left = (low_x + high_x - columns * step[0] - OVERLAP) / 2
    top = (low_y + high_y + rows * step[1] + OVERLAP) / 2
    found = []
    for row in range(rows):
        for column in range(columns):
            corner = (left + column * step[0], top - row * step[1] - window[1])
            if _filled(drawing, corner, window):
                found.append(
                    {
                        "name": f"{_letters(row)}{column + 1}",
                        "row": row,
                        "column": column,
                        "rows": rows,
                        "columns": columns,
                        "corner": corner,
                        "window": window,
                        "paper": paper,
                    }
                )
    for tile in found:
        tile["kept"] = [(other["row"], other["column"]) for other in found]
    return found


def _letters(row: int) -> str:
    return chr(65 + row) if row < 26 else chr(64 + row // 26) + chr(65 + row % 26)


def _filled(drawing: Drawing, corner: tuple[float, float], window: tuple[float, float]) -> bool:
    """Say whether a window shows anything but grid lines and their lettering."""
    low, high = np.array(corner), np.add(corner, window)
    for stroke in drawing.strokes:
        if stroke.layer in FAINT or stroke.layer == "DATUM":
            continue
        points = stroke.points
        if stroke.closed:
            points = np.concatenate([points, points[:1]])
        first, last = points[:-1], points[1:]
        least, most = np.minimum(first, last), np.maximum(first, last)
        if ((least <= high) & (most >= low)).all(axis=1).any():
            return True
    for word in drawing.words:
        least, most = word_box(word)
        big = not word.text.startswith(("BL ", "WL ", "PORT", "STARBOARD"))
        if big and (least <= high).all() and (most >= low).all():
            return True
    return False


def _pdf_draw(canvas: Any, drawing: Drawing) -> None:
    """Draw in millimetres, Y up."""
    canvas.setLineJoin(1)
    for name, layer in LAYERS.items():
        strokes = [stroke for stroke in drawing.strokes if (stroke.look or stroke.layer) == name]
        circles = [circle for circle in drawing.circles if circle.layer == name]
        if strokes or circles:
            canvas.setStrokeColor(layer.ink)
            canvas.setLineWidth(layer.width)
            canvas.setDash(list(layer.dash))
            path = canvas.beginPath()
            for stroke in strokes:
                (x, y), *rest = stroke.points.tolist()
                path.moveTo(x, y)
                for x, y in rest:
                    path.lineTo(x, y)
                if stroke.closed:
                    path.close()
            for circle in circles:
                path.circle(*circle.centre, circle.radius)
            canvas.drawPath(path, stroke=1, fill=0)
    canvas.setDash([])
    for word in drawing.words:
        _pdf_words(canvas, word)


def _pdf_words(canvas: Any, word: Words) -> None:
    canvas.saveState()
    canvas.setFillColor(LAYERS[word.layer].ink)
    canvas.setFont("Helvetica", word.height / 0.72)
    canvas.translate(*word.place)
    if word.turn:
        canvas.rotate(word.turn)
    draw = {
        "start": canvas.drawString,
        "middle": canvas.drawCentredString,
        "end": canvas.drawRightString,
    }[word.anchor]
    draw(0.0, 0.0, western(word.text))
    canvas.restoreState()


def western(text: str) -> str:
    """Return a text in the letters that every PDF reader has: others lose their accents.

    Examples
    --------
    >>> western("Möwe Ćuk № 14")
    'Möwe Cuk No 14'
    """
    out = []
    for sign in text:
        plain = [c for c in unicodedata.normalize("NFKD", sign) if not unicodedata.combining(c)]
        for choice in (sign, "".join(plain)):
            try:
                choice.encode("cp1252")
            except UnicodeEncodeError:
                continue
            out.append(choice)
            break
        else:
            out.append("?")
    return "".join(out)


def _pdf_tile(canvas: Any, drawing: Drawing, tile: dict[str, Any]) -> None:
    """Draw one tile with its window, crosses and foot."""
    wide, tall = tile["window"]
    canvas.scale(_POINT, _POINT)
    canvas.saveState()
    canvas.translate(EDGE, EDGE + FOOT)
    frame = canvas.beginPath()
    frame.rect(0, 0, wide, tall)
    canvas.saveState()
    canvas.clipPath(frame, stroke=0, fill=0)
    canvas.translate(-tile["corner"][0], -tile["corner"][1])
    canvas.doForm("drawing")
    canvas.restoreState()
    canvas.setStrokeColor("#5d666f")
    canvas.setLineWidth(0.13)
    canvas.rect(0, 0, wide, tall)
    half = OVERLAP / 2
    for x in (half, wide - half):
        for y in (half, tall - half):
            canvas.circle(x, y, 2.0)
            canvas.line(x - half, y, x + half, y)
            canvas.line(x, y - half, x, y + half)
    canvas.restoreState()
    _pdf_foot(canvas, drawing, tile)


def _pdf_foot(canvas: Any, drawing: Drawing, tile: dict[str, Any]) -> None:
    """Letter the foot of a tile: what it is, a 100 mm bar, where it belongs."""
    wide = PAPERS[tile["paper"]][0]
    y = EDGE + FOOT - 4.5
    canvas.setFillColor("#14181d")
    canvas.setFont("Helvetica-Bold", 4.4)
    canvas.drawString(EDGE, y - 0.5, tile["name"])
    canvas.setFont("Helvetica", 2.9)
    canvas.drawString(EDGE + 13.0, y, western(drawing.title))
    canvas.drawString(
        EDGE + 13.0, y - 3.9, "FULL SIZE: print without scaling. Lay cross on cross, then cut."
    )
    canvas.drawString(EDGE + 13.0, y - 7.8, SHAPE_ONLY.capitalize() + ".")
    x, low = max(EDGE + 62.0, wide - EDGE - 122.0), EDGE + 1.5
    canvas.setStrokeColor("#14181d")
    canvas.setLineWidth(0.25)
    canvas.line(x, low, x + 100.0, low)
    for number in range(11):
        canvas.line(x + 10.0 * number, low, x + 10.0 * number, low + (2.6 if number % 5 else 4.0))
    canvas.setFont("Helvetica", 2.6)
    canvas.drawCentredString(x + 50.0, low + 5.0, "100 mm")
    _pdf_key(canvas, tile, wide - EDGE - 18.0, EDGE)


def _pdf_key(canvas: Any, tile: dict[str, Any], x: float, y: float) -> None:
    """Draw the little map of tiles, this one filled."""
    cell = min(18.0 / tile["columns"], (FOOT - 2.0) / tile["rows"])
    canvas.setLineWidth(0.1)
    for row, column in tile["kept"]:
        own = (row, column) == (tile["row"], tile["column"])
        canvas.setFillColor("#14181d" if own else "#ffffff")
        canvas.rect(
            x + column * cell,
            y + (tile["rows"] - 1 - row) * cell,
            cell,
            cell,
            stroke=1,
            fill=1,
        )


def _short(value: float) -> str:
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
