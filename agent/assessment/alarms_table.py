"""Every alarm the agent can raise, as a table: to be read, argued about and extended.

An alarm of a gun or a scale is called `{name}-{gun}` or `{name}-{scale}`. Priority follows consequence:
`high` where a wrong part is sprayed, or solvent runs where it should not, if nobody comes; `medium` where
the next check or the record of this one is in danger; `low` where it can wait for the next round.
Delays keep a value that only brushes its limit from calling anyone: 15 s for flow and pressure is common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

Priority: TypeAlias = Literal["low", "medium", "high"]


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """What is fixed about an alarm: what it is called, how urgent it is, what it means, what to do."""

    name: str
    priority: Priority
    consequence: str
    action: str
    of: Literal["cell", "gun", "scale"] = "cell"
    on_delay_s: float = 0.0
    """The condition must last this long before anyone is called, seconds."""
    off_delay_s: float = 0.0
    """The condition must be gone this long before the alarm returns to normal, seconds."""
    ends_after_s: float | None = None
    """A happening, not a lasting state: the condition ends by itself so long after it was last told."""
    holds: bool = False
    """Holds the release on its own; what checks say holds it by its own reason."""
    suppressed_by: tuple[str, ...] = ()
    """Alarms whose cause is this one's cause too: of the gun's own scale, or of any gun of the cell."""


CELL_ALARMS: tuple[AlarmKind, ...] = (
    AlarmKind(
        "check-overdue",
        "high",
        "The shift starts with guns whose flow nobody has checked; the job stays held.",
        "Run the flow check of the guns named, or find out why the controller did not run it.",
    ),
    AlarmKind(
        "flow-off-target",
        "high",
        "Film thickness follows flow in proportion: its parts come out too thin or too thick.",
        "Mend the fault that the causes name, or set the needle as advised; then run a flow check.",
        of="gun",
    ),
    AlarmKind(
        "unbalanced",
        "high",
        "One side of the part gets more than the other, even where every gun is within its own tolerance.",
        "Bring the gun named to the others by its needle, then run its flow check.",
        suppressed_by=("flow-off-target",),
    ),
    AlarmKind(
        "worn",
        "medium",
        "A worn nozzle sprays more, with a pattern that needle and pressure do not repair.",
        "Replace nozzle and needle as a set, tell the controller (part_changed), run a flow check.",
        of="gun",
    ),
    AlarmKind(
        "plugged",
        "medium",
        "The gun gives less and less, and may stop in the middle of a part.",
        "Depressurise, take off the air cap and nozzle, soak and clean them; look at filter and strainer.",
        of="gun",
    ),
    AlarmKind(
        "pressure-off-setpoint",
        "high",
        "Flow follows the square root of the pot pressure: every gun sprays wrong by half the deviation.",
        "Set the pot's regulator to the setup's pressure; look for a creeping regulator or a leaking lid.",
        on_delay_s=15.0,
        off_delay_s=15.0,
        holds=True,
    ),
    AlarmKind(
        "leaking",
        "high",
        "Fluid runs from a closed gun: drops on parts, and solvent vapour where nobody expects it.",
        "Close the fluid supply and depressurise before touching the gun; look at needle seat and packing.",
        of="scale",
        on_delay_s=60.0,
        off_delay_s=60.0,
        holds=True,
        suppressed_by=("scale-silent",),
    ),
    AlarmKind(
        "scale-silent",
        "medium",
        "No shot into this scale's container can be measured; a check that runs now is lost.",
        "Look at the scale's power, cable and gateway. A check that was cut off must be run again.",
        of="scale",
        off_delay_s=5.0,
    ),
    AlarmKind(
        "controller-silent",
        "medium",
        "Nobody answered the request for a flow check: there will be none unless a person starts it.",
        "Look whether the controller runs and is connected to the broker; start the check by hand meanwhile.",
    ),
    AlarmKind(
        "request-refused",
        "medium",
        "The controller does not run the flow check: the shift may start without one.",
        "Clear what the controller names as its reason, or start the check at the controller.",
        on_delay_s=300.0,
        suppressed_by=("check-overdue",),
    ),
    AlarmKind(
        "check-inconclusive",
        "low",
        "The flow of this gun is not known well enough to pass or fail it.",
        "Bleed the gun and check again; if the shots still differ, look for air and unsteady pressure.",
        of="gun",
        suppressed_by=("scale-silent", "leaking", "check-overdue"),
    ),
    AlarmKind(
        "input-rejected",
        "low",
        "Messages of this cell are dropped: what they said is missing from the results.",
        "Look at the agent's log for topic and fault, and mend the sender or the input's configuration.",
        ends_after_s=600.0,
    ),
)

_STOPS = "Results wait in the journal; nothing is lost while the disk has room."

AGENT_ALARMS: tuple[AlarmKind, ...] = (
    AlarmKind(
        "disk-filling",
        "medium",
        "When the disk is full nothing can be recorded, and then nothing is acknowledged to the broker.",
        "Free space on the disk of state_dir, or give the journal a larger one.",
    ),
    AlarmKind(
        "outbox-filling",
        "medium",
        "At the journal's quota the oldest records that were not sent are lost to the database.",
        "Mend what keeps the outlets from sending, or raise the journal's quota.",
    ),
    AlarmKind(
        "records-lost",
        "high",
        "Old records left the journal before they were sent: the database has a gap.",
        "Restore them from a backup; mend the outlet or raise the journal's quota.",
        ends_after_s=86_400.0,
    ),
    AlarmKind(
        "journal-corrupt",
        "high",
        "The journal contradicts itself: a fresh start sets it aside and begins a new one.",
        "Look at the disk; bring the records back from a backup.",
    ),
    AlarmKind(
        "sink-rejects-all",
        "medium",
        "The database takes nothing of what it took before; results wait in the journal.",
        "Look at the database's log, its retention and its version.",
    ),
    AlarmKind(
        "disk-full",
        "high",
        "Soon nothing can be recorded, and then nothing is acknowledged to the broker.",
        "Free space on the disk of state_dir, or give the journal a larger one.",
    ),
    AlarmKind(
        "journal-io-error",
        "high",
        "The journal could not be written: results of now are not safe.",
        "Look at the disk (dmesg, smartctl); move state_dir to a sound disk.",
    ),
    AlarmKind(
        "journal-readonly",
        "high",
        "Nothing can be recorded; the broker keeps what was not acknowledged.",
        "Find out why the file system turned read-only, repair it and mount it writable.",
    ),
    AlarmKind(
        "journal-slow",
        "medium",
        "The disk takes seconds for a write: results come late.",
        "Look for a worn memory card or another program that fills the disk's queue.",
        on_delay_s=30.0,
        off_delay_s=60.0,
    ),
    AlarmKind(
        "journal-corrupt-row",
        "high",
        "A stored record no longer matches its checksum; it is not forwarded.",
        "Keep a copy of the journal, look at the disk, restore the row from a backup.",
        ends_after_s=3600.0,
    ),
    AlarmKind(
        "journal-replaced",
        "high",
        "The journal could not be opened; a new one was begun and the old one set aside.",
        "Keep the file set aside, look at the disk, restore from a backup.",
        ends_after_s=3600.0,
    ),
    AlarmKind(
        "restarted-uncleanly",
        "medium",
        "A dispense that ran at that moment may be marked as recovered or missing.",
        "Look at the power supply and the system's log.",
        ends_after_s=600.0,
    ),
    AlarmKind(
        "sink-down",
        "medium",
        "The database gets no results for now. " + _STOPS,
        "Look whether the database runs and can be reached.",
        on_delay_s=60.0,
        off_delay_s=10.0,
    ),
    AlarmKind(
        "sink-degraded",
        "low",
        "The database refuses some writes for now. " + _STOPS,
        "Look at the database's load and limits.",
        on_delay_s=60.0,
        off_delay_s=60.0,
    ),
    AlarmKind(
        "sink-auth",
        "medium",
        "The database refuses the agent's token or bucket. " + _STOPS,
        "Renew the token file, or create the bucket.",
    ),
    AlarmKind(
        "point-rejected",
        "medium",
        "The database will never take one of the results; it was set aside in the journal.",
        "Look at the journal's quarantine for the reason.",
        ends_after_s=3600.0,
    ),
    AlarmKind(
        "broker-lost",
        "medium",
        "No events, no readings, no alarms over MQTT until the broker is back.",
        "Look whether the broker runs; the agent keeps trying.",
        on_delay_s=5.0,
        off_delay_s=5.0,
        suppressed_by=(),
    ),
    AlarmKind(
        "broker-unreachable",
        "medium",
        "The broker's name or address does not answer.",
        "Look at name service, network and the broker's port.",
        on_delay_s=5.0,
        suppressed_by=("broker-lost",),
    ),
    AlarmKind(
        "link-down",
        "medium",
        "The connection to the broker hangs without ending.",
        "Look at network and firewall.",
        suppressed_by=("broker-lost",),
    ),
    AlarmKind(
        "tls-refused",
        "high",
        "The broker's certificate was not accepted; the agent does not fall back to an open connection.",
        "Look at the certificate's dates and name and at ca_file.",
    ),
    AlarmKind(
        "acl-denied",
        "medium",
        "The broker does not let the agent speak or hear a topic.",
        "Look at the broker's access list for the agent's user.",
        ends_after_s=3600.0,
    ),
    AlarmKind(
        "session-lost",
        "medium",
        "The broker forgot what was waiting for the agent: messages of the gap may be missing.",
        "Look at the broker's persistence; a check that ran in the gap must be run again.",
        ends_after_s=600.0,
    ),
    AlarmKind(
        "input-gap",
        "medium",
        "Messages are missing: a dispense in the gap is incomplete and was not used.",
        "Look at the broker's queue limits and at the network; run a check of the gap again.",
        ends_after_s=600.0,
    ),
    AlarmKind(
        "alert-undelivered",
        "medium",
        "Maintenance did not get an alarm; it waits and is sent later.",
        "Look at the mail server or service that the alarm's sending is configured for.",
        on_delay_s=60.0,
    ),
    AlarmKind(
        "worker-stuck",
        "high",
        "A part of the agent stopped working; the service manager restarts it.",
        "Look at the agent's log before the restart.",
        ends_after_s=3600.0,
    ),
    AlarmKind(
        "overload",
        "medium",
        "More messages come than can be handled: raw readings are left out, and the records say so.",
        "Find the sender that floods the broker.",
        off_delay_s=60.0,
    ),
    AlarmKind(
        "input-rejected",
        "low",
        "Messages that belong to no known cell are dropped.",
        "Look at the agent's log for topic and fault, and mend the sender or the configuration.",
        ends_after_s=600.0,
    ),
    AlarmKind(
        "clock-step",
        "low",
        "The machine's clock jumped: times of records around it may be wrong; durations are not.",
        "Look at the time service.",
        ends_after_s=600.0,
    ),
    AlarmKind(
        "time-unsynced",
        "medium",
        "The machine's clock was never set: no shift check is asked for until it is.",
        "Look at the time service.",
        on_delay_s=60.0,
    ),
    AlarmKind(
        "config-refused",
        "medium",
        "A new configuration was refused; the agent runs on with the last good one.",
        "Run `shotgram check-config` on the file.",
    ),
)


def alarm_name(kind: AlarmKind, subject: str) -> str:
    """The alarm's full name: a valid topic segment as long as the cell's ids are."""
    return kind.name if kind.of == "cell" else f"{kind.name}-{subject}"
