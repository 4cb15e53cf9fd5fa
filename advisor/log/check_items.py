"""Names of checks and notes, what may be answered to each, and which answers let the work go on.

The questions in words are in `wording.visit`, their order in `procedure.stages`. Common practice, no source.
"""

import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from types import MappingProxyType
from typing import Any, Literal

from advisor import parsing, units
from advisor.chemistry import gas_meter
from advisor.errors import RangeError
from advisor.job_setup.setup import CHANGES_VALVE, JobSetup, checked_co_limit, checked_heating_value
from advisor.log.events import Event
from advisor.screws import DIRECTIONS, SCREWS

Kind = Literal[
    "choice",
    "number",
    "pressure range",
    "power range",
    "heating value",
    "meter gas",
    "meter",
    "date",
    "co limit",
    "text",
]

# items of the notes that the visit is followed by; their value names what it is about, their note says why
SKIPPED, LEFT_OUT, CUT_SHORT = "skipped stage", "not measured", "wait cut short"
TRACE = "trace"  # of the note that says which stored series was taken, and its shift

SAMPLE_LINE, TIGHT, LEAKING = "sample line", "tight", "leaking"
STANDING, WORKING, PLATE_PRESSURE = "standing pressure", "working pressure", "inlet pressure range"
PRESSURE_DROP = "pressure drop"
INPUT_RATE, PLATE_INPUT, HEATING_VALUE, METER_GAS = "input rate", "input rate range", "heating value", "gas at meter"
COVER, OPENED_JOINTS, TEST_POINTS, OUTCOME = "cover on", "opened joints", "test points", "appliance left"
CO_ALARM, CO_LIMIT = "CO alarm", "CO limit"
FLUE_C, AIR_C, CALIBRATED = "flue temperature", "air temperature", "calibration date"
CO_CAUSE, MENDED, NOT_FOUND = "cause of CO", "mended", "not found"
ALARMS = GAS_SMELL, ALARM_SOUNDS = "smell of gas", "CO alarm sounds"  # whoever says so leaves the screws
BOILER, SERIAL, REASON, NEW_VALVE = "boiler", "serial number", "reason for visit", "new valve"
ANALYSER_SERIAL, EXTRAS = "analyser serial number", "flue temperature and gas rate"
CLEAN_AIR_O2, CLEAN_AIR_CO = "clean air O2", "clean air CO"
IN_SERVICE, OUT_OF_SERVICE, NONE_OPENED = "in service", "out of service", "none opened"

YES_NO = ("yes", "no")
YES_OR_NO = ("y", "n", *YES_NO)  # as typed
# checks that one answer may give together, parted by blanks or, where they are words, by semicolons
TOGETHER: Mapping[str, tuple[str, ...]] = MappingProxyType({
    BOILER: (SERIAL, "site"), "analyser": (ANALYSER_SERIAL, CALIBRATED), CLEAN_AIR_O2: (CLEAN_AIR_CO,),
    "throttle clockwise": ("offset clockwise",), "other appliances": (WORKING,), OUTCOME: ("technician",),
})  # fmt: skip
_SAME_AS = {"fixed": MENDED, "repaired": MENDED, "none there": "none"}  # other words for an answer


@dataclass(frozen=True)
class CheckItem:
    """One thing that is looked at.

    item      its name in the log
    kind      what an answer is: "choice", "number", "pressure range" or "power range" (LOW:HIGH unit), "heating value",
              "meter gas", "meter" (dial and seconds give kW), "date", "co limit" (with its basis) or "text"
    choices   what may be chosen; `passes` are those that let the visit go on, all where it is empty
    unit      unit of a number, where none is typed; "" takes that of the data plate
    limits    lowest and highest number that can be true, None where only the data plate says
    stops     whether a wrong answer stops the work at once, whichever command it was logged with
    """

    item: str
    kind: Kind = "choice"
    choices: tuple[str, ...] = YES_NO
    passes: tuple[str, ...] = ("yes",)
    unit: str = ""
    limits: tuple[float, float] | None = None
    stops: bool = False


def clockwise_item(screw: str) -> str:
    """Name of the check that tells what a clockwise turn of `screw` does: richer, leaner or unknown."""
    return f"{screw} clockwise"


def _number(item: str, unit: str, low: float, high: float, **more: Any) -> CheckItem:
    return CheckItem(item, "number", (), (), unit, (low, high), **more)


def pressure_item(item: str) -> CheckItem:
    """A gas pressure, compared with the data plate where that says something."""
    return CheckItem(item, "number", (), ())


_TIGHT = CheckItem("", "choice", (TIGHT, LEAKING), (TIGHT,))
CHECK_ITEMS: Mapping[str, CheckItem] = MappingProxyType({
    each.item: each
    for each in (
        CheckItem("maker's instructions", stops=True),
        CheckItem(CO_ALARM, stops=True),
        CheckItem(CO_LIMIT, "co limit", (), ()),
        CheckItem("power off", stops=True),
        CheckItem("gas off", stops=True),
        CheckItem(BOILER, "text", (), ()),
        CheckItem(REASON, "text", (), ()),
        CheckItem("site", "text", (), ()),
        CheckItem("analyser", "text", (), ()),
        CheckItem(CALIBRATED, "date", (), ()),
        _number(CLEAN_AIR_O2, "%", 0.0, 25.0, stops=True),
        _number(CLEAN_AIR_CO, "ppm", 0.0, 10_000.0, stops=True),
        CheckItem("water trap", stops=True),
        replace(_TIGHT, item=SAMPLE_LINE),
        CheckItem("valve fitted", stops=True),
        CheckItem("screws at start", choices=("yes", "no", "not given"), passes=("yes", "not given"), stops=True),
        *(CheckItem(clockwise_item(screw), choices=DIRECTIONS, passes=()) for screw in SCREWS),
        CheckItem(OPENED_JOINTS, choices=(TIGHT, LEAKING, NONE_OPENED), passes=(TIGHT, NONE_OPENED), stops=True),
        CheckItem(PLATE_PRESSURE, "pressure range", (), ()),
        pressure_item(STANDING),
        CheckItem("gas on", stops=True),
        CheckItem("probe in flue", stops=True),
        CheckItem("other appliances", choices=("running", "off", "none"), passes=()),
        pressure_item(WORKING),
        CheckItem(PRESSURE_DROP, stops=True),
        CheckItem(COVER),
        _number(FLUE_C, "C", 5.0, 400.0),
        _number(AIR_C, "C", -40.0, 60.0),
        CheckItem(HEATING_VALUE, "heating value", (), ()),
        CheckItem(PLATE_INPUT, "power range", (), ()),
        CheckItem(METER_GAS, "meter gas", (), ()),
        CheckItem(INPUT_RATE, "meter", (), (), "kW"),
        CheckItem("adjusters sealed"),
        replace(_TIGHT, item=TEST_POINTS, stops=True),
        CheckItem("test mode off"),
        CheckItem("normal start"),
        CheckItem("safety devices"),
        CheckItem(OUTCOME, choices=(IN_SERVICE, OUT_OF_SERVICE), passes=()),
        CheckItem("technician", "text", (), ()),
        CheckItem("copy left"),
        CheckItem(GAS_SMELL, passes=("no",), stops=True),
        CheckItem(ALARM_SOUNDS, passes=("no",), stops=True),
        CheckItem(CO_CAUSE, choices=(MENDED, NOT_FOUND), passes=()),
        CheckItem(SERIAL, "text", (), ()),
        CheckItem(NEW_VALVE, "text", (), ()),
        CheckItem(ANALYSER_SERIAL, "text", (), ()),
        CheckItem(EXTRAS, passes=()),
    )
})  # fmt: skip


def item_of(typed: str) -> str:
    """The name of a check as the log has it: "sample-line" is "sample line"; what is no name of one stays as typed."""
    names = {name.lower(): name for name in CHECK_ITEMS} | {"joints": OPENED_JOINTS, "gas smell": GAS_SMELL}
    names |= {"standing": STANDING, "working": WORKING}
    plain = typed.strip().lower()
    return names.get(plain) or names.get(plain.replace("-", " ")) or typed


def check_item(item: str, setup: JobSetup) -> CheckItem | None:
    """The check of this name in this job: those known here, and the pressures that `open` named."""
    return CHECK_ITEMS.get(item) or (pressure_item(item) if item in setup.pressures else None)


def ask_about_name(item: str, setup: JobSetup) -> None:
    """Raise RangeError for a name that is nearly that of a check with an effect: it would be kept as a mere remark."""
    import difflib  # here, not above: no answer needs it

    with_effect = [SAMPLE_LINE, *map(clockwise_item, SCREWS), *setup.pressures]
    meant = difflib.get_close_matches(item.lower(), with_effect, 1, 0.7)
    if item not in CHECK_ITEMS and item not in with_effect and meant:
        raise RangeError(f"check '{item}': did you mean \"{meant[0]}\"? Put it in quotes, it is one name")


# ---- answers as typed


def parse_answer(item: CheckItem, words: str, setup: JobSetup, today: date) -> tuple[str, str]:
    """An answer as typed -> value and unit of its check row. Raises RangeError for what can't be an answer."""
    words = " ".join(words.split())
    match item.kind:
        case "choice":
            return _choice(item, words), ""
        case "number" | "meter":
            return _measured(item, words, setup)
        case "pressure range" | "power range":
            low, high, unit = parsing.parse_limits(words, item.item)
            (units.pressure_pa if item.kind == "pressure range" else units.power_kw)(low, unit)
            return f"{low:g}:{high:g}", unit
        case "heating value":
            number, _, unit = words.partition(" ")
            value = parsing.parse_number(number, item.item)
            checked_heating_value((value, unit))
            return f"{value:.10g}", unit
        case "meter gas":
            gas_meter.parse_reference_factor(words)
            return words, ""
        case "co limit":
            value, basis = parsing.parse_co_limit(words)
            checked_co_limit((value, basis))
            return f"{value:.10g}", basis
        case "date":
            return parse_date(words, today), ""
    if not words:
        raise RangeError("nothing was typed")
    if words.lower() in YES_OR_NO:
        raise RangeError(f"'{words}' is no answer here: type it in words")
    return words[:200], ""


def _choice(item: CheckItem, words: str) -> str:
    """The choice that was typed, whole or cut short. A yes or a no is never taken for another choice."""
    low = _SAME_AS.get(words.lower(), words.lower())
    if low in item.choices:
        return low
    among = [word for word in YES_NO if word.startswith(low)] or item.choices
    fitting = [choice for choice in item.choices if low and choice.startswith(low) and choice in among]
    if len(fitting) != 1:
        raise RangeError(f"'{words}' is no answer here: type {' or '.join(item.choices)}")
    return fitting[0]


def _measured(item: CheckItem, words: str, setup: JobSetup) -> tuple[str, str]:
    number, _, unit = " ".join(parsing.split_unit(words)).strip().partition(" ")
    unit = unit or item.unit or plate_unit(item.item, setup)
    value = parsing.parse_number(number, item.item)
    if not unit:
        raise RangeError(f"the {item.item} needs its unit, such as {value:g} mbar")
    if not item.unit:
        units.pressure_pa(value, unit)
        if value < 0:
            raise RangeError(f"{item.item} {value:g} {unit}: below 0? Look at the manometer's zero and hose")
    elif unit != item.unit:
        raise RangeError(f"{item.item} in '{unit}': type it in {item.unit}")
    low, high = item.limits or (value, value)
    if not low <= value <= high:
        tenth = f" Did you mean {value / 10:g}?" if low <= value / 10 <= high and value > high else ""
        raise RangeError(f"{item.item} {value:g} {unit} can't be: {low:g} to {high:g} is possible.{tenth}")
    return f"{value:.10g}", unit


_NO_YEAR = ("%d %b ", "%d %B ", "%b %d ", "%B %d ", "%d.%m.")  # the year comes behind
_ORDINAL = re.compile(r"(?<=\d)(?:st|nd|rd|th|\.(?= ))(?: of\b)?", re.IGNORECASE)  # 3rd of May, 3. May


def parse_date(words: str, today: date) -> str:
    """A date as people write it -> as 2026-02-11; without a year the latest such day up to today.

    One that can be read two ways is asked back. Raises RangeError.
    """
    day = _written_date(words, today)
    if not date(1990, 1, 1) <= day <= today + timedelta(days=1):
        raise RangeError(f"date {words} can't be: it lies in the {'future' if day > today else 'far past'}")
    return day.isoformat()


def _written_date(words: str, today: date) -> date:
    plain = " ".join(_ORDINAL.sub("", words.replace(",", " ")).split())
    for form in ("%Y-%m-%d", "%Y/%m/%d", *(f"{form}{year}" for form in _NO_YEAR for year in ("%Y", "%y"))):
        with suppress(ValueError):
            return datetime.strptime(plain, form).date()
    for year in range(today.year, today.year - 9, -1):  # as far back as one 29 February may lie from the next
        for form in _NO_YEAR:
            with suppress(ValueError):
                day = datetime.strptime(f"{plain} {year}", f"{form}%Y").date()
                if day <= today:
                    return day
    found = []
    for form in ("%d/%m/%Y", "%m/%d/%Y", "%d/%m/%y", "%m/%d/%y"):
        with suppress(ValueError):
            found.append(datetime.strptime(plain.replace("-", "/"), form).date())
    if len(set(found)) == 2:
        raise RangeError(f"date '{words}': {found[0]:%d %b} or {found[1]:%d %b}? Type it as {today:%d %b %Y}")
    if not found:
        raise RangeError(f"date '{words}' can't be read: type it as {today.isoformat()} or {today:%d %b %Y}")
    return found[0]


def plate_unit(item: str, setup: JobSetup) -> str:
    """Unit in which the data plate states a pressure; "" where it says nothing: no unit is guessed."""
    return setup.pressures[item][2] if item in setup.pressures else ""


def ask_back(item: str, value: str, setup: JobSetup) -> None:
    """Raise RangeError for an answer that can't be, with this kind of visit."""
    if item == OPENED_JOINTS and value == NONE_OPENED and setup.visit in CHANGES_VALVE:
        raise RangeError(
            f"{item}: {value}? A {setup.visit} opens joints: type tight or leaking. Was no valve changed on this "
            "visit, start its log with open --visit service"
        )


# ---- answers as logged


@dataclass(frozen=True)
class Problem:
    """Why a logged answer does not let the visit go on: a variant of the finding "not-ready" and its data."""

    variant: str
    data: Mapping[str, Any]

    @property
    def unreadable(self) -> bool:
        """Whether what the log holds in its place is no answer at all."""
        return self.variant == "unreadable"


def problem_of(item: CheckItem, answer: Event, setup: JobSetup) -> Problem | None:
    """Why this logged answer blocks going on; None where it does not."""
    if answer.event == "note" or (item.kind == "text" and answer.value.strip()):
        return None
    about = {"item": item.item}
    tomorrow = (answer.time + timedelta(days=1)).date()  # the latest date that it can name, in whatever time zone
    try:
        value, unit = parse_answer(item, f"{answer.value} {answer.unit}", setup, tomorrow)
        about |= {"value": value, "unit": unit}
        if item.passes and value not in item.passes:
            return Problem("choice", about)
        if item.item in setup.pressures:
            return _outside(about, setup.pressures[item.item], units.convert_pressure)
        if item.item == INPUT_RATE and setup.input_rate:
            return _outside(about, setup.input_rate, units.convert_power)
    except RangeError as error:
        return Problem("unreadable", {**about, "why": str(error)})
    clean_air = {CLEAN_AIR_O2: setup.policy.clean_air_o2_pct, CLEAN_AIR_CO: setup.policy.clean_air_co_ppm}
    if item.item in clean_air:
        low, high = clean_air[item.item]
        if not low <= float(value) <= high:
            return Problem("not_clean_air", {**about, "low": low, "high": high})
    return None


def _outside(about: dict[str, str], plate: tuple[float, float, str], convert: Any) -> Problem | None:
    low, high, plate_unit = plate
    if low <= convert(float(about["value"]), about["unit"], plate_unit) <= high:
        return None
    return Problem("outside_plate", {**about, "low": low, "high": high, "plate_unit": plate_unit})
