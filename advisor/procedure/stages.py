"""The stages of the visit as data: what is asked in which order, and how. Nothing here prints.

The order and the questions are common practice, no source; the words are in `wording.visit`. An answer is a `check`
row (item, value, unit); a question left out, a stage skipped, a wait cut short are `note` rows, each with its reason.
What is on the data plate is told by the user, at `open` or when asked; no limit of an appliance is built in.
"""

from dataclasses import dataclass, replace

from advisor.errors import RangeError
from advisor.job_setup.setup import CHANGES_VALVE, VISITS, JobSetup
from advisor.log.check_items import (
    AIR_C,
    BOILER,
    CHECK_ITEMS,
    CLEAN_AIR_CO,
    CLEAN_AIR_O2,
    CO_ALARM,
    CO_LIMIT,
    COVER,
    EXTRAS,
    FLUE_C,
    HEATING_VALUE,
    INPUT_RATE,
    METER_GAS,
    NEW_VALVE,
    OPENED_JOINTS,
    OUTCOME,
    PLATE_INPUT,
    PLATE_PRESSURE,
    PRESSURE_DROP,
    REASON,
    SAMPLE_LINE,
    STANDING,
    TEST_POINTS,
    TOGETHER,
    WORKING,
    CheckItem,
    clockwise_item,
    pressure_item,
)
from advisor.log.site_facts import TEXTS
from advisor.screws import SCREWS, Firing
from advisor.wording.visit import QUESTIONS, QuestionWords, StageWords, pressure_words
from advisor.wording.visit import STAGES as STAGE_WORDS


@dataclass(frozen=True)
class Question:
    """One question of the visit, answered by a check row.

    check     what is looked at
    usual     answer on Enter; "" where there is none
    optional  whether Enter leaves it out (a `not measured` note)
    needs     item without which it is not asked
    visits    kinds of visit that ask it
    more      items that the same answer may give, as far as they are not known
    """

    check: CheckItem
    usual: str = ""
    optional: bool = False
    needs: str = ""
    visits: tuple[str, ...] = VISITS
    more: tuple[str, ...] = ()

    @property
    def asks(self) -> str:
        """The question, without those of its parts that are known already."""
        parts, items = self.words.asks.split("; "), (self.item, *TOGETHER.get(self.item, ()))
        asked = [part for part, item in zip(parts, items, strict=False) if item == self.item or item in self.more]
        return "; ".join(asked) if len(parts) == len(items) else self.words.asks

    @property
    def item(self) -> str:
        """Name of the check."""
        return self.check.item

    @property
    def words(self) -> QuestionWords:
        """The question in words."""
        return QUESTIONS.get(self.item) or pressure_words(self.item)


@dataclass(frozen=True)
class Stage:
    """One stage of the visit: its name, its questions.

    sets    the rate whose CO2 is set here ("high", "low", or "both"); None where only questions are asked
    """

    name: str
    questions: tuple[Question, ...] = ()
    sets: str | None = None

    @property
    def words(self) -> StageWords:
        """What is done in it, its caution, what it holds back."""
        return STAGE_WORDS[self.name]


def _asked(item: str, usual: str = "", *, optional: bool = False, needs: str = "") -> Question:
    return Question(CHECK_ITEMS[item], usual, optional, needs)


def _done(item: str) -> Question:
    """A thing that is done or not, and no danger in itself: Enter says yes."""
    return _asked(item, "yes")


def _with_valve(question: Question) -> Question:
    """A question of the visits that change the valve or its gas, and open joints."""
    return replace(question, visits=CHANGES_VALVE)


LINE_TEST = _asked(SAMPLE_LINE)
_TEMPERATURES = (
    _asked(EXTRAS, "no"), _asked(FLUE_C, optional=True, needs=EXTRAS), _asked(AIR_C, optional=True, needs=EXTRAS),
)  # fmt: skip
_METER = (
    _asked(HEATING_VALUE, optional=True, needs=EXTRAS),
    _asked(PLATE_INPUT, optional=True, needs=HEATING_VALUE),
    _asked(METER_GAS, optional=True, needs=HEATING_VALUE),
    _asked(INPUT_RATE, optional=True, needs=HEATING_VALUE),
)
PROOF_AT_FIRING: dict[Firing, tuple[Question, ...]] = {  # after the reading with the cover on
    "high": (*_TEMPERATURES, *_METER), "low": _TEMPERATURES,
}  # fmt: skip

BEFORE = Stage("before", (
    _done("maker's instructions"), _asked(CO_LIMIT, optional=True), _asked(CO_ALARM), _with_valve(_asked("power off")),
    _with_valve(_asked("gas off")), _asked(BOILER, optional=True),
    replace(_asked(REASON, optional=True), visits=VISITS[1:]), _asked("analyser", optional=True),
    _asked(CLEAN_AIR_O2), _asked(CLEAN_AIR_CO), _done("water trap"), LINE_TEST,
))  # fmt: skip
VALVE = Stage("valve", (
    _with_valve(_asked(NEW_VALVE, optional=True)), _with_valve(_asked("valve fitted")),
    _with_valve(_asked("screws at start")),
    *(_asked(clockwise_item(screw)) for screw in reversed(SCREWS)),
))  # fmt: skip
LIGHT = Stage("lighting", (
    _asked("gas on"), _with_valve(_asked(OPENED_JOINTS)), _asked(PLATE_PRESSURE), _asked(STANDING),
    _done("probe in flue"),
))  # fmt: skip
PRESSURE = Stage("gas pressure", (_asked("other appliances"), _asked(WORKING), _asked(PRESSURE_DROP)))
HIGH, LOW, BOTH = Stage("high fire", sets="high"), Stage("low fire", sets="low"), Stage("both again", sets="both")
PROOF = Stage("proof", (_asked(COVER), LINE_TEST))
CLOSE = Stage("close up", (
    _done("adjusters sealed"), _with_valve(_asked(OPENED_JOINTS)), _asked(TEST_POINTS), _asked("normal start"),
    _asked("safety devices"),
))  # fmt: skip
RECORD = Stage("record", (_asked(OUTCOME), _asked("technician")))
STAGES = (BEFORE, VALVE, LIGHT, PRESSURE, HIGH, LOW, BOTH, PROOF, CLOSE, RECORD)


def by_name(name: str) -> Stage:
    """The stage of this name. RangeError lists the names."""
    for stage in STAGES:
        if stage.name == name:
            return stage
    raise RangeError(f"stage '{name}': it is one of {', '.join(stage.name for stage in STAGES)}")


def questions_of(stage: Stage, setup: JobSetup) -> tuple[Question, ...]:
    """The questions of a stage in this job: with the other pressures that `open` named, without what it answered."""
    answered = {item for item, name in TEXTS.items() if getattr(setup, name)}
    if setup.stated_co_limit:
        answered.add(CO_LIMIT)
    if WORKING in setup.pressures:
        answered.add(PLATE_PRESSURE)
    answered |= {clockwise_item(screw) for screw, stated in setup.clockwise_stated.items() if stated}
    asked = [
        replace(each, more=tuple(item for item in TOGETHER.get(each.item, ()) if item not in answered))
        for each in stage.questions
        if each.item not in answered and setup.visit in each.visits
    ]
    if stage is PRESSURE:
        asked += [Question(pressure_item(name)) for name in setup.pressures if name not in (STANDING, WORKING)]
    return tuple(asked)


def named(item: str) -> str:
    """How the record calls a check: by its question where a bare yes would say nothing, else by its item."""
    bare = item in QUESTIONS and "yes" in CHECK_ITEMS[item].choices
    return QUESTIONS[item].asks if bare else item[0].upper() + item[1:]
