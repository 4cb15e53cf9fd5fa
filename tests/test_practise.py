"""Practice at the keyboard: through a terminal as on site, the truth at the end, a log marked as practice."""

import os
import pty
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from test_cli import run, words

from advisor import Job, LogError, RangeError
from advisor.chemistry import limits
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.job_setup.setup import JobSetup
from advisor.report.answers import PRACTICE
from advisor.report.layout import LEAST_WIDTH
from advisor.training import classroom, marking, practice
from advisor.training.practice import CHECK_S, NAMES, SCREW_UNKNOWN, Practice, begin, say_end, say_help, task_of
from advisor.training.practice import run as play
from advisor.training.simulated_visit import DONE, FACTS, GAVE_UP, LOOKS, Act, SimulatedVisit
from advisor.training.simulator import BASE, FAULTS, BurnerCO, Reading, draw
from advisor.training.strategies import adviser, fixed_step

pytestmark = pytest.mark.usefixtures("workplace")

BANDS = FACTS["bands"]
MENDABLE = {fault for look in LOOKS.values() for fault in look.faults} - {"air in the sample later"}


def session(seed: int, fault: str | None = None, typed: str = "", *, hide: bool = False) -> Practice:
    """A session in which this was typed, parted by semicolons."""
    session = begin(task_of(fault, False, seed, hide=hide))
    for command in typed.split("; ") if typed else ():
        session.do(command)
    return session


def practice_log() -> None:
    """visit.csv, of a session that was broken off."""
    broken_off = begin(task_of(None, False, 7), Path("visit.csv"))
    for command in ("high", "wait 120", "read", "turn 1/24 cw", "wait 90", "read"):
        broken_off.do(command)


def at_the_end(session: Practice) -> str:
    """What is said at the end of a session, its words in one line."""
    session.end()
    return words(say_end(session))


def in_a_terminal(typed: str, *options: str) -> tuple[int, str]:
    """Exit status and all that an 80 by 24 terminal without colour shows of a session."""
    ours, theirs = pty.openpty()
    environment = {**os.environ, "TERM": "dumb", "COLUMNS": "80", "LINES": "24"}
    command = [sys.executable, "-m", "advisor", "practise", *options]
    process = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment, close_fds=True)
    os.close(theirs)
    os.write(ours, typed.encode())
    shown = b""
    try:
        while True:
            shown += os.read(ours, 65536)
    except OSError:  # the other side is closed: the session is over
        pass
    status = process.wait(timeout=60)
    os.close(ours)
    return status, shown.decode().replace("\r\n", "\n")


def test_a_session_at_the_terminal() -> None:
    """Read, turn, wait, change rate as on site; bad input gets a sentence; Control-D ends it; the truth at the end."""
    typed = "?\nread\nhigh\nwait 120\nr\nturn 1/24 cw\nw\nr\nturn fast\nlow\nw 90\nr\n\x04"
    status, shown = in_a_terminal(typed, "--seed", "7", "--log", "visit.csv")
    assert status == 0
    assert "\x1b" not in shown
    assert "Traceback" not in shown
    assert "The burner is off: change to high fire first\n" in shown
    assert "'fast' is not a turn." in shown
    assert shown.count(" min, high fire > ") >= 6
    assert "The truth about boiler 7. It had no fault." in shown
    assert "you adviser fixed 1/12 cost" in words(shown)
    job = Job.load("visit.csv")
    assert job.setup.practice
    kinds = [event.event for event in job.events]
    assert kinds == ["firing", "reading", "turn", "reading", "firing", "reading", "note"]


def lines_of(typed: list[str], practice: Practice) -> list[str]:
    """All that is said in a session, without a terminal."""
    said: list[str] = []
    answers: Iterator[str] = iter(typed)

    def ask(question: str) -> str:
        said.append(question)
        try:
            return next(answers)
        except StopIteration:
            raise EOFError from None

    play(practice, ask, said.append)
    return "\n".join(said).split("\n")


@pytest.mark.parametrize("columns", [80, 40, 32])
def test_every_answer_fits_the_screen(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is wider than the terminal; at 80 columns help, advice and end are each shorter than 24 lines."""
    monkeypatch.setenv("COLUMNS", str(columns))
    practice = session(5, "reversed")
    typed = ["?", "ask", "high", "w 120", "r", "t 1/12 cw", "c screw", "a", "nonsense", "c line", "s dead", "hist"]
    shown = lines_of([*typed, "stop"], practice)
    assert max(map(len, shown)) <= columns
    named_in_vain = lines_of(["high", "r", "say dead", "say line", "off"], session(5))
    assert "none, 2 wrong" in words("\n".join(named_in_vain))
    assert max(map(len, named_in_vain)) <= columns
    for figure in ("reversed", f"{practice.mark().points}"):
        assert figure in words(say_end(practice))
    assert columns < 80 or max(len(said.splitlines()) for said in (say_help(), say_end(practice))) < 24


def test_the_marks_are_the_truth_at_both_rates() -> None:
    """In band, overshoots, minutes, turns on a moving display: counted on the boiler, not on the display."""
    practice = session(7, None, "high; wait 300; read; turn 1 turn cw; turn 1 turn ccw")
    boiler, mark = practice.visit.boiler, practice.mark()
    first = practice.visit.turns[0]
    assert mark.harm.beyond_pct == pytest.approx(max(first.co2_pct(rate)[1] - BANDS[rate][1] for rate in BANDS))
    assert mark.harm.moving_turns == 1  # the second, on no new reading
    assert mark.harm.overshoots >= 2
    assert mark.minutes == pytest.approx(boiler.now_s / 60)
    shown = at_the_end(practice)
    in_band = practice.visit.in_band("high")
    assert f"High fire, true CO2, % {boiler.settled_pct('high'):.2f} {'in' if in_band else 'OUT'}" in shown
    assert f"Overshoots, either rate {mark.harm.overshoots} " in shown
    assert "Turns; on a moving display 2; 1 " in shown
    assert f"Points of 100 {mark.points} " in shown


def test_what_a_throttle_turn_does_to_low_fire_is_harm() -> None:
    """A turn that keeps high fire in band and pushes low fire out is an overshoot, and says by how much."""
    visit = session(8).visit
    was, now = ({"high": high, "low": low} for high, low in ((9.1, 8.8), (9.3, 9.3)))
    before, after = ({firing: Reading(co2, 4.6, 20) for firing, co2 in truth.items()} for truth in (was, now))
    turn = Act("turn", 100.0, "high", "", before, after, screw="throttle", turns_cw=1 / 24, settled=True)
    harm = marking.harm_of(visit, [turn], [])
    assert harm.overshoots == 1
    assert harm.beyond_pct == pytest.approx(now["low"] - max(BANDS["low"][1], visit.as_found["low"].co2_pct))


def test_what_was_found_out_of_band_is_not_pushed_there() -> None:
    """A turn the wrong way counts by what it added, not by what was out of band as found."""
    visit = session(5, "reversed", "high; wait 120; read; turn 1/12 cw").visit
    was, now = visit.turns[0].co2_pct()
    assert now < was < BANDS["high"][0]
    assert marking.beyond_pct(visit, visit.turns[0]) == pytest.approx(was - now)


def test_the_debrief_names_the_costliest_moment_and_what_was_better() -> None:
    """One line: the turn that cost most, with what the adviser would have done; else the wrong end."""
    rash = session(
        7, None, "high; wait 300; read; turn 1/48 ccw; wait 90; read; turn 1 turn cw; wait 90; read; turn 1 turn ccw"
    )
    worst = max(marking.moments(rash.visit), key=lambda moment: moment.harm.cost)
    assert worst.number == 2
    rash.end()
    assert f"minute {worst.act.at_s / 60:.1f}, throttle 360" in rash.debrief()
    assert rash.instead[1].startswith(rash.debrief().split("The adviser then: ")[1])
    idle = session(7, None, "high; wait 100; read")
    idle.end()
    assert "the end, nothing was set" in idle.debrief()
    unfinished = session(7, None, "high; wait 100; read; turn 1/48 cw")
    unfinished.end()
    assert "the end, high fire left at" in unfinished.debrief()
    left_rich = session(3, "rich", "high; wait 900")
    left_rich.end()
    assert "left burning as found" in left_rich.debrief()
    assert "burner off at once" in left_rich.debrief()


def test_every_mistake_costs() -> None:
    """Points fall with harm, with minutes, with asking, with a wrong name, and most with a wrong end."""
    right = marking.Mark(marking.Harm(), 10, 0, 0, "yes")
    for worse in (
        marking.Mark(marking.Harm(overshoots=1), 10, 0, 0, "yes"),
        marking.Mark(marking.Harm(beyond_pct=0.3), 10, 0, 0, "yes"),
        marking.Mark(marking.Harm(rich_minutes=2), 10, 0, 0, "yes"),
        marking.Mark(marking.Harm(over_co_minutes=1), 10, 0, 0, "yes"),
        marking.Mark(marking.Harm(moving_turns=1), 10, 0, 0, "yes"),
        marking.Mark(marking.Harm(), 20, 0, 0, "yes"),
        marking.Mark(marking.Harm(), 10, 1, 0, "yes"),
        marking.Mark(marking.Harm(), 10, 0, 1, "yes"),
    ):
        assert marking.Mark(marking.Harm(), 10, 0, 0, "out of band").points < worse.points < right.points
    assert marking.Mark(marking.Harm(), 0, 0, 0, marking.NOTHING_DONE).points == 0


def test_a_reading_while_the_display_still_moves_is_no_ground() -> None:
    """A turn after a reading taken 8 s after the last turn counts as made on an unsettled reading."""
    first = "high; wait 300; read; turn 1/8 cw; read; turn 1/24 cw"
    assert session(7, None, f"{first}; wait 300; read; turn 1/24 ccw").visit.score().unsettled_turns == 1


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault not in MENDABLE])
def test_adviser_and_fixed_step_end_on_every_fault(fault: str) -> None:
    """Both comparisons end on every fault that is no setting of the gas or air, the adviser before patience does."""
    idle = session(11, fault)
    shown = at_the_end(idle)
    assert f"Its fault was: {fault}" in shown
    assert "Fault noticed no" in shown
    assert practice.adviser_on(idle.task).ending != GAVE_UP


@pytest.mark.parametrize(
    ("fault", "typed", "seen"),
    [
        ("line", "check line", "The sample line leaks."),
        ("fuel", "check fuel", "set to another fuel"),
        ("pressure", "high; w 1800; check pressure", "Working pressure 15.5 mbar"),
        ("air", "high; w 900; check air", "clogged"),
    ],
)
def test_what_a_check_finds_can_be_mended(fault: str, typed: str, seen: str) -> None:
    """Looking at the right thing finds the fault, counts as noticed, and mending puts the boiler right."""
    practice = session(4, fault, typed)
    assert seen in practice.visit.acts[-1].seen
    assert practice.visit.noticed == [NAMES[fault]]
    practice.do("mend")
    assert practice.visit.boiler.fault == ""
    assert "Fault noticed yes " in at_the_end(practice)


def test_a_fault_can_be_named_after_a_look() -> None:
    """`say dead` is told right or wrong only at the end; a wrong name costs, only two count, none before a look."""
    practice = session(4, "dead screw")
    with pytest.raises(RangeError, match="nothing has been looked at yet"):
        practice.do("say dead")
    for command in ("high", "wait 100", "read"):
        practice.do(command)
    assert practice.do("say dead").startswith("Noted: you think it is dead screw. The end will tell.")
    with_one = practice.mark().points
    practice.do("say hand")
    assert practice.mark().points == with_one - marking.WRONG_NAME
    with pytest.raises(RangeError, match="only the first 2 count"):
        practice.do("say air")
    assert "Fault noticed yes, 1 wrong" in at_the_end(practice)


@pytest.mark.parametrize("fault", FAULTS)
def test_naming_everything_before_lighting_wins_nothing(fault: str) -> None:
    """All names tried at once, burner off: the fault is missed, whatever it is."""
    practice = session(4, fault)
    for name in NAMES:
        with pytest.raises(RangeError):
            practice.do(f"say {name}")
    practice.do("off")
    assert practice.mark().right_end != "yes"


def test_looking_takes_its_minutes() -> None:
    """Each check takes the time that it takes on site, for the adviser too."""
    own = session(4, None, "high")
    for look, seconds in CHECK_S.items():
        before_s = own.visit.boiler.now_s
        own.do(f"check {look}")
        assert own.visit.boiler.now_s - before_s == pytest.approx(seconds)
    first_read_s = next(act.at_s for act in practice.adviser_on(own.task).acts if act.shown)
    assert first_read_s >= CHECK_S["line"] + CHECK_S["pressure"]


def test_no_working_pressure_with_the_burner_off() -> None:
    """The check is refused with what to do; with the burner on it gives a figure."""
    practice = session(4)
    with pytest.raises(RangeError, match="with the burner off there is no working pressure"):
        practice.do("check pressure")
    practice.do("high")
    assert "mbar" in practice.do("check pressure")


def test_a_reversed_screw_is_found_by_a_turn_not_by_asking() -> None:
    """Before a turn with readings around it shows the way, looking at the screw tells nothing and notices nothing."""
    practice = session(5, "reversed", "high; wait 120; read; check screw")
    assert practice.visit.acts[-1].seen == SCREW_UNKNOWN
    assert practice.visit.noticed == []
    for command in ("turn 1/8 cw", "wait 120", "read", "check screw"):
        practice.do(command)
    assert practice.visit.noticed == ["reversed screw"]


def test_half_of_the_surprises_have_a_fault() -> None:
    """Of two hundred seeds about half are sound, every fault comes; the start says so and does not give it away."""
    faults = [task_of(None, True, seed).fault for seed in range(200)]
    assert 80 <= faults.count("") <= 120
    assert set(faults) == {"", *FAULTS}
    shown = lines_of([], begin(task_of(None, True, 2)))
    assert "Half of these boilers have a fault." in " ".join(shown[:4])


def test_the_same_seed_is_the_same_boiler() -> None:
    """What is said at the end can be played again."""
    assert session(9).task.boiler().settled_pct("high") == session(9).task.boiler().settled_pct("high")
    assert session(10).task.boiler().settled_pct("high") != session(9).task.boiler().settled_pct("high")


def test_burner_off_is_the_safe_end() -> None:
    """`off` puts both screws back as found, ends the visit, and is the right end where the fault was found."""
    practice = session(3, "rich", "high; wait 150; read; say rich; turn 1/24 cw; wait 60; read")
    turned, found = (boiler.settled_pct("high") for boiler in (practice.visit.boiler, practice.task.boiler()))
    practice.do("off")
    assert practice.over
    assert practice.visit.boiler.firing is None
    assert practice.visit.job.situation().off is not None
    assert abs(practice.visit.boiler.settled_pct("high") - found) < abs(turned - found)
    shown = at_the_end(practice)
    assert "Ended with burner off rich done" in shown
    assert "The right end yes yes fault missed" in shown  # however well the fixed step ended by luck
    with pytest.raises(RangeError, match="the visit is over"):
        practice.visit.do("read")


def worked_at(co: BurnerCO, *, gain_throttle: float = 4.0, **facts: object) -> SimulatedVisit:
    """A visit of the adviser to a boiler that is lean at both rates, with this CO."""
    scenario = replace(BASE, as_found_sd_pct=0.0, gain_throttle=(gain_throttle, 0.0))
    boiler = draw(scenario, np.random.default_rng(4), {"high": 8.4, "low": 8.4}, stated={"co": co})
    return adviser(SimulatedVisit(boiler, {**FACTS, **facts}))


def test_co_that_falls_after_lighting_ends_no_visit() -> None:
    """A peak over the limit is read again until it has fallen; the work goes on with the burner on."""
    visit = worked_at(BurnerCO(peak_ppm=900.0, peak_time_s=12.0))
    read = [row.event.co_ppm or 0.0 for row in visit.job.rows() if row.event.event == "reading"]
    assert read[0] > 400 > read[1]
    assert visit.ending == DONE
    assert all(event.firing != "off" for event in visit.job.events)


def test_a_turn_that_brought_co_is_undone_with_the_burner_off() -> None:
    """CO over its limit after a turn: burner off, that turn back, lit anew; two minutes later CO is low again."""
    visit = worked_at(BurnerCO(climbs_from=0.74), gain_throttle=8.0, co_limit_ppm_air_free=100.0)
    rows = [row.event for row in visit.job.rows() if row.event.event in ("turn", "firing")]
    off = next(at for at, event in enumerate(rows) if event.firing == "off")
    assert rows[off - 1].turns_cw == -(rows[off + 1].turns_cw or 0.0)
    assert rows[off + 2].firing == "high"
    shown = [event for event in visit.job.events if event.co2_pct is not None and event.time > rows[off + 2].time]
    assert shown[0].time >= rows[off + 2].time + timedelta(seconds=limits.START_WAIT_S)
    assert (shown[0].co_ppm or 0.0) < 40


def test_a_service_visit_is_read_as_found_before_any_turn() -> None:
    """Where no valve is changed the adviser reads both rates, with CO, before its first turn."""
    kinds = [event for event in worked_at(BurnerCO(), visit="service").job.events if event.event in ("reading", "turn")]
    first = next(at for at, event in enumerate(kinds) if event.event == "turn")
    assert {event.firing for event in kinds[:first] if event.co2_pct is not None} == {"high", "low"}


def test_no_screw_goes_back_richer_where_co_stood() -> None:
    """A screw turned leaner because of CO stays there when the burner is shut off."""
    visit = session(3, "rich", "high; wait 150; read; turn 1/24 ccw; wait 60; read; off").visit
    assert [event.note for event in visit.job.events if event.event == "turn"] == [""]
    assert "The throttle screw stays" in visit.acts[-1].seen


@pytest.mark.parametrize(
    ("fault", "typed", "right"),
    [
        ("", "high; read; off", "no cause"),
        ("", "high; read; turn 1/48 cw", "out of band"),
        ("", "", "nothing done"),
        ("", "high; read", "nothing done"),
        ("dead", "off", "nothing done"),
        ("dead", "high; read; off", "fault missed"),
        ("dead", "high; read; say dead", "out of band"),
        ("dead", "high; read; say dead; off", "yes"),
        ("air", "high; read; off", "no cause"),  # it begins later
        ("reversed", "high; read; check screw; off", "fault missed"),
        ("reversed", "high; wait 100; read; turn 1/8 cw; wait 100; read; check screw; off", "yes"),
    ],
)
def test_the_right_end(fault: str, typed: str, right: str) -> None:
    """A sound boiler is to be left in band; a fault found, and then mended or the burner off; to leave is no end."""
    ended = session(3, fault, typed)
    ended.end()
    assert ended.mark().right_end == right


def test_a_hand_that_errs_but_sets_it_right_has_ended_right() -> None:
    """A fault that hinders the setting only is no blame once the flame is truly in band at both rates."""
    shown = at_the_end(session(5, "hand", "high; read; off"))
    assert "The right end fault missed yes " in shown
    assert "Fault noticed no no no" in shown


def test_minutes_over_the_limit_of_co_are_counted() -> None:
    """Rich for two minutes is two minutes over the limit, at either rate; a burner that is off burns nothing."""
    practice = session(3, "rich", "high; wait 120")
    assert practice.mark().harm.over_co_minutes == pytest.approx(2, abs=0.1)
    practice.do("off")
    assert practice.mark().harm.over_co_minutes == pytest.approx(2, abs=0.1)
    assert "Min with CO over its limit 2.0 " in at_the_end(practice)


def test_a_hidden_fault_is_not_told_before_the_end() -> None:
    """--fault with --hide begins like --surprise and can be played again."""
    shown = "\n".join(lines_of(["?"], session(4, "dead", hide=True)))
    start, end = shown.split("The truth about boiler 4.")
    assert "It may have a fault, or none." in start
    assert "dead screw" not in start
    assert "Its fault was: dead screw." in end
    assert 'Again: advisor practise --seed 4 --fault "dead screw" --hide.' in words(end)


def test_when_a_later_fault_began_is_told() -> None:
    """Faults that come on the way are told with their minute, also where the session ended before it."""
    for typed, ended in (("", ", after your end."), ("high; wait 1500", ".")):
        practice = session(4, "pressure", typed)
        minute = practice.task.boiler().fault_from_s / 60
        assert f"falling gas pressure, from minute {minute:.1f} on{ended}" in at_the_end(practice)


@pytest.mark.parametrize("fault", ["", *FAULTS])
def test_the_adviser_speaks_in_the_words_of_the_session(fault: str) -> None:
    """Nothing that `ask` says names a command of the other program: no log, no void, no run-at."""
    high = "high; wait 150; read; turn 1/12 cw; wait 90; read; turn 1/12 cw; wait 90; read; turn 1/4 ccw; wait 60; read"
    low = "low; wait 90; read; turn 1/12 ccw; wait 60; read; turn 1/12 ccw; wait 60; read; high; wait 90; read"
    checks = "check line; check screw; wait 1800; read; wait 1800; wait 1800; wait 1800; wait 1800; read"
    practice = session(5, fault)
    for command in f"{high}; {low}; {checks}".split("; "):
        practice.do(command)
        said = words(practice.do("ask"))
        assert not re.search(r'\blog\b|\bvoid\b|run-at|check "', said), said


@pytest.mark.slow
def test_the_adviser_does_better_than_the_fixed_step() -> None:
    """On thirty sound practice boilers the adviser ends truly in band at both rates more often."""
    ends = {adviser: 0, fixed_step: 0}
    for seed, strategy in ((seed, strategy) for seed in range(30) for strategy in ends):
        score = strategy(SimulatedVisit(session(seed).task.boiler())).score()
        ends[strategy] += score.ending == "done" and all(score.in_band.values())
    assert ends[adviser] >= 26
    assert ends[adviser] > ends[fixed_step] + 2


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("fly", "'fly' is not understood: give read, turn, wait, high, low, check, mend or off; ? explains"),
        ("turn", "the burner is off: change to high fire first"),
        ("wait 0", "wait 0: from 1 to 1800 s is allowed"),
        ("wait soon", "wait 'soon' is not a number. Type digits and a point only, no unit"),
        ("check", "check what? One of line, pressure, fuel, air, screw"),
        ("check hose", "check what? One of line, pressure, fuel, air, screw"),
        ("mend", "nothing was found that could be mended: check first"),
        ("turn 1/24 left", "the burner is off: change to high fire first"),
        ("say", f"say what? One of {', '.join(NAMES)}"),
        ("say it", f"fault 'it' is not known: it is one of {', '.join(NAMES)}"),
    ],
)
def test_bad_input_is_one_sentence(typed: str, message: str) -> None:
    """One clear sentence, nothing done, no time gone."""
    practice = session(1)
    with pytest.raises(RangeError) as caught:
        practice.do(typed)
    assert str(caught.value) == message
    assert practice.visit.boiler.now_s == 0
    assert practice.visit.job.events == ()


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        (["--fault", "gremlins"], f"fault 'gremlins' is not known: it is one of {', '.join(NAMES)}"),
        (["--fault", "dead", "--surprise"], "--fault, --surprise and --level: give one of them"),
        (["--surprise", "--level", "2"], "--fault, --surprise and --level: give one of them"),
        (["--level", "4"], "--level 4: it is one of 1, 2, 3"),
        (["--slide"], "--slide: say with --plot where it is to be written"),
        (["--plot", "a.jpg"], "'a.jpg': the name must end in .pdf, .png or .svg"),
        (["--pupil", "A"], "--pupil: say with --class FILE where the results are kept"),
        (
            ["--class", "a.csv", "--pupil", "A"],
            "--class: give both --pupil and --level to play, or none to see the class",
        ),
        (
            ["--class", "a.csv", "--seed", "1"],
            "--class: its boilers are given by --level; leave --fault, --hide, --surprise, --seed out",
        ),
        (["--hide"], "--hide: say with --fault what there is to hide"),
        (["--seed", "-1"], "--seed -1: a whole number from 0 to 2147483647 is allowed"),
    ],
)
def test_bad_options_are_refused(typed: list[str], message: str) -> None:
    """Wrong usage has exit status 2 and one sentence."""
    status, out, err = run("practise", *typed)
    assert (status, out, words(err)) == (2, "", message)


def test_a_session_that_was_broken_off_is_no_loss() -> None:
    """Its log is whole; a new session under its name is refused with what can be done with it."""
    practice_log()
    before = Path("visit.csv").read_bytes()
    status, _, err = run("practise", "--log", "visit.csv")
    assert status == 1
    assert "can't be taken up again, but its log is whole: advisor show visit.csv." in words(err)
    assert Path("visit.csv").read_bytes() == before
    assert run("show", "visit.csv")[0] == 0


def test_show_and_next_say_practice() -> None:
    """Everything printed from a practice log says PRACTICE in a line of its own; nothing from a real log does."""
    practice_log()
    for command in ("next", "show"):
        assert run(command, "visit.csv")[1].splitlines().count(PRACTICE) == 1
    assert '"practice": true' in run("show", "visit.csv", "--json")[1]
    run("open", "real.csv", "--fuel", "natural gas", "--high", "9.0:9.4", "--low", "8.6:9.0")
    for command in ("next", "show"):
        assert "PRACTICE" not in run(command, "real.csv")[1]
    assert "practice" not in Path("real.csv").read_text(encoding="utf-8")


def test_a_practice_log_is_a_job_log() -> None:
    """pandas reads it, the fact survives, times are those of the session and rise."""
    practice_log()
    table = pd.read_csv("visit.csv", comment="#")
    assert list(table["event"]) == ["firing", "reading", "turn", "reading"]
    assert "# practice = true\n" in Path("visit.csv").read_text(encoding="utf-8")
    assert pd.to_datetime(table["time"]).is_monotonic_increasing


def test_practice_is_true_or_false() -> None:
    """The fact is off unless said, and a file that says anything else is refused with its line."""
    assert JobSetup(NATURAL_GAS, BANDS).practice is False
    practice_log()
    broken = Path("visit.csv").read_text(encoding="utf-8").replace("practice = true", 'practice = "yes"')
    Path("broken.csv").write_text(broken, encoding="utf-8")
    status, _, err = run("next", "broken.csv")
    assert status == 1
    assert words(err) == "broken.csv:14: practice: true or false is needed"


# ---- history, undo


def test_history_tells_what_was_done() -> None:
    """A line for each act, with its minute and rate."""
    practice = session(4)
    assert practice.do("history") == "Nothing was done yet."
    for command in ("high", "wait 100", "read"):
        practice.do(command)
    said = practice.do("history").splitlines()
    assert [line.split()[0] for line in said] == [f"{act.at_s / 60:.1f}" for act in practice.visit.acts]
    assert "CO2" in said[-1]


def test_a_slip_of_typing_is_undone() -> None:
    """A turn, wait, rate or name typed wrong is as if it had not been; the log keeps the row, voided."""
    practice = session(4, None, "high; wait 100; read; turn 1/4 cw")
    found = practice.task.boiler().settled_pct("high")
    assert practice.visit.boiler.settled_pct("high") != found
    minutes = practice.visit.boiler.now_s
    practice.do("undo")
    assert practice.visit.boiler.settled_pct("high") == found
    assert practice.visit.boiler.now_s == pytest.approx(minutes)
    assert [event.event for event in practice.visit.job.events][-2:] == ["turn", "void"]
    assert practice.mark().harm.overshoots == len(practice.visit.turns) == len(practice.answers) == 0
    practice.do("wait 1800")
    practice.do("undo")
    assert practice.visit.boiler.now_s == pytest.approx(minutes)
    practice.do("say dead")
    practice.do("undo")
    assert practice.said == []
    practice.do("low")
    practice.do("undo")
    assert practice.visit.boiler.firing == "high"
    practice.do("read")
    assert practice.visit.job.events[-1].event == "reading"


@pytest.mark.parametrize("typed", ["", "high; wait 100; read", "high; check line", "high; turn 1/24 cw; undo"])
def test_what_was_seen_can_not_be_undone(typed: str) -> None:
    """No reading or check is taken back, no turn before it, and nothing twice: undo is no look into the future."""
    with pytest.raises(RangeError, match="nothing to undo"):
        session(4, None, typed).do("undo")


def test_the_caution_is_said_once_before_the_end() -> None:
    """PRACTICE stands at the start and over the end, not in every answer of the adviser."""
    shown = lines_of(["high", "ask", "w 100", "r", "ask"], session(4))
    assert shown.count(PRACTICE) == 2


# ---- a session in pictures; a class


def test_a_session_is_played_again_from_its_log(capsys: pytest.CaptureFixture[str]) -> None:
    """`lesson --from` tells the session as a lesson: the same truth, readings and marks, undone slips left out."""
    typed = [
        "high",
        "w 120",
        "r",
        "t 1/4 cw",
        "undo",
        "t 1/8 cw",
        "w 90",
        "r",
        "a",
        "low",
        "w 90",
        "r",
        "s dead",
        "stop",
    ]
    first = begin(task_of("dead", False, 4, hide=True), Path("visit.csv"))
    lines_of(typed, first)
    second = practice.again(Path("visit.csv"))
    assert second.mark() == first.mark()
    assert second.visit.readings == first.visit.readings
    assert second.said == ["dead screw"]
    status, out, _ = run("lesson", "--from", "visit.csv", "--plot", "mine.pdf")
    assert status == 0
    assert out.startswith(f"Practice on boiler 4: {first.mark().points} points of 100.")
    assert max(map(len, out.splitlines())) <= 80
    assert Path("mine.pdf").read_bytes().startswith(b"%PDF")
    practice_log_path = Path("other.csv")
    begin(task_of(None, False, 7), practice_log_path).do("high")
    assert run("lesson", "--from", "other.csv")[0] == 1


def test_a_session_without_an_entry_is_logged_and_played_again() -> None:
    """The end of the input at the first question is an end like any other."""
    status, shown = in_a_terminal("\x04", "--seed", "7", "--log", "visit.csv")
    assert status == 0
    assert "The right end nothing done " in words(shown)
    assert run("lesson", "--from", "visit.csv")[0] == 0


def test_the_rate_may_be_typed_as_the_prompt_says_it_and_a_bare_turn_is_asked_back() -> None:
    """`high fire` is `high`; `turn` alone gets a question with an example."""
    practice = session(7, None, "high fire")
    assert practice.visit.boiler.firing == "high"
    with pytest.raises(RangeError, match="turn how far"):
        practice.do("turn")


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        (["--plot", "a.png"], "a.png: this file exists."),
        (["--plot", "none/a.png"], "none/a.png: there is no folder none."),
        (["--class", "none/a.csv", "--pupil", "A", "--level", "1"], "none/a.csv: there is no folder none."),
        (["--class", "a.csv"], "a.csv: there is no such file. A first session starts it"),
    ],
)
def test_a_file_that_can_not_be_used_is_refused_before_the_session(typed: list[str], message: str) -> None:
    """A taken name, a folder that is not there: said before anything is played, not after."""
    Path("a.png").write_bytes(b"signed")
    status, out, err = run("practise", *typed)
    assert (status, out) == (1, "")
    assert words(err).startswith(message)


@pytest.mark.parametrize("typed", [["--plot", "a.png"], ["--class", "a.csv", "--pupil", "A", "--level", "1"]])
def test_a_folder_that_may_not_be_written_is_said_before_the_session(
    typed: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A result of an hour is not lost to a read-only folder."""
    monkeypatch.setattr(os, "access", lambda *_: False)
    status, out, err = run("practise", *typed)
    assert (status, out) == (1, "")
    assert "may not be written" in words(err)


def played_by(pupil: str, level: int, typed: str) -> None:
    """A session of a class in class.csv."""
    file = Path("class.csv")
    own = begin(classroom.next_boiler(file, pupil, level))
    lines_of(typed.split("; "), own)
    classroom.keep(file, pupil, level, own)


@pytest.mark.parametrize("fails", [False, True])
def test_the_result_is_kept_before_the_truth_is_told(fails: bool) -> None:
    """Who breaks the end off does not play the boiler again; where keeping fails the truth is told all the same."""
    said: list[str] = []

    def keep() -> None:
        said.append("kept")
        if fails:
            raise LogError("full")

    with pytest.raises(LogError) if fails else nullcontext():
        play(session(7), lambda _: "stop", said.append, keep)
    assert said[-2] == "kept"
    assert "The truth about boiler 7" in words(said[-1])


@pytest.mark.parametrize("empty", [True, False])
def test_a_class_file_that_a_hand_left_open_is_carried_on(empty: bool) -> None:
    """Empty, or with its last line's end taken off by an editor: the next result stands on a line of its own."""
    file = Path("class.csv")
    if empty:
        file.touch()
    else:
        played_by("Ann", 1, "high; r; off")
        file.write_text(file.read_text(encoding="utf-8").rstrip("\n"), encoding="utf-8")
    before = len(classroom.results(file))
    played_by("Ben", 1, "high; r; off")
    assert [result.pupil for result in classroom.results(file)] == ["Ann"] * before + ["Ben"]


def test_a_name_in_other_letters_is_the_same_pupil() -> None:
    """`ann` goes on where `Ann` was, and stands in the table as first spelled."""
    for name in ("Ann", " ann", "ANN"):
        played_by(name, 1, "high; r; off")
    told = classroom.results(Path("class.csv"))
    assert {result.pupil for result in told} == {"Ann"}
    assert len({result.boiler for result in told}) == 3


@pytest.mark.parametrize("level", practice.LEVELS)
def test_a_level_has_its_boilers(level: int) -> None:
    """The same for each pupil, half of them with a fault of the level where it has any, none like another."""
    tasks = classroom.boilers(level)
    assert tasks == classroom.boilers(level)
    assert len({task.seed for task in tasks}) == classroom.BOILERS
    faults = [task.fault for task in tasks if task.fault]
    assert len(faults) == (classroom.BOILERS / 2 if practice.LEVELS[level].faults else 0)
    assert set(faults) <= set(practice.LEVELS[level].faults)


def test_levels_get_harder() -> None:
    """Screws differ more, slack and lag grow, and only the last level's faults do not show in the flame."""
    levels = [practice.LEVELS[level] for level in (1, 2, 3)]
    for measure in ("gain_offset", "gain_throttle", "backlash_turns", "time_constant_s"):
        tops = [getattr(level.scenario, measure)[1] for level in levels]
        assert tops == sorted(tops)
        assert tops[0] < tops[-1]
    assert not levels[0].faults
    assert not set(levels[1].faults) & set(levels[2].faults)


def test_a_class_plays_the_same_boilers_in_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each pupil's next boiler is the first not yet played; results are appended, shown as table and plot."""
    for pupil, times in (("Ann", 2), ("Ben", 1)):
        for _ in range(times):
            played_by(pupil, 2, "high; w 100; r; off")
    told = classroom.results(Path("class.csv"))
    seeds = [task.seed for task in classroom.boilers(2)]
    assert [(result.pupil, result.boiler) for result in told] == [
        ("Ann", seeds[0]),
        ("Ann", seeds[1]),
        ("Ben", seeds[0]),
    ]
    assert told[0].points == told[2].points
    before = Path("class.csv").read_bytes()
    status, out, _ = run("practise", "--class", "class.csv", "--plot", "class.png")
    assert status == 0
    assert "Ann 2 - " in words(out)
    assert max(map(len, out.splitlines())) <= 80
    assert Path("class.png").read_bytes().startswith(b"\x89PNG")
    assert Path("class.csv").read_bytes() == before
    assert list(pd.read_csv("class.csv").columns) == list(classroom.COLUMNS)
    monkeypatch.setenv("COLUMNS", str(LEAST_WIDTH))
    status, out, _ = run("practise", "--class", "class.csv")
    assert "Ann: played 2" in words(out)
    assert max(map(len, out.splitlines())) <= LEAST_WIDTH


def test_a_class_file_that_is_none_is_refused_with_its_line() -> None:
    """Nothing is guessed and nothing is overwritten."""
    played_by("Ann", 1, "high; stop")
    kept = Path("class.csv").read_text(encoding="utf-8")
    Path("class.csv").write_text(kept.replace(",1,1001,", ",1,x,"), encoding="utf-8")
    status, _, err = run("practise", "--class", "class.csv", "--pupil", "Ann", "--level", "1")
    assert status == 1
    assert words(err).startswith("class.csv:2: no result of a practice session")
