"""`[page]`: the read-only page for the shop floor."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from agent.settings.section import Host, Section

Port = Annotated[int, Field(ge=0, le=65535)]


class Page(Section):
    """The read-only page. It has no login: serve it to a shop network only through a proxy that has one."""

    enabled: bool = False
    """Whether the page is served."""
    host: Host = "127.0.0.1"
    """Address to listen on; the default is heard on this machine alone."""
    port: Port = 8080
    """Port to listen on; 0 takes a free one and logs it."""
    names: list[Host] = Field(default=[], max_length=16)
    """Names by which browsers call it, beside localhost and this machine's own; others are refused."""
