"""What the doctor tries on this machine: secrets, clock, disk, journal, serial ports."""

from __future__ import annotations

import contextlib
import os
import shutil
import statistics
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from agent.assessment.wording import counted
from agent.commands.doctor_finding import Finding
from agent.settings.site import Site

MOST_REFUSED = 10_000
"""More than the journal keeps."""
SLOW_S = 0.1
"""A commit that takes longer delays every message of a busy cell."""
STALLED_S = 1.0
WRITES = 10


def secrets(site: Site) -> Iterator[Finding]:
    """Whether every secret can be read that the configuration names."""
    from agent.settings.secrets import SecretUnreadable, read_secret

    wanted = {
        "mqtt.password_file": site.mqtt.password_file,
        "mqtt.key_file": site.mqtt.key_file,
        "influx.token_file": site.influx.token_file if site.influx else None,
        "notify.urls_file": site.notify.urls_file if site.notify else None,
        "sparkplug.password_file": site.sparkplug.password_file if site.sparkplug else None,
        "sparkplug.key_file": site.sparkplug.key_file if site.sparkplug else None,
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


def clock(site: Site) -> Iterator[Finding]:
    """Whether the clock is set, and anything keeps it right."""
    from agent.commands.local_time import LocalTime
    from agent.contract.times import is_plausible, rfc3339

    now_s = time.time()
    said = LocalTime(site.plan.timezone).second(rfc3339(now_s))
    if not is_plausible(now_s):
        yield Finding("clock", "mend", f"shows {said}", "start a time service (chrony, systemd-timesyncd)")
        return
    yield Finding("clock", "well", f"{said} in {site.plan.timezone}; is that what the wall clock says?")
    if _synchronised() is False:
        text = "no time service keeps it: shift checks drift with it"
        yield Finding("clock", "note", text, "start one (chrony, systemd-timesyncd)")


def _synchronised() -> bool | None:
    """Whether the system says that its clock is kept by a time service; None where it does not say."""
    if shutil.which("timedatectl") is None:
        return None
    with contextlib.suppress(OSError, subprocess.SubprocessError):
        done = subprocess.run(
            ["timedatectl", "show", "--property=NTPSynchronized", "--value"],
            capture_output=True,
            text=True,
            timeout=5.0,
            check=False,
        )
        return {"yes": True, "no": False}.get(done.stdout.strip())
    return None


def disk(site: Site) -> Iterator[Finding]:
    """Whether there is room, we may write, and how long it takes until a write is safe."""
    folder = next(path for path in (site.state_dir, *site.state_dir.parents) if path.exists())
    usage = shutil.disk_usage(folder)
    free_mb, least_mb = usage.free // 1_000_000, site.journal.free_mb
    if free_mb < least_mb:
        yield Finding(
            "disk", "mend", f"{free_mb} MB free at {folder}", f"free space: {least_mb} MB are wanted"
        )
    else:
        yield Finding("disk", "well", f"{free_mb} MB free at {folder}")
    if folder != site.state_dir:
        if not os.access(folder, os.W_OK):
            text = f"{site.state_dir} does not exist and may not be made by this user"
            yield Finding("disk", "mend", text, "run the doctor as the agent's user, or make the folder")
        return
    try:
        took_s = _write_times_s(folder)
    except OSError as fault:
        text = f"{folder} cannot be written: {fault.strerror or fault}"
        yield Finding("disk", "mend", text, "run the doctor as the agent's user; look at the mount")
        return
    worst, usual = max(took_s), statistics.median(took_s)
    text = f"a write is safe after {1000 * usual:.1f} ms (at most {1000 * worst:.1f} ms)"
    if worst > STALLED_S:
        yield Finding("disk", "mend", text, "the disk or card stalls: replace it, or use another")
    elif usual > SLOW_S:
        yield Finding("disk", "note", text, "a slow disk: a busy cell may wait for it")
    else:
        yield Finding("disk", "well", text)


def _write_times_s(folder: Path) -> list[float]:
    """How long it takes until 4 KiB are on the disk, several times, seconds. Raises OSError."""
    took_s: list[float] = []
    with tempfile.NamedTemporaryFile(dir=folder, prefix="doctor-") as file:
        for _ in range(WRITES):
            began_s = time.monotonic()
            file.write(b"\0" * 4096)
            file.flush()
            os.fsync(file.fileno())
            took_s.append(time.monotonic() - began_s)
    return took_s


def journal(site: Site) -> Iterator[Finding]:
    """Whether the journal is sound, and an agent is writing it now."""
    from agent.journal.errors import JournalError
    from agent.journal.reading import FILE_NAME, JournalReader
    from agent.journal.verify import verify

    if not (site.state_dir / FILE_NAME).exists():
        yield Finding("journal", "note", f"none yet in {site.state_dir}", "it is made at the first start")
        return
    try:
        with JournalReader.of_folder(site.state_dir) as reader:
            faults = verify(reader.database)
            count, _ = reader.head()
            refused = reader.quarantined(MOST_REFUSED)
    except JournalError as fault:
        yield Finding("journal", "mend", str(fault), "is this the agent's user, and the right state_dir?")
        return
    if faults:
        yield Finding("journal", "mend", faults[0].text, "shotgram history --verify; compare with a backup")
    else:
        yield Finding("journal", "well", f"{counted(count, 'record')}, chain sound")
    if refused:
        topic, _, code, _ = refused[0]
        text = f"{counted(len(refused), 'message')} could not be used, the newest on {topic} ({code})"
        yield Finding("journal", "note", text, "shotgram history --refused tells why; mend the sender")
    number = running_agent(site)
    if number is not None:
        yield Finding("journal", "well", f"an agent is writing it now (process {number})")


def running_agent(site: Site) -> int | None:
    """The process that holds this site's journal, or None. The lock itself is not touched."""
    with contextlib.suppress(OSError, ValueError):
        inode = (site.state_dir / "journal.lock").stat().st_ino
        for line in Path("/proc/locks").read_text(encoding="ascii").splitlines():
            # 1: FLOCK  ADVISORY  WRITE 1234 08:01:5678 0 EOF
            words = line.split()
            if len(words) >= 6 and words[5].rpartition(":")[2] == str(inode) and words[1] != "->":
                return int(words[4])
    return None


def serial_ports(site: Site) -> Iterator[Finding]:
    """Whether every serial port is there that a scale is read from."""
    for scale in site.serial_scales:
        port = scale.line.port
        if "://" in port:
            continue
        name = f"{scale.cell}/{scale.scale}: {port}"
        if not Path(port).exists():
            yield Finding("scales", "mend", f"{name} is not there", "is the adapter plugged in?")
        elif not os.access(port, os.R_OK | os.W_OK):
            text = f"{name} may not be opened by this user"
            yield Finding("scales", "mend", text, "add the bridge's user to the group dialout")
        else:
            yield Finding("scales", "well", f"{name} is there; shotgram bridge --listen shows what it says")
