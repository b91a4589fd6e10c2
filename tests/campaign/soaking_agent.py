"""The agent on the clock of what it hears: `soaking_agent.py START run --config F`.

Every message says when it was sent; the latest of them is the time. So weeks may pass in minutes, and no
message comes late.
"""

from __future__ import annotations

import re
import sys

from paho.mqtt.client import MQTTMessage

from agent.commands.main import main
from agent.runtime import service
from agent.runtime.clock import BorrowedClock
from agent.runtime.mqtt_link import MqttLink

now_s = float(sys.argv.pop(1))
SENT = re.compile(rb'"t":([0-9.]+)')
_on_message = MqttLink._on_message


def on_message(self: MqttLink, client: object, data: object, message: MQTTMessage) -> None:
    global now_s  # noqa: PLW0603  there is one time
    if found := SENT.search(message.payload):
        now_s = max(now_s, float(found[1]))
    _on_message(self, client, data, message)  # type: ignore[arg-type]


MqttLink._on_message = on_message  # type: ignore[assignment,method-assign]
setattr(service, "SystemClock", lambda: BorrowedClock(lambda: now_s))  # noqa: B010  it is the service's own name
sys.exit(main())
