"""Whatever comes, in whatever order: nothing breaks, and every window keeps its word."""

from __future__ import annotations

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agent.contract.inputs import ControllerEvent, ScaleReading
from agent.contract.plan import Cell, Gun, Plan, Scale, Setup
from agent.detection.detector import Detector

T0 = 1_700_000_000.0

wait_s = st.one_of(st.floats(0.0, 0.3), st.floats(0.0, 20.0), st.just(0.0))
off_s = st.one_of(st.just(0.0), st.floats(-3.0, 3.0), st.sampled_from([-7200.0, 7200.0, -1e9, 1e9]))
mass_g = st.one_of(st.floats(-500.0, 6500.0), st.floats(-1e6, 1e6), st.none(), st.just(350.0))
stretch = st.tuples(
    st.just("stretch"),
    wait_s,
    off_s,
    st.integers(5, 200),
    st.sampled_from([0.02, 0.1, 0.5]),
    st.floats(-1, 5),
)
reading = st.tuples(
    st.just("reading"), wait_s, off_s, mass_g, st.booleans(), st.sampled_from(["left", "right"])
)
event = st.tuples(
    st.just("event"),
    wait_s,
    off_s,
    st.sampled_from(
        [
            "gun_opened",
            "gun_closed",
            "check_started",
            "check_ended",
            "setup_loaded",
            "scale_zeroed",
            "part_changed",
        ]
    ),
    st.sampled_from(["upper", "lower", "middle", None]),
    st.sampled_from(["shot", "bleed", "job", None]),
    st.integers(0, 40),
    st.booleans(),
)
tick = st.tuples(st.just("tick"), wait_s)


def detector():
    cell = Cell(
        "north",
        (Scale("left", 0.1, 6100.0), Scale("right", 1.0, 6100.0)),
        (Gun("upper", "left"), Gun("lower", "left")),
    )
    return Detector(
        cell, Plan("a", "r", "UTC", (cell,), (Setup("impeller", "water", 96.0, bleed_s=8.0),), ())
    )


def play(steps, by_detector):
    now, level, windows = T0, 350.0, []
    for i, step in enumerate(steps):
        now += step[1]
        match step[0]:
            case "stretch":
                _, _, off, n, period, flow = step
                for _ in range(n):
                    now += period
                    level += flow * period
                    grams = round(level, 1)
                    windows += by_detector.reading(ScaleReading("north", "left", now + off, now, grams))
            case "reading":
                _, _, off, grams, from_arrival, scale = step
                t = now if from_arrival else now + off
                windows += by_detector.reading(
                    ScaleReading("north", scale, t, now, grams, from_arrival, overload=grams is None, seq=i)
                )
            case "event":
                _, _, off, name, gun, purpose, number, retained = step
                windows += by_detector.event(
                    ControllerEvent(
                        "north",
                        name,
                        now + off,
                        now,
                        f"e{number}",
                        retained=retained,
                        gun=gun,
                        purpose=purpose,
                    )
                )
            case _:
                windows += by_detector.passed(now)
    return windows + by_detector.passed(now + 1000.0) + by_detector.finish()


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.one_of(stretch, stretch, reading, event, event, tick), min_size=1, max_size=40))
def test_anything_may_come(steps):
    windows = play(steps, detector())
    for window in windows:
        assert window.t_s.shape == window.mass_g.shape
        assert window.stable is None or window.stable.shape == window.t_s.shape
        assert (np.diff(window.t_s) > 0.0).all()
        assert window.closed_s >= window.opened_s
        assert window.open_s is None or window.open_s >= 0.0
        assert window.u_event_s > 0.0
        assert window.gun in {"upper", "lower", None}
        assert (window.gun is None) == ("unattributed" in window.notes)
    again = play(steps, detector())
    assert [w.origin for w in again] == [w.origin for w in windows]
