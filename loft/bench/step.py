"""The loft as B-spline surfaces in a STEP file (ISO 10303-21, protocol AP214), mm."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import BSpline, CubicSpline, make_interp_spline

from loft.bench.outline import outline_of
from loft.job.errors import LoftError
from loft.job.records import Array, Frame, Section, freeze_arrays


@dataclass(frozen=True, eq=False, kw_only=True)
class Patch:
    """A bicubic B-spline surface: poles (n, m, 3) in mm, clamped knots of both directions."""

    poles: Array
    knots_u: Array  # along the stations
    knots_v: Array  # along the girth

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, eq=False, kw_only=True)
class Strand:
    """A cubic B-spline curve: poles (n, 3) in mm and clamped knots; `name` of what it draws."""

    name: str
    poles: Array
    knots: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


def strands_of(section: Section, *, name: str) -> tuple[Strand, ...]:
    """Return a section's mould line as curves in aircraft axes, parted at corners and the crown.

    Without a corner it is one curve that ends where it began, with one tangent there.

    Parameters
    ----------
    section : Section
    name : str
        Say here which frame it is and what section.

    Examples
    --------
    >>> from loft.bench.stock import round_section
    >>> (ring,) = strands_of(round_section(600.0), name="F1")
    >>> ring.poles[[0, -1]].round(6).tolist()
    [[1000.0, 0.0, 600.0], [1000.0, 0.0, 600.0]]
    """
    outline = outline_of(section)
    tangent = np.column_stack([outline.normal[:, 1], -outline.normal[:, 0]])
    corners = np.flatnonzero(np.diff(outline.girth) == 0.0) + 1  # a corner stands twice
    strands = []
    for first, stop in pairwise([0, *corners.tolist(), len(outline.girth)]):
        own = slice(first, stop)
        ends = ([(1, tangent[first])], [(1, tangent[stop - 1])])
        curve = make_interp_spline(outline.girth[own], outline.point[own], k=3, bc_type=ends)
        strands.append(Strand(name=name, poles=in_space(section, curve.c), knots=curve.t))
    return tuple(strands)


def in_space(frame: Frame | Section, flat: ArrayLike, *, aft: Array | float = 0.0) -> Array:
    """Return (bl, height) of the frame's plane as (station, bl, wl).

    `aft` mm aft of the heel plane, square to it.

    Examples
    --------
    >>> from loft.bench.stock import round_section
    >>> in_space(round_section(600.0), np.array([[5.0, 7.0]])).tolist()
    [[1000.0, 5.0, 7.0]]
    >>> in_space(round_section(600.0), np.array([[5.0, 7.0]]), aft=2.0).tolist()
    [[1002.0, 5.0, 7.0]]
    """
    sin, cos = np.sin(frame.cant), np.cos(frame.cant)
    pivot = frame.pivot_wl if frame.cant else 0.0
    bl, up = np.asarray(flat, dtype=np.float64).T
    return np.column_stack([frame.station + up * sin + aft * cos, bl, pivot + up * cos - aft * sin])


def patches_of(points: Array, *, breaks: Sequence[int] = ()) -> tuple[Patch, ...]:
    """Return surfaces through a grid of points once round a body.

    Two surfaces at least, so that none is closed on itself: the ring is cut where
    `breaks` says (chines, at which the tangent may break) and, smoothly, at the
    first column and half way round.

    Parameters
    ----------
    points : ndarray, shape (n, m, 3)
        (station, bl, wl), n >= 4 rows by station, m >= 8 columns by girth; the last
        column does not repeat the first.
    breaks : sequence of int
        Columns at which the tangent breaks.

    Returns
    -------
    tuple of Patch
        In order of girth.

    Raises
    ------
    LoftError
        Too few points, or points that are not finite.

    Examples
    --------
    >>> turn = 2 * np.pi * np.arange(24) / 24
    >>> ring = np.stack([0 * turn, 600 * np.sin(turn), 600 * np.cos(turn)], axis=-1)
    >>> grid = np.array([ring + [x, 0.0, 0.0] for x in (0.0, 100.0, 200.0, 300.0)])
    >>> [patch.poles.shape for patch in patches_of(grid)]
    [(4, 15, 3), (4, 15, 3)]
    """
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 3 or points.shape[0] < 4 or points.shape[1] < 8 or points.shape[2] != 3:
        raise LoftError(f"a grid of shape {points.shape} found, 4 rows of 8 points or more wanted")
    if not np.isfinite(points).all():
        raise LoftError("a point that is not finite found on the surface's grid")
    count = points.shape[1]
    chines = sorted({int(column) % count for column in breaks})
    cuts = chines if len(chines) > 1 else sorted({*chines, 0, count // 2})
    before, after, arcs = _tangents(points, chines)
    edges = [*cuts, cuts[0] + count]
    return tuple(
        _patch(points, before, after, arcs, first, last) for first, last in pairwise(edges)
    )


def step_bytes(
    patches: Sequence[Patch],
    *,
    title: str,
    description: str = "",
    strands: Sequence[Strand] = (),
) -> bytes:
    """Return surfaces as a STEP file: an open shell of one face for each patch.

    Sections stand beside it as curves, each a product of its own name.

    The file carries no clock time.

    Parameters
    ----------
    patches : sequence of Patch
    title : str
        Name of the product; say here what section or survey it was made from.
    description : str
    strands : sequence of Strand
        Curves; those of one name are one section.

    Examples
    --------
    >>> turn = 2 * np.pi * np.arange(24) / 24
    >>> ring = np.stack([0 * turn, 600 * np.sin(turn), 600 * np.cos(turn)], axis=-1)
    >>> grid = np.array([ring + [x, 0.0, 0.0] for x in (0.0, 100.0, 200.0, 300.0)])
    >>> step_bytes(patches_of(grid), title="loft").splitlines()[0]
    b'ISO-10303-21;'
    """
    sheet = _Sheet()
    context = _context(sheet)
    faces = [_face(sheet, patch) for patch in patches]
    shell = sheet.add(f"OPEN_SHELL('',({_list(faces)}))")
    model = sheet.add(f"SHELL_BASED_SURFACE_MODEL('',({shell}))")
    use = sheet.add("APPLICATION_CONTEXT('automotive design')")
    sheet.add(f"APPLICATION_PROTOCOL_DEFINITION('','automotive_design',2000,{use})")
    surface = "MANIFOLD_SURFACE_SHAPE_REPRESENTATION"
    _product(sheet, use, model, context, surface, _text(title), _text(description))
    for name in dict.fromkeys(strand.name for strand in strands):
        curves = [_curve(sheet, strand) for strand in strands if strand.name == name]
        wires = sheet.add(f"GEOMETRIC_CURVE_SET('',({_list(curves)}))")
        lines = "GEOMETRICALLY_BOUNDED_WIREFRAME_SHAPE_REPRESENTATION"
        _product(sheet, use, wires, context, lines, _text(name), _text(description))
    head = [
        "ISO-10303-21;",
        "HEADER;",
        f"FILE_DESCRIPTION(('{_text(description or title)}'),'2;1');",
        f"FILE_NAME('{_text(title)}','',(''),(''),'','','');",
        "FILE_SCHEMA(('AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }'));",
        "ENDSEC;",
        "DATA;",
    ]
    return "\n".join([*head, *sheet.rows, "ENDSEC;", "END-ISO-10303-21;", ""]).encode("ascii")


def _tangents(points: Array, chines: Sequence[int]) -> tuple[Array, Array, Array]:
    """Return derivatives by arc before and after every point, unlike at a chine, and the arcs.

    The parameter along the girth is the mean of the rows' chord lengths, the same
    for all rows, so that the surface is one tensor product.
    """
    closed = np.concatenate([points, points[:, :1]], axis=1)
    arcs = np.concatenate(
        [[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=1), axis=2).mean(axis=0))]
    )
    if not chines:
        ring = CubicSpline(arcs, closed, axis=1, bc_type="periodic")
        slope = np.asarray(ring(arcs[:-1], 1))
        return slope, slope, arcs
    before, after, count = np.zeros(points.shape), np.zeros(points.shape), points.shape[1]
    for first, last in pairwise([*chines, chines[0] + count]):
        columns = np.arange(first, last + 1)
        run = CubicSpline(_girth(arcs, columns), points[:, columns % count], axis=1)
        slope = np.asarray(run(_girth(arcs, columns), 1))
        after[:, columns[:-1] % count] = slope[:, :-1]
        before[:, columns[1:] % count] = slope[:, 1:]
    return before, after, arcs


def _girth(arcs: Array, columns: NDArray[np.int64]) -> Array:
    """Return the arcs of columns that may count past the whole ring."""
    count = len(arcs) - 1
    return arcs[:-1][columns % count] + arcs[-1] * (columns // count)


def _patch(points: Array, before: Array, after: Array, arcs: Array, first: int, last: int) -> Patch:
    """Return the surface through columns first to last, cut from the ring's spline."""
    count = points.shape[1]
    across = _girth(arcs, np.arange(first, last + 1))
    grid = points[:, np.arange(first, last + 1) % count]
    ends = ([(1, after[:, first % count])], [(1, before[:, last % count])])
    round_ = make_interp_spline(across, np.moveaxis(grid, 1, 0), k=3, bc_type=ends)
    stations = grid[:, :, 0].mean(axis=1)
    if not (np.diff(stations) > 0).all():
        raise LoftError("the rows of the surface's grid are not in order of station")
    along = make_interp_spline(stations, np.moveaxis(round_.c, 0, 1), k=3)
    return Patch(poles=along.c, knots_u=along.t, knots_v=round_.t)


@dataclass(eq=False)
class _Sheet:
    """The numbered rows of a STEP file."""

    rows: list[str] = field(default_factory=list)

    def add(self, entity: str) -> str:
        """Add a row and return its number as it is referred to."""
        name = f"#{len(self.rows) + 1}"
        self.rows.append(f"{name}={entity};")
        return name

    def point(self, place: Array) -> str:
        """Add a point."""
        return self.add(f"CARTESIAN_POINT('',({_list(_real(value) for value in place)}))")


def _face(sheet: _Sheet, patch: Patch) -> str:
    """Add a face bounded by the four edges of its surface."""
    poles = patch.poles
    rows = [[sheet.point(pole) for pole in row] for row in poles]
    net = ",".join(f"({_list(row)})" for row in rows)
    mults_u, values_u = _knots(patch.knots_u)
    mults_v, values_v = _knots(patch.knots_v)
    surface = sheet.add(
        f"B_SPLINE_SURFACE_WITH_KNOTS('',3,3,({net}),.UNSPECIFIED.,.F.,.F.,.F.,"
        f"({_list(mults_u)}),({_list(mults_v)}),({_list(values_u)}),({_list(values_v)}),"
        ".UNSPECIFIED.)"
    )
    corner = {(i, j): sheet.add(f"VERTEX_POINT('',{rows[i][j]})") for i in (0, -1) for j in (0, -1)}
    first = [row[0] for row in rows]
    last = [row[-1] for row in rows]
    edges = [
        (_edge(sheet, corner[0, 0], corner[-1, 0], first, mults_u, values_u), True),
        (_edge(sheet, corner[-1, 0], corner[-1, -1], rows[-1], mults_v, values_v), True),
        (_edge(sheet, corner[0, -1], corner[-1, -1], last, mults_u, values_u), False),
        (_edge(sheet, corner[0, 0], corner[0, -1], rows[0], mults_v, values_v), False),
    ]
    turned = [
        sheet.add(f"ORIENTED_EDGE('',*,*,{edge},{'.T.' if ahead else '.F.'})")
        for edge, ahead in edges
    ]
    loop = sheet.add(f"EDGE_LOOP('',({_list(turned)}))")
    bound = sheet.add(f"FACE_OUTER_BOUND('',{loop},.T.)")
    return sheet.add(f"ADVANCED_FACE('',({bound}),{surface},.T.)")


def _edge(
    sheet: _Sheet,
    start: str,
    stop: str,
    poles: Sequence[str],
    mults: Sequence[str],
    values: Sequence[str],
) -> str:
    curve = _spline(sheet, "", poles, mults, values)
    return sheet.add(f"EDGE_CURVE('',{start},{stop},{curve},.T.)")


def _curve(sheet: _Sheet, strand: Strand) -> str:
    """Add a curve by itself."""
    poles = [sheet.point(pole) for pole in strand.poles]
    return _spline(sheet, _text(strand.name), poles, *_knots(strand.knots))


def _spline(
    sheet: _Sheet, name: str, poles: Sequence[str], mults: Sequence[str], values: Sequence[str]
) -> str:
    return sheet.add(
        f"B_SPLINE_CURVE_WITH_KNOTS('{name}',3,({_list(poles)}),.UNSPECIFIED.,.F.,.F.,"
        f"({_list(mults)}),({_list(values)}),.UNSPECIFIED.)"
    )


def _knots(knots: Array) -> tuple[list[str], list[str]]:
    """Return multiplicities and values."""
    values, mults = np.unique(knots, return_counts=True)
    return [str(int(mult)) for mult in mults], [_real(float(value)) for value in values]


def _context(sheet: _Sheet) -> str:
    """Add units and accuracy: millimetres, radians."""
    length = sheet.add("(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.))")
    angle = sheet.add("(NAMED_UNIT(*) PLANE_ANGLE_UNIT() SI_UNIT($,.RADIAN.))")
    solid = sheet.add("(NAMED_UNIT(*) SI_UNIT($,.STERADIAN.) SOLID_ANGLE_UNIT())")
    doubt = sheet.add(
        f"UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E-05),{length},"
        "'distance_accuracy_value','largest gap of coincident points')"
    )
    return sheet.add(
        "(GEOMETRIC_REPRESENTATION_CONTEXT(3) "
        f"GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT(({doubt})) "
        f"GLOBAL_UNIT_ASSIGNED_CONTEXT(({length},{angle},{solid})) "
        "REPRESENTATION_CONTEXT('aircraft axes','station aft, buttock line starboard, "
        "waterline up'))"
    )


def _product(
    sheet: _Sheet, use: str, model: str, context: str, kind: str, title: str, description: str
) -> None:
    """Add a product and its shape."""
    about = sheet.add(f"PRODUCT_CONTEXT('',{use},'mechanical')")
    product = sheet.add(f"PRODUCT('{title}','{title}','{description}',({about}))")
    version = sheet.add(f"PRODUCT_DEFINITION_FORMATION('','',{product})")
    design = sheet.add(f"PRODUCT_DEFINITION_CONTEXT('part definition',{use},'design')")
    definition = sheet.add(f"PRODUCT_DEFINITION('design','',{version},{design})")
    shape = sheet.add(f"PRODUCT_DEFINITION_SHAPE('','',{definition})")
    origin = sheet.point(np.zeros(3))
    up = sheet.add("DIRECTION('',(0.,0.,1.))")
    ahead = sheet.add("DIRECTION('',(1.,0.,0.))")
    axes = sheet.add(f"AXIS2_PLACEMENT_3D('',{origin},{up},{ahead})")
    form = sheet.add(f"{kind}('{title}',({axes},{model}),{context})")
    sheet.add(f"SHAPE_DEFINITION_REPRESENTATION({shape},{form})")
    sheet.add(f"PRODUCT_RELATED_PRODUCT_CATEGORY('part','',({product}))")


def _real(value: float) -> str:
    """Return a number as STEP wants it: always with a point."""
    text = f"{value:.9f}".rstrip("0")
    return "0." if text in ("-0.", "0.") else text


def _list(parts: Sequence[str] | Iterator[str]) -> str:
    return ",".join(parts)


def _text(words: str) -> str:
    """Return words as a STEP string holds them: plain letters, quotes doubled."""
    return words.encode("ascii", "replace").decode().replace("'", "''").replace("\n", " ")


def evaluate(patch: Patch, u: Array, v: Array) -> Array:
    """Return points of a surface at parameters u (stations) and v, shape (n, m, 3).

    Examples
    --------
    >>> turn = 2 * np.pi * np.arange(48) / 48
    >>> ring = np.stack([0 * turn, 600 * np.sin(turn), 600 * np.cos(turn)], axis=-1)
    >>> grid = np.array([ring + [x, 0.0, 0.0] for x in (0.0, 100.0, 200.0, 300.0)])
    >>> first = patches_of(grid)[0]
    >>> evaluate(first, np.array([150.0]), np.array([0.0])).round(6).tolist()
    [[[150.0, 0.0, 600.0]]]
    """
    rows = BSpline(patch.knots_u, patch.poles, 3)(u)
    return np.moveaxis(BSpline(patch.knots_v, np.moveaxis(rows, 1, 0), 3)(v), 0, 1)
