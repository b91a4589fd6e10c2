"""The figure of wear: what is drawn is counted from the zero that the told change is counted from."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC

import pytest
from played_journal import worn

from agent.journal.reading import JournalReader
from agent.report.contents import GunShown, contents_of
from agent.report.wear_figure import wear_figure

DAYS, PCT_PER_DAY = 24, 0.3


@pytest.fixture(scope="module")
def gun(tmp_path_factory: pytest.TempPathFactory) -> GunShown:
    """A gun that wears by 0.3 % from each morning's check to the next, from the first on."""
    site = worn(tmp_path_factory.mktemp("worn"), days=DAYS, wear_pct_per_day=PCT_PER_DAY)
    with JournalReader.of_folder(site.state_dir) as journal:
        port = contents_of(journal, site.plan).cells[0].guns[0]
    assert port.wear is not None
    assert port.wear.pattern == "drift"
    return port


def drawn(gun: GunShown) -> list[float]:
    """The height of each check in percent of change, read off the levels of limit and zero."""
    svg = wear_figure(gun, UTC)
    assert svg is not None
    assert gun.wear is not None
    [path] = re.findall(r'<path class="point" d="([^"]+)"', svg)
    dots = [float(y) for y in re.findall(r"M[-.0-9]+ ([-.0-9]+)a", path)]
    limit = re.findall(r'<path class="limit" d="M[.0-9]+ ([.0-9]+)H', svg)[0]
    zero = re.findall(r'<path class="target" d="M[.0-9]+ ([.0-9]+)H', svg)[0]
    one = (float(zero) - float(limit)) / gun.wear.limit_pct
    return [(float(zero) - y) / one for y in dots]


def test_the_first_check_of_a_worn_part_is_drawn_at_zero_and_the_last_at_its_wear(gun: GunShown) -> None:
    heights = drawn(gun)
    assert len(heights) == DAYS
    assert sum(heights[:5]) / 5 == pytest.approx(2 * PCT_PER_DAY, abs=0.3)
    assert sum(heights[-5:]) / 5 == pytest.approx((DAYS - 3) * PCT_PER_DAY, abs=0.3)
    assert gun.wear is not None
    assert gun.wear.change_pct == pytest.approx((DAYS - 1) * PCT_PER_DAY, abs=0.3)


def test_an_odd_latest_check_does_not_move_the_others(gun: GunShown) -> None:
    latest = gun.checks[-1]
    flow = latest.at_setpoint_g_per_min
    assert flow is not None
    odd = replace(gun, checks=(*gun.checks[:-1], replace(latest, at_setpoint_g_per_min=0.98 * flow)))
    before, after = drawn(gun), drawn(odd)
    assert after[:-1] == pytest.approx(before[:-1], abs=0.3)
    assert after[-1] == pytest.approx(before[-1] - 2, abs=0.4)
