"""Where the visit stands follows from its log: each stage's block can't be passed wrongly, each can be skipped."""

import re
from collections.abc import Callable
from datetime import date

import pytest
from replay import Told, new_job

from advisor.errors import RangeError
from advisor.log.check_items import EXTRAS, INPUT_RATE, LEFT_OUT, WORKING, check_item, parse_answer
from advisor.messages import Finding
from advisor.procedure.progress import Progress
from advisor.procedure.stages import STAGES, Question, Stage, questions_of
from advisor.report.show import input_reasons

BEFORE, VALVE, LIGHT, PRESSURE, HIGH, LOW, BOTH, PROOF, CLOSE, RECORD = STAGES
PLATE = {"pressures": dict.fromkeys(("standing pressure", "working pressure"), (17.0, 25.0, "mbar"))}
GOOD = {
    "clean air O2": "20.9 %", "clean air CO": "0 ppm", "sample line": "tight", "calibration date": "2026-02-11",
    "site": "Harbour Street (invented)", "analyser": "analyser 3", "opened joints": "tight",
    "throttle clockwise": "richer", "offset clockwise": "richer", "standing pressure": "20.4 mbar",
    "CO limit": "200 ppm air-free", "other appliances": "none", "working pressure": "19.8 mbar",
    "test points": "tight", "appliance left": "in service", "technician": "A. N. Other",
    "boiler": "Example 24", "serial number": "0417", "reason for visit": "yearly service", "new valve": "part 3",
    "analyser serial number": "88",
}  # fmt: skip
HAS_READ = ("flue temperature", "air temperature", "heating value")  # what belongs to a reading of the proof


class Walk(Told):
    """A job whose stages are walked one after the other."""

    @property
    def progress(self) -> Progress:
        return self.job.progress(self.now)

    @property
    def barred(self) -> str:
        """Code and stage of what bars the end of the visit."""
        why = self.progress.barred
        return f"{why.code} {why.data.get('stage', '')}".strip() if why else ""

    def answer(self, item: str, value: str = "") -> "Walk":
        self.wait(5).check(item, value or GOOD.get(item, "yes"))
        return self

    def answer_all(self, stage: Stage, but: str = "") -> "Walk":
        for question in questions_of(stage, self.job.setup):
            if question.item != but:
                self.answer(question.item)
        return self

    def leave_out(self, *items: str) -> "Walk":
        for item in items:
            self.wait(5).job.note("left out", item=LEFT_OUT, value=item, at=self.now)
        return self

    def at(self, firing: str, *co2: float, co: float | None = 20.0, after_s: float = 200) -> "Walk":
        super().at(firing, *co2, co=co, after_s=after_s)
        return self

    def lit(self) -> "Walk":
        """Lit at high fire, CO read at once, two minutes over."""
        self.answer_all(LIGHT).run_at("high").wait(10).job.co(20, at=self.now)
        return self.wait(120)

    def prepared(self) -> "Walk":
        return self.answer_all(BEFORE).answer_all(VALVE).lit().answer_all(PRESSURE)

    def set_right(self) -> "Walk":
        return self.at("high", 9.2, 9.2, 9.2).at("low", 8.8, 8.8, 8.8)

    def proved(self) -> "Walk":
        self.answer("cover on").at("low", 8.8).leave_out(*HAS_READ).at("high", 9.2).leave_out(*HAS_READ)
        return self.answer("sample line")

    def closed(self) -> "Walk":
        return self.proved().answer_all(CLOSE)

    def stands(self, stage: Stage, state: str, why: str | None = None, asks: str | None = None) -> "Walk":
        """That a stage stands so now, why (code and item), and what it asks: an item, a rate, or nothing ("")."""
        found = self.progress.of(stage)
        assert found.state == state, found
        if why is not None:
            assert (f"{found.why.code} {found.why.data.get('item', '')}".strip() if found.why else "") == why
        if asks is not None:
            step = found.step
            assert (step.question.item if step and step.question else step.firing if step else "") == asks
        return self

    def works(self, stage: Stage, *left_behind: str) -> "Walk":
        """That the work is in this stage now, with these left behind."""
        progress = self.progress
        assert progress.working is not None
        assert (progress.working.stage, progress.left_behind) == (stage, left_behind)
        return self


def walk(**setup: object) -> Walk:
    return Walk(**{**PLATE, **setup})


def all_set() -> Walk:
    return walk().prepared().set_right()


def timed(kw: str, plate: tuple[float, float, str] = (33.0, 37.0, "kW")) -> Walk:
    """The proof up to an input rate timed at high fire."""
    visit = walk(input_rate=plate, heating_value=(38.5, "MJ/m3")).prepared().set_right().answer("cover on")
    visit.at("high", 9.2).leave_out("flue temperature", "air temperature", "gas at meter")
    return visit.answer(INPUT_RATE, kw)


def test_a_whole_visit_is_over_at_its_end() -> None:
    """Nothing is done at first, and the first question asked; then stage after stage, none of them before its turn."""
    visit = walk()
    assert {state.state for state in visit.progress.states} == {"open"}
    visit.stands(BEFORE, "open", asks=BEFORE.questions[0].item)
    for stage, doing in (
        (BEFORE, lambda: visit.answer_all(BEFORE)),
        (VALVE, lambda: visit.answer_all(VALVE)),
        (LIGHT, visit.lit),
        (PRESSURE, lambda: visit.answer_all(PRESSURE)),
        (HIGH, lambda: visit.at("high", 9.2, 9.2, 9.2).run_at("low")),
        (LOW, lambda: visit.at("low", 8.8, 8.8, 8.8)),
        (PROOF, visit.proved),
        (CLOSE, lambda: visit.answer_all(CLOSE)),
        (RECORD, lambda: visit.answer_all(RECORD)),
    ):
        visit.stands(stage, "open")
        doing()
        visit.stands(stage, "done")
    assert (visit.progress.current, visit.progress.working, visit.barred) == (None, None, "")


BLOCKS: list[tuple[Stage, Callable[[], Walk], str]] = [  # stage, a visit in which it is blocked, code and item of why
    *(
        (stage, lambda stage=stage, row=(item, value): walk().answer_all(stage).answer(*row), f"wrong-answer {item}")
        for stage, item, value in (
            (BEFORE, "clean air O2", "19.9 %"), (BEFORE, "clean air CO", "30 ppm"), (BEFORE, "sample line", "leaking"),
            (BEFORE, "gas off", "no"), (LIGHT, "opened joints", "leaking"), (PRESSURE, WORKING, "14.9 mbar"),
            (PRESSURE, "pressure drop", "no"),
        )
    ),
    (HIGH, lambda: walk().prepared().answer(WORKING, "14.9 mbar").at("high"), "pressure working pressure"),
    # no combustion setting on a wrong inlet pressure, skipped or not
    (HIGH, lambda: walk().prepared().answer(WORKING, "14.9 mbar").skip("gas pressure").at("high", 8.3),
     "pressure working pressure"),
    (HIGH, lambda: walk().prepared().at("high", 9.2, co=900), "high-co"),
    (LOW, lambda: walk().prepared().at("high", 9.2, 9.2).at("low", 8.8, co=900), "high-co"),
    (BOTH, lambda: all_set().at("high", 9.2, co=900), "high-co"),
    (PROOF, lambda: timed("3.44"), "wrong-answer input rate"),
    (PROOF, lambda: timed("3.44").leave_out(INPUT_RATE), "wrong-answer input rate"),
    (CLOSE, lambda: all_set().closed().answer("test points", "leaking"), "wrong-answer test points"),
    (CLOSE, lambda: all_set().proved().answer("opened joints", "leaking").answer_all(CLOSE, "opened joints"),
     "wrong-answer opened joints"),
    (RECORD, lambda: all_set().proved().answer_all(RECORD), "barred-open"),
]  # fmt: skip


@pytest.mark.parametrize(("stage", "made", "why"), BLOCKS, ids=[f"{row[0].name}: {row[2]}" for row in BLOCKS])
def test_a_block_can_t_be_passed(stage: Stage, made: Callable[[], Walk], why: str) -> None:
    """A wrong answer or a stop blocks its stage and says why; the question stays."""
    assert made().stands(stage, "blocked", why).progress.of(stage).step is not None


STANDS: dict[str, Callable[[], object]] = {
    # left for low fire out of band and come back, high fire is the work again; left in band, it is both again
    "a look at low fire does not end the setting of high fire": lambda: (
        walk().prepared().at("high", 8.5, 8.5).at("low", 8.4, 8.4).works(LOW).run_at("high").works(HIGH).wait(200)
        .read("high", 8.5).turn("throttle", 1 / 8).at("high", 9.1, 9.1).at("low", 8.5, 8.5).works(LOW).run_at("high")
        .works(BOTH)),
    "once the boiler runs the stage is where the work is, past what nobody asked": lambda: (
        walk().answer_all(VALVE).at("high").works(HIGH, "before", "lighting", "gas pressure")),
    "a pressure that was skipped is said and does not hang the visit": lambda: (
        walk().answer_all(BEFORE).answer_all(VALVE).skip("gas pressure").set_right()
        .says("finish", "pressure-skipped")),
    "a right answer lifts the block": lambda: (
        walk().answer_all(PRESSURE).answer(WORKING, "14.9 mbar").stands(PRESSURE, "blocked").answer(WORKING)
        .answer("pressure drop").stands(PRESSURE, "done")),
    "readings without CO leave both the setting and the proof open": lambda: (
        walk().prepared().at("high", 9.2, 9.2, 9.2).at("low", 8.8, 8.8, 8.8, co=None).stands(BOTH, "open"),
        all_set().answer("cover on").at("low", 8.8, co=None).stands(PROOF, "open", asks="low")),
    "a turn after the proof takes it back": lambda: (
        all_set().closed().stands(CLOSE, "done").turn("throttle", 1 / 48).stands(BOTH, "open").stands(PROOF, "open")
        .stands(CLOSE, "open", asks="adjusters sealed")),
    "a pressure taken again opens the test point again": lambda: (
        all_set().closed().answer(WORKING).stands(CLOSE, "open", asks="test points")),
    "an input rate inside the data plate, in either unit, lets the proof go on": lambda: (
        timed("35.1").stands(PROOF, "open", asks="low"),
        timed("35.1", (112_600.0, 126_300.0, "Btu/h")).stands(PROOF, "open", asks="low")),
    "an input rate off the data plate is asked again, at high fire too": lambda: (
        timed("3.44").leave_out(INPUT_RATE).stands(PROOF, "blocked", asks=INPUT_RATE).at("low", 8.8)
        .leave_out("flue temperature", "air temperature").answer("sample line").stands(PROOF, "open", asks="high")),
    "left for hours the instrument is checked anew, before the boiler runs and after": lambda: (
        walk().prepared().wait(20 * 3600).stands(BEFORE, "open", asks="clean air O2").run_at("high")
        .stands(BEFORE, "open", asks="clean air O2")),
    "out of service is an answer where stages were skipped": lambda: (
        walk().skip(*(stage.name for stage in STAGES[:-1])).answer("appliance left", "out of service")
        .answer("technician").answer("copy left").stands(RECORD, "done").stands(BOTH, "skipped")
        .stands(PROOF, "skipped").stands(CLOSE, "skipped")),
    # measured again: the drop is asked anew, and the test point that was opened is tested anew
    "a wrong answer that was skipped past blocks the record until it is answered rightly": lambda: (
        all_set().answer("pressure drop", "no").skip("gas pressure").closed().answer_all(RECORD)
        .stands(PRESSURE, "skipped").stands(RECORD, "blocked").answer(WORKING).answer("pressure drop")
        .answer("test points").stands(RECORD, "done")),
}  # fmt: skip


@pytest.mark.parametrize("what", STANDS)
def test_a_stage_stands_as_its_rows_say(what: str) -> None:
    """Step by step: open, done, blocked or skipped, and what it asks."""
    STANDS[what]()


def test_the_boiler_is_lit_before_the_pressure_at_full_rate_is_asked_for() -> None:
    """Gas on, joints under gas, standing pressure, probe in the flue; then the flame, CO at once, two minutes."""
    visit = walk().answer_all(BEFORE).answer_all(VALVE)
    for item in ("gas on", "opened joints", "standing pressure", "probe in flue"):
        visit.stands(LIGHT, "open", asks=item).answer(item)
    assert visit.stands(LIGHT, "open").next().action == "run_at"
    visit.run_at("high").wait(5)
    step = visit.stands(LIGHT, "open").progress.of(LIGHT).step
    assert step
    assert step.co
    visit.job.co(60, at=visit.now)
    visit.wait(60).stands(LIGHT, "open").stands(PRESSURE, "open", asks="other appliances")
    assert visit.wait(60).stands(LIGHT, "done").progress.current == visit.progress.of(PRESSURE)


def test_co_at_lighting_blocks_the_stage() -> None:
    """Over its limit it is a stop there, before any pressure is asked for."""
    visit = walk().answer_all(BEFORE).answer_all(VALVE).answer_all(LIGHT).run_at("high").wait(5).co(900)
    assert visit.stands(LIGHT, "blocked", "high-co").progress.current == visit.progress.of(LIGHT)


ASKS = [
    # kind of visit, what it asks and does not ask
    ("valve-change", {"gas off", "valve fitted", "screws at start", "opened joints"}, set()),
    ("conversion", {"gas off", "valve fitted", "screws at start", "opened joints"}, set()),
    ("service", {"CO alarm", "sample line", "throttle clockwise", "working pressure", "test points"},
     {"gas off", "valve fitted", "screws at start", "opened joints"}),
    ("complaint", {"CO alarm", "gas on", "probe in flue"}, {"gas off", "valve fitted", "opened joints"}),
]  # fmt: skip


@pytest.mark.parametrize(("visit", "asked", "not_asked"), ASKS)
def test_the_kind_of_visit_says_what_is_asked(visit: str, asked: set[str], not_asked: set[str]) -> None:
    """A service opens no joint and changes no valve; it asks for the rest all the same."""
    items = {question.item for stage in STAGES for question in questions_of(stage, walk(visit=visit).job.setup)}
    assert asked <= items
    assert not not_asked & items


@pytest.mark.parametrize("visit", ["service", "complaint"])
def test_a_visit_that_changes_no_valve_reads_both_rates_as_found_before_a_turn(visit: str) -> None:
    """High fire out of band is not turned before low fire was read, CO included."""
    walked = walk(visit=visit).prepared().at("high", 8.3, 8.3)
    assert walked.says("run_at low").why == ["as-found"]
    walked.at("low", 8.8, co=None).says("read low").at("low", 8.8).run_at("high").wait(200)
    walked.read("high", 8.3).says("turn throttle")


@pytest.mark.parametrize("stage", STAGES, ids=[stage.name for stage in STAGES])
def test_each_stage_can_be_skipped_with_a_reason(stage: Stage) -> None:
    """A skipped stage keeps the reason in words, and asks nothing more."""
    visit = walk().skip(stage.name, why="not part of this visit").stands(stage, "skipped", asks="")
    assert visit.progress.of(stage).skipped == "not part of this visit"
    with pytest.raises(RangeError):
        walk().skip(stage.name, why=" ")


def test_the_proof_wants_the_cover_on_and_both_rates_read_with_it() -> None:
    """Cover, a rate with what belongs to it where that is wanted, the other rate, the sample line."""
    visit = all_set()
    for asked in ("cover on", "low", EXTRAS, *HAS_READ[:2], "high", *HAS_READ, "sample line"):
        visit.stands(PROOF, "open", asks=asked)
        if asked in ("low", "high"):
            visit.wait(1).at(asked, {"high": 9.2, "low": 8.8}[asked])
        elif asked in HAS_READ:
            visit.leave_out(asked)
        else:
            visit.answer(asked)
    visit.stands(PROOF, "done")


def test_what_is_measured_beside_is_left_out_with_one_no() -> None:
    """Temperatures, heating value and meter are asked for at neither rate."""
    visit = all_set()
    for asked in ("cover on", "low", EXTRAS, "high", "sample line"):
        visit.stands(PROOF, "open", asks=asked)
        if asked in ("low", "high"):
            visit.wait(1).at(asked, {"high": 9.2, "low": 8.8}[asked])
        else:
            visit.answer(asked, "no" if asked == EXTRAS else "")
    visit.stands(PROOF, "done")


@pytest.mark.parametrize(
    ("made", "barred"),
    [
        (lambda: all_set().closed(), ""),
        (lambda: walk().skip(*(stage.name for stage in STAGES[:-1])), "barred-skipped both again"),
        (lambda: all_set().answer("pressure drop", "no").skip("gas pressure").closed(), "barred-stop"),
        (lambda: timed("3.44").skip("proof").answer_all(CLOSE), "barred-answer proof"),
        # wrong yesterday and skipped today, it is still the last word on it
        (lambda: walk().prepared().answer("clean air O2", "19.9 %").wait(20 * 3600).skip("before"), "barred-stop"),
    ],
)  # fmt: skip
def test_left_in_service_is_barred(made: Callable[[], Walk], barred: str) -> None:
    """Where setting, proof or close-up are missing or an answer is wrong, however old, skipped past or not."""
    assert made().barred == barred


def test_an_input_rate_at_low_fire_is_not_held_against_the_data_plate() -> None:
    """The data plate states high fire: 7 kW at low fire is no fault, nor does it hide what was timed at high fire."""
    visit = walk(input_rate=(33.0, 36.0, "kW")).at("low").answer(INPUT_RATE, "7 kW")
    assert visit.codes == set()
    assert [reason.code for reason in input_reasons(visit.situation)] == ["input-not-high"]
    visit.at("high").answer(INPUT_RATE, "30 kW").at("low").answer(INPUT_RATE, "7 kW")
    (found,) = visit.job.findings(visit.now)
    assert (found.code, found.data["kw"], found.data["side"]) == ("input-rate", 30, "below")


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


def test_a_pressure_named_on_open_is_asked_too() -> None:
    """Other pressures of the data plate join the pressure stage, and a wrong one blocks it in words."""
    visit = walk(pressures={"burner pressure": (8.0, 10.0, "mbar")})
    asked = questions_of(LIGHT, visit.job.setup) + questions_of(PRESSURE, visit.job.setup)
    assert (asked[2].item, asked[-1].item) == ("inlet pressure range", "burner pressure")
    visit.answer("inlet pressure range", "17:25 mbar").answer("burner pressure", "12 mbar")
    visit.answer_all(PRESSURE, "burner pressure")
    why = visit.stands(PRESSURE, "blocked", "wrong-answer burner pressure").progress.of(PRESSURE).why
    assert isinstance(why, Finding)
    assert "burner pressure 12 mbar" in why.text


TYPED = [
    # item, typed, value and unit, or the whole message
    ("CO alarm", "Y", ("yes", "")),
    ("CO alarm", "maybe", "'maybe' is no answer here: type yes or no"),
    ("appliance left", "o", ("out of service", "")),
    ("standing pressure", "2040 Pa", ("2040", "Pa")),
    ("standing pressure", "-2", "standing pressure -2 mbar: below 0? Look at the manometer's zero and hose"),
    ("clean air O2", "209", "clean air O2 209 % can't be: 0 to 25 is possible. Did you mean 20.9?"),
    ("flue temperature", "52", ("52", "C")),
    ("flue temperature", "120 F", "flue temperature in 'F': type it in C"),
    ("inlet pressure range", "17-25 mbar", ("17:25", "mbar")),
    ("input rate range", "33:36 kW", ("33:36", "kW")),
    ("heating value", "38.5", "unit of heating value '' is not known; allowed are MJ/m3, kWh/m3, Btu/ft3"),
    ("CO limit", "100 ppm", ("100", "ppm")),
    ("CO limit", "200 ppm air-free", ("200", "ppm air-free")),
    ("CO limit", "0.004 CO/CO2", ("0.004", "CO/CO2")),
    (
        "CO limit",
        "100",
        "CO limit '100': which basis? Type 100 ppm air-free, 100 ppm (as displayed), or a ratio such as 0.004 CO/CO2",
    ),
    ("calibration date", "2026-02-11", ("2026-02-11", "")),
    ("calibration date", "11.2.", "date '11.2.' can't be read: type it as 2026-05-04 or 04 May 2026"),
    ("calibration date", "3 May", ("2026-05-03", "")),
    ("calibration date", "May 5", ("2025-05-05", "")),  # the day after today is last year's
    ("calibration date", "29 Feb", ("2024-02-29", "")),
    ("calibration date", "3rd of February", ("2026-02-03", "")),
    ("calibration date", "3. Feb 26", ("2026-02-03", "")),
    ("calibration date", "11.2.26", ("2026-02-11", "")),
    ("calibration date", "3/4/26", "date '3/4/26': 03 Apr or 04 Mar? Type it as 04 May 2026"),
    ("calibration date", "2027-02-11", "date 2027-02-11 can't be: it lies in the future"),
    ("gas at meter", "12 20", "gas at meter '12 20': three numbers, or four with the barometer, such as 12 20 15 980"),
    ("technician", "  ", "nothing was typed"),
    ("new valve", "yes", "'yes' is no answer here: type it in words"),
    ("boiler", "Y", "'Y' is no answer here: type it in words"),
    ("reason for visit", "no", "'no' is no answer here: type it in words"),
    ("reason for visit", "no hot water", ("no hot water", "")),
]


@pytest.mark.parametrize(("item", "typed", "found"), TYPED, ids=[f"{row[0]}: {row[1]}" for row in TYPED])
def test_an_answer_as_typed(item: str, typed: str, found: str | tuple[str, str]) -> None:
    """A value with its unit, or one clear sentence."""
    setup = walk().job.setup
    known = check_item(item, setup)
    assert known
    if isinstance(found, str):
        with pytest.raises(RangeError, match=f"^{re.escape(found)}$"):
            parse_answer(known, typed, setup, date(2026, 5, 4))
    else:
        assert parse_answer(known, typed, setup, date(2026, 5, 4)) == found


def test_what_open_stated_is_not_asked_again() -> None:
    """The data plate's range where the working pressure's was given, the way of a screw where it was stated."""

    def asked(**setup: object) -> set[str]:
        return {each.item for stage in (VALVE, LIGHT) for each in questions_of(stage, new_job(**setup).setup)}

    both = {"inlet pressure range", "throttle clockwise"}
    assert both <= asked(clockwise={"throttle": "leaner"})  # as a program assumes it
    known = asked(pressures={WORKING: (17.0, 25.0, "mbar")}, clockwise_stated={"throttle": True})
    assert not both & known
    assert {"standing pressure", "offset clockwise"} <= known


def test_a_question_leaves_out_what_is_known_of_its_parts() -> None:
    """Of boiler, serial number and place, in one answer, those that open gave are not asked again."""

    def boiler(**setup: str) -> Question:
        return next(each for each in questions_of(BEFORE, new_job(**setup).setup) if each.item == "boiler")

    assert (boiler().asks, boiler().more) == ("Boiler: make, model; serial number; place", ("serial number", "site"))
    assert (boiler(site="shed").asks, boiler(serial="7").more) == ("Boiler: make, model; serial number", ("site",))
