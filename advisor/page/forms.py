"""How a question is answered with a thumb: fields and buttons by the kind of its answer, put together as it is typed.

What an answer means is told by `dialogue.entries`, as at the keyboard.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from advisor.job_setup.setup import CO_BASES
from advisor.log.check_items import CHECK_ITEMS, TOGETHER, YES_NO, plate_unit
from advisor.procedure.stages import Question
from advisor.response.situation import Situation

Keypad = Literal["decimal", "text", "date"]
CHOICE = "choice"  # name of the button that was tapped
SAVE = "save"
LEAVE_OUT = "leave out"
PRESSURES = ("mbar", "kPa", "Pa", "hPa", "psi", "inH2O")
POWERS = ("kW", "Btu/h")
HEATING_VALUES = ("MJ/m3", "kWh/m3", "Btu/ft3")
DIALS = ("m3", "l", "ft3")


@dataclass(frozen=True)
class Field:
    """One field: its name in the form, its label, the keypad that comes up."""

    name: str
    label: str
    keypad: Keypad = "decimal"
    needed: bool = True


@dataclass(frozen=True)
class Button:
    """One button that sends the form, and what it says."""

    value: str
    label: str


@dataclass(frozen=True)
class Form:
    """Fields and buttons.

    joined  what stands between the fields as typed; a unit that is a button comes last
    """

    fields: tuple[Field, ...]
    buttons: tuple[Button, ...]
    joined: str = " "

    def typed(self, given: Mapping[str, str]) -> str:
        """The answer as it would be typed at the keyboard."""
        choice = given.get(CHOICE, SAVE)
        if choice == LEAVE_OUT:
            return ""
        words = [_typed(field, given.get(field.name, "")) for field in self.fields]
        if not any(words) and choice == SAVE:
            return ""
        after = "" if choice == SAVE else choice
        if self.joined == "; ":
            while words and not words[-1]:
                words.pop()
            return "; ".join(filter(None, [after, *words]) if after else words)
        if self.joined == "meter":
            return f"{words[0]} {after} {words[1]}"
        return f"{self.joined.join(words)} {after}".strip()


def decimal(words: str) -> str:
    """A figure of a field of its own, where a comma can only be the decimal one."""
    words = words.strip()
    return words.replace(",", ".") if words.count(",") == 1 and "." not in words else words


def form_of(question: Question, situation: Situation) -> Form:
    """The form of a question, by the kind of its answer."""
    check, item, setup = question.check, question.item, situation.setup
    unit = plate_unit(item, setup)
    asks = question.words.asks
    match check.kind:
        case "choice":
            more = [_beside(other, situation) for other in TOGETHER.get(item, ())]
            return Form(tuple(filter(None, more)), (*_both(question), *_choices(check.choices)), "; ")
        case "number" if check.unit or unit:
            also = [Field(other, f"{other}, {CHECK_ITEMS[other].unit}") for other in TOGETHER.get(item, ())]
            return Form((Field(item, f"{_name(item)}, {check.unit or unit}"), *also), _save(question), "; ")
        case "number":
            return Form((Field(item, _name(item)),), _units(PRESSURES, question))
        case "pressure range":
            return Form(_range(item), _units(PRESSURES, question), ":")
        case "power range":
            return Form(_range(item), _units(POWERS, question), ":")
        case "heating value":
            return Form((Field(item, _name(item)),), _units(HEATING_VALUES, question))
        case "co limit":
            return Form((Field(item, _name(item)),), _units(tuple(CO_BASES), question))
        case "meter gas":
            gas = (Field("c", "Gas, °C"), Field("mbar", "Gas, mbar"), Field("base_c", "Heating value's °C"))
            return Form(gas, _save(question))
        case "meter":
            fields = (Field("dial", "Volume on the dial"), Field("seconds", "Seconds it took"))
            return Form(fields, _units(DIALS, question), "meter")
        case "date":
            return Form((Field(item, asks, "date"),), _save(question))
    parts = [Field(each, _name(each), _keypad(each), each == item) for each in (item, *TOGETHER.get(item, ()))]
    return Form(tuple(parts), _save(question), "; ")


def _typed(field: Field, words: str) -> str:
    return decimal(words) if field.keypad == "decimal" else " ".join(words.replace(";", ",").split())


def _beside(item: str, situation: Situation) -> Field | None:
    """A field for what one tap may give beside a choice; None for another choice, which is asked next."""
    check = CHECK_ITEMS[item]
    if check.kind == "choice":
        return None
    unit = plate_unit(item, situation.setup)
    if check.kind == "number":
        return Field(item, f"{_name(item)}, {unit} (if read already)", "decimal", False) if unit else None
    return Field(item, _name(item), _keypad(item), False)


def _keypad(item: str) -> Keypad:
    kind = CHECK_ITEMS[item].kind
    return "date" if kind == "date" else "text" if kind in ("text", "choice") else "decimal"


def _name(item: str) -> str:
    return item[0].upper() + item[1:]


def _range(item: str) -> tuple[Field, ...]:
    return Field("low", f"{_name(item)}: from"), Field("high", "to")


def _choices(choices: tuple[str, ...]) -> tuple[Button, ...]:
    return tuple(Button(choice, choice.capitalize() if choice in YES_NO else _name(choice)) for choice in choices)


def _both(question: Question) -> tuple[Button, ...]:
    """One tap for a choice that holds for this and for what is asked next: the way of both screws."""
    others = [CHECK_ITEMS[other] for other in TOGETHER.get(question.item, ())]
    if len(others) != 1 or others[0].choices != question.check.choices:
        return ()
    return tuple(Button(f"{choice} {choice}", f"{_name(choice)}, both screws") for choice in question.check.choices[:2])


def _save(question: Question) -> tuple[Button, ...]:
    return (Button(SAVE, "Save"), *_left_out(question))


def _units(names: tuple[str, ...], question: Question) -> tuple[Button, ...]:
    return (*(Button(name, f"Save in {name}") for name in names), *_left_out(question))


def _left_out(question: Question) -> tuple[Button, ...]:
    return (Button(LEAVE_OUT, "Leave out"),) if question.optional else ()
