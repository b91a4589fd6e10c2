"""What a person types: right words, wrong words, half words; help, completion, pipes, interruptions."""

from __future__ import annotations

import argparse
import importlib
import os
import pty
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from agent.commands.main import COMMANDS, main, parser_for
from agent.commands.progress import progress

ROOT = Path(__file__).parents[3]
CONFIG = ROOT / "config" / "two-gun-cell.toml"


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    try:
        status = main(words)
    except SystemExit as ended:
        status = ended.code if isinstance(ended.code, int) else -1
    return status, capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (("reprot",), "there is no command 'reprot'; did you mean report?"),
        (("checkconfig", "f"), "did you mean check-config?"),
        (("history", "--cofnig", "f"), "there is no option --cofnig; did you mean --config?"),
        (("history", "--conf", "f"), "there is no option --conf; did you mean --config?"),
        (("history", "--config=f", "--kind", "shecks"), "--kind cannot be 'shecks'; did you mean check?"),
        (("history", "--config", "f", "--last", "ten"), "--last cannot be 'ten'; allowed: a whole number"),
        (("history",), "--config is missing"),
        (("check-config", "a", "b"), "'b' is one word too many"),
        (("--vresion",), "there is no option --vresion; did you mean --version?"),
        (("completion", "bsh"), "did you mean bash?"),
        (("history", "--config", "f", "--json", "--csv"), "not allowed with"),
    ],
)
def test_a_wrong_word_gets_the_nearest_right_one(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], hint: str
) -> None:
    status, told = said(capsys, *words)
    assert status == 2
    assert hint in told
    assert "usage:" not in told
    assert len(told.splitlines()) <= 3


def test_no_words_show_the_help_and_are_no_success(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "examples:" in capsys.readouterr().out


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_teaches_by_example_within_80_columns(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    shown = capsys.readouterr().out
    assert max(len(line) for line in shown.splitlines()) <= 80
    assert "example" in shown
    assert f"shotgram {name}" in shown.split("example", 1)[1]


@pytest.mark.parametrize("name", COMMANDS)
def test_the_examples_of_the_help_are_right_words(capsys: pytest.CaptureFixture[str], name: str) -> None:
    """Every `shotgram ...` line of a help is read by the parser itself."""
    parser = parser_for([name])
    with pytest.raises(SystemExit):
        parser.parse_args([name, "--help"])
    for line in capsys.readouterr().out.splitlines():
        # Two spaces begin the remark beside an example; | and > belong to the shell.
        example = line.strip().split("   ")[0].split("  ")[0].split(" | ")[-1 if "| shotgram" in line else 0]
        if not line.startswith("  shotgram ") and "| shotgram" not in line:
            continue
        words = example.split(" > ")[0].split()[1:]
        if words and words[0] == name:
            parser.parse_args(words)


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_knows_every_command(capsys: pytest.CaptureFixture[str], shell: str) -> None:
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    for name in COMMANDS:
        assert name in script
    assert "waits-for-requests" in script


def test_bash_completes_with_the_script(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["completion", "bash"])
    script = tmp_path / "completion"
    script.write_text(capsys.readouterr().out)
    asked = (
        f"source {script}; "
        "COMP_WORDS=(shotgram his); COMP_CWORD=1; _shtab_shotgram; echo ${COMPREPLY[@]}; "
        "COMP_WORDS=(shotgram history --rec); COMP_CWORD=2; _shtab_shotgram; echo ${COMPREPLY[@]}"
    )
    bash = shutil.which("bash")
    assert bash is not None
    done = subprocess.run([bash, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["history", "--recompute"]


def test_a_reader_that_has_seen_enough_is_no_fault() -> None:
    command = f"{sys.executable} -m agent check-config --schema | head -n 1; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.splitlines() == ["{", "0"]
    assert done.stderr == ""


def test_an_interruption_is_130_and_no_traceback(tmp_path: Path) -> None:
    fifo = tmp_path / "capture"
    os.mkfifo(fifo)
    command = [sys.executable, "-m", "agent", "replay", str(fifo), "--config", str(CONFIG)]
    with (
        subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT) as replay,
        fifo.open("wb"),
    ):
        time.sleep(0.5)
        replay.send_signal(signal.SIGINT)
        _, told = replay.communicate(timeout=20)
    assert replay.returncode == 130
    assert b"Traceback" not in told


def at_a_terminal(words: list[str], env: dict[str, str], *, columns: int = 80) -> str:
    """What a command shows on a terminal of its own."""
    import fcntl
    import struct
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    command = [sys.executable, "-m", "agent", *words]
    environment = {name: value for name, value in os.environ.items() if name not in {"NO_COLOR", "COLUMNS"}}
    with subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment | env, cwd=ROOT
    ) as running:
        os.close(theirs)
        shown = b""
        while True:
            try:
                more = os.read(ours, 65536)
            except OSError:
                break
            if not more:
                break
            shown += more
        running.wait(30)
    os.close(ours)
    return shown.decode()


@pytest.fixture
def paper_journal(tmp_path: Path) -> Path:
    config = tmp_path / "site.toml"
    config.write_text(CONFIG.read_text())
    paper = tmp_path / "checks.csv"
    paper.write_text(
        "day,gun,setup,shots\n2026-01-05,front,fan-hub-sealer,142.1 141.8 142.3\n"
        "2026-01-12,rear,fan-hub-sealer,120.0 121.0 120.5\n"
    )
    assert main(["history", "--config", str(config), "--import", str(paper)]) == 0
    return config


def test_colour_is_for_terminals_alone_and_never_says_anything_alone(paper_journal: Path) -> None:
    words = ["history", "--config", str(paper_journal), "--kind", "check"]
    coloured = at_a_terminal(words, {"TERM": "xterm-256color"})
    assert "\x1b[31mFAIL" in coloured
    plain = at_a_terminal(words, {"TERM": "xterm-256color", "NO_COLOR": "1"})
    assert not re.search(r"\x1b\[(3[0-7]|9[0-7])m", plain)
    assert "FAIL" in plain
    piped = subprocess.run(
        [sys.executable, "-m", "agent", *words], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert "\x1b" not in piped.stdout
    assert "FAIL (paper)" in piped.stdout


@pytest.mark.parametrize("columns", [80, 100, 120])
def test_a_table_fits_its_terminal(paper_journal: Path, columns: int) -> None:
    words = ["history", "--config", str(paper_journal)]
    shown = at_a_terminal(words, {"TERM": "xterm", "NO_COLOR": "1"}, columns=columns)
    lines = re.sub(r"\x1b\[[0-9;]*m", "", shown).splitlines()
    assert max(len(line.rstrip()) for line in lines) <= columns
    assert "…" not in shown
    # Noon in Lisbon, in winter: the site's own clock.
    assert "2026-01-05 12:00" in shown
    assert ("shows also" in shown) == (columns < 100)


BROKEN = """\
[agent]
id = "edge-7"
timezone = "Europe/Lisbonn"

[mqtt]
root = "plant/+"

[[setups]]
name = "barrier"
fluid = "butanon"
target_g_per_min = "96"

[[cells]]
id = "north"
"""


@pytest.mark.parametrize(
    "words", [["check-config"], ["simulate", "--list"], ["histry"], ["doctor", "--listen", "0", "--config"]]
)
def test_long_lines_are_broken_between_words_and_go_on_below_themselves(
    tmp_path: Path, words: list[str]
) -> None:
    if words == ["check-config"]:
        (tmp_path / "broken.toml").write_text(BROKEN)
        words = [*words, str(tmp_path / "broken.toml")]
    elif words[0] == "doctor":
        words = [*words, str(CONFIG)]
    shown = at_a_terminal(words, {"TERM": "xterm", "NO_COLOR": "1"})
    lines = [line.rstrip() for line in shown.splitlines() if str(tmp_path) not in line]
    assert lines
    assert max(map(len, lines)) <= 80
    assert not any(line.startswith(("wall", "allowed", "levels")) for line in lines)


def test_in_a_pipe_each_fault_is_a_line(tmp_path: Path) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_text(BROKEN)
    piped = subprocess.run(
        [sys.executable, "-m", "agent", "check-config", str(broken)],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )  # fmt: skip
    assert piped.returncode == 2
    assert len(piped.stderr.splitlines()) == 1 + int(piped.stderr.split(": ", 1)[1].split()[0])


def test_progress_is_for_terminals_alone(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with progress("working", 10.0) as advance:
        advance(5.0)
    assert capsys.readouterr().err == ""
    told: list[Any] = []
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    with progress("working", 10.0, prints=True) as advance:
        told.append(advance(1.0))
    assert capsys.readouterr().err == ""


def test_a_long_replay_shows_how_far_it_is(tmp_path: Path) -> None:
    capture = tmp_path / "capture.jsonl"
    line = (
        '{"tst":"2026-03-02T05:40:%02d.%03d000Z","topic":"works/west/scale/pedestal/reading","qos":0,"retain":0,'
        '"payload":"100.0"}\n'
    )
    with capture.open("w") as out:
        for number in range(50_000):
            out.write(line % ((number // 1000) % 60, number % 1000))
    shown = at_a_terminal(["replay", str(capture), "--config", str(CONFIG)], {"TERM": "xterm"})
    assert "replaying" in shown
    assert "%" in shown.split("replaying", 1)[1]


def test_every_command_has_its_parts() -> None:
    for module, line in COMMANDS.values():
        work = importlib.import_module(module)
        assert callable(work.run)
        work.configure(argparse.ArgumentParser())
        assert len(line) <= 60


@pytest.mark.parametrize(("example", "asks"), [("two-gun-cell", True), ("foreign-controller", False)])
def test_a_configuration_that_has_solvent_sprayed_says_so(example: str, asks: bool) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "agent", "check-config", str(ROOT / "config" / f"{example}.toml")],
        check=True,
        capture_output=True,
        text=True,
    )
    assert ("Before a shift it asks for shots in: west" in ran.stdout) is asks
    assert ("shots of solvent" in ran.stdout) is asks
    assert ("takes_requests to false" in ran.stdout) is asks
