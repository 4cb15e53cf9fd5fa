"""What was seen, in words: one table by code.

Each code has its sentences by variant, a short name, what to look at first, and how the record tells it once it is over.
Common practice, no source, where no other is named; the appliance maker's instructions come first.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Protocol

from advisor.wording.templates import Voice, filled
from advisor.wording.visit import QUESTIONS, pressure_words

GIVE_UP = "Still there: screws back as found, boiler out of service, call the maker."


class Seen(Protocol):
    """What a finding needs to be put in words (`messages.Finding`)."""

    @property
    def code(self) -> str: ...
    @property
    def severity(self) -> str: ...
    @property
    def firing(self) -> str | None: ...
    @property
    def screw(self) -> str | None: ...
    @property
    def variant(self) -> str: ...
    @property
    def data(self) -> Mapping[str, Any]: ...


@dataclass(frozen=True)
class Words:
    """The words of one code.

    short       a name in a few words
    long        the sentence, or one for each variant
    past        how the record tells it once it is over, likewise
    look_first  what to look at, in order
    said_steps  how many of these its sentence says already
    alarm       whether its sentence begins with what saves people, so that it needs no word before it
    give_up     whether it may end with the appliance out of service
    about       for programmers: what the code means
    """

    short: str
    long: str | Mapping[str, str]
    past: str | Mapping[str, str]
    look_first: tuple[str, ...] = ()
    give_up: bool = False
    about: str = ""
    said_steps: int = 0
    alarm: bool = False


_LINE = "Sample line, probe and water trap: tight and dry?"
_PRESSURE = "Gas pressure at the inlet, with the other appliances on."
_AIR = "Air intake, filter, vent and flue: free; no flue gas drawn in?"
_LOGGED = "Was the turn logged the way it was made?"
_READ_AGAIN = "Then read again at the same rate."
_CO = (
    "Burner off if CO is not falling; air the room.",
    "If CO came with a turn: back that way, never richer.",
    "Air intake, filter, fan and flue: blocked, or drawing in flue gas?",
    "Burner and gasket: dirty, cracked, badly seated?",
    "Gas pressure and injector: right for this gas?",
)
_ANALYSER = (
    "Is the burner on, the probe in the flue and not at its wall?",
    "Analyser set to the fuel that is burned?",
    "Zero it in clean air: O2 20.9 %, CO 0; when was it calibrated?",
    "Is the fuel in the log the fuel on site?",
)
_MANOMETER = ("Manometer on the inlet test point; standing, then working pressure.",)
_JUMPED = "CO2 {expected:.1f} % was expected, with no turn {of_screw}made; {seen:.1f} came (row {row})"
_CAME_SHORT = "CO2 reads {seen:.1f} % at {firing} fire, {expected:.1f} was expected (row {row}): air in the sample?"
_PROVE = "A rich flame then looks lean. Prove the sample line tight, {prove_line}, then read again."
_FELL = {
    "settled": f"{_CAME_SHORT} {_PROVE}",
    "early": "CO2 {seen:.1f} % can't be: about {expected:.1f} is due by now at {firing} fire (row {row}). Hose off, probe out? "
    f"{_PROVE}",
}
_FELL_PAST = "{expected:.1f} % CO2 was expected at {firing} fire, {seen:.1f} came (row {row})."
_CO_ROSE = (
    "CO at {firing} fire rose from {least:.0f} to {now:.0f} ppm air-free while CO2 went from {co2_before:.1f} to "
    "{co2_now:.1f} %."
)
# How a stop for CO begins: by when its reading was taken, and how high it is.
_BURNER = {
    "now": "BURNER OFF. Air the room. Never richer. ",
    "lighting": "BURNER OFF unless it falls at once. Air the room. Never richer. ",
    "at_once": "BURNER OFF AT ONCE. Air the room. Never richer. ",
    "off": "BURNER STAYS OFF. Air the room. Never richer. ",
    "before": "",
}
_TELL_CAUSE = " Once its cause is mended, {tell_cause}."
_CLEARS = "Never richer; a steady reading with CO at {firing} fire clears it."
_RICH_BURNER = {
    "now": _BURNER["at_once"],
    "lighting": _BURNER["at_once"],
    "off": _BURNER["off"],
    "before": _BURNER["before"],
}
_START = "Light again only from the maker's starting position."
_RICH = {"by_co": "CO {co:.0f} ppm with O2 {o2:.1f} %", "by_o2": "O2 {o2:.1f} % with CO2 {co2:.1f} %"}
_HIGH_CO = "CO at {{firing}} fire {is_was} {{ppm:.0f}} ppm{{basis}}, over its limit of {{of:.0f}}"
_WAS_CO = "CO at {firing} fire was {ppm:.0f} ppm{basis}"
_OFF_LINE = "CO2 {co2:.1f} % with O2 {o2:.1f} % is not {fuel}, which would show O2 {line_o2:.1f} %"
_WRONG = {
    "choice": "{item}: {value}. {stop} {log_again}",
    "outside_plate": "{item} {value} {unit}; data plate {low:g} to {high:g} {plate_unit}. {stop} {log_again}",
    "not_clean_air": "{item} {value} {unit}; {low:g} to {high:g} is right. {stop} {log_again}",
    "unreadable": "{item} in the log can't be read: {why}. {log_again}",
}
_WRONG_PAST = {
    "choice": "{item}: {value}.",
    "outside_plate": "{item} {value} {unit}; data plate {low:g} to {high:g} {plate_unit}.",
    "not_clean_air": "{item} {value} {unit}; {low:g} to {high:g} is right.",
    "unreadable": "{item} in the log could not be read.",
}
# what is outside the data plate or can't be read is a finding of its own
_NOT_READY, _NOT_READY_PAST = (
    {variant: words[variant] for variant in ("choice", "not_clean_air")} | {"alarm": alarm}
    for words, alarm in ((_WRONG, "{stop} Then {tell_over}."), (_WRONG_PAST, "{item}: {value}."))
)

FINDINGS: Mapping[str, Words] = MappingProxyType({
    # ---- one reading by itself
    "impossible": Words(
        "reading not possible",
        {
            "too_high": "{co2:.1f} % CO2 can't come from {fuel}, {most:.1f} % at most. Check fuel, analyser and probe, then "
            "read again.",
            "no_flame": "{co2:.1f} % CO2 is no flame that can be set. Burner off? Then {log_off}. Probe in air? Read again.",
            "plain_air": "{o2:.1f} % O2 is plain air. Burner off? Then {log_off}. Probe in air? Read again.",
        },
        {
            "too_high": "{co2:.1f} % CO2 was read, which can't come from {fuel}.",
            "no_flame": "{co2:.1f} % CO2 was read, no flame that can be set.",
            "plain_air": "{o2:.1f} % O2 was read, plain air.",
        },
        _ANALYSER, about="one reading can't be so",
    ),
    "rich": Words(
        "rich flame",
        {
            f"{by}_{when}": f"{begin}The flame {'is' if when in ('now', 'lighting') else 'was'} rich: {seen}. On this side "
            f"CO2 falls when gas is added. {_CLEARS if when == 'before' else _START}"
            for by, seen in _RICH.items()
            for when, begin in _RICH_BURNER.items()
        },
        {f"{by}_{when}": f"The flame was rich: {seen}." for by, seen in _RICH.items() for when in _RICH_BURNER},
        (
            "Burner off, gas off; air the room before anything else.",
            "Throttle screw back to the maker's starting position.",
            "Right valve, injector and gas for this boiler?",
            "Air intake, fan and flue: free?",
        ),
        give_up=True, about="the flame is on the rich side", said_steps=2, alarm=True,
    ),
    "off-line": Words(
        "O2 and CO2 don't agree",
        {
            "swapped": f"{_OFF_LINE}. The other way round they fit. Swapped? Void it, log it right.",
            "no_fuel": f"{_OFF_LINE}, and no other fuel fits. Typed right? If not, void it. Else zero the analyser in clean air, check its cells, read again.",
        },
        {"swapped": f"{_OFF_LINE}.", "no_fuel": f"{_OFF_LINE}."},
        _ANALYSER, give_up=True, about="O2 and CO2 are on no known fuel's line",
    ),
    "other-fuel": Words(
        "analyser on another fuel",
        f"{_OFF_LINE}. They fit {{other}}: is the analyser set to the right fuel? Set it right, read again with O2.",
        f"{_OFF_LINE}; it fitted {{other}}.",
        _ANALYSER[1:], about="O2 and CO2 are on another fuel's line",
    ),
    # ---- carbon monoxide
    "high-co": Words(
        "CO over its limit",
        {
            f"{when}_{side}": f"{begin}{_HIGH_CO.format(is_was='was' if when in ('before', 'off') else 'is')}. "
            f"{_CLEARS if when == 'before' else then}{_TELL_CAUSE if when == 'off' else ''}"
            for when, begin in _BURNER.items()
            for side, then in {
                "above": "CO2 is above the band: leaner, if the maker lets you trim from here.",
                "not_above": "Look at burner, air intake and flue first.",
            }.items()
        },
        {f"{when}_{side}": f"{_HIGH_CO.format(is_was='was')}." for when in _BURNER for side in ("above", "not_above")},
        _CO, give_up=True, about="CO is over its limit", said_steps=2, alarm=True,
    ),
    "co-no-flame": Words(
        "CO with the burner off",
        "BURNER STAYS OFF. Air the room, nobody stays in it. CO {co:.0f} ppm in the sample with no flame: find where it comes "
        "from before anything is lit.",
        "CO was {co:.0f} ppm in the sample with the burner off.",
        ("Air the room; is another appliance running?", "Where is the probe: in the flue, or in the room's air?",
         "Zero the analyser outdoors; then read again."),
        give_up=True, about="CO in the sample though the burner is off", said_steps=1, alarm=True,
    ),
    "co-rises": Words(
        "CO rises with no turn made",
        {
            when: f"{_BURNER[when]}CO at {{firing}} fire rose from {{before:.0f}} to {{now:.0f}} ppm with no turn made. Look at "
            f"burner, air intake and flue first.{_TELL_CAUSE if when == 'off' else ''}"
            for when in ("now", "off")
        }
        | {
            "turned": f"{_BURNER['now']}CO at {{firing}} fire rises after the turn richer: {{before:.0f}} to {{now:.0f}} ppm. "
            "Then turn back."
        },
        {
            **dict.fromkeys(("now", "off"), "CO at {firing} fire rose from {before:.0f} to {now:.0f} ppm with no turn made."),
            "turned": "CO at {firing} fire rose from {before:.0f} to {now:.0f} ppm after a turn richer.",
        },
        _CO, give_up=True, about="CO over what bars a turn richer goes on rising with no turn made", said_steps=2, alarm=True,
    ),
    "richer-in-co": Words(
        "turned richer in CO",
        "The {screw} screw was turned richer though CO at {firing} fire was too high for it. Turn it back, or burner off; watch CO.",
        "The {screw} screw was turned richer though CO at {firing} fire was too high for it.",
        ("Watch CO; burner off if it is not falling.",), about="a turn richer was made though CO barred it",
    ),
    "co-rising": Words(
        "CO near its limit",
        {
            "near_limit": "CO at {firing} fire is {ppm:.0f} ppm{basis}, over half its limit of {of:.0f}. Watch it.",
            "near_limit_before": "CO at {firing} fire was {ppm:.0f} ppm{basis}, over half its limit of {of:.0f}.",
            "barred": "CO at {firing} fire is {ppm:.0f} ppm{basis}, limit {of:.0f}. No turn richer. Burner off if it "
            "rises more; then look at burner, air and flue.",
            "barred_before": "CO at {firing} fire was {ppm:.0f} ppm{basis}, limit {of:.0f}. No turn richer; look at "
            "burner, air and flue.",
            "climbs": f"{_CO_ROSE} No turn richer. Burner off if it rises more; then look at burner, air and flue.",
        },
        {
            **dict.fromkeys(("near_limit", "near_limit_before"), f"{_WAS_CO}, over half its limit of {{of:.0f}}."),
            **dict.fromkeys(("barred", "barred_before"), f"{_WAS_CO}, limit {{of:.0f}}."),
            "climbs": _CO_ROSE,
        },
        _CO[1:4], about="CO is over half its limit or over what bars a turn richer, or leaps up with CO2",
    ),
    "co-climbs": Words(
        "CO climbs",
        "CO at {firing} fire climbs: {shown:figures} ppm, {least:.0f} to {now:.0f} air-free. One mark richer at most, and read "
        "CO after it.",
        "CO at {firing} fire climbed from {least:.0f} to {now:.0f} ppm air-free.",
        _CO[1:4], about="CO has doubled between settled readings, far below its limit yet",
    ),
    "co-by-itself": Words(
        "CO climbs by itself", f"{_CO_ROSE} More air did not help: watch CO; look at burner, air intake and flue.", _CO_ROSE,
        _CO[2:4], about="CO has climbed with no more CO2 than before",
    ),
    "co-climbing": Words(
        "CO before the band",
        {
            "ceiling": "At {co2:.1f} % CO2 at {firing} fire CO was {air_free:.0f} ppm air-free (row {row}), over its limit, and "
            "it is still too lean. Look at burner, air intake and flue first. Once the cause is mended, {tell_cause}.",
            "climbs": "CO is too high for a turn richer, and {firing} fire is still too lean. Look at burner, air intake and flue first. Once the "
            "cause is mended, {tell_cause}.",
            "untold": "CO put the burner off, and nobody said that its cause is mended: no turn richer, and {firing} fire is "
            "still too lean. Look at burner, air intake and flue. Once it is mended, {tell_cause}.",
        },
        {
            "ceiling": "CO was over its limit at {co2:.1f} % CO2 at {firing} fire, still too lean.",
            "climbs": "CO was too high for a turn richer while {firing} fire was still too lean.",
            "untold": "The cause of the CO was not mended as far as told, and {firing} fire was still too lean.",
        },
        _CO, give_up=True, about="CO comes before the band is reached",
    ),
    # ---- gas, line, answers
    "pressure": Words(
        "gas pressure wrong",
        {
            "outside": "The {item} is {value:.4g} {unit}; the data plate says {low:g} to {high:g}. Burner off till the gas "
            "supply is right, lit only to measure: the valve is not the fault.",
            "outside_slip": "The {item} is {value:.4g} {unit}; the data plate says {low:g} to {high:g}. Burner off till the "
            "gas supply is right, lit only to measure: the valve is not the fault. Or was {meant:g} {meant_unit} meant? Then {void_row} and log it again.",
            "unreadable": "The {item} in the log can't be read: {why}. Then {void_row} and log it again.",
        },
        {
            "outside": "The {item} was {value:.4g} {unit}; the data plate says {low:g} to {high:g}.",
            "outside_slip": "The {item} was {value:.4g} {unit}; the data plate says {low:g} to {high:g}.",
            "unreadable": "The {item} in the log could not be read.",
        },
        (
            "Read it again: manometer zeroed, hose tight, right test point?",
            "Standing pressure, then working pressure with the other appliances on.",
            "Supply valve fully open, filter clean, pipe wide enough, regulator sound?",
            "The gas supplier, for a pressure that is wrong at the meter.",
        ),
        give_up=True, about="a gas pressure is outside the data plate, or can't be read",
    ),
    "pressure-unknown": Words(
        "gas pressure not checked", "The {item} is not checked yet. Don't set CO2 before it is.",
        "The {item} had not been checked.", _MANOMETER, about="a gas pressure named on open was never checked",
    ),
    "pressure-skipped": Words(
        "gas pressure skipped", "The {item} was not checked ({why}): CO2 is set on an unknown pressure.",
        "The {item} was not checked ({why}).", about="the stage was skipped",
    ),
    "input-rate": Words(
        "input rate", "Input by the meter {kw:.3g} kW (gross), {side} the data plate's {low:g} to {high:g} {unit}.",
        "Input by the meter was {kw:.3g} kW (gross), {side} the data plate's {low:g} to {high:g} {unit}.",
        (
            "Time the meter again, for two minutes or more, with nothing else on it.",
            "Heating value of today's gas, and pressure and temperature at the meter.",
            "Working pressure, injector and valve: the right ones for this gas?",
        ),
        give_up=True, about="the timed input is outside the data plate",
    ),
    "sample-line-leak": Words(
        "sample line leaks",
        "The sample line leaks: a rich flame looks lean. Mend it, {prove_line}, read again. Readings since the last turn "
        "or change of rate don't count.",
        "The sample line leaked.",
        (
            "Hose, probe joint, water trap seal, filter housing: find the leak and mend it.",
            "Close the probe's tip again: the pump must stall or alarm.",
            "Read both rates anew: what was read meanwhile looks leaner than it was.",
        ),
        about="the sample line was logged as leaking",
    ),
    "sample-line": Words(
        "sample line not proved", "Sample line not proved tight; a leak does not show in the readings. Prove it, {prove_line}.",
        "The sample line had not been proved tight.", ("Close the probe's tip: the pump must stall or alarm.",),
        about="the sample line was never proved tight",
    ),
    "not-ready": Words("not ready", _NOT_READY, _NOT_READY_PAST, about="a check was answered so that the work can't go on"),
    "wrong-answer": Words("wrong answer", _WRONG, _WRONG_PAST, about="record only: an answer that was never put right"),
    "not-proved": Words(
        "line not proved",
        "In band on the display, but CO2 came short after a turn and the sample line was not proved since: {prove_line}.",
        "CO2 fell short of its turns and the sample line had not been proved since.", _MANOMETER,
        about="in band, but a shortfall of CO2 was never cleared up",
    ),
    # ---- turns
    "large-turn": Words(
        "turn over the cap",
        {
            "once": "Row {row} is a turn of {turns:size}, over the cap of {cap:size}. If you made it, watch CO as it comes. If it "
            "is a slip, {void_row}.",
            "in_all": "{turns:size} in all since the last steady reading, over the cap of {cap:size}. Watch CO as it comes. If row "
            "{row} is a slip, {void_row}.",
        },
        {
            "once": "Row {row} was a turn of {turns:size}, over the cap of {cap:size}.",
            "in_all": "With row {row} {turns:size} in all were turned between two steady readings, over the cap of {cap:size}.",
        },
        ("Watch CO; if it climbs, turn back at once and log that turn too.",), about="the last turn was over the cap",
    ),
    "wrong-rate": Words(
        "turned at the wrong rate", "The {screw} screw was turned at {ran} fire. It is set and read at {own} fire.",
        "The {screw} screw was turned at {ran} fire.",
        ("Throttle at high fire, offset at low fire: change the rate, wait, read.",), about="turned at the other rate",
    ),
    "direction": Words(
        "direction found",
        {
            "sure": "On this valve the {screw} screw makes it leaner clockwise.",
            "seems": "On this valve the {screw} screw seems to make it leaner clockwise.",
        },
        {"sure": "Clockwise made it leaner at the {screw} screw.", "seems": "Clockwise seemed to make it leaner."},
        about="the way of a screw that nobody stated",
    ),
    "wrong-way": Words(
        "screw works the other way",
        {
            "sure": "CO2 went against the turns of the {screw} screw, as if clockwise made it {other}. Check 1 the turn as logged, "
            "2 the screw. Then {tell_way}.",
            "sure_or_air": "CO2 fell after a turn that should raise it. Check 1 the sample line, {tell_line}, 2 the turn as "
            "logged, 3 the screw: if clockwise makes it {other}, {tell_way}.",
            "doubt": "The {screw} screw may work the other way: CO2 seems to go against its turns. Was the turn logged as made?",
        },
        {
            "sure": "CO2 went against the turns of the {screw} screw.",
            "sure_or_air": "CO2 fell after a turn of the {screw} screw that should raise it.",
            "doubt": "CO2 seemed to go against the turns of the {screw} screw.",
        },
        (
            _LINE, "Turns logged the way they were made? If not, void them, log them right.",
            "Is it the right screw? Compare the picture in the maker's instructions.",
            "If this screw works the other way, log that check: the advice turns round.",
        ),
        about="a screw works against its stated direction", said_steps=4,
    ),
    "no-effect": Words(
        "screw does nothing",
        {
            "sure": "The {screw} screw does nothing: {moves} turns, no change. Right screw, cap off, tool gripping? If the turns "
            "were made, the valve is faulty: back as found, call the maker. If not, {void_turns}.",
            "doubt": "The {screw} screw may do nothing: was it really turned? Right screw, cap off, tool gripping?",
        },
        {
            "sure": "The {screw} screw did nothing: {moves} turns, no change.",
            "doubt": "The {screw} screw seemed to do nothing.",
        },
        (
            "Is it the right screw, and not its cap or lock?", "Does the tool grip, does the screw really turn?",
            "Was the reading taken after the wait?",
        ),
        give_up=True, about="a screw has no effect",
    ),
    "turn-unseen": Words(
        "turn without effect",
        "CO2 did not move with the last turn of the {screw} screw; the one before moved it. Was it made? If not, first {void_turn}.",
        "CO2 did not move with a turn of the {screw} screw, though the one before had moved it.",
        (_LOGGED, "Does the tool grip, does the screw really turn?"), about="a turn shows nothing though the one before did",
    ),
    "slack": Words(
        "play in the screw",
        "The {screw} screw has about {turns:size} of play: after a change of direction the first part of a turn does nothing. "
        "It is counted in.",
        "The {screw} screw had about {turns:size} of play.",
        ("Come to the last position always from the same side.",), about="the play of a screw",
    ),
    # ---- readings over time
    "air-in-sample": Words(
        "air in the sample",
        {
            "o2_up": f"{_JUMPED} and O2 went up. Air in the sample? A rich flame then looks lean. {{tell_loose_line}}",
            "no_o2": f"{_JUMPED}. Air in the sample? A rich flame then looks lean. {{tell_loose_line}}",
        },
        {"o2_up": f"{_JUMPED} and O2 went up.", "no_o2": f"{_JUMPED}."},
        (_LINE, _PRESSURE, _AIR, _READ_AGAIN), give_up=True, about="CO2 fell with no turn made",
    ),
    "pressure-due": Words(
        "gas pressure due",
        "CO2 fell from {expected:.1f} to {seen:.1f} % at {firing} fire with no turn made (row {row}), the line tight. Working "
        "pressure now, at high fire? No turn before it is read: set on a low pressure, the flame is rich once it is back.",
        "CO2 fell from {expected:.1f} to {seen:.1f} % at {firing} fire with no turn made (row {row}), the line tight.",
        (_PRESSURE, _AIR, _READ_AGAIN), give_up=True, said_steps=1,
        about="CO2 fell on a tight line and the working pressure was not read since",
    ),
    "changed-by-itself": Words(
        "CO2 changed by itself",
        f"{_JUMPED}. Still at {{firing}} fire? Then it was not the screws: look at air intake, filter, flue and gas pressure. "
        "{tell_loose_line}",
        f"{_JUMPED}.",
        (_LINE, _PRESSURE, _AIR, _READ_AGAIN), give_up=True, about="CO2 rose with no turn made",
    ),
    "fell": Words(
        "CO2 far too low", _FELL, dict.fromkeys(_FELL, _FELL_PAST),
        (_LINE, _PRESSURE, _AIR, _LOGGED), about="CO2 came far leaner than its turn, or change of rate, explains",
    ),
    "fell-short": Words(
        "CO2 short of its turn", _FELL["settled"], _FELL_PAST,
        (_LINE, _PRESSURE, _AIR, _LOGGED), about="CO2 came leaner than its turn explains",
    ),
    "fell-again": Words(
        "CO2 short of its turn again",
        "After the last turn CO2 should be {expected:.1f} % at {firing} fire; it is {seen:.1f} (row {row}), with the line "
        "tight: check the gas pressure. Was the turn made as logged? If not, {void_turn}.",
        f"{_FELL_PAST[:-1]}, the line tight.",
        (_PRESSURE, _AIR, _LOGGED), about="the same on a tight line",
    ),
    "drift": Words(
        "CO2 creeps",
        "CO2 crept from {first:.1f} to {last:.1f} % in {minutes:.0f} min with no turn made. Look at filter, air intake, flue and "
        "gas pressure. Go on when three readings in a row agree.",
        "CO2 crept from {first:.1f} to {last:.1f} % in {minutes:.0f} min with no turn made.",
        (_LINE, _PRESSURE, _AIR, _READ_AGAIN), give_up=True, about="CO2 creeps with no turn made",
    ),
    "not-settled": Words(
        "read too soon",
        {
            "rising": "Read {after_s:seconds} after the start, still rising from clean air. Wait, read again.",
            "no_change_logged": "No change to {firing} fire was logged: the wait counts from this reading.",
            "no_change_logged_row": "No change to {firing} fire was logged: the wait counts from this reading. If the boiler "
            "still runs at {other} fire, void row {row}.",
            "logged_off": "The log had the burner off, this reading is of a flame: the two minutes after lighting count from it.",
            "too_soon": "Read {after_s:seconds} after the change: too soon to set by.",
        },
        {
            "rising": "A reading came {after_s:seconds} after the start.",
            "no_change_logged": "No change to {firing} fire was logged.",
            "no_change_logged_row": "No change to {firing} fire was logged.",
            "logged_off": "A flame was read while the log had the burner off.",
            "too_soon": "A reading came {after_s:seconds} after the change before it.",
        },
        ("Wait as told and read again before any turn.",), about="the last reading was too soon, or its rate not logged",
    ),
    "co2-alone": Words(
        "CO2 alone", "CO2 alone can't tell lean from rich: read O2 and CO too.",
        "Only CO2 was read.", about="neither O2 nor CO was read",
    ),
    "analyser-accuracy": Words(
        "band narrower than the analyser",
        "The analyser is good to {accuracy:g} % CO2 either way; the band at {firings} fire is narrower. In band on its display "
        "is all that can be shown.",
        "The analyser was good to {accuracy:g} % CO2 either way, the band at {firings} fire is narrower.",
        about="the band is narrower than the analyser can prove",
    ),
    # ---- no way on
    "travel-limit": Words(
        "travel limit",
        "The {screw} screw is {limit:size} from as found, its travel limit, and {firing} fire is still too {side}. A sound "
        "valve needs no more. Check gas pressure, fuel and air; or put it back, call the maker.",
        "The {screw} screw stood at its travel limit and {firing} fire was still too {side}.",
        (
            "Gas pressure: standing and working, with the other appliances on.",
            "Fuel, injector and valve: the right ones for this boiler?", _AIR,
        ),
        give_up=True, about="the screw is at its travel limit",
    ),
    "low-rich": Words(
        "low fire too rich",
        "High fire is too lean. A turn richer would take low fire to where CO begins, and low fire can't be set leaner. The "
        "screws alone can't bring both in: check gas pressure and turndown, ask the maker.",
        "High fire was too lean, and low fire too rich to raise it.",
        (
            "Gas pressure, fuel, injector and valve: the right ones for this boiler?",
            "Fan speeds at high and low fire as the maker states?",
            "Ask the maker for both screws' starting positions.",
        ),
        give_up=True, about="low fire keeps high fire from its band",
    ),
    "no-safe-turn": Words(
        "no safe turn",
        {
            "way_unknown": "CO at {firing} fire is over half its limit, and nobody knows yet which way the {screw} screw makes "
            "it leaner: no turn to find out. Ask the maker, {tell_either_way}.",
            "none": "{firing:capital} fire may be out of band, and no turn is safe enough. The band may be finer than this display "
            "and screw can set: ask the maker.",
        },
        {
            "way_unknown": "CO at {firing} fire was over half its limit and the way of the {screw} screw not known.",
            "none": "{firing:capital} fire was not sure to be in band and no turn safe enough.",
        },
        (
            "Read again two or three times; a finer display or a finer turn may do.",
            "Ask the maker for the band and the smallest turn.",
        ),
        give_up=True, about="no turn is safe enough",
    ),
    # ---- about the log
    "closed": Words(
        "closed", "Closed on {at:moment}: the appliance was left {how}.", "Closed on {at:moment}.",
        about="the appliance was left and nothing was done since",
    ),
    "unknown-check": Words(
        "unknown check", "'{item}' is no check known here: kept as a remark. Known are {known} and what the guide asks.",
        "'{item}' is not a known check.", about="about an entry: a check of unknown name",
    ),
    "not-compared": Words(
        "not compared", "No data-plate range was given for the {item}: it is kept, and compared with nothing.",
        "No range of the data plate was given for the {item}.", about="about an entry: nothing to hold it against",
    ),
    "note-off": Words(
        "burner off in a remark", "Is the burner off? A remark does not say so: {log_off}.", "A remark told of something put off.",
        about="about an entry: a remark that may tell of the burner",
    ),
    "pressure-when": Words(
        "pressure read at another rate",
        {"standing": "Standing pressure is read with the burner off; this was logged {ran}.",
         "working": "Working pressure is read at high fire; this was logged {ran}."},
        {"standing": "The standing pressure was logged {ran}.", "working": "The working pressure was logged {ran}."},
        about="about an entry: a gas pressure was read where it says little",
    ),
    "back-dated": Words(
        "earlier moment", "This entry lies before the log's last one ({last}).", "An entry lay before the log's last entry.",
        about="about an entry: an earlier moment",
    ),
})  # fmt: skip


def finding_text(finding: Seen, voice: Voice = "log") -> str:
    """What was seen and what to do first."""
    return filled(_of(FINDINGS[finding.code].long, finding.variant), _data(finding), voice)


def past_text(finding: Seen) -> str:
    """How the record tells it once it is over."""
    return filled(_of(FINDINGS[finding.code].past, finding.variant), _data(finding))


def short_text(code: str) -> str:
    """A name in a few words."""
    return FINDINGS[code].short


def look_first(code: str) -> tuple[str, ...]:
    """What to look at first, in order; the last step where it may end with the appliance out of service."""
    words = FINDINGS[code]
    return (*words.look_first, GIVE_UP) if words.give_up else words.look_first


def is_alarm(code: str) -> bool:
    """Whether the sentence begins with what saves people."""
    return FINDINGS[code].alarm


def further_steps(code: str) -> tuple[str, ...]:
    """What to look at that its sentence does not say already."""
    return look_first(code)[FINDINGS[code].said_steps :]


def _of(words: str | Mapping[str, str], variant: str) -> str:
    return words if isinstance(words, str) else words[variant]


def _data(finding: Seen) -> dict[str, Any]:
    data = {"firing": finding.firing, "screw": finding.screw, **finding.data}
    if "item" in data:
        data["stop"] = (QUESTIONS.get(data["item"]) or pressure_words(data["item"])).stop
    return data
