"""Scenario files: those that come along, and what is said of wrong ones."""

import pytest

from simulators.scenarios import list_scenarios, load_scenario, read_scenario
from simulators.scenarios.staging import build_cell
from simulators.site import SiteError, bench_text, site_of

HEAD = 'title = "t"\nsays = "s"\n'
STEP = '[[steps]]\ndo = "shift_start"\n'


def test_the_scenarios_that_come_along() -> None:
    scenarios = list_scenarios()
    assert [scenario.name for scenario in scenarios] == [
        "good-day", "air-after-liner-change", "clocks-apart", "container-knocked-over",
        "controller-restarted", "gun-out-of-balance", "plugged-tip", "regulator-creeping",
        "scale-unplugged", "week-of-shifts",
        "worn-nozzle",
    ]  # fmt: skip
    for scenario in scenarios:
        assert scenario.title
        assert scenario.says
        build_cell(site_of(bench_text()), scenario).advance(1_772_429_402.0)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("[", "no TOML"),
        ('title = "t"\n' + STEP, "says is missing"),
        (HEAD, "steps are missing"),
        (HEAD + "colour = 1\n" + STEP, "the scenario has no colour; there are: .*pot"),
        (HEAD + "pot = 1\n" + STEP, "pot is no table"),
        (HEAD + "[guns]\nfirst = 1\n" + STEP, "guns.first is no table"),
        (HEAD + '[[steps]]\ndo = "dance"\n', r"steps\[0\].do is 'dance'; there are: shift_start"),
        (HEAD + '[[steps]]\ndo = "bump"\ngun = "first"\n', r"steps\[0\] has no gun"),
        (HEAD + '[[steps]]\ndo = "zero"\nat_s = "soon"\n', r"steps\[0\].at_s is 'soon'; a number"),
        (HEAD + '[[steps]]\ndo = "zero"\nduring = {nth = 1}\n', r"steps\[0\].during.gun is missing"),
        (HEAD + "[expected]\nsun = 1\n" + STEP, "expected has no sun"),
    ],
)
def test_a_wrong_file_is_refused_with_the_member(text: str, fault: str) -> None:
    with pytest.raises(SiteError, match=fault) as refused:
        read_scenario("mine", text)
    assert str(refused.value).startswith("scenario mine: ")


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (HEAD + "[guns.fourth]\nwear_pct = 1\n" + STEP, "no gun called 'fourth'; there are: upper, lower"),
        (HEAD + "[guns.first]\nage = 1\n" + STEP, "guns.first has no age; there are: "),
        (HEAD + '[guns.first]\nwear_pct = "much"\n' + STEP, "guns.first.wear_pct is 'much'"),
        (HEAD + "[guns.first]\noff_pct = 900.0\n" + STEP, "gun upper cannot give"),
        (HEAD + "[scales.attic]\nlag_s = 1\n" + STEP, "no scale called 'attic'"),
        (HEAD + "[technician]\nfollows_advice = 3\n" + STEP, "technician.follows_advice is 3"),
        (HEAD + '[[steps]]\ndo = "check"\nsetup = "none"\n', "no setup called 'none'"),
    ],
)
def test_a_scenario_that_does_not_fit_the_site_is_refused(text: str, fault: str) -> None:
    with pytest.raises(SiteError, match=fault):
        build_cell(site_of(bench_text()), read_scenario("mine", text))


def test_an_unknown_scenario_is_named_with_those_there_are() -> None:
    for name in ("bad-day", "../good-day", "/etc/passwd"):
        with pytest.raises(SiteError, match=r"no scenario called .* good-day"):
            load_scenario(name)
    with pytest.raises(SiteError, match=r"away.toml"):
        load_scenario("away.toml")


def test_every_action_can_be_played() -> None:
    steps = "\n".join(
        f"[[steps]]\nat_s = {i * 3.0}\n{words}"
        for i, words in enumerate(
            (
                'do = "load_setup"', 'do = "check"\ngun = "first"\nshots = 1\nshot_s = 5.0\nbleed_s = 0.0',
                'do = "set_needle"\ngun = "second"\nsetting = 2.5', 'do = "change_part"\ngun = "first"',
                'do = "open_door"', 'do = "close_door"', 'do = "not_ready"', 'do = "ready"',
                'do = "bump"\nscale = "first"', 'do = "zero"\nscale = "floor"',
                'do = "take_away"\nscale = "first"',
                'do = "put_back"\nscale = "first"', 'do = "swap_container"\nscale = "first"',
                'do = "job"\nguns = ["all"]\nseconds = 5.0', 'do = "set"\n[steps.pot]\nset_bar = 0.4',
                'do = "set"\n[steps.scales.first]\nresolution_g = 1.0', 'do = "unplug"\nscale = "first"',
                'do = "plug_in"\nscale = "first"', 'do = "knock_over"\nscale = "first"',
                'do = "restart_controller"',
            )
        )
    )  # fmt: skip
    cell = build_cell(site_of(bench_text()), read_scenario("all", HEAD + steps))
    messages = cell.advance(cell.start_s + 120.0)
    assert cell.pot.set_bar == 0.4
    assert cell.stations["floor"].scale.spec.resolution_g == 1.0
    assert not cell.stations["floor"].container.present
    events = [m.payload for m in messages if m.topic.endswith("event")]
    for event in (
        b"setup_loaded",
        b"check_started",
        b"needle_set",
        b"part_changed",
        b"cell_ready",
        b"scale_zeroed",
    ):
        assert any(event in payload for payload in events), event
