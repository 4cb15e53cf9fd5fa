"""The stages of the visit as data: what is asked, what may be entered, what blocks going on. Nothing here prints.

The order and the questions are common practice, no source. An answer is a `check` row (item, value, unit); a
question left out, a stage skipped and a wait cut short are `note` rows, each with its reason. What is on the
data plate is told by the user, at `open` or when asked; no limit of an appliance is built in.
"""

from dataclasses import dataclass
from typing import Any

from advisor.errors import RangeError
from advisor.job_setup.setup import Facts
from advisor.log.events import SCREWS

# items of the notes that the visit is followed by; their value names what it is about, their note says why
SKIPPED, LEFT_OUT, CUT_SHORT = "skipped stage", "not measured", "wait cut short"

STANDING, WORKING, PLATE_PRESSURE = "standing pressure", "working pressure", "inlet pressure range"
INPUT_RATE, PLATE_INPUT, HEATING_VALUE, METER_GAS = (
    "input rate", "input rate range", "heating value", "gas at meter",
)  # fmt: skip
PRESSURE_DROP = "pressure drop"
COVER, OPENED_JOINTS, TEST_POINTS, OUTCOME = "cover on", "opened joints", "test points", "appliance left"
FLUE_C, AIR_C, CALIBRATED = "flue temperature", "air temperature", "calibration date"
CO_CAUSE, MENDED = "cause of CO", "mended"
SERIAL = "serial number"  # of the boiler; not asked for, kept for the record where it is told
IN_SERVICE, OUT_OF_SERVICE, NONE_OPENED = "in service", "out of service", "none opened"
OPENED_JOINTS_PASS = ("tight", NONE_OPENED)

CLEAN_AIR_O2_PCT = (20.7, 21.1)  # dry air has 20.95; a display of 0.1 and a cell's zero explain the rest, own choice
CLEAN_AIR_CO_PPM = (0.0, 3.0)  # "CO 0" with a few ppm of a cell's zero, own choice
CALIBRATION_YEARS = 1  # age of a calibration from which it is said, common practice; the maker's word counts

YES_NO = ("yes", "no")


@dataclass(frozen=True, eq=False)
class Question:
    """One question of the visit, answered by a check row.

    item      name of the check that answers it
    asks      the question, short
    why       what `?` says
    kind      "choice", "number", "pressure range" or "power range" (LOW:HIGH unit), "heating value", "meter gas",
              "meter" (dial and seconds give kW), "date" or "text"
    choices   what may be chosen; `passes` are those that let the visit go on, all where it is empty
    unit      unit of a number, where none is typed; "" takes that of the data plate
    limits    lowest and highest number that can be true, None where only the data plate says
    usual     answer on Enter; "" where there is none
    optional  whether Enter leaves it out (a `not measured` note)
    needs     item without which it is not asked
    stop      what to do first where the answer blocks going on
    """

    item: str
    asks: str
    why: str
    kind: str = "choice"
    choices: tuple[str, ...] = YES_NO
    passes: tuple[str, ...] = ("yes",)
    unit: str = ""
    limits: tuple[float, float] | None = None
    usual: str = ""
    optional: bool = False
    needs: str = ""
    stop: str = ""

    @property
    def named(self) -> str:
        """How the record calls it: by its question where a bare yes would say nothing, else by its item."""
        return self.asks if "yes" in self.choices else self.item[0].upper() + self.item[1:]


@dataclass(frozen=True, eq=False)
class Stage:
    """One stage of the visit: its name, what is done in it, its caution, its questions.

    sets    the rate whose CO2 is set here ("high", "low", or "both"); None where only questions are asked
    blocks  what this stage holds back until it is done, in words
    """

    name: str
    does: str
    caution: str
    questions: tuple[Question, ...] = ()
    sets: str | None = None
    blocks: str = ""


def _number(item: str, asks: str, why: str, unit: str, low: float, high: float, **more: Any) -> Question:
    return Question(item, asks, why, "number", (), (), unit, (low, high), **more)


def _done(item: str, asks: str, why: str, stop: str) -> Question:
    """A thing that is done or not, and no danger in itself: Enter says yes."""
    return Question(item, asks, why, usual="yes", stop=stop)


def _clockwise(screw: str) -> Question:
    return Question(
        f"{screw} clockwise",
        f"The {screw} screw clockwise makes the flame",
        "It is in the maker's instructions for the valve, and differs from valve to valve, so Enter offers none. Where "
        "nobody knows, type unknown: the first small turn shows it. If the readings say the contrary the visit stops.",
        choices=("richer", "leaner", "unknown"),
        passes=(),
    )


_SUPPLY = "The supply is not right: stop, the valve is not the fault."
LINE_TEST = Question(
    "sample line",
    "Sample line: close the probe's tip, the pump must stall or alarm",
    "Air drawn into the line stays on this fuel's own line of O2 and CO2: it can't be seen in the readings and makes a "
    "rich flame look lean.",
    choices=("tight", "leaking"),
    passes=("tight",),
    stop="Mend hose, probe and water trap; then test again.",
)
_OPENED_JOINTS = Question(
    OPENED_JOINTS,
    "Every gas joint that was opened, tested",
    "A joint is proved before the burner is lit, by the method that the local code asks for.",
    choices=("tight", "leaking", NONE_OPENED),
    passes=OPENED_JOINTS_PASS,
    stop="Gas off, air the room, make the joint up anew, test again.",
)
_FLUE_C = _number(
    FLUE_C,
    "Flue temperature at this rate, C",
    "With the air temperature it gives the flue loss. Enter leaves it out.",
    "C",
    5.0,
    400.0,
    optional=True,
)
_AIR_C = _number(
    AIR_C,
    "Combustion air temperature, C",
    "Where the burner draws it.",
    "C",
    -40.0,
    60.0,
    optional=True,
)
_METER = (
    Question(
        HEATING_VALUE,
        "To time the gas meter: heating value, such as 38.5 MJ/m3",
        "The burner's input against the data plate is the last word on gas pressure and injector. The gross heating "
        "value of today's gas is told by the supplier, in MJ/m3, kWh/m3 or Btu/ft3. Enter leaves the timing out.",
        "heating value",
        (),
        (),
        optional=True,
    ),
    Question(
        PLATE_INPUT,
        "Input range on the data plate (gross), such as 33:36 kW",
        "With the maker's tolerance, in kW or Btu/h. Enter: nothing to compare with.",
        "power range",
        (),
        (),
        optional=True,
        needs=HEATING_VALUE,
    ),
    Question(
        METER_GAS,
        "Gas at the meter: C, mbar, and the heating value's C, such as 12 20 15",
        "Brings the metered volume to the temperature that the heating value is stated at, and to 1013 mbar. A fourth "
        "number is the barometer in mbar. Enter: no correction.",
        "meter gas",
        (),
        (),
        optional=True,
        needs=HEATING_VALUE,
    ),
    Question(
        INPUT_RATE,
        "Only this boiler running: dial and seconds, such as 1 ft3 22",
        "The volume of one or more turns of the meter's dial (ft3, m3 or l) and the seconds they took; two minutes or "
        "so make the timing sure. Enter leaves it out.",
        "meter",
        (),
        (),
        "kW",
        optional=True,
        needs=HEATING_VALUE,
        stop="Time it again; then look at heating value, gas at the meter, working pressure and injector.",
    ),
)
PROOF_AT_RATE = {"high": (_FLUE_C, _AIR_C, *_METER), "low": (_FLUE_C, _AIR_C)}  # after the reading with the cover on

BEFORE = Stage(
    "before",
    "prepare",
    "Gas work can kill by CO, fire and explosion. The maker's instructions, the local code and the licensed person on "
    "site come first.",
    (
        _done("maker's instructions", "Maker's instructions and target table at hand", "Bands, starting positions "
                 "and pressures of this model, fuel and altitude come from there and from nowhere else.",
              "Get them before anything is opened or turned."),
        Question("CO alarm", "Room CO alarm on", "It warns of what the analyser in the flue does not see.",
                 stop="No burner on before one that works is in the room."),
        Question("gas off", "Power off, gas off and proved off before anything is opened", "Nothing is opened on a "
                 "line that is only thought to be dead. Was nothing opened, answer when both were proved off last.",
                 stop="Open nothing: power off, gas off, prove both."),
        Question("site", "Where is this boiler", "For the record. Enter leaves it out.", "text", (), (), optional=True),
        Question("analyser", "Which analyser", "For the record. Enter leaves it out.", "text", (), (), optional=True),
        Question(CALIBRATED, "Analyser last calibrated on", "A cell drifts. The record says how old the calibration "
                 "is. Type it as 2026-02-11; Enter leaves it out.", "date", (), (), optional=True),
        _number("clean air O2", "Analyser warm, in clean air: O2, %", "Zeroed outdoors or in fresh air it must show "
                "20.9 %. Off zero, every reading lies.", "%", 0.0, 25.0,
                stop="Zero it in clean air, look at its O2 cell; then read again."),
        _number("clean air CO", "In clean air: CO, ppm", "It must show 0. If it does not after zeroing, there is CO "
                "about, or the cell is spent.", "ppm", 0.0, 10_000.0,
                stop="Is there CO in the room? Leave, air it; then zero outdoors and read again."),
        _done("water trap", "Water trap empty, filter clean", "Water in the sample line washes out CO2 and stops "
                 "the pump.", "Empty the trap, put in a clean filter."),
        LINE_TEST,
    ),
    blocks="no reading counts from an analyser or a sample line that is not proved",
)  # fmt: skip
VALVE = Stage(
    "valve",
    "check the new valve",
    "Test every joint before lighting, by the local code's method; never with a flame.",
    (
        _done("valve fitted", "New gaskets seated, screws and unions made up, plug in", "A crushed or missing "
                 "gasket leaks gas, or false air.", "Gas stays off until all of it is made up."),
        Question("screws at start", "Both screws at the maker's starting position", "A valve starts from the position "
                 "in the maker's instructions, if they give one. A burner that will not light is not chased with the "
                 "screws: back to that position; then pressure, fuel, ignition.",
                 choices=("yes", "no", "not given"), passes=("yes", "not given"),
                 stop="Burner off: both screws to the maker's starting position, before it is lit."),
        *(_clockwise(screw) for screw in reversed(SCREWS)),
        _OPENED_JOINTS,
    ),
    blocks="no lighting on joints that were not tested",
)  # fmt: skip
PRESSURE = Stage(
    "gas pressure",
    "prove the inlet pressure",
    "Open test point: no flame, no spark; close it tight after each use. To light a valve not yet set: gas on, joints "
    "tested again under gas, probe in the flue, CO watched from the first second; burner off where CO climbs over its "
    "limit.",
    (
        Question(PLATE_PRESSURE, "Inlet pressure range on the data plate, such as 17:25 mbar", "It differs by fuel "
                 "and country; nothing is built in. Units: mbar, Pa, hPa, kPa, psi, inH2O.", "pressure range", (), ()),
        Question(STANDING, "Standing pressure (burner off)", "The supply with no flow, at the valve's inlet test "
                 "point.", "number", (), (), stop=_SUPPLY),
        Question("other appliances", "Other gas appliances on this line", "The line must hold "
                 "its pressure with everything on it.", choices=("running", "none there"), passes=()),
        Question(WORKING, "Working pressure (maximum fire)", "Under full flow. Too low with everything running: "
                 "regulator, filter or pipe. Combustion is never set on a wrong inlet pressure.", "number", (), (),
                 stop=_SUPPLY),
        Question(PRESSURE_DROP, "Is that drop small enough for this installation", "The limit is the maker's or the "
                 "local code's. A large drop with a right standing pressure: pipe, filter or regulator too small.",
                 stop="Look at pipe, filter and regulator; read both pressures again."),
    ),
    blocks="no combustion setting on a wrong inlet pressure",
)  # fmt: skip
HIGH = Stage(
    "high fire",
    "set high fire with the throttle screw",
    "Smell of gas, a lifting flame or CO climbing: burner off, gas off, air the room.",
    sets="high",
    blocks="low fire is set after high fire",
)
LOW = Stage(
    "low fire",
    "set low fire with the offset screw",
    "Low fire answers slowly; a second turn before it has settled overshoots.",
    sets="low",
    blocks="the other rate is checked again after this",
)
BOTH = Stage(
    "both again",
    "check both rates until neither needs a turn",
    "Each screw also moves the other rate: figures from before the last turn are no proof.",
    sets="both",
    blocks="no finish without CO at both rates",
)
PROOF = Stage(
    "proof",
    "prove both rates with the cover on",
    "With the cover on the boiler may draw its own flue gas: CO decides, not CO2.",
    (
        _done(COVER, "Case or cover back on", "The burner's air changes with it. The readings that count are taken "
                 "with it on.", "Put it on, wait, read again."),
        LINE_TEST,
    ),
    blocks="no finish without CO at both rates",
)  # fmt: skip
CLOSE = Stage(
    "close up",
    "close and test",
    "A test point left open is a gas leak.",
    (
        _done("adjusters sealed", "Caps and seals on both adjusters", "An open adjuster invites the next hand.",
              "Cap and seal both."),
        _OPENED_JOINTS,
        Question(TEST_POINTS, "Manometer off; test points closed and leak-tested", "Each test point that was "
                 "opened is a joint.", choices=("tight", "leaking"), passes=("tight",),
                 stop="Gas off, close it anew, test again."),
        _done("test mode off", "Test mode off", "Left on, the boiler stays at one rate and ignores its control.",
              "Switch it off as the maker says."),
        _done("normal start", "Normal start and stop watched", "Ignition, flame and rates as in daily use.",
              "Watch one; where it is not normal: gas off, the maker's fault finding."),
        Question("safety devices", "Safety devices tried as the maker asks", "Flame failure, limit thermostat and what "
                 "else the instructions name.",
                 stop="Try each; where one fails: gas off, out of service until it is put right."),
    ),
    blocks="no close-up without the tightness test",
)  # fmt: skip
RECORD = Stage(
    "record",
    "write it down",
    "The licensed person decides whether the appliance stays in service.",
    (
        Question(OUTCOME, "The appliance is left", "Out of service where a stop stands, proof is missing or a test "
                 "was not made; the local code says how it is made safe and labelled.",
                 choices=(IN_SERVICE, OUT_OF_SERVICE), passes=()),
        Question("technician", "Your name, for the record", "Who did it.", "text", (), ()),
        _done("copy left", "A copy of the record stays with the boiler", "The next technician starts from the "
                 "figures as left.", "Leave one."),
    ),
)  # fmt: skip
STAGES = (BEFORE, VALVE, PRESSURE, HIGH, LOW, BOTH, PROOF, CLOSE, RECORD)
QUESTIONS = (*(question for stage in STAGES for question in stage.questions), *PROOF_AT_RATE["high"])
ITEMS = tuple(dict.fromkeys(question.item for question in QUESTIONS))  # every check that the visit has a name for


# what may be logged though no stage asks for it
UNASKED = (
    Question(CO_CAUSE, "The cause of the CO", "Once it is mended CO has to be proved anew.",
             choices=(MENDED, "not found"), passes=()),
)  # fmt: skip


def by_name(name: str) -> Stage:
    """The stage of this name. RangeError lists the names."""
    for stage in STAGES:
        if stage.name == name:
            return stage
    raise RangeError(f"stage '{name}': it is one of {', '.join(stage.name for stage in STAGES)}")


def questions_of(stage: Stage, facts: Facts) -> tuple[Question, ...]:
    """The questions of a stage in this job: with the other pressures that `open` named, without what it answered."""
    if stage is not PRESSURE:
        answered = {name for name in ("site", "analyser") if getattr(facts, name)}
        return tuple(question for question in stage.questions if question.item not in answered)
    known = STANDING in facts.pressures and WORKING in facts.pressures
    named = [
        Question(name, name.capitalize(), "Its range was named on `open`.", "number", (), (), stop=_SUPPLY)
        for name in facts.pressures
        if name not in (STANDING, WORKING)
    ]
    return (*stage.questions[known:], *named)


def question_for(item: str, facts: Facts) -> Question | None:
    """The question that a check of this name answers, if the visit asks one."""
    asked = [question for stage in STAGES for question in questions_of(stage, facts)]
    return next((question for question in (*asked, *QUESTIONS, *UNASKED) if question.item == item), None)
