"""How a question is answered with a thumb: fields and buttons by the kind of its answer, put together as it is typed.

What an answer means is told by `dialogue.entries`, as at the keyboard.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from advisor.dialogue.asked import Standing
from advisor.job_setup.setup import CO_BASES
from advisor.log.check_items import (
    BOILER,
    CHECK_ITEMS,
    CO_LIMIT,
    COVER,
    EXTRAS,
    NEW_VALVE,
    PLATE_PRESSURE,
    REASON,
    SAMPLE_LINE,
    STANDING,
    TEST_POINTS,
    YES_NO,
    plate_unit,
)
from advisor.procedure.progress import answered
from advisor.procedure.stages import BEFORE, PROOF, PROOF_AT_FIRING, VALVE, Question, questions_of
from advisor.response.situation import Situation
from advisor.wording.page import page_text

Keypad = Literal["decimal", "text", "date"]
CHOICE = "choice"  # name of the button that was tapped
SAVE = "save"
LEAVE_OUT = "leave out"
PRESSURES = ("mbar", "kPa", "Pa", "hPa", "psi", "inH2O")
POWERS = ("kW", "Btu/h")
HEATING_VALUES = ("MJ/m3", "kWh/m3", "Btu/ft3")
DIALS = ("m3", "l", "ft3")
WITH_YES = {(EXTRAS, "no"): "yes-without", (EXTRAS, "yes"): "yes-with"}  # beside "Yes; tight"
BOTH = ";"  # parts what one button answers
# facts for the record, asked on one page; nothing of it is a danger
FACTS = ("maker's instructions", CO_LIMIT, BOILER, REASON, "analyser", NEW_VALVE)
AFTER = MappingProxyType(  # what comes right after it anyway, on the same page
    {"water trap": SAMPLE_LINE, PLATE_PRESSURE: STANDING, COVER: EXTRAS, "adjusters sealed": TEST_POINTS}
)


@dataclass(frozen=True)
class Field:
    """One field: its name in the form, its label, the keypad that comes up; `options` where one of them is chosen."""

    name: str
    label: str
    keypad: Keypad = "decimal"
    needed: bool = True
    options: tuple[str, ...] = ()


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
        filled = [word for word, field in zip(words, self.fields, strict=True) if word and not field.options]
        if not filled and choice == SAVE:
            return ""
        after = "" if choice == SAVE else choice
        if self.joined == "; ":
            while words and not words[-1]:
                words.pop()
            return "; ".join(filter(None, [after, *words]) if after else words)
        if self.joined == "meter":
            return f"{words[0]} {after} {words[1]}"
        return f"{self.joined.join(words)} {after}".strip()


@dataclass(frozen=True)
class Sheet:
    """One page: the question that is asked, and those that are answered with it (`together`).

    buttons  for all of them
    says     on the fields
    """

    questions: tuple[Question, ...]
    forms: tuple[Form, ...]
    buttons: tuple[Button, ...]
    says: str = ""

    @property
    def headline(self) -> tuple[str, ...]:
        """What is asked in large type: all that a button answers."""
        more = (each for each, form in zip(self.questions[1:], self.forms[1:], strict=True) if not form.fields)
        return tuple(each.asks for each in (self.questions[0], *more))

    @property
    def fields(self) -> tuple[Field, ...]:
        """All fields."""
        return tuple(field for form in self.forms for field in form.fields)

    @property
    def why(self) -> tuple[str, ...]:
        """Why each is asked."""
        return tuple(question.words.why for question in self.questions)

    def typed(self, given: Mapping[str, str]) -> list[tuple[Question, str]]:
        """What was answered, as it would be typed at the keyboard, question by question.

        A figure that is left empty beside another is asked next, by itself.
        """
        first, *more = given.get(CHOICE, SAVE).split(BOTH)
        answers = [(self.questions[0], self.forms[0].typed({**given, CHOICE: first}))]
        for question, form in zip(self.questions[1:], self.forms[1:], strict=True):
            if not form.fields:
                answers += [(question, more[0])] if more else []
                continue
            words = form.typed({**given, CHOICE: first if first in PRESSURES or first == LEAVE_OUT else SAVE})
            answers += [(question, words)] if question.optional or given.get(question.item) else []
        return answers


def sheet_of(now: Standing) -> Sheet | None:
    """The page of what is asked now; None where it is no question."""
    if now.asked is None or now.asked.question is None:
        return None
    first, *others = questions = together(now)
    forms = [form_of(question, now.situation) for question in questions]
    buttons = forms[0].buttons
    if others and not forms[1].fields:
        no = Button("no", page_text("no-of", what=_name(first.item)))
        buttons = (*(_with_yes(others[0].item, button) for button in forms[1].buttons), no)
        if others[0].usual == "no":
            buttons = (buttons[1], buttons[0], no)
    elif first.item in FACTS:
        forms = [_chosen(form) if form.fields and others else form for form in forms]
        buttons = forms[0].buttons
        if others and not forms[0].fields:
            buttons = (Button("yes", page_text("yes-facts")), Button("no", page_text("no-facts")))
    return Sheet(questions, tuple(forms), buttons, page_text("facts") if first.item in FACTS and others else "")


def together(now: Standing) -> tuple[Question, ...]:
    """The question that is asked, and what one page asks with it: facts for the record, or what comes next anyway.

    Never two dangers: what is done or not and harmless (`usual` "yes") goes with one that is none of the like.
    """
    assert now.asked
    assert now.state
    assert now.asked.question
    first, situation = now.asked.question, now.situation
    items = FACTS if first.item in FACTS else (AFTER.get(first.item, ""),)
    stages = (BEFORE, VALVE) if first.item in FACTS else (now.state.stage,)
    more = [
        each
        for stage in stages
        for each in (*questions_of(stage, situation.setup), *(PROOF_AT_FIRING["high"] if stage is PROOF else ()))
        if each.item in items and now.progress.of(stage).state == "open" and answered(situation, stage, each) is None
    ]
    return (first, *(each for each in more if each != first))


def decimal(words: str) -> str:
    """A figure of a field of its own, where a comma can only be the decimal one."""
    words = words.strip()
    return words.replace(",", ".") if words.count(",") == 1 and "." not in words else words


def form_of(question: Question, situation: Situation) -> Form:
    """The form of a question, by the kind of its answer."""
    check, item, setup = question.check, question.item, situation.setup
    unit = plate_unit(item, setup)
    asks = question.asks
    match check.kind:
        case "choice":
            more = [_beside(other, situation) for other in question.more]
            return Form(tuple(filter(None, more)), (*_both(question), *_choices(check.choices)), "; ")
        case "number" if check.unit or unit:
            figures = {item: check.unit or unit, **{other: CHECK_ITEMS[other].unit for other in question.more}}
            fields = [Field(name, page_text("figure", what=_name(name), unit=figures[name])) for name in figures]
            return Form(tuple(fields), _save(question), "; ")
        case "number":
            return Form((Field(item, _name(item)),), _units(PRESSURES, question))
        case "pressure range":
            return Form(_range(item), _units(PRESSURES, question), ":")
        case "power range":
            return Form(_range(item), _units(POWERS, question), ":")
        case "heating value":
            return Form((Field(item, _name(item)),), _units(HEATING_VALUES, question))
        case "co limit":
            return Form((Field(item, page_text("co-limit", what=_name(item))),), _units(tuple(CO_BASES), question))
        case "meter gas":
            gas = tuple(Field(name, page_text(f"gas-{name}")) for name in ("c", "mbar", "base_c"))
            return Form(gas, _save(question))
        case "meter":
            timed = Field("dial", page_text("dial")), Field("seconds", page_text("seconds"))
            return Form(timed, _units(DIALS, question), "meter")
        case "date":
            return Form((Field(item, asks, "date"),), _save(question))
    parts = [Field(each, _name(each), _keypad(each), each == item) for each in (item, *question.more)]
    return Form(tuple(parts), _save(question), "; ")


def _with_yes(item: str, button: Button) -> Button:
    """A button that says yes to what comes first, and its own of the other."""
    return Button(
        f"yes{BOTH}{button.value}", page_text(WITH_YES.get((item, button.value), "yes-and"), what=button.label.lower())
    )


def _chosen(form: Form) -> Form:
    """A form whose unit is chosen from a list instead of with the button that saves."""
    units = tuple(button.value for button in form.buttons if button.value not in (SAVE, LEAVE_OUT))
    if not units:
        return form
    saves = (Button(SAVE, page_text("save")), *(button for button in form.buttons if button.value == LEAVE_OUT))
    return Form((*form.fields, Field("unit", page_text("stated-in"), "text", False, ("", *units))), saves, form.joined)


def _typed(field: Field, words: str) -> str:
    return decimal(words) if field.keypad == "decimal" else " ".join(words.replace(";", ",").split())


def _beside(item: str, situation: Situation) -> Field | None:
    """A field for what one tap may give beside a choice; None for another choice, which is asked next."""
    check = CHECK_ITEMS[item]
    if check.kind == "choice":
        return None
    unit = plate_unit(item, situation.setup)
    if check.kind == "number":
        return Field(item, page_text("read-already", what=_name(item), unit=unit), "decimal", False) if unit else None
    return Field(item, _name(item), _keypad(item), False)


def _keypad(item: str) -> Keypad:
    kind = CHECK_ITEMS[item].kind
    return "date" if kind == "date" else "text" if kind in ("text", "choice") else "decimal"


def _name(item: str) -> str:
    return item[0].upper() + item[1:]


def _range(item: str) -> tuple[Field, ...]:
    return Field("low", page_text("range-from", what=_name(item))), Field("high", page_text("range-to"))


def _choices(choices: tuple[str, ...]) -> tuple[Button, ...]:
    return tuple(Button(choice, choice.capitalize() if choice in YES_NO else _name(choice)) for choice in choices)


def _both(question: Question) -> tuple[Button, ...]:
    """One tap for a choice that holds for this and for what is asked next: the way of both screws."""
    others = [CHECK_ITEMS[other] for other in question.more]
    if len(others) != 1 or others[0].choices != question.check.choices:
        return ()
    return tuple(
        Button(f"{choice} {choice}", page_text("both-screws", what=_name(choice)))
        for choice in question.check.choices[:2]
    )


def _save(question: Question) -> tuple[Button, ...]:
    return (Button(SAVE, page_text("save")), *_left_out(question))


def _units(names: tuple[str, ...], question: Question) -> tuple[Button, ...]:
    return (*(Button(name, page_text("save-in", unit=name)) for name in names), *_left_out(question))


def _left_out(question: Question) -> tuple[Button, ...]:
    return (Button(LEAVE_OUT, page_text("leave-out")),) if question.optional else ()
