"""What was told on site completes the facts: what `open` did not give, asked for in the visit and kept as checks."""

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import replace

from advisor import units
from advisor.errors import RangeError
from advisor.job_setup.setup import Facts
from advisor.log.events import Event
from advisor.procedure.stages import HEATING_VALUE, PLATE_INPUT, PLATE_PRESSURE, STANDING, WORKING

_TOLD = (PLATE_PRESSURE, PLATE_INPUT, HEATING_VALUE, "site", "analyser")


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
