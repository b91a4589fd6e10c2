"""Reads a configuration file into a Site, or tells every fault at once."""

from __future__ import annotations

import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from agent.settings.configuration import Configuration
from agent.settings.cross import cross_faults
from agent.settings.faults import BadConfiguration, ConfigFault, Finder
from agent.settings.notes import notes_of
from agent.settings.plan_of import plan_of
from agent.settings.serial_line import SerialScale
from agent.settings.site import Site
from agent.settings.toml_lines import lines_of
from agent.settings.wording import faults_of

__all__ = ["BadConfiguration", "ConfigFault", "load"]

LARGEST_BYTES = 4 * 1024 * 1024
"""A thousand cells fit into this many times over."""
MOST_FAULTS = 200
"""No more faults than this are told of one file."""


def load(path: Path) -> Site:
    """The site that a configuration file describes.

    Relative paths in it are relative to its own folder. Raises BadConfiguration with every fault of the file.
    """
    content = _read(path)
    document, text = _parse(path, content)
    finder = Finder(document, lines_of(text))
    faults = list(cross_faults(document, finder))
    configuration = None
    try:
        folder = path.absolute().parent
        configuration = Configuration.model_validate(document, context={"folder": folder})
    except ValidationError as error:
        faults += faults_of(error, finder)
    if configuration is None or faults:
        faults.sort(key=lambda fault: (fault.line or 0, fault.path))
        raise BadConfiguration(path, tuple(dict.fromkeys(faults))[:MOST_FAULTS])
    return Site(
        file=path,
        plan=plan_of(configuration, hashlib.sha256(content).hexdigest()[:16]),
        state_dir=configuration.agent.state_dir,
        log_level=configuration.agent.log_level,
        standby=configuration.standby,
        mqtt=configuration.mqtt,
        influx=configuration.influx,
        journal=configuration.journal,
        notify=configuration.notify,
        sparkplug=configuration.sparkplug,
        page=configuration.page,
        health=configuration.health,
        bridge=configuration.bridge,
        serial_scales=tuple(
            SerialScale(cell.id, scale.id, scale.serial, scale.resolution_g, scale.silent_s)
            for cell in configuration.cells
            for scale in cell.scales
            if scale.serial is not None
        ),
        notes=notes_of(configuration),
    )


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as fault:
        reason = fault.strerror if isinstance(fault, OSError) and fault.strerror else str(fault)
        raise _whole(path, found=reason.lower(), allowed="a file that can be read") from None
    if len(content) > LARGEST_BYTES:
        raise _whole(path, found="a very large file", allowed=f"at most {LARGEST_BYTES} bytes")
    return content


def _parse(path: Path, content: bytes) -> tuple[dict[str, Any], str]:
    try:
        # Editors of some systems put a byte order mark before the first line.
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = content.count(b"\n", 0, fault.start) + 1
        raise _whole(path, found="bytes that are not UTF-8", allowed="UTF-8 text", line=line) from None
    text = text.replace("\r\n", "\n")
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as fault:
        said = str(fault)
        at = re.search(r"\(at line (\d+), column \d+\)", said)
        line = int(at[1]) if at else text.count("\n") + 1
        reason = said.split(" (at ", maxsplit=1)[0][:200]
        raise _whole(path, found=f"no TOML: {reason}", allowed="TOML 1.0", line=line) from None
    except (RecursionError, ValueError) as fault:
        reason = "brackets nested too deeply" if isinstance(fault, RecursionError) else str(fault)[:200]
        raise _whole(path, found=f"no usable TOML: {reason}", allowed="TOML 1.0") from None


def _whole(path: Path, *, found: str, allowed: str, line: int | None = None) -> BadConfiguration:
    return BadConfiguration(path, (ConfigFault("", "", line, found, allowed),))
