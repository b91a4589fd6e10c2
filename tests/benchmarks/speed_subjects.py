"""The programs under measurement, each a process of its own on the pinned core.

    python speed_subjects.py count PORT OUT         a bare paho subscriber that only counts
    python speed_subjects.py agent CONFIG OUT       `shotgram run`, with the lag of every 16th message noted
    python speed_subjects.py profile CONFIG OUT     the same under a profiler of its worker thread
    python speed_subjects.py replay CONFIG CAPTURE  the pipeline over a capture
    python speed_subjects.py json CAPTURE           the same lines with json alone

`count` and `agent` write OUT (JSON) when they are told to stop.
"""

from __future__ import annotations

import json
import signal
import sys
import threading
import time
from pathlib import Path
from typing import Any

EVERY = 16


class Samples:
    """Once a second: the time, how many messages were handled so far, CPU seconds of this process."""

    def __init__(self) -> None:
        self.handled = 0
        self.taken: list[tuple[float, int, float]] = []
        self.threads: list[tuple[float, dict[str, float]]] = []
        """The time, and CPU seconds of each thread by its name."""
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        while True:
            self.taken.append((time.time(), self.handled, time.process_time()))
            used = {
                thread.name: time.clock_gettime(time.pthread_getcpuclockid(thread.ident))
                for thread in threading.enumerate()
                if thread.ident is not None
            }
            self.threads.append((time.time(), used))
            time.sleep(1.0)


def count(port: int, out: Path) -> int:
    """Subscribe to everything and count."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

    samples = Samples()

    def on_message(_client: Any, _data: Any, _message: Any) -> None:
        samples.handled += 1

    client = paho.Client(CallbackAPIVersion.VERSION2, "speed-count", protocol=MQTTProtocolVersion.MQTTv5)
    client.on_message = on_message
    client.on_connect = lambda one, *_: one.subscribe("plant/#", 1)
    client.on_subscribe = lambda one, *_: one.publish("speed/ready", b"", 1)
    client.connect("127.0.0.1", port)
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    client.loop_start()
    stop.wait()
    client.disconnect()
    client.loop_stop()
    out.write_text(json.dumps({"heard": samples.handled, "samples": samples.taken}))
    return 0


def agent(config: str, out: Path, profiled: bool = False) -> int:
    """`shotgram run`, noting when messages are taken and when dispenses become ready."""
    from agent.commands.main import main
    from agent.contract.inputs import RawMessage
    from agent.pipeline.pipeline import Outcome, Pipeline

    whole = Pipeline.take
    taken: list[tuple[float, bytes]] = []
    ready: dict[str, float] = {}
    samples = Samples()

    def take(self: Pipeline, raw: RawMessage) -> Outcome:
        samples.handled += 1
        if not samples.handled % EVERY:
            taken.append((time.time(), raw.payload))
        outcome = whole(self, raw)
        if outcome.records:
            for record in outcome.records:
                if record.record == "dispense":
                    # The last needed reading: on the load's clock where it carries one.
                    ready[record.id] = json.loads(raw.payload).get("t", raw.arrived_s)
        return outcome

    Pipeline.take = take  # type: ignore[method-assign]
    if profiled:
        _profile_the_worker(out)
    status = main(["run", "--config", config, "--log-level", "warning"])
    lags = []
    for at_s, payload in taken:
        body = json.loads(payload)
        if isinstance(body, dict) and "seq" in body:
            lags.append((body["t"], at_s - body["t"]))
    told = {"heard": samples.handled, "samples": samples.taken, "lags": lags, "ready": ready}
    told["threads"] = samples.threads
    out.write_text(json.dumps(told))
    return status


def _profile_the_worker(out: Path) -> None:
    import cProfile
    import pstats

    from agent.runtime.agent import RunningAgent

    run = RunningAgent.run

    def profiled(self: RunningAgent, stop: threading.Event) -> None:
        profile = cProfile.Profile(time.thread_time)
        profile.enable()
        try:
            run(self, stop)
        finally:
            profile.disable()
            with out.with_suffix(".profile").open("w") as stream:
                stats = pstats.Stats(profile, stream=stream).sort_stats("tottime")
                stats.print_stats(45)
                stats.sort_stats("cumtime").print_stats(45)

    RunningAgent.run = profiled  # type: ignore[method-assign]


def replay(config: str, capture: str) -> int:
    """Readings a CPU second of the pipeline over a capture, imports left out."""
    import scipy.optimize  # noqa: F401  (loaded by the first fit; not the price of a reading)

    from agent.commands.replay import Replay
    from agent.settings.load import load

    run = Replay(load(Path(config)).plan)
    began = time.process_time()
    with Path(capture).open("rb") as stream:
        records = sum(1 for _ in run.records(iter(stream)))
    print(json.dumps({"cpu_s": time.process_time() - began, "records": records}))
    return 0


def json_alone(capture: str) -> int:
    """The same lines with json alone."""
    began = time.process_time()
    with Path(capture).open("rb") as stream:
        lines = sum(1 for line in stream if json.loads(line))
    print(json.dumps({"cpu_s": time.process_time() - began, "lines": lines}))
    return 0


if __name__ == "__main__":
    what, *words = sys.argv[1:]
    if what == "count":
        sys.exit(count(int(words[0]), Path(words[1])))
    if what in ("agent", "profile"):
        sys.exit(agent(words[0], Path(words[1]), what == "profile"))
    sys.exit(replay(*words) if what == "replay" else json_alone(*words))
