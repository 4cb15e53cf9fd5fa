"""The record of a job: what was read is told, what was not is missing, a rerun gives the same."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from console import ROOT

from advisor import Job
from advisor.chemistry import fuels
from advisor.procedure import stages
from advisor.report.flue import DOUBTED, ON_THE_WAY, SETTLED, Flue, FlueFigure, figures, say_figure
from advisor.report.record import Record, record_of
from advisor.response.reading_checks import co_air_free_ppm

START = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
BANDS = {"high": (9.0, 9.4), "low": (8.6, 9.0)}


class Clock:
    """A job in memory and its clock: each entry comes some seconds after the one before."""

    def __init__(self, **setup: object) -> None:
        self.job = Job(fuel="natural gas", bands=BANDS, **setup)  # type: ignore[arg-type]
        self.now = START

    def after(self, seconds: float) -> datetime:
        self.now += timedelta(seconds=seconds)
        return self.now

    def run_at(self, firing: str) -> None:
        self.job.run_at(firing, at=self.after(10))

    def read(self, firing: str, co2: float, o2: float | None = None, co: float | None = 15, wait: float = 150) -> None:
        o2 = round(fuels.NATURAL_GAS.o2_from_co2_pct(co2), 1) if o2 is None else o2
        self.job.read(firing, co2, o2, co, at=self.after(wait))

    def turn(self, screw: str, turns_cw: float) -> None:
        self.job.turn(screw, turns_cw, at=self.after(10))

    def record(self) -> Record:
        return record_of(self.job)


def demo(name: str) -> Record:
    return record_of(Job.load(ROOT / "demo_logs" / f"{name}.csv"))


def test_as_found_and_as_left_are_the_rows_of_the_log() -> None:
    """Each figure of the record stands in the row that it names; the whole demo visit is finished."""
    path = ROOT / "demo_logs" / "whole_visit.csv"
    record, events = demo("whole_visit"), Job.load(path).events
    assert record.finished
    assert record.missing == ()
    turned = [turn.time for turn in record.turns]
    for firing, rate in record.rates.items():
        assert isinstance(rate.as_left, Flue)
        assert isinstance(rate.as_found, Flue)
        assert rate.as_left.time > max(turned)
        assert rate.as_left.state == SETTLED
        for flue in (rate.as_found, rate.as_left):
            event = events[flue.row - 1]
            assert (event.firing, event.co2_pct, event.o2_pct, event.co_ppm) == (
                firing,
                flue.co2_pct,
                flue.o2_pct,
                flue.co_ppm,
            )
    assert record.rates["high"].as_found
    assert record.rates["high"].as_found.time < min(turned)
    assert record.rates["high"].found_note == ""
    assert record.rates["low"].found_note == "first read after 1 turn"


def test_figures_that_are_worked_out_follow_their_sources() -> None:
    """CO air-free, CO/CO2, excess air, flue loss of the as-left reading, by hand from the published formulas."""
    left = demo("whole_visit").rates["high"].as_left
    assert left is not None
    assert left.co_ppm is not None
    assert left.o2_pct is not None
    assert left.co_air_free_ppm == pytest.approx(left.co_ppm * 20.9 / (20.9 - left.o2_pct))  # ANSI/BPI-1200-S-2017 [S]
    assert left.co_co2_ratio == pytest.approx(left.co_ppm / (left.co2_pct * 1e4))
    assert (left.flue_c, left.air_c) == (52.4, 18.2)
    loss = (52.4 - 18.2) * (0.66 / (21 - left.o2_pct) + 0.009)  # 1. BImSchV Annex 2 No. 3.4 [C]
    assert left.flue_loss_pct == pytest.approx(loss)
    gas = fuels.NATURAL_GAS  # excess air from the dry flue's volumes: CO2 = made / (dry + (L - 1) air)
    assert left.excess_air_ratio is not None
    flue = gas.dry_flue + (left.excess_air_ratio - 1) * gas.air_needed
    assert 100 * gas.co2_made / flue == pytest.approx(left.co2_pct)


def test_as_left_without_co_since_the_last_turn_is_missing() -> None:
    """No reading with CO after the last turn: no as-left figures, whatever was read before."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 8.9)
    assert clock.record().rates["high"].as_left is not None
    clock.turn("throttle", 1 / 24)
    rate = clock.record().rates["high"]
    assert (rate.as_left, rate.left_note) == (None, "no settled reading since the last turn")
    clock.read("high", 9.1, co=None)
    rate = clock.record().rates["high"]
    assert (rate.as_left, rate.left_note) == (None, "no settled reading with CO since the last turn")
    clock.read("high", 9.1)
    rate = clock.record().rates["high"]
    assert rate.as_left is not None
    assert rate.as_left.row == 5
    assert clock.record().rates["low"].left_note == "not read"


def test_a_reading_on_the_way_is_no_as_left_figure() -> None:
    """A reading seconds after the turn does not stand for what the boiler was left at."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 8.9)
    clock.turn("throttle", 1 / 24)
    clock.read("high", 9.0, wait=12)
    record = clock.record()
    assert record.rates["high"].as_left is None
    assert [reading.state for reading in record.readings] == [SETTLED, ON_THE_WAY]


def test_clean_air_on_the_way_up_is_no_doubt_and_no_stop_on_the_record() -> None:
    """Half a minute after the start the display still showed mostly air: on the way, like any other read too soon."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 2.5, wait=30)
    clock.read("high", 9.2)
    record = clock.record()
    assert [reading.state for reading in record.readings] == [ON_THE_WAY, SETTLED]
    assert not [seen for seen in record.seen if seen.finding.severity == "halt"]


def test_a_later_reading_in_doubt_takes_the_as_left_figure_away() -> None:
    """CO2 that moved by itself after a good reading: the good one no longer tells how the boiler was left."""
    record = demo("loose_probe")
    assert record.rates["low"].as_left is None
    last = record.readings[-1].row
    assert record.rates["low"].left_note == f"row {last}, read later, is in doubt or stopped the job"
    assert record.readings[-1].state == DOUBTED
    assert not record.finished
    assert any("no turn made" in sentence for sentence in record.missing)


def test_too_much_co_read_too_soon_takes_the_as_left_figure_away_too() -> None:
    """A later reading with CO over the limit, settled or not: the good one before it is not how it was left."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 9.2)
    clock.run_at("low")
    clock.read("low", 8.8)
    clock.run_at("high")
    clock.read("high", 9.2, co=900, wait=5)
    rate = clock.record().rates["high"]
    assert (rate.as_left, rate.left_note) == (None, "row 6, read later, is in doubt or stopped the job")
    clock.read("high", 9.2, co=15)
    assert clock.record().rates["high"].as_left is not None


def test_a_rich_flame_as_found_is_told_though_it_counts_for_nothing() -> None:
    """The first reading before any turn is the flue as found even where it is out of the fit."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 10.9, o2=0.1, co=5200)
    clock.turn("throttle", -1 / 8)
    clock.read("high", 9.3)
    rate = clock.record().rates["high"]
    assert rate.as_found is not None
    assert (rate.as_found.co_ppm, rate.as_found.excess_air_ratio) == (5200, None)
    assert rate.found_note == "in doubt, see findings"
    assert [
        (seen.finding.code, seen.cleared is None) for seen in clock.record().seen if seen.finding.severity == "halt"
    ]


def test_the_first_reading_counts_as_found_also_after_a_turn() -> None:
    """Low fire first read rich, after a turn at high fire: that is shown, not the better one after the next turn."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 9.0)
    clock.turn("throttle", 1 / 24)
    clock.run_at("low")
    clock.read("low", 10.9, o2=0.1, co=5200, wait=60)
    clock.turn("offset", -1 / 12)
    clock.read("low", 8.8)
    rate = clock.record().rates["low"]
    assert rate.as_found is not None
    assert rate.as_found.co_ppm == 5200
    assert rate.found_note == "first read after 1 turn, in doubt, see findings"


def test_a_leak_found_later_is_told_beside_the_figure_as_found() -> None:
    """A reading taken before the sample line was found leaking may show a rich flame as lean."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 8.9)
    clock.job.check("sample line", "leaking", at=clock.after(20))
    rate = clock.record().rates["high"]
    assert rate.as_found is not None
    assert rate.found_note == "the sample line was found leaking after it"
    assert rate.as_left is None


def test_a_halt_that_was_cleared_stays_on_the_record() -> None:
    """Too much CO, then less after a turn leaner: the record tells both, and when."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 9.9, co=600)
    clock.turn("throttle", -1 / 12)
    clock.read("high", 9.3, co=20)
    halts = [seen for seen in clock.record().seen if seen.finding.severity == "halt"]
    assert [seen.finding.code for seen in halts] == ["high-co"]
    assert halts[0].cleared == clock.now
    assert halts[0].headline.endswith("over the limit of 400.")


def test_a_halt_that_was_cleared_is_told_in_the_words_of_its_row_and_of_the_past() -> None:
    """The figure of the row that is named, not of a later one; while it stands, the latest figure in the present."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 9.3, co=500)
    clock.read("high", 9.3, co=700)
    first, last = clock.job.events[1:3]
    stands = clock.record().seen[0]
    assert "CO at high fire is" in stands.headline
    assert f"{co_air_free_ppm(clock.job.setup, last):.0f} ppm" in stands.headline
    clock.read("high", 9.3, co=20)
    seen = clock.record().seen[0]
    assert seen.row == 2
    assert f"CO at high fire was {co_air_free_ppm(clock.job.setup, first):.0f} ppm" in seen.headline


def test_turns_are_told_one_by_one_and_net() -> None:
    """Every turn that stands, its rate, what passed the cap, and the sum from as found; a struck one is apart."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 8.5)
    for turns_cw in (1 / 24, 1 / 4, -1 / 12, 1 / 24):
        clock.turn("throttle", turns_cw)
    clock.job.void(6, at=clock.after(5))
    record = clock.record()
    assert [turn.turns_cw for turn in record.turns] == [1 / 24, 1 / 4, -1 / 12]
    assert [turn.over_cap for turn in record.turns] == [False, True, False]
    assert record.net_turns_cw == {"throttle": pytest.approx(5 / 24), "offset": 0}
    assert [row.number for row in record.struck] == [6]
    assert record.steps == {"throttle": (), "offset": ()}


def test_steps_are_what_the_display_showed_between_settled_readings() -> None:
    """One screw turned between two settled readings gives a step; with the other turned too it gives none."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 8.5)
    clock.turn("throttle", 1 / 24)
    clock.read("high", 8.7)
    clock.turn("throttle", 1 / 24)
    clock.turn("offset", 1 / 24)
    clock.read("high", 8.9)
    assert clock.record().steps["throttle"] == ((1 / 24, pytest.approx(0.2)),)


def test_a_temperature_belongs_to_its_rate_and_to_the_screws_as_they_were() -> None:
    """A flue temperature from before the last turn, or from the other rate, gives no flue loss as left."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 9.2)
    for item, value in ((stages.FLUE_C, 126.0), (stages.AIR_C, 20.0)):
        clock.job.check(item, value, "C", at=clock.after(5))
    rate = clock.record().rates["high"]
    assert rate.as_left is not None
    assert rate.as_left.flue_loss_pct is not None
    clock.turn("throttle", 1 / 24)
    clock.read("high", 9.3)
    rate = clock.record().rates["high"]
    assert rate.as_left is not None
    assert rate.as_found is not None
    assert (rate.as_left.flue_c, rate.as_left.flue_loss_pct) == (None, None)
    assert rate.as_found.flue_c == 126.0


def test_figures_are_held_against_band_line_and_limit() -> None:
    """CO2 against the band, CO air-free against the stricter limit, O2 against the fuel's line at that CO2."""
    clock = Clock(co_limit_ppm_air_free=100.0)
    clock.run_at("high")
    clock.read("high", 9.6, co=60)
    record = clock.record()
    held = {figure.name: figure for figure in figures(record.setup, record.rates["high"])}
    assert (held["CO2"].low, held["CO2"].high, held["CO2"].inside) == (9.0, 9.4, False)
    assert (held["CO air-free"].high, held["CO air-free"].inside) == (100.0, True)
    assert held["O2"].inside
    assert held["CO"].inside is None
    assert held["Excess-air ratio"].inside is False


def test_measured_figures_keep_their_digits_and_computed_ones_get_no_more_than_usual() -> None:
    """A display with two decimals is shown as typed; a figure that happens to end early is not made finer by that."""
    assert say_figure(FlueFigure("CO2", "%", 1, None, None), 8.65) == "8.65 %"
    assert say_figure(FlueFigure("CO2", "%", 1, None, None), 9.0) == "9.0 %"
    assert say_figure(FlueFigure("CO air-free", "ppm", 0, None, None), 22.8) == "23 ppm"


def test_pressures_and_input_stand_against_the_data_plate() -> None:
    """The latest check counts, in the data plate's unit; what was not checked is said so."""
    clock = Clock(
        pressures={"working pressure": (17.0, 25.0, "mbar"), "standing pressure": (17.0, 25.0, "mbar")},
        input_rate=(100_000.0, 130_000.0, "Btu/h"),
    )
    clock.job.check("working pressure", 12.0, "mbar", at=clock.after(5))
    clock.job.check("working pressure", 2.0, "kPa", at=clock.after(5))
    clock.run_at("high")
    clock.job.check(stages.INPUT_RATE, 35.0, "kW", at=clock.after(5))
    supply = {entry.name: entry for entry in clock.record().supply}
    assert supply["working pressure"].value == pytest.approx(20.0)
    assert supply["working pressure"].inside
    assert supply["working pressure"].typed == "2 kPa"
    assert (supply["standing pressure"].value, supply["standing pressure"].inside) == (None, None)
    assert supply["input at high fire"].value == pytest.approx(119_425, rel=1e-4)  # 1 kW = 3412.14 Btu/h, SP 811 [M]
    assert supply["input at high fire"].inside


def test_a_skipped_stage_and_an_open_one_are_told() -> None:
    """A skipped stage comes with its reason and is not missing; one that is neither done nor skipped is missing."""
    clock = Clock()
    clock.job.note("boiler room flooded", item=stages.SKIPPED, value="valve", at=clock.after(5))
    record = clock.record()
    assert record.skipped == (("valve", "boiler room flooded"),)
    assert not any("'valve'" in sentence for sentence in record.missing)
    assert any(sentence.startswith("Stage 'close up' is not done") for sentence in record.missing)


def test_a_wrong_answer_that_was_skipped_past_is_a_finding_and_missing() -> None:
    """A skip of its stage does not take it off the record."""
    clock = Clock()
    clock.job.check(stages.OPENED_JOINTS, "leaking", at=clock.after(5))
    clock.job.note("in a hurry", item=stages.SKIPPED, value="valve", at=clock.after(5))
    record = clock.record()
    assert [(s.finding.severity, s.row, s.headline) for s in record.seen] == [("halt", 1, "opened joints: leaking.")]
    assert record.seen[0].finding.text in record.missing
    clock.job.check(stages.OPENED_JOINTS, "tight", at=clock.after(5))
    assert [seen.cleared is not None for seen in clock.record().seen] == [True]


def test_co_over_half_its_limit_at_the_finish_is_a_warning_of_the_record() -> None:
    """In band with 378 of 400 ppm: said by the answer and kept on the record."""
    clock = Clock()
    clock.run_at("high")
    clock.read("high", 9.2)
    clock.run_at("low")
    clock.read("low", 8.8, o2=5.4, co=280)
    advice = clock.job.next(clock.now)
    assert advice.action == "finish"
    assert [f.severity for f in advice.findings if f.code == "co-rising"] == ["warn"]
    assert [s.finding.severity for s in clock.record().seen if s.finding.code == "co-rising"] == ["warn"]


def test_a_job_with_something_never_proved_is_not_finished() -> None:
    """Every stage skipped or done but joints and line never proved: the record is not that of a finished job."""
    clock = Clock()
    for stage in ("before", "valve", "gas pressure", "proof", "close up", "record"):
        clock.job.note("done by another", item=stages.SKIPPED, value=stage, at=clock.after(1))
    for firing, co2 in (("high", 9.2), ("low", 8.8)):
        clock.run_at(firing)
        clock.read(firing, co2)
    record = clock.record()
    assert record.missing == ("Never proved: sample line.", "Never proved: opened joints.")
    assert not record.finished


def test_an_input_rate_off_the_data_plate_is_missing() -> None:
    """Outside the data plate at high fire: not finished, whatever the flue says; the plate says nothing of low fire."""
    clock = Clock(input_rate=(33.0, 37.0, "kW"))
    clock.run_at("high")
    clock.job.check(stages.INPUT_RATE, 3.44, "kW", at=clock.after(5))
    assert any(sentence.startswith("input rate 3.44 kW: the data plate") for sentence in clock.record().missing)
    clock.job.check(stages.INPUT_RATE, 35.0, "kW", at=clock.after(5))
    clock.run_at("low")
    clock.job.check(stages.INPUT_RATE, 7.0, "kW", at=clock.after(5))
    assert not any("input rate" in sentence for sentence in clock.record().missing)


def test_an_appliance_left_in_service_without_proof_is_told() -> None:
    """ "In service" on a job that is not proved stands on the record as what is wrong with it."""
    clock = Clock()
    clock.job.check(stages.OUTCOME, stages.IN_SERVICE, at=clock.after(5))
    for item, value in (("technician", "A. Example"), ("copy left", "yes")):
        clock.job.check(item, value, at=clock.after(5))
    record = clock.record()
    assert record.told[stages.OUTCOME] == stages.IN_SERVICE
    assert any(sentence.startswith("Stage 'record' is not done") for sentence in record.missing)


def test_a_log_without_rows_has_a_record() -> None:
    """Nothing was done: nothing is invented."""
    record = Clock().record()
    assert (record.began, record.readings, record.turns, record.finished) == (None, (), (), False)
    assert all(rate.as_found is None and rate.as_left is None for rate in record.rates.values())


def test_the_same_rows_give_the_same_record(tmp_path: Path) -> None:
    """Made twice, and from a copy elsewhere, the record is equal: nothing of the day gets in."""
    copy = tmp_path / "copy.csv"
    copy.write_bytes((ROOT / "demo_logs" / "reversed_screw.csv").read_bytes())
    assert demo("reversed_screw") == demo("reversed_screw") == record_of(Job.load(copy))


def test_a_row_struck_days_later_leaves_the_record_as_of_the_last_row() -> None:
    """The struck row is gone from it; as-left figures and the calibration's age stay what they were."""
    job = Job.load(ROOT / "demo_logs" / "whole_visit.csv")
    job = Job.of(job.setup, job.events)
    before = record_of(job)
    number = next(n for n, event in enumerate(job.events, 1) if event.item == "CO alarm")
    job.void(number, at=job.events[-1].time + timedelta(days=2))
    after = record_of(job)
    assert (after.rates, after.calibration_age_days) == (before.rates, before.calibration_age_days)
    assert before.rates["high"].as_left is not None
    assert any("CO alarm" in missing for missing in after.missing)
