"""A right configuration becomes a plan and the settings of the rim."""

from __future__ import annotations

import dataclasses
import hashlib
from pathlib import Path

import pytest

from agent.contract.plan import Plan
from agent.settings.load import load

from .conftest import RIGHT, Write


def test_the_plan_says_what_the_file_says(write: Write) -> None:
    plan = load(write()).plan
    assert (plan.agent, plan.root, plan.timezone) == ("edge-7", "works", "Europe/Lisbon")
    cell = plan.cell("west")
    assert cell.guns_on("floor") == ("upper", "lower")
    assert cell.scale("floor").capacity_g == 6100.0
    assert cell.shifts[0].days == (0, 1, 2, 3, 4)
    assert cell.shifts[0].lead_min == 30.0
    hub = plan.setup("hub")
    assert hub is not None
    assert (hub.shots, hub.risk, hub.valid_h) == (3, 0.05, 12.0)


def test_an_alias_of_a_known_fluid_leads_to_its_density(write: Write) -> None:
    plan = load(write()).plan
    rim = plan.setup("rim")
    assert rim is not None
    assert rim.fluid == "butanone"
    fluid = plan.fluid(rim.fluid)
    assert fluid is not None
    assert dict(fluid.density_table)[20.0] == 804.91
    assert rim.needle_setting("upper") == 2.5
    assert rim.needle_setting("lower") is None


def test_a_fluid_of_ones_own_replaces_a_known_one(write: Write) -> None:
    plan = load(write(('name = "slate"', 'name = "MEK"'), ('fluid = "slate"', 'fluid = "water"'))).plan
    rim = plan.setup("rim")
    assert rim is not None
    fluid = plan.fluid(rim.fluid)
    assert fluid is not None
    assert fluid.density_table == ((15.0, 1048.0), (25.0, 1039.0))


def test_every_fluid_a_setup_names_is_in_the_plan(write: Write) -> None:
    plan = load(write()).plan
    assert all(plan.fluid(setup.fluid) is not None for setup in plan.setups)


def test_paths_are_relative_to_the_file(
    write: Write, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    write()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    site = load(Path("../site.toml"))
    assert site.state_dir.resolve() == (tmp_path / "state").resolve()
    assert site.influx is not None
    assert site.influx.token_file is not None
    assert site.influx.token_file.resolve() == (tmp_path / "secrets/influx-token").resolve()


def test_the_default_folder_is_beside_the_file_too(write: Write, tmp_path: Path) -> None:
    assert load(write(('state_dir = "state"\n', ""))).state_dir == tmp_path / "state"


def test_absolute_paths_stay(write: Write) -> None:
    assert load(write(('"state"', '"/var/lib/shotgram"'))).state_dir == Path("/var/lib/shotgram")


def test_the_digest_is_that_of_the_bytes(write: Write) -> None:
    path = write()
    assert load(path).plan.digest == hashlib.sha256(path.read_bytes()).hexdigest()[:16]
    path.write_text(RIGHT + "\n# a remark\n")
    assert load(path).plan.digest == hashlib.sha256(path.read_bytes()).hexdigest()[:16]


@pytest.mark.parametrize("prepare", [lambda text: "\ufeff" + text, lambda text: text.replace("\n", "\r\n")])
def test_a_file_of_another_systems_editor_reads_the_same(write: Write, prepare: object) -> None:
    assert callable(prepare)
    plain = load(write()).plan
    other = load(write(text=prepare(RIGHT))).plan
    assert dataclasses.replace(other, digest=plain.digest) == plain


@pytest.mark.parametrize(
    ("said", "version"), [("5", "5"), ('"5"', "5"), ('"3.1.1"', "3.1.1"), ('"auto"', "auto")]
)
def test_the_mqtt_version_may_be_a_number_or_text(write: Write, said: str, version: str) -> None:
    assert load(write(('root = "works"', f'root = "works"\nversion = {said}'))).mqtt.version == version


def test_a_time_without_quotes_is_a_time(write: Write) -> None:
    plan = load(write(('starts = "06:00"', "starts = 06:30:00"))).plan
    assert plan.cells[0].shifts[0].starts == "06:30"


def test_whole_numbers_serve_where_numbers_are_asked_for(write: Write) -> None:
    setup = load(write(("target_g_per_min = 96.0", "target_g_per_min = 96"))).plan.setup("hub")
    assert setup is not None
    assert setup.target_g_per_min == 96.0
    assert type(setup.target_g_per_min) is float


def test_everything_is_frozen(write: Write) -> None:
    site = load(write())
    with pytest.raises(dataclasses.FrozenInstanceError):
        site.plan.root = "other"  # type: ignore[misc]
    with pytest.raises(ValueError, match="frozen"):
        site.mqtt.port = 1  # type: ignore[misc]
    assert isinstance(hash(site.plan), int)
    assert isinstance(site.plan, Plan)


def test_no_controller_takes_no_requests(write: Write) -> None:
    cell = load(write(('id = "west"', 'id = "west"\nhas_controller = false'))).plan.cells[0]
    assert (cell.has_controller, cell.takes_requests) == (False, False)


def test_the_client_id_is_made_of_the_agents_id_or_configured(write: Write) -> None:
    assert load(write()).client_id == "shotgram-edge-7"
    assert load(write(('root = "works"', 'root = "works"\nclient_id = "x"'))).client_id == "x"


def test_a_check_longer_than_its_lead_is_noted(write: Write) -> None:
    assert not [note for note in load(write()).notes if "lead_min" in note]
    notes = load(write(('setup = "hub"', 'setup = "hub"\nlead_min = 2'))).notes
    assert [note for note in notes if "lead_min is 2" in note]


def test_a_listener_without_a_name_of_its_own_is_noted(write: Write) -> None:
    alone = '[standby]\nname = "a"\n{}[mqtt]\nusername = "edge-1"'
    assert [note for note in load(write(("[mqtt]", alone.format("")))).notes if "standby: it" in note]
    named = alone.format('username = "edge-1-a"\n')
    assert not [note for note in load(write(("[mqtt]", named))).notes if "standby: it" in note]


def test_a_page_open_to_other_machines_is_noted(write: Write) -> None:
    opened = load(write(("[influx]", '[page]\nenabled = true\nhost = "0.0.0.0"\n[influx]'))).notes
    assert [note for note in opened if note.startswith("page: 0.0.0.0 is open")]
    own = load(write(("[influx]", "[page]\nenabled = true\n[influx]"))).notes
    assert not [note for note in own if note.startswith("page")]
