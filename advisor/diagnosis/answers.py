"""Answers of the visit that do not let it go on, and what was measured beside the screws."""

from contextlib import suppress
from typing import NamedTuple

from advisor.chemistry.flue_gas import FlueGas
from advisor.chemistry.gas_meter import pressure_drop
from advisor.errors import RangeError
from advisor.log.check_items import (
    AIR_C,
    CHECK_ITEMS,
    FLUE_C,
    INPUT_RATE,
    OUTCOME,
    PRESSURE_DROP,
    STANDING,
    WORKING,
    Problem,
    check_item,
    problem_of,
)
from advisor.log.events import Row, firing_at_rows
from advisor.log.site_facts import input_kw, latest_value, pressure_in_plate_unit, temperature_c
from advisor.response import reading_checks
from advisor.response.situation import Situation
from advisor.screws import Firing

_OF_THE_RECORD = (OUTCOME, "technician", "copy left")


class Wrong(NamedTuple):
    """An answer that does not let the visit go on, and why; it stands until the same thing is answered rightly."""

    row: Row
    problem: Problem


def wrong_answers(situation: Situation) -> dict[str, Wrong]:
    """The wrong answers that stand, by item: what was answered last counts, however old; none of the record's.

    Of the input rate that is the latest timed at high fire, which is what the data plate states.
    """
    running = firing_at_rows(situation.rows)
    latest = {
        row.event.item: row
        for row in situation.of("check")
        if row.event.item != INPUT_RATE or running[row.number] == "high"
    }
    if drop := answer_to(situation, PRESSURE_DROP):
        latest[PRESSURE_DROP] = drop
    wrong = {}
    for name in (*CHECK_ITEMS, *(name for name in situation.setup.pressures if name not in CHECK_ITEMS)):
        item, answer = check_item(name, situation.setup), latest.get(name)
        if (
            item
            and answer
            and name not in _OF_THE_RECORD
            and (problem := problem_of(item, answer.event, situation.setup))
        ):
            wrong[name] = Wrong(answer, problem)
    return wrong


def answer_to(situation: Situation, item: str, since_s: float = 0.0) -> Row | None:
    """The answer that counts, since a moment: the latest. A no to the pressure drop stands until one is measured again.

    None where it was not answered.
    """
    since_s = max([since_s, *measured_s(situation)]) if item == PRESSURE_DROP else since_s
    given = [row for row in situation.checks(item) if row.at_s >= since_s]
    no = [row for row in given if row.event.value == "no"]
    counting = no if item == PRESSURE_DROP and no else given
    return counting[-1] if counting else None


def measured_s(situation: Situation) -> list[float]:
    """When gas pressures were measured, s since 1970."""
    return [row.at_s for row in situation.of("check") if row.event.item in situation.setup.pressures]


def flue_gas_at(situation: Situation, firing: Firing) -> FlueGas | None:
    """What the latest reading at a rate comes to; None where there is none."""
    reading = situation.latest(firing)
    return None if reading is None else flue_gas_of_row(situation, reading)


def flue_gas_of_row(situation: Situation, reading: Row) -> FlueGas:
    """What a reading comes to, with the temperatures that belong to it."""
    flue_c, air_c = (temperature_c(situation.rows, reading, item) for item in (FLUE_C, AIR_C))
    return reading_checks.flue_gas_of(situation.setup, reading.event, flue_c, air_c)


class Drop(NamedTuple):
    """Drop from standing to working pressure, in the data plate's unit and in percent of standing pressure."""

    value: float
    unit: str
    share_pct: float


def drop_of(situation: Situation) -> Drop | None:
    """The drop from standing to working pressure; None where one of them was not measured."""
    pair = []
    for name in (STANDING, WORKING):
        measured = situation.checks(name)
        with suppress(RangeError):
            if measured and name in situation.setup.pressures:
                value = pressure_in_plate_unit(situation.setup, measured[-1].event)
                pair.append((value, situation.setup.pressures[name][2]))
    if len(pair) < 2:
        return None
    drop, share_pct = pressure_drop(*pair)
    return Drop(drop, pair[0][1], share_pct)


class Input(NamedTuple):
    """The timed input, kW (gross), the rate it was timed at, and where it lies by the data plate's range.

    side  "below", "inside" or "above"; "" where there is nothing to compare with: the data plate's range is for high
          fire
    """

    kw: float
    firing: Firing | None
    side: str


def input_of(situation: Situation) -> Input | None:
    """The timed input, that at high fire before any other; None where it was not timed."""
    at_high_kw = latest_value(situation.rows, INPUT_RATE, input_kw, "high")
    if at_high_kw is None:
        kw = latest_value(situation.rows, INPUT_RATE, input_kw)
        return None if kw is None else Input(kw, None, "")
    plate = situation.setup.input_rate
    if plate is None:
        return Input(at_high_kw, "high", "")
    low, high = (input_kw(value, plate[2]) for value in plate[:2])
    side = "inside" if low <= at_high_kw <= high else "below" if at_high_kw < low else "above"
    return Input(at_high_kw, "high", side)
