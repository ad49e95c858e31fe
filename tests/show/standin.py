"""A loft with a closed form: an elliptic body tapering aft, its survey and its evidence.

It answers to the same calls as the faired surface, so the drawings and pages can
be tested against a body whose every point is known.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from loft.job.errors import Finding
from loft.job.records import (
    NAN,
    Crossings,
    Deviations,
    Evidence,
    Frame,
    FrameSection,
    Holdouts,
    Job,
    Line,
    Section,
    Settlements,
    Shop,
    Survey,
)

STATIONS = (3020.0, 3480.0, 3950.0, 4420.0, 4900.0, 5360.0, 5840.0, 6320.0, 6790.0, 7270.0, 7760.0)
NAMES = tuple(f"F{number}" for number in range(9, 20))
STRINGERS = {f"S{k}": np.deg2rad(18.0 * k) for k in range(1, 10)}


@dataclass(frozen=True)
class Run:
    """A line at a nearly constant angle."""

    line: Line
    angle: float
    first: float
    last: float

    def theta(self, station):
        drift = 0.02 * np.sin(self.angle) * (np.asarray(station) - 3000.0) / 4800.0
        return self.angle + drift


class Body:
    """Elliptic sections: bl = a sin(theta), wl = c + b cos(theta)."""

    def __init__(self, missing=("F14",)):
        self.stations = np.array(
            [x for x, name in zip(STATIONS, NAMES, strict=True) if name not in missing]
        )
        lines = [Run(Line(name="CROWN", kind="crown", side="centre"), 0.0, 3020.0, 7760.0)]
        for name, angle in STRINGERS.items():
            for side, sign in (("starboard", 1.0), ("port", -1.0)):
                label = name + side[0].upper()
                lines.append(Run(Line(name=label, side=side), sign * angle, 3020.0, 7760.0))
        lines.append(Run(Line(name="KEEL", kind="keel", side="centre"), np.pi, 3020.0, 7760.0))
        self.lines = {run.line.name: run for run in lines}

    @staticmethod
    def _axes(station):
        x = (np.asarray(station, dtype=np.float64) - 3000.0) / 4800.0
        taper = 1.0 - 0.42 * x**2
        slope = -0.84 * x / 4800.0
        return 560.0 * taper, 660.0 * taper, 120.0 * x**2, 560.0 * slope, 660.0 * slope, x / 20.0

    def points(self, station, theta):
        station, theta = np.broadcast_arrays(np.asarray(station, float), np.asarray(theta, float))
        a, b, c, *_ = self._axes(station)
        return np.stack([station, a * np.sin(theta), c + b * np.cos(theta)], axis=-1)

    def normals(self, station, theta):
        station, theta = np.broadcast_arrays(np.asarray(station, float), np.asarray(theta, float))
        a, b, _, da, db, dc = self._axes(station)
        sin, cos = np.sin(theta), np.cos(theta)
        along = np.stack([np.ones_like(sin), da * sin, dc + db * cos], axis=-1)
        across = np.stack([np.zeros_like(sin), a * cos, -b * sin], axis=-1)
        normal = np.cross(along, across)
        return normal / np.linalg.norm(normal, axis=-1, keepdims=True)

    def sd(self, station, theta):
        station, theta = np.broadcast_arrays(np.asarray(station, float), np.asarray(theta, float))
        gap = np.abs(station[..., None] - self.stations).min(axis=-1)
        return 0.45 + 0.0013 * gap + 0.12 * (1 - np.cos(theta))

    def lift(self, frame: Frame) -> Section:
        theta = np.linspace(0.0, 2 * np.pi, 480, endpoint=False)
        station = np.full_like(theta, frame.station)
        for _ in range(60):
            wl = self.points(station, theta)[:, 2]
            station = frame.station + (wl - frame.pivot_wl) * np.tan(frame.cant)
        point, normal = self.points(station, theta), self.normals(station, theta)
        height = (point[:, 2] - frame.pivot_wl) / np.cos(frame.cant) if frame.cant else point[:, 2]
        plane = np.array([np.cos(frame.cant), 0.0, -np.sin(frame.cant)])
        up = np.array([np.sin(frame.cant), 0.0, np.cos(frame.cant)])
        flat = np.stack([normal[:, 1], normal @ up], axis=1)
        flat /= np.linalg.norm(flat, axis=1, keepdims=True)
        step = np.hypot(np.diff(point[:, 1], append=point[0, 1]), np.diff(height, append=height[0]))
        girth = np.concatenate([[0.0], np.cumsum(step)[:-1]])
        sd = self.sd(station, theta)
        bevel = np.arcsin(-normal @ plane)
        return Section(
            frame=frame.name,
            station=frame.station,
            cant=frame.cant,
            pivot_wl=frame.pivot_wl,
            length=float(step.sum()),
            zero="CROWN line",
            girth=girth,
            bl=point[:, 1],
            wl=point[:, 2],
            height=height,
            station_at=station,
            normal_bl=flat[:, 0],
            normal_height=flat[:, 1],
            bevel=bevel,
            bevel_sd=np.full_like(sd, 0.001),
            radius=np.full_like(sd, 600.0),
            sd=sd,
            band95=1.96 * sd,
            band95_all=2.9 * sd,
            side=np.where(point[:, 1] < 0, "port", "starboard"),
            crossings=self._crossings(frame, theta, girth),
        )

    def _crossings(self, frame, theta, girth):
        angle = np.array([run.theta(frame.station) for run in self.lines.values()]) % (2 * np.pi)
        order = np.argsort(angle, kind="stable")
        angle = angle[order]
        point = self.points(frame.station, angle)
        normal = self.normals(frame.station, angle)
        runs = [list(self.lines.values())[k] for k in order]
        return Crossings(
            line=np.array([run.line.name for run in runs]),
            kind=np.array([run.line.kind for run in runs]),
            girth=np.interp(angle, theta, girth),
            bl=point[:, 1],
            wl=point[:, 2],
            height=point[:, 2],
            normal=np.arctan2(normal[:, 1], normal[:, 2]),
            bevel=np.arcsin(-normal[:, 0]),
            slope=np.zeros_like(angle),
            sd=self.sd(frame.station, angle),
        )


def make_job(missing=("F14",), cant=0.0) -> Job:
    frames = tuple(
        Frame(
            name=name,
            station=x,
            status="missing" if name in missing else "sound",
            cant=cant if name == "F17" else 0.0,
            pivot_wl=0.0,
        )
        for name, x in zip(NAMES, STATIONS, strict=True)
    )
    return Job(
        path=Path("corncrake/job.toml"),
        title="Corncrake frame 14",
        unit="mm",
        missing=tuple(missing),
        frames=frames,
        revision="A",
        date=datetime.date(1938, 5, 14),
        prepared_by="Loft floor, bay 2",
        skin_gauge=0.9,
        stringer_depth=22.0,
        stringer_width=19.0,
        frame_section=FrameSection(stands="on_skin", gauge=1.2),
        shop=Shop(waterlines=100.0, buttocks=100.0, tolerance_mould_line=2.0),
    )


def make_survey(body: Body, job: Job, rng) -> tuple[Survey, Evidence]:
    """Readings of every stringer at every surviving frame, some wrong, and their evidence."""
    rows = []
    for frame in job.frames:
        if frame.name in job.missing:
            continue
        rows += [(frame, run) for run in body.lines.values() if rng.random() > 0.12]
    station = np.array([frame.station for frame, _ in rows])
    theta = np.array([float(run.theta(frame.station)) for frame, run in rows])
    names = np.array([frame.name for frame, _ in rows])
    deviation = rng.normal(0.0, 1.1, len(rows))
    crushed = (names == "F13") & (np.sin(theta) > 0.2)
    deviation[crushed] -= 9.0
    wrong = rng.choice(np.flatnonzero(~crushed), 5, replace=False)
    deviation[wrong] += rng.choice([-1.0, 1.0], 5) * rng.uniform(7.0, 21.0, 5)
    doubted = rng.choice(np.setdiff1d(np.flatnonzero(~crushed), wrong), 4, replace=False)
    deviation[doubted] += 3.4
    used = np.full(len(rows), "yes", dtype="U8")
    used[doubted], used[wrong], used[crushed] = "doubted", "no", "no"
    reason = np.full(len(rows), "", dtype="U90")
    reason[doubted] = "fit: 3.2 sd off the surface, given a quarter of its weight"
    for k in wrong:
        reason[k] = f"fit: {deviation[k]:+.1f} mm off the surface that the others agree on"
    reason[crushed] = "damage: crushed starboard side"
    point = body.points(station, theta) + body.normals(station, theta) * (deviation - 0.9)[:, None]
    survey = Survey(
        frame=names,
        line=np.array([run.line.name for _, run in rows]),
        station=station,
        bl=point[:, 1],
        wl=point[:, 2],
        sigma=np.full(len(rows), 1.1),
        covariance=np.tile(1.21 * np.eye(3), (len(rows), 1, 1)),
        depth=np.full(len(rows), 0.9),
        face=np.full(len(rows), "skin_inner"),
        source=np.full(len(rows), "tape.csv"),
        row=np.arange(len(rows)) + 3,
        pass_no=np.ones(len(rows), dtype=np.int64),
        use=~crushed,
        reason=np.where(crushed, "damage: crushed starboard side", ""),
        lines=tuple(run.line for run in body.lines.values()),
    )
    return survey, Evidence(
        deviations=Deviations(
            deviation=deviation,
            standardised=deviation / 1.1,
            raw=deviation + rng.normal(0, 0.6, len(rows)),
            theta=theta,
            weight=np.where(used == "yes", 1.0, np.where(used == "doubted", 0.25, 0.0)),
            used=used,
            reason=reason,
        ),
        settlements=_settlements(body, job, rng),
        holdouts=_holdouts(body, job, names, rng),
        findings=(
            Finding(
                text="F13 starboard side stands 9 mm inside the fair surface; it is entered as "
                "damage and not used",
                severity="warning",
            ),
        ),
    )


def _settlements(body, job, rng):
    names = np.array([frame.name for frame in job.frames if frame.name not in job.missing])
    count = len(names)
    return Settlements(
        frame=names,
        station=body.stations,
        d_bl=rng.normal(0, 1.2, count),
        d_wl=rng.normal(-0.5, 1.5, count),
        roll=rng.normal(0, 0.0015, count),
        sd_bl=np.full(count, 0.5),
        sd_wl=np.full(count, 0.6),
        sd_roll=np.full(count, 0.0006),
        d_station=np.full(count, NAN),
        sd_station=np.full(count, NAN),
        centre_bl=np.zeros(count),
        centre_wl=np.full(count, 40.0),
    )


def _holdouts(body, job, frame_of, rng):
    names = np.array([frame.name for frame in job.frames if frame.name not in job.missing])
    count = len(names)
    rms = rng.uniform(0.9, 2.2, count)
    note = np.full(count, "", dtype="U60")
    note[[0, -1]] = "extrapolated"
    return Holdouts(
        frame=names,
        station=body.stations,
        points=np.array([(frame_of == name).sum() for name in names]),
        rms=rms,
        largest=rms * 2.4,
        coverage95=rng.uniform(0.88, 1.0, count),
        band95=rng.uniform(1.8, 3.0, count),
        note=note,
    )


def whole(missing=("F14",), cant=0.0, seed=14):
    """Return job, survey, surface, sections and evidence of the stand-in body."""
    body, job = Body(missing), make_job(missing, cant)
    survey, evidence = make_survey(body, job, np.random.default_rng(seed))
    sections = tuple(body.lift(job.frame(name)) for name in missing)
    return job, survey, body, sections, evidence


def make_summary(job, survey, body, sections, evidence):
    """Return the summary of the stand-in body, by the program's own summary."""
    from loft.fairing.tables import section_hash, section_text
    from loft.summary import summary

    noise = SimpleNamespace(noise=1.0)
    surface = SimpleNamespace(stations=body.stations, fit=SimpleNamespace(variances=noise))
    facts = {
        job.missing[0]: [
            {"arc": "side", "dimension": "radius", "given": 5200.0, "sigma": 10.0,
             "fitted": 5188.2, "sd": 9.1, "standardised": -0.9, "detectable": 41.0,
             "suggested": None, "verdict": "confirmed"},
            {"arc": "keel", "dimension": "radius", "given": 410.0, "sigma": 2.0,
             "fitted": 441.0, "sd": 3.0, "standardised": 8.6, "detectable": 11.0,
             "suggested": 441.0, "verdict": "contradicted"},
        ]
    }  # fmt: skip
    result = SimpleNamespace(
        job=job, survey=survey, surface=surface, evidence=evidence, sections=sections,
        hashes={s.frame: section_hash(section_text(s, job)) for s in sections}, checks={},
        inputs=(),
    )  # fmt: skip
    options = {"units": "mm", "frames": list(job.missing)}
    return summary(result, {}, {}, options) | {"drawing": facts}


def make_held(body, job, names, rng):
    """Return held-out frames of the stand-in body with known errors."""
    from loft.show.held import HeldFrame

    held = []
    for name in names:
        station = job.frame(name).station
        circle, theta = np.linspace(0, 2 * np.pi, 181), np.linspace(0, 6, 24)
        normal = body.normals(station, theta)[:, 1:]
        held.append(
            HeldFrame(
                frame=name,
                outline=body.points(station, circle)[:, 1:],
                place=body.points(station, theta)[:, 1:],
                normal=normal / np.linalg.norm(normal, axis=1, keepdims=True),
                error=rng.normal(0.0, 1.5, len(theta)),
            )
        )
    return tuple(held)
