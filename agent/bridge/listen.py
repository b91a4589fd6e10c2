"""What the serial lines say, shown as it comes and as it is read: for the day on which a scale is wired."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from agent.bridge.lines import BadLine, Form, Line, Splitter
from agent.bridge.port import Port, PortError
from agent.settings.serial_line import SerialScale

RETRY_S = 1.0


def listen(scales: Sequence[SerialScale], stop: threading.Event, show: Callable[[str], None]) -> None:
    """Show every line of every scale until `stop` is set. Nothing is published, no time is stamped."""
    threads = [
        threading.Thread(target=_follow, args=(scale, stop, show), name=f"listen-{scale.scale}", daemon=True)
        for scale in scales
    ]
    for thread in threads:
        thread.start()
    stop.wait()
    for thread in threads:
        thread.join(timeout=10)


def _follow(scale: SerialScale, stop: threading.Event, show: Callable[[str], None]) -> None:
    name = f"{scale.cell}/{scale.scale}"
    while not stop.is_set():
        try:
            _show_lines(scale, stop, lambda text: show(f"{name}: {text}"))
        except PortError as fault:
            show(f"{name}: {fault}")
            stop.wait(RETRY_S)


def _show_lines(scale: SerialScale, stop: threading.Event, show: Callable[[str], None]) -> None:
    line = scale.line
    splitter = Splitter(Form(line.form, line.terminator.encode("latin-1"), line.longest_line, line.unit))
    port = Port(line)
    try:
        while not stop.is_set():
            if line.poll is not None:
                port.write(line.poll.encode("latin-1"))
                stop.wait(line.poll_period_s)
            data = port.read()
            if data:
                show(f"bytes {data!r}")
            for found in splitter.feed(data):
                show(f"      {_told(found.what)}")
    finally:
        port.close()


def _told(what: Line | BadLine) -> str:
    if isinstance(what, BadLine):
        return f"not read ({what.code}): {what.text}"
    value = "overload" if what.value is None else f"{what.value} {what.unit}"
    steady = {True: "stable", False: "moving", None: "stability not said"}[what.stable]
    return f"read as {value}, {steady}"
