"""Loft a missing fuselage frame from what is left around it.

The steps of the job as functions; each is loaded when it is first asked for, so that
`import loft` is quick.

Examples
--------
>>> import loft
>>> loft.__all__[2:5]
['deviation', 'fair', 'fit_arcs']
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loft.bench.block import forming_block
    from loft.bench.frame import frame_lines
    from loft.bench.offsets import offset_table
    from loft.drawing.search import fit_arcs
    from loft.fairing.evidence import deviation, holdout
    from loft.fairing.surface import Surface, fair
    from loft.job.errors import LoftError
    from loft.job.schema import read_job
    from loft.survey.gather import read_survey

__all__ = [
    "LoftError",
    "Surface",
    "deviation",
    "fair",
    "fit_arcs",
    "forming_block",
    "frame_lines",
    "holdout",
    "offset_table",
    "read_job",
    "read_survey",
]

_HOMES = {
    "LoftError": "loft.job.errors",
    "Surface": "loft.fairing.surface",
    "deviation": "loft.fairing.evidence",
    "fair": "loft.fairing.surface",
    "fit_arcs": "loft.drawing.search",
    "forming_block": "loft.bench.block",
    "frame_lines": "loft.bench.frame",
    "holdout": "loft.fairing.evidence",
    "offset_table": "loft.bench.offsets",
    "read_job": "loft.job.schema",
    "read_survey": "loft.survey.gather",
}


def __getattr__(name: str) -> Any:
    """Load a public name from its home when it is first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'loft' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """Name the public names beside the module's own."""
    return sorted({*globals(), *__all__})
