"""`shotgram run`: the agent, headless, until it is told to stop."""

from __future__ import annotations

import argparse
import logging
import platform
import signal
import sys
import textwrap
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType

from agent import __version__
from agent.commands.configuration import WRONG, load_or_complain
from agent.journal.errors import JournalError, JournalLocked
from agent.settings.secrets import SecretUnreadable
from agent.settings.site import Site

log = logging.getLogger("shotgram")

CAUTION = (
    "This agent asks the controller for shots of solvent; it never opens a valve, and the controller's "
    "interlocks decide. Local codes, safety data sheets and licensed practice come first."
)


EXAMPLES = """\
examples:
  shotgram run --config cell.toml                     until Ctrl-C or SIGTERM
  shotgram run --config cell.toml --log-level debug   say more
  systemctl enable --now shotgram                     as a service: see deploy/

Try `shotgram doctor --config cell.toml` first: it finds what is missing.

"""


def configure(parser: argparse.ArgumentParser) -> None:
    """Arguments of `shotgram run`."""
    parser.add_argument("--config", type=Path, required=True, metavar="F", help="configuration (TOML)")
    parser.add_argument(
        "--log-level", choices=["debug", "info", "warning", "error"], help="instead of the file's"
    )
    parser.epilog = EXAMPLES + textwrap.fill(CAUTION, 79)


def run(args: argparse.Namespace) -> int:
    """Run until SIGTERM or SIGINT; 0 stopped, 1 the work failed, 2 wrong configuration."""
    site = load_or_complain(args.config)
    if site is None:
        return WRONG
    start_log(args.log_level or site.log_level)
    log.info(
        "shotgram %s, Python %s, configuration %s (%s)",
        __version__,
        platform.python_version(),
        site.file,
        site.plan.digest,
    )
    log.info("%s", CAUTION)
    stop = threading.Event()
    asked: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _stopper(stop, asked))
    status = _serve(site, stop)
    return 130 if signal.SIGINT in asked and status == 0 else status


def start_log(level: str) -> None:
    """Log to standard error, times in UTC; under systemd the journal adds its own."""
    form = logging.Formatter(
        "%(asctime)s.%(msecs)03dZ %(levelname)s %(name)s: %(message)s", "%Y-%m-%dT%H:%M:%S"
    )
    form.converter = time.gmtime
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(form)
    logging.basicConfig(level=level.upper(), handlers=[handler])
    # Each job that the scheduler takes up is no news to whoever reads this log.
    logging.getLogger("apscheduler").setLevel(logging.WARNING)


def _stopper(stop: threading.Event, asked: list[int]) -> Callable[[int, FrameType | None], None]:
    def told(number: int, _frame: FrameType | None) -> None:
        asked.append(number)
        stop.set()

    return told


def _serve(site: Site, stop: threading.Event) -> int:
    from agent.runtime.service import Service, say_why

    try:
        service = Service(site)
    except JournalLocked as fault:
        log.error("%s", fault)  # noqa: TRY400  a traceback tells nothing more
        return 1
    except JournalError as fault:
        log.error("cannot start: %s", fault)  # noqa: TRY400
        say_why(site, fault)
        return 1
    except SecretUnreadable as fault:
        log.error("cannot start: %s", fault)  # noqa: TRY400
        return 1
    return service.serve(stop)
