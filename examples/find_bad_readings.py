"""List the readings that the fit did not simply believe, and why."""

from loft import deviation
from loft.demo import demo_surface

surface = demo_surface()
survey = surface.survey
found = deviation(surface)

for k in range(len(survey)):
    if found.used[k] != "yes":
        place = survey.frame[k] or f"station {survey.station[k]:.0f}"
        source = f"{survey.source[k]}:{survey.row[k]}"
        print(f"{source:15} {place} {survey.line[k]:5} {found.used[k]:8} {found.reason[k]}")
