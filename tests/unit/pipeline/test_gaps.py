"""What is missing of the input is counted and told, and nothing else is."""

from __future__ import annotations

from agent.contract.inputs import ControllerEvent, ScaleReading
from agent.contract.plan import Cell, Gun, Plan, Scale
from agent.pipeline.cell_line import CellLine
from agent.pipeline.gaps import MOST_TOLD, TOLD_EVERY_S, Gaps


def reading(seq: int | None, scale: str = "bench") -> ScaleReading:
    return ScaleReading("dock", scale, 0.0, 0.0, 1.0, seq=seq)


def opened(event_id: str, gun: str = "port", **more: object) -> ControllerEvent:
    words = {"gun": gun, "purpose": "shot", **more}
    return ControllerEvent("dock", "gun_opened", 1_800_000_000.0, 0.0, event_id, **words)  # type: ignore[arg-type]


def test_a_gap_is_told_to_the_number_and_once() -> None:
    gaps = Gaps("dock")
    for seq in (1, 2, 3, 40, 41):
        gaps.reading(reading(seq))
    assert gaps.to_tell(100.0) == "dock: missing are readings 4 to 39 of scale bench (36)"
    assert gaps.to_tell(200.0) is None
    assert gaps.missing == 36


def test_single_readings_are_counted_and_nobody_is_called() -> None:
    gaps = Gaps("dock")
    for seq in (1, 3, 5, 7):
        gaps.reading(reading(seq))
    assert gaps.to_tell(100.0) is None
    assert gaps.missing == 3


def test_late_repeated_and_unnumbered_readings_and_a_scale_that_begins_anew_are_no_gaps() -> None:
    gaps = Gaps("dock")
    for seq in (5000, 5001, 5000, 4990, None, 5002, 1, 2, 3):
        gaps.reading(reading(seq))
    assert gaps.missing == 0


def test_gaps_of_a_bad_line_are_told_together() -> None:
    gaps = Gaps("dock")
    gaps.reading(reading(1))
    gaps.reading(reading(11))
    assert gaps.to_tell(100.0) is not None
    gaps.reading(reading(21))
    gaps.reading(reading(31))
    assert gaps.to_tell(100.0 + TOLD_EVERY_S / 2) is None
    told = gaps.to_tell(100.0 + TOLD_EVERY_S)
    assert told is not None
    assert told.count("readings") == 2


def test_a_restart_knows_the_last_number() -> None:
    gaps = Gaps("dock")
    gaps.reading(reading(7))
    again = Gaps("dock")
    again.restore(gaps.kept())
    again.reading(reading(20))
    assert again.missing == 12


def test_a_told_shot_without_a_dispense_is_declared_by_gun_and_time() -> None:
    gaps = Gaps("dock")
    for event in (opened("a"), opened("b", "starboard"), opened("c"), opened("d", purpose="job")):
        gaps.opened(event)
    gaps.measured("a")
    gaps.settled({"c", "d"}, belated=0)
    told = gaps.to_tell(100.0)
    assert told == "dock: missing are the shot of gun starboard at 2027-01-15T08:00:00.000Z: not measured"
    gaps.settled(set(), belated=1)  # c was told by the scale alone before
    assert gaps.to_tell(200.0) is None


def test_what_was_found_and_not_told_yet_survives_a_crash() -> None:
    gaps = Gaps("dock")
    gaps.opened(opened("a"))
    gaps.settled(set(), belated=0)
    again = Gaps("dock")
    again.restore(gaps.kept())
    told = again.to_tell(100.0)
    assert told is not None
    assert "gun port" in told


def test_every_shot_is_named_before_the_readings_are() -> None:
    gaps = Gaps("dock")
    for seq in range(1, 40 * MOST_TOLD, 20):
        gaps.reading(reading(seq))
    gaps.opened(opened("a"))
    gaps.settled(set(), belated=0)
    told = gaps.to_tell(100.0)
    assert told is not None
    assert told.startswith("dock: missing are the shot of gun port")
    assert told.endswith(" more")


def test_a_shot_given_up_just_before_a_crash_is_told_by_the_next_run() -> None:
    cell = Cell("dock", (Scale("bench", 0.1, 5000.0),), (Gun("port", "bench"), Gun("starboard", "bench")))
    plan = Plan("edge", "yard", "Europe/Helsinki", (cell,), (), ())
    t = 1_800_000_000.0

    def told(event: str, gun: str, at_s: float, number: int) -> ControllerEvent:
        return ControllerEvent("dock", event, at_s, at_s, f"e{number}", gun=gun, purpose="shot")  # type: ignore[arg-type]

    line = CellLine(cell, plan)
    line.take(told("gun_opened", "port", t, 1))
    # Its closing was lost and no scale ever spoke: it is given up in the moment in which an event comes.
    line.take(told("gun_opened", "port", t + 40.0, 2))
    line.take(told("gun_opened", "port", t + 80.0, 3))
    assert [event.event_id for event in line.detector.awaited()] == ["e2", "e3"]
    again = CellLine(cell, plan)
    again.restore((), (), line.kept())
    missing = again.missing(t + 41.0)
    assert missing is not None
    assert "the shot of gun port at 2027-01-15T08:00:00.000Z: not measured" in missing
