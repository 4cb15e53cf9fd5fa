"""Practice at the keyboard: through a terminal as on site, the truth at the end, a log marked as practice."""

import os
import pty
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from test_cli import run, words

from advisor import Job, RangeError
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.job_setup.setup import JobSetup
from advisor.report.answers import PRACTICE
from advisor.training.practice import NAMES, Practice, begin, say_end, say_help
from advisor.training.practice import run as play
from advisor.training.simulated_visit import FACTS, LOOKS, SimulatedVisit
from advisor.training.simulator import FAULTS
from advisor.training.strategies import adviser, fixed_step

BANDS = FACTS["bands"]
MENDABLE = {fault for look in LOOKS.values() for fault in look.faults} - {"air in the sample later"}


@pytest.fixture(autouse=True)
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every test works in a folder of its own."""
    monkeypatch.chdir(tmp_path)


def session(seed: int, fault: str | None = None, typed: str = "", *, hide: bool = False) -> Practice:
    """A session in which this was typed, parted by semicolons."""
    practice = begin(fault, False, seed, None, hide=hide)
    for command in typed.split("; ") if typed else ():
        practice.do(command)
    return practice


def practice_log() -> None:
    """visit.csv, of a session that was broken off."""
    practice = begin(None, False, 7, Path("visit.csv"))
    for command in ("high", "wait 120", "read", "turn 1/24 cw", "wait 90", "read"):
        practice.do(command)


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
    assert "adviser    fixed 1/12" in shown
    job = Job.load("visit.csv")
    assert job.setup.practice
    assert [event.event for event in job.events] == ["firing", "reading", "turn", "reading", "firing", "reading"]


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


def test_every_answer_fits_the_screen() -> None:
    """80 columns; help, advice and end each shorter than 24 lines."""
    practice = session(5, "reversed")
    shown = lines_of(["?", "ask", "high", "w 120", "r", "t 1/12 cw", "a", "nonsense", "c line", "stop"], practice)
    assert max(map(len, shown)) <= 80
    assert len(say_help().splitlines()) < 24
    assert len(say_end(practice).splitlines()) < 24


def test_the_score_is_the_truth() -> None:
    """In band, overshoots, minutes, turns on unsettled readings: counted on the boiler, not on the display."""
    practice = session(7, None, "high; wait 300; read; turn 1 turn cw; turn 1 turn ccw")
    boiler, score = practice.visit.boiler, practice.visit.score()
    assert score.peak_co2_pct > practice.boiler().settled_pct("high") + 1
    assert score.turns == 2
    assert score.unsettled_turns == 1  # the second, on no new reading
    assert score.overshoots >= 1
    assert score.minutes == pytest.approx(boiler.now_s / 60)
    assert score.left_pct == {firing: boiler.settled_pct(firing) for firing in ("high", "low")}
    shown = words(say_end(practice))
    assert f"High fire, true CO2, % {score.left_pct['high']:.2f} {'in' if score.in_band['high'] else 'OUT'}" in shown
    assert f"Overshoots, rate fired {score.overshoots} " in shown
    assert f"at the other rate {score.other_overshoots} " in shown
    assert "on unsettled readings 1 " in shown


def test_a_reading_while_the_display_still_moves_is_no_ground() -> None:
    """A turn after a reading taken 8 s after the last turn counts as made on an unsettled reading."""
    first = "high; wait 300; read; turn 1/8 cw; read; turn 1/24 cw"
    assert session(7, None, f"{first}; wait 300; read; turn 1/24 ccw").visit.score().unsettled_turns == 1


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault not in MENDABLE])
def test_adviser_and_fixed_step_end_on_every_fault(fault: str) -> None:
    """Both comparisons come to an end on every fault that no check mends, and the table can be made."""
    shown = words(say_end(session(11, fault)))
    assert f"Its fault was: {fault}" in shown
    assert "Fault noticed no" in shown


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
    assert "Fault noticed yes " in words(say_end(practice))


def test_a_fault_can_be_named() -> None:
    """`say dead` is told right or wrong only at the end."""
    practice = session(4, "dead screw")
    assert practice.do("say dead") == "Noted: you think it is dead screw. The end will tell."
    practice.do("say hand")
    assert "Fault noticed yes, 1 wrong" in words(say_end(practice))


def test_surprise_is_sometimes_a_fault_and_sometimes_none() -> None:
    """Forty seeds hold sound boilers and at least five different faults; the start does not give it away."""
    faults = [begin(None, True, seed, None).fault for seed in range(40)]
    assert "" in faults
    assert len(set(faults)) > 5
    shown = lines_of([], begin(None, True, 2, None))
    assert "It may have a fault, or none." in " ".join(shown[:4])


def test_the_same_seed_is_the_same_boiler() -> None:
    """What is said at the end can be played again."""
    assert session(9).boiler().settled_pct("high") == session(9).boiler().settled_pct("high")
    assert session(10).boiler().settled_pct("high") != session(9).boiler().settled_pct("high")


def test_burner_off_is_the_safe_end() -> None:
    """`off` puts both screws back as found, ends the visit, and is the right end where the fault was found."""
    practice = session(3, "rich", "high; wait 150; read; say rich; turn 1/24 cw; wait 60; read")
    turned, found = (boiler.settled_pct("high") for boiler in (practice.visit.boiler, practice.boiler()))
    practice.do("off")
    assert practice.over
    assert practice.visit.boiler.firing is None
    assert abs(practice.visit.boiler.settled_pct("high") - found) < abs(turned - found)
    shown = words(say_end(practice))
    assert "Ended with burner off rich done" in shown
    assert "The right end yes yes fault missed" in shown  # however well the fixed step ended by luck
    with pytest.raises(RangeError, match="the visit is over"):
        practice.visit.do("read")


def test_no_screw_goes_back_richer_where_co_stood() -> None:
    """A screw turned leaner because of CO stays there when the burner is shut off."""
    visit = session(3, "rich", "high; wait 150; read; turn 1/24 ccw; wait 60; read; off").visit
    assert [event.note for event in visit.job.events if event.event == "turn"] == [""]
    assert "The throttle screw stays" in visit.acts[-1].seen


@pytest.mark.parametrize(
    ("fault", "typed", "right"),
    [
        ("", "high; wait 60; off", "no cause"),
        ("", "high; wait 60", "out of band"),
        ("dead", "high; wait 60; off", "fault missed"),
        ("dead", "high; say dead", "out of band"),
        ("dead", "high; say dead; off", "yes"),
        ("air", "high; wait 60; off", "no cause"),  # it begins later
        ("reversed", "check screw; off", "yes"),
    ],
)
def test_the_right_end(fault: str, typed: str, right: str) -> None:
    """A sound boiler is to be left in band; a fault found, and then mended or the burner off."""
    assert f"The right end {right} " in words(say_end(session(3, fault, typed)))


def test_a_hand_that_errs_but_sets_it_right_has_ended_right() -> None:
    """A fault that hinders the setting only is no blame once the flame is truly in band at both rates."""
    shown = words(say_end(session(5, "hand")))
    assert "The right end fault missed yes " in shown
    assert "Fault noticed no no no" in shown


def test_minutes_over_the_limit_of_co_are_counted() -> None:
    """Rich for two minutes is two minutes over the limit, at either rate; a burner that is off burns nothing."""
    practice = session(3, "rich", "high; wait 120")
    assert practice.visit.score().over_co_minutes == pytest.approx(2, abs=0.1)
    practice.do("off")
    assert practice.visit.score().over_co_minutes == pytest.approx(2, abs=0.1)
    assert "Minutes over the CO limit 2.0 " in words(say_end(practice))


def test_a_turn_counts_at_the_rate_that_nobody_looks_at() -> None:
    """The throttle moves low fire too: out of its band there is counted beside the rate fired."""
    visit, (low, high) = session(8, None, "high").visit, BANDS["low"]
    while not visit.in_band("low"):
        visit.turn("throttle", 1 / 96 if visit.boiler.settled_pct("low") < low else -1 / 96)
    before = visit.score().other_overshoots
    visit.do("turn 1/2 cw")
    assert visit.boiler.settled_pct("low") > high
    assert visit.score().other_overshoots == before + 1


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
        minute = practice.boiler().fault_from_s / 60
        assert f"falling gas pressure, from minute {minute:.1f} on{ended}" in words(say_end(practice))


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
        score = strategy(SimulatedVisit(session(seed).boiler())).score()
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
        (["--fault", "dead", "--surprise"], "--fault and --surprise: give one of them"),
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
