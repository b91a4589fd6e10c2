"""The alarms of the agent itself: its journal, its outlets, its broker, its clock.

Told under the cell name "agent". Who finds the fault reports it by the name that stands here.
"""

from __future__ import annotations

from agent.assessment.alarms_table import AlarmKind

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
