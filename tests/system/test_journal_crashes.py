"""The journal under real crashes: killed at any time and at every step, a failing disk, a power cut.

The test is the oracle: it keeps in memory what a writer process said was durable, and is never killed itself.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from disk_images import copy_of_one_moment
from made_records import make_dispense
from parts_found import find_part

from agent.contract.record_json import to_json
from agent.journal.journal import Journal
from agent.journal.migrations import shipped

WRITER = Path(__file__).parents[1] / "support" / "journal_writer.py"
KILLS = int(os.environ.get("SHOTGRAM_KILLS", "15"))
CUTS = int(os.environ.get("SHOTGRAM_POWER_CUTS", "5"))
CUTS_OF_A_WRITER = 25


def command(state_dir: Path, first: int, last: int, *more: str) -> list[str]:
    return [sys.executable, str(WRITER), str(state_dir), str(first), str(last), *more]


def strace(inject: str, *paths: Path) -> list[str]:
    """Runs what follows under strace, which spoils system calls (on these paths only, where given)."""
    call = inject.split(":", maxsplit=1)[0]
    only = [word for path in paths for word in ("-P", str(path))]
    return [
        str(find_part("strace")),
        "-f",
        "-qq",
        "-o",
        "/dev/null",
        *only,
        "-e",
        f"trace={call}",
        "-e",
        f"inject={inject}",
    ]


class Ledger:
    """What a writer said, read from its output as it comes."""

    def __init__(self) -> None:
        self.acked: set[int] = set()
        self.faults: list[str] = []
        self.ready = 0
        self.done = False
        self._rest = b""

    def hear(self, line: bytes) -> None:
        word, _, rest = line.decode().strip().partition(" ")
        if word == "ACK":
            self.acked.add(int(rest))
        elif word == "FAULT":
            self.faults.append(rest)
        elif word == "READY":
            self.ready += 1
        elif word == "DONE":
            self.done = True

    def hear_some(self, heard: bytes | None) -> None:
        """Take what could be read without waiting; the last line may be half there."""
        self._rest += heard or b""
        *lines, self._rest = self._rest.split(b"\n")
        for line in lines:
            self.hear(line)

    def hear_all(self, words: Sequence[str], timeout_s: float = 60.0) -> int:
        """Run a writer to its end; its exit status."""
        ran = subprocess.run(words, capture_output=True, timeout=timeout_s, check=False)
        for line in ran.stdout.splitlines():
            self.hear(line)
        if ran.returncode == 1:
            raise AssertionError(ran.stderr.decode()[-3000:])
        return ran.returncode


def opened(state_dir: Path, **settings: object) -> Journal:
    return Journal.open(state_dir, version="0.1.0", config_digest="0", **settings)  # type: ignore[arg-type]


@contextlib.contextmanager
def audited(state_dir: Path, acked: set[int]) -> Iterator[Journal]:
    """Every acknowledged record is there, once and unaltered, and the chain is whole."""
    journal = opened(state_dir)
    try:
        bodies = {row.id: row.body for row in journal.records()}
        assert len(bodies) == journal.last_seq()
        for number in acked:
            said = make_dispense(number)
            assert bodies.get(said.id) == to_json(said), f"acknowledged record {number} is lost or altered"
        assert len(journal.events()) == len(bodies)
        assert journal.verify() == []
        yield journal
    finally:
        journal.close()


@pytest.mark.slow
def test_killed_at_any_time_nothing_acknowledged_is_lost_or_doubled(tmp_path: Path) -> None:
    chance = random.Random(20260202)
    ledger = Ledger()
    for _ in range(KILLS):
        first = max(ledger.acked, default=-1) - 3  # what was not acknowledged, and a little more, comes again
        words = command(
            tmp_path / "s", max(first, 0), first + 100_000, "--batch", str(chance.choice((1, 1, 7)))
        )
        with subprocess.Popen(words, stdout=subprocess.PIPE, bufsize=0) as writer:
            assert writer.stdout is not None
            os.set_blocking(writer.stdout.fileno(), True)
            until = None
            for line in writer.stdout:
                ledger.hear(line)
                if until is None and ledger.ready:
                    until = time.monotonic() + chance.uniform(0.0, 0.25)
                if until is not None and time.monotonic() >= until:
                    break
            writer.kill()
            for line in writer.stdout:
                ledger.hear(line)
        ledger.ready = 0
    assert ledger.faults.count("restarted-uncleanly") >= KILLS - 1, "the kills did not bite"
    assert len(ledger.acked) > 10 * KILLS
    with audited(tmp_path / "s", ledger.acked) as journal:
        unacked = journal.last_seq() - len(ledger.acked)
        assert 0 <= unacked <= 7 * KILLS


@pytest.mark.slow
@pytest.mark.real_part("strace")
@pytest.mark.parametrize("call", ["fdatasync", "pwrite64"])
def test_killed_at_each_step_of_opening_and_committing(tmp_path: Path, call: str) -> None:
    bit = 0
    # Opening makes some of these calls and each commit a few more: the steps cover both.
    steps = (1, 2, 3, 4, 5, 6, 8, 10, 13, 17, 22, 30, 45) if KILLS < 100 else range(1, 80)
    # Each commit syncs once at least: so many rows that the last step is reached.
    rows = 12 if KILLS < 100 else 80
    for when in steps:
        state, ledger = tmp_path / f"s{when}", Ledger()
        status = ledger.hear_all(
            [
                *strace(f"{call}:signal=KILL:when={when}", state / "journal.db", state / "journal.db-wal"),
                *command(state, 0, rows),
            ]
        )
        bit += status == -signal.SIGKILL or status == 128 + signal.SIGKILL
        again = Ledger()
        assert again.hear_all(command(state, max(ledger.acked, default=0), rows + 3)) == 0
        assert "journal-replaced" not in again.faults or not ledger.ready
        with audited(state, ledger.acked | again.acked) as journal:
            assert journal.last_seq() == rows + 3
    assert bit >= len(steps) - 4, "the kills did not bite"


@pytest.mark.slow
@pytest.mark.real_part("strace")
def test_a_migration_killed_at_each_step_leaves_the_old_schema_or_the_new_one(tmp_path: Path) -> None:
    origin = tmp_path / "origin"
    ledger = Ledger()
    assert ledger.hear_all(command(origin, 0, 20)) == 0
    versions = set()
    for call in ("pwrite64", "fdatasync"):
        for when in range(1, 12):
            state = tmp_path / f"{call}{when}"
            shutil.copytree(origin, state)
            killed = Ledger()
            killed.hear_all(
                [
                    *strace(
                        f"{call}:signal=KILL:when={when}", state / "journal.db", state / "journal.db-wal"
                    ),
                    *command(state, 20, 20, "--migrate"),
                ]
            )
            # The old software opens it where the migration did not happen, and is refused where it did.
            from journal_writer import SECOND

            journal = opened(state, migrations=(*shipped(), SECOND))
            assert journal.database.one("SELECT count(*) FROM second") == 50
            assert len(journal.records()) == 20
            assert journal.verify() == []
            assert "journal-replaced" not in [fault.code for fault in journal.opened]
            journal.close()
            versions.add(killed.ready)
    assert versions == {0, 1}, "kills before and after the migration"


@pytest.mark.real_part("strace")
def test_one_failed_fsync_ends_the_process_and_the_restart_doubles_nothing(tmp_path: Path) -> None:
    state, ledger = tmp_path / "s", Ledger()
    wal = state / "journal.db-wal"
    assert ledger.hear_all(command(state, 0, 5)) == 0
    status = ledger.hear_all([*strace("fdatasync:error=EIO:when=8", wal), *command(state, 5, 50)])
    assert status == 3
    assert "journal-io-error" in ledger.faults
    assert not ledger.done or len(ledger.acked) < 50
    failed = max(ledger.acked) + 1
    assert failed < 50
    # Nobody can say whether the failed commit is there: it comes again and is known, or is new.
    assert ledger.hear_all(command(state, failed, 50)) == 0
    with audited(state, set(range(50))) as journal:
        assert journal.last_seq() == 50


@pytest.mark.real_part("strace")
def test_a_disk_that_always_fails_is_an_error_and_the_journal_is_left_in_its_place(tmp_path: Path) -> None:
    state, ledger = tmp_path / "s", Ledger()
    assert ledger.hear_all(command(state, 0, 20)) == 0
    for call in ("fdatasync", "pwrite64"):
        failing = Ledger()
        words = [
            *strace(f"{call}:error=EIO:when=1+", state / "journal.db", state / "journal.db-wal"),
            *command(state, 20, 25),
        ]
        assert failing.hear_all(words) == 3
        assert failing.faults == ["journal-io-error"]
        assert failing.acked == set()
    assert not list(state.glob("*.damaged-*"))
    with audited(state, set(range(20))):
        pass


@pytest.mark.real_part("strace")
@pytest.mark.parametrize(("when", "replaced"), [("1", False), ("1+", True)])
def test_a_file_that_cannot_be_read_twice_is_set_aside_and_work_goes_on(
    tmp_path: Path, when: str, replaced: bool
) -> None:
    state, ledger = tmp_path / "s", Ledger()
    assert ledger.hear_all(command(state, 0, 200)) == 0
    # The injection follows the path, and the new file has the same name: so only the first reads fail.
    calls = when if when == "1" else "1..2"
    words = [*strace(f"pread64:error=EIO:when={calls}", state / "journal.db"), *command(state, 200, 210)]
    assert ledger.hear_all(words) == 0
    assert ("journal-replaced" in ledger.faults) is replaced
    assert bool(list(state.glob("*.damaged-*"))) is replaced
    journal = opened(state)
    assert {row.id for row in journal.records()} >= {make_dispense(n).id for n in range(200, 210)}
    assert journal.verify() == []
    journal.close()


@pytest.mark.real_part("strace")
def test_no_space_for_a_moment_is_met_with_the_ballast_and_nothing_is_lost(tmp_path: Path) -> None:
    state, ledger = tmp_path / "s", Ledger()
    assert ledger.hear_all(command(state, 0, 3)) == 0
    assert (state / "journal.ballast").exists()
    words = [*strace("pwrite64:error=ENOSPC:when=12..15", state / "journal.db-wal"), *command(state, 3, 30)]
    assert ledger.hear_all(words) == 0
    assert "disk-full" in ledger.faults, "the fault did not bite"
    with audited(state, set(range(30))):
        pass


@pytest.mark.real_part("strace")
def test_a_card_that_stalls_is_told(tmp_path: Path) -> None:
    state, ledger = tmp_path / "s", Ledger()
    wal = state / "journal.db-wal"
    words = [*strace("fdatasync:delay_exit=1200000:when=9", wal), *command(state, 0, 10)]
    assert ledger.hear_all(words) == 0
    assert ledger.faults.count("journal-slow") == 1
    assert ledger.acked == set(range(10))


def test_a_second_agent_in_another_process_is_refused_until_the_first_is_killed(tmp_path: Path) -> None:
    words = command(tmp_path / "s", 0, 100_000, "--pause", "0.05")
    with subprocess.Popen(words, stdout=subprocess.PIPE) as first:
        assert first.stdout is not None
        while not first.stdout.readline().startswith(b"ACK"):
            pass
        second = Ledger()
        assert second.hear_all(command(tmp_path / "s", 0, 5)) == 4
        assert second.faults == ["journal-locked"]
        first.kill()
        first.wait()
        assert Ledger().hear_all(command(tmp_path / "s", 0, 5)) == 0


def test_one_flipped_bit_anywhere_is_found_or_harmless_and_never_a_wrong_record(tmp_path: Path) -> None:
    origin = tmp_path / "origin"
    assert Ledger().hear_all(command(origin, 0, 60, "--batch", "5")) == 0
    whole = (origin / "journal.db").read_bytes()
    said = {make_dispense(n).id: to_json(make_dispense(n)) for n in range(60)}
    chance = random.Random(5)
    found = 0
    for number in range(120):
        state = tmp_path / f"s{number}"
        state.mkdir()
        data = bytearray(whole)
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        (state / "journal.db").write_bytes(data)
        journal = opened(state)
        view = journal.outlet("influx")
        rows = view.pending(1000)
        assert all(said.get(row.id) == row.body for row in rows), "a wrong record was forwarded"
        told = [*journal.opened, *view.take_faults(), *journal.take_faults()]
        if len(rows) < 60:
            assert told, "a record was lost in silence"
        if told or journal.verify():
            found += 1
        journal.close()
        shutil.rmtree(state)
    assert found > 30, "the flips did not bite"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A tmpfs of 4 MB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(disk)], check=True)
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


@pytest.fixture
def loop_disk(tmp_path: Path) -> Iterator[Path]:
    """An ext4 file system of 32 MB on a loop device; its image is `tmp_path/image`."""
    disk, image = tmp_path / "disk", tmp_path / "image"
    disk.mkdir()
    with image.open("wb") as file:
        file.truncate(32 * 1024 * 1024)
    subprocess.run(["mkfs.ext4", "-q", "-F", "-N", "64", str(image)], check=True)
    mounted = subprocess.run(["mount", "-o", "loop", str(image), str(disk)], check=False)
    if mounted.returncode != 0:
        pytest.skip("no loop device may be mounted here")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=False)


@pytest.mark.real_part("root")
def test_a_full_disk_stops_nothing_that_was_acknowledged_and_work_resumes(small_disk: Path) -> None:
    from agent.journal.errors import JournalFull
    from agent.journal.limits import JournalLimits

    journal = opened(small_disk / "s", limits=JournalLimits(ballast_bytes=256 * 1024, wal_pages=32))
    journal.declare_outlets({"influx": "all"})
    numbers = iter(range(100_000))
    acked = []
    for _ in range(50):
        number = next(numbers)
        journal.append([make_dispense(number)])
        acked.append(number)
    filler = small_disk / "somebodys-logs"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    assert "disk-filling" in journal.tend().conditions
    told: list[str] = []
    refused = None
    for number in numbers:
        try:
            done = journal.append([make_dispense(number)])
        except JournalFull:
            refused = number
            break
        told += [fault.code for fault in done.faults]
        acked.append(number)
    assert told == ["disk-full"], "the ballast was given up once"
    assert refused is not None
    assert len(acked) > 100, "the ballast lasts for a while"
    assert "disk-full" in journal.tend().conditions
    for _ in range(20):  # full is full: refused each time, never half written, and still readable
        with pytest.raises(JournalFull):
            journal.append([make_dispense(refused)])
    assert len(journal.records()) == len(acked)
    filler.unlink()
    assert journal.append([make_dispense(refused)]).new
    assert journal.tend().conditions == {}
    assert (small_disk / "s" / "journal.ballast").stat().st_size == 256 * 1024
    assert {row.id for row in journal.records()} == {make_dispense(n).id for n in (*acked, refused)}
    assert journal.verify() == []
    journal.close()


@pytest.mark.real_part("root")
def test_a_start_on_a_full_disk_gives_up_the_ballast_and_works(small_disk: Path) -> None:
    from agent.journal.limits import JournalLimits

    limits = JournalLimits(ballast_bytes=512 * 1024, wal_pages=32)
    journal = opened(small_disk / "s", limits=limits)
    journal.append([make_dispense(n) for n in range(50)])
    journal.close()
    with contextlib.suppress(OSError), (small_disk / "somebodys-logs").open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    journal = opened(small_disk / "s", limits=limits)
    assert not (small_disk / "s" / "journal.ballast").exists()
    assert journal.append([make_dispense(50)]).new
    assert len(journal.records()) == 51
    assert not list((small_disk / "s").glob("*.damaged-*"))
    assert journal.verify() == []
    journal.close()


@pytest.mark.real_part("root")
def test_on_a_full_disk_sent_records_make_room_once_the_ballast_is_gone(small_disk: Path) -> None:
    from agent.journal.limits import JournalLimits

    journal = opened(small_disk / "s", limits=JournalLimits(ballast_bytes=256 * 1024, wal_pages=16))
    journal.declare_outlets({"influx": "all"})
    journal.append([make_dispense(n) for n in range(600)])
    journal.settle("influx", 600)
    filler = small_disk / "somebodys-logs"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    for number in range(600, 1000):
        journal.append([make_dispense(number)])
    assert journal.last_seq() == 1000
    assert len(journal.pending("influx", 1000)) == 400
    assert journal.verify() == []
    journal.close()


def append_until_refused(journal: Journal, numbers: range) -> None:
    for number in numbers:
        journal.append([make_dispense(number)])


@pytest.mark.real_part("root")
def test_a_file_system_that_turns_read_only_is_told_and_the_journal_stays(loop_disk: Path) -> None:
    from agent.journal.errors import JournalError

    journal = opened(loop_disk / "s")
    journal.append([make_dispense(n) for n in range(20)])
    # What the kernel does by itself when the medium fails.
    aborted = subprocess.run(
        ["mount", "-o", "remount,abort", str(loop_disk)], check=False, capture_output=True
    )
    if aborted.returncode != 0:
        pytest.skip(f"this kernel does not abort a file system on demand: {aborted.stderr.decode()}")
    with pytest.raises(JournalError) as caught:
        append_until_refused(journal, range(20, 200))
    assert caught.value.must_restart
    assert caught.value.alarm in {"journal-readonly", "journal-io-error"}
    with pytest.raises(JournalError):
        journal.append([make_dispense(500)])
    journal.close()
    before = sorted(path.name for path in (loop_disk / "s").iterdir())
    with pytest.raises(JournalError) as again:
        opened(loop_disk / "s")
    assert again.value.must_restart
    assert sorted(path.name for path in (loop_disk / "s").iterdir()) == before, "nothing was set aside"


@pytest.mark.real_part("root")
def test_a_state_folder_on_a_read_only_mount_is_refused_with_a_clear_word(loop_disk: Path) -> None:
    from agent.journal.errors import JournalReadOnly

    journal = opened(loop_disk / "s")
    journal.append([make_dispense(1)])
    journal.close()
    subprocess.run(["mount", "-o", "remount,ro", str(loop_disk)], check=True)
    with pytest.raises(JournalReadOnly, match="check the mount"):
        opened(loop_disk / "s")
    subprocess.run(["mount", "-o", "remount,rw", str(loop_disk)], check=True)
    with audited_plain(loop_disk / "s", {1}):
        pass


@contextlib.contextmanager
def audited_plain(state_dir: Path, numbers: set[int]) -> Iterator[None]:
    journal = opened(state_dir)
    assert {row.id for row in journal.records()} == {make_dispense(n).id for n in numbers}
    assert journal.verify() == []
    journal.close()
    yield


def no_inode_left(disk: Path) -> list[Path]:
    """Use up every inode of a disk; the files that did it."""
    made: list[Path] = []
    with contextlib.suppress(OSError):
        while True:
            path = disk / f"file-{len(made)}"
            path.touch()
            made.append(path)
    return made


@pytest.mark.real_part("root")
def test_without_a_free_inode_the_spare_files_make_room_to_open(loop_disk: Path) -> None:
    journal = opened(loop_disk / "s")
    journal.append([make_dispense(n) for n in range(5)])
    journal.close()
    made = no_inode_left(loop_disk)
    assert made
    with audited_plain(loop_disk / "s", set(range(5))):
        pass


@pytest.mark.real_part("root")
def test_without_inode_and_spare_files_the_journal_is_left_alone_and_comes_back(loop_disk: Path) -> None:
    from agent.journal.errors import JournalError

    journal = opened(loop_disk / "s")
    journal.append([make_dispense(n) for n in range(5)])
    journal.close()
    for held_back in [loop_disk / "s" / "journal.ballast", *(loop_disk / "s").glob("journal.spare-*")]:
        held_back.unlink()
    made = no_inode_left(loop_disk)
    with pytest.raises(JournalError):
        opened(loop_disk / "s")
    assert not list((loop_disk / "s").glob("*.damaged-*"))
    for path in made:
        path.unlink()
    with audited_plain(loop_disk / "s", set(range(5))):
        pass


@pytest.mark.slow
@pytest.mark.real_part("root")
def test_after_a_power_cut_everything_acknowledged_is_there(loop_disk: Path, tmp_path: Path) -> None:
    cuts = lost = 0
    while cuts < CUTS:
        # A writer for each of these: one alone would fill the disk in the long form.
        made, gone = cut_power(loop_disk, tmp_path, min(CUTS_OF_A_WRITER, CUTS - cuts))
        cuts, lost = cuts + made, lost + gone
        shutil.rmtree(loop_disk / "s")
    assert cuts == CUTS
    assert lost == 0


@pytest.mark.slow
@pytest.mark.real_part("root")
def test_the_power_cuts_bite_a_writer_that_does_not_sync(loop_disk: Path, tmp_path: Path) -> None:
    _, lost = cut_power(loop_disk, tmp_path, 2, "--careless")
    assert lost > 0, "the cuts prove nothing"


def cut_power(loop_disk: Path, tmp_path: Path, cuts: int, *more: str) -> tuple[int, int]:
    """Cut the power of a writing process: (cuts made, acknowledged records that were gone afterwards)."""
    ledger = Ledger()
    lost = 0
    cut_disk = tmp_path / "after"
    cut_disk.mkdir(exist_ok=True)
    words = command(loop_disk / "s", 0, 100_000, "--ballast", "0", *more)
    with subprocess.Popen(words, stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        os.set_blocking(writer.stdout.fileno(), False)
        for cut in range(cuts):
            until = time.monotonic() + (20.0 if cut == 0 else 0.1)
            while time.monotonic() < until and not (cut == 0 and ledger.acked):
                ledger.hear_some(writer.stdout.read())
                time.sleep(0.01)
            writer.send_signal(signal.SIGSTOP)
            time.sleep(0.02)
            # What the writer had said when the power went; what was not synced is not in the image.
            ledger.hear_some(writer.stdout.read())
            copy = tmp_path / "copy"
            copy_of_one_moment(tmp_path / "image", copy)
            writer.send_signal(signal.SIGCONT)
            subprocess.run(["mount", "-o", "loop", str(copy), str(cut_disk)], check=True)
            try:
                journal = opened(cut_disk / "s")
                there = {row.id: row.body for row in journal.records()}
                lost += sum(there.get(make_dispense(n).id) != to_json(make_dispense(n)) for n in ledger.acked)
                if not more:
                    assert journal.verify() == []
                    assert "journal-replaced" not in [fault.code for fault in journal.opened]
                journal.close()
            finally:
                subprocess.run(["umount", str(cut_disk)], check=True)
        writer.kill()
    assert len(ledger.acked) > 20
    return cuts, lost
