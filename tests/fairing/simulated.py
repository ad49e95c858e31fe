"""Bodies of known shape, exact surfaces of them and simulated surveys."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.polynomial import legendre

from loft.fairing.basis import choose_modes
from loft.fairing.equations import Batch
from loft.fairing.fit import Fit
from loft.fairing.learner import Variances
from loft.fairing.lines import fixed_line
from loft.fairing.reference import Reference
from loft.fairing.smoother import Posterior, make_run
from loft.fairing.surface import Surface
from loft.job.records import Fair, Frame, Job, Line, Survey

FLOOR = 0.6  # of the half-height: where the flat floor of `floored` stands below the centre


def constant(value: float) -> Callable:
    return lambda x: np.full(np.shape(x), float(value))


NIL, ONE = constant(0.0), constant(1.0)


@dataclass(frozen=True, kw_only=True)
class Body:
    """bl = a(x) r(t) sin t, wl = centre(x) + b(x) r(t) cos t; `edges` are angles t."""

    a: Callable
    b: Callable
    centre: Callable = NIL
    r: Callable = ONE
    edges: tuple[float, ...] = ()

    def points(self, x, t):
        x, t = np.broadcast_arrays(np.asarray(x, float), np.asarray(t, float))
        bl = self.a(x) * self.r(t) * np.sin(t)
        return np.stack([x, bl, self.centre(x) + self.b(x) * self.r(t) * np.cos(t)], -1)

    def normals(self, x, t):
        """Outward unit normals, by central differences (good to about 1e-8)."""
        h, e = 0.05, 1e-5
        along = self.points(x + h, t) - self.points(x - h, t)
        round_ = self.points(x, t + e) - self.points(x, t - e)
        normal = np.cross(along, round_)
        return normal / np.linalg.norm(normal, axis=-1, keepdims=True)

    def outside(self, x, bl, wl):
        """Distance outside the true body along the in-plane normal, to first order."""

        def level(y, z):
            y, z = y / self.a(x), (z - self.centre(x)) / self.b(x)
            return np.hypot(y, z) / self.r(np.arctan2(y, z)) - 1

        h = 1e-3
        slope = np.hypot(
            level(bl + h, wl) - level(bl - h, wl), level(bl, wl + h) - level(bl, wl - h)
        )
        return level(bl, wl) / (slope / (2 * h))


def cone(radius: float = 600.0, rate: float = -0.1) -> Body:
    """Round, radius + rate x."""
    size = lambda x: radius + rate * np.asarray(x, float)  # noqa: E731
    return Body(a=size, b=size)


def elliptic_cone(a: float = 500.0, b: float = 700.0, apex: float = 8000.0) -> Body:
    return Body(a=lambda x: a * (1 - x / apex), b=lambda x: b * (1 - x / apex))


def ellipsoid(length: float, a: float, b: float) -> Body:
    """Semi-axes length (along the stations), a and b, about station 0."""
    share = lambda x: np.sqrt(1 - (np.asarray(x, float) / length) ** 2)  # noqa: E731
    return Body(a=lambda x: a * share(x), b=lambda x: b * share(x))


def barrel() -> Body:
    """A squarish body that tapers and drops: nothing in it is an ellipse."""
    return Body(
        a=lambda x: 620 * (1 - 0.30 * (x / 6000) ** 2),
        b=lambda x: 760 * (1 - 0.22 * (x / 6000) ** 2 + 0.03 * (x / 6000) ** 3),
        centre=lambda x: 40 * x / 6000,
        r=lambda t: 1 + 0.02 * np.cos(4 * t) - 0.03 * np.cos(3 * t),
    )


def floored() -> Body:
    """An elliptic barrel with a flat floor: a chine at each side of it."""

    def radius(t):
        down = -np.cos(t)
        return np.where(down > FLOOR, FLOOR / np.maximum(down, FLOOR), 1.0)

    edge = float(np.arccos(-FLOOR))
    return replace(barrel(), r=radius, edges=(edge, -edge))


STATIONS = np.array([0, 480, 1000, 1450, 1960, 2500, 2950, 3480, 4020, 4500, 5000, 5490.0])


def frames_at(stations=STATIONS, *, missing: int | None = None) -> tuple[Frame, ...]:
    return tuple(
        Frame(name=f"F{k + 1}", station=float(x), status="missing" if k == missing else "sound")
        for k, x in enumerate(stations)
    )


def labels(count: int = 20, *, edges: tuple[float, ...] = (), sides: str = "SP") -> dict:
    """Stringers evenly round both sides, `count` of them, and the edges: label to angle."""
    half = count // 2
    angle = (np.arange(half) + 0.5) / half * np.pi
    sign = {"S": 1.0, "P": -1.0}
    out = {f"S{k + 1}{side}": sign[side] * angle[k] for side in sides for k in range(half)}
    names = {1.0: "C1S", -1.0: "C1P"}
    return out | {names[np.sign(e)]: e for e in edges if names[np.sign(e)][-1] in sides}


def line_of(name: str, *, chines: bool = True) -> Line:
    chine = name[0] == "C"
    if name in ("CROWN", "KEEL"):
        return Line(name=name, kind=name.lower(), side="centre", chine=False)
    side = {"S": "starboard", "P": "port"}[name[-1]]
    return Line(
        name=name, kind="chine" if chine and chines else "stringer", side=side,
        chine=chine and chines,
    )  # fmt: skip


def make_job(frames, **fair) -> Job:
    missing = tuple(f.name for f in frames if f.status == "missing")
    return Job(
        path=Path("job.toml"), title="simulated", unit="mm", missing=missing,
        frames=tuple(sorted(frames, key=lambda f: f.station)), fair=Fair(**fair),
    )  # fmt: skip


def make_survey(rows, *, sigma: float = 1.0, depth: float = 0.0, lines=()) -> Survey:
    """Rows of (frame, line, station, bl, wl)."""
    frame, line, station, bl, wl = (np.array(part) for part in zip(*rows, strict=True))
    n = len(frame)
    return Survey(
        frame=frame.astype(str), line=line.astype("<U16"), station=station.astype(float),
        bl=bl.astype(float), wl=wl.astype(float), sigma=np.full(n, sigma),
        covariance=np.full((n, 1, 1), sigma**2) * np.eye(3), depth=np.full(n, depth),
        face=np.full(n, "skin_inner" if depth else "skin_outer"),
        source=np.full(n, "tape.csv"), row=np.arange(2, n + 2), pass_no=np.ones(n, int),
        use=np.ones(n, bool), reason=np.full(n, "", dtype="<U64"), lines=tuple(lines),
    )  # fmt: skip


def simulate(
    body: Body, frames, angles: Mapping[str, float], rng, *, sigma: float = 1.0,
    moved: Mapping[str, tuple[float, ...]] | None = None, depth: float = 0.0,
    noise: float | None = None, between: tuple[float, ...] = (), chines: bool = True,
) -> Survey:  # fmt: skip
    """Survey every frame that is not missing at every angle.

    `moved` gives frames' (d_bl, d_wl, roll, d_station); a touched face lies `depth` inside
    along the normal; `noise` is the true error, `sigma` unless given; `between` are
    stations between frames at which every third line is read too.
    """
    noise = sigma if noise is None else noise
    rows = []
    theta = np.array(list(angles.values()))
    names = list(angles)
    places = [(f.name, f.station) for f in frames if f.status != "missing"]
    places += [("", x) for x in between]
    for frame, station in places:
        some = slice(None) if frame else slice(None, None, 3)
        t, named = theta[some], names[some]
        d_bl, d_wl, roll, shift = (moved or {}).get(frame, (0.0,) * 4)
        x = np.full(len(t), station + shift)
        for _ in range(3):  # the mould-line point whose face lies in the frame's plane
            normal = body.normals(x, t)
            x = station + shift + depth * normal[:, 0]
        place = (body.points(x, t) - depth * normal)[:, 1:]
        arm = place - [0.0, float(body.centre(np.array(station)))]
        place = place + [d_bl, d_wl] + roll * np.stack([-arm[:, 1], arm[:, 0]], -1)
        place = place + rng.normal(0.0, noise, place.shape) if noise else place
        rows += [(frame, n, station, *p) for n, p in zip(named, place, strict=True)]
    lines = tuple(line_of(name, chines=chines) for name in names)
    return make_survey(rows, sigma=sigma, depth=depth, lines=lines)


def take(survey: Survey, index) -> Survey:
    """The survey's readings at `index` (mask or numbers), in that order."""
    arrays = {k: v[index] for k, v in vars(survey).items() if isinstance(v, np.ndarray)}
    return replace(survey, **arrays)


def with_(survey: Survey, where, **values) -> Survey:
    """The survey with some arrays changed at `where`."""
    out = {}
    for name, value in values.items():
        array = np.array(getattr(survey, name))
        array[where] = value
        out[name] = array
    return replace(survey, **out)


def section_error(body: Body, section) -> np.ndarray:
    """Distance of a lifted square section's points outside the true body, mm."""
    return body.outside(section.station_at, section.bl, section.wl)


def rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def exact_surface(body: Body, first: float, last: float, *, sd: float = 1e-6) -> Surface:
    """A surface that is the body itself: r constant, a and b carried by the reference.

    The axes' logarithms are Legendre series of degree 40, for smooth bodies exact to
    rounding; the coefficients' sd is `sd` at the knots.
    """
    nodes = np.cos(np.pi * (np.arange(120) + 0.5) / 120)
    middle, half = (first + last) / 2, (last - first) / 2
    x = middle + half * nodes

    def series(values):
        return legendre.legfit(nodes, np.broadcast_to(values, nodes.shape), 40)

    r0 = 500.0
    reference = Reference(
        middle=middle, half=half, centre_bl=np.zeros(1), centre_wl=series(body.centre(x)),
        log_a=series(np.log(body.a(x))), log_b=series(np.log(body.b(x))), r0=r0,
    )  # fmt: skip
    modes, run = choose_modes("soft"), make_run(np.array([first, last]))
    b = len(modes)
    states = np.zeros((2, 2 * b))
    states[:, 0] = r0
    whole = np.broadcast_to(sd**2 * np.eye(2 * b), (2, 2 * b, 2 * b))
    posterior = Posterior(
        states=states, covariance=whole, gain=np.zeros((1, 2 * b, 2 * b)), local=whole
    )
    none, one = np.zeros((1, 1)), np.ones((1, 1))
    batch = Batch(
        knot=np.zeros(1, int), settles=np.ones(1, bool), drifts=np.zeros(1, bool),
        shift_sigma=np.zeros(1),
        own=np.zeros((1, 1), int), station=none, bl=none, wl=none, sigma=one, covariance=None,
        depth=none, mark=np.full((1, 1), -1),
    )  # fmt: skip
    stiff = Variances(noise=1.0, run=np.full(10, 1e12), size=np.full(5, 1.0), settle=np.ones(3))
    fit = Fit(
        reference=reference, modes=modes, run=run, posterior=posterior, variances=stiff,
        batch=batch, moved=np.zeros((1, 4)), moved_sd=np.zeros((1, 4)), precision=one, error=none,
        centre=np.zeros((1, 2)), freedom=1.0, inflation=1.0,
    )  # fmt: skip
    ends = first, last
    lines = {
        "CROWN": fixed_line(line_of("CROWN"), 0.0, *ends),
        "KEEL": fixed_line(line_of("KEEL"), np.pi, *ends),
    }
    frames = frames_at(np.array([first, last]))
    survey = make_survey([("F1", "", first, 0.0, 1.0)])
    return Surface(
        job=make_job(frames), survey=survey, fit=fit, lines=lines, chines=(),
        stations=np.array(ends), first_chines=None,
    )  # fmt: skip
