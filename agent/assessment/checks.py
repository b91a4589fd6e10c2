"""Which shots belong together: from single dispenses to the shots of one check.

Shots belong together when the controller says so (between `check_started` and `check_ended`), or when they
follow each other for the same gun and setup:
- no more than `GAP_S` (10 min) from the end of one to the beginning of the next,
- no needle setting, no changed part and no other setup in between,
- until the setup's shots are in and agree; two more where they do not.

A group is ripe (ready to be judged) once the shots it wants are in, and for the last time when it ends: told
by the controller, cut by a turned needle, followed by another group, or timed out. Events come on the
controller's clock and results come late, so an ended group still takes its own late shots for `GRACE_S`.

A dispense that cannot be a shot (spoiled, or of another length) begins no group, but the one that follows it
takes it along, so that its check says why it was left out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from agent.assessment.shots import why_no_flow
from agent.contract.plan import Setup
from agent.contract.records import Dispense
from agent.contract.times import epoch_s

GAP_S = 600.0
"""Longest pause between two shots of one check, seconds. Common practice, no source."""
GRACE_S = 60.0
"""So long after its end a group waits for results of shots that were sprayed before it, seconds."""
EXTRA_SHOTS = 2
"""How many shots may be added to those of the setup."""
MOST_SHOTS = 24
"""More than this in one check is no check: further shots are ignored."""
SEEN = 512
MOST_WAITING = 8
"""So many dispenses that could not be a shot wait for the group that follows them."""


def is_shot_of(setup: Setup, open_s: float) -> bool:
    """Whether a dispense is as long as a shot of this setup: within 20 %, or 1 s where that is more.

    Flow does not depend on the length, but opening and closing weigh more in a short shot, and a dispense of
    another length was meant for something else. Common practice, no source.
    """
    return abs(open_s - setup.shot_s) <= max(1.0, 0.2 * setup.shot_s)


def why_unusable(dispense: Dispense, setup: Setup) -> str | None:
    """Why a dispense cannot be a shot of a check, in words; None where it can."""
    why = why_no_flow(dispense)
    if why is not None or dispense.open_s is None:
        return why
    if not is_shot_of(setup, dispense.open_s):
        return f"it was open for {dispense.open_s:.1f} s; a shot of this setup takes {setup.shot_s:g} s"
    return None


@dataclass(slots=True)
class Group:
    """Shots that belong together, so far. Times are epoch seconds."""

    gun: str
    setup: Setup
    began_s: float
    check_ids: set[str] = field(default_factory=set)
    by_controller: bool = False
    """The controller says what belongs to it."""
    formal: bool = False
    """Somebody meant it as a check: the controller, or a request that was open."""
    shots: list[Dispense] = field(default_factory=list)
    usable: int = 0
    wanted: int = 0
    last_s: float = 0.0
    """When a shot last ended, or something was last heard of this group."""
    ended_s: float | None = None
    """When it was told to have ended; shots sprayed before that still belong to it."""
    waits_until_s: float | None = None
    """While more shots are asked for: until when they are waited for."""
    cut: bool = False
    """It was ended by a change at the gun."""
    asked_more: bool = False
    more_sent: bool = False
    """The extra shots were asked of the controller: a check it starts now is its answer."""
    more_began: bool = False
    """The extra shots have begun: only now an end is theirs."""
    goes_on: bool = False
    """It takes up a check of the controller whose first shots were the extra ones of the check before."""
    given: int = 0
    """How many shots the last check record given of this group had."""
    said: bool = False

    def over_s(self) -> float:
        """When this group ends by itself."""
        if self.waits_until_s is not None:
            return self.waits_until_s
        if self.ended_s is not None:
            return self.ended_s + GRACE_S
        return self.last_s + GAP_S + self.setup.bleed_s + self.setup.shot_s


@dataclass(frozen=True, slots=True)
class Ripe:
    """A group that is to be judged now."""

    group: Group
    at_s: float
    """When it became so, on the clock of what happened."""
    final: bool
    """Nothing more will come by itself."""
    may_go_on: bool = True
    """More shots of the very same condition could still be asked for."""


class CheckBook:
    """The open groups of a cell, one per gun at most."""

    def __init__(self) -> None:
        self._open: dict[str, Group] = {}
        self._answers: dict[str, list[Dispense]] = {}
        """By gun: the extra shots that completed its last check, all of one check of the controller."""
        self._waiting: dict[str, deque[Dispense]] = {}
        """By gun: what could not be a shot and came before any that could."""
        self._seen: deque[str] = deque(maxlen=SEEN)

    def running(self, gun: str) -> Group | None:
        """The gun's open group, or None."""
        return self._open.get(gun)

    def in_check(self, gun: str) -> bool:
        """Whether a check of this gun was begun whose result is not given yet."""
        group = self._open.get(gun)
        return group is not None and (not group.said or len(group.shots) > group.given)

    def under_way(self, gun: str) -> bool:
        """Whether shots of a check are to come now: it has not ended, and awaits no unbegun extra ones."""
        group = self._open.get(gun)
        if group is None or group.ended_s is not None or not self.in_check(gun):
            return False
        return group.waits_until_s is None or group.more_began

    def started(self, gun: str, setup: Setup, check_id: str, at_s: float) -> list[Ripe]:
        """The controller started a check: a new one, or the extra shots that were asked of it."""
        self._answers.pop(gun, None)
        self._waiting.pop(gun, None)
        group = self._open.get(gun)
        waits = group is not None and group.waits_until_s is not None and group.more_sent
        if group is not None and waits and group.setup == setup:
            group.check_ids.add(check_id)
            group.last_s = max(group.last_s, at_s)
            group.more_began = True
            return []
        ripe = self._end(gun, at_s)
        self._open[gun] = Group(
            gun, setup, at_s, {check_id}, by_controller=True, formal=True, wanted=setup.shots, last_s=at_s
        )
        return ripe

    def ended(self, gun: str, at_s: float) -> None:
        """The controller's check of this gun is over; late results are still waited for."""
        group = self._open.get(gun)
        if group is None or group.ended_s is not None:
            return
        if group.waits_until_s is None or group.more_began:
            group.waits_until_s = None
            group.ended_s = at_s

    def cut(self, gun: str, at_s: float) -> None:
        """Something changed at the gun: what is sprayed from now on is another check."""
        self._waiting.pop(gun, None)
        group = self._open.get(gun)
        if group is None:
            return
        group.waits_until_s = None
        group.cut = True
        if group.ended_s is None:
            group.ended_s = at_s

    def shot(self, dispense: Dispense, setup: Setup, *, asked: bool = False) -> list[Ripe]:
        """A dispense of a known gun with purpose `shot`. One already seen changes nothing.

        `asked`: a request for a check of this gun is open.
        """
        if dispense.gun is None or dispense.id in self._seen:
            return []
        self._seen.append(dispense.id)
        began_s, ended_s = epoch_s(dispense.started_at), epoch_s(dispense.ended_at)
        unusable = why_unusable(dispense, setup)
        ripe: list[Ripe] = []
        group = self._open.get(dispense.gun)
        if group is None or not _belongs(group, dispense, setup, began_s):
            if group is not None and ended_s < group.began_s:
                return []  # an old result, after a newer group had begun
            if unusable is not None and dispense.check_id is None:
                self._wait(dispense, setup, began_s)
                return []
            ripe += self._end(dispense.gun, began_s)
            group = self._open[dispense.gun] = self._new(dispense, setup, began_s, ended_s)
        if len(group.shots) >= MOST_SHOTS:
            return ripe
        if dispense.check_id is not None:
            group.check_ids.add(dispense.check_id)
            group.by_controller = True
        # What goes on from the answer to a request is a check if it has all the shots of one, else a rest.
        group.formal = group.formal or ((group.by_controller or asked) and not group.goes_on)
        group.shots.append(dispense)
        group.shots.sort(key=lambda shot: shot.started_at)
        group.usable += unusable is None
        group.more_began = group.waits_until_s is not None
        group.last_s = max(group.last_s, ended_s)
        if unusable is None and group.usable >= group.wanted and not (group.said and group.by_controller):
            ripe.append(Ripe(group, ended_s, final=False))
        return ripe

    def passed(self, now_s: float) -> list[Ripe]:
        """Groups that ended by `now_s`, in the order of their ends."""
        over = sorted((group.over_s(), group.gun) for group in self._open.values() if group.over_s() <= now_s)
        return [ripe for at_s, gun in over for ripe in self._end(gun, at_s, told=True)]

    def wait_for_more(self, group: Group, shots: int, until_s: float) -> None:
        """More shots of a group are asked for; it goes on, and waits for them."""
        self._open[group.gun] = group
        group.wanted = group.usable + shots
        group.asked_more = True
        group.more_sent = group.more_began = False
        group.ended_s = None
        group.waits_until_s = until_s

    def no_more(self, gun: str, at_s: float) -> list[Ripe]:
        """The extra shots will not come."""
        group = self._open.get(gun)
        if group is None or group.waits_until_s is None:
            return []
        return self._end(gun, at_s)

    def said(self, group: Group, closed: bool) -> None:
        """A check record was given of this group; `closed` where no further shot can belong to it."""
        group.given, group.said = len(group.shots), True
        last = group.shots[-1].check_id if group.shots else None
        mine = [shot for shot in group.shots if shot.check_id == last]
        if closed and group.asked_more and last is not None and len(mine) < len(group.shots):
            self._answers[group.gun] = mine
        if closed and self._open.get(group.gun) is group:
            del self._open[group.gun]

    def _new(self, dispense: Dispense, setup: Setup, began_s: float, ended_s: float) -> Group:
        """A group that begins with a dispense.

        The controller may answer a request for a few more shots with a whole check: its first shots completed
        the check before, and count in its own as well.
        """
        gun = dispense.gun or ""
        group = Group(gun, setup, began_s, wanted=setup.shots, last_s=ended_s)
        earlier = self._answers.get(gun, [])
        if earlier and earlier[-1].check_id == dispense.check_id:
            del self._answers[gun]
            group.shots, group.goes_on = list(earlier), True
            group.usable = sum(why_unusable(shot, setup) is None for shot in earlier)
            group.began_s = epoch_s(earlier[0].started_at)
        elif dispense.check_id is None:
            group.shots = self._waited(gun, setup, began_s)
        return group

    def _wait(self, dispense: Dispense, setup: Setup, began_s: float) -> None:
        """A trial of another length, or a spoiled one: no check begins with it."""
        gun = dispense.gun or ""
        before = self._waited(gun, setup, began_s)
        self._waiting[gun] = deque([*before, dispense], maxlen=MOST_WAITING)

    def _waited(self, gun: str, setup: Setup, began_s: float) -> list[Dispense]:
        """What waits for a group of this setup that begins, or goes on to wait, at `began_s`."""
        before = self._waiting.pop(gun, deque())
        if not before or began_s - epoch_s(before[-1].ended_at) > GAP_S:
            return []
        return [one for one in before if one.setup in (None, setup.name)]

    def forget(self, used: Iterable[str]) -> None:
        """Shots that a check of the journal already told of: never used again."""
        self._seen.extend(used)

    def _end(self, gun: str, at_s: float, told: bool = False) -> list[Ripe]:
        group = self._open.pop(gun, None)
        if group is None:
            return []
        news = len(group.shots) > group.given or (group.by_controller and not group.said)
        goes_on = told and group.ended_s is not None and not group.cut
        return [Ripe(group, at_s, final=True, may_go_on=goes_on)] if news else []


def _belongs(group: Group, dispense: Dispense, setup: Setup, began_s: float) -> bool:
    if dispense.check_id is not None and dispense.check_id in group.check_ids:
        return True
    if group.setup != setup:
        return False
    if group.ended_s is not None and began_s >= group.ended_s:
        return False
    if group.by_controller:
        # The controller names this dispense's check, and it is another one than it named before.
        named = dispense.check_id is not None and bool(group.shots)
        other = named and any(shot.check_id not in (None, dispense.check_id) for shot in group.shots)
        return not other or group.waits_until_s is not None
    if group.waits_until_s is not None:
        return True
    return dispense.check_id is None and began_s - group.last_s <= GAP_S
