"""The jet's force where the flow changes: a drip that still pushes."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_windows import Floats, around, drawn, true_g

from agent.flow.measuring import measure

FLOW, JET_G, OPEN_S, DELAY_S = 4.0, 7.0, 20.0, 0.08


@pytest.mark.parametrize("speed", [0.0, 1.0])
@pytest.mark.parametrize(("drip_g", "drip_s"), [(2.0, 0.55), (1.5, 1.0), (1.0, 1.2), (4.7, 1.8)])
def test_a_drip_is_told_whether_it_pushes_or_falls(speed: float, drip_g: float, drip_s: float) -> None:
    """A push of the jet's speed hides that it dies away: it was taken for liquid that ran 1 s longer."""

    def push(t: Floats) -> Floats:
        late_s = t - DELAY_S - OPEN_S
        dripping = np.where(late_s >= 0, drip_g / drip_s * np.exp(-np.maximum(late_s, 0.0) / drip_s), 0.0)
        return np.asarray(speed * JET_G / FLOW * dripping)

    window = drawn(
        flow=FLOW, jet_g=JET_G, drip_g=drip_g, drip_s=drip_s, push=push, rate_hz=20.0, after_s=18.0
    )
    measured = measure(window, around())
    assert "duration_disagrees" not in measured.flags
    assert measured.drip_g == pytest.approx(drip_g, rel=0.3)
    assert measured.mass_g == pytest.approx(true_g(FLOW, OPEN_S) + drip_g, rel=7e-4)
    assert measured.flow is not None
    assert measured.flow_g_per_min is not None
    assert measured.flow.u < 3e-3 * measured.flow_g_per_min
