"""Fixtures of the system tests: a real broker and real databases on free loopback ports."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


def _beside(name: str) -> ModuleType:
    # Tests are imported by path (importlib mode), so a module beside them is loaded by its path as well.
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


real_parts: Any = _beside("real_parts")
MosquittoFactory = Callable[..., Any]


def _program(request: pytest.FixtureRequest, name: str) -> str:
    conftest = next(
        plugin
        for plugin in request.config.pluginmanager.get_plugins()
        if getattr(plugin, "__file__", None) == str(Path(__file__).parents[1] / "conftest.py")
    )
    program = conftest.find_part(name)
    if program is None:
        conftest._missing(f"needs the real {name}: {conftest.PARTS[name][1]}")
    return str(program)


@pytest.fixture
def mosquitto_factory(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[MosquittoFactory]:
    """Makes and starts brokers: `mosquitto_factory(config=..., listeners={name: lines}, persistent=True)`."""
    program = _program(request, "mosquitto")
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
def victoria_metrics(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Any]:
    """One VictoriaMetrics for the whole run; keep tests apart by their cell's name."""
    program = _program(request, "victoria-metrics")
    part = real_parts.victoria_metrics_at(program, tmp_path_factory.mktemp("victoria-metrics"))
    part.start()
    yield part
    part.stop()


@pytest.fixture(scope="session")
def influxd(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One InfluxDB 1.x for the whole run; make a database of your own in each test."""
    program = _program(request, "influxd")
    part = real_parts.influxd_at(program, tmp_path_factory.mktemp("influxd"))
    part.start()
    yield part
    part.stop()
