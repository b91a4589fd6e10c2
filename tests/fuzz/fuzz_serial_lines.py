"""Millions of streams of bytes against the reader of serial lines. Run by hand: atheris is no dependency.

    python -m venv /tmp/fuzz && /tmp/fuzz/bin/pip install atheris
    PYTHONPATH=. /tmp/fuzz/bin/python tests/fuzz/fuzz_serial_lines.py -runs=10000000 -max_len=512 -timeout=5

The first byte chooses the form, the second how the stream is cut. Whatever comes must be lines or faults, the
same ones however the stream is cut, in bounded memory.
"""

import re
import sys

import atheris

with atheris.instrument_imports(include=["agent.bridge.lines", "agent.settings.line_pattern"]):
    from agent.bridge.lines import BadLine, Form, Line, Splitter
    from agent.settings.line_pattern import PROFILES

FORMS = [Form(re.compile(pattern, re.ASCII)) for pattern in PROFILES.values()]
FORMS.append(Form(re.compile(r"\s*(?P<value>[+-]?[\d.,]+)\s*(?P<unit>[a-z]*)", re.ASCII), terminator=b"\n"))


def one_input(data: bytes) -> None:
    """Raises where two ways to cut the same stream disagree."""
    if len(data) < 2:
        return
    form, stream = FORMS[data[0] % len(FORMS)], data[2:]
    whole, cut = Splitter(form), Splitter(form)
    expected = [found.what for found in whole.feed(stream)]
    size = 1 + data[1] % 16
    got = [
        found.what
        for start in range(0, len(stream), size)
        for found in cut.feed(stream[start : start + size])
    ]
    if got != expected or not all(isinstance(what, Line | BadLine) for what in got):
        raise AssertionError(got, expected)
    if len(cut._held) > form.longest + len(form.terminator):
        raise AssertionError(len(cut._held))


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
