"""A record as points of a time-series database, in line protocol.

The measurement is the record's kind. Tags say which series a point belongs to, and nothing that may differ
when the same record is sent again: no version, host or retry. The time is the row's own, frozen in the
journal. So a record that is sent twice is one point.

| measurement | tags besides `cell` | fields |
| --- | --- | --- |
| dispense | gun, scale, setup, purpose | every number of the record, `quality`, `rejected` (1 or 0), `flags` (comma separated), `open_s_from`, `why_rejected` |
| check | gun, setup | every number, `verdict`, `passed` (1 or 0; absent when inconclusive), `shots`, `left_out` (how many), `reason` |
| balance | setup | `spread_pct`, `u_spread_pct`, `limit_pct`, `off_by_pct`, `off`, `verdict`, `passed`, `reason` |
| balance_gun | gun, setup | `mean_g_per_min`, `from_mean_pct`, `check_id`: one point for each gun of a balance |
| wear | gun, part | every number, `pattern`, `due`, `due_earliest`, `due_latest`, `reason` |
| advice | gun, setup | every number, `unit`, `reason` |
| cause | setup | `code`, `weight` of the most probable |
| cause_ranked | setup, code | `weight`, `rank`: one point for each |
| release | setup | `state`, `released` (1 or 0), `reasons` (codes, comma separated), `valid_until` |
| alert | name | `state`, `active` (1 while the condition holds), `priority`, `text`, `acknowledged_by`, `shelved_until` |
| request | gun, setup | `shots`, `shot_s`, `bleed_s`, `expires`, `why` |

Every point has the field `id`, the record's. A number that could not be computed is left out. All numbers are
floats but for counts, which are integers: a field's type never changes, for a database refuses that.
"""  # noqa: E501

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from agent.journal.rows import Row

Point: TypeAlias = Any
"""influxdb_client.Point, which has no type hints."""

Body = Mapping[str, Any]
Field = str | float | int | None
LONGEST_TEXT = 1000


@dataclass(frozen=True, slots=True)
class Series:
    """How one kind of record becomes a point."""

    tags: tuple[str, ...]
    numbers: tuple[str, ...] = ()
    counts: tuple[str, ...] = ()
    texts: tuple[str, ...] = ()
    made: Mapping[str, Callable[[Body], Field]] = field(default_factory=dict)
    """Fields that are computed from the record."""
    parts: tuple[str, str, Mapping[str, str]] | None = None
    """(measurement of the parts, member that lists them, {member of a part that is a tag: tag})."""


def _passed(body: Body) -> int | None:
    return {"pass": 1, "fail": 0}.get(body["verdict"])


def _of(member: str, inner: str) -> Callable[[Body], Field]:
    return lambda body: (body.get(member) or {}).get(inner)


def _first(member: str, inner: str) -> Callable[[Body], Field]:
    return lambda body: body[member][0][inner] if body.get(member) else None


def _how_many(member: str) -> Callable[[Body], Field]:
    return lambda body: len(body[member])


SERIES: dict[str, Series] = {
    "dispense": Series(
        tags=("gun", "scale", "setup", "purpose"),
        numbers=(
            "open_s",
            "u_open_s",
            "open_error_s",
            "u_open_error_s",
            "mass_g",
            "u_mass_g",
            "flow_g_per_min",
            "u_flow_g_per_min",
            "dof",
            "flow_low_g_per_min",
            "flow_high_g_per_min",
            "flow_ml_per_min",
            "steady_flow_g_per_min",
            "u_steady_flow_g_per_min",
            "evaporation_g_per_s",
            "pot_pressure_bar",
            "fluid_c",
            "scale_ahead_s",
        ),
        counts=("n_readings",),
        texts=("quality", "open_s_from", "check_id", "started_at", "ended_at", "why_rejected"),
        made={
            "rejected": lambda body: int(body["quality"] == "rejected"),
            "flags": lambda body: ",".join(body["flags"]),
        },
    ),
    "check": Series(
        tags=("gun", "setup"),
        numbers=(
            "mean_g_per_min",
            "sd_g_per_min",
            "repeatability_pct",
            "u_g_per_min",
            "dof",
            "low_g_per_min",
            "high_g_per_min",
            "pot_pressure_bar",
            "at_setpoint_g_per_min",
            "u_at_setpoint_g_per_min",
            "u_alone_g_per_min",
            "dof_alone",
            "target_g_per_min",
            "tolerance_pct",
            "deviation_pct",
            "u_deviation_pct",
            "conformance_probability",
            "flow_ml_per_min",
            "fluid_c",
            "needle_setting",
            "sprayed_g",
        ),
        texts=("fluid", "started_at", "ended_at", "verdict", "reason", "parts_since"),
        made={"passed": _passed, "shots": _how_many("shots"), "left_out": _how_many("left_out")},
    ),
    "balance": Series(
        tags=("setup",),
        numbers=("spread_pct", "u_spread_pct", "limit_pct", "off_by_pct"),
        texts=("off", "verdict", "reason"),
        made={"passed": _passed},
        parts=("balance_gun", "guns", {"gun": "gun"}),
    ),
    "wear": Series(
        tags=("gun", "part"),
        numbers=("change_pct", "change_low_pct", "change_high_pct", "limit_pct", "due_g"),
        counts=("checks",),
        texts=("since", "pattern", "reason"),
        made={
            "due": _of("due", "date"),
            "due_earliest": _of("due", "earliest"),
            "due_latest": _of("due", "latest"),
        },
    ),
    "advice": Series(
        tags=("gun", "setup"),
        numbers=(
            "setting",
            "advised",
            "change",
            "expected_g_per_min",
            "expected_low_g_per_min",
            "expected_high_g_per_min",
            "response_g_per_min_per_unit",
            "u_response_g_per_min_per_unit",
        ),
        texts=("unit", "reason"),
    ),
    "cause": Series(
        tags=("setup",),
        made={"code": _first("ranked", "code"), "weight": _first("ranked", "weight")},
        parts=("cause_ranked", "ranked", {"code": "code"}),
    ),
    "release": Series(
        tags=("setup",),
        texts=("state", "valid_until"),
        made={
            "released": lambda body: int(body["state"] == "released"),
            "reasons": lambda body: ",".join(reason["code"] for reason in body["reasons"]),
        },
    ),
    "alert": Series(
        tags=("name",),
        texts=("state", "priority", "since", "text", "acknowledged_by", "shelved_until"),
        made={"active": lambda body: int(body["state"] in {"UNACK", "ACKED"})},
    ),
    "request": Series(
        tags=("gun", "setup"),
        numbers=("shot_s", "bleed_s"),
        counts=("shots",),
        texts=("request", "expires", "why"),
    ),
}
PARTS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "balance_gun": (("mean_g_per_min", "from_mean_pct"), ("check_id",)),
    "cause_ranked": (("weight",), ()),
}
"""(numbers, texts) of the points that stand for a part of a record."""


def lines_of(row: Row) -> list[str]:
    """The points that a row of the journal stands for, as lines; none for a kind this version does not know.

    Raises ValueError, TypeError or KeyError where the record lacks a member or one has another type.
    """
    series = SERIES.get(row.kind)
    if series is None:
        return []
    body = row.payload
    return [point.to_line_protocol() for point in (_main(row, body, series), *_parts(row, body, series))]


def _main(row: Row, body: Body, series: Series) -> Point:
    point = _point(row, row.kind, body, series.tags)
    for name, value in _fields(body, series.numbers, series.counts, series.texts):
        point.field(name, value)
    for name, make in series.made.items():
        value = make(body)
        point.field(name, float(value) if isinstance(value, float) else _text(value))
    return point


def _parts(row: Row, body: Body, series: Series) -> Iterator[Point]:
    if series.parts is None:
        return
    measurement, member, tags = series.parts
    numbers, texts = PARTS[measurement]
    for rank, part in enumerate(body[member], start=1):
        point = _point(row, measurement, body, series.tags)
        for name, tag in tags.items():
            point.tag(tag, _tag(part[name]))
        point.field("rank", rank)
        for name, value in _fields(part, numbers, (), texts):
            point.field(name, value)
        yield point


def _point(row: Row, measurement: str, body: Body, tags: tuple[str, ...]) -> Point:
    import influxdb_client

    library: Any = influxdb_client
    point = (
        library.Point(measurement).time(row.time_ns, library.WritePrecision.NS).tag("cell", _tag(row.cell))
    )
    for name in tags:
        value = body.get(name)
        if value is not None:
            point.tag(name, _tag(value))
    return point.field("id", row.id)


def _fields(
    body: Body, numbers: tuple[str, ...], counts: tuple[str, ...], texts: tuple[str, ...]
) -> Iterator[tuple[str, Field]]:
    for name in numbers:
        value = body.get(name)
        if value is not None:
            yield name, float(value)
    for name in counts:
        value = body.get(name)
        if value is not None:
            yield name, int(value)
    for name in texts:
        yield name, _text(body.get(name))


def _tag(value: object) -> str:
    # Not every server reads a backslash or a line break in a tag back as it was.
    text = str(value)
    return "".join("/" if char == "\\" else char if char.isprintable() else "_" for char in text)


def _text(value: Field) -> Field:
    return value[:LONGEST_TEXT] if isinstance(value, str) else value
