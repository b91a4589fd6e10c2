"""What the doctor tries on the way to a broker: name, port, TLS, credentials, topics, input."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Iterator
from typing import TYPE_CHECKING

from agent.commands.doctor_finding import Finding
from agent.commands.doctor_here import running_agent
from agent.settings.site import Site

if TYPE_CHECKING:
    from agent.broker.client import Address

CERTIFICATE_FAULTS = {
    9: ("the broker's certificate is not valid yet", "look at this machine's clock"),
    10: ("the broker's certificate has expired", "give the broker a new one; look at the clock"),
    18: ("the broker's certificate is signed by itself", "name it, or its authority, in ca_file"),
    19: (
        "an authority that is not known signed the broker's certificate",
        "name that authority in ca_file",
    ),
    20: ("an authority that is not known signed the broker's certificate", "name that authority in ca_file"),
    62: ("the broker's certificate is for another name", "let host be the name in the certificate"),
    64: ("the broker's certificate is for another address", "let host be a name in the certificate"),
}
"""OpenSSL's verification results (X509_V_ERR_*), in plain words, and what to do."""


def broker(site: Site, listen_s: float) -> Iterator[Finding]:
    """Everything about the agent's broker, from its name to what comes in."""
    from agent.runtime.wiring import broker_of
    from agent.settings.secrets import SecretUnreadable

    try:
        address = broker_of(site)
    except SecretUnreadable as fault:
        yield Finding("broker", "mend", f"not tried: {fault}", "see secrets above")
        return
    way = list(reach("broker", address))
    yield from way
    if any(finding.level == "mend" for finding in way):
        return
    number = running_agent(site)
    if number is not None and (address.username is not None or address.cert_file is not None):
        yield Finding(
            "broker",
            "note",
            f"not entered: the agent itself is there (process {number}), under the same name",
            "look at its state topic and its log; or stop it, and run the doctor again",
        )
        return
    yield from _inside(site, listen_s)


def scada(site: Site) -> Iterator[Finding]:
    """The way to SCADA's broker, where there is one."""
    from agent.runtime.wiring import scada_broker_of
    from agent.settings.secrets import SecretUnreadable

    if site.sparkplug is None:
        return
    try:
        import google.protobuf  # noqa: F401
    except ImportError:
        text = "[sparkplug] needs the protobuf package"
        yield Finding("sparkplug", "mend", text, 'pip install "shotgram[sparkplug]"')
    if site.sparkplug.host is None:
        yield Finding("sparkplug", "well", "goes to the broker of [mqtt]")
        return
    try:
        address = scada_broker_of(site.sparkplug, site)
    except SecretUnreadable as fault:
        yield Finding("sparkplug", "mend", f"not tried: {fault}", "see secrets above")
        return
    yield from reach("sparkplug", address)


def reach(what: str, address: Address) -> Iterator[Finding]:
    """Name, port and TLS of a broker; says what of it fails."""
    where = f"{address.host}:{address.port}"
    try:
        line = socket.create_connection((address.host, address.port), address.connect_timeout_s)
    except (socket.gaierror, UnicodeError):
        text = f"no machine is called {address.host!r}"
        yield Finding(what, "mend", text, "look at host in the configuration, and at the name service")
        return
    except ConnectionRefusedError:
        text = f"{where}: the machine is there, and nothing listens on that port"
        yield Finding(what, "mend", text, "start the broker; look at port, and at the broker's listeners")
        return
    except OSError as fault:
        text = f"{where}: no answer ({fault.strerror or fault})"
        yield Finding(what, "mend", text, "look at host, cable, firewall")
        return
    with line:
        if address.tls:
            yield _shaken_hands(what, address, line, where)


def _shaken_hands(what: str, address: Address, line: socket.socket, where: str) -> Finding:
    try:
        context = ssl.create_default_context(cafile=str(address.ca_file) if address.ca_file else None)
        if address.cert_file is not None:
            context.load_cert_chain(address.cert_file, address.key_file)
    except (OSError, ssl.SSLError) as fault:
        text = f"a certificate or key cannot be used: {fault}"
        return Finding(what, "mend", text, "look at ca_file, cert_file and key_file: PEM files that fit")
    try:
        with context.wrap_socket(line, server_hostname=address.host) as safe:
            version = safe.version()
            days = _days_left(safe)
    except ssl.SSLCertVerificationError as fault:
        said, mend = CERTIFICATE_FAULTS.get(
            fault.verify_code, (f"the broker's certificate is refused: {fault.verify_message}", "mend it")
        )
        return Finding(what, "mend", f"{where}: {said}", mend)
    except ssl.SSLError as fault:
        text = f"{where}: no TLS there ({fault.reason or fault})"
        return Finding(what, "mend", text, "is this the TLS port (8883 is usual)? does it take TLS 1.2?")
    except OSError as fault:
        text = f"{where}: no TLS there: the line broke in the handshake ({fault.strerror or fault})"
        return Finding(
            what, "mend", text, "is this the TLS port? does the broker want a client's certificate?"
        )
    if days is not None and days < 30:
        text = f"{where}: the broker's certificate is good for {days:.0f} more days"
        return Finding(what, "note", text, "renew it in time")
    return Finding(what, "well", f"{where} speaks {version}, its certificate is trusted")


def _days_left(safe: ssl.SSLSocket) -> float | None:
    import time

    told = safe.getpeercert() or {}
    until = told.get("notAfter")
    return (ssl.cert_time_to_seconds(until) - time.time()) / 86_400.0 if isinstance(until, str) else None


def _inside(site: Site, listen_s: float) -> Iterator[Finding]:
    from agent.runtime.listening import listen

    where = f"{site.mqtt.host}:{site.mqtt.port}"
    heard = listen(site, listen_s)
    if heard.version is None:
        yield Finding("broker", "mend", f"{where}: {heard.why or 'no answer'}", _refusal(heard.why, site))
        return
    yield Finding("broker", "well", f"{where} speaks MQTT {heard.version}")
    if heard.version == "3.1.1":
        yield Finding("broker", "note", "MQTT 3.1.1: a publish that its access list forbids looks delivered")
    if heard.refused:
        text = f"refused: {', '.join(heard.refused)}"
        yield Finding("topics", "mend", text, "let the agent read these in the broker's access list")
    if not heard.canary:
        topic = f"{site.plan.root}/agent/{site.plan.agent}/canary"
        text = "the agent does not hear itself"
        yield Finding("topics", "mend", text, f"let it write and read {topic} in the access list")
    for topic, count in heard.counts.items():
        if count:
            yield Finding("input", "well", f"{topic}: {count} messages in {listen_s:g} s")
        else:
            text = f"{topic}: nothing in {listen_s:g} s"
            yield Finding("input", "note", text, "is the sender on, is the topic right?")
    for fault in heard.faults:
        yield Finding("input", "mend", fault, "mend the sender, or the input in the configuration")


def _refusal(why: str, site: Site) -> str:
    lower = why.lower()
    if "user name" in lower or "password" in lower or "not authori" in lower:
        if site.mqtt.username is None and site.mqtt.cert_file is None:
            return "it lets in nobody without a name: set username and password_file, or cert_file"
        return "look at username and password_file (or cert_file), and at the broker's list of users"
    if "identifier" in lower:
        return "the broker does not take this client_id"
    if "certificate" in lower or "ssl" in lower or "tls" in lower:
        return "it wants a client's certificate: set cert_file and key_file"
    return "look at the broker's own log: it says why it closes the line"
