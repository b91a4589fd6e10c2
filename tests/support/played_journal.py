"""Journals to report on: a scenario played through the pipeline, months of wear, nothing at all."""

from __future__ import annotations

from pathlib import Path

from made_records import make_dispense

from agent.assessment.desk import Desk
from agent.contract.inputs import ControllerEvent, RawMessage
from agent.contract.records import Record, record_id
from agent.contract.times import rfc3339
from agent.intake.capture import read_capture
from agent.journal.journal import Journal
from agent.pipeline.pipeline import Pipeline
from agent.settings.load import load
from agent.settings.site import Site
from simulators.capture import simulate_capture

START_S = 1_772_429_400.0
"""A Monday morning in March 2026."""
DAY_S = 86_400.0

SITE = """\
[agent]
id = "edge-7"
state_dir = "state"
timezone = "Europe/Helsinki"

[mqtt]
host = "127.0.0.1"
root = "yard"

[[setups]]
name = "gearbox-primer"
fluid = "n-butyl acetate"
target_g_per_min = 84.0
tolerance_pct = 5.0
balance_pct = 4.0
shot_s = 15.0
shots = 3
bleed_s = 8.0
pot_pressure_bar = 0.6

[[cells]]
id = "booth-2"

  [[cells.scales]]
  id = "bench"
  resolution_g = 0.05
  capacity_g = 4200.0

  [[cells.guns]]
  id = "port"
  scale = "bench"

  [[cells.guns]]
  id = "starboard"
  scale = "bench"
"""


def site_in(folder: Path, text: str = SITE) -> Site:
    """A site whose configuration and journal lie in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    config = folder / "site.toml"
    config.write_text(text, encoding="utf-8")
    return load(config)


def opened(site: Site) -> Journal:
    """The journal of a site, as the agent opens it."""
    return Journal.open(site.state_dir, version="0.1.0", config_digest=site.plan.digest)


def played(folder: Path, scenario: str, text: str = SITE, *, most: int | None = None) -> Site:
    """A scenario of the simulators, as the agent would have journalled it; `most` messages of it."""
    site = site_in(folder, text)
    pipeline, journal = Pipeline(site.plan), opened(site)
    lines = (f"{line}\n".encode() for line in simulate_capture(scenario, site=text, start_s=START_S))
    for number, item in enumerate(read_capture(lines)):
        if most is not None and number >= most:
            break
        assert isinstance(item, RawMessage)
        outcome = pipeline.take(item)
        if outcome.records or outcome.told:
            journal.append(outcome.records, outcome.told, outcome.evidence)
    last = pipeline.finish()
    journal.append(last.records, last.told, last.evidence)
    journal.close()
    return site


def worn(folder: Path, *, days: int = 55, wear_pct_per_day: float = 0.11) -> Site:
    """Weeks of morning checks; the nozzle of `port` wears, `starboard` stays as it is."""
    site = site_in(folder)
    desk, journal = Desk(site.plan.cells[0], site.plan), opened(site)
    told: list[Record] = []
    number = 0
    for day in range(days):
        at_s = START_S + day * DAY_S
        loaded = ControllerEvent(
            "booth-2", "setup_loaded", at_s, at_s, event_id=f"l{day}", setup="gearbox-primer"
        )
        told += desk.event(loaded)
        for gun, flow in (("port", 83.2 * (1 + wear_pct_per_day * day / 100.0)), ("starboard", 84.3)):
            for shot in range(3):
                number += 1
                at_s += 30.0
                scatter = (number * 7919 % 101 / 101.0 - 0.5) * 0.8
                one = make_dispense(
                    number,
                    gun=gun,
                    at_s=at_s,
                    id=record_id("dispense", gun, number),
                    cell="booth-2",
                    scale="bench",
                    setup="gearbox-primer",
                    flow_g_per_min=flow + scatter + 0.01 * shot,
                    u_flow_g_per_min=0.05,
                    open_s=15.0,
                    started_at=rfc3339(at_s - 20.0),
                    pot_pressure_bar=0.6,
                )
                told += [one, *desk.dispense(one)]
            at_s += 200.0
            told += desk.passed(at_s)
    journal.append(told)
    journal.close()
    return site


def empty(folder: Path) -> Site:
    """A journal with nothing in it."""
    site = site_in(folder)
    opened(site).close()
    return site
