"""The agent on the clock of what it hears: `soaking_agent.py START run --config F`.

Every message says in a property when the broker got it; the latest of them is the time. So weeks may pass in
minutes, and no message comes late.
"""

from __future__ import annotations

import sys

from paho.mqtt.client import MQTTMessage

from agent.commands.main import main
from agent.runtime import service
from agent.runtime.clock import BorrowedClock
from agent.runtime.mqtt_link import MqttLink

now_s = float(sys.argv.pop(1))
_on_message = MqttLink._on_message


def on_message(self: MqttLink, client: object, data: object, message: MQTTMessage) -> None:
    global now_s  # noqa: PLW0603  there is one time
    for name, value in getattr(message.properties, "UserProperty", ()):
        if name == "at":
            now_s = max(now_s, float(value))
    _on_message(self, client, data, message)  # type: ignore[arg-type]


MqttLink._on_message = on_message  # type: ignore[assignment,method-assign]
setattr(service, "SystemClock", lambda: BorrowedClock(lambda: now_s))  # noqa: B010  it is the service's own name
sys.exit(main())
