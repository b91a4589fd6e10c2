"""The disk fails, fills, turns read-only, stalls, forgets, and lies."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from disk_images import copy_of_one_moment
from rows import Report, Row
from world import HERE, World, strace

from agent.journal.putting_back import backup_of


@contextlib.contextmanager
def loop_disk(folder: Path, megabytes: int = 24, *options: str) -> Iterator[tuple[Path, Path]]:
    """An ext4 file system on a loop device: (where it is mounted, its image)."""
    folder.mkdir(parents=True, exist_ok=True)
    disk, image = folder / "disk", folder / "image"
    disk.mkdir()
    with image.open("wb") as file:
        file.truncate(megabytes * 1024 * 1024)
    subprocess.run(["mkfs.ext4", "-q", "-F", *options, str(image)], check=True)
    mount(image, disk)
    try:
        yield disk, image
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=False)


@contextlib.contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """A tmpfs of so many megabytes."""
    disk = folder / "small"
    disk.mkdir(parents=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(disk)], check=True)
    try:
        yield disk
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=False)


def mount(image: Path, disk: Path) -> None:
    """Mount an image; a device that is still being let go is waited for."""
    for _ in range(50):
        if subprocess.run(["mount", "-o", "loop", str(image), str(disk)], check=False).returncode == 0:
            return
        time.sleep(0.1)
    raise RuntimeError(f"{image} cannot be mounted")


def unmount(disk: Path) -> None:
    """Unmount; files that a killed process still holds are waited for."""
    for _ in range(100):
        if subprocess.run(["umount", str(disk)], check=False, stderr=subprocess.DEVNULL).returncode == 0:
            return
        time.sleep(0.1)
    raise RuntimeError(f"{disk} cannot be unmounted")


def repair(image: Path, disk: Path) -> None:
    """Check and mount it. A loop device that is still being let go has the aborted file system, read-only."""
    for _ in range(20):
        subprocess.run(["e2fsck", "-fy", str(image)], check=False, stdout=subprocess.DEVNULL)
        mount(image, disk)
        if os.access(disk, os.W_OK):
            return
        unmount(disk)
        time.sleep(0.5)
    raise RuntimeError(f"{image} stays read-only")


def power_cut(world: World, disk: Path, image: Path, cuts: int, seed: int) -> Row:
    """The disk as it is at that moment, without what was not synced, becomes the disk of the next start."""
    row = Row("3", "power cut")
    chance = random.Random(seed)
    world.oracle.ask("set", mode="shots", events_per_s=40)
    began = time.monotonic()
    for n in range(cuts):
        # Two of three at work, the third while it starts; and now and then it may catch up.
        if n % 3:
            world.connected_again()
        time.sleep(chance.uniform(0.0, 1.2) if n % 10 else 4.0)
        world.agent.freeze()
        copy = image.with_suffix(".cut")
        copy_of_one_moment(image, copy)
        world.agent.stop(signal.SIGKILL)
        unmount(disk)
        copy.replace(image)
        mount(image, disk)
        world.agent.start()
        row.injected += 1
    world.oracle.ask("set", mode="rest", events_per_s=0)
    row.recovered(world.online(60.0))
    row.alarmed("restarted-uncleanly", world.alarm("restarted-uncleanly", began))
    time.sleep(26.0)
    row.audited(found := world.audit(), world.verify())
    row.note = (
        f"{found['events']} events; {found['measured']} shots measured, {found['declared']} declared as not"
    )
    return row


def io_errors(world: World, report: Report, errors: int, seed: int) -> Row:
    """One failed sync or write, at any commit, in each of so many lives."""
    row = Row("4a", "EIO once (sync or write)")
    chance = random.Random(seed)
    paths = [world.state / "journal.db-wal", world.state / "journal.db"]
    began = time.monotonic()
    lives = 0
    # Some errors hit what nobody needs: a life more for each, but not for ever.
    while row.injected < errors and lives < 2 * errors:
        call = ("fdatasync", "pwrite64")[lives % 2]
        lives += 1
        world.agent.stop(signal.SIGKILL)
        log, ends = len(world.agent.log_text()), world.agent.ends
        world.agent.start(strace(f"{call}:error=EIO:when={chance.randrange(3, 14)}", *paths))
        world.oracle.ask("set", events_per_s=30)
        ended = world.agent.wait_end(ends, 20.0)
        world.oracle.ask("set", events_per_s=0)
        said = world.agent.log_text()[log:]
        row.injected += ended and ("can no longer be trusted" in said or "cannot start" in said)
    report.bites["I/O error"] += row.injected
    row.alarmed("journal-io-error", world.alarm("journal-io-error", began))
    row.recovered(world.online(60.0))
    row.audited(world.audit(), world.verify())
    row.note = f"met in {row.injected} of {lives} lives"
    row.expect("P14-it-bit", row.injected == errors, f"only {row.injected} of {errors} errors were met")
    return row


def io_errors_always(world: World, report: Report) -> Row:
    """Every sync fails: nothing is recorded, nothing acknowledged, and the broker is told all the same."""
    row = Row("4b", "EIO always")
    wal = world.state / "journal.db-wal"
    world.agent.stop()
    began = time.monotonic()
    for _ in range(3):
        ends = world.agent.ends
        world.agent.start(strace("fdatasync:error=EIO:when=1+", wal))
        world.oracle.ask("event", count=3)
        row.injected += world.agent.wait_end(ends) and world.agent.statuses[ends] == 1
        world.agent.stop(signal.SIGKILL)
    row.alarmed("journal-io-error", world.alarm("journal-io-error", began))
    report.bites["I/O error"] += row.injected
    world.agent.start()
    row.recovered(world.online(60.0))
    row.audited(world.audit(), world.verify())
    row.expect("P14-it-bit", row.injected == 3, f"it lived on ({row.injected})")
    return row


def disk_full(world: World, report: Report, disk: Path) -> Row:
    """First nearly full, then full, then there is room again."""
    row = Row("5", "disk full")
    world.agent.stop()
    filler = disk / "somebodys-logs"
    free = shutil.disk_usage(disk).free
    filler.write_bytes(bytes(int(free * 0.9)))
    began = time.monotonic()
    world.agent.start()
    row.alarmed("disk-filling", world.alarm("disk-filling", began))
    before_s = row.alarm_s
    began = time.monotonic()
    with contextlib.suppress(OSError), filler.open("ab", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    restarts = world.agent.restarts
    world.oracle.ask("set", events_per_s=40)
    row.alarmed("disk-full", world.alarm("disk-full", began))
    until = time.monotonic() + 60.0
    while "cannot take a record" not in world.agent.log_text() and time.monotonic() < until:
        time.sleep(0.2)
    row.injected = world.agent.log_text().count("cannot take a record")
    time.sleep(5.0)
    world.oracle.ask("set", events_per_s=0)
    row.expect("P8-recovers-alone", world.agent.restarts == restarts, "the agent restarted on a full disk")
    filler.unlink()
    row.recovered(world.online(60.0))
    row.note = f"disk-filling within {before_s or -1:.1f} s; refused {row.injected} commits, no restart"
    row.audited(world.audit(), world.verify())
    row.expect("P14-it-bit", row.injected > 0, "the disk never filled")
    return row


def read_only(world: World, _report: Report, disk: Path, image: Path) -> Row:
    """What the kernel does by itself when the medium fails."""
    row = Row("6", "file system turns read-only", injected=1)
    began = time.monotonic()
    restarts = world.agent.restarts
    subprocess.run(["mount", "-o", "remount,abort", str(disk)], check=False, stderr=subprocess.DEVNULL)
    ids = world.oracle.ask("event", count=3)
    row.alarmed(*world.first_alarm(("journal-readonly", "journal-io-error"), began))
    time.sleep(8.0)
    storm = world.agent.restarts - restarts
    row.note = (
        f"{storm} restarts in {time.monotonic() - began:.0f} s (the service manager's pause comes on top)"
    )
    world.agent.stop(signal.SIGKILL)
    unmount(disk)
    repair(image, disk)
    world.agent.start()
    row.recovered(world.online(60.0))
    row.expect("P1-no-acked-loss", len(ids) == 3, "the broker took nothing")
    row.audited(world.audit(), world.verify())
    return row


def slow_card(world: World, _report: Report, seconds: float) -> Row:
    """Every sync takes two seconds: late, and nothing else."""
    row = Row("7", "sync stalls 2 s")
    world.agent.stop()
    world.agent.start(strace("fdatasync:delay_exit=2000000", world.state / "journal.db-wal"))
    world.ready()
    time.sleep(5.0)
    connections, restarts = world.link.seen["connections"], world.agent.restarts
    began = time.monotonic()
    world.oracle.ask("set", mode="rest", events_per_s=5)
    alarm_s = world.alarm("journal-slow", began)
    time.sleep(max(0.0, began + min(seconds, 20.0) - time.monotonic()))
    row.injected = int((time.monotonic() - began) / 2)
    lost = world.link.seen["connections"] - connections
    row.expect("P8-recovers-alone", lost == 0, f"the broker's line was lost {lost} times")
    row.expect("P8-recovers-alone", world.agent.restarts == restarts, "the agent restarted")
    row.alarmed("journal-slow", alarm_s)
    world.oracle.ask("set", events_per_s=0)
    world.agent.stop(within_s=30.0)
    world.agent.start()
    row.recovered(world.online(60.0))
    row.note = "the line to the broker held; the alarm waits 30 s by its table"
    row.audited(world.audit(), world.verify())
    return row


def flipped_bit(world: World, _report: Report) -> Row:
    """A stored row that no longer says what was written is not forwarded."""
    row = Row("8", "bit flip in a stored row", injected=1)
    assert world.sink is not None
    world.sink.mode = "down"
    world.online(30.0)
    world.agent.stop()
    seq, record_id, body = _flip(world.state)
    world.sink.mode = "pass"
    began = time.monotonic()
    world.agent.start()
    row.alarmed("journal-corrupt-row", world.alarm("journal-corrupt-row", began))
    row.recovered(world.online(60.0))
    found = world.audit(15.0)
    told = [i for i in found["lost_database"] if i != record_id]
    row.expect("P13-sound-journal", world.verify() != "", "the change was not found")
    row.expect(
        "P13-sound-journal", not any("hele" in text for text in world.sink_bodies()), "it was forwarded"
    )
    with sqlite3.connect(world.state / "journal.db") as journal:
        journal.execute("UPDATE records SET body = ? WHERE seq = ?", (body, seq))
    journal.close()
    found["lost_database"], found["wrong"] = told, [i for i in found["wrong"] if i != record_id]
    row.audited(found, world.verify())
    return row


def flipped_bit_backed_up(world: World, _report: Report) -> Row:
    """One that the daily backup holds is put back, and forwarded as it was written."""
    row = Row("8b", "bit flip in a row that the backup holds", injected=1)
    assert world.sink is not None
    world.sink.mode = "down"
    world.online(30.0)
    world.agent.stop()
    backup = backup_of(world.state)
    backup.parent.mkdir(exist_ok=True)
    backup.unlink(missing_ok=True)
    with sqlite3.connect(world.state / "journal.db") as journal:
        journal.execute("VACUUM INTO ?", (str(backup),))
    journal.close()
    _flip(world.state)
    world.sink.mode = "pass"
    began = time.monotonic()
    world.agent.start()
    row.alarmed("journal-corrupt-row", world.alarm("journal-corrupt-row", began))
    row.recovered(world.online(60.0))
    row.audited(world.audit(), world.verify())
    return row


def _flip(state: Path) -> tuple[int, str, str]:
    """One bit in the newest release: its place, its id, and what it said."""
    with sqlite3.connect(state / "journal.db") as journal:
        (seq, record_id, body) = journal.execute(
            "SELECT seq, id, body FROM records WHERE kind = 'release' ORDER BY seq DESC LIMIT 1"
        ).fetchone()
        spoilt = body.replace('"state":"held"', '"state":"hele"')
        assert spoilt != body
        journal.execute("UPDATE records SET body = ? WHERE seq = ?", (spoilt, seq))
    journal.close()
    return seq, record_id, body


def spoilt_journal(world: World, _report: Report) -> Row:
    """The file is no database any more: it is set aside, and work goes on."""
    row = Row("9", "journal's file overwritten", injected=1)
    world.agent.stop()
    path = world.state / "journal.db"
    data = bytearray(path.read_bytes())
    data[:4096] = random.Random(9).randbytes(4096)
    path.write_bytes(data)
    began = time.monotonic()
    world.agent.start()
    row.alarmed("journal-replaced", world.alarm("journal-replaced", began))
    row.recovered(world.online(60.0))
    kept = list(world.state.glob("*.damaged-*"))
    row.expect("P13-sound-journal", bool(kept), "the old file was not kept")
    row.expect("P13-sound-journal", world.verify() == "", world.verify())
    row.note = "the old file is kept; what could be read of it was taken over"
    return row


def no_inodes(world: World, _report: Report, disk: Path) -> Row:
    """Room for bytes, none for another file."""
    row = Row("27", "no inode left", injected=0)
    world.agent.stop()
    for n in range(100_000):
        try:
            (disk / f"litter-{n}").touch()
        except OSError:
            break
        row.injected = 1
    began = time.monotonic()
    world.agent.start()
    row.alarmed("disk-filling", world.alarm("disk-filling", began))
    row.recovered(world.online(60.0))
    row.audited(world.audit(), world.verify())
    for path in disk.glob("litter-*"):
        path.unlink()
    return row


def killed_migration(world: World, _report: Report, steps: list[int]) -> Row:
    """A change of the schema, killed in the middle: the old one stands, or the new one."""
    row = Row("28", "migration killed half-way")
    writer = HERE.parent / "support" / "journal_writer.py"
    for call in ("pwrite64", "fdatasync"):
        for when in steps:
            state = world.folder / f"migrated-{call}-{when}"
            plain = [sys.executable, str(writer), str(state), "0", "20"]
            subprocess.run(plain, check=True, stdout=subprocess.DEVNULL)
            inject = strace(f"{call}:signal=KILL:when={when}", state / "journal.db", state / "journal.db-wal")
            words = [sys.executable, str(writer), str(state), "20", "20", "--migrate"]
            killed = subprocess.run([*inject, *words], check=False, stdout=subprocess.DEVNULL)
            row.injected += killed.returncode != 0
            again = subprocess.run(words, check=False, capture_output=True, text=True)
            with sqlite3.connect(state / "journal.db") as journal:
                rows = journal.execute("SELECT count(*) FROM records").fetchone()[0]
                moved = journal.execute("SELECT count(*) FROM second").fetchone()[0]
            journal.close()
            row.lost += 20 - rows
            sound = again.returncode == 0 and (rows, moved) == (20, 50) and "replaced" not in again.stdout
            row.expect("P13-sound-journal", sound, f"{call} {when}: {rows} records, {moved} steps")
    row.expect("P14-it-bit", row.injected > 0, "nothing was killed")
    return row
