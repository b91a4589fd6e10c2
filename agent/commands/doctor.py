"""`shotgram doctor`: tries everything the agent needs and says what to mend. It asks for no shot."""

from __future__ import annotations

import argparse
import json
import shutil
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from rich.text import Text

from agent.commands.configuration import WRONG, load_or_complain
from agent.commands.tables import console
from agent.settings.site import Site

Level = Literal["well", "note", "mend"]
LISTEN_S = 5.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing tried."""

    what: str
    level: Level
    text: str
    mend: str = ""


def configure(parser: argparse.ArgumentParser) -> None:
    """Arguments of `shotgram doctor`."""
    parser.add_argument("--config", type=Path, required=True, metavar="F", help="configuration (TOML)")
    parser.add_argument("--json", action="store_true", help="one line of JSON for each thing tried")
    parser.add_argument(
        "--listen",
        type=float,
        default=LISTEN_S,
        metavar="S",
        help="seconds to listen for input (default %(default)g)",
    )
    parser.epilog = "example:\n  shotgram doctor --config /etc/shotgram/cell.toml"


def run(args: argparse.Namespace) -> int:
    """Try everything; 0 all is well, 1 something has to be mended, 2 wrong configuration."""
    site = load_or_complain(args.config)
    if site is None:
        return WRONG
    out = console()
    worst = 0
    for finding in examine(site, args.listen):
        if args.json:
            print(json.dumps(asdict(finding)), flush=True)
        else:
            word = {"well": ("well", "green"), "note": ("note", "yellow"), "mend": ("MEND", "red")}[
                finding.level
            ]
            line = Text(f"{finding.what:<14}").append(f"{word[0]:<6}", style=word[1]).append(finding.text)
            out.print(line)
            if finding.mend:
                out.print(Text(f"{'':<20}→ {finding.mend}"))
        worst = max(worst, finding.level == "mend")
    return int(worst)


def examine(site: Site, listen_s: float) -> Iterator[Finding]:
    """Everything tried, in the order in which one thing needs the other."""
    yield Finding("configuration", "well", f"{site.file} ({site.plan.digest})")
    for what, check in (("secrets", _secrets), ("clock", _clock), ("disk", _disk), ("journal", _journal)):
        yield from _safely(what, check(site))
    yield from _safely("broker", _broker(site, listen_s))
    if site.influx is not None:
        yield from _safely("database", _database(site))


def _safely(what: str, findings: Iterator[Finding]) -> Iterator[Finding]:
    try:
        yield from findings
    except Exception as fault:  # noqa: BLE001  one thing that cannot be tried must not hide the others
        yield Finding(what, "mend", f"could not be tried: {type(fault).__name__}: {fault}")


def _secrets(site: Site) -> Iterator[Finding]:
    from agent.settings.secrets import SecretUnreadable, read_secret

    wanted = {
        "mqtt.password_file": site.mqtt.password_file,
        "mqtt.key_file": site.mqtt.key_file,
        "influx.token_file": site.influx.token_file if site.influx else None,
        "notify.urls_file": site.notify.urls_file if site.notify else None,
    }
    asked = {name: path for name, path in wanted.items() if path is not None}
    if not asked:
        yield Finding("secrets", "well", "none asked for")
    for name, path in asked.items():
        try:
            read_secret(path)
        except SecretUnreadable as fault:
            yield Finding(
                "secrets", "mend", f"{name}: {fault}", "make the file, readable for the agent's user alone"
            )
        else:
            yield Finding("secrets", "well", f"{name} can be read")


def _clock(site: Site) -> Iterator[Finding]:
    from agent.contract.times import is_plausible, rfc3339

    now_s = time.time()
    if not is_plausible(now_s):
        yield Finding(
            "clock", "mend", f"shows {rfc3339(now_s)}", "start a time service (chrony, systemd-timesyncd)"
        )
    else:
        yield Finding("clock", "well", f"{rfc3339(now_s)}, site in {site.plan.timezone}")


def _disk(site: Site) -> Iterator[Finding]:
    folder = next(path for path in (site.state_dir, *site.state_dir.parents) if path.exists())
    usage = shutil.disk_usage(folder)
    free_mb, least_mb = usage.free // 1_000_000, site.journal.free_mb
    if free_mb < least_mb:
        yield Finding(
            "disk", "mend", f"{free_mb} MB free at {folder}", f"free space: {least_mb} MB are wanted"
        )
    else:
        yield Finding("disk", "well", f"{free_mb} MB free at {folder}")


def _journal(site: Site) -> Iterator[Finding]:
    from agent.journal.errors import JournalError
    from agent.journal.reading import FILE_NAME, JournalReader
    from agent.journal.verify import verify

    if not (site.state_dir / FILE_NAME).exists():
        yield Finding("journal", "note", f"none yet in {site.state_dir}", "it is made at the first start")
        return
    try:
        with JournalReader.of_folder(site.state_dir) as journal:
            faults = verify(journal.database)
            count, _ = journal.head()
    except JournalError as fault:
        yield Finding("journal", "mend", str(fault))
        return
    if faults:
        yield Finding("journal", "mend", faults[0].text, "shotgram history --verify; compare with a backup")
    else:
        yield Finding("journal", "well", f"{count} records, chain sound")


def _broker(site: Site, listen_s: float) -> Iterator[Finding]:
    from agent.runtime.listening import listen

    heard = listen(site, listen_s)
    if heard.version is None:
        yield Finding(
            "broker",
            "mend",
            f"{site.mqtt.host}:{site.mqtt.port}: {heard.why or 'no answer'}",
            "is it running, are host, port, credentials and certificates right?",
        )
        return
    yield Finding("broker", "well", f"{site.mqtt.host}:{site.mqtt.port} speaks MQTT {heard.version}")
    if heard.version == "3.1.1":
        yield Finding("broker", "note", "MQTT 3.1.1: a publish that its access list forbids looks delivered")
    if heard.refused:
        yield Finding(
            "topics",
            "mend",
            f"refused: {', '.join(heard.refused)}",
            "let the agent read these in the access list",
        )
    if not heard.canary:
        yield Finding(
            "topics",
            "mend",
            "the agent does not hear itself",
            "let it write and read below {root}/agent/{id}",
        )
    for topic, count in heard.counts.items():
        if count:
            yield Finding("input", "well", f"{topic}: {count} messages in {listen_s:g} s")
        else:
            yield Finding(
                "input",
                "note",
                f"{topic}: nothing in {listen_s:g} s",
                "is the sender on, is the topic right?",
            )
    for fault in heard.faults:
        yield Finding("input", "mend", fault, "mend the sender, or the input in the configuration")


def _database(site: Site) -> Iterator[Finding]:
    import urllib.error
    import urllib.request

    assert site.influx is not None  # noqa: S101  the caller looked
    url = f"{site.influx.url.rstrip('/')}/ping"
    try:
        with urllib.request.urlopen(url, timeout=site.influx.timeout_s) as answer:  # noqa: S310  http(s) by the settings
            version = answer.headers.get("X-Influxdb-Version", "")
    except urllib.error.HTTPError as fault:
        yield Finding("database", "note", f"{site.influx.url} answers {fault.code} to a ping")
    except OSError as fault:
        yield Finding(
            "database", "mend", f"{site.influx.url}: {fault}", "is it running, is the address right?"
        )
    else:
        yield Finding("database", "well", f"{site.influx.url} answers {version}".rstrip())
