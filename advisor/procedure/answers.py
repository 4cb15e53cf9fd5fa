"""Answers to the questions of the visit: from what was typed to a check row, and whether it lets the visit go on."""

import re
from dataclasses import replace
from datetime import date, timedelta
from typing import NamedTuple

from advisor import units
from advisor.diagnosis import measured
from advisor.errors import RangeError
from advisor.job_setup.setup import OPENS_JOINTS, Facts
from advisor.log.events import Event
from advisor.procedure import stages
from advisor.procedure.stages import (
    CLEAN_AIR_CO_PPM,
    CLEAN_AIR_O2_PCT,
    INPUT_RATE,
    MENDED,
    NONE_OPENED,
    OPENED_JOINTS,
    PRESSURE_DROP,
    RECORD,
    STAGES,
    YES_NO,
    Question,
)
from advisor.response.situation import Visit
from advisor.response.tracker import Row

_CLEAN_AIR = {"clean air O2": CLEAN_AIR_O2_PCT, "clean air CO": CLEAN_AIR_CO_PPM}
SAME_AS = {"fixed": MENDED, "repaired": MENDED}  # other words for an answer
_LIMITS = re.compile(r"([\d.]+)\s*(?::|-|\u2013|\bto\b|\s)\s*([\d.]+)\s*([A-Za-z].*)?")


class Wrong(NamedTuple):
    """An answer that does not let the visit go on, and why; it stands until the same thing is answered rightly.

    unreadable  whether what the log holds in its place is no answer at all
    """

    row: Row
    why: str
    unreadable: bool = False


def wrong_answers(visit: Visit) -> dict[str, Wrong]:
    """The wrong answers that stand, by item: what was answered last counts, however old; none of the record's.

    Of the input rate that is the latest timed at high fire, which is what the data plate states.
    """
    timed = next(question for question in stages.PROOF_AT_RATE["high"] if question.item == INPUT_RATE)
    asked = [q for stage in STAGES if stage is not RECORD for q in stages.questions_of(stage, visit.facts)]
    running, latest = None, {}
    for row in visit.rows:
        running = row.event.firing or running
        if row.event.event == "check" and (row.event.item != INPUT_RATE or running == "high"):
            latest[row.event.item] = row
    if drop := answer_to(visit, PRESSURE_DROP):
        latest[PRESSURE_DROP] = drop
    wrong = {}
    for question in (*asked, timed):
        answer = latest.get(question.item)
        if answer:
            why, unreadable = why_wrong(question, answer.event, visit.facts)
            if why:
                wrong[question.item] = Wrong(answer, why, unreadable)
    return wrong


def answer_to(visit: Visit, item: str, since_s: float = 0.0) -> Row | None:
    """The answer that counts, since a moment: the latest. A no to the pressure drop stands until one is measured again.

    None where it was not answered.
    """
    since_s = max([since_s, *measured_s(visit)]) if item == PRESSURE_DROP else since_s
    given = [r for r in visit.of("check") if r.event.item == item and r.event.time.timestamp() >= since_s]
    no = [row for row in given if row.event.value == "no"]
    counting = no if item == PRESSURE_DROP and no else given
    return counting[-1] if counting else None


def measured_s(visit: Visit) -> list[float]:
    """When gas pressures were measured, s since 1970."""
    return [row.event.time.timestamp() for row in visit.of("check") if row.event.item in visit.facts.pressures]


def why_wrong(question: Question, answer: Event, facts: Facts) -> tuple[str, bool]:
    """Why this logged answer blocks going on ("" where it does not), and whether it is because it can't be read."""
    if answer.event == "note":
        return "", False
    try:
        return problem(question, answer, facts), False
    except RangeError as error:
        return str(error), True


def problem(question: Question, answer: Event, facts: Facts) -> str:
    """Why this logged answer blocks going on, with what to do first; "" where it does not. RangeError as `typed`."""
    tomorrow = (answer.time + timedelta(days=1)).date()  # the latest date that it can name, in whatever time zone
    value, unit = typed(question, f"{answer.value} {answer.unit}", facts, tomorrow)
    why = ""
    if question.passes and value not in question.passes:
        why = f"{question.item}: {value}."
    elif question.item in facts.pressures:
        low, high, plate_unit = facts.pressures[question.item]
        if not low <= units.convert_pressure(float(value), unit, plate_unit) <= high:
            why = f"{question.item} {value} {unit}: the data plate allows {low:g} to {high:g} {plate_unit}."
    elif question.item == INPUT_RATE and facts.input_rate:
        low, high, plate_unit = facts.input_rate
        if measured.side_of_plate(float(value), facts.input_rate) != "inside":
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
            return _choice(question, words), ""
        case "number" | "meter":
            number, _, unit = " ".join(units.part(words)).strip().partition(" ")
            unit = unit or question.unit or plate_unit(question.item, facts)
            value = units.parse_number(number, question.item)
            if not unit:
                raise RangeError(f"the {question.item} needs its unit, such as {value:g} mbar")
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
        case "pressure range" | "power range":
            low, high, unit = parse_limits(words, question.item)
            (units.pressure_pa if question.kind == "pressure range" else units.power_kw)(low, unit)
            return f"{low:g}:{high:g}", unit
        case "heating value":
            number, _, unit = words.partition(" ")
            value = units.parse_number(number, question.item)
            replace(facts, heating_value=(value, unit))  # refuses what can't be
            return f"{value:.10g}", unit
        case "meter gas":
            from advisor.chemistry import gas_meter as meter  # here, not above: no other answer needs it

            meter.reference_factor_of(words)
            return words, ""
        case "date":
            return _date(words, today), ""
    if not words:
        raise RangeError("nothing was typed")
    return words[:200], ""


def _choice(question: Question, words: str) -> str:
    """The choice that was typed, whole or cut short. A yes or a no is never taken for another choice."""
    low = SAME_AS.get(words.lower(), words.lower())
    if low in question.choices:
        return low
    among = [word for word in YES_NO if word.startswith(low)] or question.choices
    fitting = [choice for choice in question.choices if low and choice.startswith(low) and choice in among]
    if len(fitting) != 1:
        raise RangeError(f"'{words}' is no answer here: type {' or '.join(question.choices)}")
    return fitting[0]


def ask_back(item: str, value: str, facts: Facts) -> None:
    """Raise RangeError for an answer that can't be, with this kind of visit."""
    if item == OPENED_JOINTS and value == NONE_OPENED and facts.visit in OPENS_JOINTS:
        raise RangeError(
            f"{item}: {value}? A {facts.visit} opens joints: type tight or leaking. Was no valve changed on this "
            "visit, start its log with open --visit service"
        )


def parse_limits(words: str, what: str, *, with_unit: bool = True) -> tuple[float, float, str]:
    """ "17:25 mbar", "17-25 mbar" or "17 25 mbar" -> (17.0, 25.0, "mbar"). Raises RangeError for anything else."""
    match = _LIMITS.fullmatch(words.strip())
    low, high = units.parse_range(f"{match[1]}:{match[2]}" if match else words.split(" ")[0], what)
    unit = (match[3] or "") if match else ""
    if with_unit and not unit:
        raise RangeError(f"{what} '{words}' needs its unit at the end")
    if unit and not with_unit:
        raise RangeError(f"{what} '{words}': two numbers only, such as {low:g}:{high:g}")
    if low <= 0:
        raise RangeError(f"{what} '{words}': two rising numbers above 0 are needed")
    return low, high, unit


def _date(words: str, today: date) -> str:
    try:
        day = date.fromisoformat(words)
    except ValueError:
        raise RangeError(f"date '{words}' can't be read: type it as {today.isoformat()}") from None
    if not date(1990, 1, 1) <= day <= today + timedelta(days=1):
        raise RangeError(f"date {words} can't be: it lies in the {'future' if day > today else 'far past'}")
    return day.isoformat()


def plate_unit(item: str, facts: Facts) -> str:
    """Unit in which the data plate states a pressure; "" where it says nothing: no unit is guessed."""
    return facts.pressures[item][2] if item in facts.pressures else ""
