"""Pictures of frames predicted as if missing agree with the hold-out table's own refit."""

import numpy as np
import pytest

from loft.demo import demo_surface
from loft.fairing.evidence import holdout
from loft.show.held import held_out


def test_held_frame_has_the_tables_rms():
    """Two ways to the same refit: the picture's errors must square to the table's rms."""
    surface = demo_surface()
    table, _ = holdout(surface)
    for frame in ("F13", "F17"):
        held = held_out(surface, [frame])[0]
        at = int(np.flatnonzero(table.frame == frame)[0])
        assert len(held.error) == table.points[at]
        assert np.sqrt(np.mean(held.error**2)) == pytest.approx(table.rms[at], rel=1e-9)
        assert np.allclose(np.linalg.norm(held.normal, axis=1), 1.0)
