"""Where alarms for people arrive: a real SMTP server and a real webhook receiver, both on loopback."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from people_reached import Hook, Inbox


@pytest.fixture
def inbox() -> Iterator[Inbox]:
    made = Inbox()
    yield made
    made.close()


@pytest.fixture
def hook() -> Iterator[Hook]:
    made = Hook()
    yield made
    made.close()
