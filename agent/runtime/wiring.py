"""Builds the parts of a running agent from a site's settings."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import replace

from agent import __version__
from agent.broker.client import Address
from agent.journal.errors import JournalNotice
from agent.journal.journal import Journal
from agent.journal.limits import JournalLimits
from agent.journal.stamp import machine_clock
from agent.pipeline.pipeline import Pipeline
from agent.runtime.agent import RunningAgent
from agent.runtime.clock import Clock, stamped_by
from agent.runtime.keeping import Batch
from agent.runtime.shared_link import Ear
from agent.settings.entrance import beside, entrance, habits
from agent.settings.influx import Influx
from agent.settings.notify import Notify
from agent.settings.secrets import SecretUnreadable, read_secret
from agent.settings.site import Site
from agent.settings.sparkplug import Sparkplug

log = logging.getLogger(__name__)

MB = 1_000_000
"""What the configuration, the alarms and the doctor mean by a megabyte."""
DAY_S = 86_400.0


def broker_of(site: Site) -> Address:
    """The broker as configured. Raises SecretUnreadable where a password or key cannot be read."""
    mqtt = site.mqtt
    return Address(**entrance(mqtt, mqtt.host), **habits(mqtt), client_id=site.client_id, keeps_session=True)


def ear_of(site: Site) -> Ear | None:
    """What an agent that is not alone listens with; None where it is. Raises SecretUnreadable."""
    standby = site.standby
    if standby is None:
        return None
    mqtt = beside(site.mqtt, standby)
    client_id = standby.client_id or f"{site.client_id}-{standby.name}"
    address = Address(**entrance(mqtt, mqtt.host), **habits(mqtt), client_id=client_id, keeps_session=True)
    return Ear(standby.name, address)


def journal_of(site: Site, clock: Clock | None = None) -> Journal:
    """The journal as configured, its rows stamped by the agent's clock where one is given.

    Raises JournalError where it cannot be opened.
    """
    limits = JournalLimits(
        keep_rows=site.journal.keep_rows,
        keep_s=site.journal.keep_days * DAY_S,
        keep_raw_s=site.journal.keep_raw_days * DAY_S,
        quota_bytes=site.journal.quota_mb * MB,
        keep_bytes=int(site.journal.quota_mb * MB * 0.8),
        ballast_bytes=site.journal.ballast_mb * MB,
        low_disk_bytes=site.journal.free_mb * MB,
    )
    return Journal.open(
        site.state_dir,
        limits=limits,
        version=__version__,
        config_digest=site.plan.digest,
        clock=stamped_by(clock) if clock is not None else machine_clock,
    )


def influx_of(
    influx: Influx, journal: Journal, on_fault: Callable[[JournalNotice], None]
) -> Callable[[threading.Event], None]:
    """The database's outlet as a thread's work; the library loads there, not at the start."""

    def run(stop: threading.Event) -> None:
        from agent.outlets.influx import OUTLET, InfluxOutlet, InfluxSettings

        token_file = influx.token_file

        def token() -> str:
            try:
                return read_secret(token_file) if token_file else ""
            except SecretUnreadable as fault:
                # A file that is being renewed is no reason to end: without a token the database refuses, and
                # that is alarmed and tried again.
                log.warning("%s", fault)
                return ""

        settings = InfluxSettings(
            url=influx.url,
            org=influx.org,
            bucket=influx.bucket,
            token=token,
            timeout_s=influx.timeout_s,
            batch_rows=influx.batch_rows,
        )
        view = journal.outlet_view(OUTLET, hold_untrusted=True)
        InfluxOutlet(settings, view, on_fault=on_fault).run(stop)

    return run


def people_of(
    notify: Notify, timezone: str, journal: Journal, on_fault: Callable[[JournalNotice], None]
) -> Callable[[threading.Event], None]:
    """Alarms to people as a thread's work; the library loads when the first one is sent."""

    def run(stop: threading.Event) -> None:
        from agent.outlets.calling import OUTLET, Calling
        from agent.outlets.people import People, PeopleSettings

        settings = PeopleSettings(
            addresses=lambda: read_secret(notify.urls_file),
            timezone=timezone,
            min_priority=notify.min_priority,
            on_return=notify.on_return,
            timeout_s=notify.timeout_s,
        )
        Calling(People(settings), journal.outlet_view(OUTLET), on_fault).run(stop)

    return run


def sparkplug_of(
    sparkplug: Sparkplug, site: Site, journal: Journal, on_fault: Callable[[JournalNotice], None]
) -> Callable[[threading.Event], None]:
    """What the plant's SCADA is told, as a thread's work; protocol buffers load there.

    Without them SCADA hears nothing, and everything else goes on: the log and the doctor say so.
    """

    def run(stop: threading.Event) -> None:
        try:
            from agent.outlets.sparkplug.outlet import OUTLET, SparkplugOutlet, SparkplugSettings
        except ImportError as fault:
            log.error('SCADA is told nothing: [sparkplug] needs "shotgram[sparkplug]" (%s)', fault)  # noqa: TRY400
            on_fault(JournalNotice("scada-lost", "the extra shotgram[sparkplug] is not installed"))
            stop.wait()
            return

        settings = SparkplugSettings(
            group=sparkplug.group,
            edge=sparkplug.edge or site.plan.agent,
            broker=lambda: scada_broker_of(sparkplug, site),
            version=__version__,
        )
        SparkplugOutlet(settings, site.plan, journal.outlet_view(OUTLET), on_fault).run(stop)

    return run


def scada_broker_of(sparkplug: Sparkplug, site: Site) -> Address:
    """SCADA's broker: its own, or the agent's under another client id. Raises SecretUnreadable."""
    client_id = sparkplug.client_id or f"{site.client_id}-sparkplug"
    if sparkplug.host is None:
        mqtt = beside(site.mqtt, sparkplug)
        here = Address(**entrance(mqtt, mqtt.host), **habits(mqtt), client_id=client_id)
        return replace(here, version=sparkplug.mqtt_version)
    return Address(**entrance(sparkplug, sparkplug.host), client_id=client_id, version=sparkplug.mqtt_version)


def agent_of(
    site: Site,
    journal: Journal,
    clock: Clock,
    on_batch: Callable[[Batch], None] | None = None,
    *,
    pipeline: Pipeline | None = None,
) -> RunningAgent:
    """The agent, wired and not yet started; `on_batch` hears in the worker's thread what was journalled."""
    return RunningAgent(
        pipeline or Pipeline(site.plan),
        journal,
        broker_of(site),
        clock,
        readings_qos=site.mqtt.readings_qos,
        on_batch=on_batch,
        ear=ear_of(site),
    )
