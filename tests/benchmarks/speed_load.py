"""Publishes a plant's readings and events at their true pace, as cheaply as Python can: a process of its own.

    python speed_load.py PORT SCALES RATE_HZ SECONDS SHOTS CORE

Prints {"sent": N, "events": N, "behind_s": worst} when done. Readings go out with QoS 0, events with QoS 1.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
import time

from speed_site import CYCLE_S, Plant, Shooter

TICK_S = 0.01
FIRST_SHOT_S = 12.0
"""The plateau before the first shot."""


def text_of(text: str) -> bytes:
    """A string as MQTT writes it: its length in two bytes, then UTF-8."""
    raw = text.encode()
    return len(raw).to_bytes(2, "big") + raw


def packet(first: int, body: bytes) -> bytes:
    """One control packet: type and flags, the remaining length in sevenths, the rest."""
    length, digits = len(body), bytearray()
    while True:
        length, digit = divmod(length, 128)
        digits.append(digit | (0x80 if length else 0))
        if not length:
            return bytes([first]) + bytes(digits) + body


class Speaker:
    """A raw MQTT 3.1.1 publisher on one socket."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port))
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.sendall(packet(0x10, text_of("MQTT") + b"\x04\x02\x00\x00" + text_of("speed-load")))
        assert self._socket.recv(4)[:1] == b"\x20", "the broker did not let the load in"
        self._mid = 0

    def reading(self, topic: bytes, payload: bytes) -> bytes:
        """A PUBLISH with QoS 0; `topic` already carries its length."""
        return packet(0x30, topic + payload)

    def event(self, topic: bytes, payload: bytes) -> bytes:
        """A PUBLISH with QoS 1."""
        self._mid = self._mid % 60000 + 1
        return packet(0x32, topic + self._mid.to_bytes(2, "big") + payload)

    def send(self, packets: list[bytes]) -> None:
        """Send, and take the acknowledgements out of the way."""
        if packets:
            self._socket.sendall(b"".join(packets))
        with contextlib.suppress(BlockingIOError):
            self._socket.recv(65536, socket.MSG_DONTWAIT)

    def close(self) -> None:
        """Say goodbye; what was sent is on its way."""
        self._socket.sendall(b"\xe0\x00")
        self._socket.close()


def run(port: int, scales: int, rate_hz: float, seconds: float, shots: bool) -> dict[str, float]:
    """Publish for so many seconds; returns what was sent."""
    cells = Plant(scales).cells
    lanes: list[tuple[bytes, Shooter, float]] = []
    for number, (cell, size) in enumerate(cells):
        phase_s = FIRST_SHOT_S + CYCLE_S * number / len(cells)
        for n in range(size):
            topic = text_of(f"plant/{cell}/scale/s{n}/reading")
            lanes.append((topic, Shooter(phase_s, shots and n == 0), len(lanes) / scales / rate_hz))
    events = [
        (text_of(f"plant/{cell}/controller/event"), lanes[i * 5][1]) for i, (cell, _) in enumerate(cells)
    ]
    speaker, seqs = Speaker(port), [0] * len(lanes)
    sent = told = 0
    behind_s = 0.0
    began, began_mono = time.time(), time.monotonic()
    while True:
        run_s = time.monotonic() - began_mono
        if run_s >= seconds:
            break
        packets: list[bytes] = []
        for number, (topic, shooter) in enumerate(events):
            while (event := shooter.event(run_s)) is not None:
                body = {"event": event[0], "t": round(began + event[1], 6), "gun": "g0", "purpose": "shot"}
                body |= {"id": f"{began:.0f}-{number}-{shooter.told}", "setup": "impeller-barrier"}
                packets.append(speaker.event(topic, json.dumps(body).encode()))
                told += 1
        for i, (topic, shooter, offset_s) in enumerate(lanes):
            while offset_s + seqs[i] / rate_hz <= run_s:
                seqs[i] += 1
                body_b = b'{"value":%.1f,"unit":"g","t":%.4f,"stable":true,"seq":%d}' % (
                    shooter.at(run_s),
                    began + run_s,
                    seqs[i],
                )
                packets.append(speaker.reading(topic, body_b))
                sent += 1
        speaker.send(packets)
        behind_s = max(behind_s, time.monotonic() - began_mono - run_s - TICK_S)
        time.sleep(max(0.0, TICK_S - (time.monotonic() - began_mono - run_s)))
    time.sleep(0.5)
    speaker.close()
    return {"sent": sent, "events": told, "behind_s": round(behind_s, 3)}


if __name__ == "__main__":
    os.sched_setaffinity(0, {int(sys.argv[6])})
    out = run(int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4]), sys.argv[5] == "1")
    print(json.dumps(out))
