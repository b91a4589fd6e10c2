"""Times and codes as people read them."""

from __future__ import annotations

import re
from datetime import datetime, tzinfo

from agent.contract.records import Advice, Wear
from agent.contract.times import epoch_s

NOTHING = "–"
_NOTHING_SIGNED = re.compile(r"(?<![\w.])[-+](0(?:\.0+)?)(?![\d.])")
_MINUS = re.compile(r"(?<![\w.])-(?=\d)")
_PERCENT = re.compile(r"(?<=\d) %")
_RFC3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z")


def told(text: str | None, zone: tzinfo, form: str) -> str:
    """A record's time in a zone, by a strftime form; a dash for none."""
    if text is None:
        return NOTHING
    return f"{datetime.fromtimestamp(epoch_s(text), zone):{form}}"


def day(text: str | None, zone: tzinfo) -> str:
    """The day of a moment in a zone, or a date (`2026-06-03`), as `3 Jun 2026`; a dash for none."""
    if text is None:
        return NOTHING
    return f"{datetime.fromtimestamp(day_s(text, zone), zone):%-d %b %Y}"


def day_s(text: str, zone: tzinfo) -> float:
    """A moment, or midnight of a date in a zone, epoch seconds."""
    if "T" in text:
        return epoch_s(text)
    return datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()


def due_of(wear: Wear) -> tuple[str, str, str | None] | None:
    """When the limit is met, at the earliest and at the latest; dates of UTC where no moments are known.

    None where it is not known, and for the latest where the interval has no end.
    """
    due = wear.due
    if due is None:
        return None
    if due.at is None or due.earliest_at is None:
        return due.date, due.earliest, due.latest
    return due.at, due.earliest_at, due.latest_at


def readable(text: str, zone: tzinfo) -> str:
    """A sentence of a record with its times brought to a zone, and its signs as they are printed."""
    return kept_together(printed(_RFC3339.sub(lambda found: told(found[0], zone, "%-d %b %H:%M"), text)))


def printed(text: str) -> str:
    """A sentence as it is printed: `±`, a true minus, no sign before a number that is nothing."""
    text = _NOTHING_SIGNED.sub(r"\1", text.replace("+-", "±"))
    return _MINUS.sub("−", text)


def kept_together(text: str) -> str:
    """A sentence for a screen or paper, where a percent sign stays with its number."""
    return _PERCENT.sub("\u00a0%", text)


def spaced(code: str) -> str:
    """A code as words: `tip-plugged` is `tip plugged`."""
    return code.replace("-", " ").replace("_", " ")


def signed(value: float, digits: int = 1) -> str:
    """A difference with its sign (`+1.2`, `−0.4`), and none where it rounds to nothing."""
    rounded = round(value, digits)
    return f"{0.0:.{digits}f}" if rounded == 0 else f"{rounded:+.{digits}f}".replace("-", "−")


def off_target(deviation_pct: float, target: str = "target", digits: int = 1) -> str:
    """`+1.2 % from target`, or `on target` where it rounds to nothing."""
    if round(deviation_pct, digits) == 0:
        return f"on {target}"
    return f"{signed(deviation_pct, digits)} % from {target}"


def chance(probability: float) -> str:
    """A probability in percent; never `100.0 %` or `0.0 %` where it is only near."""
    pct = 100.0 * probability
    if pct > 99.9:
        return "more than 99.9 %"
    return "less than 0.1 %" if pct < 0.1 else f"{pct:.1f} %"


def amount(value: float, unit: str) -> str:
    """A number of a knob's unit: `1 click`, `3 clicks`, `0.4 turn`, `2 mm`."""
    several = abs(value) > 1 and len(unit) > 2 and unit.isalpha() and not unit.endswith("s")
    return f"{abs(value):g} {unit}{'s' if several else ''}"


def turn_told(advice: Advice) -> str:
    """How to turn the needle and what to expect of it, or why it is left alone, in sentences."""
    change = advice.change
    if not change:
        return sentence(printed(advice.reason))
    where = "."
    if advice.setting is not None and advice.advised is not None:
        where = f", from {advice.setting:.6g} to {advice.advised:.6g}."
    expected = advice.expected_g_per_min
    low, high = advice.expected_low_g_per_min, advice.expected_high_g_per_min
    hope = ""
    if expected is not None and low is not None and high is not None:
        hope = f" Expect {expected:.1f} g/min ({low:.1f} to {high:.1f})."
    turn = f"{way(change).lower()} the needle by {amount(change, advice.unit)}{where}{hope}"
    # What an earlier version wrote has its remarks in the one sentence alone.
    remark = sentence(printed(advice.remark if advice.why else advice.reason))
    if advice.first:
        return f"{mend_first(advice)} Then {turn} {remark}".rstrip()
    return f"{turn[0].upper()}{turn[1:]} {remark or 'Then check again.'}"


def mend_first(advice: Advice) -> str:
    """What is to be done before the needle is turned, a sentence; empty where there is nothing."""
    return f"First {printed(advice.first)}." if advice.first and advice.change else ""


def why_turned(advice: Advice) -> str:
    """What a turn is advised for, and how well its effect is known; empty where none is advised."""
    return sentence(printed(advice.why or advice.reason)) if advice.change else ""


def way(change: float) -> str:
    """Which way a needle is turned."""
    return "Open" if change > 0 else "Close"


def sentence(text: str) -> str:
    """A text with a capital at its beginning and a full stop at its end."""
    return f"{text[:1].upper()}{text[1:].rstrip(' .')}." if text.strip(" .") else ""
