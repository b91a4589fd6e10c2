"""The members of a body, each checked as it is taken out. Null is the same as left out."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import Any

from agent.contract.times import EARLIEST_S, LATEST_S, rfc3339, rfc3339_s
from agent.intake.refused import Refused, Unlisted, shown

FARTHEST_S = 2 * 365.25 * 86400.0
"""A clock farther from this machine's is no clock that was ever set."""
LARGEST_WHOLE = 2**63
LONGEST_NAME = 256
LONGEST_REASON = 1000

Body = Mapping[str, Any]


def number(body: Body, member: str, lowest: float, highest: float) -> float | None:
    """A number within bounds, or None where it is left out. Raises Refused."""
    value = body.get(member)
    if value is None:
        return None
    if type(value) is not float and type(value) is not int:
        raise Refused("wrong_type", f"{member} is {shown(value)}, it must be a number")
    if not lowest <= value <= highest:
        raise _out_of_range(member, value, lowest, highest)
    return float(value)


def _out_of_range(member: str, value: float, lowest: float, highest: float) -> Refused:
    # Whole numbers may have thousands of digits, too many for a float.
    if isinstance(value, float) and not math.isfinite(value):
        return Refused("not_finite", f"{member} is too large for a number")
    return Refused("out_of_range", f"{member} is {shown(value)}, it must lie from {lowest:g} to {highest:g}")


def whole(body: Body, member: str) -> int | None:
    """A whole number from 0 on, or None where it is left out. Raises Refused."""
    value = body.get(member)
    if value is None:
        return None
    if type(value) is not int:
        raise Refused("wrong_type", f"{member} is {shown(value)}, it must be a whole number")
    if not 0 <= value < LARGEST_WHOLE:
        raise Refused("out_of_range", f"{member} is {shown(value)}, it must lie from 0 to 2^63")
    return value


def truth(body: Body, member: str) -> bool | None:
    """True or false, or None where it is left out. Raises Refused."""
    value = body.get(member)
    if value is not None and type(value) is not bool:
        if type(value) is Unlisted:
            raise value.refused()
        raise Refused("wrong_type", f"{member} is {shown(value)}, it must be true or false")
    return value


def text(body: Body, member: str, longest: int = LONGEST_NAME) -> str | None:
    """Text that is not empty, or None where it is left out. Raises Refused."""
    value = body.get(member)
    if value is None:
        return None
    if type(value) is not str:
        if type(value) is Unlisted:
            raise value.refused()
        raise Refused("wrong_type", f"{member} is {shown(value)}, it must be text")
    if len(value) > longest:
        raise Refused("out_of_range", f"{member} has {len(value)} characters, the most is {longest}")
    if not value:
        raise Refused("out_of_range", f"{member} is empty")
    return value


def reason(body: Body) -> str | None:
    """The reason in words; an empty one is as good as none."""
    return None if body.get("reason") == "" else text(body, "reason", LONGEST_REASON)


def word(body: Body, member: str, words: Collection[str], code: str = "unknown_word") -> str | None:
    """One of some words, or None where it is left out. Raises Refused."""
    value = text(body, member)
    if value is not None and value not in words:
        known = ", ".join(list(words)[:20]) or "none"
        raise Refused(code, f"{member} is {shown(value)}, known are: {known}")
    return value


def needed(value: Any, member: str, why: str = "") -> Any:
    """The value, which must be there. Raises Refused."""
    if value is None:
        raise Refused("missing", f"{member} is missing{why and ': '}{why}")
    return value


def identifier(body: Body, member: str = "id") -> str | None:
    """An id, as text; whole numbers serve as well. Raises Refused."""
    value = body.get(member)
    if type(value) is int:
        if abs(value) >= 2**63:
            raise Refused("out_of_range", f"{member} is {shown(value)}")
        return str(value)
    return text(body, member)


def moment(body: Body, arrived_s: float) -> tuple[float, bool]:
    """(epoch seconds, whether they are the arrival's). Raises Refused for a clock that was never set."""
    value = body.get("t")
    if value is None:
        return arrived_s, True
    if type(value) is float or type(value) is int:
        t_s = value
    elif type(value) is str:
        try:
            t_s = rfc3339_s(value)
        except (ValueError, OverflowError):
            raise Refused(
                "time", f"t is {shown(value)}, it must be RFC 3339 with its offset, or epoch seconds"
            ) from None
    else:
        raise Refused("wrong_type", f"t is {shown(value)}, it must be RFC 3339 text or epoch seconds")
    if not EARLIEST_S <= t_s <= LATEST_S:
        hint = "; is it in milliseconds? t_unit says so" if LATEST_S < t_s <= LATEST_S * 1e9 else ""
        raise Refused("time", f"t is {shown(value)}, a clock that was never set{hint}")
    if EARLIEST_S <= arrived_s <= LATEST_S and abs(t_s - arrived_s) > FARTHEST_S:
        raise Refused("time", f"t is {rfc3339(t_s)}, years from when it came, {rfc3339(arrived_s)}")
    return float(t_s), False
