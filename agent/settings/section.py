"""What every section of the configuration has in common, and the kinds of value that several of them use."""

from __future__ import annotations

import datetime as dt
import ipaddress
import re
from pathlib import Path
from typing import Annotated, Any, TypeAlias, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    WithJsonSchema,
)
from pydantic_core import PydanticCustomError

CREDENTIALS = "$CREDENTIALS_DIRECTORY/"
"""A file given as this and a name is a systemd credential (LoadCredential=)."""

_TOPIC_LEVEL = r"^[^+#/$\x00-\x20\x7f]([^+#/\x00-\x1f\x7f]{0,62}[^+#/\x00-\x20\x7f])?$"
_ROOT = r"^[^+#/$\x00-\x20\x7f][^+#\x00-\x1f\x7f]{0,127}$"
_TOPIC = r"^[^+#\x00-\x1f\x7f]{1,256}$"
# A label of more than 63 characters cannot even be asked for: encoding it fails.
_HOST_LABEL = r"\w([\w-]{0,61}\w)?"
_LABEL = r"^[^\x00-\x20\x7f]([^\x00-\x1f\x7f]{0,98}[^\x00-\x20\x7f])?$"

T = TypeVar("T")


class Section(BaseModel):
    """One table of the file: no unknown key, no infinite number, no type guessed."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        strict=True,
        allow_inf_nan=False,
        validate_default=True,
        use_attribute_docstrings=True,
    )


def rule(allowed: str) -> PydanticCustomError:
    """The error of a value that breaks a rule; `allowed` says what would be right."""
    return PydanticCustomError("rule", "{allowed}", {"allowed": allowed})


def _matching(pattern: str, allowed: str) -> AfterValidator:
    compiled = re.compile(pattern)

    def check(text: str) -> str:
        if not compiled.fullmatch(text):
            raise rule(allowed)
        return text

    return AfterValidator(check)


def _root(text: str) -> str:
    if not re.fullmatch(_ROOT, text) or text.endswith("/") or "//" in text:
        raise rule("one or more topic levels such as plant or plant/paint, no + or #, no / at the ends")
    return text


TopicName: TypeAlias = Annotated[
    str,
    _matching(
        _TOPIC_LEVEL, "1 to 64 characters, none of + # / or control characters, no $ or space at the ends"
    ),
    WithJsonSchema({"type": "string", "pattern": _TOPIC_LEVEL, "maxLength": 64}),
]
"""A name that becomes one level of a topic."""

TopicRoot: TypeAlias = Annotated[
    str,
    AfterValidator(_root),
    WithJsonSchema({"type": "string", "pattern": _ROOT}),
]
"""The first level or levels of every topic."""

Topic: TypeAlias = Annotated[
    str,
    _matching(_TOPIC, "a whole topic of 1 to 256 characters without the wildcards + and #"),
    WithJsonSchema({"type": "string", "pattern": _TOPIC}),
]
"""A topic as the broker knows it."""

Label: TypeAlias = Annotated[
    str,
    _matching(_LABEL, "1 to 100 characters, no control characters, no spaces at the ends"),
    WithJsonSchema({"type": "string", "pattern": _LABEL, "maxLength": 100}),
]
"""A name that people read: a setup's, a fluid's, a shift's."""


def _host(text: str) -> str:
    address = text[1:-1] if text.startswith("[") and text.endswith("]") else text
    try:
        ipaddress.ip_address(address)
    except ValueError:
        labels = text.removesuffix(".").split(".")
        if len(text) > 253 or not all(re.fullmatch(_HOST_LABEL, label) for label in labels):
            raise rule(
                "a host name or an address such as broker.example or 192.168.20.5, no scheme, no port"
            ) from None
        return text
    return address


Host: TypeAlias = Annotated[
    str,
    AfterValidator(_host),
    WithJsonSchema({"type": "string", "minLength": 1, "maxLength": 253}),
]
"""A machine by its name or address; a name of RFC 1123, also with the underscores that some networks use."""

Percent: TypeAlias = Annotated[float, Field(gt=0, le=100)]
Many: TypeAlias = Annotated[tuple[T, ...], Field(strict=False)]
"""A TOML list; a tuple once read, so that nobody changes it."""


def _to_path(value: object) -> object:
    if isinstance(value, str):
        if not value.strip() or "\x00" in value:
            raise rule("the path of a file or folder")
        return Path(value)
    return value


def _beside_the_configuration(path: Path, info: ValidationInfo) -> Path:
    folder: Any = (info.context or {}).get("folder")
    if folder is None or path.as_posix().startswith(CREDENTIALS):
        return path
    return Path(folder) / path


LocalPath: TypeAlias = Annotated[Path, BeforeValidator(_to_path), AfterValidator(_beside_the_configuration)]
"""A file or folder; a relative one is relative to the configuration file."""

SecretFile: TypeAlias = LocalPath
"""A file that holds a secret and nothing else, or `$CREDENTIALS_DIRECTORY/name` for a systemd credential."""


def _time_of_day(value: object) -> object:
    # `starts = 06:00:00` without quotes is a time in TOML, and means what it says.
    if isinstance(value, dt.time):
        value = value.strftime("%H:%M") if not (value.second or value.microsecond) else value.isoformat()
    if not isinstance(value, str) or not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", value):
        raise rule('a time of day as "HH:MM", from "00:00" to "23:59"')
    return value


TimeOfDay: TypeAlias = Annotated[
    str,
    BeforeValidator(_time_of_day),
    WithJsonSchema({"type": "string", "pattern": r"^([01]\d|2[0-3]):[0-5]\d$"}),
]
"""Local time of day."""
