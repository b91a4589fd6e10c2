"""The whole pipeline on captures of a second, much simpler model: each way a shop may be different."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from plain_cell import BUOYANCY, PlainCell

from agent.contract.inputs import RawMessage
from agent.contract.plan import Plan
from agent.contract.records import Advice, Check, Dispense, Record
from agent.intake.capture import read_capture
from agent.pipeline.pipeline import Pipeline
from agent.settings.load import load
from simulators.site import bench_text

THREE = [(12.0, 20.0, 96.0, "upper"), (42.0, 20.0, 96.5, "upper"), (72.0, 20.0, 95.8, "upper")]
PLAIN = PlainCell(shots=THREE)


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    config = tmp_path_factory.mktemp("plain") / "site.toml"
    config.write_text(bench_text())
    return load(config).plan


def played(cell: PlainCell, plan: Plan, folder: Path) -> list[Record]:
    pipeline = Pipeline(plan)
    said: list[Record] = []
    for item in read_capture(cell.write(folder / "capture.jsonl").read_bytes().splitlines()):
        assert isinstance(item, RawMessage)
        said += pipeline.take(item).records
    return said + list(pipeline.finish().records)


def dispenses(records: list[Record]) -> list[Dispense]:
    return [record for record in records if isinstance(record, Dispense)]


@pytest.mark.parametrize(
    ("cell", "within"),
    [
        (PLAIN, 0.003),
        (replace(PLAIN, bare=True, event_t=False), 0.004),
        (replace(PLAIN, unit="kg", rate_hz=5.0), 0.003),
        (replace(PLAIN, controller_ahead_s=3600.0), 0.003),
        (replace(PLAIN, events_late_s=4.0), 0.003),
        (replace(PLAIN, events_twice=True), 0.003),
        (replace(PLAIN, evaporation_g_per_s=0.012), 0.006),
        (replace(PLAIN, rate_hz=2.0), 0.004),
        (replace(PLAIN, resolution_g=1.0, noise_g=0.4), 0.012),
        (replace(PLAIN, also_g=lambda t: -700.0 if t > 66.0 else 0.0), 0.003),
    ],
    ids=["plain", "bare", "kg", "hour-off", "late", "twice", "evaporating", "slow", "coarse", "emptied"],
)
def test_three_shots_are_three_shots_however_they_are_told(
    cell: PlainCell, within: float, plan: Plan, tmp_path: Path
) -> None:
    records = played(cell, plan, tmp_path)
    found = dispenses(records)
    assert [(shot.gun, shot.setup, shot.purpose) for shot in found] == [
        ("upper", "impeller-barrier", "shot")
    ] * 3
    for shot, (_, _, flow, _) in zip(found, THREE, strict=True):
        assert shot.flow_g_per_min == pytest.approx(flow * BUOYANCY, rel=within)
    (check,) = [record for record in records if isinstance(record, Check)]
    assert check.verdict == "pass"


@pytest.mark.parametrize("lost", ["gun_opened-1", "gun_closed-1"])
def test_a_lost_event_is_made_up_for_by_the_curve(lost: str, plan: Plan, tmp_path: Path) -> None:
    found = dispenses(played(replace(PLAIN, lost=(lost,)), plan, tmp_path))
    assert [shot.open_s_from for shot in found] == ["controller", "scale", "controller"]
    assert found[1].flow_g_per_min == pytest.approx(96.5 * BUOYANCY, rel=0.006)


def test_without_a_controller_nothing_is_guessed(plan: Plan, tmp_path: Path) -> None:
    records = played(replace(PLAIN, events=False), plan, tmp_path)
    found = dispenses(records)
    assert len(found) == 3
    for shot in found:
        assert shot.gun is None
        assert "unattributed" in shot.flags
        assert shot.open_s_from == "scale"
    assert not [record for record in records if isinstance(record, Check)]


def test_readings_that_are_missing_in_a_shot_reject_it(plan: Plan, tmp_path: Path) -> None:
    found = dispenses(played(replace(PLAIN, silent=(46.0, 54.0)), plan, tmp_path))
    assert [shot.quality for shot in found] == ["good", "rejected", "good"]
    assert "readings_missing" in found[1].flags


def test_a_container_taken_away_in_a_shot_rejects_it(plan: Plan, tmp_path: Path) -> None:
    found = dispenses(played(replace(PLAIN, also_g=lambda t: -300.0 if t > 52.0 else 0.0), plan, tmp_path))
    assert [shot.quality for shot in found] == ["good", "rejected", "good"]
    assert "container_moved" in found[1].flags


def test_a_plugged_gun_is_a_shot_of_no_flow(plan: Plan, tmp_path: Path) -> None:
    (shot,) = dispenses(played(PlainCell(shots=[(12.0, 20.0, 0.0, "upper")]), plan, tmp_path))
    assert shot.flow_g_per_min == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_the_check_of_a_plugged_gun_fails_whatever_its_noise_says(
    seed: int, plan: Plan, tmp_path: Path
) -> None:
    nothing = PlainCell(
        shots=[(12.0 + 30.0 * n, 20.0, 0.0, "upper") for n in range(3)], noise_g=0.05, seed=seed
    )
    records = played(nothing, plan, tmp_path)
    (check,) = [record for record in records if isinstance(record, Check)]
    assert check.verdict == "fail"
    assert [record.change for record in records if isinstance(record, Advice)] == [None]


def test_two_guns_by_turns_over_one_scale(plan: Plan, tmp_path: Path) -> None:
    by_turns = [
        (12.0 + 30.0 * number, 20.0, flow, gun)
        for number, (flow, gun) in enumerate([(96.0, "upper"), (90.0, "lower")] * 3)
    ]
    records = played(PlainCell(shots=by_turns), plan, tmp_path)
    checks = {record.gun: record for record in records if isinstance(record, Check)}
    assert checks["upper"].verdict == "pass"
    assert checks["lower"].verdict == "fail"
    assert checks["lower"].deviation_pct == pytest.approx(100 * (90 * BUOYANCY / 96 - 1), abs=0.4)


@pytest.mark.parametrize(
    ("cell", "rms_pct"),
    [
        (PlainCell(), 0.08),
        (PlainCell(evaporation_g_per_s=0.012), 0.25),
        (PlainCell(rate_hz=2.0), 0.10),
        (PlainCell(resolution_g=1.0, noise_g=0.4), 0.40),
    ],
    ids=["clean", "evaporating", "slow", "coarse"],
)
def test_the_flow_is_right_and_knows_how_well(
    cell: PlainCell, rms_pct: float, plan: Plan, tmp_path: Path
) -> None:
    errors, inside = [], 0
    for seed in range(20):
        dice = np.random.default_rng(seed)
        flow = 96.0 + float(dice.normal(0.0, 3.0))
        one = replace(
            cell,
            shots=[(12.0, 20.0, flow, "upper")],
            start_g=float(dice.uniform(200.0, 800.0)),
            valve_delay_s=float(dice.uniform(0.03, 0.12)),
            seed=seed,
        )
        (shot,) = dispenses(played(one, plan, tmp_path))
        assert shot.flow_g_per_min is not None
        assert shot.flow_low_g_per_min is not None
        assert shot.flow_high_g_per_min is not None
        errors.append(100.0 * (shot.flow_g_per_min / (flow * BUOYANCY) - 1.0))
        inside += shot.flow_low_g_per_min <= flow * BUOYANCY <= shot.flow_high_g_per_min
    assert np.sqrt(np.mean(np.square(errors))) < rms_pct
    # Twenty 95 % intervals: fewer than sixteen hits would come once in four hundred times (binomial).
    assert inside >= 16


def test_one_gun_one_setup_and_no_controller_make_a_check(tmp_path: Path) -> None:
    config = tmp_path / "site.toml"
    text = bench_text().replace('\n  [[cells.guns]]\n  id = "lower"\n  scale = "floor"\n', "\n")
    config.write_text(text.replace('id = "north"', 'id = "north"\nhas_controller = false'))
    records = played(replace(PLAIN, events=False), load(config).plan, tmp_path)
    assert [shot.gun for shot in dispenses(records)] == ["upper"] * 3
    (check,) = [record for record in records if isinstance(record, Check)]
    assert (check.setup, check.verdict) == ("impeller-barrier", "pass")


@pytest.mark.parametrize("longer_s", [0.0, 0.2])
def test_shots_of_different_length_show_what_opening_and_closing_cost(
    longer_s: float, plan: Plan, tmp_path: Path
) -> None:
    """Five bursts of 6 s against long shots, as ISO 4185 has it: the next dispense tells the fixed error."""
    lengths = [24.0, 6.0, 6.0, 6.0, 6.0, 6.0, 24.0, 24.0, 20.0]
    starts = np.cumsum([12.0, *[length + 20.0 for length in lengths[:-1]]])
    shots = [(float(at), length, 96.0, "upper") for at, length in zip(starts, lengths, strict=True)]
    told = dispenses(played(replace(PLAIN, shots=shots, longer_s=longer_s), plan, tmp_path))
    assert told[0].open_error_s is None
    last = told[-1]
    assert last.open_error_s is not None
    assert last.u_open_error_s is not None
    assert last.open_error_s == pytest.approx(longer_s, abs=2.5 * last.u_open_error_s)
    assert last.u_open_error_s < 0.04
    # What is told is the mass over the commanded time all the same.
    assert last.flow_g_per_min == pytest.approx(96.0 * BUOYANCY * (20.0 + longer_s) / 20.0, rel=0.003)
