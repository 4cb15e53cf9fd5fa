"""Stages and questions of the visit, in words: one table by name. The order is in `procedure.stages`."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class QuestionWords:
    """asks: the question, short; why: what `?` says; stop: what to do first where the answer blocks going on."""

    asks: str
    why: str
    stop: str = ""


@dataclass(frozen=True)
class StageWords:
    """called: its name on the screen; does: what is done in it, "" where its name says it; caution: said once where it begins; blocks: what it holds
    back until it is done."""

    called: str
    does: str
    caution: str
    blocks: str = ""


_SUPPLY = "The supply is not right: stop, the valve is not the fault."
_CLOCKWISE = QuestionWords(
    "The {screw} screw clockwise makes the flame",
    "It is in the maker's instructions for the valve, and differs from valve to valve. Where nobody knows, type unknown: the "
    "first small turn shows it.",
)

QUESTIONS: Mapping[str, QuestionWords] = MappingProxyType({
    "maker's instructions": QuestionWords(
        "Maker's instructions and target table at hand",
        "Bands, starting positions and pressures of this model, fuel and altitude come from there and from nowhere else.",
        "Get them before anything is opened or turned.",
    ),
    "CO limit": QuestionWords(
        "Maker's CO limit, such as 100 ppm, 200 ppm air-free, 0.004 CO/CO2",
        "It is in the maker's instructions, with its basis: ppm air-free, ppm as displayed, or a ratio. The stricter of it and "
        "the published one holds.",
    ),
    "CO alarm": QuestionWords(
        "Room CO alarm on", "It warns of what the analyser in the flue does not see.",
        "No burner on before one that works is in the room.",
    ),
    "smell of gas": QuestionWords(
        "Smell of gas", "It is typed as it is noticed.",
        "GAS SMELL: gas off, no flame, touch no switch, everybody out; air it if that is safe; call the emergency line from "
        "outside. Nothing is lit before the leak is found and tight.",
    ),
    "CO alarm sounds": QuestionWords(
        "The room's CO alarm sounds", "It is typed as it is heard.",
        "BURNER OFF, everybody out into the air; call for help from outside where anybody feels unwell. Nothing is lit before "
        "the cause is found.",
    ),
    "power off": QuestionWords(
        "Power off at the boiler", "Nothing may start while you work at it. Was nothing opened, answer yes.",
        "Open nothing: power off first.",
    ),
    "gas off": QuestionWords(
        "Gas off and proved off before anything is opened",
        "Nothing is opened on a line that is only thought to be dead. Was nothing opened, answer when it was proved off "
        "last.",
        "Open nothing: gas off, prove it.",
    ),
    "boiler": QuestionWords(
        "Boiler: make, model; serial number; place", "For the record, parted by semicolons. Enter leaves it out.",
    ),
    "reason for visit": QuestionWords(
        "Why this visit, such as valve stuck, yearly service", "For the record. Enter leaves it out.",
    ),
    "new valve": QuestionWords(
        "Which gas valve was fitted", "For the record: maker's part number. Enter leaves it out.",
    ),
    "analyser serial number": QuestionWords("The analyser's serial number", "For the record."),
    "flue temperature and gas rate": QuestionWords(
        "Flue temperature and gas rate too",
        "The temperatures give the flue loss. The meter gives the burner's input against the data plate. Enter: no.",
    ),
    "site": QuestionWords("Where is this boiler", "For the record. Enter leaves it out."),
    "analyser": QuestionWords("Analyser; its serial number; last calibrated", "For the record, parted by semicolons. A cell drifts: the record says how "
        "old the calibration is. Enter leaves it out."),
    "calibration date": QuestionWords(
        "Analyser last calibrated on",
        "A cell drifts. The record says how old the calibration is. Type it as 2026-02-11 or 11 Feb 2026. Enter leaves it out.",
    ),
    "clean air O2": QuestionWords(
        "Analyser warm, in clean air: O2, % (and CO, ppm)",
        "Zeroed outdoors or in fresh air it must show 20.9 %. Off zero, every reading lies.",
        "Zero it in clean air, look at its O2 cell; then read again.",
    ),
    "clean air CO": QuestionWords(
        "In clean air: CO, ppm", "It must show 0. If it does not after zeroing, there is CO about, or the cell is spent.",
        "Is there CO in the room? Leave, air it; then zero outdoors and read again.",
    ),
    "water trap": QuestionWords(
        "Water trap empty, filter clean", "Water in the sample line washes out CO2 and stops the pump.",
        "Empty the trap, put in a clean filter.",
    ),
    "sample line": QuestionWords(
        "Sample line: close the probe's tip, the pump must stall or alarm",
        "Air drawn into the line can't be seen in the readings and makes a rich flame look lean.",
        "Mend hose, probe and water trap; then test again.",
    ),
    "valve fitted": QuestionWords(
        "Valve made up: new gaskets, screws, unions", "A crushed or missing gasket leaks gas, or false air.",
        "Gas stays off until all of it is made up.",
    ),
    "screws at start": QuestionWords(
        "Both screws at the maker's starting position",
        "A valve starts from the position in the maker's instructions, if they give one. A burner that will not light is not "
        "chased with the screws: back to that position; then pressure, fuel, ignition.",
        "Burner off: both screws to the maker's starting position, before it is lit.",
    ),
    "throttle clockwise": QuestionWords(_CLOCKWISE.asks.format(screw="throttle"), _CLOCKWISE.why),
    "offset clockwise": QuestionWords(_CLOCKWISE.asks.format(screw="offset"), _CLOCKWISE.why),
    "opened joints": QuestionWords(
        "Every gas joint that was opened, tested",
        "A joint is proved before the burner is lit, by the method that the local code asks for.",
        "Gas off, air the room, make the joint up anew, test again.",
    ),
    "inlet pressure range": QuestionWords(
        "Inlet pressure range on the data plate, such as 17:25 mbar",
        "It differs by fuel and country; nothing is built in. Units: mbar, Pa, hPa, kPa, psi, inH2O.",
    ),
    "gas on": QuestionWords(
        "Gas on slowly, no smell of gas anywhere", "Every joint is under gas from here on.", "Gas off, air the room, find the leak.",
    ),
    "probe in flue": QuestionWords(
        "Probe in the flue, analyser running", "CO is watched from the first second of the flame.",
        "No lighting before the analyser shows the flue.",
    ),
    "standing pressure": QuestionWords(
        "Standing pressure (burner off)", "The supply with no flow, at the valve's inlet test point.", _SUPPLY,
    ),
    "other appliances": QuestionWords(
        "Other gas appliances on this line",
        "Run them all: the line must hold its pressure with everything on it. type running, off or none.",
    ),
    "working pressure": QuestionWords(
        "Working pressure (maximum fire)",
        "Under full flow. Too low with everything running: regulator, filter or pipe. Combustion is never set on a wrong inlet "
        "pressure.",
        _SUPPLY,
    ),
    "pressure drop": QuestionWords(
        "Is that drop small enough for this installation",
        "The limit is the maker's or the local code's. A large drop with a right standing pressure: pipe, filter or regulator "
        "too small.",
        "Look at pipe, filter and regulator; read both pressures again.",
    ),
    "cover on": QuestionWords(
        "Case or cover back on", "The burner's air changes with it. The readings that count are taken with it on.",
        "Put it on, wait, read again.",
    ),
    "flue temperature": QuestionWords(
        "Flue temperature at this rate, C", "With the air temperature it gives the flue loss. Enter leaves it out.",
    ),
    "air temperature": QuestionWords("Combustion air temperature, C", "Where the burner draws it."),
    "heating value": QuestionWords(
        "Heating value of the gas, such as 38.5 MJ/m3",
        "The burner's input against the data plate is the last word on gas pressure and injector. The gross heating value of "
        "today's gas is told by the supplier, in MJ/m3, kWh/m3 or Btu/ft3. Enter leaves the timing out.",
    ),
    "input rate range": QuestionWords(
        "Input range on the data plate (gross), such as 33:36 kW",
        "With the maker's tolerance, in kW or Btu/h. Enter: nothing to compare with.",
    ),
    "gas at meter": QuestionWords(
        "Gas at the meter: C, mbar, and the heating value's C, such as 12 20 15",
        "Brings the metered volume to the temperature that the heating value is stated at, and to 1013 mbar. A fourth number is "
        "the barometer in mbar. Enter: no correction.",
    ),
    "input rate": QuestionWords(
        "Only this boiler running: dial and seconds, such as 1 ft3 22",
        "The volume of one or more turns of the meter's dial (ft3, m3 or l) and the seconds they took; two minutes or so make "
        "the timing sure. Enter leaves it out.",
        "Time it again; then look at heating value, gas at the meter, working pressure and injector.",
    ),
    "adjusters sealed": QuestionWords(
        "Caps and seals on both adjusters", "An open adjuster invites the next hand.", "Cap and seal both.",
    ),
    "test points": QuestionWords(
        "Test points closed and leak-tested", "Each test point that was opened is a joint.",
        "Gas off, close it anew, test again.",
    ),
    "test mode off": QuestionWords(
        "Test mode off", "Left on, the boiler stays at one rate and ignores its control.",
        "Switch it off as the maker says.",
    ),
    "normal start": QuestionWords(
        "Test mode off; a normal start and stop watched", "Ignition, flame and rates as in daily use.",
        "Watch one; where it is not normal: gas off, the maker's fault finding.",
    ),
    "safety devices": QuestionWords(
        "Safety devices tried as the maker asks", "Flame failure, limit thermostat and what else the instructions name.",
        "Try each; where one fails: gas off, out of service until it is put right.",
    ),
    "appliance left": QuestionWords(
        "The appliance is left",
        "Out of service where a stop stands, proof is missing or a test was not made; the local code says how it is made safe "
        "and labelled.",
    ),
    "technician": QuestionWords("Your name, for the record", "Who did it."),
    "copy left": QuestionWords(
        "A copy of the record stays with the boiler", "The next technician starts from the figures as left.", "Leave one.",
    ),
    "cause of CO": QuestionWords("The cause of the CO", "Once it is mended CO has to be proved anew."),
    "serial number": QuestionWords("The boiler's serial number", "For the record."),
})  # fmt: skip

STAGES: Mapping[str, StageWords] = MappingProxyType({
    "before": StageWords(
        "preparation",
        "",
        "Gas work can kill by CO, fire and explosion. The maker's instructions, the local code and the licensed person on site "
        "come first.",
        "no reading counts from an analyser or a sample line that is not proved",
    ),
    "valve": StageWords(
        "valve",
        "check the valve and which way its screws work", "A valve that was opened: gas stays off until all is made up.",
        "no lighting before the valve is made up",
    ),
    "gas pressure": StageWords(
        "pressure",
        "prove the inlet pressure",
        "No naked light near an open test point; close it tight after each use.",
        "no combustion setting on a wrong inlet pressure",
    ),
    "lighting": StageWords(
        "lighting",
        "gas on, joints, probe in, light it",
        "A valve not yet set may burn rich: watch CO from the first second; burner off where it passes its limit and does not "
        "fall at once.",
        "no setting before the burner was lit with CO watched",
    ),
    "high fire": StageWords(
        "high fire",
        "set high fire with the throttle screw",
        "Smell of gas, a lifting flame or CO climbing: burner off, gas off, air the room.",
        "low fire is set after high fire",
    ),
    "low fire": StageWords(
        "low fire",
        "set low fire with the offset screw",
        "Low fire answers slowly; a second turn before it has settled overshoots.",
        "the other rate is checked again after this",
    ),
    "both again": StageWords(
        "both rates again",
        "check both rates until neither needs a turn",
        "Each screw also moves the other rate: figures from before the last turn are no proof.",
        "no finish without CO at both rates",
    ),
    "proof": StageWords(
        "proof with cover on",
        "",
        "With the cover on the boiler may draw its own flue gas: CO decides, not CO2.",
        "no finish without CO at both rates",
    ),
    "close up": StageWords("closing up",
        "close and test", "A test point left open is a gas leak.", "no close-up without the tightness test",
    ),
    "record": StageWords("record", "", "The licensed person decides whether the appliance stays in service."),
})  # fmt: skip


def pressure_words(item: str) -> QuestionWords:
    """The question for a gas pressure that only `open` named."""
    return QuestionWords(item[0].upper() + item[1:], "Its range was named on `open`.", _SUPPLY)
