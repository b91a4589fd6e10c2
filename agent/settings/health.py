"""`[health]`: /health and /metrics for whoever watches the agent."""

from __future__ import annotations

from pydantic import Field

from agent.settings.page import Port
from agent.settings.section import Host, Section


class Health(Section):
    """Health and metrics (OpenMetrics) over HTTP, read only."""

    enabled: bool = False
    """Whether /health and /metrics are served."""
    host: Host = "127.0.0.1"
    """Address to listen on; the default is heard on this machine alone."""
    port: Port = 9108
    """Port to listen on; 0 takes a free one and logs it."""
    names: list[Host] = Field(default=[], max_length=16)
    """Names by which it is called, beside localhost and this machine's own; others are refused."""
