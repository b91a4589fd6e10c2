"""The agent's numbers as OpenMetrics families.

Names follow the practice of Prometheus (prometheus.io/docs/practices/naming): base units, `_total` for what
only grows. A number that is not known is left out, never 0.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    InfoMetricFamily,
    Metric,
)

from agent import __version__
from agent.health.vitals import Vitals, reasons
from agent.web.snapshot import FIT_BOUNDS_S, CellSnapshot, Snapshot

PRIORITIES = ("low", "medium", "high")
SINK_TROUBLES = ("sink-down", "sink-degraded", "sink-auth", "sink-rejects-all")
STATES = ("released", "held")
QUALITIES = ("good", "suspect", "rejected")


@dataclass(frozen=True, slots=True)
class Facts:
    """All that the metrics are made of."""

    now_s: float
    vitals: Vitals
    snapshot: Snapshot | None


class AgentCollector:
    """Gives the families when somebody scrapes."""

    def __init__(self, facts: Callable[[], Facts]) -> None:
        self._facts = facts

    def describe(self) -> Iterable[Metric]:
        """Nothing is asked of the agent when the collector is registered."""
        return []

    def collect(self) -> Iterator[Metric]:
        """Every family."""
        facts = self._facts()
        yield InfoMetricFamily("shotgram_build", "The running version.", value={"version": __version__})
        yield from of_vitals(facts.vitals)
        if facts.snapshot is not None:
            yield from of_counts(facts.snapshot)
            yield from of_rim(facts.snapshot)
            yield from of_cells(facts.snapshot, facts.now_s)


def of_vitals(vitals: Vitals) -> Iterator[Metric]:
    """Threads, journal, disk and outlets."""
    yield _gauge("shotgram_healthy", "1 while /health answers 200.", float(not reasons(vitals)))
    yield _gauge("shotgram_worker_turn_age_seconds", "Since the worker's last turn.", vitals.turn_age_s)
    yield _gauge("shotgram_journal_writable", "1 while the journal takes records.", not vitals.journal_fault)
    if vitals.journal is not None:
        yield _gauge("shotgram_journal_rows", "Records in the journal.", vitals.journal.rows)
        yield _gauge("shotgram_journal_bytes", "Bytes that the journal holds.", vitals.journal.used_bytes)
        yield _gauge("shotgram_disk_free_bytes", "Room on the journal's disk.", vitals.journal.free_bytes)
        yield _gauge("shotgram_disk_size_bytes", "Size of the journal's disk.", vitals.journal.total_bytes)
    backlog = GaugeMetricFamily(
        "shotgram_outbox_records", "Records that an outlet has not forwarded.", labels=["outlet"]
    )
    age = GaugeMetricFamily(
        "shotgram_outbox_age_seconds", "Age of the oldest of them; 0 where there is none.", labels=["outlet"]
    )
    aside = GaugeMetricFamily(
        "shotgram_outbox_set_aside_records", "Records that the other side refuses.", labels=["outlet"]
    )
    for name, outlet in sorted(vitals.outlets.items()):
        backlog.add_metric([name], outlet.backlog)
        age.add_metric([name], outlet.oldest_s or 0.0)
        aside.add_metric([name], outlet.set_aside)
    yield from (backlog, age, aside)


def of_counts(snapshot: Snapshot) -> Iterator[Metric]:
    """What came in, what was refused, what was computed."""
    counts = snapshot.counts
    messages = CounterMetricFamily(
        "shotgram_messages", "Usable messages by cell and kind.", labels=["cell", "kind"]
    )
    for (cell, kind), number in sorted(counts.messages.items()):
        messages.add_metric([cell, kind], number)
    dropped = CounterMetricFamily(
        "shotgram_messages_dropped", "Messages that were not used, by cause.", labels=["cause"]
    )
    for code, number in sorted(counts.refused.items()):
        dropped.add_metric([code], number)
    dropped.add_metric(["overload"], snapshot.shed)
    shots = CounterMetricFamily(
        "shotgram_dispenses", "Dispenses measured.", labels=["cell", "purpose", "quality"]
    )
    # A counter that begins at 0 lets Prometheus see its first step.
    none = {(cell.name, "shot", quality): 0 for cell in snapshot.cells for quality in QUALITIES}
    for labels, number in sorted((none | dict(counts.shots)).items()):
        shots.add_metric(labels, number)
    records = CounterMetricFamily("shotgram_records", "Records said, by kind.", labels=["record"])
    for kind, number in sorted(counts.records.items()):
        records.add_metric([kind], number)
    yield from (messages, dropped, shots, records)
    yield _fits(counts.fits, counts.fit_sum_s)


def of_rim(snapshot: Snapshot) -> Iterator[Metric]:
    """The broker, the database, the queue between them and the worker."""
    yield _gauge("shotgram_broker_connected", "1 while the broker is there.", snapshot.connected)
    yield _gauge("shotgram_inbox_messages", "Messages that wait for the worker.", snapshot.waiting)
    sink = not any(trouble in SINK_TROUBLES for trouble in snapshot.troubles)
    yield _gauge("shotgram_database_ok", "1 while no trouble with the database is known.", sink)
    trouble = GaugeMetricFamily("shotgram_trouble", "Troubles at the rim that hold now.", labels=["name"])
    for name in snapshot.troubles:
        trouble.add_metric([name], 1.0)
    yield trouble


def of_cells(snapshot: Snapshot, now_s: float) -> Iterator[Metric]:
    """Scales, alarms and the release of each cell."""
    age = GaugeMetricFamily(
        "shotgram_scale_message_age_seconds", "Since a scale was last heard.", labels=["cell", "scale"]
    )
    repeated = CounterMetricFamily(
        "shotgram_scale_readings_unplaced", "Readings that came twice or too late.", labels=["cell", "scale"]
    )
    alarms = GaugeMetricFamily(
        "shotgram_alarms_standing", "Alarms whose condition holds.", labels=["cell", "priority"]
    )
    state = GaugeMetricFamily("shotgram_release", "1 for the cell's state.", labels=["cell", "state"])
    for cell in snapshot.cells:
        for scale in cell.scales:
            repeated.add_metric([cell.name, scale.scale], scale.dropped)
            if scale.heard_s is not None:
                age.add_metric([cell.name, scale.scale], max(0.0, now_s - scale.heard_s))
        _states(cell, state)
    standing = {cell.name: cell.desk.alarms for cell in snapshot.cells} | {"agent": snapshot.own_alarms}
    for name, found in standing.items():
        for priority in PRIORITIES:
            number = sum(alarm.active and alarm.priority == priority for alarm in found)
            alarms.add_metric([name, priority], number)
    yield from (age, repeated, alarms, state)


def _states(cell: CellSnapshot, family: GaugeMetricFamily) -> None:
    for state in STATES:
        family.add_metric([cell.name, state], float(cell.desk.state == state))


def _fits(fits: tuple[int, ...], sum_s: float) -> Metric:
    family = HistogramMetricFamily("shotgram_fit_seconds", "Time it takes to compute a dispense.")
    bounds = [f"{bound:g}" for bound in FIT_BOUNDS_S] + ["+Inf"]
    total, buckets = 0, []
    for bound, number in zip(bounds, fits or [0] * len(bounds), strict=True):
        total += number
        buckets.append((bound, total))
    family.add_metric([], buckets, sum_s)
    return family


def _gauge(name: str, text: str, value: float) -> Metric:
    return GaugeMetricFamily(name, text, value=float(value))
