"""`shotgram bridge`: scales on serial lines to MQTT, until it is told to stop."""

from __future__ import annotations

import argparse
import json
import logging
import signal
import sys
import threading
import time
from pathlib import Path

from agent.commands.configuration import WRONG, load_or_complain
from agent.settings.secrets import SecretUnreadable
from agent.settings.site import Site

EXAMPLES = """\
examples:
  shotgram bridge --config cell.toml
      read every scale that has a [cells.scales.serial] table
  shotgram bridge --config cell.toml --listen
      only show what the lines say and how it is read

a scale with a serial line:
  [[cells.scales]]
  id = "floor"
  resolution_g = 0.1
  capacity_g = 6100.0
    [cells.scales.serial]
    port = "/dev/serial/by-id/usb-..."   # or socket://10.0.0.7:4001
    baud = 9600
    profile = "status-first"             # ST,GS,+00012.34  g
    # profile = "unit-when-stable"       # +     12.34 g
    # profile = "number-only"            # +   12.34
    # pattern = '(?P<sign>[+-])(?P<value>[ 0-9.]{7}) (?P<unit>k?g)'
    # poll = "W\\r\\n"                     # for a scale that only answers
"""


def configure(parser: argparse.ArgumentParser) -> None:
    """The words of this command."""
    parser.epilog = EXAMPLES
    parser.add_argument("--config", required=True, type=Path, metavar="F", help="the site's configuration")
    parser.add_argument(
        "--listen",
        action="store_true",
        help="show the lines and how they are read; nothing is published",
    )
    parser.add_argument("--json", action="store_true", help="with --listen: one line of JSON for each")


def run(args: argparse.Namespace) -> int:
    """Bridge until a signal comes; returns the exit status."""
    site = load_or_complain(args.config)
    if site is None:
        return WRONG
    if args.json and not args.listen:
        print("shotgram bridge: --json goes with --listen", file=sys.stderr)
        return WRONG
    if not site.serial_scales:
        print(
            f"{args.config}: no scale has a serial line. Add a [cells.scales.serial] table below a "
            "[[cells.scales]]; `shotgram bridge --help` shows one.",
            file=sys.stderr,
        )
        return WRONG
    logging.basicConfig(
        level=site.log_level.upper(), format="%(asctime)s %(levelname)s %(message)s", stream=sys.stderr
    )
    stop = threading.Event()
    interrupted = _stop_on_signals(stop)
    if args.listen:
        from agent.bridge.listen import listen

        listen(site.serial_scales, stop, _show_json if args.json else _show)
    else:
        try:
            _bridge(site, stop)
        except SecretUnreadable as fault:
            print(fault, file=sys.stderr)
            return WRONG
    return 130 if interrupted.is_set() else 0


def _show(text: str) -> None:
    print(text, flush=True)


def _show_json(text: str) -> None:
    scale, _, said = text.partition(": ")
    print(json.dumps({"scale": scale, "said": said.strip()}), flush=True)


def _bridge(site: Site, stop: threading.Event) -> None:
    from agent import __version__
    from agent.bridge.bridge import Bridge
    from agent.runtime import service_manager

    logging.getLogger(__name__).info(
        "shotgram %s bridges %d scales; configuration %s (%s)",
        __version__,
        len(site.serial_scales),
        site.file,
        site.plan.digest,
    )
    bridge = Bridge(site)
    period_s = service_manager.watchdog_period_s() or 10.0
    fed_s = float("-inf")

    def alive() -> None:
        nonlocal fed_s
        now_s = time.monotonic()
        if now_s - fed_s >= period_s / 2:
            service_manager.tell("READY=1\nWATCHDOG=1" if fed_s == float("-inf") else "WATCHDOG=1")
            fed_s = now_s

    bridge.run(stop, alive)
    service_manager.tell("STOPPING=1")


def _stop_on_signals(stop: threading.Event) -> threading.Event:
    interrupted = threading.Event()

    def on_signal(number: int, _frame: object) -> None:
        if number == signal.SIGINT:
            interrupted.set()
        stop.set()

    signal.signal(signal.SIGTERM, on_signal)
    signal.signal(signal.SIGINT, on_signal)
    return interrupted
