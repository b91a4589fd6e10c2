"""Sends alarms to people: mail, chat, webhook, whatever address Apprise knows.

At least once: what a service did not take is kept and offered to it again, and only to it. Several changes
that wait together go out as one message, so that the end of an outage is no flood. Addresses hold passwords:
they are read from a file, and never logged.
"""

from __future__ import annotations

import logging
from collections import OrderedDict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

from agent.contract.records import Alert, Record
from agent.outlets.service_loading import Services

if TYPE_CHECKING:
    import apprise

log = logging.getLogger(__name__)

Priority = Literal["low", "medium", "high"]
_RANK: dict[str, int] = {"low": 0, "medium": 1, "high": 2}
MOST_IN_ONE = 40
"""More changes than this in one message are counted, and looked up in the journal."""
KNOWN_ALARMS = 4096
CALLING = "UNACK"
RETURNED = frozenset({"RTNUN", "NORM"})


class AddressError(ValueError):
    """The addresses cannot be used; the message names the line, never the address."""


@dataclass(frozen=True, slots=True)
class PeopleSettings:
    """Whom to tell, and of what."""

    addresses: Callable[[], str]
    """Reads the file: one Apprise address a line, lines that begin with # are comments. Asked before every
    message, so that a changed password needs no restart."""
    timezone: str = "UTC"
    """Times in messages are those of the site."""
    min_priority: Priority = "medium"
    on_return: bool = True
    """Say also when an alarm has returned to normal."""
    timeout_s: float = 20.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of the records offered: each is in one of the two, in their order."""

    accepted: tuple[str, ...]
    """Ids that are done with: sent to all, or of no interest to people."""
    keep: tuple[str, ...] = ()
    """Ids to offer again later."""
    sent: int = 0
    """Messages that a service took now."""
    fault: str | None = None
    """Why something is kept: what to report as `alert-undelivered`."""


class People:
    """Tells people of alarms. Use it in one thread; a slow service blocks it for `timeout_s`."""

    def __init__(self, settings: PeopleSettings) -> None:
        self._settings = settings
        self._zone = ZoneInfo(settings.timezone)
        self._text: str | None = None
        self._loaded = Services()
        self._services: list[apprise.Apprise] = []
        self._taken: list[set[str]] = []
        """By service: ids of alerts it took while another one did not."""
        self._calling: OrderedDict[tuple[str, str], str] = OrderedDict()
        """By cell and name: since when an alarm calls that people were told of."""

    def prime(self, alerts: Iterable[Alert]) -> None:
        """After a restart: the alerts people were told of before, oldest first."""
        for alert in alerts:
            self._is_news(alert)

    def deliver(self, records: Sequence[Record]) -> Outcome:
        """Offer records of the journal, oldest first. Raises AddressError where there is nobody to tell.

        Records that people need not hear of are accepted at once. The others go out as one message; where
        any service does not take it, they and all that follow are kept.
        """
        before = self._calling.copy()
        news = [record for record in records if isinstance(record, Alert) and self._is_news(record)]
        if not news:
            return Outcome(tuple(record.id for record in records))
        try:
            self._read_addresses()
            sent, missing = self._send(news)
        except AddressError:
            self._calling = before
            raise
        if not missing:
            self._taken = [set() for _ in self._services]
            return Outcome(tuple(record.id for record in records), sent=sent)
        # What was decided here must be decided anew when it is offered again.
        self._calling = before
        first = next(index for index, record in enumerate(records) if record is news[0])
        return Outcome(
            accepted=tuple(record.id for record in records[:first]),
            keep=tuple(record.id for record in records[first:]),
            sent=sent,
            fault=f"{missing} of {len(self._services)} services did not take {len(news)} changes of alarms",
        )

    def _is_news(self, alert: Alert) -> bool:
        """Whether people are told; remembers it as told."""
        if _RANK[alert.priority] < _RANK[self._settings.min_priority]:
            return False
        key = (alert.cell, alert.name)
        if alert.state == CALLING:
            known = self._calling.get(key) == alert.since
            self._calling[key] = alert.since
            self._calling.move_to_end(key)
            while len(self._calling) > KNOWN_ALARMS:
                self._calling.popitem(last=False)
            return not known
        if alert.state in RETURNED:
            return self._calling.pop(key, None) is not None and self._settings.on_return
        return False

    def _read_addresses(self) -> None:
        text = self._settings.addresses()
        if text == self._text:
            return
        lines = [(number, line.strip()) for number, line in enumerate(text.splitlines(), start=1)]
        addresses = [(number, line) for number, line in lines if line and not line.startswith("#")]
        if not addresses:
            raise AddressError("the file of addresses for alarms names nobody: add one address a line")
        self._loaded.load({address.partition("://")[0].lower() for _, address in addresses})
        import apprise

        asset = apprise.AppriseAsset(
            app_id="Shotgram", app_desc="Shotgram", app_url="", async_mode=False, secure_logging=True
        )
        services = []
        for number, address in addresses:
            service = apprise.Apprise.instantiate(address, asset=asset, suppress_exceptions=True)
            if service is None:
                raise AddressError(
                    f"line {number} of the addresses for alarms is no address that Apprise knows; "
                    "mailto://host?from=...&to=... is one (the line is not shown, it may hold a password)"
                )
            # Apprise would sleep 5.5 s between mails, longer than a clean stop may take.
            service.request_rate_per_sec = 0
            service.socket_connect_timeout = self._settings.timeout_s
            service.socket_read_timeout = self._settings.timeout_s
            one = apprise.Apprise(asset=asset)
            one.add(service)
            services.append(one)
        self._text, self._services = text, services
        self._taken = [set() for _ in services]

    def _send(self, news: Sequence[Alert]) -> tuple[int, int]:
        """Messages sent now, and services that did not take theirs."""
        import apprise

        sent = missing = 0
        for service, taken in zip(self._services, self._taken, strict=True):
            rest = [alert for alert in news if alert.id not in taken]
            if not rest:
                continue
            kind = apprise.NotifyType.WARNING
            if any(alert.state == CALLING and alert.priority == "high" for alert in rest):
                kind = apprise.NotifyType.FAILURE
            elif all(alert.state in RETURNED for alert in rest):
                kind = apprise.NotifyType.SUCCESS
            took = service.notify(
                title=title_of(rest),
                body=body_of(rest, self._zone),
                notify_type=kind,
                body_format=apprise.NotifyFormat.TEXT,
            )
            if took:
                sent += 1
                taken.update(alert.id for alert in rest)
            else:
                missing += 1
                log.warning("a service for alarms did not take a message of %d changes; kept", len(rest))
        return sent, missing


def title_of(alerts: Sequence[Alert]) -> str:
    """The subject: the one alarm, or how many and the worst of them."""
    worst = max(alerts, key=lambda alert: (alert.state == CALLING, _RANK[alert.priority]))
    state = worst.priority if worst.state == CALLING else "back to normal"
    more = f" and {len(alerts) - 1} more" if len(alerts) > 1 else ""
    return f"{worst.cell}: {worst.name} ({state}){more}"


def body_of(alerts: Sequence[Alert], zone: ZoneInfo) -> str:
    """What happened, since when, the consequence, what to do: a paragraph for each alarm."""
    told = [_paragraph(alert, zone) for alert in alerts[-MOST_IN_ONE:]]
    if len(alerts) > MOST_IN_ONE:
        told.insert(0, f"{len(alerts) - MOST_IN_ONE} earlier changes stand in the journal.")
    return "\n\n".join(told)


def _paragraph(alert: Alert, zone: ZoneInfo) -> str:
    since = _local(alert.since, zone)
    if alert.state != CALLING:
        return (
            f"{alert.cell}: {alert.name} is back to normal since {_local(alert.at, zone)}.\nWas: {alert.text}"
        )
    return (
        f"{alert.cell}: {alert.name}, {alert.priority} priority, since {since}\n"
        f"What: {alert.text}\n"
        f"Consequence: {alert.consequence}\n"
        f"What to do: {alert.action}"
    )


def _local(text: str, zone: ZoneInfo) -> str:
    return datetime.fromisoformat(text).astimezone(zone).strftime("%Y-%m-%d %H:%M:%S %Z")
