"""Where the visit stands follows from its log: each stage's block can't be passed wrongly, each can be skipped."""

import re
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from replay import Told

from advisor import Job
from advisor.errors import RangeError
from advisor.log.check_items import INPUT_RATE, LEFT_OUT, SKIPPED, WORKING, check_item, parse_answer
from advisor.messages import Finding
from advisor.procedure.progress import Progress, StageState, Why
from advisor.procedure.stages import (
    BEFORE, BOTH, CLOSE, HIGH, LOW, PRESSURE, PROOF, RECORD, STAGES, VALVE, Stage, question_for, questions_of,
)  # fmt: skip
from advisor.report.overview import input_reasons

PLATE = {"pressures": dict.fromkeys(("standing pressure", "working pressure"), (17.0, 25.0, "mbar"))}
GOOD = {
    "clean air O2": "20.9 %", "clean air CO": "0 ppm", "sample line": "tight", "calibration date": "2026-02-11",
    "site": "Harbour Street (invented)", "analyser": "analyser 3", "opened joints": "tight",
    "throttle clockwise": "richer", "offset clockwise": "richer", "standing pressure": "20.4 mbar",
    "other appliances": "none there", "working pressure": "19.8 mbar", "test points": "tight",
    "appliance left": "in service", "technician": "A. N. Other",
}  # fmt: skip
HAS_READ = ("flue temperature", "air temperature", "heating value")  # what belongs to a reading of the proof


class Walk(Told):
    """A job whose stages are walked one after the other."""

    @property
    def progress(self) -> Progress:
        return self.job.progress(self.now)

    def state(self, stage: Stage) -> StageState:
        return self.progress.of(stage)

    def asked(self, stage: Stage) -> str | None:
        """What a stage asks next: an item, a rate to be read at, or None."""
        step = self.state(stage).step
        return None if step is None else step.question.item if step.question else step.firing

    def answer(self, item: str, value: str = "") -> "Walk":
        self.wait(5).check(item, value or GOOD.get(item, "yes"))
        return self

    def answer_all(self, stage: Stage, but: str = "") -> "Walk":
        for question in questions_of(stage, self.job.setup):
            if question.item != but:
                self.answer(question.item)
        return self

    def note(self, why: str, item: str, value: str) -> "Walk":
        self.wait(5).job.note(why, item=item, value=value, at=self.now)
        return self

    def skip(self, stage: Stage, why: str = "in a hurry") -> "Walk":
        return self.note(why, SKIPPED, stage.name)

    def leave_out(self, *items: str) -> "Walk":
        for item in items:
            self.note("left out", LEFT_OUT, item)
        return self

    def hold(self, firing: str, co2: float, co: float | None = 20.0) -> "Walk":
        """Settled readings in band at a rate."""
        self.at(firing, co2, co2, co2, co=co, after_s=200)
        return self

    def prepared(self) -> "Walk":
        return self.answer_all(BEFORE).answer_all(VALVE).answer_all(PRESSURE)

    def set_right(self) -> "Walk":
        return self.hold("high", 9.2).hold("low", 8.8)

    def proved(self) -> "Walk":
        self.answer("cover on")
        for firing, co2 in (("low", 8.8), ("high", 9.2)):
            self.at(firing, co2).leave_out(*HAS_READ)  # type: ignore[attr-defined]
        return self.answer("sample line")


def walk(**setup: object) -> Walk:
    return Walk(**{**PLATE, **setup})


def all_set() -> Walk:
    return walk().prepared().set_right()


def said(why: Why | None) -> str:
    """Code of a block and the check it is about."""
    return "" if why is None else f"{why.code} {why.data.get('item', '')}".strip()


def test_an_empty_log_asks_the_first_question() -> None:
    """Nothing is done, the first question of the first stage is asked."""
    progress = walk().progress
    assert [state.state for state in progress.states] == ["open"] * len(STAGES)
    assert progress.current is not None
    assert progress.current.step is not None
    assert progress.current.step.question is BEFORE.questions[0]


def test_a_whole_visit_is_over_at_its_end() -> None:
    """Stage after stage becomes done, none of them before its turn."""
    visit = walk()
    for stage, doing in (
        (BEFORE, lambda: visit.answer_all(BEFORE)),
        (VALVE, lambda: visit.answer_all(VALVE)),
        (PRESSURE, lambda: visit.answer_all(PRESSURE)),
        (HIGH, lambda: visit.hold("high", 9.2).run_at("low")),
        (LOW, lambda: visit.hold("low", 8.8)),
        (PROOF, visit.proved),
        (CLOSE, lambda: visit.answer_all(CLOSE)),
        (RECORD, lambda: visit.answer_all(RECORD)),
    ):
        assert visit.state(stage).state == "open", stage.name
        doing()
        assert visit.state(stage).state == "done", stage.name
    assert (visit.progress.current, visit.progress.working, visit.progress.barred) == (None, None, None)


def test_a_look_at_low_fire_does_not_end_the_setting_of_high_fire() -> None:
    """Left for low fire out of band and come back: high fire is the work again; left in band, it is both again."""
    visit = walk().prepared()
    for doing, stage in (
        (lambda: visit.hold("high", 8.5).hold("low", 8.4), LOW),
        (lambda: visit.run_at("high"), HIGH),
        (lambda: visit.hold("high", 8.5).turn("throttle", 1 / 8).hold("high", 9.1).hold("low", 8.5), LOW),
        (lambda: visit.run_at("high"), BOTH),
    ):
        doing()
        assert visit.progress.working is not None
        assert visit.progress.working.stage is stage


def answered(stage: Stage, item: str, value: str) -> Callable[[], Walk]:
    """A visit in which a stage was answered, one question of it wrongly."""
    return lambda: walk().answer_all(stage).answer(item, value)


BLOCKS: list[tuple[Stage, Callable[[], Walk], str]] = [
    (BEFORE, answered(BEFORE, "clean air O2", "19.9 %"), "wrong-answer clean air O2"),
    (BEFORE, answered(BEFORE, "clean air CO", "30 ppm"), "wrong-answer clean air CO"),
    (BEFORE, answered(BEFORE, "sample line", "leaking"), "wrong-answer sample line"),
    (BEFORE, answered(BEFORE, "gas off", "no"), "wrong-answer gas off"),
    (VALVE, answered(VALVE, "opened joints", "leaking"), "wrong-answer opened joints"),
    (PRESSURE, answered(PRESSURE, WORKING, "14.9 mbar"), "wrong-answer working pressure"),
    (PRESSURE, answered(PRESSURE, "pressure drop", "no"), "wrong-answer pressure drop"),
    (HIGH, lambda: walk().prepared().answer(WORKING, "14.9 mbar").run_at("high"), "pressure working pressure"),
    (HIGH, lambda: walk().prepared().hold("high", 9.2, co=900), "high-co"),
    (LOW, lambda: walk().prepared().hold("high", 9.2).hold("low", 8.8, co=900), "high-co"),
    (BOTH, lambda: all_set().hold("high", 9.2, co=900), "high-co"),
    (CLOSE, lambda: all_set().proved().answer_all(CLOSE).answer("test points", "leaking"), "wrong-answer test points"),
    (CLOSE, lambda: all_set().proved().answer("opened joints", "leaking").answer_all(CLOSE, "opened joints"),
     "wrong-answer opened joints"),
    (RECORD, lambda: all_set().proved().answer_all(RECORD), "barred-open"),
]  # fmt: skip


@pytest.mark.parametrize(("stage", "made", "why"), BLOCKS, ids=[f"{row[0].name}: {row[2]}" for row in BLOCKS])
def test_a_block_can_t_be_passed(stage: Stage, made: Callable[[], Walk], why: str) -> None:
    """A wrong answer or a stop blocks its stage and says why; the question stays."""
    state = made().state(stage)
    assert (state.state, said(state.why)) == ("blocked", why)
    assert state.step is not None


def test_a_right_answer_lifts_the_block() -> None:
    """The latest answer counts."""
    visit = walk().answer_all(PRESSURE).answer(WORKING, "14.9 mbar").answer(WORKING).answer("pressure drop")
    assert visit.state(PRESSURE).state == "done"


@pytest.mark.parametrize("stage", STAGES, ids=[stage.name for stage in STAGES])
def test_each_stage_can_be_skipped_with_a_reason(stage: Stage) -> None:
    """A skipped stage keeps the reason in words, and asks nothing more."""
    state = walk().skip(stage, "not part of this visit").state(stage)
    assert (state.state, state.skipped, state.step) == ("skipped", "not part of this visit", None)
    with pytest.raises(RangeError):
        walk().skip(stage, " ")


def test_skipping_the_pressure_does_not_open_a_wrong_one() -> None:
    """No combustion setting on a wrong inlet pressure, skipped or not."""
    visit = walk().prepared().answer(WORKING, "14.9 mbar").skip(PRESSURE).at("high", 8.3)
    assert (visit.state(PRESSURE).state, visit.state(HIGH).state) == ("skipped", "blocked")
    assert visit.next().action == "halt"


def test_a_pressure_that_was_skipped_is_said_and_does_not_hang_the_visit() -> None:
    """Without a manometer the visit can end, and says so."""
    visit = walk().answer_all(BEFORE).answer_all(VALVE).skip(PRESSURE, "manometer broken").set_right()
    assert visit.next().action == "finish"
    assert {finding.data["why"] for finding in visit.found("pressure-skipped")} == {"manometer broken"}


def test_no_finish_without_co_at_both_rates() -> None:
    """Readings without CO leave both the setting and the proof open."""
    assert walk().prepared().hold("high", 9.2).hold("low", 8.8, co=None).state(BOTH).state == "open"
    visit = all_set().answer("cover on")
    visit.read("low", 8.8, None)
    assert (visit.state(PROOF).state, visit.asked(PROOF)) == ("open", "low")


def test_the_proof_wants_the_cover_on_and_both_rates_read_with_it() -> None:
    """Cover, a rate with what belongs to it, the other rate, the sample line."""
    visit = all_set()
    for asked in ("cover on", "low", *HAS_READ[:2], "high", *HAS_READ, "sample line"):
        assert visit.asked(PROOF) == asked
        if asked in ("low", "high"):
            visit.wait(1).at(asked, {"high": 9.2, "low": 8.8}[asked])
        elif asked in HAS_READ:
            visit.leave_out(asked)
        else:
            visit.answer(asked)
    assert visit.asked(PROOF) is None


def test_a_turn_after_the_proof_takes_it_back() -> None:
    """What was proved before a turn is no proof after it."""
    visit = all_set().proved().answer_all(CLOSE)
    assert visit.state(CLOSE).state == "done"
    visit.turn("throttle", 1 / 48)
    assert [visit.state(stage).state for stage in (BOTH, PROOF, CLOSE)] == ["open", "open", "open"]


def test_a_pressure_taken_again_opens_the_test_point_again() -> None:
    """The tightness of a test point counts from after its last use."""
    assert all_set().proved().answer_all(CLOSE).answer(WORKING).state(CLOSE).state == "open"


def test_in_service_is_barred_by_what_was_skipped() -> None:
    """Left in service is no answer where setting, proof or close-up are missing; out of service is."""
    visit = walk()
    for skipped in STAGES[:-1]:
        visit.skip(skipped, "boiler broke down")
    barred = visit.progress.barred
    assert (said(barred), barred and barred.data["stage"]) == ("barred-skipped", "both again")
    visit.answer("appliance left", "out of service").answer("technician").answer("copy left")
    assert visit.state(RECORD).state == "done"
    assert {visit.state(stage).state for stage in (BOTH, PROOF, CLOSE)} == {"skipped"}


def test_in_service_is_barred_by_a_wrong_answer_that_was_skipped_past() -> None:
    """A skip does not unsay it; the same thing answered rightly does."""
    visit = walk().prepared().answer("pressure drop", "no").skip(PRESSURE).set_right().proved().answer_all(CLOSE)
    assert (visit.state(PRESSURE).state, said(visit.progress.barred)) == ("skipped", "barred-stop")
    assert visit.answer_all(RECORD).state(RECORD).state == "blocked"
    # measured again: the drop is asked anew, and the test point that was opened is tested anew
    visit.answer(WORKING).answer("pressure drop").answer("test points")
    assert (visit.progress.barred, visit.state(RECORD).state) == (None, "done")


def test_a_wrong_answer_stands_however_old_it_is() -> None:
    """Clean air that was wrong yesterday and is skipped today is still the last word on it."""
    visit = walk().answer_all(BEFORE).answer("clean air O2", "19.9 %").wait(20 * 3600).skip(BEFORE)
    assert said(visit.progress.barred) == "barred-stop"
    assert [wrong.row.event.item for wrong in visit.state(BEFORE).wrong] == ["clean air O2"]


def timed(kw: str, plate: tuple[float, float, str] = (33.0, 37.0, "kW")) -> Walk:
    """The proof up to an input rate timed at high fire."""
    visit = walk(input_rate=plate, heating_value=(38.5, "MJ/m3")).prepared().set_right().answer("cover on")
    visit.at("high", 9.2)
    return visit.leave_out("flue temperature", "air temperature", "gas at meter").answer(INPUT_RATE, kw)


def test_an_input_rate_off_the_data_plate_blocks_the_proof() -> None:
    """It is asked again until it is timed right; left out afterwards, or the rate changed, it still stands."""
    visit = timed("3.44")
    for _ in range(2):
        state = visit.state(PROOF)
        assert (state.state, said(state.why), visit.asked(PROOF)) == ("blocked", "wrong-answer input rate", INPUT_RATE)
        visit.leave_out(INPUT_RATE)
    visit.at("low", 8.8).leave_out("flue temperature", "air temperature").answer("sample line")  # type: ignore[attr-defined]
    assert visit.asked(PROOF) == "high"
    barred = visit.skip(PROOF).answer_all(CLOSE).progress.barred
    assert (said(barred), barred and barred.data["stage"]) == ("barred-answer", "proof")


@pytest.mark.parametrize("plate", [(33.0, 37.0, "kW"), (112_600.0, 126_300.0, "Btu/h")], ids=["kW", "Btu/h"])
def test_an_input_rate_inside_the_data_plate_lets_the_proof_go_on(plate: tuple[float, float, str]) -> None:
    """On the same data plate in either unit."""
    assert timed("35.1", plate).asked(PROOF) == "low"


def test_an_input_rate_at_low_fire_is_not_held_against_the_data_plate() -> None:
    """The data plate states high fire: 7 kW at low fire is no fault, nor does it hide what was timed at high fire."""
    visit = walk(input_rate=(33.0, 36.0, "kW"))
    visit.run_at("low")
    assert visit.answer(INPUT_RATE, "7 kW").codes == set()
    assert [reason.code for reason in input_reasons(visit.situation)] == ["input-not-high"]
    for firing, kw in (("high", "30 kW"), ("low", "7 kW")):
        visit.wait(5).run_at(firing).answer(INPUT_RATE, kw)  # type: ignore[attr-defined]
    (found,) = visit.job.findings(visit.now)
    assert (found.code, found.data["kw"], found.data["side"]) == ("input-rate", 30, "below")


def test_left_for_hours_the_instrument_is_checked_anew() -> None:
    """On another day clean air and sample line are asked again, before the boiler runs; the rest is not."""
    visit = walk().prepared()
    visit.wait(20 * 3600)
    assert visit.asked(BEFORE) == "clean air O2"
    visit.run_at("high")
    assert visit.asked(BEFORE) == "clean air O2"


def test_what_was_told_on_site_completes_the_setup() -> None:
    """The range typed in the visit judges the pressure; what `open` gave is not replaced."""
    visit = Walk().answer("inlet pressure range", "7:11 inH2O").answer(WORKING, "5 inH2O")
    assert visit.codes == {"pressure"}
    assert visit.situation.setup.pressures[WORKING] == (7.0, 11.0, "inH2O")
    visit = walk().answer("inlet pressure range", "7:11 inH2O").answer("input rate range", "33:36 kW")
    setup = visit.answer("heating value", "38.5 MJ/m3").answer("site").situation.setup
    assert setup.pressures == PLATE["pressures"]
    assert (setup.input_rate, setup.heating_value) == ((33.0, 36.0, "kW"), (38.5, "MJ/m3"))
    assert setup.site == GOOD["site"]


def test_the_commands_say_the_stage_past_what_nobody_asked() -> None:
    """Once the boiler runs, the stage is where the work is; what was left behind is named."""
    visit = walk().answer_all(VALVE)
    visit.run_at("high")
    assert visit.progress.working is not None
    assert visit.progress.working.stage is HIGH
    assert visit.progress.left_behind == ("before", "gas pressure")


def test_the_same_rows_in_a_file_say_the_same(tmp_path: Path) -> None:
    """Everything is in the log: loaded anew the visit stands where it stood."""
    visit = walk().prepared().hold("high", 9.2)
    job = Job.create(tmp_path / "v.csv", fuel="natural gas", bands=visit.job.setup.bands, **PLATE)
    for event in visit.job.events:
        job._append(event)
    assert Job.load(tmp_path / "v.csv").progress(visit.now) == visit.progress


def test_a_pressure_named_on_open_is_asked_too() -> None:
    """Other pressures of the data plate join the pressure stage, and a wrong one blocks it in words."""
    visit = walk(pressures={"burner pressure": (8.0, 10.0, "mbar")})
    items = [question.item for question in questions_of(PRESSURE, visit.job.setup)]
    assert (items[0], items[-1]) == ("inlet pressure range", "burner pressure")
    visit.answer(items[0], "17:25 mbar").answer("burner pressure", "12 mbar")
    for item in items[1:-1]:
        visit.answer(item)
    why = visit.state(PRESSURE).why
    assert said(why) == "wrong-answer burner pressure"
    assert isinstance(why, Finding)
    assert why.text


TYPED = [
    # item, typed, value and unit, or the whole message
    ("CO alarm", "Y", ("yes", "")),
    ("CO alarm", "maybe", "'maybe' is no answer here: type yes or no"),
    ("appliance left", "o", ("out of service", "")),
    ("standing pressure", "20.4", ("20.4", "mbar")),
    ("standing pressure", "2040 Pa", ("2040", "Pa")),
    ("standing pressure", "20,4", "standing pressure '20,4' has a comma. Did you mean 20.4?"),
    ("standing pressure", "-2", "standing pressure -2 mbar: below 0? Look at the manometer's zero and hose"),
    ("clean air O2", "209", "clean air O2 209 % can't be: 0 to 25 is possible. Did you mean 20.9?"),
    ("clean air O2", "twenty", "clean air O2 'twenty' is not a number. Type digits and a point only, no unit"),
    ("flue temperature", "52", ("52", "C")),
    ("flue temperature", "120 F", "flue temperature in 'F': type it in C"),
    ("inlet pressure range", "17-25 mbar", ("17:25", "mbar")),
    ("inlet pressure range", "17:25", "inlet pressure range '17:25' needs its unit at the end"),
    ("inlet pressure range", "25:17 mbar", "inlet pressure range '25:17' runs backwards. Did you mean 17:25?"),
    ("input rate range", "33:36 kW", ("33:36", "kW")),
    ("heating value", "38.5 MJ/m3", ("38.5", "MJ/m3")),
    ("heating value", "38.5", "unit of heating value '' is not known; allowed are MJ/m3, kWh/m3, Btu/ft3"),
    ("calibration date", "2026-02-11", ("2026-02-11", "")),
    ("calibration date", "11.2.26", "date '11.2.26' can't be read: type it as 2026-05-04"),
    ("calibration date", "2027-02-11", "date 2027-02-11 can't be: it lies in the future"),
    ("gas at meter", "12 20", "gas at meter '12 20': three numbers, or four with the barometer, such as 12 20 15 980"),
    ("technician", "  ", "nothing was typed"),
]


@pytest.mark.parametrize(("item", "typed", "found"), TYPED, ids=[f"{row[0]}: {row[1]}" for row in TYPED])
def test_an_answer_as_typed(item: str, typed: str, found: str | tuple[str, str]) -> None:
    """A value with its unit, or one clear sentence; every item here is one that the visit asks."""
    setup = walk().job.setup
    known = check_item(item, setup)
    assert known
    assert question_for(item, setup)
    if isinstance(found, str):
        with pytest.raises(RangeError, match=f"^{re.escape(found)}$"):
            parse_answer(known, typed, setup, date(2026, 5, 4))
    else:
        assert parse_answer(known, typed, setup, date(2026, 5, 4)) == found
