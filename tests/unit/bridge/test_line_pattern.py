"""Patterns are checked before a line is ever read with them."""

import time

import pytest
from pydantic import ValidationError

from agent.settings.line_pattern import PROFILES, check_pattern
from agent.settings.serial_line import SerialLine


@pytest.mark.parametrize("profile", sorted(PROFILES))
def test_the_ready_patterns_pass_their_own_check(profile: str) -> None:
    check_pattern(PROFILES[profile], 256)


@pytest.mark.parametrize(
    ("pattern", "says"),
    [
        (r"(?P<value>\d+", "no regular expression"),
        (r"\d+", r"\(\?P<value>"),
        (r"(?P<weight>\d+)", "unknown group 'weight'"),
        (r"(?P<value>\d*)", "empty line"),
        (r"(?P<value>(\d+)+)", "takes too long"),
        (r"ST,(?P<value>(?:\d|\d\d)+)g", "takes too long"),
        (r"(?:ST|US),(GS|NT), *(?P<value>([0-9]+[ ]*)+)g", "takes too long"),
        (r"\s*(?P<value>\d*\d*\d*\d*\d*\d*\d+)g", "takes too long"),
        (r"(?P<value>(?=(\d+)+x).)", "takes too long"),
    ],
)
def test_a_bad_pattern_is_refused_in_time(pattern: str, says: str) -> None:
    began = time.perf_counter()
    with pytest.raises(ValueError, match=says):
        check_pattern(pattern, 128)
    assert time.perf_counter() - began < 10


@pytest.mark.parametrize(
    "pattern",
    [
        r"\s*(?P<sign>[+-]?)\s*(?P<value>\d+\.?\d*)\s*(?P<unit>[a-z]+)?\s*",
        r"\x02(?P<value>[ \d]{6}),(?P<stable>S)?[0-9A-F]{2}",
        r"(?P<value>[+-]?\d++(?:\.\d+)?)",
    ],
)
def test_an_honest_pattern_passes(pattern: str) -> None:
    check_pattern(pattern, 256)


@pytest.mark.parametrize(
    ("member", "value", "says"),
    [
        ("port", "ttyUSB0", "device"),
        ("port", "ftp://10.0.0.1:1", "rfc2217://host:port"),
        ("port", "socket://10.0.0.1", "host:port"),
        ("baud", 0, "greater than"),
        ("stopbits", 3, "1, 1.5 or 2"),
        ("terminator", "", "at least 1"),
        ("terminator", "€", "one byte"),
        ("poll_period_s", 1.0, "poll \\(what"),
        ("pattern", "(?P<value>.)", "either profile"),
        ("port", "socket://10.0.0.1:99999", "host:port"),
        ("pattern", "(?P<value>(.+)+)x", "either profile"),
        ("maker", "x", "not permitted"),
    ],
)
def test_a_wrong_serial_table_is_refused_with_a_reason(member: str, value: object, says: str) -> None:
    body = {"port": "/dev/ttyS0", "profile": "number-only", member: value}
    with pytest.raises(ValidationError, match=says):
        SerialLine.model_validate(body)


def test_a_character_takes_its_bits() -> None:
    """Start bit, data, parity, stop bits: start-stop framing, common practice, no source."""
    even = SerialLine(
        port="/dev/ttyS0", profile="number-only", baud=1200, bytesize=7, parity="even", stopbits=2
    )
    assert even.character_s == pytest.approx(11 / 1200)
    assert SerialLine(port="/dev/ttyS0", profile="number-only").character_s == pytest.approx(10 / 9600)
