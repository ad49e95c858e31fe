"""Take the readings that the plan asks for, on the demo aircraft, and see what they brought.

    python benchmarks/planning.py [surveys]

Every survey of the Corncrake is faired, ten readings (sigma 0.75 mm) are planned for F14,
taken off the true body with each frame's true settlement, and everything is faired afresh,
variances and all; beside them ten places drawn at random, and ten evenly spread: every so
many of the candidates, which stand in order of frame and girth.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from loft import corncrake, demo
from loft.fairing.candidates import candidate_readings
from loft.fairing.plan import plan
from loft.fairing.prospect import prospect
from loft.fairing.surface import fair
from loft.job.schema import read_job
from loft.survey.gather import read_survey

COUNT, SIGMA = 10, 0.75


def surveyed(seed):
    with tempfile.TemporaryDirectory() as folder:
        for name, content in demo.demo_files(seed).items():
            (Path(folder) / name).write_bytes(content)
        job = read_job(Path(folder) / "job.toml")
        return job, read_survey(job)


def true_place(surface, candidate):
    """The true body's point at the candidate's station and angle, (bl, wl)."""
    turn = np.linspace(-np.pi, np.pi, 14401)
    station = np.full(len(turn), candidate.station)
    body = corncrake.truth(station, turn)
    angle = surface.theta_of(station, *body.T)
    return body[np.argmin(np.abs(np.angle(np.exp(1j * (angle - candidate.theta)))))]


def taken(surface, candidates, seed):
    """The survey with the candidates read on the true skin, off frames that settled."""
    rng, moved, old = np.random.default_rng(seed), demo.true_settlement(seed), surface.survey
    rows = []
    for number, one in enumerate(candidates):
        place = true_place(surface, one)
        if one.frame:
            across, up, roll = moved[one.frame]
            arm = place - (0.0, demo.CENTRE_WL)
            place = place + (across - roll * arm[1], up + roll * arm[0])
        bl, wl = place + rng.normal(0.0, one.sigma, 2)
        rows.append({
            "frame": one.frame, "line": one.line, "station": one.station, "bl": bl, "wl": wl,
            "sigma": one.sigma, "covariance": one.sigma**2 * np.eye(3), "depth": 0.0,
            "face": "skin_outer", "source": "more.csv", "row": number + 2, "pass_no": 1,
            "use": True, "reason": "",
        })  # fmt: skip
    return replace(old, **{
        name: np.concatenate([getattr(old, name), np.array([row[name] for row in rows])])
        for name in rows[0]
    })  # fmt: skip


def measures(surface, frame):
    """Error of the lifted line (mm rms), the mean band, the share of points inside it."""
    section = surface.lift(frame)
    error = corncrake.true_deviation(frame.station, section.bl, section.wl)
    inside = np.mean(np.abs(error) <= section.band95)
    return np.sqrt(np.mean(error**2)), section.band95.mean(), inside


def survey_row(seed):
    job, survey = surveyed(seed)
    surface, frame = fair(job, survey), job.frame("F14")
    found = candidate_readings(surface, frame, sigma=SIGMA)
    best = [one.reading for one in plan(surface, frame, count=COUNT, candidates=found)]
    rng = np.random.default_rng(seed)
    some = [found[int(k)] for k in rng.choice(len(found), COUNT, replace=False)]
    even = [found[int(k)] for k in (np.arange(COUNT) + 0.5) * len(found) / COUNT]
    row = [*measures(surface, frame)]
    for chosen in (best, some, even):
        claimed = prospect(surface, frame, chosen).band(range(len(chosen))).mean()
        row += [claimed, *measures(fair(job, taken(surface, chosen, seed)), frame)]
    return row


def main(surveys=6):
    rows = np.array([survey_row(seed) for seed in range(1, surveys + 1)])
    mean, rms = rows.mean(0), np.sqrt((rows**2).mean(0))
    print(f"F14 of the Corncrake, {surveys} surveys, {COUNT} more readings of {SIGMA} mm")
    print(f"{'':22}{'band planned':>14}{'band had':>10}{'error rms':>11}{'inside':>8}")
    for k, name in enumerate(("as it stands", "the planned ones", "random ones", "even ones")):
        k *= 4
        claimed = f"{mean[k - 1]:14.2f}" if k else f"{'':14}"
        print(f"{name:22}{claimed}{mean[k + 1]:10.2f}{rms[k]:11.2f}{mean[k + 2]:8.2f}")


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:2]))
