"""A simulated spray cell in virtual time: it is told how far to go and says what it published meanwhile.

Same seed and same start, same bytes. Times inside count from the cell's start; messages carry epoch seconds.
What is not modelled stands in `simulators.physics` and in `simulators.controller`.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable

import numpy as np

from agent.contract.topics import Topics
from simulators.controller import Controller
from simulators.gauges import Gauges
from simulators.messages import Message, TrueDispense
from simulators.physics.container import Bump, Container
from simulators.physics.gun import Gun, fit_to_target, turn_to
from simulators.physics.pot import Pot
from simulators.physics.scale import Scale, ScaleSpec
from simulators.site import Site, SiteError, SiteSetup
from simulators.station import Station, Surroundings
from simulators.technician import Habits, Technician

MOST_TRUTH = 100_000
"""Dispenses remembered: years of shifts."""
ATTENDED_FOR_S = 60.0
"""After a programme has ended, somebody is still there for so long."""


class Cell:
    """A controller, a pot, guns, scales and a technician, at the cell's own pace."""

    def __init__(
        self,
        site: Site,
        name: str | None = None,
        *,
        seed: int = 1,
        start_s: float = 1_772_429_400.0,
        scales: dict[str, ScaleSpec] | None = None,
    ) -> None:
        """`scales` replaces what the site says of a scale; the default start is a Monday in March 2026.

        Raises SiteError where the site has no such cell or names a liquid that is not known.
        """
        plan = self.plan = site.cell(name)
        self.name = plan.name
        self.site = site
        self.topics = Topics(site.root)
        self.start_s = start_s
        self.truth: list[TrueDispense] = []
        self.runs_checks = True
        """Whether a scenario's checks are started by the controller itself; else it waits for requests."""
        self.pot = Pot()
        self.pot.start(0.0)
        self._now = 0.0
        self._order = itertools.count()
        self._actions: list[tuple[float, int, Callable[[], None]]] = []
        self._outbox: list[tuple[float, int, Message]] = []
        self._latest: dict[str, TrueDispense] = {}
        self._aims: dict[str, str] = {}
        self._attended_until_s = self._said_s = -math.inf
        self.on_gun_opened: list[Callable[[TrueDispense], None]] = []
        """Called when a gun opens: scenarios hang their mishaps here."""

        self.usual = usual = site.usual_setup(plan)
        """What this cell runs where nobody says otherwise: its guns are set for it at first."""
        self.around = Surroundings(self.pot, site.liquid(usual.fluid if usual else "water"), 20.0)
        if usual:
            self.pot.set_bar = usual.pot_pressure_bar
            self.pot.start(0.0)
        # A stream of chance for each thing: what one draws changes nothing for the others.
        streams = np.random.SeedSequence(seed).spawn(1 + len(plan.guns) + 2 * len(plan.scales))
        random = [np.random.default_rng(stream) for stream in streams]
        self._jitter = random.pop()
        self._gun_scale = dict(plan.guns)
        self.guns = {gun: self._new_gun(gun, usual) for gun in self._gun_scale}
        self._gun_random = {gun: random.pop() for gun in self.guns}
        self.stations: dict[str, Station] = {}
        for scale in plan.scales:
            spec = (scales or {}).get(scale.name) or ScaleSpec(
                scale.name, scale.resolution_g, scale.capacity_g, noise_g=0.5 * scale.resolution_g
            )
            self.stations[scale.name] = self._new_station(spec, scale.name, random.pop(), random.pop())
        self._gauges = Gauges(self.topics, self.name, start_s, self.around)
        usual_first = sorted(site.setups, key=lambda setup: setup != usual)
        setups = {setup.name: setup for setup in usual_first}
        self.controller = Controller(self, self.name, setups, list(self.guns))
        self.technician = Technician(self, Habits())

    def _new_gun(self, name: str, setup: SiteSetup | None) -> Gun:
        gun = Gun(name)
        if setup is not None:
            density = self.around.liquid.density(self.around.celsius)
            turns = self.plan.needle(name).at_rest()
            fit_to_target(gun, setup.target_g_per_min, self._fitting_bar(setup), density, turns)
        return gun

    def _new_station(
        self, spec: ScaleSpec, name: str, cell_noise: np.random.Generator, line_noise: np.random.Generator
    ) -> Station:
        return Station(
            self.topics.reading(self.name, name),
            self.start_s,
            Scale(spec, cell_noise),
            Container(content_g=25.0),
            self.around,
            line_noise,
            on_mass=self._weighed,
        )

    # --- time

    def now_s(self) -> float:
        """True time, epoch seconds."""
        return self.start_s + self._now

    def after(self, seconds: float, action: Callable[[], None]) -> None:
        """Do something so many seconds from now."""
        heapq.heappush(self._actions, (self._now + max(seconds, 0.0), next(self._order), action))

    def at(self, seconds: float, action: Callable[[], None]) -> None:
        """Do something so many seconds after the cell's start."""
        self.after(seconds - self._now, action)

    def advance(self, to_s: float) -> list[Message]:
        """Let time pass until this epoch second; returns what the broker got meanwhile, in its order."""
        until = to_s - self.start_s
        while self._actions and self._actions[0][0] <= until:
            at, _, action = heapq.heappop(self._actions)
            self._pass(at)
            action()
        self._pass(until)
        came: list[Message] = []
        while self._outbox and self._outbox[0][0] <= to_s:
            came.append(heapq.heappop(self._outbox)[2])
        return came

    @property
    def attended(self) -> bool:
        """Whether a programme runs, or somebody is still there after one."""
        return self._now < self._attended_until_s

    @property
    def next_action_s(self) -> float:
        """When something is planned next, epoch seconds; infinite for nothing."""
        return self.start_s + self._actions[0][0] if self._actions else math.inf

    @property
    def quiet(self) -> bool:
        """Whether no programme runs and nothing is planned."""
        return not self.controller.busy and not self._actions

    def hear(self, topic: str, payload: bytes) -> None:
        """A message to the cell, now: requests go to the controller, advice to the technician."""
        if topic == self.topics.request(self.name):
            self.controller.hear_request(payload)
        elif topic.startswith(self.topics.advice(self.name, "")):
            self.technician.hear_advice(payload)

    def _pass(self, until: float) -> None:
        if until <= self._now:
            return
        if self.controller.busy:
            self._attended_until_s = until + ATTENDED_FOR_S
        for name, station in self.stations.items():
            guns = [gun for gun in self.guns.values() if self._shoots_into(gun.name, name)]
            for message in station.advance(until, guns, attended=self.attended):
                self._post(message)
        self._spray_at_part(until)
        for message in self._gauges.advance(until, self.controller.manners, attended=self.attended):
            self._post(message)
        self._now = until

    def _shoots_into(self, gun: str, station: str) -> bool:
        return self._gun_scale[gun] == station and self._aims.get(gun) != "part"

    def _post(self, message: Message) -> None:
        heapq.heappush(self._outbox, (message.t_s, next(self._order), message))

    # --- the controller's hands

    def say(self, channel: str, payload: bytes) -> None:
        """Publish for the controller, QoS 1, a few milliseconds later."""
        topic = self.topics.event(self.name) if channel == "event" else self.topics.reply(self.name)
        late_s = 0.005 + 0.003 * float(self._jitter.standard_exponential())
        # One connection keeps its order.
        self._said_s = max(self.now_s() + late_s, self._said_s)
        self._post(Message(self._said_s, topic, payload, qos=1))

    def open_gun(self, gun: str, purpose: str, setup: str | None, event_id: str) -> None:
        """Energise a trigger valve. Raises ValueError where it is open already."""
        self._aims[gun] = "part" if purpose == "job" else "container"
        self.guns[gun].open(self._now, self._gun_random[gun])
        truth = TrueDispense(
            event_id, self.name, gun, self._gun_scale[gun], setup, purpose, self.now_s(),
            into="part" if purpose == "job" else "container",
        )  # fmt: skip
        if not self.stations[truth.scale].plugged_in or not self.stations[truth.scale].container.present:
            truth.spoiled = purpose != "job"
        self.truth.append(truth)
        del self.truth[:-MOST_TRUTH]
        self._latest[gun] = truth
        self._update_demand()
        for watcher in list(self.on_gun_opened):
            watcher(truth)

    def close_gun(self, gun: str) -> None:
        """Let a trigger valve go; nothing happens where it is closed."""
        if self.guns[gun].is_open:
            self.guns[gun].close(self._now)
            self._latest[gun].closed_s = self.now_s()
            self._update_demand()

    def prepare(self, setup: SiteSetup) -> None:
        """Turn the pot's regulator to a setup's pressure and fill its liquid. Needles stay where they are."""
        self.around.liquid = self.site.liquid(setup.fluid)
        if setup.pot_pressure_bar != self.pot.set_bar:
            self.pot.set(setup.pot_pressure_bar, self._now)

    def replace_part(self, gun: str, part: str) -> None:
        """New parts neither wear nor clog yet; a new seal neither drips nor leaks."""
        worn = self.guns[gun]
        if part in {"nozzle", "needle", "gun"}:
            worn.wear_pct = worn.plug_pct = 0.0
        if part in {"seal", "needle", "gun"}:
            worn.leak_g_per_s = worn.drip_g = 0.0

    def set_off_target(self, gun: str, percent: float) -> None:
        """Turn a gun's knob until it gives this much more or less than its cell's usual target.

        Raises SiteError where no setting does, and where the site has no setup.
        """
        usual = self.usual_setup()
        wanted = usual.target_g_per_min / 60 * (1 + percent / 100) / math.sqrt(self._fitting_bar(usual))
        most = 10.0 * self.plan.needle(gun).at_rest()
        density = self.around.liquid.density(self.around.celsius)
        if not turn_to(self.guns[gun], wanted, density, most_turns=most):
            raise SiteError(f"gun {gun} cannot give {percent:+g} % of its target at any setting")

    # --- mishaps and chores

    def let_air_in(self, gun: str, after_bleed_s: float) -> None:
        """Fill a gun's hose with air that still comes for so many seconds after the usual setup's bleed."""
        usual = self.usual_setup()
        ml_per_s = usual.target_g_per_min / 60 / self.around.liquid.density(self.around.celsius) * 1000
        mine = self.guns[gun]
        mine.air_ml = mine.air_share * ml_per_s * (usual.bleed_s + after_bleed_s)

    def usual_setup(self) -> SiteSetup:
        """What this cell runs where nobody says otherwise. Raises SiteError where the site has no setup."""
        if self.usual is None:
            raise SiteError("the site has no setup, which says what its guns should give")
        return self.usual

    def spoil(self, scale: str, why: str) -> None:
        """Mark what is being dispensed into a container as not to be measured."""
        for gun, truth in self._latest.items():
            tail_s = 0.0 if truth.closed_s is None else self.now_s() - truth.closed_s
            if truth.scale == scale and truth.into == "container" and tail_s < 1.0:
                truth.spoiled = True
                truth.notes.append(f"{why} while gun {gun} was open")

    def bump(self, scale: str, force_g: float = 80.0, lasts_s: float = 0.4, rings_hz: float = 8.0) -> None:
        """Knock against a scale."""
        self.stations[scale].container.bumps.append(Bump(self._now, lasts_s, force_g, rings_hz))

    def knock_over(self, scale: str) -> None:
        """The container falls off the pan, and what was in it is lost."""
        self.spoil(scale, "container knocked over")
        self.bump(scale, 400.0, 0.7)
        self.stations[scale].container.present = False
        self.stations[scale].container.content_g = 0.0

    def take_away(self, scale: str, *, emptied: bool = False) -> None:
        """Lift the container off, and perhaps empty it."""
        self.spoil(scale, "container taken away")
        self.stations[scale].container.present = False
        if emptied:
            self.stations[scale].container.content_g = 0.0

    def put_back(self, scale: str, tare_g: float | None = None) -> None:
        """Put the container, or another one of this tare, onto the pan."""
        inside = self.stations[scale].container
        self.bump(scale, 60.0, 0.5)
        inside.present = True
        if tare_g is not None:
            inside.tare_g = tare_g

    def unplug(self, scale: str) -> None:
        """The scale's cable comes out."""
        self.spoil(scale, "scale unplugged")
        self.stations[scale].plugged_in = False

    def plug_in(self, scale: str) -> None:
        """The scale is switched on again: its tare is forgotten."""
        self.stations[scale].plugged_in = True
        self.stations[scale].scale.switch_on(self._now)

    def zero(self, scale: str) -> None:
        """Press zero, and tell."""
        self.spoil(scale, "scale zeroed")
        self.stations[scale].scale.zero()
        self.controller.tell("scale_zeroed", scale=scale)

    # --- physics between actions

    def _fitting_bar(self, setup: SiteSetup) -> float:
        """The pressure that guns see while they spray: what the regulator gives, less its droop."""
        droop = self.pot.droop_bar_per_g_s * setup.target_g_per_min / 60
        return max(setup.pot_pressure_bar - droop, 0.1 * setup.pot_pressure_bar)

    def _update_demand(self) -> None:
        density = self.around.liquid.density(self.around.celsius)
        open_guns = [gun for gun in self.guns.values() if gun.is_open]
        self.pot.demand(sum(gun.conductance(density) for gun in open_guns), self._now)

    def _weighed(self, gun: Gun, grams: float) -> None:
        if gun.name in self._latest:
            self._latest[gun.name].mass_g += grams

    def _spray_at_part(self, until: float) -> None:
        t = np.array([self._now, until])
        for gun in self.guns.values():
            if self._aims.get(gun.name) == "part" and gun.is_flowing(self._now):
                bar = self.pot.pressure_bar(np.array([(self._now + until) / 2]))
                grams = gun.mass_g(t, bar, self.around.liquid.density(self.around.celsius))
                self._weighed(gun, float(grams.sum()))
