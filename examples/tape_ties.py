"""Adjust the tapes of the demo's F15 and see how the misread one is found."""

from pathlib import Path
from tempfile import TemporaryDirectory

from loft import read_job
from loft.demo import write_demo
from loft.survey.adjusted import adjusted_points_table
from loft.survey.ties import adjust_table

with TemporaryDirectory() as folder:
    write_demo(Path(folder) / "demo")
    job = read_job(Path(folder) / "demo")
    adjustment = adjust_table(job, job.ties[0])

print(adjusted_points_table(job, adjustment))
for finding in adjustment.findings:
    print(f"{finding.severity}: {finding.line()}")
weakest = adjustment.detectable[adjustment.used].max()
print(f"a slip of {weakest:.1f} mm shows in four cases of five, even at the least checked reading")
