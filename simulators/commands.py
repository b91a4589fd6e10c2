"""`shotgram simulate`: a simulated cell against any broker, or into a capture with no broker at all."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import textwrap
import time
from pathlib import Path
from typing import TYPE_CHECKING

from simulators.scenarios import Scenario, list_scenarios, load_scenario
from simulators.site import Site, SiteError, bench_text, load_site, site_of

if TYPE_CHECKING:
    import paho.mqtt.client as mqtt

    from simulators.link import SimulatedCell

EXAMPLES = """\
examples:
  shotgram simulate --list
      what can be played, and what the agent should say of it
  shotgram simulate --config cell.toml --scenario worn-nozzle
      against the broker of a configuration, in real time
  shotgram simulate --scenario worn-nozzle --capture worn.jsonl
      a recording for `shotgram replay`, at once
  shotgram simulate --config cell.toml --record real.jsonl --seconds 600
      a real cell, recorded for `shotgram replay`
  shotgram simulate --config cell.toml --scenario good-day --waits-for-requests
      the controller shoots only when it is asked
"""


AHEAD = (
    "note: faster than real time this cell's clock runs ahead of everybody else's. A running agent journals "
    "such times as they are, in its future, and waits for its own clock where it has to wait: use a journal "
    "that you can throw away. For a quick look without one: --capture, then `shotgram replay`."
)


def configure(parser: argparse.ArgumentParser) -> None:
    """Add this command's words."""
    parser.epilog = EXAMPLES
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument(
        "--list", action="store_true", help="list the scenarios and what the agent should say"
    )
    parser.add_argument(
        "--config", metavar="F", type=Path, help="the agent's configuration (default: invented)"
    )
    parser.add_argument(
        "--scenario", metavar="S", default="good-day", help="a scenario's name, or a TOML file"
    )
    parser.add_argument("--cell", metavar="C", help="the cell to simulate (default: the first)")
    parser.add_argument("--speed", metavar="N", type=float, default=1.0, help="times real time (default 1)")
    parser.add_argument("--seed", metavar="K", type=int, default=1, help="same seed, same cell (default 1)")
    parser.add_argument("--capture", metavar="FILE", type=Path, help="write a capture instead of publishing")
    parser.add_argument(
        "--record", metavar="FILE", type=Path, help="record what the broker hears: a real cell"
    )
    parser.add_argument("--seconds", metavar="N", type=float, default=60.0, help="how long to record (60)")
    parser.add_argument(
        "--truth", metavar="FILE", type=Path, help="write what was really dispensed, JSON Lines"
    )
    parser.add_argument("--json", action="store_true", help="the list, or what was done, as JSON")
    parser.add_argument(
        "--waits-for-requests", action="store_true", help="the controller runs checks only when asked"
    )


def run(args: argparse.Namespace) -> int:
    """Do it; returns the exit status."""
    try:
        if args.list:
            return _list(as_json=args.json)
        site = load_site(args.config) if args.config else site_of(bench_text())
        if args.record:
            return _record(args, site)
        scenario = load_scenario(args.scenario)
        _warn(site, args.cell)
        if args.capture:
            return _capture(args, site, scenario)
        if args.speed > 1:
            print(AHEAD, file=sys.stderr)
        simulated = _connected(args, site, scenario)
    except SiteError as fault:
        print(f"shotgram simulate: {fault}", file=sys.stderr)
        return 1 if str(fault).startswith(("no broker", "the broker")) else 2
    except BrokenPipeError:
        raise
    except OSError as fault:
        print(f"shotgram simulate: {fault}", file=sys.stderr)
        return 1
    return _watch(args, simulated)


def _warn(site: Site, cell: str | None) -> None:
    foreign = site.cell(cell).foreign
    if foreign:
        print(
            f"note: the configuration takes {', '.join(foreign)} from topics or members of its own. The "
            "simulated cell speaks the contract's topics and JSON: the agent will not hear it there. Play it "
            "with a copy of the file without those lines.",
            file=sys.stderr,
        )


def _list(*, as_json: bool) -> int:
    for scenario in list_scenarios():
        if as_json:
            print(json.dumps({"name": scenario.name, "title": scenario.title, "says": scenario.says}))
            continue
        print(scenario.name)
        _inset(scenario.title)
        _inset(f"The agent should say: {scenario.says}")
    return 0


def _inset(text: str) -> None:
    """A line below its heading; on a terminal it is broken between words."""
    if sys.stdout.isatty():
        columns = shutil.get_terminal_size().columns
        print(textwrap.fill(text, columns, initial_indent="    ", subsequent_indent="    "))
    else:
        print(f"    {text}")


def _capture(args: argparse.Namespace, site: Site, scenario: Scenario) -> int:
    from simulators.capture import simulate_capture, write_capture

    truth = args.truth or args.capture.with_suffix(".truth.jsonl")
    lines = simulate_capture(scenario, args.seed, site, args.cell, truth=truth)
    count = write_capture(lines, args.capture)
    if args.json:
        print(json.dumps({"messages": count, "capture": str(args.capture), "truth": str(truth)}))
    else:
        print(f"{count} messages in {args.capture}, the truth in {truth}")
    return 0


def _record(args: argparse.Namespace, site: Site) -> int:
    from simulators.capture import record, write_capture

    lines = record(
        site.host,
        site.port,
        [f"{site.root}/#"],
        seconds=args.seconds,
        prepare=lambda client: _secure(client, site),
    )
    count = write_capture(lines, args.record)
    if args.json:
        print(json.dumps({"messages": count, "capture": str(args.record)}))
    else:
        print(f"{count} message{'' if count == 1 else 's'} in {args.record}")
    return 0


def _connected(args: argparse.Namespace, site: Site, scenario: Scenario) -> SimulatedCell:
    from simulators.link import SimulatedCell

    if not args.speed > 0:
        raise SiteError(f"--speed is {args.speed:g}; a number above 0 is wanted")
    simulated = SimulatedCell(
        site.host,
        site.port,
        site,
        args.cell,
        scenario=scenario,
        speed=args.speed,
        seed=args.seed,
        runs_checks=not args.waits_for_requests,
        prepare=lambda client: _secure(client, site),
    )
    simulated.start()
    if args.json:
        return simulated
    print(f"{scenario.name}: {scenario.title}")
    print(f"cell {simulated.cell.name} speaks to {site.host}:{site.port} at {args.speed:g} times real time")
    print(f"the agent should say: {scenario.says}")
    print("a simulation: no valve opens, nothing is sprayed")
    if args.waits_for_requests:
        print("waiting for requests: the agent asks before a shift of its configuration; stop with Ctrl-C")
    return simulated


def _secure(client: mqtt.Client, site: Site) -> None:
    """Use the configuration's own credentials, so that a protected broker can be tried as well."""
    mqtt_section = site.mqtt
    if mqtt_section.get("ca_file"):
        client.tls_set(mqtt_section["ca_file"], mqtt_section.get("cert_file"), mqtt_section.get("key_file"))
    if mqtt_section.get("username"):
        password = None
        if mqtt_section.get("password_file"):
            password = Path(mqtt_section["password_file"]).read_text(encoding="utf-8").strip()
        client.username_pw_set(mqtt_section["username"], password)


def _watch(args: argparse.Namespace, simulated: SimulatedCell) -> int:
    from simulators.capture import TAIL_S

    try:
        quiet_since_s = None
        while simulated.fault is None:
            time.sleep(0.1)
            if args.waits_for_requests or not simulated.quiet:
                quiet_since_s = None
            elif quiet_since_s is None:
                quiet_since_s = simulated.now_s()
            elif simulated.now_s() - quiet_since_s > TAIL_S:
                break
    except KeyboardInterrupt:
        return 130
    finally:
        simulated.stop()
        if args.truth:
            simulated.write_truth(args.truth)
    if simulated.fault is not None:
        print(f"shotgram simulate: the simulated cell stopped: {simulated.fault}", file=sys.stderr)
        return 1
    if args.json:
        print(json.dumps({"messages": simulated.published, "dispenses": len(simulated.truth())}))
    else:
        print(f"{simulated.published} messages, {len(simulated.truth())} dispenses")
    return 0
