"""Where the visit stands follows from its log: each stage's block can't be passed wrongly, each can be skipped."""

import re
from collections.abc import Callable
from datetime import date

import pytest
from replay import Told, moment

from advisor import Job
from advisor.diagnosis import measured
from advisor.errors import RangeError
from advisor.procedure import answers, stages
from advisor.procedure.progress import StageState
from advisor.procedure.stages import BEFORE, BOTH, CLOSE, HIGH, LOW, PRESSURE, PROOF, RECORD, STAGES, VALVE, Stage

PLATE = {"pressures": dict.fromkeys((stages.STANDING, stages.WORKING), (17.0, 25.0, "mbar"))}
GOOD = {
    "clean air O2": ("20.9", "%"),
    "clean air CO": ("0", "ppm"),
    "sample line": ("tight", ""),
    "calibration date": ("2026-02-11", ""),
    "site": ("Harbour Street (invented)", ""),
    "analyser": ("analyser 3", ""),
    "opened joints": ("tight", ""),
    "throttle clockwise": ("richer", ""),
    "offset clockwise": ("richer", ""),
    "standing pressure": ("20.4", "mbar"),
    "other appliances": ("none there", ""),
    "working pressure": ("19.8", "mbar"),
    "test points": ("tight", ""),
    "appliance left": ("in service", ""),
    "technician": ("A. N. Other", ""),
}


class Walk(Told):
    """A job whose stages are walked one after the other."""

    def state(self, stage: Stage) -> StageState:
        return self.job.progress(moment(self.now_s)).of(stage)

    def answer(self, item: str, value: str = "", unit: str = "") -> "Walk":
        good = GOOD.get(item, ("yes", ""))
        self.now_s += 5
        self.job.check(item, value or good[0], unit or good[1], at=moment(self.now_s))
        return self

    def answer_all(self, stage: Stage, but: str = "") -> "Walk":
        for question in stages.questions_of(stage, self.job.setup):
            if question.item != but:
                self.answer(question.item)
        return self

    def skip(self, stage: Stage, why: str) -> "Walk":
        self.now_s += 5
        self.job.note(why, item=stages.SKIPPED, value=stage.name, at=moment(self.now_s))
        return self

    def leave_out(self, *items: str) -> "Walk":
        for item in items:
            self.now_s += 1
            self.job.note("left out", item=stages.LEFT_OUT, value=item, at=moment(self.now_s))
        return self

    def hold(self, firing: str, co2: float, co: float | None = 20.0) -> "Walk":
        """Settled readings in band at a rate."""
        self.run_at(firing).wait(200)
        for _ in range(3):
            self.read(firing, co2, co)
        return self

    def prepared(self) -> "Walk":
        return self.answer_all(BEFORE).answer_all(VALVE).answer_all(PRESSURE)

    def set_right(self) -> "Walk":
        return self.hold("high", 9.2).hold("low", 8.8)

    def proved(self) -> "Walk":
        self.answer(stages.COVER)
        for firing, co2 in (("low", 8.8), ("high", 9.2)):
            self.run_at(firing).wait(200).read(firing, co2)
            self.leave_out(stages.FLUE_C, stages.AIR_C, stages.HEATING_VALUE)
        return self.answer("sample line")


def walk(**setup: object) -> Walk:
    return Walk(**{**PLATE, **setup})


def test_an_empty_log_asks_the_first_question() -> None:
    """Nothing is done, the first question of the first stage is asked."""
    progress = walk().job.progress(moment(0))
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
    progress = visit.job.progress(moment(visit.now_s))
    assert (progress.current, progress.working, progress.barred) == (None, None, "")


def wrong_pressure(visit: Walk) -> Walk:
    return visit.answer(stages.WORKING, "14.9", "mbar")


def test_a_look_at_low_fire_does_not_end_the_setting_of_high_fire() -> None:
    """Left for low fire out of band and come back: high fire is the work again; left in band, it is both again."""
    visit = walk().prepared().hold("high", 8.5).hold("low", 8.4)
    assert visit.job.progress(moment(visit.now_s)).working.stage is LOW
    visit.run_at("high")
    assert visit.job.progress(moment(visit.now_s)).working.stage is HIGH
    visit.hold("high", 8.5).turn("throttle", 1 / 8).hold("high", 9.1).hold("low", 8.5)
    assert visit.job.progress(moment(visit.now_s)).working.stage is LOW
    visit.run_at("high")
    assert visit.job.progress(moment(visit.now_s)).working.stage is BOTH


BLOCKS: list[tuple[Stage, Callable[[], Walk], str]] = [
    (BEFORE, lambda: walk().answer_all(BEFORE).answer("clean air O2", "19.9", "%"), "clean air O2 19.9 %"),
    (BEFORE, lambda: walk().answer_all(BEFORE).answer("clean air CO", "30", "ppm"), "clean air CO 30 ppm"),
    (BEFORE, lambda: walk().answer_all(BEFORE).answer("sample line", "leaking"), "sample line: leaking. Mend hose"),
    (BEFORE, lambda: walk().answer_all(BEFORE).answer("gas off", "no"), "gas off: no."),
    (VALVE, lambda: walk().answer_all(VALVE).answer("opened joints", "leaking"), "opened joints: leaking. Gas off"),
    (
        PRESSURE,
        lambda: wrong_pressure(walk().answer_all(PRESSURE)),
        "working pressure 14.9 mbar: the data plate allows 17 to 25 mbar. The supply is not right",
    ),
    (PRESSURE, lambda: walk().answer_all(PRESSURE).answer(stages.PRESSURE_DROP, "no"), "pressure drop: no."),
    (HIGH, lambda: wrong_pressure(walk().prepared()).run_at("high"), "The working pressure is 14.9 mbar"),
    (HIGH, lambda: walk().prepared().hold("high", 9.2, co=900), "CO at high fire is"),
    (LOW, lambda: walk().prepared().hold("high", 9.2).hold("low", 8.8, co=900), "CO at low fire is"),
    (BOTH, lambda: walk().prepared().set_right().hold("high", 9.2, co=900), "CO at high fire is"),
    (
        CLOSE,
        lambda: walk().prepared().set_right().proved().answer_all(CLOSE).answer("test points", "leaking"),
        "test points: leaking.",
    ),
    (
        CLOSE,
        lambda: (
            walk().prepared().set_right().proved().answer("opened joints", "leaking").answer_all(CLOSE, "opened joints")
        ),
        "opened joints: leaking.",
    ),
    (RECORD, lambda: walk().prepared().set_right().proved().answer_all(RECORD), "'close up' is not done"),
]


@pytest.mark.parametrize(("stage", "made", "why"), BLOCKS, ids=[f"{row[0].name}: {row[2]}" for row in BLOCKS])
def test_a_block_can_t_be_passed(stage: Stage, made: Callable[[], Walk], why: str) -> None:
    """A wrong answer or a stop blocks its stage and says why; the question stays."""
    state = made().state(stage)
    assert state.state == "blocked"
    assert state.reason.startswith(why), state.reason
    assert state.step is not None


def test_a_right_answer_lifts_the_block() -> None:
    """The latest answer counts."""
    visit = wrong_pressure(walk().answer_all(PRESSURE)).answer(stages.WORKING).answer(stages.PRESSURE_DROP)
    assert visit.state(PRESSURE).state == "done"


@pytest.mark.parametrize("stage", STAGES, ids=[stage.name for stage in STAGES])
def test_each_stage_can_be_skipped_with_a_reason(stage: Stage) -> None:
    """A skipped stage is skipped in words, and the next is asked."""
    state = walk().skip(stage, "not part of this visit").state(stage)
    assert (state.state, state.reason, state.step) == ("skipped", "not part of this visit", None)
    with pytest.raises(RangeError):
        walk().skip(stage, " ")


def test_skipping_the_pressure_does_not_open_a_wrong_one() -> None:
    """No combustion setting on a wrong inlet pressure, skipped or not."""
    visit = wrong_pressure(walk().prepared()).skip(PRESSURE, "in a hurry").run_at("high").wait(200).read("high", 8.3)
    assert visit.state(PRESSURE).state == "skipped"
    assert visit.state(HIGH).state == "blocked"
    assert visit.next().action == "halt"


def test_a_pressure_that_was_skipped_is_said_and_does_not_hang_the_visit() -> None:
    """Without a manometer the visit can end, and says so."""
    visit = walk().answer_all(BEFORE).answer_all(VALVE).skip(PRESSURE, "manometer broken").set_right()
    assert visit.next().action == "finish"
    finding = next(f for f in visit.next().findings if f.code == "pressure-skipped")
    assert "was not checked (manometer broken)" in finding.text


def test_no_finish_without_co_at_both_rates() -> None:
    """Readings without CO leave both the setting and the proof open."""
    visit = walk().prepared().hold("high", 9.2).hold("low", 8.8, co=None)
    assert visit.state(BOTH).state == "open"
    visit = walk().prepared().set_right().answer(stages.COVER)
    visit.read("low", 8.8, None)
    state = visit.state(PROOF)
    assert state.step is not None
    assert (state.state, state.step.firing) == ("open", "low")


def test_the_proof_wants_the_cover_on_and_both_rates_read_with_it() -> None:
    """Cover, a rate with what belongs to it, the other rate, the sample line."""
    visit = walk().prepared().set_right()
    asked = []
    for _ in range(20):
        step = visit.state(PROOF).step
        if step is None:
            break
        asked.append(step.question.item if step.question else step.firing)
        if step.question and step.question.optional:
            visit.leave_out(step.question.item)
        elif step.question:
            visit.answer(step.question.item)
        else:
            rate = str(step.firing)
            visit.wait(1).run_at(rate).wait(200).read(rate, {"high": 9.2, "low": 8.8}[rate])
    assert asked == [
        "cover on", "low", "flue temperature", "air temperature", "high", "flue temperature", "air temperature",
        "heating value", "sample line",
    ]  # fmt: skip


def test_a_turn_after_the_proof_takes_it_back() -> None:
    """What was proved before a turn is no proof after it."""
    visit = walk().prepared().set_right().proved().answer_all(CLOSE)
    assert visit.state(CLOSE).state == "done"
    visit.turn("throttle", 1 / 48)
    assert [visit.state(stage).state for stage in (BOTH, PROOF, CLOSE)] == ["open", "open", "open"]


def test_a_pressure_taken_again_opens_the_test_point_again() -> None:
    """The tightness of a test point counts from after its last use."""
    visit = walk().prepared().set_right().proved().answer_all(CLOSE).answer(stages.WORKING)
    assert visit.state(CLOSE).state == "open"


@pytest.mark.parametrize("stage", [BOTH, PROOF, CLOSE], ids=lambda stage: stage.name)
def test_in_service_is_barred_by_what_was_skipped(stage: Stage) -> None:
    """Left in service is no answer where setting, proof or close-up are missing; out of service is."""
    visit = walk()
    for skipped in STAGES[:-1]:
        visit.skip(skipped, "boiler broke down")
    barred = visit.job.progress(moment(visit.now_s)).barred
    assert barred.startswith("'both again' was skipped (boiler broke down), so it can't be logged as in service")
    visit.answer(stages.OUTCOME, "out of service").answer("technician").answer("copy left")
    assert visit.state(RECORD).state == "done"
    assert visit.state(stage).state == "skipped"


def test_in_service_is_barred_by_a_wrong_answer_that_was_skipped_past() -> None:
    """A skip does not unsay it; the same thing answered rightly does."""
    visit = walk().answer_all(BEFORE).answer_all(VALVE).answer_all(PRESSURE).answer(stages.PRESSURE_DROP, "no")
    visit.skip(PRESSURE, "in a hurry").set_right().proved().answer_all(CLOSE)
    assert visit.state(PRESSURE).state == "skipped"
    assert visit.job.progress(moment(visit.now_s)).barred.startswith(
        "A stop stands, so it can't be logged as in service: pressure drop: no. Look at pipe, filter and regulator;"
    )
    visit.answer_all(RECORD)
    assert visit.state(RECORD).state == "blocked"
    # measured again: the drop is asked anew, and the test point that was opened is tested anew
    visit.answer(stages.WORKING).answer(stages.PRESSURE_DROP).answer(stages.TEST_POINTS)
    assert visit.job.progress(moment(visit.now_s)).barred == ""
    assert visit.state(RECORD).state == "done"


def test_a_wrong_answer_stands_however_old_it_is() -> None:
    """Clean air that was wrong yesterday and is skipped today is still the last word on it."""
    visit = walk().answer_all(BEFORE).answer("clean air O2", "19.9", "%").wait(20 * 3600).skip(BEFORE, "known")
    assert "clean air O2 19.9 %" in visit.job.progress(moment(visit.now_s)).barred


def timed(kw: str, plate: tuple[float, float, str] = (33.0, 37.0, "kW")) -> Walk:
    """The proof up to an input rate timed at high fire."""
    visit = walk(input_rate=plate, heating_value=(38.5, "MJ/m3")).prepared().set_right()
    visit.answer(stages.COVER)
    visit.run_at("high").wait(200).read("high", 9.2)
    return visit.leave_out(stages.FLUE_C, stages.AIR_C, stages.METER_GAS).answer(stages.INPUT_RATE, kw)


def test_an_input_rate_off_the_data_plate_blocks_the_proof() -> None:
    """It is asked again until it is timed right; left out afterwards, or the rate changed, it still stands."""
    visit = timed("3.44")
    for _ in range(2):
        state = visit.state(PROOF)
        assert state.state == "blocked"
        assert state.reason.startswith("input rate 3.44 kW: the data plate allows 33 to 37 kW. Time it again;")
        assert state.step is not None
        assert state.step.question is not None
        assert state.step.question.item == stages.INPUT_RATE
        visit.leave_out(stages.INPUT_RATE)
    visit.run_at("low").wait(200).read("low", 8.8).leave_out(stages.FLUE_C, stages.AIR_C).answer("sample line")
    step = visit.state(PROOF).step
    assert step is not None
    assert (step.question, step.firing) == (None, "high")
    visit.skip(PROOF, "no time").answer_all(CLOSE)
    assert "input rate 3.44 kW" in visit.job.progress(moment(visit.now_s)).barred


@pytest.mark.parametrize("plate", [(33.0, 37.0, "kW"), (112_600.0, 126_300.0, "Btu/h")], ids=["kW", "Btu/h"])
def test_an_input_rate_inside_the_data_plate_lets_the_proof_go_on(plate: tuple[float, float, str]) -> None:
    """On the same data plate in either unit."""
    step = timed("35.1", plate).state(PROOF).step
    assert step is not None
    assert step.firing == "low"


def test_left_for_hours_the_instrument_is_checked_anew() -> None:
    """On another day clean air and sample line are asked again, before the boiler runs; the rest is not."""
    visit = walk().prepared().wait(20 * 3600)
    for _ in range(2):
        step = visit.state(BEFORE).step
        assert step is not None
        assert step.question is not None
        assert step.question.item == "clean air O2"
        visit.run_at("high")


def test_what_was_told_on_site_completes_the_facts() -> None:
    """The range typed in the visit judges the pressure; what `open` gave is not replaced."""
    visit = Walk().answer("inlet pressure range", "7:11", "inH2O").answer("working pressure", "5", "inH2O")
    assert {finding.code for finding in visit.job.findings(moment(visit.now_s))} == {"pressure"}
    setup = visit.job.situation(moment(visit.now_s)).setup
    assert setup.pressures[stages.WORKING] == (7.0, 11.0, "inH2O")
    visit = walk().answer("inlet pressure range", "7:11", "inH2O")
    assert visit.job.situation(moment(visit.now_s)).setup.pressures == PLATE["pressures"]
    visit.answer("input rate range", "33:36", "kW").answer("heating value", "38.5", "MJ/m3").answer("site")
    setup = visit.job.situation(moment(visit.now_s)).setup
    assert (setup.input_rate, setup.heating_value, setup.site) == (
        (33.0, 36.0, "kW"),
        (38.5, "MJ/m3"),
        "Harbour Street (invented)",
    )


def test_an_input_rate_off_the_data_plate_is_found() -> None:
    """A warning, in words; inside the range there is none."""
    for kw, found in (("35", set()), ("30", {"input-rate"})):
        visit = walk(input_rate=(33.0, 36.0, "kW")).run_at("high").answer("input rate", kw, "kW")
        assert {f.code for f in visit.job.findings(moment(visit.now_s))} == found


def test_an_input_rate_at_low_fire_is_not_held_against_the_data_plate() -> None:
    """The data plate states high fire: 7 kW at low fire is no fault, nor does it hide what was timed at high fire."""
    visit = walk(input_rate=(33.0, 36.0, "kW")).run_at("low").answer("input rate", "7", "kW")
    assert visit.job.findings(moment(visit.now_s)) == ()
    said = measured.say_input_rate(visit.job.situation(moment(visit.now_s)))
    assert said == (
        "Input rate by the meter 7 kW (gross), not timed at high fire: the data plate's 33 to 36 kW is for high fire."
    )
    visit.wait(5).run_at("high").answer("input rate", "30", "kW")
    visit.wait(5).run_at("low").answer("input rate", "7", "kW")
    (finding,) = visit.job.findings(moment(visit.now_s))
    assert finding.text == "Input rate by the meter 30 kW (gross), below the data plate's 33 to 36 kW."


def test_every_answer_that_stops_says_what_to_do() -> None:
    """A stop that only repeats the answer leaves the technician standing there."""
    asked = [*(question for stage in STAGES for question in stage.questions), *stages.PROOF_AT_RATE["high"]]
    stops = [q for q in asked if q.passes or q.item in (*PLATE["pressures"], "clean air O2", "clean air CO")]
    assert len(stops) > 20
    assert [question.item for question in stops if not question.stop.endswith(".")] == []


def test_the_commands_say_the_stage_past_what_nobody_asked() -> None:
    """Once the boiler runs, the stage is where the work is; what was left behind is named."""
    progress = walk().answer_all(VALVE).run_at("high").job.progress(moment(100))
    assert progress.working is not None
    assert progress.working.stage is HIGH
    assert progress.left_behind == ("before", "gas pressure")


def test_the_same_rows_in_a_file_say_the_same(tmp_path: object) -> None:
    """Everything is in the log: loaded anew the visit stands where it stood."""
    visit = walk().prepared().hold("high", 9.2)
    job = Job.create(f"{tmp_path}/v.csv", fuel="natural gas", bands=visit.job.setup.bands, **PLATE)
    for event in visit.job.events:
        job._append(event)
    at = moment(visit.now_s)
    assert Job.load(f"{tmp_path}/v.csv").progress(at) == visit.job.progress(at)


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
def test_an_answer_as_typed(item: str, typed: str, found: object) -> None:
    """A value with its unit, or one clear sentence."""
    setup = walk().job.setup
    question = stages.question_for(item, setup)
    assert question is not None
    if isinstance(found, str):
        with pytest.raises(RangeError, match=f"^{re.escape(found)}$"):
            answers.typed(question, typed, setup, date(2026, 5, 4))
    else:
        assert answers.typed(question, typed, setup, date(2026, 5, 4)) == found


def test_a_pressure_named_on_open_is_asked_too() -> None:
    """Other pressures of the data plate join the pressure stage."""
    visit = walk(pressures={"burner pressure": (8.0, 10.0, "mbar")})
    items = [question.item for question in stages.questions_of(PRESSURE, visit.job.setup)]
    assert items[0] == stages.PLATE_PRESSURE
    assert items[-1] == "burner pressure"


def test_every_stage_has_its_caution_and_every_question_its_why() -> None:
    """Short, once, and with a reason behind `?`."""
    cautions = [stage.caution for stage in STAGES]
    assert len(set(cautions)) == len(STAGES)
    assert all(20 < len(caution) < 240 for caution in cautions)
    assert "joints tested again under gas, probe in the flue, CO watched from the first second" in PRESSURE.caution
    for question in stages.QUESTIONS:
        assert question.why, question.item
        assert len(question.asks) < 90, question.item
