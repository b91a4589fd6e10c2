"""The oracle: a process of its own that is never faulted and keeps its ledger in memory.

It plays the cell (a scale at 20 Hz, shots of known flow, other events), notes what the broker took, hears
all that the agent says, and audits journal, broker and database against its ledger. Lines of JSON on standard
input are asked, one line of JSON each on standard output is the answer.

    python oracle.py BROKER_PORT ROOT CELL
"""

from __future__ import annotations

import itertools
import json
import random
import re
import socket
import sqlite3
import sys
import threading
import time
import urllib.parse
import urllib.request
from datetime import datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.properties import Properties

FLOW_G_PER_S = 1.4
# 1.4 g/s as the scale shows it, more by buoyancy (OIML R 111): air 1.2, steel 8000, the fluid 880 kg/m3.
TRUE_G_PER_MIN = 60.0 * FLOW_G_PER_S * (1 - 1.2 / 8000) / (1 - 1.2 / 880)
WORST_PCT = 3.0
"""A dispense that is not rejected and further off than this, and than four of its u, is a wrong number."""
STEP_G = 0.05
NUMBERS = {
    "dispense": "rejected",
    "alert": "active",
    "release": "released",
    "request": "shots",
    "check": "shots",
}
"""A field that every point of a kind has."""


class Oracle:
    def __init__(self, port: int, root: str, cell: str) -> None:
        self.root, self.cell, self.port = root, cell, port
        self.lock = threading.Lock()
        self.acked: dict[str, dict[str, Any]] = {}
        self._flying: dict[int, tuple[str, dict[str, Any]]] = {}
        self._early: set[int] = set()
        self.heard: dict[str, str] = {}
        self.heard_twice = 0
        self.altered: list[str] = []
        self.alerts: list[tuple[float, str, str, str]] = []
        self.states: list[tuple[float, dict[str, Any]]] = []
        self.shots: list[dict[str, Any]] = []
        self.numbers = itertools.count(1)
        self.seq = 0
        self.mass_g = 250.0
        self.mode = "off"
        self.rate_hz = 20.0
        self.events_per_s = 0.0
        self.bare_times = False
        """Whether what the cell says carries no time of its own."""
        self.padding = 0
        """Bytes that each reading is longer than it has to be."""
        self.is_open = False
        self._stop = threading.Event()
        client_id = f"oracle-{port}-{random.randrange(1 << 30)}"
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5
        )
        self.client.max_queued_messages_set(0)
        self.client.max_inflight_messages_set(1000)
        self.client.reconnect_delay_set(1, 1)
        self.client.on_connect = self._on_connect
        self.client.on_message = self._on_message
        self.client.on_publish = self._on_publish
        properties = Properties(1)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 3600
        self.client.connect("127.0.0.1", port, 20, clean_start=False, properties=properties)
        self.client.loop_start()
        threading.Thread(target=self._play, daemon=True).start()
        threading.Thread(target=self._other_events, daemon=True).start()

    # --- what the broker says

    def _on_connect(self, client: mqtt.Client, *_: Any) -> None:
        # What the agent says, and not the flood that others say to it: that would drown us.
        said = ("+/flow/#", "+/alert/#", "+/request", "agent/+/state")
        client.subscribe([(f"{self.root}/{name}", 1) for name in said])

    def _on_publish(self, _c: Any, _d: Any, mid: int, reason: Any, _p: Any) -> None:
        with self.lock:
            told = self._flying.pop(mid, None)
            if told is None:
                self._early.add(mid)
            elif reason.value < 0x80:
                self.acked[told[0]] = told[1]

    def _on_message(self, _c: Any, _d: Any, message: mqtt.MQTTMessage) -> None:
        now = time.monotonic()
        topic = message.topic
        ours = any(word in topic for word in ("/flow/", "/alert/", "/agent/")) or topic.endswith("/request")
        if not ours or topic.endswith(("/command", "/canary")) or not message.payload:
            if not message.payload and "/alert/" in topic:
                self.alerts.append((now, topic.rsplit("/", 1)[1], "NORM", ""))
            return
        try:
            body = json.loads(message.payload)
        except ValueError:
            return
        if topic.endswith("/state"):
            self.states.append((now, body))
            return
        if not isinstance(body, dict) or "record" not in body:
            return
        if body["record"] == "alert":
            self.alerts.append((now, body["name"], body["state"], body["text"]))
        text = message.payload.decode()
        before = self.heard.setdefault(body["id"], text)
        if before != text:
            self.altered.append(body["id"])
        elif before is not text:
            self.heard_twice += 1

    # --- the cell

    def say(self, topic: str, body: Any, qos: int, event_id: str | None = None, retain: bool = False) -> None:
        payload = body if isinstance(body, (bytes, str)) else json.dumps(body)
        if event_id is None:
            self.client.publish(topic, payload, qos, retain)
            return
        # Outside the lock: paho holds one of its own while it tells us of the broker's answer.
        mid = self.client.publish(topic, payload, qos, retain).mid
        with self.lock:
            if mid in self._early:
                self._early.discard(mid)
                self.acked[event_id] = body
            else:
                self._flying[mid] = (event_id, body)

    def event(self, event: str, t: float, **more: Any) -> str:
        event_id = f"o{next(self.numbers)}"
        body = {"event": event, "t": t, "id": event_id, **more}
        if self.bare_times:
            del body["t"]
        self.say(f"{self.root}/{self.cell}/controller/event", body, 1, event_id)
        return event_id

    def _play(self) -> None:
        """Rest, shoot, rest: the valve's true times are those in its events."""
        last = time.time()
        opens_at = closes_at = 0.0
        shot: dict[str, Any] = {}
        flow = 0.0
        guns = itertools.cycle(("port", "starboard"))
        while not self._stop.wait(1.0 / self.rate_hz):
            now = time.time()
            if self.mode == "off":
                last = now
                continue
            if self.mode == "shots" and not shot and now > opens_at:
                if opens_at == 0.0:
                    opens_at = now + 5.0
                else:
                    self.mass_g += flow * (now - last)
                    last, flow = now, FLOW_G_PER_S
                    shot = {"gun": next(guns), "opened": now}
                    self.event("gun_opened", now, gun=shot["gun"], purpose="shot", setup="gearbox-primer")
                    closes_at = now + random.uniform(2.5, 4.0)
            elif shot and now >= closes_at:
                self.mass_g += flow * (now - last)
                last, flow = now, 0.0
                self.event("gun_closed", now, gun=shot["gun"], purpose="shot", setup="gearbox-primer")
                self.shots.append({**shot, "closed": now, "bare": self.bare_times})
                shot, opens_at = {}, now + random.uniform(8.0, 9.0)
            self.mass_g += flow * (now - last)
            last = now
            if self.mass_g > 3500.0 and not shot:
                self.mass_g = 250.0
            self.seq += 1
            value = round(round(self.mass_g / STEP_G) * STEP_G, 2)
            body = {"value": value, "unit": "g", "seq": self.seq, "t": now}
            if self.bare_times:
                del body["t"]
            if self.padding:
                body["note"] = "x" * self.padding
            self.is_open = bool(shot)
            self.say(f"{self.root}/{self.cell}/scale/bench/reading", body, 0)

    def _other_events(self) -> None:
        while not self._stop.wait(0.02):
            if (rate := self.events_per_s) > 0:
                setting = round(random.uniform(1.0, 4.0), 2)
                self.event(
                    "needle_set", time.time(), gun=random.choice(("port", "starboard")), setting=setting
                )
                self._stop.wait(max(0.0, 1.0 / rate - 0.02))

    # --- what is asked

    def do_set(self, **what: Any) -> None:
        for name, value in what.items():
            setattr(self, name, value)

    def do_event(self, count: int = 1, **more: Any) -> list[str]:
        ids = [self.event("needle_set", time.time(), gun="port", setting=2.0, **more) for _ in range(count)]
        self.do_settled()
        return ids

    def do_forget(self, ids: list[str]) -> None:
        with self.lock:
            for event_id in ids:
                self.acked.pop(event_id, None)

    def do_settled(self, within_s: float = 30.0) -> int:
        until = time.monotonic() + within_s
        while self._flying and time.monotonic() < until:
            time.sleep(0.02)
        return len(self._flying)

    def do_say(self, topic: str, payload: str, qos: int = 0, retain: bool = False, times: int = 1) -> None:
        for _ in range(times):
            self.say(topic, payload.encode("utf-8", "surrogateescape"), qos, retain=retain)

    def do_flood(self, topic: str, payload: str, per_s: float, seconds: float) -> dict[str, float]:
        """As many as the line takes, at most `per_s`: what was sent, and how long it took.

        Packets of MQTT 3.1.1 as bytes: a client library would be the bottleneck.
        """
        with socket.create_connection(("127.0.0.1", self.port)) as line:
            line.sendall(_packet(0x10, b"\x00\x04MQTT\x04\x02\x00\x3c\x00\x05flood"))
            line.recv(4)
            name = topic.encode()
            many = _packet(0x30, len(name).to_bytes(2, "big") + name + payload.encode()) * 200
            sent, began = 0, time.monotonic()
            while (past := time.monotonic() - began) < seconds:
                if sent < per_s * past:
                    line.sendall(many)
                    sent += 200
                else:
                    time.sleep(0.001)
            line.sendall(_packet(0xE0, b""))
        return {"sent": sent, "took_s": past}

    def do_now(self) -> float:
        return time.monotonic()

    def do_alarm(
        self, names: list[str], since: float, within_s: float, state: str
    ) -> tuple[str, float] | None:
        """The first of these alarms in the state: its name, and how many seconds after `since` it came.

        It is waited for `within_s` from now; None where it did not come.
        """
        until = time.monotonic() + within_s
        while True:
            for at, heard, in_state, _ in list(self.alerts):
                if heard in names and in_state == state and at >= since:
                    return heard, at - since
            if time.monotonic() >= until:
                return None
            time.sleep(0.05)

    def do_ready(self, within_s: float) -> bool:
        """Wait until the agent says that it is online."""
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            if self.states and self.states[-1][1].get("state") == "online":
                return True
            time.sleep(0.05)
        return False

    def do_alive(self, within_s: float) -> float | None:
        """Say an event and wait for a record of it: the whole chain works. Seconds, or None."""
        began = time.monotonic()
        before = len(self.heard)
        for turn in itertools.count():
            # Loading another setup makes the release say something new.
            name = ("gearbox-primer", "gearbox-topcoat")[turn % 2]
            self.event("setup_loaded", time.time(), setup=name)
            pause_until = time.monotonic() + 3.0
            while time.monotonic() < pause_until:
                if any(
                    json.loads(text)["record"] == "release" for text in list(self.heard.values())[before:]
                ):
                    return time.monotonic() - began
                time.sleep(0.05)
            if time.monotonic() - began > within_s:
                return None
        return None

    def do_counts(self) -> dict[str, Any]:
        return {
            "acked": len(self.acked),
            "heard": len(self.heard),
            "heard_twice": self.heard_twice,
            "shots": len(self.shots),
            "readings": self.seq,
            "state": self.states[-1][1] if self.states else None,
            "alerts": sorted({name for _, name, _, _ in self.alerts}),
        }

    def do_open(self) -> bool:
        return self.is_open

    def do_truth(self) -> float:
        return TRUE_G_PER_MIN

    def do_flows(self) -> list[tuple[float | None, str]]:
        """Flow and quality of every dispense heard, in order."""
        bodies = [body for body in map(json.loads, list(self.heard.values())) if body["record"] == "dispense"]
        return [(body["flow_g_per_min"], body["quality"]) for body in bodies]

    def do_texts(self, name: str) -> list[str]:
        return [text for _, heard, _, text in self.alerts if heard == name]

    def do_audit(self, state_dir: str, database: str | None, within_s: float = 60.0) -> dict[str, Any]:
        """Wait until everything has arrived or the time is over, then say what has not."""
        until = time.monotonic() + within_s
        while True:
            found = self._audited(Path(state_dir), database)
            if (
                not (found["lost"] or found["lost_mqtt"] or found["lost_database"])
                or time.monotonic() > until
            ):
                return found
            time.sleep(1.0)

    def _audited(self, state_dir: Path, database: str | None) -> dict[str, Any]:
        events, records = _journal_of(state_dir)
        with self.lock:
            acked = dict(self.acked)
            sent = set(acked) | {event_id for event_id, _ in self._flying.values()}
        lost = sorted(event_id for event_id in acked if event_id not in events)
        wrong = [i for i, body in acked.items() if i in events and not _same(body, events[i])]
        doubled = len(events) - len(set(events))
        spurious = [event_id for event_id in events if event_id not in sent]
        bodies = {record["id"]: record["body"] for record in records}
        told = dict(self.heard)
        direct = [i for i, text in told.items() if i not in bodies and json.loads(text)["record"] == "alert"]
        missing = sorted(
            i
            for i, body in bodies.items()
            if i not in told and not (json.loads(body)["record"] == "alert" and '"state":"NORM"' in body)
        )
        changed = [i for i, text in told.items() if i in bodies and bodies[i] != text]
        strange = [i for i in told if i not in bodies and i not in direct]
        points = _points(records, database, told) if database else {"lost": [], "doubled": [], "spurious": []}
        flows = self._flows(
            bodies.values(), [text for _, name, _, text in self.alerts if name == "input-gap"]
        )
        return {
            "events": len(acked),
            "records": len(records),
            "dispenses": sum(record["kind"] == "dispense" for record in records),
            "lost": lost,
            "lost_mqtt": missing,
            "lost_database": points["lost"],
            "doubled": doubled + len(points["doubled"]) + len(flows["doubled"]),
            "doubled_shots": flows["doubled"],
            "spurious": [*spurious, *strange, *points["spurious"]],
            "wrong": [*wrong, *changed, *self.altered, *flows["wrong"]],
            "silent": flows["silent"],
            "measured": flows["measured"],
            "declared": flows["declared"],
            "shots": flows["shots"],
            "told_directly": len(direct),
            "heard_twice": self.heard_twice,
        }

    def _flows(self, bodies: Any, gaps: list[str]) -> dict[str, Any]:
        """Every shot that is long over: a dispense that is right, or rejected, or a word on it."""
        dispenses = [body for body in map(json.loads, bodies) if body["record"] == "dispense"]
        for body in dispenses:
            body["from"] = datetime.fromisoformat(body["started_at"]).timestamp()
            body["to"] = datetime.fromisoformat(body["ended_at"]).timestamp()
        result: dict[str, Any] = {"wrong": [], "doubled": [], "silent": [], "measured": 0, "declared": 0}
        ripe = [shot for shot in self.shots if not shot["bare"] and time.time() - shot["closed"] > 25.0]
        used = set()
        unmeasured = []
        for shot in ripe:
            own = [
                body
                for body in dispenses
                if body["from"] < shot["closed"] + 1 and body["to"] > shot["opened"] - 1
            ]
            used |= {body["id"] for body in own}
            good = [body for body in own if body["quality"] != "rejected"]
            if len(good) > 1:
                result["doubled"].append([shot, [body["id"] for body in own]])
            for body in good:
                off = body["flow_g_per_min"] - TRUE_G_PER_MIN
                if abs(off) > max(TRUE_G_PER_MIN * WORST_PCT / 100, 4 * (body["u_flow_g_per_min"] or 0.0)):
                    result["wrong"].append([body["id"], round(body["flow_g_per_min"], 2), body["flags"]])
            if good:
                result["measured"] += 1
            elif _declared(shot, gaps):
                result["declared"] += 1
            else:
                unmeasured.append(shot)
        silent = _not_rejected(unmeasured, [body for body in dispenses if body["quality"] == "rejected"])
        result["declared"] += len(unmeasured) - len(silent)
        result["silent"] = silent
        if any(shot["bare"] for shot in self.shots):
            return {**result, "shots": len(ripe)}
        for body in dispenses:
            # A dispense of no shot at all: only if nothing was open anywhere near.
            near = [s for s in self.shots if s["opened"] - 5 < body["to"] and s["closed"] + 5 > body["from"]]
            if (
                body["id"] not in used
                and not near
                and body["quality"] != "rejected"
                and not self._open_now(body)
            ):
                result["wrong"].append([body["id"], "no such shot", body["flags"]])
        result["shots"] = len(ripe)
        return result

    def _open_now(self, body: dict[str, Any]) -> bool:
        return bool(time.time() - body["to"] < 30.0)


def _not_rejected(shots: list[dict[str, Any]], rejected: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The shots that no rejected dispense is a word on.

    One that says its gun is a word on one shot; one that says that it could not be attributed, on all of its
    time. It stands in the shot's time; or later on the scale's clock, by as long as the events waited for an
    agent that was away: then it says the gun.
    """

    def in_time(shot: dict[str, Any], body: dict[str, Any]) -> bool:
        its = body["from"] < shot["closed"] + 1 and body["to"] > shot["opened"] - 1
        return bool(its and body["gun"] in (None, shot["gun"]))

    shots = [shot for shot in shots if not any(b["gun"] is None and in_time(shot, b) for b in rejected)]

    def late(shot: dict[str, Any], body: dict[str, Any]) -> bool:
        return bool(body["gun"] == shot["gun"] and body["from"] > shot["opened"] - 1)

    spare = sorted(rejected, key=lambda body: body["from"])
    for fits in (in_time, late):
        left = []
        for shot in shots:
            word = next((body for body in spare if fits(shot, body)), None)
            if word is None:
                left.append(shot)
            else:
                spare.remove(word)
        shots = left
    return shots


def _packet(kind: int, body: bytes) -> bytes:
    """An MQTT packet of less than 16384 bytes (MQTT 3.1.1, 2.2.3)."""
    size = len(body)
    length = bytes([size]) if size < 128 else bytes([size % 128 | 0x80, size // 128])
    return bytes([kind]) + length + body


def _declared(shot: dict[str, Any], gaps: list[str]) -> bool:
    for text in gaps:
        for when in re.findall(r"of gun (\S+) at (\S+): not measured", text):
            at = datetime.fromisoformat(when[1]).timestamp()
            if when[0] == shot["gun"] and abs(at - shot["opened"]) < 1.0:
                return True
    return False


def _same(said: dict[str, Any], kept: dict[str, Any]) -> bool:
    return (
        said["event"] == kept["event"]
        and ("t" not in said or abs(float(said["t"]) - kept["t_s"]) < 1e-3)
        and said.get("setting") == kept.get("setting")
        and said.get("gun") == kept.get("gun")
    )


def _journal_of(state_dir: Path) -> tuple[dict[str, dict[str, Any]], list[dict[str, Any]]]:
    """Read with SQLite alone, not with the agent's own code."""
    connection = sqlite3.connect(f"file:{state_dir / 'journal.db'}?mode=ro", uri=True, timeout=20)
    try:
        events = {}
        for (text,) in connection.execute("SELECT body FROM events WHERE kind NOT IN ('reply', 'command')"):
            body = json.loads(text)
            if body.get("event_id", "").startswith("o"):
                events[body["event_id"]] = body
        held = {seq for (seq,) in connection.execute("SELECT seq FROM untrusted")}
        aside = {seq for (seq,) in connection.execute("SELECT seq FROM set_aside WHERE outlet = 'influx'")}
        rows = connection.execute(
            "SELECT r.seq, r.id, r.kind, r.cell, r.gun, COALESCE(m.point_ns, r.point_ns), r.body "
            "FROM records AS r LEFT JOIN mended AS m ON m.seq = r.seq ORDER BY r.seq"
        ).fetchall()
    finally:
        connection.close()
    names = ("seq", "id", "kind", "cell", "gun", "ns", "body")
    records = [dict(zip(names, row, strict=True)) for row in rows]
    for record in records:
        record["kept_back"] = record["seq"] in held or record["seq"] in aside
    return events, records


def _points(records: list[dict[str, Any]], url: str, told: dict[str, str]) -> dict[str, list[Any]]:
    """The database's own points of every kind against the journal's rows, at the millisecond."""
    result: dict[str, list[Any]] = {"lost": [], "doubled": [], "spurious": []}
    urllib.request.urlopen(f"{url}/internal/force_flush", timeout=30).read()  # noqa: S310
    for kind, field in NUMBERS.items():
        query = urllib.parse.quote(f'{{__name__="{kind}_{field}"}}')
        with urllib.request.urlopen(f"{url}/api/v1/export?match[]={query}", timeout=30) as answer:  # noqa: S310
            series = [json.loads(line) for line in answer.read().splitlines()]
        stored: list[tuple[str | None, str | None, int]] = []
        for one in series:
            metric = one["metric"]
            stored += [(metric.get("gun"), metric.get("name"), at) for at in one["timestamps"]]
        expected = set()
        for record in records:
            if record["kind"] != kind:
                continue
            body = json.loads(record["body"])
            point = (record["gun"], body.get("name"), record["ns"] // 1_000_000)
            expected.add(point)
            if not record["kept_back"] and point not in set(stored):
                result["lost"].append(record["id"])
        if len(stored) != len(set(stored)):
            result["doubled"] += [point for point in set(stored) if stored.count(point) > 1]
        # A full disk lets go of the oldest rows that were sent: heard, and in the journal no more.
        known = {_moment(body) for body in map(json.loads, told.values()) if body["record"] == kind}
        strange = set(stored) - expected
        result["spurious"] += [[kind, *point] for point in strange if point not in known]
    return result


def _moment(body: dict[str, Any]) -> tuple[str | None, str | None, int]:
    return body.get("gun"), body.get("name"), round(datetime.fromisoformat(body["at"]).timestamp() * 1000)


def main() -> None:
    oracle = Oracle(int(sys.argv[1]), sys.argv[2], sys.argv[3])
    for line in sys.stdin:
        asked = json.loads(line)
        try:
            answer = {"ok": getattr(oracle, f"do_{asked.pop('do')}")(**asked)}
        except Exception as fault:  # noqa: BLE001  the answer is the report
            answer = {"fault": f"{type(fault).__name__}: {fault}"}
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
