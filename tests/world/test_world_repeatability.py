"""Shots, outliers, ranges and pooled spread against ISO 5725, Grubbs' tables, NIST and AIAG figures."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import studentized_range

from agent.assessment.intervals import Contribution, combined, coverage_factor
from agent.assessment.repeatability import (
    Repeatability,
    grubbs_critical,
    grubbs_statistic,
    judge_shots,
    pool,
    range_factor,
)
from agent.assessment.shots import ShotValue

NIST = Path(__file__).parents[3] / "shared" / "data" / "nist"


def nist(name: str) -> list[list[float]]:
    """The numbers of a NIST file, row by row, past its text. Skips where the file is not there."""
    path = NIST / name
    if not path.is_file():
        pytest.skip(f"the NIST file {name} is not at {path.parent}")
    rows = path.read_text(errors="replace").splitlines()
    start = max(i for i, row in enumerate(rows) if row.strip().startswith("---")) + 1
    return [[float(word) for word in row.split()] for row in rows[start:] if row.strip()]


def shots(values: list[float], u_common: float = 0.0) -> list[ShotValue]:
    return [ShotValue(f"s{i}", float(i), value, u_common=u_common) for i, value in enumerate(values)]


# Grubbs (1969) and Grubbs & Beck tables, recomputed from Student's t; n = 3..20 one-sided 5 % equal a
# published table: one-sided 5 %, two-sided 5 %, one-sided 1 %, two-sided 1 %.
GRUBBS = {
    3: (1.1531, 1.1543, 1.1546, 1.1547),
    4: (1.4625, 1.4813, 1.4925, 1.4962),
    5: (1.6714, 1.7150, 1.7489, 1.7637),
    6: (1.8221, 1.8871, 1.9442, 1.9728),
    7: (1.9381, 2.0200, 2.0973, 2.1391),
    8: (2.0317, 2.1266, 2.2208, 2.2744),
    9: (2.1096, 2.2150, 2.3231, 2.3868),
    10: (2.1761, 2.2900, 2.4097, 2.4821),
    15: (2.4090, 2.5483, 2.7049, 2.8061),
    20: (2.5566, 2.7082, 2.8838, 3.0008),
}


@pytest.mark.parametrize("n", GRUBBS)
def test_grubbs_tables(n: int) -> None:
    kinds = [(0.05, False), (0.05, True), (0.01, False), (0.01, True)]
    for (alpha, two_sided), printed in zip(kinds, GRUBBS[n], strict=True):
        assert grubbs_critical(n, alpha, two_sided=two_sided) == pytest.approx(printed, abs=6e-5)


def test_grubbs_example_of_the_handbook() -> None:
    """e-Handbook 1.3.5.17.1, eight uranium values: G 2.468765, critical 2.031652 and 2.126645 at 5 %."""
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    index, statistic = grubbs_statistic(values)
    assert index == 7
    assert statistic == pytest.approx(2.468765, abs=1e-6)
    assert grubbs_critical(8, two_sided=False) == pytest.approx(2.031652, abs=1e-6)
    assert grubbs_critical(8) == pytest.approx(2.126645, abs=1e-6)


def test_the_handbooks_outlier_is_left_out_of_a_check() -> None:
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    judged = judge_shots(shots(values), Repeatability(0.005, 60))
    assert [shot.id for shot, _ in judged.left_out] == ["s7"]
    assert judged.mean == pytest.approx(np.mean(values[:7]))


# Rosner's data, e-Handbook 1.3.5.17.3: first extreme studentized deviates' critical values at 5 % for 54, 53
# and 52 values are 3.158, 3.151 and 3.143, the first deviate is 3.118 (printed values from memory).
def test_rosners_first_deviate() -> None:
    values = [row[0] for row in nist("ROSNER.DAT")]
    _, statistic = grubbs_statistic(values)
    assert statistic == pytest.approx(3.1189, abs=1e-4)
    assert grubbs_critical(54) == pytest.approx(3.158, abs=1e-3)
    assert grubbs_critical(53) == pytest.approx(3.151, abs=1e-3)
    assert grubbs_critical(52) == pytest.approx(3.143, abs=1.1e-3)


# ISO 5725-6 critical range factors f(n), 95 %: the standard prints one decimal (from memory); four figures
# are those of the studentized range.
RANGE_FACTORS = [
    (2, 2.8, 2.77), (3, 3.3, 3.31), (4, 3.6, 3.63), (5, 3.9, 3.86), (6, 4.0, 4.03),
    (7, 4.2, 4.17), (8, 4.3, 4.29), (9, 4.4, 4.39), (10, 4.5, 4.47),
]  # fmt: skip


@pytest.mark.parametrize(("n", "printed", "exact"), RANGE_FACTORS)
def test_critical_range_factors_of_iso_5725_6(n: int, printed: float, exact: float) -> None:
    assert round(range_factor(n), 1) == printed
    assert range_factor(n) == pytest.approx(exact, abs=0.006)


@pytest.mark.parametrize("level", [0.95, 0.99])
def test_pinned_range_factors_are_those_of_scipy(level: float) -> None:
    for n in (2, 3, 4, 5, 10, 12):
        assert range_factor(n, level) == pytest.approx(studentized_range.ppf(level, n, math.inf), abs=6e-6)


# Published precision of an aggregates test (repeatability standard deviation and limit r = 2.8 s_r).
@pytest.mark.parametrize(("s_r", "r"), [(0.021, 0.059), (0.042, 0.118), (0.047, 0.131)])
def test_published_repeatability_limits(s_r: float, r: float) -> None:
    assert range_factor(2) * s_r == pytest.approx(r, abs=2e-3)  # the table's factor is the rounded 2.8


def test_three_shots_of_a_calculator() -> None:
    """301.2, 299.0, 300.4: s = 1.113553, s/sqrt 3 = 0.642910, U95 = 2.766219 (GTC type A, scipy)."""
    judged = judge_shots(shots([301.2, 299.0, 300.4]), None)
    assert judged.mean == pytest.approx(300.2)
    assert judged.sd == pytest.approx(1.113553, abs=1e-6)
    assert judged.u == pytest.approx(0.642910, abs=1e-6)
    assert judged.high is not None
    assert judged.high - 300.2 == pytest.approx(2.766219, abs=1e-6)


def test_three_shots_with_a_shared_uncertainty() -> None:
    """The same with u_B = 0.15 g/min: u = 0.660177, nu_eff = 2.22367, k95 = 3.91341 (GTC)."""
    judged = judge_shots(shots([301.2, 299.0, 300.4], u_common=0.15), None)
    assert judged.u == pytest.approx(0.660177, abs=1e-6)
    assert judged.dof == pytest.approx(2.22367, abs=1e-5)
    assert coverage_factor(judged.dof) == pytest.approx(3.91341, abs=1e-5)


def test_interval_of_three_shots_is_2_48_standard_deviations() -> None:
    judged = judge_shots(shots([99.0, 100.0, 101.0]), None)
    assert judged.high is not None
    assert judged.high - 100 == pytest.approx(2.4841, abs=1e-4)


def test_catch_test_of_a_sprayer_manual() -> None:
    """A sprayer manual's three catches of 475, 507 and 504 mL average 495.33 mL."""
    judged = judge_shots(shots([475, 507, 504]), Repeatability(0.01))
    assert judged.mean == pytest.approx(495.33, abs=0.005)
    assert judged.too_wide
    assert judged.wants_more


def test_one_sample_interval_of_zarr13() -> None:
    """NIST ZARR13.DAT, e-Handbook 1.3.5.2: n 195, mean 9.261461, sd 0.022789, 95 % 9.258242 to 9.264679."""
    values = [row[0] for row in nist("ZARR13.DAT")]
    judged = judge_shots(shots(values), None)
    assert len(judged.used) == 195
    assert judged.mean == pytest.approx(9.261461, abs=1e-6)
    assert judged.sd == pytest.approx(0.022789, abs=1e-6)
    assert judged.low == pytest.approx(9.258242, abs=1e-6)
    assert judged.high == pytest.approx(9.264679, abs=1e-6)


# NIST StRD univariate sets, certified mean and standard deviation.
STRD = [
    ("MICHELSO.DAT", 299.8524, 0.0790105478190518),
    ("LEW.DAT", -177.435, 277.332168044316),
    ("MAVRO.DAT", 2.001856, 0.000429123454003053),
]


@pytest.mark.parametrize(("name", "mean", "sd"), STRD)
def test_certified_mean_and_sd(name: str, mean: float, sd: float) -> None:
    values = [row[0] for row in nist(name)]
    judged = judge_shots(shots(values), None)
    assert not judged.left_out
    assert judged.mean == pytest.approx(mean, rel=1e-12)
    assert judged.sd == pytest.approx(sd, rel=1e-9)


def test_welch_degrees_of_freedom_of_auto83b() -> None:
    """NIST AUTO83B.DAT, e-Handbook 1.3.5.3: Welch t = -12.94627 with 136.8750 degrees of freedom."""
    rows = nist("AUTO83B.DAT")
    american = np.array([row[0] for row in rows])
    japanese = np.array([row[1] for row in rows if row[1] > 0])
    parts = [Contribution(float(v.std(ddof=1)) / math.sqrt(len(v)), len(v) - 1) for v in (american, japanese)]
    u, dof = combined(parts)
    assert (american.mean() - japanese.mean()) / u == pytest.approx(-12.94627, abs=1e-5)
    assert dof == pytest.approx(136.8750, abs=1e-4)


# AIAG Measurement Systems Analysis, the manual's 10 parts x 3 appraisers x 3 trials.
AIAG = """
0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36
0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62
0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50
0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16
"""


def test_pooled_repeatability_of_the_aiag_study() -> None:
    """Mean square of the error within part and appraiser: 0.04598 with 60 degrees of freedom (ANOVA)."""
    table = np.array([[float(word) for word in row.split()] for row in AIAG.strip().splitlines()])
    far = 1e6  # a relative repeatability about a large mean is an absolute one
    known = Repeatability(0.0, 0.0)
    for appraiser, part in itertools.product(range(3), range(10)):
        trials = judge_shots(shots(list(table[3 * appraiser : 3 * appraiser + 3, part] + far)), None)
        assert trials.sd is not None
        known = pool(known, trials.sd / far, 2)
    assert known.dof == 60
    assert (known.sd_rel * far) ** 2 == pytest.approx(0.04598, rel=2e-4)
