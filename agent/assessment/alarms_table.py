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


def alarm_name(kind: AlarmKind, subject: str) -> str:
    """The alarm's full name: a valid topic segment as long as the cell's ids are."""
    return kind.name if kind.of == "cell" else f"{kind.name}-{subject}"
