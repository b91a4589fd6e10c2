"""The square-root law against published nozzle tables and common practice."""

from __future__ import annotations

import pytest

from agent.assessment.balance import GunMean, judge_balance
from agent.assessment.pressure import to_setpoint

# Nominal flow of nozzle sizes at 3 bar, L/min (ISO 10625 colours, from memory), and a horticulture supplier's
# 2 bar column; its 025 entry (0.98) is a misprint for 0.82, as its own L/ha column shows, and is left out.
SUPPLIER = [
    (0.4, 0.33), (0.6, 0.49), (0.8, 0.65), (1.2, 0.98), (1.6, 1.31), (2.0, 1.63), (2.4, 1.96), (3.2, 2.61),
]  # fmt: skip


@pytest.mark.parametrize(("at_3_bar", "at_2_bar"), SUPPLIER)
def test_supplier_table(at_3_bar: float, at_2_bar: float) -> None:
    corrected = to_setpoint(at_3_bar, 0.01, 3.0, 0.0, 2.0)
    assert corrected.flow == pytest.approx(at_2_bar, abs=0.0055)


def test_pot_a_little_high() -> None:
    """220 g/min at 2.2 bar are 209.7618 g/min at 2.0 bar (square-root law)."""
    assert to_setpoint(220, 0.5, 2.2, 0.01, 2.0).flow == pytest.approx(209.7618, abs=1e-4)


def test_ten_percent_of_flow_is_21_percent_of_pressure() -> None:
    assert to_setpoint(100, 0.1, 1.0, 0.0, 1.21).flow == pytest.approx(110.0)


def test_twice_the_flow_would_need_four_times_the_pressure_and_is_refused() -> None:
    """Extension services teach that doubling the flow needs four times the pressure."""
    corrected = to_setpoint(100, 0.1, 1.0, 0.0, 4.0)
    assert corrected.refused
    assert "+100 %" in corrected.reason


# ISO 5167 orifice by the `fluids` library: flow ratio for twice the pressure is 1.4107 (ideal 1.4142).
def test_real_orifice_is_within_the_exponents_uncertainty() -> None:
    corrected = to_setpoint(100, 0.0, 1.0, 0.0, 1.4)
    assert corrected.flow is not None
    assert corrected.u is not None
    real = 100 * 1.4107 ** (0.4854)  # 1.4 = 2^0.4854
    assert abs(corrected.flow - real) < 2 * corrected.u


# A turf sprayer's three catches (475, 507, 504 mL) and the extension rule of +-5 % of the mean of all.
def test_extension_rule_on_published_catches() -> None:
    nozzles = [GunMean(str(i), str(i), value, 0.5, None) for i, value in enumerate((475.0, 507.0, 504.0))]
    judged = judge_balance(nozzles, 5.0)
    assert judged.spread_pct == pytest.approx(6.46, abs=0.01)
    assert (judged.verdict, judged.off) == ("fail", "0")
    assert judged.off_by_pct == pytest.approx(-6.03, abs=0.01)
