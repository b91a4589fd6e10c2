"""A serial port through pyserial: opened for us alone, its faults in plain words."""

from __future__ import annotations

import errno
import os
from contextlib import suppress
from typing import Any

import serial

from agent.settings.serial_line import SerialLine

READ_WAIT_S = 0.1
PARITY = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
    "mark": serial.PARITY_MARK,
    "space": serial.PARITY_SPACE,
}


class PortError(Exception):
    """The port cannot be opened or has failed; the text says what to do."""


class Port:
    """An open port. Raises PortError where it cannot be opened."""

    def __init__(self, line: SerialLine) -> None:
        self.line = line
        self._device = _device(line)
        try:
            self._serial = _opened(line)
        except (serial.SerialException, OSError, ValueError, NotImplementedError) as fault:
            raise PortError(_in_words(line, fault)) from fault

    def read(self) -> bytes:
        """What has arrived; empty after a short time with nothing. Raises PortError where the port failed."""
        try:
            # The first byte wakes us, and what came with it is there to be had: waiting for a number of
            # bytes would make every time stamp late by the wait.
            first = self._serial.read(1)
            waiting = self._serial.in_waiting if first else 0
            return bytes(first + self._serial.read(waiting) if waiting else first)
        except (serial.SerialException, OSError, TypeError) as fault:
            # TypeError: pyserial, when the port is closed under its hands.
            raise PortError(_in_words(self.line, fault)) from fault

    def write(self, data: bytes) -> None:
        """Send. Raises PortError where the port failed."""
        try:
            self._serial.write(data)
        except (serial.SerialException, OSError, TypeError) as fault:
            raise PortError(_in_words(self.line, fault)) from fault

    def discard(self) -> None:
        """Forget what has arrived and not been read. Raises PortError where the port failed."""
        try:
            self._serial.reset_input_buffer()
        except (serial.SerialException, OSError, TypeError) as fault:
            raise PortError(_in_words(self.line, fault)) from fault
        except Exception as fault:
            # termios.error is no OSError, and has no name on systems without termios.
            raise PortError(_in_words(self.line, fault)) from fault

    def moved(self) -> bool:
        """Whether the configured path now leads to another device, or to none."""
        return _device(self.line) != self._device

    def close(self) -> None:
        """Let go of the port."""
        with suppress(Exception):
            self._serial.close()


def _device(line: SerialLine) -> str | None:
    return None if line.over_network else os.path.realpath(line.port)


def _opened(line: SerialLine) -> Any:
    settings: dict[str, Any] = {
        "baudrate": line.baud,
        "bytesize": line.bytesize,
        "parity": PARITY[line.parity],
        "stopbits": int(line.stopbits) if line.stopbits != 1.5 else 1.5,
        "timeout": READ_WAIT_S,
    }
    if line.over_network:
        return serial.serial_for_url(line.port, **settings)
    port = serial.Serial(line.port, exclusive=True, **settings)
    _without_delay(port)
    _check_parity(port)
    return port


def _without_delay(port: Any) -> None:
    # USB adapters hold bytes back for some 16 ms to fill a packet; where the driver lets us, it need not.
    with suppress(OSError, ValueError, NotImplementedError, AttributeError):
        port.set_low_latency_mode(True)


def _check_parity(port: Any) -> None:
    """Let the system replace a character of wrong parity by a NUL, which no form matches.

    pyserial switches the check off, so that a flipped bit would come through as another digit.
    """
    if port.parity == serial.PARITY_NONE:
        return
    with suppress(ImportError, OSError, ValueError):
        import termios

        attributes = termios.tcgetattr(port.fd)
        attributes[0] = (attributes[0] | termios.INPCK) & ~(termios.IGNPAR | termios.PARMRK)
        with suppress(termios.error):
            termios.tcsetattr(port.fd, termios.TCSANOW, attributes)


def _in_words(line: SerialLine, fault: Exception) -> str:
    number = getattr(fault, "errno", None)
    cause = str(fault)
    if line.over_network:
        return f"{line.port}: {cause}. Is the serial device server on, and is nobody else connected to it?"
    if number == errno.ENOENT:
        return (
            f"{line.port} is not there. Is the adapter plugged in? `ls -l /dev/serial/by-id` shows what is."
        )
    if number in {errno.EACCES, errno.EPERM}:
        return f"{line.port} may not be opened. Add this user to the group of the device (often dialout)."
    if number in {errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY}:
        return f"{line.port} is in use by another program. `fuser -v {line.port}` shows which."
    if number in {errno.ENXIO, errno.ENODEV, errno.EIO} or "disconnected" in cause or "Errno 5" in cause:
        return f"{line.port} has gone: the adapter was unplugged or lost its power."
    return f"{line.port}: {cause}"
