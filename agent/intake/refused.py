"""Why a message is dropped."""

from __future__ import annotations

LONGEST = 80
"""Characters of a payload that a fault repeats."""


class Refused(Exception):  # noqa: N818 - it reads as what it is
    """A message that cannot be used.

    `code` counts it, `fault` says in a sentence what was wrong. Codes: `too_large`, `empty`, `not_utf8`,
    `not_json`, `not_finite`, `duplicate_member`, `wrong_type`, `missing`, `out_of_range`, `unit`, `time`,
    `unknown_cell`, `unknown_scale`, `unknown_gun`, `unknown_word`, `retained`.
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
