"""The command line: every error word for word, exit statuses, the first line is the answer."""

import builtins
import io
import json
import os
import re
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from advisor import Job
from advisor.cli import main as cli
from advisor.cli import options
from advisor.cli.main import main
from advisor.log import file as job_log
from advisor.report.layout import columns
from advisor.wording.numbers import say_chance

OPEN = ["open", "visit.csv", "--fuel", "natural gas", "--high", "9.0:9.4", "--low", "8.6:9.0"]
DEMO_LOGS = Path(__file__).parent.parent / "demo_logs"
PREPARED = [
    OPEN,
    ["run-at", "visit.csv", "high", "--at", "2026-05-04T10:03:00+00:00"],
    ["read", "visit.csv", "high", "8.3", "--o2", "6.2", "--co", "22", "--at", "2026-05-04T10:05:00+00:00"],
]


def run(*words: str) -> tuple[int, str, str]:
    """Exit status, standard output and standard error of one command."""
    out, err, argv = io.StringIO(), io.StringIO(), sys.argv
    sys.argv = ["advisor", *words]
    try:
        with redirect_stdout(out), redirect_stderr(err):
            main()
        status = 0
    except SystemExit as stop:
        status = int(stop.code or 0)
    finally:
        sys.argv = argv
    return status, out.getvalue(), err.getvalue()


def words(text: str) -> str:
    """A message as its words, whatever lines it was wrapped to."""
    return " ".join(text.split())


@pytest.fixture(autouse=True)
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Every test works in a folder of its own."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def prepared() -> None:
    for words in PREPARED:
        assert run(*words)[0] == 0


EVENING = datetime(2026, 5, 12, 18, 0).astimezone()  # what this clock shows
NOTHING = "\nNothing was logged.\n"
NOW = ["--at", "2026-05-04T10:05:30+00:00"]
WORDS = [
    # what was typed, exit status, the whole message
    (["read", "visit.csv", "high", "81"], 2, "81 % CO2 can't be. Did you mean 8.1?" + NOTHING),
    (["read", "visit.csv", "high", "8,1"], 2, "CO2 '8,1' has a comma. Did you mean 8.1?" + NOTHING),
    (["read", "visit.csv", "high", "8.1", "--o2", "6,5"], 2, "O2 '6,5' has a comma. Did you mean 6.5?" + NOTHING),
    (["read", "visit.csv", "high", "8.1", "--o2", "65"], 2, "65 % O2 can't be. Did you mean 6.5?" + NOTHING),
    (["read", "visit.csv", "half", "8.1"], 2, "firing rate 'half': it is high or low" + NOTHING),
    (["run-at", "visit.csv", "middle"], 2, "firing rate 'middle': it is high or low" + NOTHING),
    (["turn", "visit.csv", "gas", "1/24", "cw"], 2, "screw 'gas': it is offset or throttle" + NOTHING),
    (
        ["turn", "visit.csv", "offset", "24", "cw"],
        2,
        "'24 cw' is 24 whole turns. Did you mean 1/24 cw?" + NOTHING,
    ),
    (["void", "visit.csv", "abc"], 2, "row 'abc' is not a number. Type digits and a point only, no unit" + NOTHING),
    (["void", "visit.csv", "1.5"], 2, "row '1.5' is not a whole number. Type digits only" + NOTHING),
    (["practise", "--seed", "x"], 2, "--seed 'x' is not a number. Type digits and a point only, no unit\n"),
    (
        ["study", "visit.csv", "--sample", "x"],
        2,
        "--sample 'x' is not a number. Type digits and a point only, no unit\n",
    ),
    (
        ["turn", "visit.csv", "offset", "1/24", "cw", "--at", "2199-01-01T10:00:00+00:00"],
        2,
        "time '2199-01-01T10:00:00+00:00' is still to come: this clock shows 2026-05-12 18:00. Is one of them wrong?"
        + NOTHING,
    ),
    (
        ["next", "visit.csv", "--at", "2199-01-01T10:00:00+00:00"],
        2,
        "time '2199-01-01T10:00:00+00:00' is still to come: this clock shows 2026-05-12 18:00. Is one of them wrong?\n",
    ),
    (
        ["note", "visit.csv", "early", "--at", "0001-01-01"],  # in local time there is no such moment
        2,
        "time '0001-01-01' can't be read: give 10:32, 10:32:30 or 2026-05-04T10:32:00+02:00" + NOTHING,
    ),
    (["void", "visit.csv", "9"], 2, "row 9 is not in this log: it has rows 1 to 2" + NOTHING),
    (
        ["check", "visit.csv", "offset clockwise", "up"],
        2,
        "offset clockwise 'up': it is richer or leaner or unknown" + NOTHING,
    ),
    (
        ["note", "visit.csv", "late", "--at", "ten"],
        2,
        "time 'ten' can't be read: give 10:32, 10:32:30 or 2026-05-04T10:32:00+02:00" + NOTHING,
    ),
    (["may", "visit.csv", "gas", "1/24", "cw"], 2, "screw 'gas': it is offset or throttle\n"),
]


@pytest.mark.parametrize(("typed", "status", "message"), WORDS, ids=[" ".join(row[0]) for row in WORDS])
def test_a_slip_gets_a_clear_sentence_and_logs_nothing(
    typed: list[str], status: int, message: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wrong entry is answered with one sentence, the log stays as it was."""
    monkeypatch.setattr(options, "now", lambda: EVENING)
    prepared()
    before = Path("visit.csv").read_bytes()
    got, out, err = run(*typed)
    assert (got, out, words(err)) == (status, "", words(message))
    assert Path("visit.csv").read_bytes() == before


def test_open_says_which_fuels_it_knows() -> None:
    """A fuel that is not known is answered with the names that are."""
    status, out, err = run(*[word if word != "natural gas" else "diesel" for word in OPEN])
    assert status == 2
    assert out == ""
    assert err.startswith("fuel 'diesel'")
    for name in ("natural gas", "propane", "butane"):
        assert name in err
    assert not Path("visit.csv").exists()


@pytest.mark.parametrize(
    ("extra", "message"),
    [
        (
            ["--set", "cap_turns.offset=1/8"],
            "cap_turns for the offset screw = 0.125 is above the usual 0.08333 turn: say in cap_statement where the "
            "maker's instructions allow it, or lower it\n",
        ),
        (
            ["--set", "cap_turns.offset=1/2", "--set", "cap_statement=page 12"],
            "cap_turns for the offset screw = 0.5: more than 0 and at most 0.1667 turn is allowed\n",
        ),
        (
            ["--set", "colour=red"],
            "setting 'colour=red': give name=value; names are cap_turns, cap_statement, mark_turns, "
            "travel_limit_turns, clockwise, min_wait_s, turndown, co_limit_ppm_air_free, display_step_pct, "
            "analyser_accuracy_pct, overshoot_chance, stop_chance, input_rate, heating_value\n",
        ),
        (
            ["--set", "clockwise.offset=sideways"],
            "clockwise for the offset screw = 'sideways': it is one of richer, leaner, unknown\n",
        ),
        (["--set", "overshoot_chance=0.9"], "overshoot_chance = 0.9: from 0.001 to 0.5 is allowed\n"),
        (
            ["--pressure", "working pressure 17:25"],
            "pressure 'working pressure 17:25': give it as \"working pressure=17:25 mbar\"\n",
        ),
        (
            ["--mixture", "CH4=0.8,H2=0.2"],
            "natural gas is built in with its own composition: leave --mixture out, or name the gas otherwise\n",
        ),
        (["--mixture", "CH4"], "mixture 'CH4': give each part as name=share, such as CH4=0.8,H2=0.2\n"),
        (["--set", "cap_turns.offset=1/0"], "cap_turns: '1/0' divides by zero\n"),
    ],
)
def test_open_refuses_facts_that_cannot_be(extra: list[str], message: str) -> None:
    """Facts outside what is allowed are refused with the rule, and no log is made."""
    status, out, err = run(*OPEN, *extra)
    assert (status, out, words(err)) == (2, "", words(message))
    assert all(len(line) <= 80 for line in err.splitlines())
    assert not Path("visit.csv").exists()


def test_a_band_with_the_point_in_the_wrong_place_is_asked_about() -> None:
    """90:94 for 9.0:9.4 can't come from this fuel."""
    status, _, err = run(*[word.replace("9.0:9.4", "90:94") for word in OPEN])
    assert status == 2
    assert words(err) == words(
        "band at high fire 90 to 94 % CO2: natural gas can't give more than 11.9 %. Right fuel, and the point in the "
        "right place?\n"
    )


def test_a_missing_log_is_said_so() -> None:
    """A file that is not there has exit status 1 and no traceback."""
    status, out, err = run("next", "nowhere.csv")
    assert (status, out) == (1, "")
    assert err.startswith("nowhere.csv: ")
    assert "Traceback" not in err


def test_an_existing_log_is_not_overwritten() -> None:
    """`open` on a log that is there is refused and leaves it alone."""
    prepared()
    before = Path("visit.csv").read_bytes()
    status, _, err = run(*OPEN)
    assert status == 1
    assert "visit.csv" in err
    assert Path("visit.csv").read_bytes() == before


def test_a_bad_line_is_named() -> None:
    """A log with a letter in a number column is refused with file and line."""
    prepared()
    with Path("visit.csv").open("a", encoding="utf-8") as file:
        file.write("2026-05-04T10:06:00+00:00,reading,high,,,eight,,,,,,\n")
    line = len(Path("visit.csv").read_text(encoding="utf-8").splitlines())
    status, out, err = run("next", "visit.csv")
    assert (status, out) == (1, "")
    assert err.startswith(f"visit.csv:{line}: ")
    assert "eight" in err


def test_the_first_line_is_the_answer() -> None:
    """`next` starts with the turn to make; so do `read`, `turn` and `may`."""
    prepared()
    status, out, _ = run("next", "visit.csv", *NOW)
    assert status == 0
    assert out.splitlines()[0] == "Turn the throttle screw 1/24 turn clockwise (hour hand: half an hour)."
    status, out, _ = run("turn", "visit.csv", "throttle", "1/24", "cw", *NOW)
    assert (status, out.splitlines()[0]) == (0, "Wait 70 s more, then read at high fire.")


def test_after_a_turn_over_the_cap_the_first_line_says_what_to_watch() -> None:
    """Not just to wait: CO may be on its way. A stop still comes before it; a settled reading ends it."""
    prepared()
    status, out, _ = run("turn", "visit.csv", "throttle", "1/4", "cw", *NOW)
    first = "Watch CO: the last turn was over the cap. Wait 1 min more, then read at high fire."
    assert (status, " ".join(out.splitlines()[:2])) == (0, first)
    assert max(map(len, out.splitlines())) <= 80
    assert run("show", "visit.csv")[1].startswith("Watch CO: the last turn was over the cap.")
    shown = ["9.2", "--o2", "4.6", "--co", "900", "--at", "2026-05-04T10:06:00+00:00"]
    assert run("read", "visit.csv", "high", *shown)[1].startswith("STOP. CO at high fire is ")
    shown = ["9.2", "--o2", "4.6", "--co", "24", "--at", "2026-05-04T10:09:00+00:00"]
    assert run("read", "visit.csv", "high", *shown)[1].startswith("Read CO2, O2 and CO at high fire now.")


def test_a_refusal_has_exit_status_3_and_one_reason_first() -> None:
    """`may` refuses a quarter turn by the cap."""
    prepared()
    status, out, err = run("may", "visit.csv", "throttle", "1/4", "cw", *NOW)
    assert (status, err) == (3, "")
    said = " ".join(out.split())
    assert said.startswith(
        "No: throttle screw 1/4 turn clockwise (hour hand: 3 hours). 1/4 turn is more than the cap of 1/8 turn a move."
    )


def test_an_allowed_turn_has_exit_status_0() -> None:
    """`may` allows what `next` advises."""
    prepared()
    status, out, _ = run("may", "visit.csv", "throttle", "1/24", "cw", *NOW)
    assert status == 0
    assert out.startswith("Yes: throttle screw 1/24 turn clockwise")
    assert "prove it tight" in " ".join(out.split()), "what is not proved yet stands beside a yes"


def test_a_halt_has_exit_status_3() -> None:
    """Carbon monoxide over the limit stops the job, also in the answer to the reading itself."""
    prepared()
    status, out, _ = run("read", "visit.csv", "high", "9.2", "--o2", "4.6", "--co", "900", *NOW)
    assert status == 3
    assert out.startswith("STOP. CO at high fire is 1154 ppm air-free, over the limit of 400.")
    assert run("next", "visit.csv", *NOW)[0] == 3


def test_json_holds_the_fields_of_the_contract() -> None:
    """`--json` prints the advice's, the verdict's and the job's fields with numbers as numbers."""
    prepared()
    advice = json.loads(run("next", "visit.csv", "--json", *NOW)[1])
    assert set(advice) == {
        "action", "firing", "screw", "turns_cw", "wait_s", "expect_co2_pct", "expect_low_pct", "expect_high_pct",
        "chance_in_band", "chance_past_band", "gain_per_turn", "gain_low", "gain_high", "findings", "reasons",
        "open_items",
    }  # fmt: skip
    assert advice["action"] == "turn"
    assert advice["turns_cw"] == pytest.approx(1 / 24)
    verdict = json.loads(run("may", "visit.csv", "throttle", "1/4", "cw", "--json", *NOW)[1])
    assert verdict["allowed"] is False
    record = json.loads(run("show", "visit.csv", "--json")[1])
    assert [row["event"] for row in record["rows"]] == ["firing", "reading"]
    assert record["facts"]["bands"] == {"high": [9.0, 9.4], "low": [8.6, 9.0]}


def test_no_line_is_wider_than_a_terminal() -> None:
    """Everything that the commands print for a person fits 80 columns."""
    prepared()
    printed = [run(*words)[1] for words in (["next", "visit.csv", *NOW], ["show", "visit.csv"], ["--help"])]
    printed += [run(command, "--help")[1] for command in ("open", "read", "turn", "check", "void", "may", "show")]
    assert all(len(line) <= 80 for text in printed for line in text.splitlines())


def test_wide_characters_count_twice() -> None:
    """A note in Japanese keeps to 80 columns, where each character takes two (Unicode Standard Annex 11)."""
    prepared()
    run("note", "visit.csv", "ガス弁の交換後の調整を行う前に供給圧力を確認した結果は正常であった。" * 3, *NOW)
    shown = run("show", "visit.csv")[1]
    assert "ガス弁" in shown
    assert max(columns(line) for line in shown.splitlines()) <= 80


def test_an_answer_says_the_stage_in_one_line() -> None:
    """`next` and the entries name the stage the visit is in, and what was left behind."""
    prepared()
    out = run("next", "visit.csv", *NOW)[1]
    assert "  Stage    4 of 9, high fire; not done: before, valve, gas pressure.\n" in out
    assert [line for line in out.splitlines() if line.startswith("  Stage")] == [
        line for line in run("note", "visit.csv", "warm", *NOW)[1].splitlines() if line.startswith("  Stage")
    ]


def test_show_of_a_long_visit_is_a_page_or_two_and_all_of_it_can_be_had() -> None:
    """The answer first, the last rows with their numbers, how many are left out; --all and --json keep all."""
    log = str(DEMO_LOGS / "whole_visit.csv")
    short, whole = (run("show", log, *more)[1].splitlines() for more in ([], ["--all"]))
    assert short[0] == whole[0] == "Closed on 2026-05-12 at 09:25: the appliance was left in service."
    rows = len(Job.load(log).rows())
    assert f"      {rows - 24} earlier rows left out; every row: advisor show LOG --all" in short
    numbers = [
        [int(line[:4]) for line in lines if re.match(r" *\d+  \d\d:\d\d:\d\d  ", line)] for lines in (short, whole)
    ]
    assert numbers == [[*range(rows - 23, rows + 1)], [*range(1, rows + 1)]]
    assert len(short) < 70
    assert len(json.loads(run("show", log, "--json")[1])["rows"]) == rows > 60
    assert "left out" not in run("show", str(DEMO_LOGS / "read_too_soon.csv"))[1]


def test_show_says_chances_as_next_does() -> None:
    """One wording for the same certainty: 9 times in 10."""
    prepared()
    shown = run("show", "visit.csv")[1]
    assert "9 times in 10" in shown
    assert "90 %" not in shown


def test_show_lists_what_to_look_at_first_and_the_way_back() -> None:
    """A stop comes with its steps in order, skipped stages with their reason, turned screws with their way back."""
    prepared()
    run("turn", "visit.csv", "throttle", "1/24", "cw", "--at", "2026-05-04T10:05:30+00:00")
    run("read", "visit.csv", "high", "8.5", "5.9", "900", "--at", "2026-05-04T10:07:30+00:00")
    job = Job.load("visit.csv")
    job.note("no manometer", item="skipped stage", value="gas pressure", at=job.moment(job.events[-1].time))
    shown = words(run("show", "visit.csv")[1])
    assert "Skipped gas pressure: no manometer" in shown
    assert "Look first (high CO): 1 Burner off if CO still climbs; air the room. 2 Screws: if CO" in shown
    assert "call the maker. Restore Throttle screw 1/16 turn counterclockwise" in shown
    assert "Restore" in run("next", "visit.csv", "--at", "2026-05-04T10:07:40+00:00")[1]


def test_the_analyser_s_own_accuracy_is_said_plainly() -> None:
    """Given, `show` says the chance to be truly in band with it."""
    run(*OPEN, "--set", "analyser_accuracy_pct=0.3")
    run("read", "visit.csv", "high", "9.2", "4.7", "20", *NOW)
    run("read", "visit.csv", "high", "9.2", "4.7", "20", "--at", "2026-05-04T10:09:30+00:00")
    assert "With the analyser's own accuracy of 0.3 % CO2 either way:" in words(run("show", "visit.csv")[1])


def test_open_takes_what_the_data_plate_says_of_the_input() -> None:
    """Input rate and heating value with their units, kept in the head; a wrong unit is refused."""
    run(*OPEN, "--set", "input_rate=33:36 kW", "--set", "heating_value=38.5 MJ/m3")
    setup = Job.load("visit.csv").setup
    assert (setup.input_rate, setup.heating_value) == ((33.0, 36.0, "kW"), (38.5, "MJ/m3"))
    other = [word.replace("visit", "other") for word in OPEN]
    status, _, err = run(*other, "--set", "input_rate=33:36 hp")
    assert (status, words(err)) == (2, "power unit 'hp' is not known; allowed are kW, W, Btu/h")


def test_void_strikes_the_last_row_and_says_which() -> None:
    """`void` names what it struck and answers again."""
    prepared()
    status, out, _ = run("void", "visit.csv", *NOW)
    assert status == 0
    assert out.splitlines()[:2] == [
        "Struck row 2, 10:05:00, high fire: CO2 8.3 %, O2 6.2 %, CO 22 ppm.",
        "Not meant? Undo it: advisor void LOG 3",
    ]
    assert len(job_log.read_log("visit.csv").events) == 3


def test_what_was_struck_by_mistake_comes_back_as_the_answer_says() -> None:
    """Another terminal logged meanwhile, and its row was struck: named with its time, and back whole with one word."""
    prepared()
    whole = run("next", "visit.csv", *NOW)[1]
    run("note", "visit.csv", "from the other terminal", "--at", "2026-05-04T10:05:20+00:00")
    out = run("void", "visit.csv", *NOW)[1]
    assert out.startswith("Struck row 3, 10:05:20, note: from the other terminal.\n")
    row = out.splitlines()[1].split()[-1]
    status, out, _ = run("void", "visit.csv", row, *NOW)
    assert (status, out.splitlines()[:2]) == (0, ["Struck row 4, 10:05:30, row 3 struck.", "Row 3 counts again."])
    assert run("next", "visit.csv", *NOW)[1] == whole
    assert "(struck)" not in run("show", "visit.csv")[1]


def test_a_row_of_another_day_is_named_with_its_day() -> None:
    """Struck the day after: a bare time would be taken as today's."""
    prepared()
    run("turn", "visit.csv", "throttle", "1/24", "ccw", "--at", "2026-05-04T10:05:10+00:00")
    out = words(run("void", "visit.csv", "--at", "2026-05-05T10:00:00+00:00")[1])
    assert out.startswith("Struck row 3, 2026-05-04T10:05:10+00:00, throttle screw 1/24 turn counterclockwise")
    assert "log it as it was, with --at 2026-05-04T10:05:10+00:00, before all else." in out


def test_a_spreadsheet_reads_the_log_as_it_is() -> None:
    """pandas takes the log with `#` as comment."""
    prepared()
    run("note", "visit.csv", 'cap = #2, "loose"', *NOW)
    frame = pd.read_csv("visit.csv", comment="#")
    assert list(frame["event"]) == ["firing", "reading", "note"]
    assert frame["note"].iloc[2] == 'cap = #2, "loose"'


def test_a_torn_last_line_is_reported_and_costs_only_itself() -> None:
    """A line cut by lost power is named on standard error; the job goes on."""
    prepared()
    with Path("visit.csv").open("ab") as file:
        file.write(b"2026-05-04T10:06:00+00:00,rea")
    status, out, err = run("next", "visit.csv", *NOW)
    assert status == 0
    assert out.startswith("Turn the throttle screw")
    assert err.startswith("Note: visit.csv:")
    assert run("turn", "visit.csv", "throttle", "1/24", "cw", *NOW)[0] == 0
    assert [event.event for event in job_log.read_log("visit.csv").events] == ["firing", "reading", "turn"]


@pytest.mark.skipif(sys.platform == "win32", reason="another kind of lock there")
def test_who_leaves_while_another_terminal_has_the_log_is_told_that_nothing_was_saved(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Ctrl-C in the wait for the lock: one sentence, exit status 1 like all that was not saved, the log as it was."""
    prepared()
    before = Path("visit.csv").read_bytes()

    def interrupt(_: float) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, Path("visit.csv").open("r+b") as other:
        job_log.fcntl.flock(other, job_log.fcntl.LOCK_EX)
        patch.setattr(job_log.time, "sleep", interrupt)
        status, out, err = run("turn", "visit.csv", "throttle", "1/24", "cw", *NOW)
    said = "visit.csv: stopped while another program was writing to this log. Nothing was saved"
    assert (status, out, words(err)) == (1, "", said)
    assert Path("visit.csv").read_bytes() == before


@pytest.mark.parametrize(
    "typed",
    [["guide"], ["practise", "--log"], ["show", "visit.csv", "--plot"], ["sheet", "visit.csv"],
     ["study", "visit.csv", "--out"], ["next"]],
)  # fmt: skip
def test_a_name_that_can_not_be_one_is_said_so(typed: list[str]) -> None:
    """Whichever command meets it: the name and what is wrong with it, not that an answer can't be printed."""
    prepared()
    name = "a" * 300 + ".pdf"
    status, out, err = run(*typed, name)
    assert (status, out) == (1, "")
    assert err.replace("\n", "").startswith(f"{name}: File")
    assert words(err).split(": ", 1)[1].startswith("File name too long")
    assert "printed" not in err


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="no such names there")
def test_a_name_that_is_not_utf_8_is_asked_to_be_changed_before_a_study() -> None:
    """Other commands take it; tables can't hold it, and nothing is written."""
    prepared()
    Path("\udcff.csv").write_bytes(Path("visit.csv").read_bytes())
    assert run("next", "\udcff.csv", *NOW)[0] == 0
    status, out, err = run("study", ".", "--out", "desk")
    assert (status, out) == (1, "")
    assert words(err) == "'\\udcff.csv': this name is not UTF-8, and no table can hold it. Rename the file"
    assert not Path("desk").exists()


def in_a_shell(command: str, typed: bytes = b"") -> tuple[int, str, str]:
    """Exit status and both streams of a command line as bash runs it."""
    line = command.replace("advisor", f"'{sys.executable}' -m advisor", 1)
    done = subprocess.run(["bash", "-c", line], input=typed, capture_output=True, check=False)
    return done.returncode, done.stdout.decode(), done.stderr.decode()


@pytest.mark.skipif(sys.platform == "win32", reason="no bash there")
def test_closed_streams_break_nothing() -> None:
    """A keyboard or a screen that is not there is the end of the session; the log never takes a stream's number."""
    prepared()
    status, out, err = in_a_shell("advisor practise --seed 3 <&-")
    assert (status, err) == (0, "")
    assert "The truth about boiler 3" in out
    status, out, err = in_a_shell("advisor guide visit.csv <&-")
    assert (status, err) == (0, "")
    assert "Left. All that was entered is saved" in words(out)
    assert in_a_shell("advisor guide visit.csv <&- >&-") == (0, "", "")
    assert in_a_shell("advisor practise --seed 3 >&-") == (0, "", "")
    assert in_a_shell("advisor note visit.csv quiet >&- 2>&-") == (0, "", "")
    assert in_a_shell("advisor note visit.csv '' >&- 2>&-") == (2, "", "")
    assert [event.note for event in Job.load("visit.csv").events][-1:] == ["quiet"]


@pytest.mark.skipif(sys.platform == "win32", reason="no bash there")
def test_what_is_typed_is_utf_8_whatever_the_system_is_set_to() -> None:
    """Bytes that are no UTF-8 are asked again; umlauts and kana are kept where Python takes the keyboard for ASCII."""
    prepared()
    typed = "note größer, ガス\nnote x\udcff\nnote end\nstop\n".encode(errors="surrogateescape")
    status, _, err = in_a_shell("PYTHONIOENCODING=ascii advisor guide visit.csv", typed)
    assert (status, err) == (0, "")
    assert [event.note for event in Job.load("visit.csv").events][2:] == ["größer, ガス", "end"]
    status, out, err = in_a_shell("PYTHONIOENCODING=ascii advisor practise --seed 3", b"h\xff\nhigh\nstop\n")
    assert (status, err) == (0, "")
    assert "min, high fire > " in out


def test_a_folder_that_cannot_be_written_is_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """A read-only log is refused in plain words and loses nothing."""
    prepared()
    before = Path("visit.csv").read_bytes()

    really_open = builtins.open

    def refuse(file: Any, mode: str = "r", *args: Any, **more: Any) -> Any:
        if mode == "r+b":
            raise PermissionError(13, "Permission denied", "visit.csv")
        return really_open(file, mode, *args, **more)

    monkeypatch.setattr(builtins, "open", refuse)
    status, out, err = run("turn", "visit.csv", "throttle", "1/24", "cw", *NOW)
    assert (status, out) == (1, "")
    assert err.startswith("visit.csv: ")
    assert Path("visit.csv").read_bytes() == before


def test_a_reading_may_be_typed_short() -> None:
    """Rate cut short, O2 and CO without their options; a swapped order is asked about."""
    prepared()
    assert run("read", "visit.csv", "H", "8.3", "6.2", "22", *NOW)[0] == 0
    assert job_log.read_log("visit.csv").events[-1].co_ppm == 22
    status, _, err = run("read", "visit.csv", "high", "8.3", "900", "--o2", "6.2", *NOW)
    assert (status, words(err)) == (2, "O2 or CO was given twice: give each once Nothing was logged.")
    status, _, err = run("read", "visit.csv", "8.1", "high", *NOW)
    assert (status, words(err)) == (
        2,
        "the rate comes before the reading: read visit.csv high 8.1 Nothing was logged.",
    )


def test_a_voided_turn_says_how_to_log_the_one_that_was_made() -> None:
    """After a turn logged the wrong way the answer first says how to put it right."""
    prepared()
    run("turn", "visit.csv", "throttle", "1/24", "ccw", "--at", "2026-05-04T10:05:10+00:00")
    out = run("void", "visit.csv", *NOW)[1]
    assert words(out).startswith(
        "Struck row 3, 10:05:10, throttle screw 1/24 turn counterclockwise (hour hand: half an hour). If a turn was "
        "made there after all, log it as it was, with --at 10:05:10, before all else."
    )


def test_python_m_advisor_is_the_same_command() -> None:
    """`python -m advisor` answers like `advisor`."""
    prepared()
    done = subprocess.run(
        [sys.executable, "-m", "advisor", "next", "visit.csv", *NOW], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0
    assert done.stdout == run("next", "visit.csv", *NOW)[1]


USAGE = [
    # what was typed, the whole message
    (["next"], "LOG is missing. Type: advisor next LOG. More: advisor next --help"),
    (
        ["read", "visit.csv", "low"],
        "CO2 is missing. Type: advisor read LOG RATE CO2 [O2] [CO]. More: advisor read --help",
    ),
    (["turn", "visit.csv", "offset"], "TURN is missing. Type: advisor turn LOG SCREW TURN. More: advisor turn --help"),
    (
        ["open", "new.csv", "--high", "9:9.4"],
        "--low is missing. Type: advisor open LOG --high BAND --low BAND --fuel NAME. More: advisor open --help",
    ),
    (
        ["check", "visit.csv", "working pressure", "8", "in", "w.c."],
        "'w.c.' is one word too many. Type: advisor check LOG ITEM VALUE [UNIT], words with blanks in quotes: "
        '"in w.c."',
    ),
    (
        ["read", "visit.csv", "high", "8.1", "6.2", "22", "5", "7"],
        "'5 7' are 2 words too many. Type: advisor read LOG RATE CO2 [O2] [CO], words with blanks in quotes: "
        '"in w.c."',
    ),
    (
        ["read", "visit.csv", "high", "-8.6"],
        "-8.6 % CO2 can't be: from 0 to 25 is allowed. Read the display again Nothing was logged.",
    ),
    (
        ["turn", "visit.csv", "throttle", "-1/24", "cw"],
        "'-1/24 cw' has a sign. Say the way in words instead: 1/24 cw or 1/24 ccw Nothing was logged.",
    ),
    (["next", "visit.csv", "--jso"], "'--jso' is no option of next. Did you mean --json?"),
    (["next", "visit.csv", "-x"], "'-x' is no option of next. It has --at, --json, --help"),
    (
        ["read", "visit.csv", "high", "-8.6", "--speed", "3"],
        "'-8' is no option of read. It has --o2, --co, --at, --note, --help",
    ),
    (["next", "visit.csv", "--json=3"], "--json takes no value"),
    (["sheet", "visit.csv", "a.pdf", "--paper"], "--paper needs a value after it: a4 or letter"),
    (["nxt", "visit.csv"], "'nxt' is no command. Did you mean next?"),
    (
        ["fly", "visit.csv"],
        "'fly' is no command. There are open, run-at, read, turn, check, note, void, next, may, show, sheet, guide, "
        "lesson, practise, study",
    ),
    (["--fast"], "'--fast' is no option of advisor. It has --help"),
]


@pytest.mark.parametrize(("typed", "message"), USAGE, ids=[" ".join(row[0]) for row in USAGE])
def test_wrong_usage_is_said_in_a_sentence(typed: list[str], message: str) -> None:
    """What is missing, too much or not known: one sentence with what to type, exit status 2, nothing logged."""
    prepared()
    before = Path("visit.csv").read_bytes()
    status, out, err = run(*typed)
    assert (status, out, words(err)) == (2, "", message)
    assert max(map(len, err.splitlines())) <= 80
    assert Path("visit.csv").read_bytes() == before


def test_without_a_word_the_help_is_shown() -> None:
    """`advisor` alone lists the commands."""
    status, out, err = run()
    assert status == 2
    assert "practise  For the trainer" in out + err


def test_a_figure_below_0_is_no_option() -> None:
    """Combustion air may be colder than 0 C."""
    prepared()
    assert run("check", "visit.csv", "air temperature", "-5", "C", *NOW)[0] == 0
    event = job_log.read_log("visit.csv").events[-1]
    assert (event.value, event.unit) == ("-5", "C")


def test_a_check_that_is_not_known_is_logged_and_said_so() -> None:
    """It is kept as a remark; one that the visit asks for, or that `open` named, is no such thing."""
    run(*OPEN, "--pressure", "burner pressure=5:9mbar")
    out = words(run("check", "visit.csv", "inlet", "8 inH2O", *NOW)[1])
    assert "Note 'inlet' is not a check known here: known are standing pressure," in out
    assert job_log.read_log("visit.csv").events[-1].item == "inlet"
    for item, value in (("CO alarm", "yes"), ("burner pressure", "7mbar"), ("sample line", "tight")):
        out = run("check", "visit.csv", item, value, *NOW)[1]
        assert out
        assert "not a check known" not in words(out)


@pytest.mark.parametrize("typed", [["8inH2O"], ["8 inH2O"], ["8", "inH2O"], ["8in w.c."], ["8", "in w.c."]])
def test_a_pressure_may_be_typed_as_one_word(typed: list[str]) -> None:
    """With or without a blank before its unit, on a plate named by `open` and on one asked for in the visit."""
    run(*OPEN, "--pressure", "working pressure=7:11inH2O")
    for item in ("working pressure", "standing pressure"):
        assert run("check", "visit.csv", item, *typed, *NOW)[0] == 0
        event = job_log.read_log("visit.csv").events[-1]
        assert (event.value, event.unit.replace(" ", "").replace(".", "")) in (("8", "inH2O"), ("8", "inwc"))


def test_a_back_dated_entry_is_answered_for_the_log_s_last_entry() -> None:
    """A reading logged for an earlier moment hides no stop that stands, and the answer says that it lies earlier."""
    prepared()
    assert run("read", "visit.csv", "high", "9.2", "4.7", "2500", *NOW)[0] == 3
    status, out, _ = run("read", "visit.csv", "high", "8.6", "5.7", "22", "--at", "2026-05-04T09:00:00+00:00")
    assert (status, out[:5]) == (3, "STOP.")
    assert "  Note     The entry lies before the log's last entry (10:05).\n" in out
    assert job_log.read_log("visit.csv").events[-1].co2_pct == 8.6  # it is logged all the same
    out = run("note", "visit.csv", "the day before", "--at", "2026-05-03T10:05:00+00:00")[1]
    assert "lies before the log's last entry (2026-05-04 10:05)." in out


def test_an_entry_after_a_struck_later_one_is_answered_for_its_own_moment() -> None:
    """A row with a slip in its time, once struck, is no last entry."""
    prepared()
    run("note", "visit.csv", "a slip", "--at", "2026-05-04T20:00:00+00:00")
    run("void", "visit.csv", "--at", "2026-05-04T10:05:10+00:00")
    assert "lies before" not in run("note", "visit.csv", "right", *NOW)[1]


def unknown_offset() -> None:
    """A job at low fire whose offset screw nobody told the way of; a turn of it is due."""
    run(*OPEN, "--set", "clockwise.offset=unknown")
    for typed in (
        ["run-at", "visit.csv", "high", "--at", "2026-05-04T10:03:00+00:00"],
        ["read", "visit.csv", "high", "9.2", "4.6", "22", "--at", "2026-05-04T10:05:00+00:00"],
        ["run-at", "visit.csv", "low", "--at", "2026-05-04T10:06:00+00:00"],
        ["read", "visit.csv", "low", "8.2", "6.2", "12", "--at", "2026-05-04T10:10:00+00:00"],
    ):
        run(*typed)


def test_what_is_not_known_of_a_screw_is_said_so() -> None:
    """No figure such as -0.00 stands for the effect of a screw that nobody knows."""
    unknown_offset()
    shown = words(run("show", "visit.csv")[1])
    assert "Offset what it does at low fire is not known yet (1/12 turn: at most" in shown
    assert "-0.0" not in shown.replace("(-0.0", "")  # but as the end of a range
    assert "Throttle 1/12 turn clockwise makes +" in shown
    answered = words(run("next", "visit.csv", "--at", "2026-05-04T10:10:00+00:00")[1])
    assert "which way it works is not sure yet" in answered
    assert "-0.0" not in answered


def test_a_refused_turn_is_told_no_reason_of_the_other_screw() -> None:
    """At low fire, what is known of the offset screw is no reason against a turn of the throttle; a stop is."""
    unknown_offset()
    asked = ["may", "visit.csv", "throttle", "1/24", "cw", "--at"]
    status, out, _ = run(*asked, "2026-05-04T10:10:00+00:00")
    assert status == 3
    assert "The throttle screw is set at high fire" in words(out)
    assert "Why" not in out
    assert "this screw" not in out
    said = json.loads(run(*asked, "2026-05-04T10:10:00+00:00", "--json")[1])
    assert said["reasons"] == ["The throttle screw is set at high fire; the boiler runs at low fire."]
    run("read", "visit.csv", "low", "8.2", "6.2", "2500", "--at", "2026-05-04T10:10:10+00:00")
    out = run(*asked, "2026-05-04T10:10:10+00:00")[1]
    assert "Stop: no turn until this is cleared." in words(out)
    assert "  Why      CO at low fire" in out


def test_finish_names_the_sheet_and_a_visit_that_is_over_asks_for_nothing_more() -> None:
    """Before the appliance is left the cover comes first; after it only the record is left."""
    Path("visit.csv").write_bytes((DEMO_LOGS / "sound_job.csv").read_bytes())
    out = words(run("next", "visit.csv", "--at", "last")[1])
    assert "Cover back on and read once more" in out
    assert "fill in the record: advisor sheet LOG FILE" in out
    job, at = Job.load("visit.csv"), job_log.read_log("visit.csv").events[-1].time
    for stage in ("proof", "close up", "record"):
        job.note("done by the other technician", item="skipped stage", value=stage, at=at)
    out = run("next", "visit.csv", "--at", "last")[1]
    assert "  Next     The visit is over; the record: advisor sheet LOG FILE\n" in out
    assert "Cover back on" not in out
    assert "  Stage    the visit is over; not done: before, valve, gas pressure.\n" in out


def test_in_band_is_not_done_before_all_is_proved() -> None:
    """The first line says what is open; "Done" comes when nothing is; --json names the same."""
    run(*OPEN)
    day = "2026-05-04T10:0"
    run("run-at", "visit.csv", "high", "--at", f"{day}0")
    run("read", "visit.csv", "high", "9.2", "4.6", "30", "--at", f"{day}3")
    run("run-at", "visit.csv", "low", "--at", f"{day}3")  # in the same minute
    out = run("read", "visit.csv", "low", "8.8", "5.4", "20", "--at", f"{day}6")[1]
    assert out.startswith("Both rates are in band. Not finished: sample line, opened joints.\n")
    advice = json.loads(run("next", "visit.csv", "--at", "last", "--json")[1])
    assert (advice["action"], advice["open_items"]) == ("finish", ["sample line", "opened joints"])
    run("check", "visit.csv", "sample line", "tight", "--at", f"{day}7")
    out = run("check", "visit.csv", "opened joints", "tight", "--at", f"{day}7")[1]
    assert out.startswith("Done: high and low fire are both in band.\n")


def test_as_of_the_last_row_is_for_answers_only() -> None:
    """`--at last` answers as of the log's end; an entry needs a moment of its own, and then nothing is logged."""
    log = str(DEMO_LOGS / "half_way.csv")
    assert run("next", log, "--at", "last")[1].startswith("Turn the offset screw")
    assert run("next", log)[1].startswith("Change to low fire and log it: run-at low.\n")
    assert run("may", log, "offset", "1/24", "ccw", "--at", "last")[1].startswith("Yes")
    assert run("may", log, "offset", "1/24", "ccw")[0] == 3
    Path("visit.csv").write_bytes(Path(log).read_bytes())
    status, _, error = run("read", "visit.csv", "low", "8.8", "--at", "last")
    assert status == 2
    assert "--at last is for next, may and show" in error
    assert Path("visit.csv").read_bytes() == Path(log).read_bytes()


def test_the_kind_of_visit_is_told_on_open() -> None:
    """A service opens no joint by itself; a kind that is not known lists those that are."""
    assert run(*OPEN, "--visit", "service")[0] == 0
    assert Job.load("visit.csv").setup.visit == "service"
    status, _, error = run(*OPEN[:1], "other.csv", *OPEN[2:], "--visit", "repair")
    assert status == 2
    assert "it is one of valve-change, conversion, service, complaint" in words(error)


def test_the_first_answer_agrees_with_the_wait_after_it() -> None:
    """Two minutes of warming up come before high fire is logged; the wait after that is for the sample."""
    run(*OPEN)
    out = words(run("next", "visit.csv", "--at", "2026-05-04T10:00:00+00:00")[1])
    assert "light the boiler, run it at its maximum in test mode, and log it at once." in out
    assert "30 s" not in out
    assert "then read" not in out


def test_no_screen_says_that_a_screw_leaks() -> None:
    """On a gas job a leak is a leak of gas or of the sample line; a screw also moves the other rate."""
    pages = [*Path(cli.__file__).parent.rglob("*.py"), DEMO_LOGS.parent / "README.md"]
    assert [page.name for page in pages if "screw leaks" in words(page.read_text(encoding="utf-8"))] == []


@pytest.mark.parametrize(
    ("chance", "said"),
    [
        (0.0, "0 %"),
        (0.004, "under 1 %"),
        (0.994, "99 %"),
        (0.995, "over 99 %"),
        (0.997, "over 99 %"),
        (1.0, "100 %"),
        (0.5, "50 %"),
    ],
)
def test_a_chance_is_never_said_to_be_surer_than_it_is(chance: float, said: str) -> None:
    """100 % is said of what is sure, nothing less."""
    assert say_chance(chance) == said


def test_a_pressure_nobody_checked_comes_before_the_turn() -> None:
    """Named on `open` and not measured: the first line says so, the warning stands above the turn's figures."""
    opened, *others = PREPARED
    for words in ([*opened, "--pressure", "working pressure=17:25 mbar"], *others):
        assert run(*words)[0] == 0
    said = run("next", "visit.csv", *NOW)[1].splitlines()
    assert said[0].startswith("Check the gas pressure first, then turn the throttle screw 1/24 turn clockwise")
    assert said[2].startswith("  Warning")


def test_a_time_zone_that_is_none_is_said(tmp_path: Path) -> None:
    """A day or more from UTC no moment can be stamped: one sentence, nothing logged; an answer needs no zone."""
    log = tmp_path / "visit.csv"
    Job.create(log, fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)})
    for typed, status in ((["run-at", str(log), "high"], 2), (["read", str(log), "high", "8", "--at", "10:00"], 2),
                          (["next", str(log)], 0)):  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-m", "advisor", *typed],
            env={**os.environ, "TZ": "UTC+24"},
            capture_output=True,
            text=True,
        )
        assert done.returncode == status
        said = "this system's time zone is a day or more from UTC: set it right (TZ)\nNothing was logged.\n"
        assert done.stderr == (said if status else "")
    assert Job.load(log).events == ()
