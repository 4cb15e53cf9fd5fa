"""The guided visit: from no log to the end, left and resumed, with slips, in memory and in a pseudo-terminal."""

import io
import os
import pty
import re
import select
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import NamedTuple, TextIO

import pytest
from console import called
from on_site import ANSWERS, Desk, OnSite, boiler
from replay import record

from advisor import Job
from advisor.cli.guide import Guide
from advisor.cli.terminal import TYPED_EARLY, Heard, Stop, Terminal
from advisor.errors import LogError
from advisor.log import file as job_log
from advisor.log.check_items import AIR_C, FLUE_C, INPUT_RATE
from advisor.log.events import Event
from advisor.procedure.stages import STAGES
from advisor.report.layout import columns
from advisor.training.simulator import Boiler
from advisor.wording.findings import FINDINGS

pytestmark = pytest.mark.usefixtures("workplace")

HERE, LOG = Path(__file__).resolve().parent, Path("visit.csv")


def walked(desk: Desk, path: Path = LOG) -> Desk:
    Guide(path, desk, desk.now).run()  # type: ignore[arg-type]
    return desk


class Remembering(Desk):
    """Keeps the boiler and the log as they were when each question first came."""

    def __init__(self, path: Path) -> None:
        super().__init__(boiler=boiler())
        self.path = path
        self.came: dict[str, tuple[Boiler, bytes]] = {}

    def ask(self, question: str) -> str:
        if self.path.exists():
            self.came.setdefault(question, (deepcopy(self.boiler), self.path.read_bytes()))
        return super().ask(question)


@cache
def whole_visit() -> tuple[Remembering, Job]:
    """A whole visit on a sound boiler, once for the tests that only look at it or go on from the midst of it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "visit.csv")
        return walked(Remembering(path), path), Job.load(path)


def come_to(question: str) -> tuple[Boiler, bytes]:
    """The boiler and the log of a visit that has come to a question."""
    return next(found for asked, found in whole_visit()[0].came.items() if asked.startswith(question))


def desk_at(question: str, kind: type[Desk] = Desk) -> Desk:
    """A technician in a visit that has come to a question."""
    site, rows = come_to(question)
    LOG.write_bytes(rows)
    return kind(boiler=deepcopy(site))


def events(path: Path = LOG) -> tuple[Event, ...]:
    return job_log.read_log(path).events


def logged(part: str = "", path: Path = LOG) -> list[str]:
    """The rows of the log, in words, that have this in them."""
    rows = [" ".join(filter(None, (e.event, e.screw, e.item, e.value, e.note))) for e in events(path)]
    return [row for row in rows if part in row]


# ---- a whole visit


def test_a_whole_visit_from_no_log_to_the_end() -> None:
    """Every stage done, both rates truly in band, every turn in the log, nothing barred."""
    desk, job = whole_visit()
    progress = job.progress(desk.now())
    assert [state.state for state in progress.states] == ["done"] * len(STAGES)
    assert progress.barred is None
    assert record(job).missing == ()
    for firing, (low, high) in job.setup.bands.items():
        assert low <= desk.boiler.settled_pct(firing) <= high
    turned = sum(e.turns_cw or 0 for e in job.events if e.screw == "throttle")
    assert turned == pytest.approx(desk.boiler.hand["throttle"], rel=0.2)
    assert desk.text.endswith("The visit is over; the appliance is left in service.")


def test_cautions_are_said_once() -> None:
    """Each stage's caution stands where the stage begins, and nowhere else."""
    text = " ".join(whole_visit()[0].text.split())
    for stage in STAGES:
        assert text.count(stage.words.caution) == 1, stage.name
        head = f"{stage.words.called.capitalize()}{': ' if stage.words.does else ''}{stage.words.does}."
        assert text.index(head) < text.index(stage.words.caution)


def test_nothing_said_is_wider_than_a_terminal() -> None:
    """80 columns, and no control codes but line ends."""
    for line in whole_visit()[0].text.splitlines():
        assert columns(line) <= 80 or ": " in line, line  # a question is wrapped as it is printed
        assert line.isprintable(), line


def test_what_is_measured_keeps_how_and_where_it_was_measured() -> None:
    """The input rate is in kW with dial, time and heating value; temperatures belong to the rate that runs."""
    running, at = "", []
    for event in whole_visit()[1].events:
        running = event.firing or running
        if event.item in (FLUE_C, AIR_C):
            at.append((event.item, running))
        if event.item == INPUT_RATE:
            timed = (event.value, event.unit, event.note, running)
    assert timed == ("35.4", "kW", "0.1 m3 112 s, 38.5 MJ/m3, volume factor 1.030", "high")
    assert list(dict.fromkeys(at)) == [(item, rate) for rate in ("high", "low") for item in (FLUE_C, AIR_C)]


GIVEN_TOGETHER = ("Why this visit", "Working pressure", "Your name")  # or not asked at this kind of visit


class Leaves(Desk):
    """Leaves at the first question."""

    def ask(self, question: str) -> str:
        if question.startswith("Taken up again"):
            return super().ask(question)
        self.printed.append(question)
        raise Stop


def test_left_at_any_question_it_resumes_at_the_same_one() -> None:
    """Come back to the visit at each of its questions: the same question first, every row still there."""
    came = whole_visit()[0].came
    assert len(came) > 40
    for question, (site, rows) in came.items():
        LOG.write_bytes(rows)
        desk = walked(Leaves(boiler=deepcopy(site)))
        assert question in desk.printed
        assert "Left. All that was entered is saved" in desk.text
        assert LOG.read_bytes() == rows
    for start, _ in ANSWERS[5:]:
        if start not in GIVEN_TOGETHER:
            assert any(question.startswith(start) for question in came), start


# ---- slips


SLIPS = [
    # question, what is typed first, what is said
    ("CO2 band at high", "9.0:9,4", "band '9.0:9,4' has a comma. Did you mean 9.0:9.4?"),
    ("CO2 band at high", "9.0", "band '9.0' has no colon."),
    ("Fuel", "", "Enter alone is no answer here."),
    ("Room CO alarm", "", "Enter alone is no answer here."),
    ("Room CO alarm", "perhaps", "'perhaps' is no answer here: type yes or no"),
    ("Standing pressure", "204", "STOP. standing pressure 204 mbar"),
    ("At high fire", "81 6.5", "81 % CO2 can't be. Did you mean 8.1?"),
    ("At high fire", "8,1", "CO2 '8,1' has a comma. Did you mean 8.1?"),
    ("At high fire", "8.1 65 24", "65 % O2 can't be. Did you mean 6.5?"),
    ("At high fire", "eight", "'eight' is not understood: type CO2 O2 CO, such as 8.1 6.5 24"),
    ("At high fire", "", "Enter alone is no answer here: type CO2 O2 CO"),
    ("What did you turn", "2 cw", "'2 cw': degrees or turns? Say 2deg cw"),
    ("What did you turn", "1/24", "Which way? Say 1/24 cw"),
    ("What did you turn", "", "Enter alone is no answer here: yes, if you turned it so, or what you turned"),
    ("What did you turn", "no", "Then nothing was logged."),
    ("At high fire", "8.3", "8.3: CO2 or CO? Type co 8.3, or CO2 O2 CO"),
    ("At high fire", "co2 8.3", "CO2 alone can't tell lean from rich"),
    ("What did you turn", 'check "sample', "a quote is not closed"),
    ("What did you turn", "void 99", "row 99 is not in this log"),
    ("What did you turn", "void 1.5", "row '1.5' is not a whole number"),
    ("The appliance is left", "?", "Out of service where a stop stands"),
]


@pytest.fixture(scope="module")
def slipping(tmp_path_factory: pytest.TempPathFactory) -> tuple[Desk, list[str]]:
    """A visit in which every slip is made."""
    path = tmp_path_factory.mktemp("slips") / "visit.csv"
    desk = Desk(boiler=boiler())
    for question, typed, _ in SLIPS:
        desk.instead.setdefault(question, []).append(typed)
    return walked(desk, path), logged(path=path)


@pytest.mark.parametrize(("question", "typed", "message"), SLIPS, ids=[f"{row[0]}: {row[1]}" for row in SLIPS])
def test_a_slip_gets_one_sentence_and_the_question_again(
    slipping: tuple[Desk, list[str]], question: str, typed: str, message: str
) -> None:
    """Nothing false is logged, the question comes again, the visit goes on to its end."""
    desk, rows = slipping
    slip = next(n for n, line in enumerate(desk.printed) if line.startswith(question) and line.endswith(f": {typed}"))
    again = next(n for n, line in enumerate(desk.printed) if n > slip and line.startswith(question))
    assert message in " ".join(" ".join(desk.printed[slip + 1 : again]).split())
    assert message.startswith("STOP") or not typed or not any(typed in row.split() for row in rows)
    assert "The visit is over" in desk.text


# ---- what else is typed


class Scene(NamedTuple):
    """What is typed instead of what is usual, from a question on; what is said; which rows with `part` are logged."""

    shows: str
    typed: dict[str, list[str]]
    says: tuple[str, ...] = ()
    part: str = ""
    rows: list[str] | None = None
    at: str = ""
    hears: tuple[Heard, ...] = ()
    fault: str = ""


NO_ENTER, NO_REASON = "Enter alone is no answer here.", "is no reason: say why in words. A reading or a turn is asked"
SCENES = [
    Scene("a block is not passed by its answer",
          {"Every gas joint": ["leaking", "l"], "Inlet pressure": ["stop"]}, ("STOP. opened joints: leaking.",),
          "opened joints", [f"check opened joints {answer}" for answer in ("leaking", "leaking", "tight")]),
    Scene("in service is refused where proof is missing",
          {"Case or cover": ["skip"], "Why is 'proof' skipped": ["no cover"], "The appliance is left": ["in", "out"]},
          ("Can't be logged as in service, proof with cover on was skipped (no cover)", "Skipped proof: no cover"),
          "appliance left", ["check appliance left out of service"], at="Case or cover"),
    Scene("in service is refused after a stop that was skipped past",
          {"Safety devices": ["no", "skip"], "Why is 'close up'": ["hurry"], "The appliance is left": ["in", "out"]},
          ("STOP. safety devices: no.", "Can't be logged as in service, closing up has a wrong answer: safety"),
          "appliance left", ["check appliance left out of service"], at="Case or cover"),
    Scene("an input rate off the data plate is asked again, Enter does not leave it out, back strikes it",
          {"Only this boiler": ["22", "0.1 m3 1120", "", "0.1 m3 1125", "back"]},
          ("'22': dial, its unit and the seconds",
           "STOP. input rate 3.54 kW", NO_ENTER, "the appliance is left in service."),
          "volume factor", [f"check input rate {kw} 0.1 m3 {seconds} s, 38.5 MJ/m3, volume factor 1.030"
                            for kw, seconds in (("3.54", 1120), ("3.53", 1125), ("35.4", 112))],
          at="Case or cover"),
    Scene("a skip without a reason is none",
          {"Maker's instructions": ["skip"], "Why is 'before' skipped": [""], "Maker's CO": ["stop"]},
          rows=["check maker's instructions yes"]),
    Scene("an entry is no reason for a skip",
          {"Maker's instructions": ["skip"], "Why is 'before'": ["8.1 6.6 15"], "Maker's CO": ["stop"]},
          (f"'8.1 6.6 15' {NO_REASON}",), rows=["check maker's instructions yes"]),
    Scene("back strikes the last answer and asks it again",
          {"Maker's CO": ["back", ""], "Room CO": ["stop"]},
          ("Struck row 1, ", ", check: maker's instructions yes."), "",
          ["check maker's instructions yes", "void row 1", "check maker's instructions yes",
           "note not measured CO limit left out"]),
    Scene("void says what it struck", {"At high fire": ["void", "stop"]},
          ("Struck row 30, ", "Not meant? Undo it: type void 31"),
          "void", ["void row 30"], at="At high"),
    Scene("back strikes only a turn that was never made",
          {"What did you turn": ["yes", "stop"], "At high fire": ["back", "back"], "Row ": ["no", "yes"]},
          ("Then it stays: a turn that was made is turned back with a turn of its own.",),
          "void", ["void row 32"], at="What did"),
    Scene("the way of a screw is not taken for granted",
          {"The throttle screw clockwise": ["", "unknown leaner"],
           "Gas on": ["stop"]},
          (NO_ENTER, "(richer, leaner, unknown; both screws: richer leaner): "),
          "clockwise", ["check throttle clockwise unknown", "check offset clockwise leaner"]),
    Scene("low fire is not headed as set where high fire was skipped",
          {"What did you turn": ["skip", "stop"], "Why is 'high fire' skipped": ["set last year"]},
          ("Low fire: high fire comes first, though it was skipped.",),
          "skipped", ["note skipped stage high fire set last year"], at="What did"),
    Scene("trouble is said where it is found",
          {"At high fire": ["8.3 6.2 900"], "A new reading": ["?", "stop"]},
          ("900 BURNER OFF. Air the room.", "1 Air intake, filter, fan and flue: blocked", "You may also type: high"),
          at="At high"),
    Scene("a wait cut short is logged with its reason; without one it goes on",
          {"What did you turn": ["yes"], "Why is the wait cut short": ["", "display steady"], "At high fire": ["stop"]},
          part="cut short", rows=["note wait cut short 40 display steady"], at="What did",
          hears=(Heard(40.0), Heard(40.0))),
    *(
        Scene(f"{entry} is no reason for a wait cut short",
              {"What did you turn": ["yes"], "Why is the wait cut short": [entry, "display steady"],
               "At high fire": ["stop"]},
              (f"'{entry}' {NO_REASON}",), "cut short", ["note wait cut short 40 display steady"],
              at="What did", hears=(Heard(40.0), Heard(40.0)))
        for entry in ("8,2", "1/24 cw", "throttle 1/24 ccw", "high", "check x y")
    ),
    Scene("a turn over the cap is logged as it was made, and is said before its wait",
          {"What did you turn": ["may 1/4 cw", "1/4 cw"], "At high fire": ["stop"]},
          ("No: throttle screw: 90° (1/4 turn) clockwise, richer. Over the cap",
           ": 1/4 cw Not advised: Over the cap of 45° "
           "(1/8 turn) at a time. Row "),
          "turn", ["turn throttle"], at="What did"),
    Scene("a turn the other way than advised is said before its wait",
          {"What did you turn": ["1/48 ccw"], "At high fire": ["stop"]},
          ("That is the other way than advised: throttle screw 15° (1/24 turn) clockwise. If it was made so, watch CO "
           "and wait; if not, type back. Wait 1 min",), at="What did"),
    Scene("a reading typed where a turn was due asks for the turn, and logs it with its CO",
          {"What did you turn": ["8.5 5.8 20"], "Did you turn first": ["yes"], "At high fire": ["stop"]},
          ("(yes: 15 cw, as advised; no; or what you turned): yes When it was turned is not known: of this reading "
           "only CO counts.",),
          "turn", ["turn throttle"], at="What did"),
    Scene("a reading typed where a turn was due is one where none was made",
          {"What did you turn": ["8.3 6.2 21", "stop"], "Did you turn first": ["no"]},
          ("CO 21 ppm",), "turn", [], at="What did"),
    Scene("high CO typed where a turn was due waits for no answer",
          {"What did you turn": ["8.3 6.2 900"], "A new reading": ["stop"]}, ("900 BURNER OFF. Air the room.",),
          at="What did"),
    Scene("a whole reading typed where the rate was to be changed is of the rate that runs, until it was changed",
          {"Change to low": ["9.2 4.7 21", "8.2 6.4 21"], "Has it been changed to low fire": ["no", "yes"],
           "At low fire": ["stop"]}, part="firing", rows=["firing", "firing"], at="Change to low"),
    Scene("figures that can't be leave the rate unlogged",
          {"Change to low": ["81 6.3 18", "stop"], "Has it been changed": ["yes"]},
          ("81",), "firing", ["firing"], at="Change to low"),
    Scene("a figure that is asked back is taken by yes, decimal commas of a whole reading without asking",
          {"At high fire": ["83 6.2 20", "yes"], "What did you turn": ["8,3 6,2 21", "stop"],
           "Did you turn first": ["no"]},
          ("Did you mean 8.3?", "6.2 20 83 % CO2 can't be.", "CO 21 ppm"), at="At high"),
    Scene("what else may be typed is said once",
          {"At high fire": ["?", "?", "stop"]}, (": ? The wait is over: a reading counts now. At high fire",),
          at="At high"),
    Scene("the cover is no matter of Enter",
          {"Case or cover": ["", "stop"]}, (NO_ENTER,), "cover", [], at="Case or cover"),
    Scene("other appliances that are off are remarked on",
          {"Other gas appliances": ["off 19.8"], "Is that drop": ["stop"]},
          ("The working pressure is read with the other appliances running",), at="Other gas appliances"),
    Scene("a turn the same way is not remarked on", {"What did you turn": ["1/48 cw"], "At high fire": ["stop"]},
          (": 1/48 cw Wait 1 min",), at="What did"),
    Scene("a turn of the other screw is no turn the other way",
          {"What did you turn": ["offset 1/48 ccw"], "At high fire": ["stop"]},
          (": offset 1/48 ccw Not advised: The offset screw is set at low fire; the boiler is at high fire.",
           f"{FINDINGS['wrong-rate'].long} Wait".format(screw="offset", ran="high", own="low")),
          at="What did"),
    Scene("a warning is said with a change of rate", {"At high fire": ["9.2 4.7 120"], "Change to low": ["stop"]},
          (": 9.2 4.7 120 Change to low fire. Warning CO at high fire is 155 ppm air-free",), at="At high"),
    Scene("kind of visit, fuel and bands are read back, and asked again with back",
          {"Kind of visit": ["back", "repair", "s", ""], "Fuel": ["back", "propane", "natural gas"],
           "CO2 band at high": ["back", "9:9.4"], "CO2 band at low": ["O2 5.0:6.0", "8.6:9.0"],
           "Read back: valve-change, natural gas; high fire CO2 9 to 9.4 % (O2 5.0 to 4.3, excess air 28 to 23 %); low "
           "fire CO2 8.46 to 9.03 % (O2 6.0 to 5.0, excess air 36 to 28 %)": ["?", "maybe", "back"],
           "Read back: valve-change, natural gas; high fire CO2 9 to 9.4 % (O2 5.0 to 4.3, excess air 28 to 23 %); low "
           "fire CO2 8.6 to 9 % (O2 5.8 to 5.0, excess air 34 to 28 %)": [""], "Maker's": ["stop"]},
          ("There is nothing to go back to.", "'repair' is no kind of visit: valve-change, conversion, service, ",
           "Enter where it is right; back asks the last one again."), rows=[]),
    Scene("unusual bands are asked back and need a yes",
          {"CO2 band at high": ["10.4:10.8", "9.0:9.4"], "CO2 band at low": ["8.6:9.0", "back"],
           "Read back": ["", "back", ""], "Maker's": ["stop"]},
          ("Unusual: high fire 10.4 to 10.8 % CO2 is 9 to 13 % excess air with natural gas; usual is 15 to 50. It "
           "would suit propane.", "yes where it is right; back asks the last one again."), rows=[]),
    Scene("bands that can't be are refused and asked anew",
          {"CO2 band at high": ["11.0:11.4", "9.0:9.4"], "Read back": ["yes", ""], "Maker's": ["stop"]},
          ("excess air; 8 to 90 is possible. It would suit propane.",), rows=[]),
    Scene("CO over its limit ends a wait, and what saves people is said first",
          {"What did you turn": ["yes"], "A new reading": ["stop"]},
          ("co 900 BURNER OFF. Air the room. Never richer.",),
          at="What did", hears=(Heard(30.0, "co 900"),)),
    Scene("little CO typed in a wait is logged, and the wait goes on",
          {"What did you turn": ["yes"], "At high fire": ["stop"]},
          (". co 31 Wait 30 s, then read CO2, O2, CO at high fire", "CO 31 ppm, 45 air-free, limit 200"),
          at="What did", hears=(Heard(30.0, "co 31"),)),
    Scene("what is no entry is said, and the wait goes on", {"What did you turn": ["yes"], "At high fire": ["stop"]},
          ("co lots CO 'lots' is not a number. Type digits and a point only, no unit Wait 30 s",),
          at="What did", hears=(Heard(30.0, "co lots"),)),
    Scene("CO2 that can't be on the way to the other rate is said at once, and the sample line is asked about",
          {"Sample line": ["tight"], "At low fire": ["stop"]},
          ("4.9 12.2 10 Prove the sample line tight. Wait ", "CO2 4.9 % can't be: about"),
          part="sample line", rows=["check sample line tight"] * 2, at="Change to low",
          hears=(Heard(100.0, "4.9 12.2 10"),)),
    *(
        Scene(f"CO over its limit is heard where {question} is asked",
              {question: ["co 900"], "A new reading": ["stop"]}, ("co 900 BURNER OFF",), at=question)
        for question in ("Other gas appliances", "Change to low", "Case or cover")
    ),
    Scene("CO over its limit is heard where a reason is asked, and the answer to be given stays due",
          {"Other gas": ["skip"], "Why is 'gas pressure' skipped": ["co 900"], "A new reading": ["stop"]},
          ("co 900 BURNER OFF",), "skipped", [], at="Other gas appliances"),
    Scene("a stop for CO that is skipped past is said at the close, and the boiler is left out of service",
          {"Caps and seals": ["co 900"], "A new reading": ["skip"], "Why is 'both again'": ["mended tomorrow"],
           "The appliance is left": ["in", "out"]},
          ("co 900 BURNER OFF", "Can't be logged as in service, a stop stands: BURNER OFF"),
          "appliance left", ["check appliance left out of service"], at="Caps and seals"),
    Scene("the burner off asks for no turn and no reading, and begins the two minutes anew",
          {"What did you turn": ["off locked out"], "Burner off: find out why first. Lit again, at high fire": ["20"],
           "At high fire": ["stop"]},
          ("Once lit: CO from the first second, and wait two minutes.",),
          "firing locked", ["firing locked out"], at="What did"),
    *(
        Scene(f"{typed} is a stop at {question}, until it is over",
              {question: [typed], "A new reading": ["?", over], after: ["stop"]}, (says,),
              part=item, rows=[f"check {item} yes {typed}", f"check {item} no {over}"], at=question)
        for question, after in (("Other gas", "Burner off"), ("At high fire", "Burner off"), ("Case", "Case or cover"))
        for typed, over, says, item in (
            ("smell of gas", "no smell of gas", "GAS SMELL: gas off, no flame", "smell of gas"),
            ("alarm", "alarm is quiet", "BURNER OFF, everybody out", "CO alarm sounds"),
        )
    ),
    Scene("off is the other appliances' answer where it is one of its choices",
          {"Other gas appliances": ["off 19.8"], "Is that drop": ["stop"]},
          part="appliances", rows=["check other appliances off"], at="Other gas appliances"),
    Scene("CO typed with the burner off asks whether it burns",
          {"What did you turn": ["off locked out"], "Burner off: find out why first. Lit again, at high": ["co 20"] * 2,
           "Does the burner burn now": ["no", "yes"], "At high fire": ["stop"]},
          ("CO 20 ppm",), "firing", ["firing", "firing locked out", "firing"], at="What did"),
    Scene("a gas pressure out of its range is measured again where it stops the visit",
          {"Other gas appliances": ["running 12"], "CO at high": ["stop"],
           "The working pressure measured": ["19.6", "off", "19.6 mbar", "high tap opened", "running 19.5"]},
          ("STOP. The working pressure is 12 mbar", "19.6: a pressure or CO? Type 19.6 mbar, or co 19.6.",
           "Which pressure? Type standing 19.6 mbar (burner off) or working 19.6 mbar (high fire).",
           "Logged: check: working pressure 19.5 mbar."),
          "working", [f"check working pressure {mbar}" for mbar in (12, 19.5)],
          at="Other gas appliances"),
    Scene("a pressure alone with the burner off is the standing one where that is due, and is said as logged",
          {"Gas on": ["skip"], "Why is 'lighting' skipped": ["lit"],
           "Other gas appliances": ["check inlet pressure range 17:25 mbar", "off went out"],
           "Burner off": ["20.4 mbar", "20.4 mbar", "stop"]},
          ("Logged: check: standing pressure 20.4 mbar.", "Which pressure? Type standing 20.4 mbar"),
          "standing", ["check standing pressure 20.4"], at="Gas on"),
    Scene("out of service is taken where a stop stands, and ends the visit",
          {"At high fire": ["8.3 6.2 900"], "A new reading": ["off"],
           "What was the cause": ["out of service; A. N. Other"]},
          ("The visit is over; the appliance is left out of service.",),
          part="left", rows=["check appliance left out of service"], at="At high"),
    Scene("a remark while CO keeps the burner off is no cause; mended alone stands for it",
          {"At high fire": ["8.3 6.2 900"], "A new reading": ["off", "high"],
           "What was the cause": ["gasket torn, new one fitted", "high", "mended"], "CO at high": ["stop"]},
          part="gasket", rows=["note gasket torn, new one fitted",
                               "check cause of CO mended gasket torn, new one fitted"], at="At high"),
    Scene("a row is struck at a question", {"Other gas appliances": ["void 1 not so", "stop"]},
          part="void", rows=["void row 1 not so"], at="Other gas appliances"),
    Scene("a pressure is asked for with the burner on",
          {"Other gas appliances": ["off flame went out"], "Burner off": ["stop"]},
          rows=[], part="working", at="Other gas appliances"),
    Scene("a known check is taken at a question", {"Other gas appliances": ["check cause of CO mended", "stop"]},
          part="cause", rows=["check cause of CO mended"], at="Other gas appliances"),
    *(
        Scene(f"a burner that CO put off is lit again with: {told}",
              {"At high fire": ["8.3 6.2 900", "stop"], "A new reading": ["off"],
               "What was the cause": ["high", "high customer waits", told], "CO at high fire, ppm": ["40"]},
              ("BURNER STAYS OFF.", "What was the cause of the CO, and is it mended? Type intake blocked, cleared; or: "
               "not found."),
              "cause", [row], at="At high")
        for told, row in (("high intake cleared", "check cause of CO mended intake cleared"),
                          ("high not found", "check cause of CO not found"))
    ),
    Scene("CO is struck with a reason only, and stays on the record",
          {"At high fire": ["8.3 6.2 900"],
           "A new reading": ["back", "void 31", "void 31 probe touched the floor", "stop"],
           "Row 31 has CO 900 ppm and stays on the record. Why is it struck": [""], "At high": ["8.3 6.2 900"]},
          ("Then it stands: CO is not struck without a reason.", "row 31 has CO 900 ppm, and stays on the record"),
          "void", ["void row 31 probe touched the floor"], at="At high"),
    Scene("the maker's CO limit is asked with its basis, and the published one is offered with its source",
          {"Maker's CO limit": ["100", "?", "100 ppm"], "Room CO": ["stop"]},
          ("CO limit '100': which basis? Type 100 ppm air-free, 100 ppm (as displayed), or a ratio",
           "Enter: the published 400 ppm air-free, ANSI/BPI-1200-S-2017, read in a secondary copy"),
          "CO limit", ["check CO limit 100"]),
    Scene("a service asks for no gas off and no new valve",
          {"Kind of visit": ["service"], "Gas on": ["y"], "Inlet pressure": ["stop"]},
          ("Room CO alarm on (yes, no): y Boiler: make", "Valve: check the valve and which way"),
          "valve fitted", []),
    Scene("a screw that works the other way is told in a word, and the visit goes on",
          {"A new reading": ["leaner", "leaner"]}, ("Check 1 the turn as logged, 2 the screw.", "is left in service."),
          "clockwise leaner", ["check throttle clockwise leaner", "check offset clockwise leaner"],
          fault="reversed screw"),
    Scene("a valve that can't be set ends out of service",
          {"A new reading": ["skip"] * 3, "Why is 'high fire'": ["dead"], "Why is 'low fire'": ["dead"],
           "Why is 'both again'": ["dead"], "Case or cover": ["skip"], "Why is 'proof'": ["not set"],
           "Caps and seals": ["skip"], "Why is 'close up'": ["gas off"], "The appliance is left": ["in", "out"]},
          ("Leave out what was not made. If you give up: throttle screw",
           "Can't be logged as in service, a stop stands",
           "The visit is over; the appliance is left out of service. Skipped high fire: dead low fire: dead both "
           "again: dead proof: not set close up: gas off"), fault="dead screw"),
    Scene("left at the read back no log is started", {"Read back": ["stop"]}, ("No log was started",)),
]  # fmt: skip


@pytest.mark.parametrize("scene", SCENES, ids=[scene.shows for scene in SCENES])
def test_what_is_typed_in_the_guide(scene: Scene) -> None:
    """What is said, and which rows are logged; a boiler that is left in service is truly in band."""
    desk = desk_at(scene.at) if scene.at else Desk(boiler=boiler(*([51, scene.fault] if scene.fault else [])))
    desk.instead, desk.hears = deepcopy(scene.typed), list(scene.hears)
    text = " ".join(walked(desk).text.split())
    for sentence in scene.says:
        assert sentence in text
    assert scene.rows is None or logged(scene.part) == scene.rows
    assert not any(desk.instead.values()), "all of it was asked for"
    assert LOG.exists() != ("No log was started" in text)
    for firing, (low, high) in Job.load(LOG).setup.bands.items() if LOG.exists() else ():
        assert (firing, low, high) in (("high", 9.0, 9.4), ("low", 8.6, 9.0))
        assert "is left in service" not in text or low <= desk.boiler.settled_pct(firing) <= high


def test_a_stop_that_comes_back_says_again_what_to_look_at() -> None:
    """Not again at `?`, nor when it was lit anew; again when the stop came back after it was cleared."""
    desk = desk_at("At high")
    desk.takes_s = 130.0  # each answer is steady
    desk.instead = {"At high fire": ["8.3 6.2 900"], "CO at high fire, ppm": ["8.3 6.2 20"],
                    "A new reading": ["?", "high", "check cause of CO mended", "stop"],
                    "What did": ["8.3 6.2 900"]}  # fmt: skip
    walked(desk)
    assert desk.text.count("1 Air intake, filter, fan and flue") == 2


# ---- logs that change, or can't be used


AGREED = {"What did": ["yes"], "At high fire": ["stop"]}  # the turn as advised, and no more


def test_another_terminal_on_the_same_log_is_noticed() -> None:
    """A turn logged elsewhere, while this one asks about it, is not logged twice."""
    desk = desk_at("What did")
    usual, desk.instead = desk.answer, deepcopy(AGREED)

    def answer(question: str) -> str:
        if question.startswith("What did"):
            Job.load(LOG).turn("throttle", 1 / 24, at=desk.now())
        return usual(question)

    desk.answer = answer  # type: ignore[method-assign]
    assert "The log has grown meanwhile" in walked(desk).text
    assert [e.event for e in events()].count("turn") == 1


def test_two_guides_that_answer_in_the_same_moment_log_a_turn_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both have looked at the log before either has written: the second writes nothing, and asks anew."""
    really, both = job_log.append_events, threading.Barrier(2, timeout=30)

    def together(*row: object) -> None:
        both.wait()
        really(*row)  # type: ignore[arg-type]

    desks = [desk_at("What did"), desk_at("What did")]
    monkeypatch.setattr(job_log, "append_events", together)
    guides = [threading.Thread(target=walked, args=(desk,)) for desk in desks]
    for guide, desk in zip(guides, desks, strict=True):
        desk.instead = deepcopy(AGREED)
        guide.start()
    for guide in guides:
        guide.join()
    assert [e.event for e in events()].count("turn") == 1
    assert sum("The log has grown meanwhile" in desk.text for desk in desks) == 1


def test_a_log_that_can_t_be_written_is_said_and_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """One clear sentence, the same question, no row."""
    desk, really = desk_at("Room CO alarm"), job_log.append_events
    faults = iter([LogError("visit.csv: this may not be read or written. Nothing was saved")])

    def refuse_once(*row: object) -> None:
        for fault in faults:
            raise fault
        really(*row)  # type: ignore[arg-type]

    monkeypatch.setattr(job_log, "append_events", refuse_once)
    desk.instead = {"Power off": ["stop"]}
    assert walked(desk).text.count("Room CO alarm on") == 2
    assert "may not be read or written" in desk.text


@pytest.mark.parametrize("removed", [True, False])
def test_a_log_that_is_gone_or_is_none_has_exit_status_1(removed: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Removed while the guide runs, or another file: said in a sentence, left alone, and none appears in its place."""
    if removed:
        desk_at("Room CO alarm")
    else:
        LOG.write_text("a,b\n", encoding="utf-8")

    def answers_late(*_: object) -> str:
        LOG.unlink()
        return "y"

    monkeypatch.setattr(Terminal, "ask", answers_late)
    out, err = io.StringIO(), io.StringIO()
    assert called(["guide", "visit.csv"], out, err) == 1
    message = "visit.csv: there is no such file or folder." if removed else "visit.csv:1: not a job log"
    assert err.getvalue().startswith(message)
    assert LOG.exists() != removed


# ---- the terminal itself


CODES = re.compile(r"\x1b(\[[0-9;?]*[A-Za-z]|[78])|\a")


class FastClock:
    """Time that passes when something sleeps; Ctrl-C is pressed at a moment."""

    def __init__(self, stopped_at: float = 1e9) -> None:
        self.at, self.stopped_at = 0.0, stopped_at

    def monotonic(self) -> float:
        return self.at

    def sleep(self, seconds: float) -> None:
        self.at += seconds
        if self.at >= self.stopped_at:
            raise KeyboardInterrupt


class Typed(io.StringIO):
    """A stream that is taken for a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("environment", [{"NO_COLOR": "1"}, {"TERM": "dumb"}, {}], ids=["NO_COLOR", "dumb", "no tty"])
def test_a_wait_in_plain_lines(environment: dict[str, str]) -> None:
    """Without colour, on a dumb terminal or in a pipe the wait is counted in lines without control codes."""
    screen = Typed() if environment else io.StringIO()
    shown = Terminal(io.StringIO(), screen, environment, FastClock())
    assert shown.wait(60, "then read at high fire") == Heard()
    lines = screen.getvalue().replace("\a", "").splitlines()
    assert lines[0] == "Wait 1 min, then read at high fire. Ctrl-C cuts it short."
    assert lines[1:] == ["45 s left.", "30 s left.", "15 s left."]
    assert ("\a" in screen.getvalue()) == bool(environment)


@pytest.fixture(params=["terminal", "pipe"])
def typist(request: pytest.FixtureRequest) -> Iterator[tuple[int, TextIO]]:
    """Where the hand types, and what the program reads."""
    theirs, ours = reversed(pty.openpty()) if request.param == "terminal" else os.pipe()
    with os.fdopen(theirs, "r", encoding="utf-8") as source:
        yield ours, source
    os.close(ours)


@pytest.mark.parametrize("environment", [{"NO_COLOR": "1"}, {"TERM": "xterm"}], ids=["plain lines", "bar"])
def test_what_is_typed_while_a_wait_runs_ends_it_and_is_heard(
    environment: dict[str, str], typist: tuple[int, TextIO]
) -> None:
    """A line, or Enter alone, from a keyboard or a pipe; without one the wait runs out."""
    hand, source = typist
    shown = Terminal(source, Typed(), environment)
    for line, heard in (("co 900", "co 900"), ("", "")):
        typing = threading.Timer(0.1, os.write, (hand, f"{line}\n".encode()))
        typing.start()
        left_s, words = shown.wait(30, "then read")
        assert 0 < left_s < 30
        assert words == heard
        typing.join()
    assert shown.wait(0.1, "then read") == Heard()


@pytest.mark.parametrize("typist", ["terminal"], indirect=True)
def test_keys_pressed_before_a_question_are_dropped_and_named_but_co_and_off_never(typist: tuple[int, TextIO]) -> None:
    """Enter pressed twice, or a word typed too early, answers no later question; CO typed at any moment is taken."""
    hand, source = typist
    shown = Terminal(source, io.StringIO(), {})
    os.write(hand, b"\ny\nco 900\noff locked out\n")
    assert shown.keys
    while shown.keys.lines.qsize() < 4:
        time.sleep(0.01)
    assert [shown.ask("Power off, gas off"), shown.ask("Power off, gas off")] == ["co 900", "off locked out"]
    assert shown.screen.getvalue().startswith(f"{TYPED_EARLY.format('y')}\nPower off")  # type: ignore[attr-defined]


def test_ctrl_c_cuts_a_wait_short_and_leaves_at_a_question() -> None:
    """In a wait it asks why; at a question it leaves, as the end of the input does."""
    shown = Terminal(io.StringIO(), io.StringIO(), {}, FastClock(stopped_at=20))
    assert shown.wait(60, "then read") == (pytest.approx(40, abs=0.5), "")
    with pytest.raises(Stop):
        shown.ask("Room CO alarm on")


def test_control_codes_that_are_typed_are_dropped() -> None:
    """An arrow key or a stray escape does not end up in the log."""
    assert Terminal(io.StringIO("8.1\x1b[A 6.5\n"), io.StringIO(), {}).ask("At high fire") == "8.1[A 6.5"
    assert Terminal(io.StringIO("  y \r\n"), io.StringIO(), {}).ask("CO alarm") == "y"


# ---- a real terminal


SPEED = 400.0
QUESTIONS = [*(start for start, _ in ANSWERS), "Light it, high", "Change to high fire in", "Change to low fire in",
             "Taken up",
             "Burner off.", "What did you turn?", "CO at high fire, ", "CO at low fire, ", "At high fire: CO2",
             "At low fire: CO2"]  # fmt: skip


class Keyboard:
    """`advisor guide` as a program of its own in a pseudo-terminal of 80 columns, with a clock that may run faster."""

    def __init__(self, began: float, speed: float = SPEED) -> None:
        self.seen, self.shown = "", ""
        self.handle, other = pty.openpty()
        environment = {**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24", "OPENBLAS_NUM_THREADS": "1"}
        environment.pop("NO_COLOR", None)
        words = [sys.executable, str(HERE / "fast_guide.py"), str(began), str(speed), str(LOG)]
        streams = dict.fromkeys(("stdin", "stdout", "stderr"), other)
        self.process = subprocess.Popen(words, env=environment, start_new_session=True, **streams)
        os.close(other)

    def reads(self) -> bool:
        """Read what the program shows for a moment; False at its end."""
        if select.select([self.handle], [], [], 0.05)[0]:
            read = ""
            with suppress(OSError):  # the program has ended
                read = os.read(self.handle, 4096).decode("utf-8", "replace")
            self.shown += read
            self.seen += CODES.sub("", read)
            return bool(read)
        return True

    def comes(self, words: str) -> str:
        """What is shown up to these words, in one line."""
        until = time.monotonic() + 30
        while time.monotonic() < until and self.reads():
            if words in (flat := " ".join(self.seen.split())):
                return flat
        raise AssertionError(f"'{words}' did not come: {self.seen[-500:]}")

    def question(self) -> str:
        """The next question, from its start; "" at the end of the program."""
        until = time.monotonic() + 30
        while time.monotonic() < until:
            if not self.reads():
                return ""
            flat = self.seen.replace("\r\n", " ")
            at = max(flat.rfind(start) for start in QUESTIONS)
            if flat.endswith(": ") and at >= 0:
                return " ".join(flat[at:].split())
        raise AssertionError(f"no question within 30 s after: {self.seen[-500:]}")

    def type(self, words: str) -> None:
        self.seen = ""
        os.write(self.handle, f"{words}\n".encode())

    def end(self) -> int:
        os.close(self.handle)
        return self.process.wait(10)


def test_co_typed_while_a_countdown_runs_in_a_real_terminal_is_heard() -> None:
    """Little CO is logged and the wait goes on; over its limit it ends the wait, and the answer begins BURNER OFF."""
    site, rows = come_to("What did")
    LOG.write_bytes(rows)
    keyboard = Keyboard(time.time() - site.now_s - 10, speed=1.0)
    assert keyboard.question().startswith("Taken up again")
    keyboard.type("high")
    assert keyboard.question().startswith("What did you turn?")
    keyboard.type("yes")
    keyboard.comes(" s left")
    keyboard.type("co 24")
    keyboard.comes("Wait ")
    assert events()[-1].co_ppm == 24
    keyboard.type("co 900")
    answer = keyboard.comes("A new reading, or what was done or found:")
    answer = re.sub(r"\d+ s left, then .*?expect CO2 8.3 %|>|co 900", "", answer)
    assert answer.split()[:2] == ["BURNER", "OFF."]
    assert "CO at high fire is 1306 ppm air-free" in answer
    assert events()[-1].co_ppm == 900
    keyboard.type("stop")
    keyboard.comes("Left. All that was entered is saved")
    assert keyboard.end() == 0


def test_a_visit_in_a_real_terminal_survives_kill_9() -> None:
    """From no log to the end; killed three times: the same question again, every row typed before still there."""
    began = time.time()

    class Real(OnSite):
        def answer(self, question: str) -> str:
            self.boiler.now_s = (time.time() - began) * SPEED
            return super().answer(question)

    site = Real(boiler(), takes_s=0.0)
    keyboard, shown, killed = Keyboard(began), "", set()
    for _ in range(200):
        question = keyboard.question()
        if not question:
            break
        for start in ("Standing pressure", "What did you turn", "Caps and seals"):
            if question.startswith(start) and start not in killed:
                killed.add(start)
                before = LOG.read_bytes()
                keyboard.process.kill()
                keyboard.end()
                shown += keyboard.shown
                keyboard = Keyboard(began)
                if (again := keyboard.question()).startswith("Taken up again"):
                    keyboard.type(site.answer(again))
                    again = keyboard.question()
                assert again == question
                assert LOG.read_bytes() == before
        keyboard.type(site.answer(question))
    shown += keyboard.shown
    assert (keyboard.end(), len(killed)) == (0, 3)
    job = Job.load(LOG)
    assert [state.state for state in job.progress(job.ended).states] == ["done"] * len(STAGES)
    for words in ("The visit is over", " s left", "\a"):  # a countdown, with a bell at its end
        assert words in shown
    for firing, (low, high) in job.setup.bands.items():
        assert low <= site.boiler.settled_pct(firing) <= high


# ---- how much is asked, how narrow it may be


def test_a_visit_of_seven_turns_takes_sixty_entries_at_most(monkeypatch: pytest.MonkeyPatch) -> None:
    """From no log to the record, with temperatures and gas meter left out."""
    desk, asked = Desk(boiler=boiler(138), instead={"Flue temperature and": [""]}), []
    really = desk.ask
    monkeypatch.setattr(desk, "ask", lambda question: asked.append(question) or really(question))
    walked(desk)
    assert "the appliance is left in service" in desk.text
    assert [event.event for event in events()].count("turn") == 7
    assert len(asked) <= 60


def test_a_question_leaves_room_for_its_answer_on_a_narrow_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    """At 40 columns no line of a question is so wide that a reading does not fit beside it."""
    monkeypatch.setenv("COLUMNS", "40")
    screen = io.StringIO()
    Terminal(io.StringIO("y\n"), screen, {}).ask("Sample line: close the probe's tip, the pump must stall or alarm")
    assert max(columns(line) for line in screen.getvalue().splitlines()) + len("8.1 6.5 24") <= 40


def test_a_visit_taken_up_again_asks_first_how_the_burner_runs() -> None:
    """Off is logged with its reason, and no turn is asked before it is lit again."""
    desk = desk_at("What did")
    desk.instead = {"Taken up again": ["perhaps", "off"], "Burner off": ["stop"]}
    text = walked(desk).text
    assert text.index("Taken up again") < text.index("Burner off: find out why first. Lit again")
    assert events()[-1].note == "found off when the visit was taken up again"
