"""What the checks of a log say about the setup: ranges of the data plate, directions of the screws, temperatures.

What `open` did not give is asked for in the visit and kept as checks; a later check wins over an earlier one.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from types import MappingProxyType

from advisor import parsing, units
from advisor.errors import RangeError
from advisor.job_setup.setup import JobSetup
from advisor.log.check_items import (
    ANALYSER_SERIAL,
    BOILER,
    CALIBRATED,
    CO_LIMIT,
    HEATING_VALUE,
    NEW_VALVE,
    PLATE_INPUT,
    PLATE_PRESSURE,
    REASON,
    SERIAL,
    STANDING,
    WORKING,
    clockwise_item,
)
from advisor.log.events import Event, Row, firing_at_rows
from advisor.screws import DIRECTIONS, SCREWS, Firing

Convert = Callable[[float, str], float]  # a value and its unit to the value in one unit

TEXTS: Mapping[str, str] = MappingProxyType({  # facts of the record by their check
    "site": "site", "analyser": "analyser", BOILER: "boiler", SERIAL: "serial", REASON: "reason", NEW_VALVE: "valve",
    ANALYSER_SERIAL: "analyser_serial", "technician": "technician", CALIBRATED: "calibrated",
})  # fmt: skip
_PLATE = frozenset({PLATE_PRESSURE, PLATE_INPUT, HEATING_VALUE, CO_LIMIT})


def with_site_facts(setup: JobSetup, rows: Sequence[Row]) -> JobSetup:
    """The setup with what was found out on site. What can't be read is left out.

    The inlet pressure range stands for standing and working pressure where `open` gave none. Site, analyser, CO limit,
    range of the input rate and heating value likewise. The way of a screw is that of its latest check.
    """
    checks = [row.event for row in rows if row.event.event == "check"]
    directions = dict(setup.clockwise)
    for event in checks:
        for screw in SCREWS:
            if event.item == clockwise_item(screw) and event.value in DIRECTIONS:
                directions[screw] = event.value
    setup = setup if directions == setup.clockwise else replace(setup, clockwise=directions)
    latest = {event.item: event for event in checks}
    for item in _PLATE & latest.keys():
        with suppress(RangeError, IndexError):
            setup = _with(setup, item, latest[item].value, latest[item].unit)
    texts = {name: latest[item].value for item, name in TEXTS.items() if item in latest and not getattr(setup, name)}
    return replace(setup, **texts) if texts else setup  # type: ignore[arg-type]  # all of them texts


def _with(setup: JobSetup, item: str, value: str, unit: str) -> JobSetup:
    if item in (PLATE_PRESSURE, PLATE_INPUT):
        plate = (*parsing.parse_range(value, item), unit)
        if item == PLATE_INPUT:
            return setup if setup.input_rate else replace(setup, input_rate=plate)
        return replace(setup, pressures={STANDING: plate, WORKING: plate, **setup.pressures})
    if item == CO_LIMIT:
        return setup if setup.stated_co_limit else replace(setup, co_limit=(parsing.parse_number(value, item), unit))
    return setup if setup.heating_value else replace(setup, heating_value=(parsing.parse_number(value, item), unit))


def pressure_in_plate_unit(setup: JobSetup, check: Event) -> float:
    """A logged gas pressure in the unit of its range on the data plate; RangeError where it can't be read."""
    unit = setup.pressures[check.item][2]
    return units.convert_pressure(parsing.parse_number(check.value, check.item), check.unit, unit)


def input_kw(value: float, unit: str) -> float:
    """A logged input rate in kW; kW where no unit was logged. RangeError for an unknown unit."""
    return units.power_kw(value, unit or "kW")


def latest_value(rows: Iterable[Row], item: str, to: Convert, firing: Firing | None = None) -> float | None:
    """Value of the latest check of this name (made while the boiler ran at `firing`), converted by `to`.

    None where there is none, or where its number or unit can't be read.
    """
    rows = list(rows)
    running, found = firing_at_rows(rows), None
    for row in rows:
        event = row.event
        if event.event == "check" and event.item == item and firing in (None, running[row.number]):
            found = None
            with suppress(RangeError):
                found = to(parsing.parse_number(event.value, item), event.unit)
    return found


def temperature_c(rows: Sequence[Row], reading: Row, item: str) -> float | None:
    """The temperature entered nearest to a reading, at its rate and between the same two turns, C."""
    running = firing_at_rows(rows)
    turned_s = [row.at_s for row in rows if row.event.event == "turn"]
    since_s = max((at_s for at_s in turned_s if at_s < reading.at_s), default=float("-inf"))
    until_s = min((at_s for at_s in turned_s if at_s >= reading.at_s), default=float("inf"))
    entered = [
        row
        for row in rows
        if row.event.event == "check"
        and row.event.item == item
        and running[row.number] == reading.event.firing
        and since_s <= row.at_s <= until_s
    ]
    for row in sorted(entered, key=lambda row: abs(row.at_s - reading.at_s)):
        with suppress(RangeError):
            return units.celsius(parsing.parse_number(row.event.value, item), row.event.unit)
    return None


def answers_by_item(rows: Iterable[Row]) -> Mapping[str, str]:
    """The latest answer to each check with its unit, by its item."""
    checks = (row.event for row in rows if row.event.event == "check")
    return {event.item: f"{event.value} {event.unit}".strip() for event in checks}
