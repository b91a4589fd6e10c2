"""The simulated cell: what it publishes, and that it is the same every time."""

import json
from typing import Any

import numpy as np
import pytest

from agent.contract.times import epoch_s
from simulators.capture import play
from simulators.cell import Cell
from simulators.messages import Message
from simulators.scenarios import load_scenario, read_scenario
from simulators.scenarios.staging import build_cell
from simulators.site import SiteError, bench_text, load_site, site_of

SITE = site_of(bench_text())


def cell(story: str = "good-day", *, seed: int = 1, runs_checks: bool = False) -> Cell:
    return build_cell(SITE, load_scenario(story), seed=seed, runs_checks=runs_checks)


def bodies(messages: list[Message], end: str) -> list[dict[str, Any]]:
    return [json.loads(m.payload) for m in messages if m.topic.endswith(end)]


def run(played: Cell, seconds: float) -> list[Message]:
    return played.advance(played.now_s() + seconds)


def request(played: Cell, **changes: object) -> None:
    asked = {
        "id": "request-1", "request": "flow_check", "gun": "upper", "setup": "impeller-barrier",
        "shots": 2, "shot_s": 10.0, "bleed_s": 4.0, "expires": "2026-03-02T05:40:00Z",
    }  # fmt: skip
    played.hear("plant/north/request", json.dumps(asked | changes).encode())


def test_same_seed_same_bytes_however_time_is_cut() -> None:
    whole = list(play(cell("air-after-liner-change", runs_checks=True)))
    assert whole == list(play(cell("air-after-liner-change", runs_checks=True)))
    other = list(play(cell("air-after-liner-change", runs_checks=True, seed=2)))
    assert whole != other
    pieces = cell("air-after-liner-change", runs_checks=True)
    rng = np.random.default_rng(5)
    cut: list[Message] = []
    while pieces.now_s() < whole[-1].t_s + 1.0:
        cut += run(pieces, float(rng.uniform(0.01, 5.0)))
    assert cut[: len(whole)] == whole


def test_messages_come_in_the_order_the_broker_gets_them_and_in_the_contracts_form() -> None:
    messages = list(play(cell(runs_checks=True)))
    assert [m.t_s for m in messages] == sorted(m.t_s for m in messages)
    readings = bodies(messages, "scale/floor/reading")
    assert [r["seq"] for r in readings] == list(range(len(readings)))
    assert {r["unit"] for r in readings} == {"g"}
    assert {m.qos for m in messages if m.topic.endswith("controller/event")} == {1}
    events = bodies(messages, "controller/event")
    assert len({e["id"] for e in events}) == len(events)
    assert [e["event"] for e in events[:3]] == ["setup_loaded", "check_started", "gun_opened"]
    assert events[-1]["event"] == "check_ended"
    assert bodies(messages, "pot/pressure")[0]["value"] == 0.5
    assert bodies(messages, "fluid/temperature")[0] == {
        "value": 20.0,
        "unit": "C",
        "t": "2026-03-02T05:30:00.000Z",
    }


def test_the_scale_shows_what_left_the_guns() -> None:
    played = cell(runs_checks=True)
    readings = bodies(list(play(played)), "scale/floor/reading")
    gained = readings[-1]["value"] - readings[50]["value"]
    # Buoyancy of butanone in air, ISO 4185: the scale shows 0.134 % less.
    assert gained * 1.00134 == pytest.approx(sum(t.mass_g for t in played.truth), abs=0.2)
    for truth in played.truth:
        assert truth.flow_g_per_min == pytest.approx(96.0, rel=0.015)
        assert truth.open_s == pytest.approx(8.0 if truth.purpose == "bleed" else 20.0)
        assert not truth.spoiled


def test_a_request_is_answered_and_run() -> None:
    played = cell()
    run(played, 15.0)
    request(played)
    messages = run(played, 80.0)
    assert bodies(messages, "/reply") == [{"id": "request-1", "accepted": True, "reason": None}]
    events = bodies(messages, "/event")
    assert [e["event"] for e in events] == [
        "check_started", "gun_opened", "gun_closed", "gun_opened", "gun_closed", "gun_opened", "gun_closed",
        "check_ended",
    ]  # fmt: skip
    assert events[0]["request"] == "request-1"
    opened, closed = events[3], events[4]
    assert opened["purpose"] == "shot"
    assert epoch_s(closed["t"]) - epoch_s(opened["t"]) == pytest.approx(10.0, abs=1e-3)


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"gun": "middle"}, "unknown gun 'middle'"),
        ({"setup": "nothing"}, "unknown setup 'nothing'"),
        ({"request": "open"}, "unknown request 'open'"),
        ({"expires": "2026-03-02T05:29:00Z"}, "expired"),
        ({"expires": "soon"}, "expired"),
        ({"shots": 1000}, "shots or times out of bounds"),
        ({"shot_s": "long"}, "shots or times out of bounds"),
    ],
)
def test_a_wrong_request_is_refused(changes: dict[str, object], reason: str) -> None:
    played = cell()
    run(played, 15.0)
    request(played, **changes)
    messages = run(played, 40.0)
    assert bodies(messages, "/reply") == [{"id": "request-1", "accepted": False, "reason": reason}]
    assert bodies(messages, "/event") == []


def test_interlocks_refuse() -> None:
    played = cell()
    run(played, 15.0)
    played.controller.set_door(True)
    request(played)
    messages = run(played, 5.0)
    assert bodies(messages, "/reply")[0]["reason"] == "door open"
    assert bodies(messages, "/event")[0] | {"t": 0, "id": 0} == {
        "event": "cell_ready", "ready": False, "reason": "door open", "t": 0, "id": 0,
    }  # fmt: skip
    played.controller.set_door(False)
    played.controller.set_ready(False, "solvent low")
    request(played)
    assert bodies(run(played, 5.0), "/reply")[0]["reason"] == "not ready: solvent low"
    played.controller.set_ready(True)
    played.controller.run_job(["upper"], 60.0)
    request(played)
    assert bodies(run(played, 5.0), "/reply")[0]["reason"] == "busy: job"
    played.controller.manners.refuses = "maintenance"
    request(played)
    assert bodies(run(played, 5.0), "/reply")[0]["reason"] == "maintenance"


def test_requests_wait_behind_each_other_but_not_past_their_life() -> None:
    played = cell()
    run(played, 15.0)
    request(played)
    request(played, id="request-2", gun="lower", expires="2026-03-02T05:45:00Z")
    request(played, id="request-3", gun="lower", expires="2026-03-02T05:30:50Z")
    messages = run(played, 200.0)
    assert [r["accepted"] for r in bodies(messages, "/reply")] == [True, True, True]
    started = [e["request"] for e in bodies(messages, "/event") if e["event"] == "check_started"]
    assert started == ["request-1", "request-2"]


def test_rubbish_and_silence() -> None:
    played = cell()
    run(played, 15.0)
    for payload in (b"", b"{", b"[1]", b"{}", b"\xff"):
        played.hear("plant/north/request", payload)
        played.hear("plant/north/flow/advice/upper", payload)
    played.controller.manners.answers = False
    request(played)
    messages = run(played, 30.0)
    assert bodies(messages, "/reply") == []
    assert bodies(messages, "/event") == []


def test_a_restart_loses_the_programme_and_tells_no_closing() -> None:
    played = cell("controller-restarted", runs_checks=True)
    messages = list(play(played))
    events = bodies(messages, "/event")
    opened = sum(e["event"] == "gun_opened" for e in events)
    assert sum(e["event"] == "gun_closed" for e in events) == opened - 1
    assert any(e["event"] == "cell_ready" and e["ready"] for e in events)
    assert len({e["id"] for e in events}) == len(events)


def test_a_cell_is_set_for_what_its_own_shift_runs() -> None:
    """A site's second cell that sprayed the first one's job failed every scenario by the difference."""
    site = site_of(
        bench_text().split("[[setups]]")[0]
        + """
[[setups]]
name = "thick"
fluid = "n-butyl acetate"
target_g_per_min = 118.0
pot_pressure_bar = 0.9
[[setups]]
name = "thin"
fluid = "acetone"
target_g_per_min = 165.0
pot_pressure_bar = 1.1
shot_s = 10.0
bleed_s = 6.0
[[cells]]
id = "quay"
scales = [{ id = "deck" }]
guns = [{ id = "left", scale = "deck" }]
[[cells]]
id = "pier"
scales = [{ id = "bench" }]
guns = [{ id = "solo", scale = "bench" }]
shifts = [{ name = "dawn", days = "daily", starts = "07:00", setup = "thin" }]
"""
    )
    story = load_scenario("good-day")
    assert build_cell(site, story, "quay", seed=1).usual_setup().name == "thick"
    played = build_cell(site, story, "pier", seed=1)
    messages = run(played, 240.0)
    assert [e["setup"] for e in bodies(messages, "event") if e["event"] == "setup_loaded"] == ["thin"]
    shots = [true for true in played.truth if true.purpose == "shot"]
    assert len(shots) == 3
    for true in shots:
        assert true.mass_g / 10.0 * 60.0 == pytest.approx(165.0, rel=0.02)


def test_the_technician_turns_the_knob_as_advised_and_checks_again() -> None:
    played = cell("gun-out-of-balance", runs_checks=True)
    messages = list(play(played))
    low = [t.flow_g_per_min or 0.0 for t in played.truth if t.gun == "lower" and t.purpose == "shot"]
    assert np.mean(low) == pytest.approx(96.0 * 0.91, rel=0.01)
    before = played.guns["lower"].setting
    advice = {"gun": "lower", "advised": None, "change": 0.45}
    played.hear("plant/north/flow/advice/lower", json.dumps(advice).encode())
    messages = run(played, 200.0)
    # A hand stops at a mark of the knob: at every twentieth of a turn.
    assert played.guns["lower"].setting == pytest.approx(before + 0.45, abs=0.025)
    needle = next(e for e in bodies(messages, "/event") if e["event"] == "needle_set")
    assert needle["setting"] == played.guns["lower"].setting == pytest.approx(2.1)
    high = [t.flow_g_per_min or 0.0 for t in played.truth[-3:]]
    assert np.mean(high) > 1.05 * np.mean(low)


def test_new_parts_are_new() -> None:
    played = cell("worn-nozzle")
    run(played, 15.0)
    assert played.guns["upper"].wear_pct == 12.0
    played.technician.change_part("upper", "nozzle")
    assert played.guns["upper"].wear_pct == 0.0
    assert bodies(run(played, 1.0), "/event")[0]["part"] == "nozzle"


def test_other_voices_of_a_scale() -> None:
    played = cell()
    voice = played.stations["floor"].voice
    voice.unit, voice.t_form, voice.stable_flag, voice.sequence = "kg", "rfc3339", False, False
    first = bodies(run(played, 1.0), "reading")[0]
    assert first == {"value": 0.3751, "unit": "kg", "t": "2026-03-02T05:30:00.100Z"}
    voice.bare = True
    bare = [m.payload for m in run(played, 0.5) if m.topic.endswith("reading")]
    assert 0.3745 < float(bare[-1]) < 0.3755
    played.stations["floor"].voice.bare = False
    played.stations["floor"].container.tare_g = 7000.0
    voice.unit = "g"
    over = bodies(run(played, 5.0), "reading")[-1]
    assert over["value"] is None
    assert over["overload"] is True


def test_an_untidy_network_loses_doubles_and_delays() -> None:
    story = read_scenario(
        "untidy",
        """
        title = "untidy"
        says = "nothing"
        [networks.all]
        lost_pct = 10.0
        doubled_pct = 10.0
        stalled_pct = 2.0
        [voices.all]
        idle_every_s = 0.0
        [[steps]]
        do = "bump"
        scale = "first"
        """,
    )
    messages = run(build_cell(SITE, story), 100.0)
    seqs = [r["seq"] for r in bodies(messages, "reading")]
    assert 80 < 1000 - len(set(seqs)) < 130
    assert 60 < len(seqs) - len(set(seqs)) < 120
    assert seqs == sorted(seqs)


def test_mishaps_spoil_what_runs_and_say_so() -> None:
    for story, nth in (("container-knocked-over", 2), ("scale-unplugged", 3)):
        played = cell(story, runs_checks=True)
        list(play(played))
        spoiled = [t for t in played.truth if t.spoiled]
        assert spoiled[0].gun == "upper"
        assert [t for t in played.truth if t.gun == "upper" and t.purpose == "shot"].index(
            spoiled[0]
        ) == nth - 1
    assert spoiled[0].notes == ["scale unplugged while gun upper was open"]
    line = json.loads(spoiled[0].as_line())
    assert line["spoiled"] is True
    assert line["open_s"] == 20.0


def test_a_configuration_that_cannot_be_played_is_named(tmp_path: Any) -> None:
    for text, fault in (
        ("[", "no TOML"),
        ("[[cells]]\n", r"cells\[0\].id is missing"),
        ('[[cells]]\nid="a"\n[[cells.guns]]\nid="g"\nscale="s"\n', "gun g names the scale 's'"),
        ('[[setups]]\nname="x"\n', r"setups\[0\].fluid is missing"),
        ('[[fluids]]\nname="x"\n', "fluids x: a density table is missing"),
        ('[[fluids]]\nname="x"\ndensity=[1]\n', "rows with t_c and kg_per_m3"),
    ):
        with pytest.raises(SiteError, match=fault):
            site_of(text)
    with pytest.raises(SiteError, match=r"away.toml"):
        load_site(tmp_path / "away.toml")
    with pytest.raises(SiteError, match="no cell called 'south'; there are: north"):
        SITE.cell("south")
    with pytest.raises(SiteError, match="no fluid called 'milk'"):
        SITE.liquid("milk")
    with pytest.raises(SiteError, match="no setup called 'x'"):
        SITE.setup("x")
    own = site_of(
        bench_text() + '\n[[fluids]]\nname = "blue"\n[[fluids.density]]\nt_c = 20\nkg_per_m3 = 1210.0\n'
    )
    assert own.liquid("blue").density(25.0) == 1210.0
