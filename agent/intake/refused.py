"""Why a message is dropped."""

from __future__ import annotations

from dataclasses import dataclass

LONGEST = 80
"""Characters of a payload that a fault repeats."""


class Refused(Exception):  # noqa: N818 - it reads as what it is
    """A message that cannot be used.

    `code` counts it, `fault` says in a sentence what was wrong. Codes: `too_large`, `empty`, `not_utf8`,
    `not_json`, `not_finite`, `duplicate_member`, `wrong_type`, `missing`, `out_of_range`, `unit`, `time`,
    `unknown_cell`, `unknown_scale`, `unknown_gun`, `unknown_word`, `wrong_topic`, `retained`.
    """

    def __init__(self, code: str, fault: str) -> None:
        # A library's words may hold part of a payload: no control character of it may reach a log.
        self.fault = "".join(letter if letter.isprintable() else "?" for letter in fault)
        self.code = code
        super().__init__(self.fault)


def shown(value: object) -> str:
    """A value of a payload, short and on one line, for a fault."""
    if isinstance(value, bool) or value is None:
        return {True: "true", False: "false", None: "null"}[value]
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, int) and abs(value) >= 10**LONGEST:
        return "a whole number of more than 80 digits"
    text = repr(value)
    return text if len(text) <= LONGEST else text[: LONGEST - 3] + "..."


_UNKNOWN = {"gun": "unknown_gun", "scale": "unknown_scale"}
MOST_LISTED = 20
"""Words that a fault repeats."""


@dataclass(frozen=True, slots=True)
class Unlisted:
    """A value of a foreign payload for which the configuration has no word."""

    member: str
    value: object
    words: tuple[str, ...] = ()
    """Their words that `values` lists for this member; empty where it lists none."""

    def refused(self) -> Refused:
        """Why a message that needs it is dropped, and what to configure."""
        said, member = f"{self.member} is {shown(self.value)}", self.member
        if not self.words:
            return Refused(
                "wrong_type",
                f"{said}, it must be text: list it under values.{member} of this input, or turn it into "
                f"text with to_string() in fields.{member}",
            )
        return Refused(
            _UNKNOWN.get(member, "unknown_word"),
            f"{said}, which values.{member} of this input does not list "
            f"(it has {', '.join(self.words[:MOST_LISTED])}): add it there, or mend what is sent",
        )
