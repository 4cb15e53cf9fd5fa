"""The command line: every error word for word, exit statuses, the first line is the answer."""

import builtins
import contextlib
import io
import json
import os
import re
import shlex
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from console import ROOT, called

from advisor import Job
from advisor.log import file as job_log
from advisor.log.events import Event
from advisor.report.layout import columns
from advisor.wording.numbers import say_chance

pytestmark = pytest.mark.usefixtures("workplace")

DEMO_LOGS = ROOT / "demo_logs"
STATED = '--fuel "natural gas" --high 9.0:9.4 --low 8.6:9.0'
OPEN = f"open visit.csv {STATED}"
LOG = Path("visit.csv")
FIRST = "10:03 run-at high; 10:05 read high 8.3 6.2 22"
NOW = "10:05:30"  # of the day that `at` means, just after `prepared`


def run(*words: str) -> tuple[int, str, str]:
    """Exit status, standard output and standard error of one command."""
    out, err = io.StringIO(), io.StringIO()
    return called(words, out, err), out.getvalue(), err.getvalue()


def typed(line: str) -> tuple[int, str, str]:
    return run(*shlex.split(line))


def at(time: str, line: str, day: str = "2026-05-04") -> tuple[int, str, str]:
    """One command about visit.csv at a time of one day: at("10:05", "read high 8.1 6.5 24")."""
    command, *rest = shlex.split(line)
    return run(command, "visit.csv", *rest, "--at", f"{day}T{time}+00:00")


def session(steps: str, stated: str = "") -> tuple[int, str, str]:
    """A log opened with what is stated, commands with their times, "10:03 run-at high; 10:05 next"; the last answer."""
    done = typed(f"{OPEN} {stated}")
    for step in filter(None, steps.split("; ")):
        done = at(*step.split(" ", 1))
    return done


@cache
def first_rows(stated: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        assert session(FIRST, stated)[0] == 0
        return LOG.read_bytes()


def prepared(stated: str = "") -> None:
    """A log with high fire read once, in which a first turn is due."""
    LOG.write_bytes(first_rows(stated))


def words(text: str) -> str:
    """A message as its words, whatever lines it was wrapped to."""
    return " ".join(text.split())


def labels(text: str) -> list[str]:
    """The labels of an answer, in order."""
    return re.findall(
        r"^(STOP|Warning|Note|Then|Expect|Why|Now|Last|Left|Next|May|Restore|Allowed)(?=  )", text, re.MULTILINE
    )


def asked(time: str, line: str) -> Any:
    """What a command answers to a program."""
    return json.loads(at(time, f"{line} --json")[1])


def events() -> tuple[Event, ...]:
    return job_log.read_log(LOG).events


# ---- slips


ENTRIES = [
    # what was typed, what is said before "Nothing was logged."
    ("read visit.csv high 81", "81 % CO2 can't be. Did you mean 8.1?"),
    ("read visit.csv high 8,1", "CO2 '8,1' has a comma. Did you mean 8.1?"),
    ("read visit.csv high 8.1 --o2 6,5", "O2 '6,5' has a comma. Did you mean 6.5?"),
    ("read visit.csv high 8.1 --o2 65", "65 % O2 can't be. Did you mean 6.5?"),
    ("read visit.csv high -8.6", "-8.6 % CO2 can't be: from 0 to 25 is allowed. Read the display again"),
    ("read visit.csv half 8.1", "firing rate 'half': it is high or low"),
    ("read visit.csv 8.1 high", "the rate comes before the reading: read visit.csv high 8.1"),
    ("read visit.csv high 8.3 900 --o2 6.2", "O2 or CO was given twice: give each once"),
    ("run-at visit.csv middle", "firing rate 'middle': it is high, low or off"),
    ("turn visit.csv gas 1/24 cw", "screw 'gas': it is offset or throttle"),
    ("turn visit.csv offset 2 cw", "'2 cw': degrees or turns? Say 2deg cw"),
    ("turn visit.csv throttle -1/24 cw", "'-1/24 cw' has a sign. Say the way in words instead: 1/24 cw or 1/24 ccw"),
    ("void visit.csv abc", "row 'abc' is not a number. Type digits and a point only, no unit"),
    ("void visit.csv 1.5", "row '1.5' is not a whole number. Type digits only"),
    ("void visit.csv 9", "row 9 is not in this log: it has rows 1 to 2"),
    ('check visit.csv "offset clockwise" up', "'up' is no answer here: type richer or leaner or unknown"),
    ("turn visit.csv offset 1/24 cw --at 2199-01-01T10:00:00+00:00",
     "time '2199-01-01T10:00:00+00:00' is still to come: this clock shows 2026-05-12 18:00. Is one of them wrong?"),
    ("note visit.csv early --at 0001-01-01",  # in local time there is no such moment
     "time '0001-01-01' can't be read: give 10:32, 10:32:30 or 2026-05-04T10:32:00+02:00"),
    ("note visit.csv x --at ten", "time 'ten' can't be read: give 10:32, 10:32:30 or 2026-05-04T10:32:00+02:00"),
    ("note visit.csv x --at last", "--at last is for next, may and show: an entry needs its own moment, such as 10:32"),
]  # fmt: skip
OPENING = [
    # further options of `open`, the whole message
    ("--fuel diesel",
     "fuel 'diesel' is not built in. Built in are natural gas, propane, butane, methane; for any other gas make a "
     "mixture from its composition"),
    ("--high 90:94",
     "band at high fire 90 to 94 % CO2: natural gas can't give more than 11.9 %. Right fuel, and the point in the "
     "right place?"),
    ("--set cap_turns.offset=1/8",
     "cap_turns for the offset screw = 0.125 is above the usual 0.08333 turn: say in cap_statement where the "
     "maker's instructions allow it, or lower it"),
    ('--set cap_turns.offset=1/2 --set "cap_statement=page 12"',
     "cap_turns for the offset screw = 0.5: more than 0 and at most 0.1667 turn is allowed"),
    ("--set colour=red",
     "setting 'colour=red': give name=value; names are cap_turns, cap_statement, mark_turns, travel_limit_turns, "
     "clockwise, min_wait_s, turndown, co_limit_ppm_air_free, display_step_pct, analyser_accuracy_pct, "
     "overshoot_chance, stop_chance, input_rate, heating_value"),
    ("--set clockwise.offset=sideways",
     "clockwise for the offset screw = 'sideways': it is one of richer, leaner, unknown"),
    ("--set overshoot_chance=0.9", "overshoot_chance = 0.9: from 0.001 to 0.5 is allowed"),
    ("--set cap_turns.offset=1/0", "cap_turns: '1/0' divides by zero"),
    ('--set "input_rate=33:36 hp"', "power unit 'hp' is not known; allowed are kW, W, Btu/h"),
    ('--pressure "working pressure 17:25"',
     "pressure 'working pressure 17:25': give it as \"working pressure=17:25 mbar\""),
    ("--mixture CH4=0.8,H2=0.2",
     "natural gas is built in with its own composition: leave --mixture out, or name the gas otherwise"),
    ("--mixture CH4", "mixture 'CH4': give each part as name=share, such as CH4=0.8,H2=0.2"),
    ("--high 10.4:10.8 --low 10.0:10.4",
     "high fire 10.4 to 10.8 % CO2 is 9 to 13 % excess air with natural gas; usual is 15 to 50. It would suit propane. "
     "low fire 10 to 10.4 % CO2 is 13 to 17 % excess air with natural gas; usual is 15 to 50. It would suit propane. "
     "If it is so in the maker's instructions, add --confirm-band"),
    ("--high 7.0:9.0", "high fire 7 to 9 % CO2 is 28 to 62 % excess air with natural gas; usual is 15 to 50. high fire "
     "7 to 9 % CO2 is 2.0 % wide. If it is so in the maker's instructions, add --confirm-band"),
    ("--high 8.2:8.6", "the low-fire band lies above the high-fire one. Swapped? If it is so in the maker's "
     "instructions, add --confirm-band"),
    ("--high 11.2:11.6 --confirm-band",
     "band at high fire 11.2 to 11.6 % CO2: with natural gas its upper edge leaves 0.5 % O2, next to a rich flame. Is "
     "it the band of another fuel?"),
    ("--high-o2 4.3:5.0",
     "band at high fire: give --high in CO2, such as 9.0:9.4, or --high-o2 in O2, such as 4.3:5.0, from the maker's "
     "instructions"),
    ('--co-limit 100',
     "CO limit '100': which basis? Type 100 ppm air-free, 100 ppm (as displayed), or a ratio such as 0.004 CO/CO2"),
    ("--visit repair", "visit = 'repair': it is one of valve-change, conversion, service, complaint"),
]  # fmt: skip
QUOTED = 'words with blanks in quotes: "in w.c."'
SLIPS = [
    # what was typed, the whole message
    ("practise --seed x", "--seed 'x' is not a number. Type digits and a point only, no unit"),
    ("study visit.csv --sample x", "--sample 'x' is not a number. Type digits and a point only, no unit"),
    ("may visit.csv gas 1/24 cw", "screw 'gas': it is offset or throttle"),
    ("next visit.csv --at 2199-01-01T10:00:00+00:00",
     "time '2199-01-01T10:00:00+00:00' is still to come: this clock shows 2026-05-12 18:00. Is one of them wrong?"),
    ("next", "LOG is missing. Type: advisor next LOG. More: advisor next --help"),
    ("read visit.csv low", "CO2 is missing. Type: advisor read LOG RATE CO2 [O2] [CO]. More: advisor read --help"),
    ("turn visit.csv offset", "TURN is missing. Type: advisor turn LOG SCREW TURN. More: advisor turn --help"),
    ("open new.csv --high 9:9.4",
     "--fuel is missing. Type: advisor open LOG --fuel NAME --high BAND --low BAND. More: advisor open --help"),
    ('open new.csv --fuel "natural gas" --high 9:9.4',
     "band at low fire: give --low in CO2, such as 9.0:9.4, or --low-o2 in O2, such as 4.3:5.0, from the maker's "
     "instructions"),
    ('check visit.csv "working pressure" 8 in w.c.',
     f"'w.c.' is one word too many. Type: advisor check LOG ITEM VALUE [UNIT], {QUOTED}"),
    ("read visit.csv high 8.1 6.2 22 5 7",
     f"'5 7' are 2 words too many. Type: advisor read LOG RATE CO2 [O2] [CO], {QUOTED}"),
    ("next visit.csv --jso", "'--jso' is no option of next. Did you mean --json?"),
    ("next visit.csv -x", "'-x' is no option of next. It has --at, --why, --json, --help"),
    ("read visit.csv high -8.6 --speed 3", "'-8' is no option of read. It has --o2, --co, --at, --note, --help"),
    ("next visit.csv --json=3", "--json takes no value"),
    ("sheet visit.csv a.pdf --paper", "--paper needs a value after it: a4 or letter"),
    ("nxt visit.csv", "'nxt' is no command. Did you mean next?"),
    ("fly visit.csv",
     "'fly' is no command. There are open, run-at, co, read, turn, check, note, void, next, may, show, sheet, trace, "
     "guide, page, lesson, practise, study"),
    ("--fast", "'--fast' is no option of advisor. It has --install-completion, --show-completion, --help"),
    *((line, f"{message} Nothing was logged.") for line, message in ENTRIES),
    *((f"open new.csv {STATED} {more}", message) for more, message in OPENING),
]  # fmt: skip


@pytest.mark.parametrize(("line", "message"), SLIPS, ids=[row[0].replace(f"{STATED} ", "") for row in SLIPS])
def test_a_slip_gets_one_sentence_and_logs_nothing(line: str, message: str) -> None:
    """What can't be, is missing, too much or not known: exit status 2, the rule or what to type, nothing is logged."""
    prepared()
    before = LOG.read_bytes()
    status, out, err = typed(line)
    assert (status, out, words(err)) == (2, "", message)
    assert max(map(len, err.splitlines())) <= 80
    assert LOG.read_bytes() == before
    assert [*Path().iterdir()] == [LOG]


def test_open_keeps_what_is_stated() -> None:
    """The kind of visit, input rate and heating value with their units are in the head of the log."""
    assert typed(f'{OPEN} --visit service --set "input_rate=33:36 kW" --set "heating_value=38.5 MJ/m3"')[0] == 0
    setup = Job.load(LOG).setup
    assert (setup.visit, setup.input_rate, setup.heating_value) == ("service", (33.0, 36.0, "kW"), (38.5, "MJ/m3"))


OPENED = [
    # bands and limit as stated, what is said back of them
    ("--high 9.0:9.4 --low 8.6:9.0",
     ["High CO2 9.0 to 9.4 % of natural gas is O2 5.0 to 4.3 %, excess air 28 to 23 %.",
      "Low CO2 8.6 to 9.0 % of natural gas is O2 5.8 to 5.0 %, excess air 34 to 28 %.",
      "CO limit the published 400 ppm air-free, ANSI/BPI-1200-S-2017, read in a secondary copy"]),
    ("--high-o2 4.3:5.0 --low-o2 5.0:5.8 --co-limit '100 ppm'",
     ["High CO2 9.03 to 9.42 % of natural gas is O2 5.0 to 4.3 %", "CO limit the maker's 100 ppm as displayed; the"]),
    ("--high 10.4:10.8 --low 10.0:10.4 --confirm-band", ["High CO2 10.4 to 10.8 % of natural gas is O2 2.6 to 1.9 %"]),
    ("--high 9.0:9.4 --low 8.6:9.0 --co-limit '0.002 CO/CO2'", ["CO limit the maker's 0.002 CO/CO2"]),
    ("--high 9.0:9.4 --low 8.6:9.0 --set clockwise.throttle=richer --set clockwise.offset=leaner",
     ["Clockwise makes it leaner, as stated. Throttle up", "Clockwise makes it richer, as stated. CO"]),
    ("--high 9:9.4 --low 8.6:9 --set clockwise.throttle=unknown", ["at a time. Which way is clockwise? Look"]),
]  # fmt: skip


@pytest.mark.parametrize(("stated", "said"), OPENED)
def test_open_reads_bands_and_limit_back(stated: str, said: list[str]) -> None:
    """Bands in CO2 and O2 with their excess air, however they were given; the CO limit and the way of screws too."""
    status, out, _ = typed(f'open visit.csv --fuel "natural gas" {stated}')
    assert (status, [line for line in said if line not in words(out)]) == (0, [])


def test_co_is_logged_at_any_moment_and_struck_with_a_reason_only() -> None:
    """Before lighting, while it runs and with the burner off; what may be typed is in the help."""
    session("10:00 co 3; 10:03 run-at high; 10:03:30 co 900; 10:04 run-at off --note 'shut it'; 10:05 co 20")
    assert [event.firing for event in events() if event.event == "reading"] == [None, "high", "off"]
    status, _, err = at("10:06", "void 3")
    assert (status, words(err)) == (2, "row 3 has CO 900 ppm, and stays on the record: say why it is struck "
                                       "(--note WORDS) Nothing was logged.")  # fmt: skip
    assert at("10:06", "void 3 --note 'probe touched the floor'")[0] == 0
    assert events()[-1].note == "probe touched the floor"
    assert "Log CO alone, at any moment" in words(run("co", "--help")[1])


def test_a_turn_before_lighting_and_more_oxygen_than_air_are_refused_with_the_reason() -> None:
    """The maker's starting position is a check; an analyser that shows so is off zero."""
    session("10:00 note start")
    for line, reason in (
        ("turn throttle 1/24 cw", "the boiler was not lit yet: what is turned before that is the maker's starting"),
        ("read high 8.3 22 20", "22 % O2 can't be: clean air has 20.95. Zero the analyser in clean air, read again"),
    ):
        status, _, err = at("10:01", line)
        assert (status, words(err).startswith(reason)) == (2, True)
    assert len(events()) == 1


BAD_LINE = "2026-05-04T10:06:00+00:00,reading,high,,,eight,,,,,,"
NO_NAME = "a" * 300 + ".pdf"
UNUSABLE = [
    # what was typed, a line put at the end of the log, how the message starts (LINE: number of that line)
    ("next nowhere.csv", "", "nowhere.csv: there is no such file or folder."),
    (OPEN, "", "visit.csv: this file exists, and a log is never overwritten."),
    ("next visit.csv", BAD_LINE, "visit.csv:LINE: co2_pct 'eight' is not a number."),
    *((f"{line} {NO_NAME}", "", f"{NO_NAME}: File name too long") for line in (
        "guide", "practise --log", "show visit.csv --plot", "sheet visit.csv", "study visit.csv --out", "next")),
]  # fmt: skip


@pytest.mark.parametrize(("line", "added", "message"), UNUSABLE, ids=[row[0][:40] for row in UNUSABLE])
def test_a_file_that_cannot_be_used_is_named(line: str, added: str, message: str) -> None:
    """Exit status 1, the name and what is wrong with it, the log as it was; not that an answer can't be printed."""
    prepared()
    with LOG.open("a", encoding="utf-8") as file:
        file.write(f"{added}\n" if added else "")
    before = LOG.read_text(encoding="utf-8")
    status, out, err = typed(line)
    assert (status, out) == (1, "")
    said = message.replace("LINE", str(len(before.splitlines())))
    assert "".join(err.split()).startswith("".join(said.split()))  # a long name is cut into lines
    assert LOG.read_text(encoding="utf-8") == before


def test_a_torn_last_line_is_reported_and_costs_only_itself() -> None:
    """A line cut by lost power is named on standard error; the job goes on."""
    prepared()
    with LOG.open("ab") as file:
        file.write(b"2026-05-04T10:06:00+00:00,rea")
    status, out, err = at(NOW, "next")
    assert (status, out[:23], err[:15]) == (0, "Throttle screw: 15° (1/", "Note: visit.csv")
    assert at(NOW, "turn throttle 1/24 cw")[0] == 0
    assert [event.event for event in events()] == ["firing", "reading", "turn"]


def test_a_log_that_may_not_be_written_is_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """A read-only log is refused in plain words and loses nothing."""
    prepared()
    before, really_open = LOG.read_bytes(), builtins.open

    def refuse(file: Any, mode: str = "r", *args: Any, **more: Any) -> Any:
        if mode == "r+b":
            raise PermissionError(13, "Permission denied", "visit.csv")
        return really_open(file, mode, *args, **more)

    monkeypatch.setattr(builtins, "open", refuse)
    status, out, err = at(NOW, "turn throttle 1/24 cw")
    assert (status, out) == (1, "")
    assert err.startswith("visit.csv: this may not be read or written")
    assert LOG.read_bytes() == before


@pytest.mark.skipif(sys.platform == "win32", reason="another kind of lock there")
def test_who_leaves_while_another_terminal_has_the_log_saves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C in the wait for the lock: one sentence, exit status 1 like all that was not saved, the log as it was."""
    prepared()
    before = LOG.read_bytes()

    def interrupt(_: float) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, LOG.open("r+b") as other:
        job_log.fcntl.flock(other, job_log.fcntl.LOCK_EX)
        patch.setattr(job_log.time, "sleep", interrupt)
        status, out, err = at(NOW, "turn throttle 1/24 cw")
    said = "visit.csv: stopped while another program was writing to this log. Nothing was saved"
    assert (status, out, words(err)) == (1, "", said)
    assert LOG.read_bytes() == before


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="no such names there")
def test_a_name_that_is_not_utf_8_is_asked_to_be_changed_before_a_study() -> None:
    """Other commands take it; tables can't hold it, and nothing is written."""
    prepared()
    Path("\udcff.csv").write_bytes(LOG.read_bytes())
    assert run("next", "\udcff.csv")[0] == 0
    status, out, err = typed("study . --out desk")
    assert (status, out) == (1, "")
    assert words(err) == "'\\udcff.csv': this name is not UTF-8, and no table can hold it. Rename the file"
    assert not Path("desk").exists()


ASCII, NO_ZONE = {"PYTHONIOENCODING": "ascii"}, {"TZ": "UTC+24"}
NO_MOMENT = "this system's time zone is a day or more from UTC: set it right (TZ)\nNothing was logged.\n"
SHELL = [
    # command line, typed at its questions, environment, exit status, what is printed, on standard error, notes logged
    # a keyboard or a screen that is not there ends the session; the log never takes a stream's number
    ("practise --seed 12 <&-", "", {}, 0, "The truth about boiler 12", "", []),
    ("guide visit.csv <&-", "", {}, 0, "Left. All that was entered is saved", "", []),
    ("guide visit.csv <&- >&-", "", {}, 0, "", "", []),
    ("practise --seed 12 >&-", "", {}, 0, "", "", []),
    ("note visit.csv quiet >&- 2>&-", "", {}, 0, "", "", ["quiet"]),
    ("note visit.csv '' >&- 2>&-", "", {}, 2, "", "", []),
    # bytes that are no UTF-8 are asked again; all others are kept where Python takes the keyboard for ASCII
    ("guide visit.csv", "note größer, ガス\nnote x\udcff\nnote end\nstop\n", ASCII, 0, "Left.", "",
     ["größer, ガス", "end"]),
    ("practise --seed 12", "h\udcff\nhigh\nstop\n", ASCII, 0, "min, high fire > ", "", []),
    # a day or more from UTC no moment can be stamped; an answer needs no zone
    ("run-at visit.csv high", "", NO_ZONE, 2, "", NO_MOMENT, []),
    ("read visit.csv high 8 --at 10:00", "", NO_ZONE, 2, "", NO_MOMENT, []),
    ("next visit.csv", "", NO_ZONE, 0, "Change to high fire", "", []),
]  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="no bash there")
@pytest.mark.parametrize(("line", "keys", "environment", "status", "printed", "error", "notes"), SHELL)
def test_in_any_shell_nothing_breaks(
    line: str, keys: str, environment: dict[str, str], status: int, printed: str, error: str, notes: list[str]
) -> None:
    """As a program of its own, without a stream, an encoding or a time zone."""
    prepared()
    command, env = ["bash", "-c", f"'{sys.executable}' -m advisor {line}"], {**os.environ, **environment}
    done = subprocess.run(command, input=keys.encode(errors="surrogateescape"), capture_output=True, env=env)
    out = words(done.stdout.decode())
    assert (done.returncode, done.stderr.decode(), bool(out)) == (status, error, bool(printed))
    assert printed in out
    assert [event.note for event in events()[2:]] == notes


# ---- answers


OVER = f"{FIRST}; {NOW} turn throttle 1/4 cw"
HIGH_CO = f"{NOW} read high 9.2 4.6 900"
BOTH = "10:00 run-at high; 10:03 read high 9.2 4.6 30; 10:03 run-at low; 10:06 read low 8.8 5.4 20"  # in one minute
TIGHT = "10:07 check 'sample line' tight; 10:07 check 'opened joints' tight"
UNKNOWN = "--set clockwise.offset=unknown"  # the way of a screw, a turn of which is due then
LOW = "10:03 run-at high; 10:05 read high 9.2 4.6 22; 10:06 run-at low; 10:10 read low 8.2 6.2 12"
ANSWERS = [
    # what is stated, what is typed, exit status, how the answer starts, labels, codes
    ("", "10:00 next", 0,
     "Before it is lit: sample line, opened joints. Then light it and run high fire. Log",
     "Then Why Left", "light-first"),
    ("", f"{FIRST}; {NOW} next", 0,
     "Throttle screw: 15° (1/24 turn) clockwise, richer.",
     "Warning Then Expect Now Left", "here first-move sample-line"),
    ("", f"{FIRST}; {NOW} note warm", 0,
     "Throttle screw: 15° (1/24 turn) clockwise, richer.",
     "Warning Then Expect Now Left", "here first-move"),
    ("", f"{FIRST}; {NOW} read H 8.3 6.2 22", 0,
     "Throttle screw: 15° (1/24 turn) clockwise, richer.",
     "Warning Then Expect Now Left", "here"),
    ("--pressure 'working pressure=17:25 mbar'", f"{FIRST}; {NOW} next", 0,
     "Check the gas pressure first. Then throttle screw: 15° (1/24 turn) clockwise, richer.",
     "Warning Warning Then Expect Now Left", "pressure-unknown"),
    ("", f"{FIRST}; {NOW} turn throttle 1/24 cw", 0,
     "Wait 70 s more, then read CO2, O2, CO at high fire.",
     "Warning Expect Why Now Left", "not-steady"),
    ("", OVER, 0,
     "Not advised: Over the cap of 45° (1/8 turn) at a time. Watch CO: the last turn was over the cap. Wai",
     "Warning Warning Why Now Left", "large-turn"),
    ("", f"{OVER}; {NOW} next", 0,
     "Watch CO: the last turn was over the cap. Wait 2 min 25 s more, then read CO2, O2, CO at high fire.",
     "Warning Warning Why Now Left", "large-turn"),
    ("", f"{OVER}; {HIGH_CO}", 3,
     "BURNER OFF. Air the room. Never richer. CO at high fire is 1154 ppm air-free, over its limit of 400.",
     "Warning May Restore Now", "high-co large-turn"),
    ("", f"{OVER}; 10:09 read high 9.2 4.6 24", 0,
     "Change to low fire. Log it: run-at low.",
     "Warning Why Now Left", "other-unread"),
    ("", f"{FIRST}; {NOW} turn throttle 1/12 cw; {NOW} turn throttle 1/12 cw", 0,
     "Not advised: Not steady yet: wait 1 min more and read. Watch CO: the last turn was over the cap. Wai",
     "Warning Warning Why Now Left", "large-turn"),
    ("", f"{FIRST}; {NOW} turn offset 1/24 cw", 0,
     "Not advised: The offset screw is set at low fire; the boiler is at high fire. Wait 1 min more, then",
     "Warning Warning Expect Why Now Left", "wrong-rate"),
    ("", f"{FIRST}; {HIGH_CO}; {NOW} turn throttle 1/24 cw", 3,
     "Not advised: No turn until the stop is cleared. BURNER OFF. Air the room. Never richer. CO at high f",
     "STOP May Restore Now", "high-co"),
    ("", f"{FIRST}; {NOW} co 40; {NOW} co 900", 3,
     "BURNER OFF. Air the room. Never richer. CO at high fire is 1280 ppm air-free, over its limit of 400.",
     "Now", "high-co"),
    ("", f"{FIRST}; {NOW} note 'smells of gas here'", 3,
     "STOP. GAS SMELL: gas off, no flame",
     "Last", "not-ready"),
    ("", f"{FIRST}; {NOW} check 'CO alarm sounding' yes", 3,
     "STOP. BURNER OFF, everybody out",
     "Last", "not-ready"),
    ("", f"{FIRST}; {NOW} note 'smell of gas'; 10:07 note 'no smell of gas any more'", 0,
     "Burner off (smell of gas). Once it may run again: high fire. Log it: run-at high.", "Why Last Left", "off"),
    ("", f"{FIRST}; {NOW} run-at off --note 'locked out'", 0,
     "Burner off (locked out). Once it may run again: high fire. Log it: run-at high.",
     "Why Last Left", "off"),
    ("", f"{FIRST}; {NOW} run-at off; {NOW} read high 0.2 20.6 2", 0,
     "Burner off: find out why first. Once it may run again: high fire. Log it: run-at high.",
     "Why Last Left", "off"),
    ("", f"{FIRST}; {NOW} run-at off; {NOW} may throttle 1/24 cw", 3,
     "No: throttle screw: 15° (1/24 turn) clockwise, richer. The burner is off. Light it and take a reading first.",
     "Last", "off-no-turn"),
    ("", f"{FIRST}; {NOW} run-at off; 10:07 run-at high; 10:08 read high 8.3 6.2 22", 0,
     "Wait 1 min more, then read CO2, O2, CO at high fire.",
     "Warning Expect Why Now Left", "just-lit"),
    ("", f"{FIRST}; {NOW} check 'working pressure' 17.4 mbar", 0,
     "Throttle screw: 15° (1/24 turn) clockwise, richer.",
     "Warning Then Expect Now Left Note", "here"),
    ("", f"{FIRST}; {HIGH_CO}", 3,
     "BURNER OFF. Air the room. Never richer. CO at high fire is 1154 ppm air-free, over its limit of 400.",
     "STOP May Now", "high-co"),
    ("", f"{FIRST}; {HIGH_CO}; {NOW} next", 3,
     "BURNER OFF. Air the room. Never richer. CO at high fire is 1154 ppm air-free, over its limit of 400.",
     "STOP May Now", "high-co"),
    ("", f"{FIRST}; {NOW} may throttle 1/24 cw", 0,
     "Yes. Throttle screw: 15° (1/24 turn) clockwise, richer.",
     "Then Expect Now", "may sample-line"),
    ("", f"{FIRST}; {NOW} may 15 cw", 0,
     "Yes. Throttle screw: 15° (1/24 turn) clockwise, richer.",
     "Then Expect Now", "may sample-line"),
    ("", f"{FIRST}; {NOW} may throttle 1/4 cw", 3,
     "No: throttle screw: 90° (1/4 turn) clockwise, richer. Over the cap of 45° (1/8 turn) at a time.",
     "Allowed Now", "over-cap"),
    ("", BOTH, 0,
     "Both rates are in band. Not finished: sample line, opened joints.",
     "Now Left", "in-band"),
    ("", f"{BOTH}; {TIGHT}", 0,
     "Done with the screws: both rates are in band.",
     "Now Next Left", "in-band"),
    (UNKNOWN, f"{LOW}; 10:10 next", 0,
     "Offset screw: 15° (1/24 turn) clockwise, way not sure yet.",
     "Warning Warning Then Expect Now Left", "here"),
    (UNKNOWN, f"{LOW}; 10:10 may throttle 1/24 cw", 3,
     "No: throttle screw: 15° (1/24 turn) clockwise, richer. The throttle screw is set at high fire; the b",
     "Now", "other-screw"),
    (UNKNOWN, f"{LOW}; 10:11 read low 8.2 6.2 2500; 10:11 may throttle 1/24 cw", 3,
     "No: throttle screw: 15° (1/24 turn) clockwise, richer. No turn until the stop is cleared.",
     "STOP Now", "stopped"),
]  # fmt: skip


@pytest.mark.parametrize(("stated", "steps", "status", "first", "shown", "known"), ANSWERS)
def test_the_first_line_is_the_answer(stated: str, steps: str, status: int, first: str, shown: str, known: str) -> None:
    """The answer, then its labels in order; its codes for a program; no line wider than a terminal."""
    got, out, _ = session(steps, stated)
    assert (got, words(out)[: len(first)], labels(out)) == (status, first, shown.split())
    assert max(map(len, out.splitlines())) <= 80
    time, last = steps.split("; ")[-1].split(" ", 1)
    answer = asked(time, last if last.startswith("may") else "next")
    assert {*known.split()} <= {*answer["reason_codes"], *(finding["code"] for finding in answer["findings"])}


@pytest.mark.parametrize(("steps", "why"), [
    (f"{FIRST}; {HIGH_CO}", "a stop stands: BURNER"), (f"{BOTH}; {TIGHT}", "proof with cover on is not done"),
])  # fmt: skip
def test_in_service_is_refused_in_a_command_as_in_the_guide(steps: str, why: str) -> None:
    """While a stop stands or the proof is open; out of service is always taken."""
    session(steps)
    status, _, err = at("10:40", "check appliance-left 'in service'")
    assert (status, why in " ".join(err.split())) == (2, True)
    assert at("10:40", "check appliance-left 'out of service'")[0] != 2


def test_json_holds_the_fields_of_the_contract() -> None:
    """`--json` prints the advice's, the verdict's and the job's fields with numbers as numbers."""
    prepared()
    advice = asked(NOW, "next")
    for name in ("expect_co2_pct", "expect_low_pct", "expect_high_pct", "chance_in_band", "chance_past_band",
                 "gain_per_turn", "gain_low", "gain_high", "wait_s"):  # fmt: skip
        assert isinstance(advice[name], float), name
    assert advice.keys() >= {"action", "firing", "screw", "turns_cw", "findings", "reasons", "open_items"}
    assert (advice["action"], advice["turns_cw"]) == ("turn", pytest.approx(1 / 24))
    assert asked(NOW, "may throttle 1/4 cw")["allowed"] is False
    record = asked(NOW, "show")
    assert [row["event"] for row in record["rows"]] == ["firing", "reading"]
    assert record["setup"]["bands"] == {"high": [9.0, 9.4], "low": [8.6, 9.0]}


def test_no_line_is_wider_than_a_terminal() -> None:
    """Help and what is shown fit 80 columns; a Japanese character takes two (Unicode Standard Annex 11)."""
    prepared()
    at(NOW, "note " + "ガス弁の交換後の調整を行う前に供給圧力を確認した結果は正常であった。" * 3)
    shown = at(NOW, "show")[1]
    assert "ガス弁" in shown
    status, *alone = run()  # without a word the commands are listed
    commands = re.findall(r"^  (\S+)  ", "".join(alone).partition("Commands:")[2], re.MULTILINE)
    assert (status, len(commands)) == (2, 18)
    printed = [shown, *alone, *(run(name, "--help")[1] for name in commands)]
    assert max(columns(line) for text in printed for line in text.splitlines()) <= 80


def test_show_of_a_long_visit_is_a_page_or_two_and_all_of_it_can_be_had() -> None:
    """The answer first, the last rows with their numbers, how many are left out; --all and --json keep all."""
    log = str(DEMO_LOGS / "whole_visit.csv")
    rows, (short, whole) = len(Job.load(log).rows()), (run("show", log, *more)[1] for more in ([], ["--all"]))
    for text in (short, whole):
        assert re.match(r"Closed on 2026-05-12 at \d\d:\d\d: the appliance was left in service\.\n", text)
    assert f"\n      {rows - 24} earlier rows left out; every row: advisor show LOG --all\n" in short
    numbers = [[*map(int, re.findall(r"^ *(\d+)  \d\d:\d\d:\d\d  ", text, re.MULTILINE))] for text in (short, whole)]
    assert numbers == [[*range(rows - 23, rows + 1)], [*range(1, rows + 1)]]
    assert short.count("\n") < 70
    assert len(json.loads(run("show", log, "--json")[1])["rows"]) == rows > 60
    assert "left out" not in run("show", str(DEMO_LOGS / "read_too_soon.csv"))[1]


def test_show_lists_what_to_look_at_first_and_the_way_back() -> None:
    """A stop comes with its steps in order, skipped stages with their reason, turned screws with their way back."""
    session(f"{FIRST}; {NOW} turn throttle 1/24 cw; 10:07:30 read high 8.5 5.9 900")
    job = Job.load(LOG)
    job.note("no manometer", item="skipped stage", value="gas pressure", at=job.moment(job.events[-1].time))
    shown = at("10:08", "show")[1]
    assert "Skipped  gas pressure: no manometer\n" in shown
    steps = shown[
        shown.index("  Look first (CO over its limit):") : shown.index("Restore  If you give up: throttle screw 15°")
    ]
    assert re.findall(r"^ {4}(\d) ", steps, re.MULTILINE)[:6] == list("123456")
    assert "Restore" in labels(at("10:07:40", "next")[1])


SHOWN = [
    # what is stated, what is typed, what is said
    ("", f"{OVER}; {NOW} show", "Watch CO: the last turn was over the cap."),
    ("--set analyser_accuracy_pct=0.3", f"{FIRST}; {NOW} show",
     "With the analyser's own accuracy of 0.3 % CO2 either way:"),
    (UNKNOWN, f"{LOW}; 10:10 show", "Offset what it does at low fire is not known yet (1/12 turn: at most"),
    (UNKNOWN, f"{LOW}; 10:10 show", "Throttle 1/12 turn clockwise makes +"),
    ("", f"{FIRST}; {NOW} show", "; play about 11°; lag about"),
    (UNKNOWN, f"{LOW}; 10:10 next --why", "which way it works is not sure yet"),
    ("", f"{FIRST}; {NOW} next", "Open: preparation, valve, lighting, pressure."),
    ("", f"{FIRST}; {NOW} note warm", "Open: preparation, valve, lighting, pressure."),
]  # fmt: skip


@pytest.mark.parametrize(("stated", "steps", "said"), SHOWN)
def test_what_is_known_and_what_not_is_said_plainly(stated: str, steps: str, said: str) -> None:
    """With the same words in each command; no figure such as -0.00 stands for what nobody knows."""
    out = words(session(steps, stated)[1])
    assert said in out
    assert "-0.00 %" not in out


def test_finish_names_the_sheet_and_a_visit_that_is_over_asks_for_nothing_more() -> None:
    """Before the appliance is left the cover comes first; after it only the record is left."""
    LOG.write_bytes((DEMO_LOGS / "sound_job.csv").read_bytes())
    out = words(typed("next visit.csv --at last")[1])
    assert "Cover on, read both again, seal; record: advisor sheet LOG FILE." in out
    job, end = Job.load(LOG), events()[-1].time
    for stage in ("proof", "close up", "record"):
        job.note("done by the other technician", item="skipped stage", value=stage, at=end)
    out = typed("next visit.csv --at last")[1]
    assert "\nNext     The visit is over; the record: advisor sheet LOG FILE\n" in out
    assert "\nLeft     To do: preparation, valve, lighting, pressure.\n" in out
    assert "Cover on" not in out


def test_as_of_the_last_row_is_for_answers() -> None:
    """`--at last` answers as of the log's end; without it the answer is for now, hours later."""
    log = str(DEMO_LOGS / "half_way.csv")
    assert run("next", log, "--at", "last")[1].startswith("Offset screw: ")
    assert run("next", log)[1].startswith("Change to low fire. Log it: run-at low.\n")
    assert run("may", log, "offset", "1/48", "ccw", "--at", "last")[0] == 0
    assert run("may", log, "offset", "1/48", "ccw")[0] == 3


# ---- entries


TURNED = f"{FIRST}; {NOW} turn throttle 1/24 ccw"
PUT_RIGHT = "counterclockwise. If a turn was made there after all, log it as it was, with --at"
STRUCK = [
    # typed before, day of the void, how its answer starts
    (FIRST, "2026-05-04",
     "Struck row 2, 10:05:00, high fire: CO2 8.3 %, O2 6.2 %, CO 22 ppm. Not meant? Undo it: advisor void LOG 3"),
    (TURNED, "2026-05-04",
     f"Struck row 3, 10:05:30, throttle screw 15° (1/24 turn) {PUT_RIGHT} 10:05:30, before all else."),
    (TURNED, "2026-05-05", "Struck row 3, 2026-05-04T10:05:30+00:00, throttle screw 15° (1/24 turn) "
     f"{PUT_RIGHT} 2026-05-04T10:05:30+00:00, before all else."),
]  # fmt: skip


@pytest.mark.parametrize(("steps", "day", "said"), STRUCK)
def test_void_says_what_it_struck_and_how_to_put_it_right(steps: str, day: str, said: str) -> None:
    """The row by name and time, with its day where that is another; it stays in the log."""
    session(steps)
    rows = events()
    status, out, _ = at("10:06", "void", day)
    assert (status, words(out)[: len(said)]) == (0, said)
    assert events()[:-1] == rows


def test_what_was_struck_by_mistake_comes_back_as_the_answer_says() -> None:
    """Another terminal logged meanwhile, and its row was struck: named with its time, and back whole with one word."""
    prepared()
    whole = at(NOW, "next")[1]
    at("10:05:20", "note 'from the other terminal'")
    out = at(NOW, "void")[1]
    assert out.startswith("Struck row 3, 10:05:20, note: from the other terminal.\n")
    status, out, _ = at(NOW, f"void {out.splitlines()[1].split()[-1]}")
    assert (status, out.splitlines()[:2]) == (0, ["Struck row 4, 10:05:30, row 3 struck.", "Row 3 counts again."])
    assert at(NOW, "next")[1] == whole
    assert "(struck)" not in at(NOW, "show")[1]


TYPED = {"8inH2O": "inH2O", "'8 inH2O'": "inH2O", "8 inH2O": "inH2O", "'8in w.c.'": "in w.c.", "8 'in w.c.'": "in w.c."}
CHECKS = [
    # item and value as typed, the check that is logged, whether it is noted as a mere remark
    ("'air temperature' -5 C", ("air temperature", "-5", "C"), False),  # a figure below 0 is no option
    ("'CO alarm' yes", ("CO alarm", "yes", ""), False),
    ("'sample line' tight", ("sample line", "tight", ""), False),
    ("inlet '8 inH2O'", ("inlet", "8", "inH2O"), True),
    *((f"'{item}' {value}", (item, "8", unit), False)
      for item in ("burner pressure", "standing pressure") for value, unit in TYPED.items()),
]  # fmt: skip


@pytest.mark.parametrize(("line", "logged", "remark"), CHECKS, ids=[row[0] for row in CHECKS])
def test_a_check_is_logged_as_it_was_meant(line: str, logged: tuple[str, str, str], remark: bool) -> None:
    """A pressure with or without a blank before its unit; a name that is not known is kept and said to be a remark."""
    prepared('--pressure "burner pressure=7:11inH2O"')
    status, out, _ = at(NOW, f"check {line}")
    assert (status, "is no check known here" in words(out)) == (0, remark)
    assert (events()[-1].item, events()[-1].value, events()[-1].unit) == logged


def test_a_back_dated_entry_is_answered_for_the_log_s_last_entry() -> None:
    """A reading logged for an earlier moment hides no stop that stands, and the answer says that it lies earlier."""
    prepared()
    assert at(NOW, "read high 9.2 4.7 2500")[0] == 3
    status, out, _ = at("09:00", "read high 8.6 5.7 22")
    assert (status, out[:10]) == (3, "BURNER OFF")
    assert "Note     This entry lies before the log's last one (10:05).\n" in out
    assert events()[-1].co2_pct == 8.6  # it is logged all the same
    out = at("10:05", "note 'the day before'", "2026-05-03")[1]
    assert "lies before the log's last one (2026-05-04 10:05)." in words(out)


def test_an_entry_after_a_struck_later_one_is_answered_for_its_own_moment() -> None:
    """A row with a slip in its time, once struck, is no last entry."""
    assert "lies before" not in session(f"{FIRST}; 20:00 note 'a slip'; 10:05:10 void; {NOW} note right")[1]


def test_a_chance_is_never_said_to_be_surer_than_it_is() -> None:
    """100 % is said of what is sure, nothing less; 0 % likewise."""
    said = {0.0: "0 %", 0.004: "under 1 %", 0.5: "50 %", 0.994: "99 %", 0.995: "over 99 %", 1.0: "100 %"}
    assert {chance: say_chance(chance) for chance in said} == said
