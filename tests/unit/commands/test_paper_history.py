"""A paper history: understood as written, every fault told by its line, as good as a bucket and a watch."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.commands.main import main
from agent.commands.paper import BadPaper, read_paper
from agent.commands.paper_records import HAND_TIMING_S, imported
from agent.contract.plan import Cell, Gun, Plan, Scale, Setup
from agent.contract.records import Check, Wear
from agent.contract.times import epoch_s
from agent.journal.journal import Journal
from agent.journal.reading import JournalReader
from agent.pipeline.pipeline import Pipeline
from agent.runtime.memory import remembered
from agent.settings.load import load

NOW_S = epoch_s("2026-06-01T12:00:00Z")
SETUP = Setup("gearbox-primer", "n-butyl acetate", 84.0, shot_s=15.0, shots=3, pot_pressure_bar=0.6)
BENCH = Scale("bench", 0.05, 4200.0)
ONE = Plan(
    agent="edge-7",
    root="yard",
    timezone="Europe/Helsinki",
    cells=(Cell("booth-2", (BENCH,), (Gun("port", "bench"), Gun("starboard", "bench"))),),
    setups=(SETUP,),
    fluids=(),
)
TWO = Plan(
    agent="edge-7",
    root="yard",
    timezone="Europe/Helsinki",
    cells=(*ONE.cells, Cell("booth-3", (BENCH,), (Gun("port", "bench"),))),
    setups=(SETUP, Setup("topcoat", "water", 120.0)),
    fluids=(),
)


def read(text: str, plan: Plan = ONE, ignored: tuple[str, ...] = ()) -> Any:
    return read_paper(text.encode(), plan, NOW_S, ignored)


def faults(text: str, plan: Plan = ONE) -> list[tuple[int, str]]:
    with pytest.raises(BadPaper) as caught:
        read(text, plan)
    return [(fault.line, fault.column) for fault in caught.value.faults]


def test_rows_come_out_oldest_first_in_the_sites_time_zone() -> None:
    rows = read(
        "day,gun,shots,setting\n"
        "2026-03-03T05:40:00+00:00,port,84.1 83.9 84.0,2.0\n"
        "2026-03-02,port,84.6,2.0\n"
        "2026-03-02 05:40,starboard,83.9; 84.2; 83.7,\n"
    )
    # Helsinki is two hours before UTC in March; a day alone stands for its noon.
    assert [row.at_s for row in rows] == [
        epoch_s("2026-03-02T03:40:00Z"),
        epoch_s("2026-03-02T10:00:00Z"),
        epoch_s("2026-03-03T05:40:00Z"),
    ]
    assert [row.gun for row in rows] == ["starboard", "port", "port"]
    assert rows[0].shots == (83.9, 84.2, 83.7)
    assert rows[0].mean == pytest.approx(83.9333, abs=1e-4)
    assert (rows[0].setting, rows[1].setting) == (None, 2.0)


@pytest.mark.parametrize(
    "text",
    [
        "day;gun;shots;setting\n2026-03-02;port;83,9 84,2 83,7;2,25\n",
        "day\tgun\tshots\tsetting\n2026-03-02\tport\t83.9/84.2/83.7\t2.25\n",
        '\ufeffDay,Gun,Shots,Setting\r\n2026-03-02,port,"83.9; 84.2; 83.7",2.25\r\n\r\n',
    ],
    ids=["decimal commas", "tabs", "a spreadsheet's"],
)
def test_what_spreadsheets_write_is_understood(text: str) -> None:
    (row,) = read(text)
    assert (row.shots, row.setting) == ((83.9, 84.2, 83.7), 2.25)


def test_every_fault_of_every_line_is_told() -> None:
    text = (
        "day,gun,shots,mean,n,setting,part\n"
        "12.1.2026,prot,83.9 84.2,,,2.0,\n"
        "2026-01-12,port,83.9 84.x,,,2.0,\n"
        "2026-01-13,port,,,,2.0,\n"
        "2026-01-14,port,83.9,,,abc,nozle\n"
        "2026-01-15,port,83.9,84.0,,,\n"
        "2026-01-16,port,,84.0,2.5,,\n"
        "2027-01-16,port,,84.0,,,\n"
        "2026-02-30,port,,84.0,,,\n"
        "2026-01-17,port,,84.0,,,,,surplus\n"
        "2026-01-18,port,,nan,,,\n"
        "2026-01-18 06:00,port,,-3,,,\n"
    )
    assert faults(text) == [
        (2, "day"),
        (2, "gun"),
        (3, "shots"),
        (4, "shots"),
        (5, "part"),
        (5, "setting"),
        (6, "mean"),
        (7, "n"),
        (8, "day"),
        (9, "day"),
        (10, ""),
        (11, "mean"),
        (12, "mean"),
    ]


def test_two_rows_of_one_gun_at_one_time_contradict_each_other() -> None:
    assert faults("day,gun,mean\n2026-01-12,port,84\n2026-01-12,starboard,84\n2026-01-12,port,85\n") == [
        (4, "day")
    ]


def test_the_first_line_must_name_known_columns() -> None:
    assert faults("day,gunn,shots,operator\n") == [(1, "gunn"), (1, "operator"), (1, "gun")]
    assert faults("day,gun,gun,shots\n") == [(1, "gun")]
    assert faults("day,gun,setting\n") == [(1, "shots")]
    assert faults("") == [(1, "")]
    rows = read("day,gun,mean,operator\n2026-01-12,port,84,somebody\n", ignored=("operator",))
    assert len(rows) == 1


def test_where_a_site_has_several_cells_and_setups_they_must_be_named() -> None:
    assert faults("day,gun,mean\n", TWO) == [(1, "cell"), (1, "setup")]
    (row,) = read("day,cell,gun,setup,mean\n2026-01-12,booth-3,port,topcoat,119\n", TWO)
    assert (row.cell.name, row.setup.name) == ("booth-3", "topcoat")
    assert faults("day,cell,gun,setup,mean\n2026-01-12,booth-3,starboard,topcoat,119\n", TWO) == [(2, "gun")]


@given(st.binary(max_size=300))
def test_no_file_does_more_than_be_refused(data: bytes) -> None:
    rows: list[Any] = []
    found: tuple[Any, ...] = ()
    try:
        rows = read_paper(b"day,gun,mean\n" + data, ONE, NOW_S)
    except BadPaper as bad:
        found = bad.faults
    assert bool(found) or all(math.isfinite(row.at_s) for row in rows)
    assert all(fault.line >= 1 for fault in found)


def test_the_uncertainty_is_that_of_a_bucket_and_a_watch() -> None:
    """JCGM 100: root of the sum of squares of scatter over root n and the hand's timing, which is common."""
    (check,) = imported(read("day,gun,shots\n2026-01-12,port,83.0 84.0 85.0\n")).checks
    assert check.mean_g_per_min == pytest.approx(84.0)
    assert check.sd_g_per_min == pytest.approx(1.0)
    u = math.hypot(1.0 / math.sqrt(3.0), 84.0 * HAND_TIMING_S / 15.0)
    assert check.u_g_per_min == pytest.approx(u)
    assert check.high_g_per_min == pytest.approx(84.0 + 1.959964 * u, rel=1e-6)
    # Without single shots the gun's configured repeatability (0.5 %) stands for their scatter.
    (mean,) = imported(read("day,gun,mean,n\n2026-01-12,port,84.0,4\n")).checks
    assert mean.u_g_per_min == pytest.approx(math.hypot(0.42 / 2.0, 0.84))
    assert (mean.shots, mean.sd_g_per_min) == ((), None)
    (said,) = imported(read("day,gun,mean,u_pct\n2026-01-12,port,84.0,2\n")).checks
    assert said.u_g_per_min == pytest.approx(1.68)


def test_a_flow_is_brought_to_the_setups_pressure_by_the_square_root_law() -> None:
    """Q2 = Q1 x sqrt(p2 / p1), the orifice law."""
    (check,) = imported(read("day,gun,mean,pot_bar\n2026-01-12,port,84.0,0.66\n")).checks
    assert check.at_setpoint_g_per_min == pytest.approx(84.0 * math.sqrt(0.6 / 0.66))
    assert check.mean_g_per_min == 84.0


def test_the_same_paper_gives_the_same_ids_and_another_number_another() -> None:
    def ids(text: str) -> list[str]:
        return [check.id for check in imported(read(text)).checks]

    one = "day,gun,shots\n2026-01-12,port,84.0 84.1\n"
    assert ids(one) == ids(one.replace("84.0 84.1", "84.0;84.1")) != ids(one.replace("84.1", "84.2"))


def test_a_changed_part_begins_a_new_life_for_the_checks_after_it() -> None:
    found = imported(
        read("day,gun,mean,part\n2026-01-05,port,84,\n2026-01-12,port,84,nozzle\n2026-01-19,port,85,\n")
    )
    assert [check.parts_since for check in found.checks] == [
        None,
        "2026-01-12T09:59:59.000Z",
        "2026-01-12T09:59:59.000Z",
    ]
    assert [(event.event, event.part) for event in found.parts] == [("part_changed", "nozzle")]


CONFIG = """\
[agent]
id = "edge-7"
state_dir = "state"
timezone = "Europe/Helsinki"
[mqtt]
root = "yard"
[[setups]]
name = "gearbox-primer"
fluid = "n-butyl acetate"
target_g_per_min = 84.0
shot_s = 15.0
[[cells]]
id = "booth-2"
  [[cells.scales]]
  id = "bench"
  resolution_g = 0.05
  capacity_g = 4200.0
  [[cells.guns]]
  id = "port"
  scale = "bench"
"""
PAPER = "day,gun,shots,setting,part\n" + "".join(
    f"2026-0{1 + week // 4}-{5 + 7 * (week % 4):02d},port,{84.0 + 0.7 * week:.1f} {84.2 + 0.7 * week:.1f} "
    f"{83.8 + 0.7 * week:.1f},2.0,{'nozzle' if week == 0 else ''}\n"
    for week in range(12)
)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    file = tmp_path / "site.toml"
    file.write_text(CONFIG)
    return file


@pytest.fixture
def paper(tmp_path: Path) -> Path:
    file = tmp_path / "checks.csv"
    file.write_text(PAPER)
    return file


def history(config: Path, paper: Path, *more: str) -> int:
    return main(["history", "--config", str(config), "--import", str(paper), *more])


def test_a_dry_run_writes_nothing(config: Path, paper: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert history(config, paper, "--dry-run") == 0
    assert "12 checks and 1 changed part would be imported" in capsys.readouterr().out
    assert not (config.parent / "state").exists()


def test_imported_twice_is_imported_once_and_the_chain_is_sound(
    config: Path, paper: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert history(config, paper) == 0
    assert history(config, paper) == 0
    told = capsys.readouterr().out
    assert "12 checks and 1 changed part imported" in told
    assert "0 checks and 0 changed parts imported" in told
    assert "13 rows are in the journal already" in told
    with JournalReader.of_folder(config.parent / "state") as journal:
        rows = journal.records("check")
        assert len(rows) == 12
        assert all(row.payload["source"] == "imported" for row in rows)
    assert main(["history", "--config", str(config), "--verify"]) == 0


def test_one_bad_line_and_nothing_is_written(
    config: Path, paper: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    paper.write_text(PAPER + "2026-05-01,prot,84.0,,\n")
    assert history(config, paper) == 2
    assert "line 14, gun: found 'prot'; did you mean port?" in capsys.readouterr().err
    assert not (config.parent / "state").exists()


def test_a_journal_that_is_in_use_is_left_alone(
    config: Path, paper: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with_agent = Journal.open(config.parent / "state", version="0", config_digest="0")
    try:
        assert history(config, paper) == 1
    finally:
        with_agent.close()
    told = capsys.readouterr().err
    assert "The journal has one writer. Stop the agent" in told
    with JournalReader.of_folder(config.parent / "state") as journal:
        assert journal.records("check") == []


def test_what_was_imported_is_not_announced_as_the_latest_check(config: Path, paper: Path) -> None:
    assert history(config, paper) == 0
    journal = Journal.open(config.parent / "state", version="0", config_digest="0")
    try:
        journal.declare_outlets({"mqtt": "all", "influx": "all"})
        assert journal.pending("mqtt", 100) == []
        assert len(journal.pending("influx", 100)) == 12
    finally:
        journal.close()


def test_a_starting_agent_learns_wear_from_paper_and_releases_nothing_by_it(
    config: Path, paper: Path
) -> None:
    assert history(config, paper) == 0
    site = load(config)
    pipeline = Pipeline(site.plan)
    with JournalReader.of_folder(site.state_dir) as journal:
        records, events = remembered(journal)
    assert len(records) == 12
    pipeline.restore(records, events, {})
    memory = pipeline.lines["booth-2"].desk._state.results.guns["port"]
    assert len(memory.wear_points) == 12
    assert len(memory.needle_points) == 12
    assert memory.last == memory.passed == {}
    # The next measured check continues the paper's drift: 0.7 g/min a week.
    last = max((record for record in records if isinstance(record, Check)), key=lambda check: check.at)
    assert last.mean_g_per_min == pytest.approx(91.7)
    from agent.assessment.desk_following import wear_record

    wear = wear_record("booth-2", memory, last.id, last.at)
    assert isinstance(wear, Wear)
    assert wear.checks == 12
    assert wear.pattern == "drift"
    # Against the new part: the first of the twelve checks gave 84.0 g/min.
    assert wear.change_pct == pytest.approx(100 * (91.7 / 84.0 - 1.0), abs=0.5)
