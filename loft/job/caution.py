"""What stands on everything that leaves the program: what it is not, and who decides.

`SHAPE_ONLY` is for headings, page feet and metadata with room for a few words; `CAUTION` is
the whole of it.
"""

from __future__ import annotations

SHAPE_ONLY = "shape only, not approved data"
CAUTION = (
    f"{SHAPE_ONLY.capitalize()}. Gauge, alloy, temper, fasteners, heat treatment and cut-outs "
    "come from the maker's data; local rules and a licensed engineer decide."
)
