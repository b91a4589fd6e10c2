"""The topics of the contract, under the configured root."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Topics:
    """Names every topic the agent hears or speaks on, below one root."""

    root: str

    def reading(self, cell: str, scale: str) -> str:
        """A scale's readings come here."""
        return f"{self.root}/{cell}/scale/{scale}/reading"

    def event(self, cell: str) -> str:
        """The controller's events come here."""
        return f"{self.root}/{cell}/controller/event"

    def pressure(self, cell: str) -> str:
        """The pot's pressure comes here."""
        return f"{self.root}/{cell}/pot/pressure"

    def temperature(self, cell: str) -> str:
        """The fluid's temperature comes here."""
        return f"{self.root}/{cell}/fluid/temperature"

    def reply(self, cell: str) -> str:
        """The controller answers requests here."""
        return f"{self.root}/{cell}/reply"

    def alarm_command(self, cell: str, name: str) -> str:
        """A person's commands to an alarm come here."""
        return f"{self.root}/{cell}/alert/{name}/command"

    def dispense(self, cell: str) -> str:
        """Every dispense is told here."""
        return f"{self.root}/{cell}/flow/dispense"

    def check(self, cell: str, gun: str) -> str:
        """A gun's latest check stands here."""
        return f"{self.root}/{cell}/flow/check/{gun}"

    def balance(self, cell: str) -> str:
        """The cell's latest balance stands here."""
        return f"{self.root}/{cell}/flow/balance"

    def wear(self, cell: str, gun: str) -> str:
        """A gun's wear stands here."""
        return f"{self.root}/{cell}/flow/wear/{gun}"

    def advice(self, cell: str, gun: str) -> str:
        """The advised needle setting of a gun stands here."""
        return f"{self.root}/{cell}/flow/advice/{gun}"

    def release(self, cell: str) -> str:
        """The cell's release stands here."""
        return f"{self.root}/{cell}/flow/release"

    def cause(self, cell: str) -> str:
        """What is probably behind uneven coverage stands here."""
        return f"{self.root}/{cell}/flow/cause"

    def alert(self, cell: str, name: str) -> str:
        """An alarm's state stands here."""
        return f"{self.root}/{cell}/alert/{name}"

    def request(self, cell: str) -> str:
        """The agent asks the controller for a check here."""
        return f"{self.root}/{cell}/request"

    def agent_state(self, agent: str) -> str:
        """The agent's own state stands here."""
        return f"{self.root}/agent/{agent}/state"

    def bridge_state(self, agent: str) -> str:
        """The state of the bridge of this agent's serial scales stands here."""
        return f"{self.root}/agent/{agent}/bridge"
