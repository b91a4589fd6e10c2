"""The panels there are: one for each cell, and one for the agent itself."""

from __future__ import annotations

from agent.assessment.alarms import AlarmPanel
from agent.assessment.alarms_table import CELL_ALARMS, alarm_name
from agent.assessment.alarms_table_agent import AGENT_ALARMS
from agent.contract.plan import Cell


def cell_panel(cell: Cell) -> AlarmPanel:
    """The alarms of a cell: one of each kind, for each gun or scale where the kind is of one."""
    panel = AlarmPanel(cell.name)
    scale_of = {gun.name: gun.scale for gun in cell.guns}
    subjects = {
        "cell": ("",),
        "gun": tuple(scale_of),
        "scale": tuple(scale.name for scale in cell.scales),
    }
    kinds = {kind.name: kind for kind in CELL_ALARMS}
    for kind in CELL_ALARMS:
        for subject in subjects[kind.of]:
            where = {
                "scale": (scale_of.get(subject, subject),),
                "gun": (subject,) if subject else tuple(scale_of),
            }
            suppressors = tuple(
                alarm_name(kinds[name], one)
                for name in kind.suppressed_by
                for one in where.get(kinds[name].of, ("",))
            )
            panel.add(alarm_name(kind, subject), kind, suppressors)
    return panel


def agent_panel() -> AlarmPanel:
    """The alarms of the agent itself, under the cell name "agent"."""
    panel = AlarmPanel("agent")
    for kind in AGENT_ALARMS:
        panel.add(kind.name, kind, kind.suppressed_by)
    return panel
