"""Secrets: read from files of their own or from systemd credentials, when they are needed and no earlier."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from agent.settings.section import CREDENTIALS

LONGEST_BYTES = 64 * 1024
"""No secret is longer: a larger file is another file."""


class SecretUnreadable(Exception):  # noqa: N818 - it reads as what it is
    """A secret's file is absent, empty, too large or not ours to read; its content is never named."""


def located(path: Path) -> Path:
    """The file a setting means, with `$CREDENTIALS_DIRECTORY` put in.

    Raises SecretUnreadable where that is asked for and systemd gave none.
    """
    spelled = path.as_posix()
    if not spelled.startswith(CREDENTIALS):
        return path
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    name = spelled.removeprefix(CREDENTIALS)
    if not folder:
        raise SecretUnreadable(
            f"the credential {name!r} is asked for, but $CREDENTIALS_DIRECTORY is not set: "
            f"add LoadCredential={name}:FILE to the systemd unit"
        )
    if name in {"", ".", ".."} or "/" in name:
        raise SecretUnreadable(f"{name!r} is no name of a credential: it may hold no /")
    return Path(folder) / name


def read_secret(path: Path) -> str:
    """The secret that a file holds, without the line's end.

    Raises SecretUnreadable where there is none to be had.
    """
    file = located(path)
    try:
        with file.open("rb") as opened:
            content = opened.read(LONGEST_BYTES + 1)
    except OSError as fault:
        raise SecretUnreadable(f"the secret's file {file} cannot be read: {fault.strerror}") from None
    if len(content) > LONGEST_BYTES:
        raise SecretUnreadable(f"the secret's file {file} is larger than {LONGEST_BYTES} bytes")
    try:
        secret = content.decode().strip("\r\n")
    except UnicodeDecodeError:
        raise SecretUnreadable(f"the secret's file {file} is not UTF-8 text") from None
    if not secret.strip():
        raise SecretUnreadable(f"the secret's file {file} is empty")
    return secret


def complaint(path: Path) -> str | None:
    """What is wrong with a secret's file without opening it; None where nothing is."""
    try:
        file = located(path)
        mode = file.stat().st_mode
    except SecretUnreadable as fault:
        return str(fault)
    except (OSError, ValueError):
        # The name is left out: some type the secret itself where its file is asked for.
        return "there is no such file, or it may not be read"
    if not stat.S_ISREG(mode):
        return "it is not a file"
    if mode & stat.S_IROTH:
        return "every user of this machine may read it: chmod o-r"
    return None
