"""Answers to the questions of the visit: from what was typed to a check row, and whether it lets the visit go on."""

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import replace
from datetime import date, timedelta

from advisor import units
from advisor.errors import RangeError
from advisor.events import Event
from advisor.facts import Facts
from advisor.stages import (
    CLEAN_AIR_CO_PPM,
    CLEAN_AIR_O2_PCT,
    HEATING_VALUE,
    PLATE_INPUT,
    PLATE_PRESSURE,
    STANDING,
    WORKING,
    Question,
)  # fmt: skip

_CLEAN_AIR = {"clean air O2": CLEAN_AIR_O2_PCT, "clean air CO": CLEAN_AIR_CO_PPM}
_TOLD = (PLATE_PRESSURE, PLATE_INPUT, HEATING_VALUE, "site", "analyser")


def problem(question: Question, value: str, unit: str, facts: Facts, today: date) -> str:
    """Why this answer blocks going on, with what to do first; "" where it does not. Raises RangeError as `typed`."""
    value, unit = typed(question, f"{value} {unit}", facts, today)
    why = ""
    if question.passes and value not in question.passes:
        why = f"{question.item}: {value}."
    elif question.item in facts.pressures:
        low, high, plate_unit = facts.pressures[question.item]
        if not low <= units.convert_pressure(float(value), unit, plate_unit) <= high:
            why = f"{question.item} {value} {unit}: the data plate allows {low:g} to {high:g} {plate_unit}."
    elif question.item in _CLEAN_AIR:
        low, high = _CLEAN_AIR[question.item]
        if not low <= float(value) <= high:
            why = f"{question.item} {value} {unit}: from {low:g} to {high:g} is right."
    return f"{why} {question.stop}".strip() if why else ""


def typed(question: Question, words: str, facts: Facts, today: date) -> tuple[str, str]:
    """An answer as typed -> value and unit of its check row. Raises RangeError for what can't be an answer."""
    words = " ".join(words.split())
    match question.kind:
        case "choice":
            fitting = [choice for choice in question.choices if words and choice.startswith(words.lower())]
            if len(fitting) != 1 and words.lower() not in question.choices:
                raise RangeError(f"'{words}' is no answer here: type {' or '.join(question.choices)}")
            return words.lower() if words.lower() in question.choices else fitting[0], ""
        case "number" | "meter":
            number, _, unit = words.partition(" ")
            unit = unit or question.unit or plate_unit(question.item, facts)
            value = units.parse_number(number, question.item)
            if not question.unit:
                units.pressure_pa(value, unit)
                if value < 0:
                    raise RangeError(
                        f"{question.item} {value:g} {unit}: below 0? Look at the manometer's zero and hose"
                    )
            elif unit != question.unit:
                raise RangeError(f"{question.item} in '{unit}': type it in {question.unit}")
            low, high = question.limits or (value, value)
            if not low <= value <= high:
                tenth = f" Did you mean {value / 10:g}?" if low <= value / 10 <= high and value > high else ""
                raise RangeError(f"{question.item} {value:g} {unit} can't be: {low:g} to {high:g} is possible.{tenth}")
            return f"{value:.10g}", unit
        case "range":
            limits, unit = parse_plate_range(words, question.item)
            return limits, unit
        case "date":
            return _date(words, today), ""
    if not words:
        raise RangeError("nothing was typed")
    return words[:200], ""


def parse_plate_range(words: str, what: str) -> tuple[str, str]:
    """ "17:25 mbar" -> ("17:25", "mbar"), a pressure range of the data plate."""
    limits, _, unit = words.strip().partition(" ")
    low, high = units.parse_range(limits, what)
    if not unit:
        raise RangeError(f"{what} '{words}' needs its unit, such as {low:g}:{high:g} mbar")
    units.pressure_pa(low, unit)
    if low <= 0:
        raise RangeError(f"{what} '{words}': two rising numbers above 0 are needed")
    return f"{low:g}:{high:g}", unit


def _date(words: str, today: date) -> str:
    try:
        day = date.fromisoformat(words)
    except ValueError:
        raise RangeError(f"date '{words}' can't be read: type it as {today.isoformat()}") from None
    if not date(1990, 1, 1) <= day <= today + timedelta(days=1):
        raise RangeError(f"date {words} can't be: it lies in the {'future' if day > today else 'far past'}")
    return day.isoformat()


def plate_unit(item: str, facts: Facts) -> str:
    """Unit in which the data plate states a pressure; mbar where it says nothing."""
    return facts.pressures[item][2] if item in facts.pressures else "mbar"


def facts_on_site(facts: Facts, events: Iterable[Event]) -> Facts:
    """The facts completed by what was told on site as checks; a later check wins over an earlier one.

    The inlet pressure range stands for standing and working pressure where `open` gave none. Site and analyser,
    range of the input rate and heating value likewise. What can't be read is left out.
    """
    told = {event.item: event for event in events if event.event == "check" and event.item in _TOLD}
    for item, event in told.items():
        with suppress(RangeError, IndexError):
            facts = _with(facts, item, event.value, event.unit)
    return facts


def _with(facts: Facts, item: str, value: str, unit: str) -> Facts:
    if item in (PLATE_PRESSURE, PLATE_INPUT):
        plate = (*units.parse_range(value, item), unit)
        if item == PLATE_INPUT:
            return facts if facts.input_rate else replace(facts, input_rate=plate)
        return replace(facts, pressures={STANDING: plate, WORKING: plate, **facts.pressures})
    if item == HEATING_VALUE:
        return facts if facts.heating_value else replace(facts, heating_value=(units.parse_number(value, item), unit))
    if item == "site":
        return facts if facts.site else replace(facts, site=value)
    return facts if facts.analyser else replace(facts, analyser=value)
