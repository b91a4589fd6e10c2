"""Lines of a serial scale: only a whole line is a number."""

import re
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.bridge.lines import BadLine, Form, Line, Splitter, read_line
from agent.settings.line_pattern import PROFILES

STATUS = Form(re.compile(PROFILES["status-first"], re.ASCII))
BY_UNIT = Form(re.compile(PROFILES["unit-when-stable"], re.ASCII))
NUMBER = Form(re.compile(PROFILES["number-only"], re.ASCII), unit="kg")
LOOSE = Form(re.compile(r"\s*(?P<value>[+-]?[\d.,]+)\s*(?P<unit>[a-z]*)", re.ASCII), terminator=b"\n")
FORMS = [STATUS, BY_UNIT, NUMBER, LOOSE]


def whats(form: Form, chunks: list[bytes]) -> list[Line | BadLine]:
    splitter = Splitter(form)
    return [found.what for chunk in chunks for found in splitter.feed(chunk)]


@pytest.mark.parametrize(
    ("form", "raw", "expected"),
    [
        (STATUS, b"ST,GS,+00012.34  g", Line(12.34, "g", stable=True)),
        (STATUS, b"US,NT,-    3.10 kg", Line(-3.1, "kg", stable=False)),
        (STATUS, b"OL,GS,+--------  g", Line(None, "g", stable=False, overload=True)),
        (STATUS, b"ST,GS,-00000.00  g", Line(0.0, "g", stable=True)),
        (BY_UNIT, b"+     12.34 g  ", Line(12.34, "g", stable=True)),
        (BY_UNIT, b"-     12.34    ", Line(-12.34, "g", stable=False)),
        (BY_UNIT, b"          H    ", Line(None, "g", stable=False, overload=True)),
        (NUMBER, b"+   12.34", Line(12.34, "kg", stable=None)),
        (NUMBER, b"-    3.10", Line(-3.1, "kg", stable=None)),
        (NUMBER, b"---------", Line(None, "kg", stable=None, overload=True)),
        (LOOSE, b" -12,5 lbs", Line(-12.5, "lb", stable=None)),
    ],
)
def test_reads_the_ready_shapes(form: Form, raw: bytes, expected: Line) -> None:
    assert read_line(form, raw) == expected


@pytest.mark.parametrize(
    ("form", "raw", "code"),
    [
        (STATUS, b"ST,GS,+000", "no_match"),  # what a reader with a time limit would take for a zero
        (STATUS, b"ST,GS,+0012.34  g", "no_match"),  # one digit lost on the way
        (STATUS, b"ST,GS,+0 012.34  g", "number"),
        (STATUS, b"ST,GS,+00.12.34  g", "number"),
        (STATUS, b"ST,GS,+00012.34pcs", "unit"),
        (STATUS, b"ST,GS,+000\xb112.34  g", "noise"),
        (STATUS, b"", "no_match"),
        (NUMBER, b"   12.34", "no_match"),
        (LOOSE, b"1" * 65, "too_long"),
        (LOOSE, b"1" * 20, "number"),
    ],
)
def test_what_is_not_whole_is_a_fault(form: Form, raw: bytes, code: str) -> None:
    fault = read_line(form, raw)
    assert isinstance(fault, BadLine)
    assert fault.code == code


@pytest.mark.parametrize("form", [STATUS, BY_UNIT, NUMBER])
def test_no_cut_of_a_fixed_width_line_is_read(form: Form) -> None:
    """Whatever single run of bytes is lost within a line of a ready shape, no number comes of it."""
    line = {id(STATUS): b"ST,GS,+12345.67  g", id(BY_UNIT): b"+  12345.67 g  ", id(NUMBER): b"+12345.67"}[
        id(form)
    ]
    assert isinstance(read_line(form, line), Line)
    for first in range(len(line)):
        for last in range(first + 1, len(line) + 1):
            assert isinstance(read_line(form, line[:first] + line[last:]), BadLine)


def test_the_piece_before_the_first_terminator_is_never_read() -> None:
    assert whats(LOOSE, [b"5.0 g\n", b"12.0 g\n"]) == [Line(12.0, "g", stable=None)]


def test_reading_goes_on_with_the_next_good_line() -> None:
    good = b"ST,GS,+00012.34  g\r\n"
    found = whats(STATUS, [b"\r\n", good, good[:9], good, good])
    assert [type(what).__name__ for what in found] == ["Line", "BadLine", "Line"]


def test_a_broken_line_and_its_late_rest_give_no_number() -> None:
    splitter = Splitter(LOOSE)
    assert list(splitter.feed(b"\n12")) == []
    fault = splitter.broken()
    assert fault is not None
    assert fault.code == "half_line"
    assert list(splitter.feed(b"34.5 g\n")) == []
    assert [found.what for found in splitter.feed(b"7 g\n")] == [Line(7.0, "g", stable=None)]
    assert splitter.broken() is None


def test_bytes_after_tell_the_age_of_a_line() -> None:
    splitter = Splitter(LOOSE)
    found = list(splitter.feed(b"\n1 g\n2 g\n3"))
    assert [item.bytes_after for item in found] == [5, 1]


def test_endless_noise_is_held_in_bounds_and_told_once() -> None:
    splitter = Splitter(LOOSE)
    found = [item for _ in range(1000) for item in splitter.feed(b"\xff" * 100)]
    assert [item.what.code for item in found if isinstance(item.what, BadLine)] == ["too_long"]
    assert len(splitter._held) <= LOOSE.longest + len(LOOSE.terminator)


lines = st.one_of(
    st.sampled_from([b"ST,GS,+00012.34  g", b"+     12.34 g  ", b"+   12.34", b"12 g", b"---------"]),
    st.binary(max_size=90),
    st.text("ST,GUOL+-0123456789. gk", max_size=30).map(str.encode),
)
streams = st.lists(st.tuples(lines, st.sampled_from([b"\r\n", b"\n", b"\r", b""])), max_size=8).map(
    lambda pairs: b"".join(line + end for line, end in pairs)
)


@given(st.sampled_from(FORMS), streams, st.lists(st.integers(0, 400), max_size=12))
def test_where_the_stream_is_split_does_not_matter(form: Form, stream: bytes, cuts: list[int]) -> None:
    edges = sorted({0, len(stream), *(cut for cut in cuts if cut < len(stream))})
    assert whats(form, [stream[a:b] for a, b in pairwise(edges)]) == whats(form, [stream])
    assert whats(form, [bytes([byte]) for byte in stream]) == whats(form, [stream])


@given(st.sampled_from(FORMS), st.binary(max_size=400))
def test_any_bytes_give_lines_or_faults_and_bounded_memory(form: Form, stream: bytes) -> None:
    splitter = Splitter(form)
    for found in splitter.feed(stream):
        assert isinstance(found.what, Line | BadLine)
        if isinstance(found.what, Line):
            assert (found.what.value is None) == found.what.overload
    assert len(splitter._held) <= form.longest + len(form.terminator)


@given(st.decimals(-99999, 99999, places=2), st.sampled_from(["g", "kg", "lb"]), st.booleans())
def test_a_written_number_is_read_back(number, unit, stable) -> None:
    text = f"{'ST' if stable else 'US'},GS,{'-' if number < 0 else '+'}{abs(number):08.2f}{unit:>3}"
    assert read_line(STATUS, text.encode()) == Line(float(number), unit, stable)
