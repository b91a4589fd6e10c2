"""Windows drawn for tests: liquid poured in small steps through a lagging, noisy, rounding scale."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from agent.contract.fluids import known_fluid
from agent.contract.plan import Scale
from agent.detection.window import Window
from agent.flow.surroundings import Surroundings

Floats = NDArray[np.float64]
OPENED_S = 1_800_000_000.0
STEP_S = 0.005
ACETONE_20_C = 1.0013694
"""Buoyancy factor of acetone at 20 C in air of 1.199 kg/m3."""


def around(resolution_g: float = 0.1, capacity_g: float = 6100.0, **members: object) -> Surroundings:
    """A scale, and acetone at 20 C."""
    scale = Scale("floor", resolution_g, capacity_g)
    return replace(Surroundings(scale, known_fluid("acetone"), 20.0), **members)  # type: ignore[arg-type]


def drawn(
    *,
    flow: Callable[[Floats], Floats] | float = 2.0,
    open_s: float = 20.0,
    before_s: float = 10.0,
    after_s: float = 12.0,
    delay_s: float = 0.08,
    drip_g: float = 0.0,
    drip_s: float = 1.0,
    loss_g_per_s: float = 0.0,
    jet_g: float = 0.5,
    lag_s: float = 0.2,
    noise_g: float = 0.05,
    rate_hz: float = 10.0,
    resolution_g: float = 0.1,
    push: Callable[[Floats], Floats] | None = None,
    filtered: Floats | None = None,
    seed: int = 1,
    **members: object,
) -> Window:
    """One dispense; `flow` in true g/s, by seconds since the liquid came where it is a function.

    `push` is a force on the pan in g by seconds since the opening. `filtered` is the impulse response of
    the scale's filter in steps of `STEP_S`, instead of a single lag. Other members go to the window.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(-before_s - 5.0, open_s + after_s, STEP_S)
    since = t - delay_s
    running = (since >= 0) & (since < open_s)
    poured = np.where(running, flow(since) if callable(flow) else flow, 0.0)
    late = np.maximum(since - open_s, 0.0)
    dripping = np.where(since >= open_s, drip_g / drip_s * np.exp(-late / drip_s), 0.0)
    load = np.cumsum(poured + dripping - loss_g_per_s) * STEP_S / ACETONE_20_C
    load += jet_g * running + (push(t) if push is not None else 0.0)
    kept = 1.0 - np.exp(-STEP_S / lag_s)
    if filtered is None:
        shown, _ = lfilter([kept], [1.0, kept - 1.0], load, zi=[(1.0 - kept) * load[0]])
    else:
        shown = load[0] + lfilter(filtered, [1.0], load - load[0])
    at = np.arange(-before_s, open_s + after_s - 2 * STEP_S, 1.0 / rate_hz)
    mass = 412.3 + np.interp(at, t, shown) + rng.normal(0.0, noise_g, at.size)
    window = Window(
        cell="north",
        scale="floor",
        gun="upper",
        setup="primer",
        purpose="shot",
        t_s=OPENED_S + at,
        mass_g=np.round(mass / resolution_g) * resolution_g,
        opened_s=OPENED_S,
        closed_s=OPENED_S + open_s,
        open_s=open_s,
        origin="event-1",
        ended_s=OPENED_S + float(at[-1]),
    )
    return replace(window, **members)  # type: ignore[arg-type]


def true_g(flow_g_per_s: float, open_s: float, drip_g: float = 0.0) -> float:
    """What a steady dispense gave."""
    return flow_g_per_s * open_s + drip_g
