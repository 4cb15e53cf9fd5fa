"""The record of a job: what was read is told, what was not is missing, a rerun gives the same."""

import re
from datetime import timedelta
from pathlib import Path

import pytest
from console import ROOT
from replay import Made, Told, at_high, of_demo, record

from advisor import Job
from advisor.chemistry import fuels
from advisor.chemistry.flue_gas import FlueGas
from advisor.errors import RangeError
from advisor.log.check_items import INPUT_RATE
from advisor.report.flue import DOUBTED, ON_THE_WAY, SETTLED, FlueQuantity, quantities, say_quantity
from advisor.report.record import last_visit
from advisor.report.show import say_job

MARK = 1 / 24


PREPARATION = ("before", "valve", "lighting", "gas pressure")  # stages that are skipped in `skipped`


def left(told: Told, firing: str = "high") -> FlueGas:
    """The flue as left at a rate."""
    flue = record(told.job).rates[firing].as_left
    assert flue is not None
    return flue.gas


def why_not_left(told: Told, firing: str = "high") -> str:
    """Code of the reason why there is no as-left figure, with what it mentions."""
    rate = record(told.job).rates[firing]
    assert (rate.as_left is None) == (rate.left_note is not None)
    return "" if rate.left_note is None else " ".join(map(str, (rate.left_note.code, *rate.left_note.data.values())))


def missing(told: Told) -> list[str]:
    """Code of all that is missing, with the first that it is about: a stage, an item, a rate."""
    return [f"{why.code} {next(iter(why.data.values()), '')}".strip() for why in record(told.job).missing]


def test_as_found_and_as_left_are_the_rows_of_the_log() -> None:
    """Each figure of the record stands in the row that it names; the whole demo visit is finished."""
    whole, events = of_demo("whole_visit"), Job.load(ROOT / "demo_logs" / "whole_visit.csv").events
    assert (whole.finished, whole.missing) == (True, ())
    turned = [turn.time for turn in whole.turns]
    for firing, rate in whole.rates.items():
        assert rate.as_left
        assert rate.as_found
        assert (rate.as_left.time > max(turned), rate.as_left.state) == (True, SETTLED)
        assert (rate.as_found.time < min(turned)) == (firing == "high") == (not rate.found_notes)
        for flue in (rate.as_found, rate.as_left):
            event = events[flue.row - 1]
            read = (event.firing, event.co2_pct, event.o2_pct, event.co_ppm)
            assert read == (firing, flue.gas.co2_pct, flue.gas.o2_pct, flue.gas.co_ppm)
    assert [(note.code, note.data["turns"]) for note in whole.rates["low"].found_notes] == [("found-after-turns", 2)]


def test_figures_that_are_worked_out_follow_their_sources() -> None:
    """CO air-free, CO/CO2, excess air, flue loss of the as-left reading, by hand from the published formulas."""
    flue = of_demo("whole_visit").rates["high"].as_left
    assert flue is not None
    gas = flue.gas
    assert None not in (gas.co_ppm, gas.o2_pct, gas.co2_pct, gas.excess_air_ratio)
    co, o2, co2, ratio = gas.co_ppm or 0.0, gas.o2_pct or 0.0, gas.co2_pct or 0.0, gas.excess_air_ratio or 0.0
    assert gas.co_air_free_ppm == pytest.approx(co * 20.9 / (20.9 - o2))  # ANSI/BPI-1200-S-2017 [S]
    assert gas.co_co2_ratio == pytest.approx(co / (co2 * 1e4))
    assert (gas.flue_c, gas.air_c) == (52.4, 18.2)
    loss = (52.4 - 18.2) * (0.66 / (21 - o2) + 0.009)  # 1. BImSchV Annex 2 No. 3.4 [C]
    assert gas.flue_loss_pct == pytest.approx(loss)
    fuel = fuels.NATURAL_GAS  # excess air from the dry flue's volumes: CO2 = made / (dry + (L - 1) air)
    assert 100 * fuel.co2_made / (fuel.dry_flue + (ratio - 1) * fuel.air_needed) == pytest.approx(co2)


def shown(told: Told) -> str:
    """What `show` prints."""
    case, advice = told.job.case(told.now), told.next()
    return " ".join(say_job(case, advice, told.job.progress(told.now, advice), told.job.events).split())


def test_show_and_the_record_give_one_flue_loss() -> None:
    """Temperatures from before a turn give none after it, in both; measured again, both give the same."""
    told = at_high(9.2)
    for turned in (False, True, True):
        told.check("flue temperature", 60.0, "C").check("air temperature", 20.0, "C").wait(5)
        loss = left(told).flue_loss_pct
        assert loss is not None
        assert f"flue loss {loss:.1f} %" in shown(told)
        if turned:
            told.throttle(MARK, 9.3)
            assert (left(told).flue_c, left(told).flue_loss_pct) == (None, None)
            assert "flue loss" not in shown(told)
    as_found = record(told.job).rates["high"].as_found
    assert as_found is not None
    assert as_found.gas.flue_c == 60.0


NOT_LEFT: list[tuple[Made, str]] = [
    (Told, "not-read"),
    (lambda: at_high(8.9).turn("throttle", MARK).wait(150), "left-not-settled since the last turn"),
    (lambda: at_high(8.9).turn("throttle", MARK).wait(12).read("high", 9.0), "left-not-settled since the last turn"),
    (lambda: at_high(8.9).throttle(MARK, 9.1, co=None), "left-no-co since the last turn"),
    (lambda: Told().at("high", 9.1, co=None), "left-no-co yet"),
    (lambda: at_high(9.2).wait(6 * 3600).check("copy left", "yes"), "left-for-hours"),
    # settled or not, too much CO later: the good one before it is not how it was left
    (lambda: at_high(9.2).at("low", 8.8).at("high", 9.2, co=900, after_s=5), "left-doubted-later 6"),
    (lambda: at_high(8.9).throttle(MARK, 9.1), ""),
    (lambda: at_high(9.2).at("high", 9.2, co=900, after_s=5).wait(150).read("high", 9.2), ""),
]


@pytest.mark.parametrize(("made", "note"), NOT_LEFT, ids=[row[1] for row in NOT_LEFT])
def test_as_left_is_a_settled_reading_with_co_since_the_last_turn(made: Made, note: str) -> None:
    """Whatever was read before: there is none, and the record says why."""
    assert why_not_left(made()) == note


def test_a_later_reading_in_doubt_takes_the_as_left_figure_away() -> None:
    """CO2 that moved by itself after a good reading: the good one no longer tells how the boiler was left."""
    loose = of_demo("loose_probe")
    rate, last = loose.rates["low"], loose.readings[-1]
    assert (rate.as_left, last.state) == (None, DOUBTED)
    assert rate.left_note
    assert (rate.left_note.code, rate.left_note.data) == ("left-doubted-later", {"row": last.row})
    assert not loose.finished
    assert "air-in-sample" in [why.code for why in loose.missing]


def test_a_reading_too_soon_is_no_doubt_and_no_stop_on_the_record() -> None:
    """After a turn, or half a minute after the start while the display still showed mostly air."""
    told = Told().run_at("high").wait(30).read("high", 2.5).wait(150).read("high", 8.9)
    told.turn("throttle", MARK).wait(12).read("high", 9.0)
    made = record(told.job)
    assert [reading.state for reading in made.readings] == [ON_THE_WAY, SETTLED, ON_THE_WAY]
    assert not [seen for seen in made.seen if seen.finding.severity == "halt"]


FOUND: list[tuple[Made, str, float, list[str]]] = [
    # job, rate, CO as found in ppm, what is said of it
    (lambda: Told().run_at("high").wait(150).read("high", 10.9, 5200, 0.1).throttle(-1 / 8, 9.3), "high", 5200,
     ["found-in-doubt"]),
    # low fire first read rich, after a turn at high fire: that, not the better one after the next turn
    (lambda: (at_high(9.0).turn("throttle", MARK).run_at("low").wait(60).read("low", 10.9, 5200, 0.1)
              .offset(-1 / 12, 8.8)), "low", 5200, ["found-after-turns", "found-in-doubt"]),
    (lambda: Told().run_at("high").wait(30).read("high", 8.0), "high", 20, ["found-not-settled"]),
    # mended with the burner off: what came after that is not as found
    (lambda: (Told().run_at("high").wait(30).read("high", 10.6, 480).run_at("off").wait(60).run_at("high").wait(180)
              .read("high", 9.9, 60)), "high", 480, ["found-not-settled"]),
    # a reading taken before the line was found leaking may show a rich flame as lean
    (lambda: at_high(8.9).wait(20).check("sample line", "leaking"), "high", 20, ["found-line-leaked"]),
    (at_high, "high", 20, []),
]  # fmt: skip


@pytest.mark.parametrize(("made", "firing", "co", "notes"), FOUND, ids=[" ".join(row[3]) for row in FOUND])
def test_the_first_reading_counts_as_found(made: Made, firing: str, co: float, notes: list[str]) -> None:
    """Even where it counts for nothing in the fit, and with what must be said of it."""
    rate = record(made().job).rates[firing]
    assert rate.as_found is not None
    assert rate.as_found.gas.co_ppm == co
    assert [note.code for note in rate.found_notes] == notes


def test_a_gas_pressure_without_a_range_of_the_data_plate_stands_in_the_record_with_its_figure() -> None:
    """In the unit it was read in, compared with nothing."""
    (supply,) = record(at_high().check("standing pressure", 20.5, "mbar").job).supply
    assert (supply.name, supply.value, supply.unit, supply.plate) == ("standing pressure", 20.5, "mbar", None)


def test_the_published_co_limit_that_was_taken_is_no_remark() -> None:
    """It stands beside the bands; another question left out is told."""
    told = Told()
    for item in ("CO limit", "boiler"):
        told.job.note("left out", item="not measured", value=item, at=told.now)
    assert [row.event.value for row in record(told.job).remarks] == ["boiler"]


def test_a_halt_that_was_cleared_stays_on_the_record_as_of_its_row() -> None:
    """The figure of the row that is named, not of a later one; while it stands, the latest figure."""
    told = Told().at("high", 9.9, co=500)
    first = record(told.job).seen[0].finding.data["air_free"]
    told.read("high", 9.9, 700)
    (stands,) = (seen for seen in record(told.job).seen if seen.finding.code == "high-co")
    assert (stands.finding.code, stands.cleared) == ("high-co", None)
    assert stands.finding.data["air_free"] == pytest.approx(1.4 * first)
    told.throttle(-1 / 12, 9.3)
    (seen,) = (seen for seen in record(told.job).seen if seen.finding.code == "high-co")
    assert (seen.row, seen.finding.data["air_free"], seen.cleared) == (2, first, told.job.events[-1].time)
    assert seen.headline != stands.headline


def test_a_stop_keeps_what_was_mended_and_what_cleared_it() -> None:
    """The note of the new start, the cause as told, the reading that cleared it; why the burner went off is no cure."""
    told = Told().at("high", 9.2, co=500)
    for firing, note in (("off", "alarm"), ("high", "intake cleared")):
        told.job.run_at(firing, at=told.wait(10).now, note=note)
    (stands,) = (seen for seen in record(told.job).seen if seen.finding.severity == "halt")
    assert [row.event.note for row in stands.told] == ["intake cleared"]
    told.wait(10).check("cause of CO", "mended").wait(150).read("high", 9.2)
    (seen,) = (seen for seen in record(told.job).seen if seen.finding.severity == "halt")
    cleared_by = seen.told[-1]
    assert [row.event.note or row.event.value for row in seen.told[:-1]] == ["intake cleared", "mended"]
    assert seen.cleared == cleared_by.event.time


def test_a_stop_for_co_is_not_cleared_by_a_worse_one() -> None:
    """CO that climbs below the band, then passes its limit: both stops end with the reading that is right again."""
    told = at_high(8.2).throttle(MARK, 8.4, co=30)
    told.throttle(MARK, 8.6, co=250).read("high", 8.6, 250).co(420)
    told.job.run_at("off", at=told.wait(10).now)
    halts = [seen for seen in record(told.job).seen if seen.finding.severity == "halt"]
    assert {"co-climbing", "high-co"} <= {seen.finding.code for seen in halts}
    assert {seen.cleared for seen in halts} == {None}
    told.wait(60).check("cause of CO", "mended").at("high", 8.6, 8.6)
    halts = [seen for seen in record(told.job).seen if seen.finding.severity == "halt"]
    assert len({(seen.cleared, seen.told[-1].number) for seen in halts}) == 1


def test_a_warning_that_is_over_stays_on_the_record() -> None:
    """CO over half its limit, later low; but not that a check was still to come, nor what became a stop."""
    told = Told(pressures={"working pressure": (17.0, 25.0, "mbar")}).at("high", 9.4, co=250)
    told.check("working pressure", 20, "mbar").throttle(-MARK, 9.2)
    (warned,) = (seen for seen in record(told.job).seen if seen.finding.severity == "warn" and seen.cleared)
    assert warned.finding.code == "co-rising"
    told = at_high(9.2).read("high", 9.2, 250).read("high", 9.2, 500)
    assert [seen.finding.code for seen in record(told.job).seen if seen.finding.severity == "warn"] == []


@pytest.mark.parametrize(
    ("stated", "held", "said"),
    [  # maker's CO limit; CO, CO air-free, CO/CO2 at most; what `show` says
        ((100.0, "ppm"), (100.0, 400.0, 0.004), "CO 20 ppm (limit 100), 26 air-free, CO/CO2 0.0002."),
        ((200.0, "ppm air-free"), (None, 200.0, 0.004), "CO 20 ppm, 26 air-free (limit 200), CO/CO2 0.0002."),
        ((0.002, "CO/CO2"), (None, 400.0, 0.002), "CO 20 ppm, 26 air-free, CO/CO2 0.0002 (limit 0.002)."),
        ((0.006, "CO/CO2"), (None, 400.0, 0.004), "CO/CO2 0.0002 (limit 0.006)."),
    ],
)
def test_a_co_limit_is_held_against_as_it_was_stated(
    stated: tuple[float, str], held: tuple[float | None, float, float], said: str
) -> None:
    """On its own basis and as typed, the published ones beside it."""
    made = record(at_high(9.2, co_limit=stated).job)
    found = {each.name: each.high for each in quantities(made.setup, made.rates["high"])}
    assert (found["CO"], found["CO air-free"], found["CO/CO2"]) == held
    assert said in shown(at_high(9.2, co_limit=stated))


LAST: list[tuple[Made, str]] = [  # what the next visit is told
    (lambda: at_high(9.2).read("high", 9.2, 500),
     r"not finished: CO over its limit.*; highest CO 500 ppm, \d+ air-free; stopped for CO over its limit\."),
    (lambda: Told().check("clean air CO", "30 ppm"), r"not finished: .* and \d more; stopped for clean air CO\."),
    (lambda: Told().check("appliance left", "out of service"), r"not finished: .*; left out of service\."),
]  # fmt: skip


@pytest.mark.parametrize(("made", "said"), LAST)
def test_what_was_wrong_is_told_to_the_next_visit(made: Made, said: str) -> None:
    """What is open, how it was left, the highest CO where CO was a matter, what it was stopped for."""
    assert re.fullmatch(said, last_visit(record(made().job)))


def test_nothing_is_told_of_a_visit_that_was_as_it_should_be() -> None:
    """The demo's whole visit came to its end without a stop."""
    assert last_visit(of_demo("whole_visit")) == ""


def test_turns_are_told_one_by_one_and_net() -> None:
    """Every turn that stands, its rate, what passed the cap, and the sum from as found; a struck one is apart."""
    told = at_high(8.5)
    for turns_cw in (MARK, 1 / 4, -1 / 12, MARK):
        told.wait(10).turn("throttle", turns_cw)
    made = record(told.wait(5).void(6).job)
    assert [turn.turns_cw for turn in made.turns] == [MARK, 1 / 4, -1 / 12]
    assert [turn.over_cap for turn in made.turns] == [False, True, True]  # net of what nobody has read yet
    assert [turn.refused and turn.refused.code for turn in made.turns] == [None, "wait", None]
    assert made.net_turns_cw == {"throttle": pytest.approx(5 / 24), "offset": 0}
    assert [row.number for row in made.struck] == [6]
    assert made.steps == {"throttle": (), "offset": ()}


def test_steps_are_what_the_display_showed_between_settled_readings() -> None:
    """One screw turned between two settled readings gives a step; with the other turned too it gives none."""
    told = at_high(8.5).throttle(MARK, 8.7).turn("throttle", MARK).wait(10).offset(MARK)
    assert record(told.read("high", 8.9).job).steps["throttle"] == ((MARK, pytest.approx(0.2)),)


def test_figures_are_held_against_band_line_and_limit() -> None:
    """CO2 against the band, CO air-free against the stricter limit, O2 against the fuel's line at that CO2."""
    made = record(Told(co_limit_ppm_air_free=100.0).at("high", 9.6, co=60).job)
    held = {each.name: each for each in quantities(made.setup, made.rates["high"])}
    assert (held["CO2"].low, held["CO2"].high, held["CO air-free"].high) == (9.0, 9.4, 100.0)
    inside = {"CO2": False, "CO air-free": True, "O2": True, "CO": None, "Excess-air ratio": False}
    assert {name: held[name].inside for name in inside} == inside


def test_measured_figures_keep_their_digits_and_computed_ones_get_no_more_than_usual() -> None:
    """A display with two decimals is shown as typed; a figure that happens to end early is not made finer by that."""
    for name, unit, decimals, value, said in (
        ("CO2", "%", 1, 8.65, "8.65 %"), ("CO2", "%", 1, 9.0, "9.0 %"), ("CO air-free", "ppm", 0, 22.8, "23 ppm"),
    ):  # fmt: skip
        assert say_quantity(FlueQuantity(name, unit, decimals, None, None), value) == said


def test_pressures_and_input_stand_against_the_data_plate() -> None:
    """The latest check counts, in the data plate's unit; what was not checked is said so."""
    told = Told(
        pressures={"working pressure": (17.0, 25.0, "mbar"), "standing pressure": (17.0, 25.0, "mbar")},
        input_rate=(100_000.0, 130_000.0, "Btu/h"),
    )
    told.check("working pressure", 12.0, "mbar").wait(5).check("working pressure", 2.0, "kPa")
    supply = {
        entry.name: entry for entry in record(told.run_at("high").wait(5).check(INPUT_RATE, 35.0, "kW").job).supply
    }
    working, standing, timed = (
        supply[name] for name in ("working pressure", "standing pressure", "input at high fire")
    )
    assert (working.value, working.inside, working.typed) == (pytest.approx(20.0), True, "2 kPa")
    assert (standing.value, standing.inside) == (None, None)
    assert timed.value == pytest.approx(119_425, rel=1e-4)  # 1 kW = 3412.14 Btu/h, SP 811 [M]
    assert timed.inside


def off_plate(input_rate: str) -> Told:
    """An input rate timed at high fire, against a data plate of 33 to 37 kW."""
    return Told(input_rate=(33.0, 37.0, "kW")).run_at("high").check(INPUT_RATE, input_rate)


def skipped() -> Told:
    """Every stage skipped in which something is asked."""
    return Told().skip(*PREPARATION, "proof", "close up", "record")


def test_what_is_missing_is_told() -> None:
    """What is open, wrong, or never proved though its stage was skipped; of the data plate at high fire only."""
    in_service = (
        Told().check("appliance left", "in service").check("technician", "A. Example").check("copy left", "yes")
    )
    for told, there, absent in (
        (Told().skip("valve"), "stage-no-answer close up", "no-answer valve"),
        (Told().check("opened joints", "leaking").skip("valve"), "not-ready opened joints", "no-answer valve"),
        (off_plate("3.44 kW"), "wrong-answer input rate", "never-proved"),
        (off_plate("35 kW").run_at("low").wait(5).check(INPUT_RATE, "7 kW"), "stage-no-answer before", "input rate"),
        (in_service, "stage-blocked record", "in service"),
    ):
        assert there in missing(told)
        assert absent not in " ".join(missing(told))
        assert not record(told.job).finished
    both = skipped().check("sample line", "tight").check("opened joints", "tight").at("high", 9.2).at("low", 8.8)
    assert missing(both) == [f"stage-skipped {stage}" for stage in PREPARATION]
    assert not record(both.job).finished


UNPROVED = [
    # kind of visit, stage that was skipped, what is open by name ("-": what that kind of visit does not ask)
    ("valve-change", "before", "maker's instructions, CO alarm, power off, gas off"),
    ("valve-change", "valve", "valve fitted, screws at start"),
    ("valve-change", "gas pressure", "other appliances, working pressure, pressure drop"),
    ("conversion", "lighting", "gas on, opened joints, inlet pressure range, standing pressure, probe in flue"),
    ("complaint", "before", "-gas off"),
    ("service", "before", "maker's instructions, CO alarm, clean air O2"),
    ("service", "valve", "-valve"),  # a service opens no joint and changes no valve
    ("service", "lighting", "-opened joints"),
    ("service", "gas pressure", "other appliances, working pressure, pressure drop"),
]


@pytest.mark.parametrize(("visit", "stage", "named"), UNPROVED)
def test_what_was_skipped_before_the_setting_stays_open_by_name(visit: str, stage: str, named: str) -> None:
    """Where that kind of visit asks for it; both rates in band do not make the record finished."""
    made = record(Told(visit=visit).skip(stage).at("high", 9.2).at("low", 8.8).job)
    assert (named.lstrip("-") in made.open_names) != named.startswith("-")
    assert not made.finished


STRUCK_CO = [
    # the reading that is struck, code of what it said
    (lambda: at_high().read("high", 9.2, 900), "high-co"),
    (lambda: at_high().read("high", 9.2, 190), "co-rising"),
    (lambda: at_high().co(900), "high-co"),
    (lambda: Told().co(450), "co-no-flame"),
]


@pytest.mark.parametrize(("made", "code"), STRUCK_CO)
def test_co_that_was_struck_stays_on_the_record_with_its_reason(made: Made, code: str) -> None:
    """Under findings, as of its row; no reading is struck without one."""
    told = made()
    row = len(told.job.events)
    with pytest.raises(RangeError, match="say why it is struck"):
        told.void(row)
    told.wait(5).void(row, "probe touched the floor")
    (seen,) = (seen for seen in record(told.job).seen if seen.struck)
    assert (seen.finding.code, seen.row, seen.struck) == (code, row, "probe touched the floor")
    assert seen.cleared is not None


def test_net_travel_since_the_last_settled_reading_is_held_against_the_cap() -> None:
    """Small turns add up and one back counts off; a settled reading begins anew."""
    told = at_high(8.2)
    for turns_cw in (1 / 12, 1 / 24, 1 / 24, -1 / 24):
        told.wait(10).turn("throttle", turns_cw)
    told.wait(150).read("high", 8.8).turn("throttle", 1 / 8)
    assert [turn.over_cap for turn in record(told.job).turns] == [False, False, True, False, False]


def test_a_skipped_stage_and_a_wrong_answer_are_on_the_record() -> None:
    """The stage with its reason, the answer as a stop of its row until it is answered rightly."""
    told = Told().check("opened joints", "leaking").skip("valve")
    (seen,) = record(told.job).seen
    assert record(told.job).skipped == (("valve", "in a hurry"),)
    assert (seen.finding.severity, seen.row, seen.finding.data["item"]) == ("halt", 1, "opened joints")
    (seen,) = record(told.wait(5).check("opened joints", "tight").job).seen
    assert seen.cleared is not None


def test_co_over_half_its_limit_at_the_finish_is_a_warning_of_the_record() -> None:
    """In band with 378 of 400 ppm: said by the answer and kept on the record."""
    told = at_high(9.2).run_at("low").wait(150).read("low", 8.8, 280, 5.4).says("finish", "co-rising")
    assert [s.finding.severity for s in record(told.job).seen if s.finding.code == "co-rising"] == ["warn"]


def test_a_log_without_rows_has_a_record() -> None:
    """Nothing was done: nothing is invented."""
    made = record(Told().job)
    assert (made.began, made.readings, made.turns, made.finished) == (None, (), (), False)
    assert all(rate.as_found is None and rate.as_left is None for rate in made.rates.values())


def test_the_same_rows_give_the_same_record(tmp_path: Path) -> None:
    """Made twice, and from a copy elsewhere, the record is equal: nothing of the day gets in."""
    copy = tmp_path / "copy.csv"
    copy.write_bytes((ROOT / "demo_logs" / "reversed_screw.csv").read_bytes())
    again = record(Job.load(ROOT / "demo_logs" / "reversed_screw.csv"))
    assert of_demo("reversed_screw") == again == record(Job.load(copy))


def test_a_row_struck_days_later_leaves_the_record_as_of_the_last_row() -> None:
    """The struck row is gone from it; as-left figures and the calibration's age stay what they were."""
    job = Job.load(ROOT / "demo_logs" / "whole_visit.csv")
    job = Job.of(job.setup, job.events)
    before = record(job)
    number = next(n for n, event in enumerate(job.events, 1) if event.item == "CO alarm")
    job.void(number, at=job.events[-1].time + timedelta(days=2))
    after = record(job)
    assert (after.rates, after.calibration_age_days) == (before.rates, before.calibration_age_days)
    assert before.rates["high"].as_left is not None
    assert "CO alarm" in [why.data.get("item") for why in after.missing]
