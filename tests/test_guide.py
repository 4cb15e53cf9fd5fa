"""The guided visit: from no log to the end, left and resumed, with slips, in memory and in a pseudo-terminal."""

import io
import os
import pty
import re
import select
import signal
import subprocess
import sys
import threading
import time
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from on_site import ANSWERS, START, Desk, OnSite, boiler
from replay import at_high, moment

from advisor import Job
from advisor.cli import options, terminal
from advisor.cli.guide import Guide
from advisor.cli.main import main
from advisor.cli.terminal import NOT_TAKEN, Stop, Terminal
from advisor.decision.answers import Advice
from advisor.dialogue.entries import entry_prompt, parse_entry
from advisor.errors import LogError, RangeError
from advisor.log import file as job_log
from advisor.procedure import stages
from advisor.procedure.stages import STAGES
from advisor.report.layout import columns

HERE = Path(__file__).resolve().parent


@pytest.fixture(autouse=True)
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every test works in a folder of its own."""
    monkeypatch.chdir(tmp_path)


class Leaves(Desk):
    """Leaves when a question starts with `at`, or after so many questions."""

    def __init__(self, at: str, **more: object) -> None:
        super().__init__(**more)
        self.at = at

    def ask(self, question: str) -> str:
        if question.startswith(self.at):
            self.printed.append(f"{question}: (left)")
            raise Stop
        return super().ask(question)


def walked(desk: Desk, path: str = "visit.csv") -> Desk:
    Guide(path, desk, desk.now).run()  # type: ignore[arg-type]
    return desk


def up_to(question: str, seed: int = 98, **more: object) -> Desk:
    """A visit that has come to a question."""
    desk = walked(Leaves(question, boiler=boiler(seed), **more))
    return Desk(boiler=desk.boiler)


def what_was_logged(path: str = "visit.csv") -> list[str]:
    return [f"{e.event} {e.item} {e.value} {e.note}".strip() for e in job_log.read_log(path).events]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Desk, Job]:
    """A whole visit on a sound boiler, once for the tests that only look at it."""
    path = str(tmp_path_factory.mktemp("whole") / "visit.csv")
    desk = walked(Desk(boiler()), path)
    return desk, Job.load(path)


def test_a_whole_visit_from_no_log_to_the_end(whole: tuple[Desk, Job]) -> None:
    """Every stage done, both rates truly in band, every turn in the log, nothing barred."""
    desk, job = whole
    progress = job.progress(desk.now())
    assert [state.state for state in progress.states] == ["done"] * len(STAGES)
    assert progress.barred == ""
    for firing, (low, high) in job.setup.bands.items():
        assert low <= desk.boiler.settled_pct(firing) <= high
    turned = sum(e.turns_cw or 0 for e in job.events if e.screw == "throttle")
    assert turned == pytest.approx(desk.boiler.hand["throttle"], rel=0.2)
    assert desk.text.endswith("The visit is over; the appliance is left in service.")


def test_cautions_are_said_once(whole: tuple[Desk, Job]) -> None:
    """Each stage's caution stands where the stage begins, and nowhere else."""
    said = " ".join(whole[0].text.split())
    for stage in STAGES:
        assert said.count(stage.caution) == 1, stage.name
        assert said.index(f"{stage.name}: {stage.does}") < said.index(stage.caution)


def test_nothing_said_is_wider_than_a_terminal(whole: tuple[Desk, Job]) -> None:
    """80 columns, and no control codes but line ends."""
    for text in whole[0].printed:
        for line in text.splitlines():
            assert columns(line) <= 80 or ": " in line, line  # a question is wrapped as it is printed
            assert line.isprintable(), line


def test_the_measured_input_rate_keeps_how_it_was_measured(whole: tuple[Desk, Job]) -> None:
    """The check is in kW, its note has dial, time and heating value."""
    event = next(e for e in whole[1].events if e.item == stages.INPUT_RATE)
    assert (event.value, event.unit) == ("35.4", "kW")
    assert event.note == "0.1 m3 112 s, 38.5 MJ/m3, volume factor 1.030"


def test_temperatures_belong_to_the_rate_that_runs(whole: tuple[Desk, Job]) -> None:
    """Flue and air temperature are entered at each rate, after its reading with the cover on."""
    running, at = "", []
    for event in whole[1].events:
        running = event.firing or running
        if event.item in (stages.FLUE_C, stages.AIR_C):
            at.append((event.item, running))
    assert at == [(item, rate) for rate in ("high", "low") for item in (stages.FLUE_C, stages.AIR_C)]


class LeavesEverywhere(Desk):
    """Leaves at every question, and answers it only when it is asked again."""

    def __init__(self, **more: object) -> None:
        super().__init__(**more)
        self.left_at = ""
        self.rows: bytes = b""

    def ask(self, question: str) -> str:
        if self.left_at:
            assert question == self.left_at
            assert Path("visit.csv").read_bytes() == self.rows
            self.left_at = ""
            return super().ask(question)
        self.left_at, self.rows = question, Path("visit.csv").read_bytes()
        raise Stop


def test_left_at_any_question_it_resumes_at_the_same_one() -> None:
    """Leave at each question of the visit, come back: the same question first, every row still there."""
    desk = up_to("Maker's instructions")
    everywhere = LeavesEverywhere(boiler=desk.boiler)
    for _ in range(200):
        walked(everywhere)
        if "The visit is over" in everywhere.text:
            break
    assert everywhere.text.count("Left. All that was entered is saved") > 50
    for start, _ in ANSWERS[4:]:
        assert any(line.startswith(start) for line in everywhere.printed), start


SLIPS = [
    # question, what is typed first, what is said
    ("CO2 band at high", "9.0:9,4", "band '9.0:9,4' has a comma. Did you mean 9.0:9.4?"),
    ("CO2 band at high", "9.0", "band '9.0' has no colon."),
    ("Fuel", "", "Enter alone is no answer here."),
    ("Room CO alarm", "", "Enter alone is no answer here."),
    ("Room CO alarm", "perhaps", "'perhaps' is no answer here: type yes or no"),
    ("Standing pressure", "204", "STOP. standing pressure 204 mbar: the data plate allows 17 to 25 mbar."),
    ("At high fire", "81", "81 % CO2 can't be. Did you mean 8.1?"),
    ("At high fire", "8,1", "CO2 '8,1' has a comma. Did you mean 8.1?"),
    ("At high fire", "8.1 65 24", "65 % O2 can't be. Did you mean 6.5?"),
    ("At high fire", "eight", "'eight' is not understood: type CO2 O2 CO, such as 8.1 6.5 24"),
    ("At high fire", "", "Enter alone is no answer here: type CO2 O2 CO"),
    ("What did you turn", "24 cw", "'24 cw' is 24 whole turns. Did you mean 1/24 cw?"),
    ("What did you turn", "1/24", "Which way? Say 1/24 cw"),
    ("What did you turn", "no", "Then nothing was logged."),
    ("What did you turn", "nothing", "Then nothing was logged."),
    ("At high fire", "8.3", "CO2 alone can't tell a lean flame from a rich one"),
    ("What did you turn", 'check "sample', "a quote is not closed"),
    ("What did you turn", "void 99", "row 99 is not in this log"),
    ("What did you turn", "void 1.5", "row '1.5' is not a whole number"),
    ("Your name", "?", "Who did it."),
    ("Only this boiler", "22", "'22': dial, its unit and the seconds"),
]


@pytest.fixture(scope="module")
def slipping(tmp_path_factory: pytest.TempPathFactory) -> tuple[Desk, list[str]]:
    """A visit in which every slip is made."""
    path = str(tmp_path_factory.mktemp("slips") / "visit.csv")
    desk = Desk(boiler())
    for question, typed, _ in SLIPS:
        desk.instead.setdefault(question, []).append(typed)
    return walked(desk, path), what_was_logged(path)


@pytest.mark.parametrize(("question", "typed", "said"), SLIPS, ids=[f"{row[0]}: {row[1]}" for row in SLIPS])
def test_a_slip_gets_one_sentence_and_the_question_again(
    slipping: tuple[Desk, list[str]], question: str, typed: str, said: str
) -> None:
    """Nothing false is logged, the question comes again, the visit goes on to its end."""
    desk, logged = slipping
    slip = next(n for n, line in enumerate(desk.printed) if line.startswith(question) and line.endswith(f": {typed}"))
    again = next(n for n, line in enumerate(desk.printed) if n > slip and line.startswith(question))
    assert said in " ".join(" ".join(desk.printed[slip + 1 : again]).split())
    assert said.startswith("STOP") or not typed or not any(typed in row.split() for row in logged)
    assert "The visit is over" in desk.text


def test_a_block_is_not_passed_by_its_answer() -> None:
    """A leaking joint keeps the visit in its stage until it is tight; both answers are in the log."""
    desk = Leaves("Inlet pressure", boiler=boiler())
    desk.instead = {"Every gas joint": ["leaking", "l"]}
    walked(desk)
    assert desk.text.count("STOP. opened joints: leaking. Gas off, air the room") == 2
    assert [row for row in what_was_logged() if "opened joints" in row] == [
        "check opened joints leaking", "check opened joints leaking", "check opened joints tight",
    ]  # fmt: skip


def test_in_service_is_refused_where_proof_is_missing() -> None:
    """A skipped proof leaves only out of service; the false answer is not logged."""
    desk = Desk(boiler())
    desk.instead = {"Case or cover": ["skip"], "Why is 'proof' skipped": ["no cover on site"],
                    "The appliance is left": ["in service", "out"]}  # fmt: skip
    walked(desk)
    assert "'proof' was skipped (no cover on site), so it can't be logged as in service" in " ".join(desk.text.split())
    assert [row for row in what_was_logged() if "appliance left" in row] == ["check appliance left out of service"]
    assert "note skipped stage proof no cover on site" in what_was_logged()
    assert "Skipped  proof: no cover on site" in desk.text


def test_in_service_is_refused_after_a_stop_that_was_skipped_past() -> None:
    """The answer that was wrong is named at the end, though its stage was skipped."""
    desk = Desk(boiler())
    desk.instead = {"Safety devices": ["no", "skip"], "Why is 'close up' skipped": ["in a hurry"],
                    "The appliance is left": ["in service", "out"]}  # fmt: skip
    walked(desk)
    said = " ".join(desk.text.split())
    assert "STOP. safety devices: no." in said
    assert "'close up' has a wrong answer, so it can't be logged as in service: safety devices: no." in said
    assert [row for row in what_was_logged() if "appliance left" in row] == ["check appliance left out of service"]


def test_an_input_rate_off_the_data_plate_is_asked_again_at_once() -> None:
    """A tenth of the data plate: a stop, Enter does not leave it out, `back` strikes it; timed right it goes on."""
    desk = Desk(boiler())
    desk.instead = {"Only this boiler": ["0.1 m3 1120", "", "0.1 m3 1125", "back"]}
    walked(desk)
    said = " ".join(desk.text.split())
    assert "STOP. input rate 3.54 kW: the data plate allows 33 to 37 kW. Time it again;" in said
    assert "Enter alone is no answer here." in said
    assert [row.split()[3] for row in what_was_logged() if row.startswith("check input rate ") and "range" not in row][
        -1
    ] == "35.4"
    assert said.endswith("the appliance is left in service.")


def test_a_skip_without_a_reason_is_none() -> None:
    """Enter at the reason leaves the stage as it is."""
    desk = Leaves("CO2", boiler=boiler())
    desk.at = "Room CO alarm"
    desk.instead = {"Maker's instructions": ["skip"], "Why is 'before' skipped": [""]}
    walked(desk)
    assert what_was_logged()[-1] == "check maker's instructions yes"


def test_back_strikes_the_last_answer_and_asks_it_again() -> None:
    """The row stays in the log, struck."""
    desk = Leaves("Power off", boiler=boiler())
    desk.instead = {"Room CO alarm": ["back"]}
    walked(desk)
    assert ", check: maker's instructions yes." in " ".join(desk.text.split("Struck row 1, ")[1].split())
    assert [row.split()[0] for row in what_was_logged()] == ["check", "void", "check", "check"]


def test_void_says_what_it_struck() -> None:
    """Typed where a reading is due: the row by name, and how to get it back."""
    desk = up_to("At high")
    desk.instead = {"At high fire": ["void"], "Change to high": ["stop"]}
    walked(desk)
    row = len(what_was_logged())
    said = " ".join(desk.text.split())
    assert f"Struck row {row - 1}, " in said
    assert f", change to high fire. Not meant? Undo it: advisor void LOG {row}" in said


def test_back_does_not_strike_a_turn_that_was_made() -> None:
    """Only a turn that was never made goes."""
    desk = up_to("What did")
    ask = {"What did you turn": ["", "back"], "At high fire": ["back", "back"], "Row ": ["no", "yes"]}
    desk = Leaves("What did you turn? (Enter: 1/12", boiler=desk.boiler)
    desk.instead = ask
    walked(desk)
    assert "Then it stays" in desk.text
    events = job_log.read_log("visit.csv").events
    assert [e.event for e in events if e.event in ("turn", "void")][:2] == ["turn", "void"]


def test_a_turn_against_the_advice_is_logged_as_it_was_made() -> None:
    """A quarter turn that was really made is in the log, and the answer says what was wrong with it."""
    desk = up_to("What did")
    desk = Leaves("What did", boiler=desk.boiler)
    Guide("visit.csv", desk, desk.now)  # type: ignore[arg-type]
    desk.at = "never"
    desk.instead = {"What did you turn": ["may 1/4 cw", "1/4 cw"], "At high fire": ["stop"]}
    walked(desk)
    before_the_wait = " ".join(desk.text[desk.text.index(": 1/4 cw") : desk.text.rindex("Wait ")].split())
    assert "is 1/4 turn, the cap is 1/8. If it was made, watch CO as it comes; if it is a slip" in before_the_wait
    assert "No: throttle screw 1/4 turn clockwise" in desk.text
    assert job_log.read_log("visit.csv").events[-1].turns_cw == 0.25
    assert "is 1/4 turn, the cap is 1/8" in " ".join(desk.text.split())


def test_a_warning_is_said_with_a_change_of_rate() -> None:
    """CO over half its limit when the rate is changed: the warning stands above the question, as in `next`."""
    desk = up_to("At high")
    desk.instead = {"At high fire": ["9.2 4.7 190"] * 6, "Change to low": ["stop"]}
    walked(desk)
    said = " ".join(desk.text[: desk.text.rindex("Change to low")].split())
    assert "Warning CO at high fire is 245 ppm air-free, more than half of the limit of 400." in said.split("190")[-1]


@pytest.mark.parametrize(("typed", "said"), [("1/48 ccw", True), ("1/48 cw", False), ("offset 1/48 ccw", False)])
def test_a_turn_the_other_way_than_advised_is_said_before_its_wait(typed: str, said: bool) -> None:
    """One remark; what was advised with it. The same way, or the other screw, is not remarked on as that."""
    desk = up_to("What did")
    desk.instead = {"What did you turn": [typed], "At high fire": ["stop"]}
    walked(desk)
    made = desk.text[desk.text.index(f": {typed}") :]
    remark = " ".join(made[: made.index("Wait ")].split())
    assert ("That is the other way than advised: throttle screw 1/24 turn clockwise" in remark) == said
    assert ("If it was made so, watch CO and wait" in remark) == said


def test_back_at_the_opening_questions_and_fuel_and_bands_are_read_back() -> None:
    """A wrong fuel or band is asked again with `back`; nothing is on disk before they were read back."""
    desk = Leaves("Maker's", boiler=boiler())
    desk.instead = {
        "Fuel": ["back", "propane", "natural gas"],
        "CO2 band at high": ["back", "9:9.4"],
        "CO2 band at low": ["8.0:9.0", "8.6:9.0"],
        "Read back: natural gas, CO2 9 to 9.4 % at high fire, 8 to 9 % at low fire\n": ["?", "maybe", "back"],
        "Read back: natural gas, CO2 9 to 9.4 % at high fire, 8.6 to 9 % at low fire\n": [""],
    }
    walked(desk)
    assert "There is nothing to go back to." in desk.text
    assert "Enter where it is right; back asks the last one again." in desk.text
    setup = Job.load("visit.csv").setup
    assert (setup.fuel.name, dict(setup.bands)) == ("natural gas", {"high": (9.0, 9.4), "low": (8.6, 9.0)})
    assert all(not left for left in desk.instead.values())


def test_left_at_the_read_back_no_log_is_started() -> None:
    """`stop` there leaves nothing."""
    desk = Desk(boiler())
    desk.instead = {"Read back": ["stop"]}
    walked(desk)
    assert "No log was started" in desk.text
    assert not Path("visit.csv").exists()


def test_low_fire_is_not_headed_as_set_where_high_fire_was_skipped() -> None:
    """The heading does not say offset screw over the advice to turn the throttle screw."""
    desk = up_to("What did")
    desk = Leaves("never", boiler=desk.boiler)
    desk.instead = {"What did you turn": ["skip", "stop"], "Why is 'high fire' skipped": ["set last year"]}
    walked(desk)
    said = " ".join(desk.text.split())
    assert "Stage 5 of 9, low fire: high fire comes first, though it was skipped." in said
    assert "Turn the throttle screw" in said[said.index("Stage 5 of 9") :]


def test_a_wait_cut_short_is_logged_with_its_reason_and_asks_for_the_reading() -> None:
    """The note says how many seconds were left; without a reason the wait goes on."""
    desk = up_to("At high fire")
    desk.cut_at = []
    desk = Leaves("never", boiler=desk.boiler)
    desk.cut_at = [0.0, 40.0, 40.0]
    desk.instead = {
        "Why is the wait cut short": ["", "display steady"],
        "At high fire": ["8.1 6.6 15", "8.2 6.5 15", "stop"],
    }
    walked(desk)
    notes = [e for e in job_log.read_log("visit.csv").events if e.item == stages.CUT_SHORT]
    assert [(e.value, e.unit, e.note) for e in notes] == [("40", "s", "display steady")]


@pytest.mark.parametrize("typed", ["8.2 6.5 15", "8,2", "1/24 cw", "throttle 1/24 ccw", "high", "check x y"])
def test_an_entry_is_no_reason_for_a_wait_cut_short(typed: str) -> None:
    """A reading or a turn typed where the reason is asked is neither kept as the reason nor lost unsaid."""
    desk = up_to("At high fire")
    desk = Leaves("never", boiler=desk.boiler)
    desk.cut_at = [40.0, 40.0]
    desk.instead = {"Why is the wait cut short": [typed, "display steady"], "At high fire": ["8.1 6.6 15", "stop"]}
    walked(desk)
    assert f"'{typed}' is no reason: say why in words. A reading or a turn is asked for after it." in " ".join(
        desk.text.split()
    )
    notes = [e.note for e in job_log.read_log("visit.csv").events if e.item == stages.CUT_SHORT]
    assert notes == ["display steady"]


def test_an_entry_is_no_reason_for_a_skip() -> None:
    """The stage stays as it is, nothing is logged."""
    desk = Leaves("CO2", boiler=boiler())
    desk.at = "Room CO alarm"
    desk.instead = {"Maker's instructions": ["skip"], "Why is 'before' skipped": ["8.1 6.6 15"]}
    walked(desk)
    assert "'8.1 6.6 15' is no reason" in desk.text
    assert what_was_logged() == ["check maker's instructions yes"]


def test_the_way_of_a_screw_is_not_taken_for_granted() -> None:
    """Enter alone is no answer there, whatever `open` took it for; `unknown` is one."""
    desk = Leaves("Every gas joint", boiler=boiler())
    desk.instead = {"The throttle screw clockwise": ["", "unknown"], "The offset screw clockwise": ["", "leaner"]}
    walked(desk)
    assert desk.text.count("Enter alone is no answer here.") == 2
    assert "(richer, leaner, unknown): " in desk.text
    assert [row for row in what_was_logged() if "clockwise" in row] == [
        "check throttle clockwise unknown", "check offset clockwise leaner",
    ]  # fmt: skip


def test_trouble_is_said_where_it_is_found() -> None:
    """CO over the limit stops the visit with what to look at first; a good reading goes on."""
    desk = Leaves("never", boiler=boiler())
    desk.instead = {"At high fire": ["8.3 6.2 900"], "A new reading": ["?"], "What did": ["stop"]}
    walked(desk)
    said = " ".join(desk.text.split())
    assert "STOP. CO at high fire is" in said
    assert "Look first (high CO): 1 Burner off if CO still climbs; air the room." in said
    assert "turned screws as Restore says, appliance out of service, call the maker" in said
    assert "You may also type: high or low" in said


def test_a_screw_that_works_the_other_way_is_told_and_the_visit_goes_on() -> None:
    """At the stop one word turns the advice round; the visit comes to its end in band."""
    desk = Desk(boiler(51, fault="reversed screw"))
    desk.instead = {"A new reading": ["leaner", "leaner"]}  # both screws of this boiler
    walked(desk)
    assert "STOP. The throttle screw works the other way" in " ".join(desk.text.split())
    assert "check throttle clockwise leaner" in what_was_logged()
    assert "The visit is over; the appliance is left in service." in desk.text
    low, high = Job.load("visit.csv").setup.bands["high"]
    assert low <= desk.boiler.settled_pct("high") <= high


def test_a_valve_that_can_t_be_set_ends_out_of_service() -> None:
    """At the stop the stages are skipped with the reason, the way back is said, the appliance is out of service."""
    desk = Desk(boiler(51, fault="dead screw"))
    desk.instead = {
        "A new reading": ["skip"], "Why is 'high fire'": ["screw dead"], "Why is 'low fire'": ["screw dead"],
        "Why is 'both again'": ["screw dead"], "Case or cover": ["skip"], "Why is 'proof'": ["not set"],
        "Why is 'close up'": ["gas off, labelled"], "Caps and seals": ["skip"], "The appliance is left": ["in", "out"],
    }  # fmt: skip
    desk.instead["A new reading"] *= 3
    walked(desk)
    said = " ".join(desk.text.split())
    assert "The throttle screw does nothing" in said
    assert "Restore Throttle screw" in said
    assert "A stop stands, so it can't be logged as in service" in said
    assert said.endswith(
        "The visit is over; the appliance is left out of service. Skipped high fire: screw dead low fire: screw dead "
        "both again: screw dead proof: not set close up: gas off, labelled"
    )


def test_another_terminal_on_the_same_log_is_noticed() -> None:
    """A turn logged elsewhere meanwhile is not logged twice."""
    desk = up_to("What did")

    class Shared(Desk):
        def ask(self, question: str) -> str:
            if question.startswith("What did") and not self.cut_at:
                self.cut_at = [-1.0]
                Job.load("visit.csv").turn("throttle", 1 / 24, at=self.now())
                return ""
            if question.startswith("At high") or self.cut_at == []:
                raise Stop
            return super().ask(question)

        def wait(self, seconds: float, then: str) -> float:
            raise Stop

    shared = Shared(boiler=desk.boiler)
    walked(shared)
    assert "The log has grown meanwhile" in shared.text
    assert [e.event for e in job_log.read_log("visit.csv").events].count("turn") == 1


def test_two_guides_that_answer_in_the_same_moment_log_a_turn_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both have looked at the log before either has written: the second writes nothing, and asks anew."""
    site = up_to("What did").boiler
    really, both = job_log.append_events, threading.Barrier(2, timeout=30)

    def together(*row: object) -> None:
        if not both.broken:
            both.wait()
        really(*row)  # type: ignore[arg-type]

    class Once(Desk):
        def ask(self, question: str) -> str:
            if question.startswith("What did") and "What did" not in self.text:
                self.printed.append(question)
                return ""
            both.abort()
            raise Stop

        def wait(self, seconds: float, then: str) -> float:
            both.abort()
            raise Stop

    monkeypatch.setattr(job_log, "append_events", together)
    desks = [Once(boiler=site), Once(boiler=site)]
    guides = [threading.Thread(target=walked, args=(desk,)) for desk in desks]
    for guide in guides:
        guide.start()
    for guide in guides:
        guide.join()
    assert [e.event for e in job_log.read_log("visit.csv").events].count("turn") == 1
    assert sum("The log has grown meanwhile" in desk.text for desk in desks) == 1


def test_a_log_that_is_removed_while_the_guide_runs_is_said(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clear sentence and exit status 1; no new file appears under its name."""
    up_to("Room CO alarm")

    def answers_late(*_: object) -> str:
        Path("visit.csv").unlink()
        return "y"

    monkeypatch.setattr(Terminal, "ask", answers_late)
    monkeypatch.setattr(options, "now", lambda: START + timedelta(minutes=1))
    monkeypatch.setattr(sys, "argv", ["advisor", "guide", "visit.csv"])
    with pytest.raises(SystemExit) as stop:
        main()
    assert stop.value.code == 1
    assert capsys.readouterr().err.startswith("visit.csv: there is no such file or folder.")
    assert not Path("visit.csv").exists()


def test_a_log_that_can_t_be_written_is_said_and_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """One clear sentence, the same question, no row."""
    desk = up_to("Room CO alarm")
    really = job_log.append_events
    refused = []

    def refuse_once(*row: object) -> None:
        if not refused:
            refused.append(1)
            raise LogError("visit.csv: this may not be read or written. Nothing was saved")
        really(*row)  # type: ignore[arg-type]

    monkeypatch.setattr(job_log, "append_events", refuse_once)
    again = Leaves("Power off", boiler=desk.boiler)
    walked(again)
    assert again.text.count("Room CO alarm on") == 2
    assert "may not be read or written" in again.text


def test_a_log_that_is_no_log_has_exit_status_1(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wrong file is said, and left alone."""
    Path("visit.csv").write_text("a,b\n", encoding="utf-8")
    monkeypatch.setattr(sys, "argv", ["advisor", "guide", "visit.csv"])
    with pytest.raises(SystemExit) as stop:
        main()
    assert stop.value.code == 1
    assert capsys.readouterr().err.startswith("visit.csv:1: not a job log")


# ---- the terminal itself


class FastClock:
    """Time that passes when something sleeps."""

    def __init__(self) -> None:
        self.at = 0.0

    def monotonic(self) -> float:
        return self.at

    def sleep(self, seconds: float) -> None:
        self.at += seconds


@pytest.mark.parametrize("environment", [{"NO_COLOR": "1"}, {"TERM": "dumb"}, {}], ids=["NO_COLOR", "dumb", "no tty"])
def test_a_wait_in_plain_lines(environment: dict[str, str]) -> None:
    """Without colour, on a dumb terminal or in a pipe the wait is counted in lines without control codes."""
    screen = io.StringIO()
    screen.isatty = lambda: bool(environment)  # type: ignore[method-assign]
    shown = Terminal(io.StringIO(), screen, environment, FastClock())
    assert shown.wait(60, "then read at high fire") == 0.0
    lines = screen.getvalue().replace("\a", "").splitlines()
    assert lines[0] == "Wait 1 min, then read at high fire. Ctrl-C cuts it short."
    assert lines[1:] == ["45 s left.", "30 s left.", "15 s left.", "The wait is over."]
    assert ("\a" in screen.getvalue()) == bool(environment)


class Typed(io.StringIO):
    """A stream that is taken for a terminal."""

    def isatty(self) -> bool:
        return True


class TypingClock:
    """A second passes with every look at it; at the third one something is typed."""

    def __init__(self, handle: int, words: bytes) -> None:
        self.handle, self.words, self.at = handle, words, 0

    def monotonic(self) -> float:
        self.at += 1
        if self.at == 3:
            os.write(self.handle, self.words)
        return self.at

    def sleep(self, seconds: float) -> None:
        raise AssertionError("it listens instead")


@pytest.mark.parametrize("environment", [{"NO_COLOR": "1"}, {"TERM": "xterm"}], ids=["plain lines", "bar"])
def test_words_typed_while_a_wait_runs_are_not_taken_and_do_not_end_it(environment: dict[str, str]) -> None:
    """In a pseudo-terminal: a reading typed too early is said not to count, Enter alone cuts the wait short."""
    ours, theirs = pty.openpty()
    screen = Typed()
    with os.fdopen(theirs, "r", encoding="utf-8") as source:
        typing = TypingClock(ours, b"8.2 6.5 15\nback\n")
        assert Terminal(source, screen, environment, typing).wait(16, "then read") == 0.0
        said = CODES.sub("", screen.getvalue())
        assert said.count(NOT_TAKEN) == 2
        assert "The wait is over." in said
        assert Terminal(source, screen, environment, TypingClock(ours, b"\n")).wait(60, "then read") > 0
    os.close(ours)


def test_keys_pressed_before_a_question_are_dropped_where_there_is_no_posix_terminal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """On Windows too: what was typed during a wait is not the answer to what is asked after it."""
    pressed = list("8.1 6.5 24\r")
    keys = SimpleNamespace(kbhit=lambda: bool(pressed), getwch=lambda: pressed.pop(0))
    monkeypatch.setattr(terminal, "termios", None)
    monkeypatch.setattr(terminal, "msvcrt", keys)
    assert Terminal(Typed("steady\n"), io.StringIO(), {}).ask("Why is the wait cut short?") == "steady"
    assert pressed == []


def test_ctrl_c_cuts_a_wait_short_and_leaves_at_a_question() -> None:
    """In a wait it asks why; at a question it leaves, as the end of the input does."""
    clock = FastClock()

    def interrupt(seconds: float) -> None:
        clock.at += seconds
        if clock.at >= 20:
            raise KeyboardInterrupt

    clock.sleep = interrupt  # type: ignore[method-assign]
    shown = Terminal(io.StringIO(), io.StringIO(), {}, clock)
    assert shown.wait(60, "then read") == pytest.approx(40, abs=0.5)
    with pytest.raises(Stop):
        shown.ask("Room CO alarm on")


def test_control_codes_that_are_typed_are_dropped() -> None:
    """An arrow key or a stray escape does not end up in the log."""
    assert Terminal(io.StringIO("8.1\x1b[A 6.5\n"), io.StringIO(), {}).ask("At high fire") == "8.1[A 6.5"
    assert Terminal(io.StringIO("  y \r\n"), io.StringIO(), {}).ask("CO alarm") == "y"


# ---- a real terminal


CODES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\a")
SPEED = 400.0
QUESTIONS = [*(start for start, _ in ANSWERS), "Change to high fire in", "Change to low fire in", "What did you turn?",
             "At high fire: CO2", "At low fire: CO2"]  # fmt: skip


class Keyboard:
    """`advisor guide` as a program of its own in a pseudo-terminal of 80 columns, with a clock that runs faster."""

    def __init__(self, began: float) -> None:
        self.began, self.seen, self.shown = began, "", ""
        self.process, self.handle = self._start()

    def _start(self) -> tuple[subprocess.Popen[bytes], int]:
        handle, other = pty.openpty()
        environment = {**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24", "OPENBLAS_NUM_THREADS": "1"}
        environment.pop("NO_COLOR", None)
        words = [sys.executable, str(HERE / "fast_guide.py"), str(self.began), str(SPEED), "visit.csv"]
        process = subprocess.Popen(
            words, stdin=other, stdout=other, stderr=other, env=environment, start_new_session=True
        )
        os.close(other)
        return process, handle

    def question(self) -> str:
        """The next question, from its start; "" at the end of the program."""
        until = time.monotonic() + 30
        while time.monotonic() < until:
            if select.select([self.handle], [], [], 0.05)[0]:
                try:
                    read = os.read(self.handle, 4096).decode("utf-8", "replace")
                except OSError:
                    return ""
                if not read:
                    return ""
                self.shown += read
                self.seen += CODES.sub("", read)
            flat = " ".join(self.seen.split(" ")).replace("\r\n", " ")
            if self.seen.endswith(": "):
                at = max(flat.rfind(start) for start in QUESTIONS)
                if at >= 0:
                    return " ".join(flat[at:].split())
        raise AssertionError(f"no question within 30 s after: {self.seen[-500:]}")

    def type(self, words: str) -> None:
        self.seen = ""
        os.write(self.handle, f"{words}\n".encode())

    def kill(self) -> None:
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait()
        os.close(self.handle)


def test_a_visit_in_a_real_terminal_survives_kill_9(tmp_path: Path) -> None:
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
                before = Path("visit.csv").read_bytes()
                keyboard.kill()
                shown += keyboard.shown
                keyboard = Keyboard(began)
                assert keyboard.question() == question
                assert Path("visit.csv").read_bytes() == before
        keyboard.type(site.answer(question))
    shown += keyboard.shown
    assert keyboard.process.wait(10) == 0
    os.close(keyboard.handle)
    assert len(killed) == 3
    job = Job.load("visit.csv")
    assert [state.state for state in job.progress(max(e.time for e in job.events)).states] == ["done"] * len(STAGES)
    assert "The visit is over" in shown
    assert " s left" in shown  # the wait was counted down, with a bell at its end
    assert "\a" in shown
    for firing, (low, high) in job.setup.bands.items():
        assert low <= site.boiler.settled_pct(firing) <= high


@pytest.mark.parametrize("typed", ["0", "none", "no"])
def test_nothing_turned_is_no_reading(typed: str) -> None:
    """A lone 0 where a turn is due says that nothing was turned; as a reading it would be no flame at all."""
    with pytest.raises(RangeError, match="Then nothing was logged"):
        parse_entry(typed, Advice("turn", firing="high", screw="throttle", turns_cw=1 / 24), "high")


def test_a_turn_can_be_put_right_at_its_own_time() -> None:
    """What `void` asks for: the turn logged anew as it was made, when it was made."""
    job, now = Job(fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)}), datetime.now().astimezone()
    made = (now - timedelta(minutes=5)).replace(microsecond=0)
    parse_entry(f"1/24 ccw --at {made.isoformat()}", Advice("read", firing="high"), "high")(job, now)
    (event,) = job.events
    assert (event.screw, event.turns_cw, event.time) == ("throttle", -1 / 24, made)
    with pytest.raises(RangeError, match="can't be read"):
        parse_entry("1/24 ccw --at noon", Advice("read", firing="high"), "high")


def test_a_check_of_unknown_name_is_not_lost_as_a_remark() -> None:
    """In the guide nobody sees a note on an entry: it is refused, with the names there are."""
    job = Job(fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)})
    with pytest.raises(RangeError, match=r"'line' is not a check known here: known are .*sample line.*note WORDS"):
        parse_entry("check line tight", Advice("read", firing="high"), "high")(job, job.moment())
    assert not job.events
    parse_entry('check "sample line" tight', Advice("read", firing="high"), "high")(job, job.moment())
    assert job.events[-1].value == "tight"


def test_after_a_fall_the_guide_asks_for_the_line_and_takes_what_else_is_logged() -> None:
    """Enter alone turns nothing; a turn struck or put right, a reading, a pressure are taken as ever."""
    told = at_high(8.2)
    for co2 in (8.4, 8.6, 8.8):
        told.turn("throttle", 1 / 24).wait(150).read("high", co2)
    told.turn("throttle", 1 / 12).wait(150).read("high", 8.3)
    visit = told.job.situation(moment(told.now_s))
    asks = entry_prompt(Advice("read", firing="high"), visit)
    assert asks.splitlines()[0] == stages.LINE_TEST.asks
    assert asks.splitlines()[1].startswith("(tight, leaking; or CO2 O2 CO")
    for typed, event in (("tight", "check"), ("void 9", "void"), ("8.3 6.2 12", "reading")):
        parse_entry(typed, Advice("read", firing="high"), "high")(told.job, moment(told.now_s + 5))
        assert told.job.events[-1].event == event
