# ruff: noqa: E501 (a sentence stays on its line)
"""The trainer's lessons as data: a stated boiler, what the hand did, and what there is to learn from it.

A script is what one would type at `advisor practise`. Texts may hold the figures of `lesson_play.figures`, so that
no number is told that the play did not give; one that many plays gave names its bench beside it. Boilers, bands and
pressures are invented.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from advisor.errors import RangeError
from advisor.screws import Firing
from advisor.training.simulator import BASE, Boiler, BurnerCO, Scenario, draw

# A boiler without spread: all of it is stated, only the flicker of the display is drawn.
STATED = replace(
    BASE,
    name="stated",
    gain_offset=(5.0, 0.0),
    gain_throttle=(4.0, 0.0),
    backlash_turns=(0.0, 0.0),
    dead_time_s=(10.0, 10.0),
    time_constant_s=(15.0, 15.0),
    as_found_sd_pct=0.0,
    noise_sd_pct=(0.02, 0.02),
    drift_pct=0.0,
    actuation_sd=0.0,
    analyser_sd_pct=0.0,
    turndown=(5.0, 5.0),
)
Picture = Literal["course", "air", "screw", "edge", "years"]
FOLLOW = "follow the adviser"  # the script of a lesson in which the hand does what the adviser says


@dataclass(frozen=True, eq=False)  # each is itself, and may be a key
class Lesson:
    """One lesson.

    found_pct  true CO2 as found at each rate; as: how the boiler differs from STATED; sets: fields set on the boiler
    opens      how many times as much gas the throttle lets through as it would to give found_pct
    script     commands of the hand, as at `practise`, or FOLLOW
    lesson     what there is to learn, in one sentence; it stands under the title
    did, showed, flame, cost, contrast  what happened, each in a sentence or two
    picture    what the slide shows: the course over time; the flame against air or hand; readings at an edge; two visits
    event      what was put right, as a picture names it
    looks      what the adviser's way looks at and puts right before it begins
    earlier    fields in which an earlier visit to this boiler differs: the hand's visit starts from its log
    """

    name: str
    title: str
    lesson: str
    scene: str
    found_pct: Mapping[Firing, float]
    script: str
    did: str = ""
    showed: str = ""
    flame: str = ""
    cost: str = ""
    contrast: str = ""
    question: str = ""
    answer: str = ""
    picture: Picture = "course"
    event: str = ""
    looks: tuple[str, ...] = ()
    seed: int = 1
    opens: float = 1.0
    fault: str = ""
    differs: Mapping[str, Any] = field(default_factory=dict)
    sets: Mapping[str, Any] = field(default_factory=dict)
    earlier: Mapping[str, Any] = field(default_factory=dict)

    def boiler(self) -> Boiler:
        """The lesson's boiler, new."""
        scenario: Scenario = replace(STATED, **self.differs)
        rng = np.random.default_rng(self.seed)
        boiler = draw(scenario, rng, self.found_pct, fault=self.fault, stated={"co": BurnerCO(), **self.sets})
        boiler.ratio *= self.opens
        return boiler


LESSONS = (
    Lesson(
        "good-job",
        "A good job, for contrast",
        "Small first turn, wait, read, then as far as the valve has shown: in band with no overshoot.",
        "Both rates are lean; a lively valve, some slack, a hand that errs a little. The hand follows the adviser.",
        {"high": 8.0, "low": 7.8},
        FOLLOW,
        did="Tested line and pressure, then high fire, low fire, high fire: {turns}, each on a settled reading.",
        showed="{before_1:.1f} % before the first turn; in band at both rates at the end, read more than once.",
        flame="High fire came into the band and stayed there: {left_high:.2f} %. Low fire went along with the throttle, into its own band and not past it: {left_low:.2f} %.",
        cost="{minutes:.0f} min with both tests, CO never above {co:.0f} ppm air-free.",
        contrast="The same tests, then 1/12 turn at a time until the display is in band: {other_turns}, {other_overshoots} overshoots at the rate fired, {other_minutes:.0f} min.",
        question="The band was far off. Why did the first turn go only a part of the way?",
        answer="It was there to find out what this screw does. Only then is a larger move safe: small first, wait, read, then as far as you know.",
        differs={
            "gain_throttle": (10.0, 0.0), "gain_offset": (7.0, 0.0), "actuation_sd": 0.05, "drift_pct": 0.02,
            "backlash_turns": (1 / 48, 1 / 48), "noise_sd_pct": (0.03, 0.03),
        },
        seed=2,
    ),
    Lesson(
        "gas-pressure",
        "Wrong gas pressure taken for a bad valve",
        "Measure the gas pressure before you turn: once it is put right, a flame trimmed on low pressure is too rich.",
        "High fire is lean with the old valve and with the new one. The gas cock upstream is half shut.",
        {"high": 9.2, "low": 8.8},
        "check line; high; wait 150; read; turn 1/8 cw; wait 100; read; turn 1/8 cw; wait 100; read; turn 1/24 cw; wait 100; read; check pressure; mend; wait 100; read",
        did="Turned the throttle richer until high fire was in band; measured the working pressure last, and opened the cock.",
        showed="{shown_1:.1f} % as found, {shown_4:.1f} % as set; {shown_5:.1f} % once the pressure was right.",
        flame="Had been lean for want of gas. With the pressure back it went to {peak:.1f} %, {past:.1f} % past the band, CO {co:.0f} ppm air-free.",
        cost="A sound valve thrown away, {minutes:.0f} min, and a boiler left too rich the day the gas comes back.",
        contrast="Wants the working pressure beside the data plate's range; outside it, it stops before any turn.",
        question="The screw did bring high fire into the band. Why was the job still wrong?",
        answer="It trimmed away a fault of the supply. When the pressure comes back, the flame is about as much too rich as it was too lean. Working pressure first, at maximum fire.",
        fault="falling gas pressure",
        differs={"gain_throttle": (5.0, 0.0)},
        sets={"fault_from_s": -1000.0},
        event="cock opened",
    ),
    Lesson(
        # That too little air makes the flame richer is this made-up boiler's way. Where the valve senses the air at the
        # intake, gas falls with it (common practice, no source): the answer says so.
        "intake",
        "A blocked air intake",
        "Look at the air before you turn: too little air reads like too much gas, and a setting made on it is lean once the air is back.",
        "High fire is far too rich with the new valve. A bag is sucked against the air intake: one sixth of the air is missing.",
        {"high": 9.05, "low": 8.7},
        "check line; check pressure; high; wait 150; read; turn 1/8 ccw; wait 100; read; turn 1/8 ccw; wait 100; read; check air; mend; wait 100; read",
        did="Took it for the valve and turned the throttle leaner twice, until high fire was in band; then saw the bag, and took it off.",
        showed="{shown_1:.1f} % as found; {shown_3:.1f} % as set, O2 in step each time. With the bag off: {shown_4:.1f} %.",
        flame="Burned at {peak:.1f} % with {co:.0f} ppm CO air-free. With the air back it was left at {left_high:.1f} %, {below:.1f} % below the band: it may lift or lock out.",
        cost="{minutes:.0f} min to spoil a setting that was right, and both rates to be set again.",
        contrast="Here the air was looked at first: {other_turns}. If nobody looks, it only warns of the CO it reads, and sets the flame on too little air as well.",
        question="CO2, O2 and CO agreed at every reading. Why did they not show what was wrong?",
        answer="They show how much air there is for the gas, not why: too little air and too much gas read alike. Where the valve senses the air at the intake, gas falls with it, and they show even less. Intake, filter and flue first.",
        fault="blocked intake",
        differs={"gain_throttle": (6.0, 0.0)},
        sets={"fault_from_s": -1000.0},
        event="bag taken off",
        looks=("air",),
    ),
    Lesson(
        "air",
        "Air in the sample",
        "Prove the sample line before you turn: air in the sample reads lean, and the flame is set too rich.",
        "A hose is cracked: one eighth of what the analyser draws is room air. The flame is in band as found.",
        {"high": 9.2, "low": 8.8},
        "check pressure; high; wait 150; read; turn 1/12 cw; wait 100; read; turn 1/12 cw; wait 100; read; turn 1/12 cw; wait 100; read; turn 1/24 cw; wait 100; read; check line; mend; wait 100; read",
        did="Believed the display, turned richer four times until it was in band, and tested the sample line last.",
        showed="{shown_1:.1f} % as found, {shown_5:.1f} % as set, O2 in step with it all the way. With a sound hose: {shown_6:.1f} %.",
        flame="Was right before the first turn. It was set to {peak:.1f} %, {beyond:.1f} % past the band, CO {co:.0f} ppm air-free and climbing.",
        cost="{minutes:.0f} min, and all of it to be done again from the start.",
        contrast="Asks for the tightness test first; with the hose mended it makes {other_turns}. Told \"tight\" when it is not, it goes wrong too.",
        question="O2 and CO2 agreed at every reading. Why did that prove nothing?",
        answer="Air thins CO2 and adds O2 exactly as a leaner flame does: both slide along the same line. Only the test shows it: close the probe's tip, the pump must stall.",
        fault="air in the sample",
        differs={"gain_throttle": (5.0, 0.0)},
        sets={"sample_share": 0.87},
        event="hose mended",
    ),
    Lesson(
        "wrong-fuel",
        "The analyser on the wrong fuel",
        "Check the analyser's fuel before you turn: on the wrong one a good flame reads rich, and is set too lean.",
        "The last job was on propane, and the analyser still is. The boiler burns natural gas and is in band as found.",
        {"high": 9.2, "low": 8.8},
        "check line; check pressure; high; wait 150; read; turn 1/8 ccw; wait 100; read; turn 1/8 ccw; wait 100; read; turn 1/24 ccw; wait 100; read",
        did="Read {shown_1:.1f} % CO2, far too rich it seemed, and turned leaner until the display was in band.",
        showed="{shown_1:.1f}, {shown_2:.1f}, {shown_3:.1f}, {shown_4:.1f} % CO2: in band. O2 rose to {o2:.1f} %.",
        flame="Was leaned from {found_high:.1f} to {left_high:.1f} %, {below:.1f} % below the band. It may lift or lock out on a windy day.",
        cost="{minutes:.0f} min to take a good setting away; found only when the boiler fails.",
        contrast="Stops at the first reading with O2, names the other fuel, and after that makes {other_turns}.",
        question="{shown_4:.1f} % CO2 with {o2:.1f} % O2: what gives it away?",
        answer="Natural gas with {shown_4:.1f} % CO2 has {o2_right:.1f} % O2. Most analysers work CO2 out from O2 and the fuel set, so the pair lies on the wrong fuel's line.",
        fault="analyser on another fuel",
        event="fuel set right",
    ),
    Lesson(
        "rich-side",
        "The rich side that looks lean",
        "Never turn richer on CO2 alone: the same CO2 is also found on the rich side, and only O2 and CO tell them apart.",
        "The new valve was fitted with its throttle far open. The burner runs rich, with too little air.",
        {"high": 9.2, "low": 8.8},
        "check line; check pressure; high; wait 150; read; turn 1/12 cw; wait 100; read; turn 1/12 cw; wait 100; read",
        did="Looked at CO2 alone, took it for lean and turned 1/12 richer; it fell, so once more.",
        showed="CO2 {shown_1:.1f}, {shown_2:.1f}, {shown_3:.1f} %, as if ever leaner. O2 0.0 %, CO off the scale of any good flame.",
        flame="Was rich of stoichiometric all the time. Each turn added gas that found no air: CO up to {co_share:.0f} % of the flue gas.",
        cost="{minutes:.0f} min of a flame that kills if its flue gas gets indoors, and soot in the exchanger.",
        contrast="Stops at its first look, seconds after lighting and before any turn: CO in the thousands.",
        question="CO2 is {shown_1:.1f} % here, and may be {shown_1:.1f} % on a sound boiler. What tells them apart?",
        answer="O2 and CO: lean has O2 of nearly 6 % and some tens of ppm CO; rich has no O2 and CO in per cent. And CO2 that falls when gas is added. Never turn richer on CO2 alone. Rich: burner off, air the room.",
        seed=6,
        opens=1.54,
        picture="air",
    ),
    Lesson(
        "too-far",
        "Turning too far",
        "Make the first turn a small one: nobody knows yet what a turn does on this valve.",
        "High fire was found lean. The valve is a lively one, which nobody knows yet.",
        {"high": 8.2, "low": 7.8},
        "check line; check pressure; high; wait 150; read; turn 1/4 cw; wait 130; read; turn 1/8 ccw; wait 130; read; turn 1/24 ccw; wait 100; read; low; wait 90; read; high; wait 60; read",
        did="Thought of the last valve and turned the throttle 1/4 turn richer in one go; came back in two moves.",
        showed="{shown_1:.1f} %, then {shown_2:.1f} %.",
        flame="Went {beyond:.1f} % past the band, to {peak:.1f} %; CO rose to {co:.0f} ppm air-free, over the limit of {limit:.0f}.",
        cost="{lost:.0f} min of a flame too rich with its CO in the flue, and two moves to come back.",
        contrast="Finds out with one mark first; then it knows how far to go. CO stays at {other_co:.0f} ppm.",
        question="The turn was meant to bring 1 % CO2 and brought {moved_1:.1f} %. What should the first move be for?",
        answer="For finding out. What a turn does differs from valve to valve by several times; until this one has shown it, only a small move is safe.",
        differs={"gain_throttle": (12.0, 0.0)},
    ),
    Lesson(
        "too-soon",
        "Reading too soon: chasing the lag",
        "Wait until the display stands still: who turns on a figure that still moves overshoots.",
        "High fire is lean. The sample takes 15 s to arrive, and the display follows it for more than a minute.",
        {"high": 8.2, "low": 7.8},
        "check line; check pressure; high; wait 240; read; turn 1/12 cw; wait 5; read; turn 1/12 cw; wait 5; read; turn 1/12 cw; wait 5; read; turn 1/12 cw; wait 20; read; turn 1/12 ccw; wait 5; read; turn 1/12 ccw; wait 5; read; turn 1/12 ccw; wait 5; read; wait 240; read",
        did="Turned 1/12 richer, looked 13 s later, saw too little and turned again: four times in all. Then three times back.",
        showed="{shown_1:.1f}, {shown_2:.1f}, {shown_3:.1f}, {shown_4:.1f}, {shown_5:.1f} % on the way up; still {shown_6:.1f} and {shown_7:.1f} % while the hand was turning back.",
        flame="Was at {peak:.1f} %, with {co:.0f} ppm CO air-free, when the display reached {shown_5:.1f}. It ends at {left_high:.1f} %, out of band on the other side.",
        cost="{minutes:.0f} min, {turns}, {unsettled} of them on a figure that still moved, and nothing is set.",
        contrast="Makes {other_turns_high} at high fire, waits out each of them, and never passes the band.",
        question="Where was the flame after the first turn, and what did the display show then?",
        answer="At {true_1:.1f} %, close to the band; the display still showed {shown_2:.1f} %. It tells what the flame was a minute ago. The wait is part of the move.",
        differs={"gain_throttle": (8.0, 0.0), "dead_time_s": (15.0, 15.0), "time_constant_s": (30.0, 30.0)},
    ),
    Lesson(
        "slack",
        "Coming back through the slack",
        "After a change of direction slack comes first: a turn back that shows nothing is no reason for a big one.",
        "Low fire is too rich; the screw was last turned clockwise. It has 1/20 turn of slack.",
        {"high": 9.2, "low": 9.4},
        "check line; check pressure; high; wait 150; read; low; wait 100; read; turn 1/24 ccw; wait 100; read; turn 1/24 ccw; wait 100; read; turn 1/6 ccw; wait 100; read; turn 1/12 cw; wait 100; read; turn 1/12 cw; wait 100; read",
        did="Turned 1/24 back: nothing. Again 1/24: little. \"A weak screw\": 1/6 turn at once. Then had to come back.",
        showed="{shown_2:.1f}, {shown_3:.1f}, {shown_4:.1f}, then {shown_5:.1f} %.",
        flame="Fell through the band to {least:.1f} %, {beyond:.1f} % too lean: a flame that may lift, a burner that may lock out.",
        cost="{lost:.0f} min too lean and two more moves; of the first, slack swallowed the greater part.",
        contrast="Reckons with slack after a change of direction: mark by mark, through the band's edge and no further.",
        question="The first 1/12 turn forward again moved the flame by only {moved_4:.2f} %. Where did the rest go?",
        answer="Into the slack. After each change of direction the first part of a turn moves nothing. A move back that shows little is no reason for a big one.",
        differs={"backlash_turns": (1 / 20, 1 / 20), "gain_offset": (6.0, 0.0)},
        sets={"play_at": {"offset": -1 / 40, "throttle": 0.0}},
        picture="screw",
    ),
    Lesson(
        "reversed",
        "A reversed screw",
        "If CO2 moves against your turn, stop and look which way the screw works.",
        "High fire is too rich. On this valve clockwise makes it leaner, the other way round from what was taken.",
        {"high": 9.8, "low": 9.3},
        "check line; check pressure; high; wait 150; read; turn 1/12 ccw; wait 100; read; turn 1/12 ccw; wait 100; read; turn 1/12 ccw; wait 100; read",
        did="Turned counterclockwise to make it leaner; as CO2 was still too high, did so twice more.",
        showed="{shown_1:.1f}, {shown_2:.1f}, {shown_3:.1f}, {shown_4:.1f} %: up with every turn.",
        flame="Went from {found_high:.1f} to {peak:.1f} %; CO to {co:.0f} ppm air-free, over the limit of {limit:.0f}.",
        cost="{minutes:.0f} min, {turns}, all the wrong way, and a burner that must be shut down.",
        contrast="Stops when CO2 moves against a turn, asks for a look at the screw, then goes on the right way.",
        question="After which reading could the hand have known?",
        answer="After the second, {shown_2:.1f} %: a turn meant to lean it raised CO2 by several steps of the display. Against the turn by more than flicker: stop and look.",
        fault="reversed screw",
        differs={"gain_throttle": (6.0, 0.0)},
    ),
    Lesson(
        "dead-screw",
        "A screw that does nothing",
        "A screw that moves nothing is not weak but faulty: stop, don't turn ever further.",
        "High fire is lean. The throttle screw turns, but its thread is stripped: nothing moves inside.",
        {"high": 8.3, "low": 8.5},
        "check line; check pressure; high; wait 150; read; low; wait 100; read; high; wait 100; read; turn 1/24 cw; wait 100; read; turn 1/12 cw; wait 100; read; turn 1/8 cw; wait 100; read; turn 1/4 cw; wait 100; read",
        did="Turned 1/24 richer, then ever more, up to 1/4 turn at once: it must bite some day.",
        showed="{shown_3:.1f} % before the first turn and {shown_7:.1f} % after the last.",
        flame="Stayed at {left_high:.1f} %. Had the screw caught on the last turn, no one could have said where.",
        cost="{minutes:.0f} min, {turns}, and a screw {travel} turn from where it was found.",
        contrast="Stops after {other_turns_high} at high fire: is it the right screw, does the tool grip? If so, the valve is faulty: as found, and call the maker.",
        question="Three turns, no change. Why is a fourth and larger one the wrong answer?",
        answer="A screw that does nothing is not a weak one. Slack can eat one small turn, not three the same way. What catches late, catches at once and far. Stop and look.",
        fault="dead screw",
    ),
    Lesson(
        "lucky",
        "Stopping on one lucky reading",
        "One reading at the edge of the band proves nothing: read again, or go further in.",
        "High fire is just below the band. The display steps by 0.1 % and the flame flickers.",
        {"high": 8.9, "low": 8.8},
        "check line; check pressure; high; wait 150; read; low; wait 100; read",
        did="Read once at each rate, saw both in band and packed up.",
        showed="{shown_1:.1f} % at high fire, where the band begins at 9.0; {shown_2:.1f} % at low fire.",
        flame="Burned at {left_high:.2f} % at high fire: {below:.2f} % below the band, before and after.",
        cost="{minutes:.0f} min, and a boiler signed off out of band; more readings would have shown it.",
        contrast="Goes further in by small turns, reads again near the edge, and sets low fire, which goes along: {other_turns}. High fire is left at {other_left_high:.2f} %.",
        question="The display says 9.0 and the band begins at 9.0. How sure is that?",
        answer="Not sure at all: 9.0 stands for 8.95 to 9.05, and the flame flickers by as much again. Readings cost seconds: take more, or go a mark further in.",
        seed=30,
        differs={"noise_sd_pct": (0.05, 0.05)},
        picture="edge",
    ),
    Lesson(
        # How often fewer turns: tests/bench/again.py --visits 40.
        "second-look",
        "The same boiler a year later",
        "With the log of the last visit the first turn may be a larger one; but read it before the next: a year changes a valve.",
        "High fire is as lean again as it was a year ago. The log of that visit is there: advisor open new.csv --from old.csv. A turn does a quarter less by now, which nobody knows yet.",
        {"high": 8.4, "low": 8.2},
        FOLLOW,
        did="Tested line and pressure, then high fire, low fire, high fire. The first turn was {turn_1}: a year ago it was {earlier_turn_1}, as nobody knew the valve.",
        showed="{before_1:.1f} % before the first turn. {expected:.1f} % was expected after it, likely {expected_low:.1f} to {expected_high:.1f}; {before_2:.1f} % came, less than last year's valve would have given.",
        flame="Went from {found_high:.1f} to {left_high:.2f} % at high fire, in band and never past it. Low fire went along, to {left_low:.2f} %.",
        cost="{minutes:.0f} min, {turns}; a year ago {earlier_minutes:.0f} min, {earlier_turns}.",
        contrast="The same visit with an empty log begins with {other_turn_1}, as if nobody had ever been here.",
        question="The valve was seen at work a year ago. Why not turn the whole way at once?",
        answer="A log is a better first guess, no proof: here a turn did a quarter less. Of 39 such pairs of made-up visits 27 took fewer turns with the log, 7 as many, 5 more. Once the valve was changed it tells nothing: start small.",
        differs={"gain_throttle": (3.0, 0.0), "actuation_sd": 0.05, "backlash_turns": (1 / 48, 1 / 48), "noise_sd_pct": (0.03, 0.03)},
        seed=102,
        picture="years",
        earlier={
            "seed": 2,
            "differs": {"gain_throttle": (4.0, 0.0), "actuation_sd": 0.05, "backlash_turns": (1 / 48, 1 / 48), "noise_sd_pct": (0.03, 0.03)},
        },
    ),
)  # fmt: skip


def by_name(name: str) -> Lesson:
    """The lesson of that name, in any case or cut short. RangeError where there is none, or more than one."""
    fitting = [lesson for lesson in LESSONS if lesson.name.startswith(name.strip().lower())] if name.strip() else []
    fitting = [lesson for lesson in fitting if lesson.name == name.strip().lower()] or fitting
    if len(fitting) != 1:
        raise RangeError(f"lesson '{name:.40}' is not known: it is one of {', '.join(each.name for each in LESSONS)}")
    return fitting[0]
