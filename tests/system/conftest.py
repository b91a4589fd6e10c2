"""Fixtures of the system tests: a real broker and real databases on free loopback ports."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import real_parts
from parts_found import needed

MosquittoFactory = Callable[..., Any]


@pytest.fixture
def mosquitto_factory(tmp_path: Path) -> Iterator[MosquittoFactory]:
    """Makes and starts brokers: `mosquitto_factory(config=..., listeners={name: lines}, persistent=True)`."""
    program = needed("mosquitto")
    brokers: list[Any] = []

    def make(**settings: Any) -> Any:
        broker = real_parts.Mosquitto(program, tmp_path / f"mosquitto-{len(brokers)}", **settings)
        broker.start()
        brokers.append(broker)
        return broker

    yield make
    for broker in brokers:
        broker.stop()


@pytest.fixture
def mosquitto(mosquitto_factory: MosquittoFactory) -> Any:
    """A fresh broker, open to all on loopback: `.port`, `.restart()`, `.kill()`, `.start()`, `.stop()`."""
    return mosquitto_factory()


@pytest.fixture(scope="session")
def victoria_metrics(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One VictoriaMetrics for the whole run; keep tests apart by their cell's name."""
    program = needed("victoria-metrics")
    part = real_parts.victoria_metrics_at(program, tmp_path_factory.mktemp("victoria-metrics"))
    part.start()
    yield part
    part.stop()


@pytest.fixture(scope="session")
def influxd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One InfluxDB 1.x for the whole run; make a database of your own in each test."""
    program = needed("influxd")
    part = real_parts.influxd_at(program, tmp_path_factory.mktemp("influxd"))
    part.start()
    yield part
    part.stop()
