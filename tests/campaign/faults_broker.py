"""The broker dies, forgets, hangs, hides, refuses; the line breaks; the queue is too short."""

from __future__ import annotations

import datetime
import re
import signal
import socket
import sqlite3
import subprocess
import time
from pathlib import Path

from rows import Report, Row
from world import World, strace

SUBSCRIBED = "Sending SUBACK to shotgram-edge-7"


def killed(world: World, report: Report, kills: int) -> Row:
    """With messages waiting for an agent that is away; the session is on the broker's disk."""
    row = Row("15", "broker SIGKILL, session kept")
    world.oracle.ask("set", mode="rest", events_per_s=0)
    for n in range(kills):
        world.agent.send(signal.SIGSTOP)
        world.oracle.ask("event", count=15)
        # The broker writes what changed once a second at most: what it took is on its disk by then.
        time.sleep(1.6)
        world.broker.kill()
        if n == 0:
            world.agent.send(signal.SIGCONT)
            time.sleep(7.0)
        began = time.monotonic()
        world.broker.start()
        world.agent.send(signal.SIGCONT)
        row.injected += 1
        if n == 0:
            row.alarmed("broker-lost", world.alarm("broker-lost", began))
        time.sleep(1.0)
    report.bites["redelivery"] += world.broker.log_text.count("Sending PUBLISH to shotgram-edge-7 (d1")
    row.recovered(world.online(60.0))
    row.audited(world.audit(), world.verify())
    return row


def forgotten(world: World, _report: Report, times: int) -> Row:
    """A commit that ends after the broker lost the session: its acknowledgement must not hit a new message.

    Message numbers begin anew at 1 on the new session; a stale acknowledgement would take the new message
    from the broker, and the kill that follows would lose it.
    """
    row = Row("16", "broker restart, session lost, late commit")
    first = time.monotonic()
    for _ in range(times):
        world.agent.stop()
        world.agent.start(strace("fdatasync:delay_exit=4000000:when=9+", world.state / "journal.db-wal"))
        world.ready()
        time.sleep(3.0)
        began = time.monotonic()
        world.oracle.ask("event", count=10)
        time.sleep(0.4)
        subscribed = world.broker.log_text.count(SUBSCRIBED)
        world.broker.restart(forget=True)
        # Until the agent has subscribed anew the broker owes it nothing.
        while world.broker.log_text.count(SUBSCRIBED) == subscribed and time.monotonic() - began < 20:
            time.sleep(0.02)
        world.oracle.ask("event", count=10)
        time.sleep(max(0.0, began + 5.5 - time.monotonic()))
        world.agent.stop(signal.SIGKILL)
        row.injected += 1
    world.agent.start()
    world.ready()
    subscribed = world.broker.log_text.count(SUBSCRIBED)
    world.broker.restart(forget=True)
    back = time.monotonic()
    while world.broker.log_text.count(SUBSCRIBED) == subscribed and time.monotonic() - back < 20:
        time.sleep(0.05)
    row.alarmed("session-lost", world.alarm("session-lost", first))
    row.recovered(world.online(60.0))
    found = world.audit(20.0)
    row.expect("P10-no-stale-ack", not found["lost"], f"{found['lost'][:5]} are gone")
    row.expect("P5-gaps-declared", row.alarm_s is not None, "the lost session was not told")
    row.audited(found, world.verify())
    return row


def half_open(world: World, _report: Report, seconds: float) -> Row:
    row = Row("17", f"half-open line ({seconds:.0f} s)", injected=1)
    world.oracle.ask("set", mode="rest")
    world.link.switch("hang")
    world.oracle.ask("event", count=5)
    log = len(world.agent.log_text())
    began = time.monotonic()
    while "no broker" not in world.agent.log_text()[log:] and time.monotonic() - began < seconds:
        time.sleep(0.05)
    noticed_s = time.monotonic() - began
    time.sleep(max(0.0, began + seconds - time.monotonic()))
    world.link.switch("pass")
    world.link.cut()
    back = time.monotonic()
    row.recovered(world.online(60.0))
    row.alarmed("link-down", world.alarm("link-down", back))
    row.expect("P8-recovers-alone", noticed_s < 15.0, f"noticed only after {noticed_s:.0f} s (keepalive 4 s)")
    row.note = f"noticed within {noticed_s:.1f} s at a keepalive of 4 s"
    row.audited(world.audit(), world.verify())
    return row


def breaking_line(world: World, _report: Report, cuts: int) -> Row:
    """Connections reset in the middle of whatever they carry."""
    row = Row("17b", "line cut again and again (RST)")
    world.oracle.ask("set", mode="rest", events_per_s=40)
    for n in range(cuts):
        time.sleep(0.2 + 0.37 * (n % 5))
        world.link.cut()
        row.injected += 1
    world.oracle.ask("set", events_per_s=0)
    row.recovered(world.online(60.0))
    row.audited(world.audit(), world.verify())
    return row


def short_queue(world: World, report: Report, seconds: float) -> Row:
    """Away for longer than the broker queues (100 messages): what is gone is told, to the number."""
    row = Row("19", "agent away longer than the broker queues", injected=1)
    world.oracle.ask("set", mode="rest", events_per_s=0)
    time.sleep(3.0)
    world.oracle.ask("event")
    time.sleep(1.0)
    world.agent.stop()
    before = world.oracle.ask("counts")["readings"]
    ids = world.oracle.ask("event", count=300)
    time.sleep(seconds)
    began = time.monotonic()
    gone = world.oracle.ask("counts")["readings"] - before
    world.agent.start()
    row.alarmed("input-gap", world.alarm("input-gap", began))
    row.recovered(world.online(60.0))
    texts = world.oracle.ask("texts", name="input-gap")
    told = re.findall(r"readings (\d+) to (\d+) of scale bench \((\d+)\)", " ".join(texts[-3:]))
    missing = sum(int(lost) for _, _, lost in told[-1:])
    row.expect("P5-gaps-declared", missing >= gone > 0, f"told {texts[-1:]}, gone were {gone}")
    row.note = f"declared: {missing} readings, {gone} of them while it was stopped"
    found = world.audit(10.0)
    dropped = [event_id for event_id in found["lost"] if event_id in ids]
    row.note += f"; the broker itself dropped {len(dropped)} of 300 events, which carry no number"
    found["lost"] = [event_id for event_id in found["lost"] if event_id not in ids]
    row.expect("P14-it-bit", bool(dropped), "the queue was long enough")
    row.audited(found, world.verify())
    world.oracle.ask("forget", ids=ids)
    return row


def access_list(world: World, _report: Report, allow: str, deny: str, acl: Path) -> Row:
    """The agent may hear and not speak; then it may again."""
    row = Row("24", "access list forbids what the agent says", injected=1)
    acl.write_text(deny)
    world.broker.part.signal(signal.SIGHUP)
    world.oracle.ask("event")
    began = time.monotonic()
    world.online(4.0)
    time.sleep(3.0)
    acl.write_text(allow)
    world.broker.part.signal(signal.SIGHUP)
    back = time.monotonic()
    heard = world.alarm("acl-denied", began)
    row.alarmed("acl-denied", None if heard is None else max(0.0, heard - (back - began)))
    row.recovered(world.online(60.0))
    row.audited(world.audit(60.0), world.verify())
    row.note = "what was refused stays in the outbox and is told once it may be"
    return row


CERTIFICATES = ("wrong authority", "wrong name", "expired", "no client certificate")


def certificates(folder: Path, at: str) -> dict[str, Path]:
    """An authority, a stranger, and the broker's certificates: good, for another name, and expired."""
    folder.mkdir(parents=True)

    def openssl(*words: str) -> None:
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    for name in ("ca", "stranger"):
        subject = ["-subj", f"/CN={name}", "-days", "30", "-keyout", f"{name}.key", "-out", f"{name}.crt"]
        openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", *subject)
    today = datetime.datetime.now(datetime.UTC)
    for name, address, days in (
        ("good", at, 30),
        ("named", "192.0.2.7", 30),
        ("old", at, -1),
        ("agent", at, 30),
    ):
        (folder / "ext").write_text(f"subjectAltName=IP:{address}\n")
        openssl(
            "req",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-subj",
            f"/CN={name}",
            "-keyout",
            f"{name}.key",
            "-out",
            "r",
        )
        begin = (today - datetime.timedelta(days=5)).strftime("%Y%m%d%H%M%SZ")
        end = (today + datetime.timedelta(days=days)).strftime("%Y%m%d%H%M%SZ")
        (folder / "index.txt").write_text("")
        (folder / "serial").write_text(f"{abs(hash(name)) % 10**8:08d}")
        (folder / "ca.cnf").write_text(
            "[ca]\ndefault_ca=d\n[d]\nnew_certs_dir=.\ndatabase=index.txt\nserial=serial\ndefault_md=sha256\n"
            "policy=p\n[p]\ncommonName=supplied\n"
        )
        words = [
            "-config",
            "ca.cnf",
            "-cert",
            "ca.crt",
            "-keyfile",
            "ca.key",
            "-in",
            "r",
            "-out",
            f"{name}.crt",
        ]
        openssl("ca", "-batch", "-notext", *words, "-startdate", begin, "-enddate", end, "-extfile", "ext")
    return {path.name: path for path in folder.iterdir()}


def encrypted(folder: Path, case: str | None) -> tuple[dict[str, str], str]:
    """Broker's listener and agent's settings for a case; None is the good one."""
    files = certificates(folder, "127.0.0.1")
    server = {"wrong name": "named", "expired": "old"}.get(case or "", "good")
    listener = (
        f"allow_anonymous true\ncafile {files['ca.crt']}\ncertfile {files[f'{server}.crt']}\n"
        f"keyfile {files[f'{server}.key']}\nrequire_certificate true"
    )
    authority = files["stranger.crt" if case == "wrong authority" else "ca.crt"]
    settings = f'keepalive_s = 4\ntls = true\nca_file = "{authority}"\n'
    if case != "no client certificate":
        settings += f'cert_file = "{files["agent.crt"]}"\nkey_file = "{files["agent.key"]}"\n'
    return {"plain": "allow_anonymous true", "tls": listener}, settings


def refused_certificate(folder: Path, case: str) -> Row:
    """Never connected, never unencrypted; the alarm stands in the journal, and goes out once all is well."""
    row = Row("18", f"TLS: {case}", injected=1)
    listeners, settings = encrypted(folder / "keys", case)
    world = World(folder / "w", broker={"listeners": listeners}, mqtt=settings)
    try:
        world.link.target_port = world.broker.ports["tls"]
        began = time.monotonic()
        world.agent.start()
        stored = None
        while stored is None and time.monotonic() - began < 30:
            time.sleep(0.3)
            stored = alarm_in_journal(world.state, ("tls-refused", "broker-unreachable"))
        row.alarmed(stored or "tls-refused", time.monotonic() - began if stored else None)
        row.expect("P12-nobody-else", "connected to" not in world.agent.log_text(), "it connected")
        row.expect("P8-recovers-alone", world.agent.restarts == 0, "the agent ended")
        world.agent.stop()
        good, mended = encrypted(folder / "good", None)
        del good
        keys = (f'ca_file = "{folder}/keys/ca.crt"', f'cert_file = "{folder}/keys/agent.crt"')
        text = world.config.read_text().replace(settings, mended.replace("/good/", "/keys/"))
        world.config.write_text(text)
        assert all(key in text for key in keys)
        # The broker's own certificate is mended as well.
        conf = world.broker.config_file.read_text()
        world.broker.config_file.write_text(re.sub(r"/(named|old)\.(crt|key)", r"/good.\2", conf))
        world.broker.restart()
        back = time.monotonic()
        world.agent.start()
        world.ready()
        row.recovered(world.online(30.0))
        row.recovered_s = time.monotonic() - back
        heard = world.alarm(stored or "tls-refused", began)
        row.expect("P7-alarmed", heard is not None, "what was stored was not told afterwards")
    finally:
        world.close()
    return row


def no_name(folder: Path) -> Row:
    """A name server that never answers."""
    row = Row("18e", "DNS blackhole", injected=1)
    resolver = folder / "resolv.conf"
    folder.mkdir(parents=True)
    resolver.write_text("nameserver 127.0.0.53\n")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as silent:
        silent.bind(("127.0.0.53", 53))
        world = World(folder / "w", host="broker.shop.example")
        try:
            mounted = f'mount --bind {resolver} /etc/resolv.conf && exec "$@"'
            began = time.monotonic()
            world.agent.start(["unshare", "-m", "sh", "-c", mounted, "sh"])
            stored = None
            while stored is None and time.monotonic() - began < 45:
                time.sleep(0.3)
                stored = alarm_in_journal(world.state, ("broker-unreachable",))
            row.alarmed("broker-unreachable", time.monotonic() - began if stored else None)
            row.expect("P8-recovers-alone", world.agent.restarts == 0, "the agent ended")
            stopping = time.monotonic()
            status = world.agent.stop(within_s=20.0)
            took_s = time.monotonic() - stopping
            row.note = f"stored; told when there is a broker; stopped within {took_s:.1f} s"
            row.expect("P8-recovers-alone", status == 0, f"it did not stop in order ({status})")
        finally:
            world.close()
    return row


def alarm_in_journal(state: Path, names: tuple[str, ...]) -> str | None:
    """An alarm of that name, where it is recorded."""
    try:
        with sqlite3.connect(f"file:{state / 'journal.db'}?mode=ro", uri=True) as journal:
            bodies = [body for (body,) in journal.execute("SELECT body FROM records WHERE kind = 'alert'")]
        journal.close()
    except sqlite3.Error:
        return None
    return next((name for name in names if any(f'"name":"{name}"' in body for body in bodies)), None)
