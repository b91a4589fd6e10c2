"""A scale of a bench, within reach of a hand."""

from __future__ import annotations

from simulators.cell import Cell


class BenchScale:
    """A scale within reach of a hand: `spray_cell.scale("floor").unplug()`."""

    def __init__(self, cell: Cell, name: str) -> None:
        self._cell = cell
        self.name = name
        self.station = cell.stations[name]
        """Everything about it: scale, container, voice, network."""

    def unplug(self) -> None:
        """Pull its cable."""
        self._cell.unplug(self.name)

    def plug_in(self) -> None:
        """Put the cable back; the scale starts anew and has forgotten its tare."""
        self._cell.plug_in(self.name)

    def bump(self, force_g: float = 80.0, lasts_s: float = 0.4) -> None:
        """Knock against it."""
        self._cell.bump(self.name, force_g, lasts_s)

    def knock_over(self) -> None:
        """Knock the container off it."""
        self._cell.knock_over(self.name)

    def take_away(self) -> None:
        """Lift the container off."""
        self._cell.take_away(self.name)

    def put_back(self) -> None:
        """Put the container onto it."""
        self._cell.put_back(self.name)

    def zero(self) -> None:
        """Press zero."""
        self._cell.zero(self.name)
