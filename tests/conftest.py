"""What every test shares: the rule about real parts, and guards that hold for all.

A test that needs a real broker, database or browser says so: `@pytest.mark.real_part("mosquitto")`. Where the
part is missing the test is skipped with the reason; with SHOTGRAM_REAL_PARTS=1 a missing part is an error.
"""

from __future__ import annotations

import errno
import ipaddress
import logging
import os
import socket
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

# Modules that several tests import by name.
sys.path.insert(0, str(Path(__file__).parent / "support"))
from parts_found import PARTS, find_part, missing


def pytest_configure(config: pytest.Config) -> None:
    """A mark that is not in pyproject.toml, for it only says how `make test` divides the run."""
    config.addinivalue_line(
        "markers", "alone: keeps a whole machine busy, so `make test` runs it before the others"
    )


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip a test whose real part is missing, or fail it where parts were promised."""
    for mark in item.iter_markers("real_part"):
        for name in mark.args:
            if name == "root" and os.geteuid() != 0:
                pytest.skip("needs to be root: it mounts a small file system")
            elif name != "root" and find_part(name) is None:
                missing(f"needs the real {name}: {PARTS.get(name, ((), 'install it'))[1]}")


@pytest.fixture(autouse=True)
def _loopback_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test speaks beyond this machine: such a connection meets an unreachable network."""

    def guarded(real: Any) -> Any:
        def connect(self: socket.socket, address: Any) -> Any:
            if self.family in {socket.AF_INET, socket.AF_INET6} and not _is_loopback(address[0]):
                raise OSError(errno.ENETUNREACH, f"tests stay on loopback, not {address[0]}")
            return real(self, address)

        return connect

    monkeypatch.setattr(socket.socket, "connect", guarded(socket.socket.connect))
    monkeypatch.setattr(socket.socket, "connect_ex", guarded(socket.socket.connect_ex))


def _is_loopback(host: str) -> bool:
    if host in {"localhost", ""}:
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


@pytest.fixture(autouse=True)
def _bad_log_formats_fail(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A log line whose format and arguments disagree fails the test that wrote it."""
    faults: list[str] = []

    def handle_error(self: logging.Handler, record: logging.LogRecord) -> None:
        faults.append(
            f"{record.pathname}:{record.lineno}: {record.msg!r} with {record.args!r}: {sys.exc_info()[1]}"
        )

    monkeypatch.setattr(logging.Handler, "handleError", handle_error)
    yield
    assert not faults, faults
