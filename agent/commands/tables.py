"""Records as tables a technician understands, in the terminal."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Sequence
from typing import IO, cast

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from agent.assessment.wording import counted
from agent.commands.local_time import LocalTime
from agent.contract.alarm_words import ALARM_STATES
from agent.contract.records import (
    Advice,
    Alert,
    Balance,
    Cause,
    Check,
    Dispense,
    Record,
    Release,
    Request,
    Wear,
)
from agent.report.words import signed, turn_told

_PADDED = re.compile(r"[ \t]+$", re.MULTILINE)
STYLES = {
    "pass": "green",
    "released": "green",
    "good": "green",
    "fail": "red",
    "held": "red",
    "rejected": "red",
    "inconclusive": "yellow",
    "suspect": "yellow",
}
"""Colour only underlines a word that is there anyway."""


PIPE_WIDTH = 10_000
"""Columns where there is no terminal: a line is never broken, so that grep finds the whole of it."""


def console() -> Console:
    """A console that colours only on a terminal (and not where NO_COLOR is set).

    In a pipe or file no line is broken or padded.
    """
    plain = Out(highlight=False, soft_wrap=False)
    if not plain.is_terminal:
        plain = Out(highlight=False, width=PIPE_WIDTH, file=cast("IO[str]", Unpadded()))
    return plain


class Out(Console):
    """A console for which a reader that has seen enough (head, less) is no fault."""

    def on_broken_pipe(self) -> None:
        """Leave it to the program's end, as for what is written without a console."""
        raise BrokenPipeError


class Unpadded:
    """Standard output without the spaces that tables have at the end of their lines."""

    def write(self, text: str) -> int:
        """Write, rich gives whole lines."""
        sys.stdout.write(_PADDED.sub("", text))
        return len(text)

    def flush(self) -> None:
        """Hand on."""
        sys.stdout.flush()

    def isatty(self) -> bool:
        """It is used in pipes alone."""
        return False


def hanging(first: str | Text, text: str | Text) -> Table:
    """A line whose text, where it is longer than the terminal is wide, goes on below itself."""
    line = Table.grid()
    line.add_column(no_wrap=True)
    line.add_column(overflow="fold")
    line.add_row(first, text)
    return line


def word(text: str) -> Text:
    """A state or verdict, in its colour."""
    return Text(text.upper(), style=STYLES.get(text, ""))


def number(value: float | None, digits: int = 2, *, sign: bool = False) -> str:
    """A number to so many decimals; a dash where there is none."""
    if value is None:
        return "-"
    return signed(value, digits).replace("−", "-") if sign else f"{value:.{digits}f}"


def alarm_state(state: str) -> Text:
    """An alarm's state in plain words."""
    said = ALARM_STATES.get(state, state)
    return Text(said, style="red" if said.startswith("ACTIVE") else "")


def short_id(record_id: str) -> str:
    """Enough of a record's id to name it: `shotgram history --shot` takes it."""
    return record_id.rpartition("-")[2][:8]


def figures_table(title: str, words: Sequence[str], figures: Sequence[str], last: Sequence[str]) -> Table:
    """An empty table: columns of words, of figures (never cut or wrapped), and of words again."""
    table = Table(
        title=title, box=box.SIMPLE_HEAD, title_justify="left", pad_edge=False, padding=(0, 1, 0, 0)
    )
    for name in words:
        table.add_column(name, overflow="fold")
    for name in figures:
        table.add_column(name, justify="right", no_wrap=True)
    for name in last:
        table.add_column(name, overflow="fold")
    return table


def checks_table(checks: Sequence[Check], title: str) -> Table:
    """One row a gun: its shots, mean, spread, deviation from target and verdict."""
    figures = ("mean", "± 95 %", "spread %", "target", "off %")
    table = figures_table(f"{title} (g/min)", ("gun", "shots"), figures, ("verdict",))
    for check in checks:
        half = None
        if check.high_g_per_min is not None and check.low_g_per_min is not None:
            half = (check.high_g_per_min - check.low_g_per_min) / 2.0
        table.add_row(
            check.gun,
            " ".join(number(shot.flow_g_per_min) for shot in check.shots) or "-",
            number(check.mean_g_per_min),
            number(half),
            number(check.repeatability_pct),
            number(check.target_g_per_min, 1),
            number(check.deviation_pct, sign=True),
            word(check.verdict),
        )
    return table


def pressure_note(checks: Iterable[tuple[float | None, float | None, float | None]]) -> str | None:
    """What `off %` means where a check did not run at its setup's pot pressure; None where all did.

    Each is (mean, mean brought to that pressure, target), g/min.
    """
    for mean, at_setpoint, target in checks:
        if None in (mean, at_setpoint, target) or not mean or not target or at_setpoint is None:
            continue
        if abs(at_setpoint - mean) >= 0.0005 * target:
            return (
                "off %: from the target, after the mean was brought to the setup's pot pressure; "
                "the mean itself is as it was shot."
            )
    return None


def dispenses_table(dispenses: Sequence[Dispense], title: str, local: LocalTime) -> Table:
    """One row a dispense; the day stands in the title where it is one."""
    days = {local.second(item.started_at)[:10] for item in dispenses}
    day = f" of {next(iter(days))}" if len(days) == 1 else ""
    when = local.clock if day else local.second
    figures = ("open s", "mass g", "g/min", "± 95 %")
    heading = f"{title}{day} (times in {local.zone})"
    table = figures_table(heading, ("started", "gun", "purpose"), figures, ("quality", "flags"))
    for item in dispenses:
        half = None
        if item.flow_high_g_per_min is not None and item.flow_low_g_per_min is not None:
            half = (item.flow_high_g_per_min - item.flow_low_g_per_min) / 2.0
        table.add_row(
            when(item.started_at),
            item.gun or "unknown",
            item.purpose,
            number(item.open_s, 3),
            number(item.mass_g, 3),
            number(item.flow_g_per_min),
            number(half),
            word(item.quality),
            ", ".join(item.flags),
        )
    return table


def balance_line(balance: Balance) -> Text:
    """How far the guns differ, in a line."""
    # The verdict says it: the reason need not say it again.
    reason = balance.reason.removeprefix("balanced: ").removeprefix("out of balance: ")
    return Text("Balance: ").append(word(balance.verdict)).append(f"  {reason}")


def advice_line(advice: Advice) -> Text:
    """What to turn, in a line."""
    return Text(f"Advice for {advice.gun}: {turn_told(advice)}")


def release_lines(release: Release, local: LocalTime) -> list[Text | Table]:
    """Released or held, every reason and its way out."""
    until = f" until {local.minute(release.valid_until)}" if release.valid_until else ""
    state = Text(f"{release.cell}: {release.setup} is ").append(word(release.state)).append(until)
    reasons = [local.in_text(f"{reason.text} → {reason.remedy}") for reason in release.reasons]
    return [state, *(hanging("  - ", Text(reason)) for reason in reasons)]


def tell_pressure(checks: Iterable[Check], out: Console) -> None:
    """The note about pot pressure below a table of checks, where one is needed."""
    note = pressure_note(
        (check.mean_g_per_min, check.at_setpoint_g_per_min, check.target_g_per_min) for check in checks
    )
    if note is not None:
        out.print(Text(f"{note}\n", style="dim"))


def causes_line(cause: Cause) -> Text:
    """What is probably behind it, each with its weight, in a line."""
    ranked = ", ".join(f"{one.code} {100.0 * one.weight:.0f} %" for one in cause.ranked)
    return Text(f"Probable cause: {ranked}")


def request_line(request: Request) -> Text:
    """What was asked of the controller and not answered yet, in a line."""
    why = request.why.partition(": ")[2] or request.why
    asked = f"{counted(request.shots, 'shot')} of {request.gun} ({why})"
    return Text(f"Asked of the controller and not answered yet: {asked}")


def print_results(records: Iterable[Record], out: Console, local: LocalTime) -> None:
    """The newest state of every gun and cell among the records, as tables and lines."""
    latest: dict[tuple[str, ...], Record] = {}
    asked: dict[tuple[str, str], Request] = {}
    for record in records:
        if isinstance(record, Request):
            asked[record.cell, record.gun] = record
            continue
        if isinstance(record, Check):
            asked.pop((record.cell, record.gun), None)
        key = (record.record, record.cell, str(getattr(record, "gun", getattr(record, "name", ""))))
        latest[key] = record
    cells = sorted({record.cell for record in (*latest.values(), *asked.values())})
    for cell in cells:
        here = [record for record in latest.values() if record.cell == cell]
        checks = [record for record in here if isinstance(record, Check)]
        if checks:
            out.print(checks_table(checks, f"Checks in cell {cell}"))
            tell_pressure(checks, out)
        for request in asked.values():
            if request.cell == cell:
                out.print(request_line(request))
        for record in here:
            if isinstance(record, Balance):
                out.print(balance_line(record))
            elif isinstance(record, Advice):
                out.print(advice_line(record))
            elif isinstance(record, Wear) and record.pattern != "none":
                out.print(Text(f"Wear of {record.gun}: {record.reason}"))
            elif isinstance(record, Cause) and record.ranked:
                out.print(causes_line(record))
                out.print(Text(f"Look at: {record.ranked[0].look_at}"))
            elif isinstance(record, Alert) and record.state != "NORM":
                alarm = Text(f"Alarm {record.name} ({record.priority} priority, ")
                out.print(alarm.append(alarm_state(record.state)).append(f"): {record.text}"))
        for record in here:
            if isinstance(record, Release):
                for line in release_lines(record, local):
                    out.print(line)
