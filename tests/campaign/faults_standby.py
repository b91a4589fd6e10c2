"""Two agents stand by for each other: whichever speaks is killed or hung, again and again, within a shot."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

from rows import Report, Row
from running_agent import RunningAgent, Shots, wait_until
from site_broker import start_site_broker
from standing_by import SITE, Pair

TRUE_G_PER_MIN = 84.0
WITHIN = 0.02
"""Of the true flow: a short shot over a scale with 0.05 g steps."""
TAKES_OVER_S = 10.0
SHOT_S = 4.0


class Play:
    """A cell that shoots, and what came of it."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True)
        self.site = start_site_broker(folder, SITE)
        self.pair = Pair(folder, self.site)
        self.pair.start()
        self.shots = Shots(self.pair.listener)
        self.shots.rest(4.0)
        self.shot = 0
        self.took_s: list[float] = []

    def cycle(self) -> None:
        """One shot, and the rest that it needs to be measured."""
        self.shots.shoot(SHOT_S)
        self.shots.rest(13.0)
        self.shot += 1

    def speaking(self) -> RunningAgent:
        """The agent whose turn it is."""
        return self.pair.agents["ab".index(self.pair.holders()[-1])]

    def strike(self, number: signal.Signals, after_s: float) -> RunningAgent:
        """Strike the one that speaks, so long after a shot began; the time until the other one speaks."""
        struck = self.speaking()
        turns = len(self.pair.holders())

        def hit() -> None:
            time.sleep(after_s)
            os.kill(struck.pid, number)
            began = time.monotonic()
            while len(self.pair.holders()) == turns and time.monotonic() - began < 3 * TAKES_OVER_S:
                time.sleep(0.02)
            self.took_s.append(time.monotonic() - began)

        hitting = threading.Thread(target=hit)
        hitting.start()
        self.cycle()
        hitting.join()
        return struck

    def judge(self, row: Row, turns: int) -> None:
        """Everything was told, rightly, by one voice."""
        pair = self.pair
        try:
            wait_until(lambda: len(pair.dispenses()) >= self.shot, 30.0)
        except AssertionError:
            row.silent = self.shot - len(pair.dispenses())
        row.expect("P4-never-silent", row.silent == 0, f"{row.silent} of {self.shot} shots were never told")
        row.doubled = max(0, len(pair.dispenses()) - self.shot)
        row.expect("P2-once", row.doubled == 0, f"{len(pair.dispenses())} dispenses of {self.shot} shots")
        told = [body for body in pair.listener.records("dispense") if body["quality"] != "rejected"]
        wrong = [
            body["flow_g_per_min"]
            for body in told
            if abs(body["flow_g_per_min"] / TRUE_G_PER_MIN - 1.0) > WITHIN
        ]
        row.wrong = len(wrong)
        row.expect("P3-no-wrong-number", not wrong, f"{wrong[:5]} and not {TRUE_G_PER_MIN}")
        # Two that speak at once would take the turn from each other.
        spoke = pair.holders()
        row.expect("P12-nobody-else", len(spoke) == turns, f"{turns} turns, and heard were {spoke}")
        row.recovered(max(self.took_s), TAKES_OVER_S)
        faults = [fault for agent in pair.agents if (fault := _unsound(agent))]
        row.expect("P13-sound-journal", not faults, "; ".join(faults))

    def close(self) -> None:
        """End all."""
        self.pair.close()
        self.site.leave()
        self.site.part.stop()


def _unsound(agent: RunningAgent) -> str:
    words = [sys.executable, "-m", "agent", "history", "--config", str(agent.config), "--verify"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    return "" if done.returncode == 0 else done.stdout[-300:] + done.stderr[-300:]


def killed(folder: Path, _report: Report, times: int, seed: int) -> Row:
    """SIGKILL in a shot or after it; the one that was killed starts again and stands by."""

    def start_again(struck: RunningAgent) -> None:
        struck.kill()
        struck.start()

    row = Row("29", "the one that speaks is killed (SIGKILL)")
    return _struck(row, folder, times, seed, number=signal.SIGKILL, bring_back=start_again)


def hung(folder: Path, _report: Report, times: int, seed: int) -> Row:
    """SIGSTOP, and SIGCONT when the other one speaks: it must not say anything more."""
    row = Row("30", "the one that speaks hangs, and wakes (SIGSTOP)")
    return _struck(
        row,
        folder,
        times,
        seed,
        number=signal.SIGSTOP,
        bring_back=lambda struck: os.kill(struck.pid, signal.SIGCONT),
    )


def _struck(
    row: Row,
    folder: Path,
    times: int,
    seed: int,
    *,
    number: signal.Signals,
    bring_back: Callable[[RunningAgent], None],
) -> Row:
    play, chance = Play(folder), random.Random(seed)
    try:
        for _ in range(times):
            struck = play.strike(number, chance.uniform(0.5, 12.0))
            row.injected += 1
            bring_back(struck)
            play.cycle()
        play.judge(row, times + 1)
    finally:
        play.close()
    return row
