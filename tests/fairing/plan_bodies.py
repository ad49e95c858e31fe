"""Simulated bodies of known shape, their surveys, and the readings a plan asks for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from loft.fairing.basis import kink
from loft.fairing.chines import Chines
from loft.fairing.equations import Batch
from loft.fairing.fit import fit_surface
from loft.fairing.prospect import Candidate
from loft.fairing.rows import knot_stations, make_batch, sort_rows
from loft.fairing.smoother import Run, make_run
from loft.fairing.surface import Surface, fair
from loft.job.records import Fair, Frame, Job, Line, Survey

STATIONS = np.array([0, 480, 1000, 1450, 1960, 2500, 2950, 3480, 4020, 4500, 5000, 5490.0])
MISSING = 5
EDGE = 2.1  # angle of the chines, radians
SETTLE = 2.0, 2.0, np.deg2rad(0.1)


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """A body, how its frames really moved, and its survey."""

    job: Job
    survey: Survey
    moved: dict[str, np.ndarray]
    edge: float

    def missing(self) -> Frame:
        return self.job.frame(self.job.missing[0])

    def reader(self, rng: np.random.Generator) -> Callable[[Candidate], np.ndarray]:
        """How a reading turns out: the true body, the frame's movement, an error."""

        def read(candidate: Candidate) -> np.ndarray:
            place = truth(candidate.station, candidate.theta, self.edge)
            moved = self.moved.get(candidate.frame, np.zeros(3))
            return settled(place, moved) + rng.normal(0.0, candidate.sigma, 2)

        return read


def truth(station: float, theta: float, edge: float = 0.0) -> np.ndarray:
    """A tapering, slightly squared body, with chines at EDGE where `edge`; (bl, wl), mm."""
    u = station / 5500.0
    swell = 1 + 0.015 * np.cos(4 * theta) - 0.02 * np.cos(3 * theta) * (1 + u)
    swell = swell - edge * (kink(theta - EDGE)[0] + kink(theta + EDGE)[0])
    half, high = 620 * (1 - 0.3 * u * u), 760 * (1 - 0.22 * u**1.6)
    return np.array([half * swell * np.sin(theta), 40 * u + high * swell * np.cos(theta)])


def settled(place: np.ndarray, moved: np.ndarray) -> np.ndarray:
    bl, wl, roll = moved
    return place + np.array([bl - roll * place[1], wl + roll * place[0]])


def simulate(
    seed: int, *, lines: int = 20, sigma: float = 1.5, unread: tuple[str, ...] = (),
    robust: bool = True, edge: float = 0.0, bay: tuple[float, ...] = (),
) -> Simulated:  # fmt: skip
    """A survey of `lines` lines a frame; `unread` are frame:line pairs that were not read.

    `bay` are stations between frames at which every fourth line was read too.
    """
    rng = np.random.default_rng(seed)
    frames = tuple(
        Frame(name=f"F{k + 1}", station=float(x), status="missing" if k == MISSING else "sound")
        for k, x in enumerate(STATIONS)
    )
    names = [f"S{k + 1}{side}" for side in "SP" for k in range(lines // 2)]
    angle = (np.arange(lines // 2) + 0.5) / (lines // 2) * np.pi
    angles = dict(zip(names, np.r_[angle, -angle], strict=True))
    if edge:
        angles |= {"C1S": EDGE, "C1P": -EDGE}
    moved = {f.name: rng.normal(0.0, SETTLE) for f in frames}
    rows = []
    for frame in frames:
        for name, theta in angles.items():
            if frame.status == "missing" or f"{frame.name}:{name}" in unread:
                continue
            place = settled(truth(frame.station, theta, edge), moved[frame.name])
            rows.append((frame.name, name, frame.station, *(place + rng.normal(0, sigma, 2))))
    for x in bay:
        for name, theta in list(angles.items())[::4]:
            rows.append(("", name, x, *(truth(x, theta, edge) + rng.normal(0, sigma, 2))))
    sides = {"S": "starboard", "P": "port"}
    kept = tuple(
        Line(name=name, side=sides[name[-1]], chine=name[0] == "C",
             kind="chine" if name[0] == "C" else "stringer")
        for name in angles
    )  # fmt: skip
    job = Job(
        path=Path("job.toml"), title="simulated", unit="mm", missing=(frames[MISSING].name,),
        frames=frames, lines=kept, fair=Fair(settlement=SETTLE, robust=robust),
    )  # fmt: skip
    return Simulated(job=job, survey=survey_of(rows, sigma, kept), moved=moved, edge=edge)


def survey_of(rows: list[tuple], sigma: float, lines: tuple[Line, ...]) -> Survey:
    frame, line, station, bl, wl = (np.array(part) for part in zip(*rows, strict=True))
    n = len(frame)
    return Survey(
        frame=frame.astype(str), line=line.astype(str), station=station.astype(float),
        bl=bl.astype(float), wl=wl.astype(float), sigma=np.full(n, sigma),
        covariance=np.full((n, 1, 1), sigma**2) * np.eye(3), depth=np.zeros(n),
        face=np.full(n, "skin_outer"), source=np.full(n, "simulated"),
        row=np.arange(1, n + 1), pass_no=np.ones(n, int), use=np.ones(n, bool),
        reason=np.full(n, "", dtype="<U64"), lines=lines,
    )  # fmt: skip


def with_readings(
    body: Simulated, chosen: Sequence[Candidate], read: Callable[[Candidate], np.ndarray]
) -> Survey:
    """The survey with further readings."""
    old = body.survey
    new = survey_of([(c.frame, c.line, c.station, *read(c)) for c in chosen], 1.0, old.lines)
    sigma = np.array([c.sigma for c in chosen])
    new = replace(
        new, sigma=sigma, covariance=sigma[:, None, None] ** 2 * np.eye(3), row=new.row + len(old)
    )
    arrays = {
        name: np.concatenate([getattr(old, name), getattr(new, name)])
        for name, value in vars(old).items()
        if isinstance(value, np.ndarray)
    }
    return replace(old, **arrays)


def refit(surface: Surface, survey: Survey) -> Surface:
    """Fit the survey anew under the variances and about the reference of a surface."""
    job = surface.job
    batch, run, chines = batch_of(surface, survey)
    fit = fit_surface(
        batch, surface.reference, surface.fit.modes, run, settlement=job.fair.settlement,
        chines=chines, robust=job.fair.robust, given=surface.fit.variances,
    )  # fmt: skip
    return replace(surface, survey=survey, fit=fit, first_chines=chines)


def batch_of(surface: Surface, survey: Survey) -> tuple[Batch, Run, Chines | None]:
    """The survey as the fit takes it, about a surface's own chines."""
    wanted = survey.use & np.isfinite(survey.bl) & np.isfinite(survey.wl)
    rows = sort_rows(surface.job, survey, wanted)
    run = make_run(knot_stations(rows))
    chines = surface.first_chines
    if chines is not None:
        mark = np.full(len(survey), -1)
        for k, line in enumerate(chines.lines):
            mark[survey.line == line.name] = k
        chines = replace(chines, mark=mark)
    mark = chines.mark if chines else None
    return make_batch(surface.job, survey, rows, run, mark), run, chines


def settled_fit(body: Simulated) -> Surface:
    """A surface whose weights are those of its variances: the plan's own starting point.

    Learning stops while weights and variances still move a little; fitting again under
    the learned variances lets the weights come to rest.
    """
    surface = fair(body.job, body.survey)
    return refit(refit(surface, body.survey), body.survey)


def band(surface: Surface, frame: Frame) -> float:
    return float(surface.lift(frame).band95.mean())


def miss(body: Simulated, surface: Surface) -> float:
    """Mean square distance of the lifted section from the true body, mm^2."""
    frame = body.missing()
    theta = np.linspace(-np.pi, np.pi, 721)
    line = np.stack([truth(frame.station, t, body.edge) for t in theta])
    x = np.full(len(theta), frame.station)
    return float(np.mean(surface.distance(x, *line.T) ** 2))
