"""Figures of the visit against published values; how each was confirmed stands beside it (see tests/test_fuels.py)."""

import math
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from replay import at_high, moment
from scipy import integrate, stats

from advisor import Job, units
from advisor.chemistry import flue_gas as figures
from advisor.chemistry import fuels, limits
from advisor.chemistry import gas_meter as meter
from advisor.diagnosis import measured
from advisor.errors import RangeError
from advisor.job_setup.setup import JobSetup
from advisor.log.events import Event

FACTS = JobSetup(fuels.NATURAL_GAS, {"high": (9.0, 9.4), "low": (8.6, 9.0)})
NOON = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)


def reading(co2: float, o2: float | None = None, co: float | None = None) -> Event:
    return Event(NOON, "reading", firing="high", co2_pct=co2, o2_pct=o2, co_ppm=co)


METER = [
    # dial ft3, seconds, ft3/h; source, how confirmed
    (0.5, 22.0, 81.82),  # worked example printed in a trade-education article [C]
    (1.0, 20.0, 180.0),  # dial table of the same kind [S]
    (1.0, 30.0, 120.0),  # [S]
    (1.0, 60.0, 60.0),  # [S]
]


@pytest.mark.parametrize(("dial", "seconds", "ft3_h"), METER)
def test_gas_rate_by_the_meter(dial: float, seconds: float, ft3_h: float) -> None:
    """3600 x dial / seconds."""
    flow = figures.gas_flow_m3_h(dial, "ft3", seconds) / units.FT3_M3
    assert flow == pytest.approx(ft3_h, abs=0.005)


def test_input_rate_of_the_printed_example() -> None:
    """81.82 ft3/h at 1000 Btu/ft3 is 81 820 Btu/h [C]: 23.98 kW."""
    flow = figures.gas_flow_m3_h(0.5, "ft3", 22.0)
    kw = figures.input_rate_kw(flow, (1000.0, "Btu/ft3"))
    assert kw / units.power_kw(1.0, "Btu/h") == pytest.approx(81_820, abs=5)
    assert meter.timed_input_kw("1/2 ft3 22", (1000.0, "Btu/ft3")) == pytest.approx(kw)


def test_input_rate_counts_the_volume_correction() -> None:
    """2 m3/h at the meter, 0.9 m3 of reference each, at 36 MJ/m3: 64.8 MJ/h, 18 kW."""
    assert figures.input_rate_kw(2.0, (36.0, "MJ/m3"), 0.9) == pytest.approx(18.0)


def test_units_of_power_and_heating_value() -> None:
    """1 kW is 3412.14 Btu/h; 1 Btu/ft3 is 0.0372589 MJ/m3 (NIST SP 811 Appendix B: 3.725 895 E-2 [M])."""
    assert units.power_kw(3412.14, "Btu/h") == pytest.approx(1.0, rel=1e-5)
    assert units.heating_value_mj_m3(1.0, "Btu/ft3") == pytest.approx(0.03725895, rel=1e-6)
    assert units.heating_value_mj_m3(1.0, "kWh/m3") == 3.6


def test_volume_correction_is_that_of_an_ideal_gas() -> None:
    """One mole at 15 C and 1013.25 mbar fills 23.645 l, at 0 C 22.414 l (CODATA [M]): their ratio is the factor."""
    assert figures.reference_factor(0.0, 0.0, 15.0) == pytest.approx(23.645 / 22.414, rel=1e-4)
    assert figures.reference_factor(15.0, 0.0, 15.0) == 1.0
    # twice the absolute pressure holds twice the gas
    assert figures.reference_factor(15.0, 60_000.0, 15.0, 60_000.0) == pytest.approx(120_000 / 101_325)
    assert meter.reference_factor_of("12 20 15 980") == pytest.approx((98_000 + 2_000) / 101_325 * 288.15 / 285.15)


def test_pressure_drop() -> None:
    """20.4 to 19.8 mbar is 0.6 mbar, 2.94 %; units may differ."""
    assert figures.pressure_drop((20.4, "mbar"), (19.8, "mbar")) == pytest.approx((0.6, 100 * 0.6 / 20.4))
    assert figures.pressure_drop((20.4, "mbar"), (1980.0, "Pa")) == pytest.approx((0.6, 100 * 0.6 / 20.4))
    # 7 inH2O at 249.0889 Pa (NIST SP 811 [C])
    assert figures.pressure_drop((7.0, "inH2O"), (1743.6223, "Pa"))[0] == pytest.approx(0.0, abs=1e-9)


def test_co_figures() -> None:
    """100 ppm at 5 % O2 is 131.45 ppm air-free (ANSI/BPI-1200-S-2017 [S]); CO/CO2 as the plain ratio of BS 7967 [S]."""
    found = figures.flue_figures(FACTS, reading(9.0, 5.0, 100.0))
    assert found is not None
    assert found.co_air_free_ppm == pytest.approx(131.45, abs=0.005)
    assert found.co_co2 == pytest.approx(100 / 90_000)
    # 350 ppm, the same rule's other limit, is reached with 0.004 at 8.75 % CO2
    assert figures.co_co2_ratio(350.0, 8.75) == pytest.approx(limits.CO_CO2_RATIO)


def test_too_much_co_for_its_co2_is_said() -> None:
    """From 0.004 it is worth a look, above 0.008 the boiler is not left in service (BS 7967 [S])."""
    for co, said in ((300.0, ""), (400.0, "at or over 0.004"), (900.0, "over 0.008: a boiler is not left in service")):
        found = figures.flue_figures(FACTS, reading(9.0, 5.0, co))
        assert found is not None
        text = measured.say_flue(FACTS, found)
        assert said in text if said else text.endswith("CO/CO2 0.0033.")


def test_a_temperature_logged_in_f_is_taken_as_f() -> None:
    """140 F and 68 F are 60 C and 20 C, whoever wrote the row; an unknown unit gives no flue loss, not a wrong one."""

    def loss(*temperatures: tuple[str, str]) -> float | None:
        pairs = zip(("flue temperature", "air temperature"), temperatures, strict=True)
        checks = [Event(NOON, "check", item=item, value=value, unit=unit) for item, (value, unit) in pairs]
        job = Job.of(FACTS, [Event(NOON, "firing", firing="high"), reading(9.0, 5.0), *checks])
        found = measured.flue_at(job.situation(NOON), "high")
        assert found is not None
        return found.flue_loss_pct

    assert loss(("140", "F"), ("68", "F")) == pytest.approx(loss(("60", "C"), ("20", "")))
    assert loss(("60", "C"), ("20", "C")) == pytest.approx(40 * (0.66 / 16 + 0.009))
    assert loss(("333", "K"), ("20", "C")) is None


def test_an_input_rate_logged_in_another_unit_is_taken_as_that() -> None:
    """120 000 Btu/h are 35.2 kW, inside 33 to 37 kW."""
    setup = replace(FACTS, input_rate=(33.0, 37.0, "kW"))
    check = Event(NOON, "check", item="input rate", value="120000", unit="Btu/h")
    visit = Job.of(setup, [Event(NOON, "firing", firing="high"), check]).visit(NOON)
    assert measured.input_rate_side(visit) == "inside"
    assert measured.say_input_rate(visit).startswith("Input rate by the meter 35.2 kW (gross), inside")


def test_flue_figures_use_the_law_s_formula() -> None:
    """Flue loss (60 - 20) (0.66 / (21 - 5) + 0.009) = 2.01 % (1. BImSchV Annex 2 No. 3.4 [C]); none without it."""
    found = figures.flue_figures(FACTS, reading(9.0, 5.0), 60.0, 20.0)
    assert found is not None
    assert found.flue_loss_pct == pytest.approx(40 * (0.66 / 16 + 0.009))
    assert (found.co_air_free_ppm, found.co_co2) == (None, None)
    assert figures.flue_figures(FACTS, reading(9.0, 5.0), 60.0).flue_loss_pct is None  # type: ignore[union-attr]
    assert figures.flue_figures(FACTS, reading(9.0, 5.0), 10.0, 20.0).flue_loss_pct is None  # type: ignore[union-attr]
    assert figures.flue_figures(FACTS, reading(0.0)) is None
    assert figures.flue_figures(FACTS, reading(14.0)) is None


def test_excess_air_and_dew_point_are_the_fuel_s() -> None:
    """At the CO2 maximum there is no excess air; the dew point is that of `fuels` (checked there against CoolProp)."""
    most = fuels.NATURAL_GAS.co2_max_pct
    found = figures.flue_figures(FACTS, reading(most))
    assert found is not None
    assert found.excess_air_pct == pytest.approx(0.0, abs=1e-9)
    assert found.dew_point_c == fuels.NATURAL_GAS.dew_point_c(1.0)


def test_excess_air_in_percent() -> None:
    """Methane at 8.7639 % and propane at 10.3355 % CO2 burn with 30 % more air than needed (dry_flue_lean.csv [X])."""
    for fuel, co2 in ((fuels.METHANE, 8.7639), (fuels.PROPANE, 10.3355)):
        found = figures.flue_figures(JobSetup(fuel, FACTS.bands), reading(co2))
        assert found is not None
        assert found.excess_air_pct == pytest.approx(30.0, abs=0.002)


def test_co_without_o2_is_made_air_free_by_the_fuel_s_line() -> None:
    """100 ppm at 9 % CO2 of a gas of 11.858 % at most [X]: O2 is 20.95 (1 - 9 / 11.858), CO x 20.9 / (20.9 - O2)."""
    found = figures.flue_figures(FACTS, reading(9.0, None, 100.0))
    assert found is not None
    assert found.co_air_free_ppm == pytest.approx(100 * 20.9 / (20.9 - 20.95 * (1 - 9 / 11.858)), rel=1e-4)


def test_the_flame_s_rich_side_has_no_figures() -> None:
    """CO2 of 9 % with next to no O2 is a rich flame or another fuel; much CO with O2 on the line is neither."""
    for o2, co in ((0.5, 5000.0), (0.5, 100.0), (0.5, None)):
        assert figures.flue_figures(FACTS, reading(9.0, o2, co)) is None
    for o2, co in ((5.0, 5000.0), (None, 5000.0)):
        assert figures.flue_figures(FACTS, reading(9.0, o2, co)) is not None


@pytest.mark.parametrize("co2", [0.0, 0.2, 0.5, 2.9])
def test_a_probe_in_air_has_no_flue_figures(co2: float) -> None:
    """Under a quarter of the most CO2 there is no set flame; what is said of such a reading is left to its finding."""
    assert figures.flue_figures(FACTS, reading(co2, 20.5, 0.0), 60.0, 20.0) is None
    told = at_high().wait(10).read("high", co2, 0.0, 20.5)
    assert measured.flue_at(told.job.situation(moment(told.now_s)), "high") is None
    assert figures.flue_figures(FACTS, reading(3.0)) is not None


def test_a_flue_without_water_has_no_dew_point() -> None:
    """CO + 1/2 O2 = CO2: 2.3866 of air (0.5 / 0.2095), 2.8866 of flue, all dry; 1 / 0.17 of flue at 17 % CO2."""
    bands = {"high": (17.0, 18.0), "low": (16.0, 17.0)}
    found = figures.flue_figures(JobSetup(fuels.Fuel("monoxide", {"CO": 1.0}), bands), reading(17.0))
    assert found is not None
    assert found.dew_point_c is None
    assert found.excess_air_pct == pytest.approx(100 * (1 / 0.17 - 2.8866) / 2.3866, abs=0.01)
    assert "dew point" not in measured.say_flue(FACTS, found)


@pytest.mark.parametrize(
    ("fuel", "o2", "flue_c", "air_c", "loss"),
    [
        (fuels.NATURAL_GAS, 5.0, None, 20.0, None),
        (fuels.NATURAL_GAS, 5.0, 60.0, None, None),
        (fuels.NATURAL_GAS, 5.0, 20.0, 20.0, 0.0),  # no warmer than the air: nothing is lost
        (fuels.Fuel("half", {"CH4": 0.5, "C3H8": 0.5}), None, 60.0, 20.0, None),  # the law has no formula for it
        # without O2 it is that of the line: methane at 8.7639 % CO2 has 5.2583 % (dry_flue_lean.csv [X])
        (fuels.METHANE, None, 60.0, 20.0, 40 * (0.66 / (21 - 5.2583) + 0.009)),
    ],
)
def test_flue_loss_where_it_can_be_given(
    fuel: fuels.Fuel, o2: float | None, flue_c: float | None, air_c: float | None, loss: float | None
) -> None:
    """Both temperatures and a fuel of the law give a loss (1. BImSchV Annex 2 No. 3.4 [C]); else there is none."""
    found = figures.flue_figures(JobSetup(fuel, FACTS.bands), reading(8.7639, o2), flue_c, air_c)
    assert found is not None
    assert found.flue_loss_pct == (None if loss is None else pytest.approx(loss, abs=1e-4))


GUARD = [(0.80, 0.8416), (0.90, 1.2816), (0.95, 1.6449), (0.99, 2.3263)]  # JCGM 106:2012 guard bands, numbers [X]


@pytest.mark.parametrize("accuracy", [0.02, 0.05, 0.5])
@pytest.mark.parametrize(("mean", "sd"), [(9.0, 0.05), (9.39, 0.1), (9.2, 0.3)])
def test_a_small_accuracy_is_counted_too(mean: float, sd: float, accuracy: float) -> None:
    """Both edges, both sides, an accuracy smaller and larger than the spread: scipy's integral, as below."""

    def inside(error: float) -> float:
        shifted = stats.norm(mean + error, sd)
        return float(shifted.cdf(9.4) - shifted.cdf(9.0))

    expected = integrate.quad(inside, -accuracy, accuracy)[0] / (2 * accuracy)
    assert figures.chance_truly_in_band(mean, sd, 9.0, 9.4, accuracy) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize(("chance", "z"), GUARD)
def test_conformity_at_a_guard_band(chance: float, z: float) -> None:
    """A value z spreads inside one edge of a wide band conforms with the tabled chance."""
    assert figures.chance_truly_in_band(9.4 - 0.05 * z, 0.05, 0.0, 9.4, 0.0) == pytest.approx(chance, abs=2e-5)


def test_chance_with_the_analyser_s_accuracy_is_the_integral() -> None:
    """Against scipy's numerical integral over every error within +/- accuracy."""
    mean, sd, low, high, accuracy = 9.15, 0.05, 9.0, 9.4, 0.2

    def inside(error: float) -> float:
        shifted = stats.norm(mean + error, sd)
        return float(shifted.cdf(high) - shifted.cdf(low))

    expected = integrate.quad(inside, -accuracy, accuracy)[0] / (2 * accuracy)
    assert figures.chance_truly_in_band(mean, sd, low, high, accuracy) == pytest.approx(expected, abs=1e-8)
    assert figures.chance_truly_in_band(mean, sd, low, high, 1e-9) == pytest.approx(inside(0.0), abs=1e-8)
    # rectangular: u = a / sqrt(3) (JCGM 100:2008 4.3.7 [M]); with a tiny spread only the share inside counts
    assert figures.chance_truly_in_band(9.0, 1e-6, 9.0, 9.4, 0.2) == pytest.approx(0.5, abs=1e-4)
    assert math.isclose(figures.chance_truly_in_band(9.2, 1e-6, 9.0, 9.4, 0.4), 0.5, abs_tol=1e-4)


def test_age_of_a_calibration() -> None:
    """Whole days; never less than none."""
    assert figures.calibration_age_days(date(2026, 2, 11), date(2026, 5, 12)) == 90
    assert figures.calibration_age_days(date(2026, 5, 13), date(2026, 5, 12)) == 0


CHANCE = "chance in band: a spread above 0, an accuracy of 0 or more and a rising band are needed"


def test_the_ends_of_each_range_are_in() -> None:
    """What the messages below call allowed is taken, the ends included."""
    assert figures.gas_flow_m3_h(1.0, "m3", 5.0) == 720.0
    assert figures.gas_flow_m3_h(1.0, "l", 3600.0) == 0.001
    assert figures.reference_factor(-40.0, 0.0, -40.0, 110_000.0) == pytest.approx(110_000 / 101_325)
    assert figures.reference_factor(60.0, 100_000.0, 60.0, 60_000.0) == pytest.approx(160_000 / 101_325)
    assert figures.co_co2_ratio(40.0, 0.5) == pytest.approx(0.008)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: figures.gas_flow_m3_h(1.0, "gal", 30.0), "dial in 'gal': it is one of m3, ft3, l"),
        (
            lambda: figures.gas_flow_m3_h(1.0, "ft3", 2.0),
            "2 s on the meter: 5 to 3600 s is allowed; time more turns of the dial",
        ),
        (lambda: figures.gas_flow_m3_h(0.0, "m3", 30.0), "dial 0 m3: more than 0 is needed"),
        (lambda: figures.gas_flow_m3_h(math.inf, "m3", 30.0), "dial inf m3: more than 0 is needed"),
        (
            lambda: figures.gas_flow_m3_h(1.0, "l", 3600.5),
            "3600.5 s on the meter: 5 to 3600 s is allowed; time more turns of the dial",
        ),
        (lambda: figures.reference_factor(200.0, 0.0, 15.0), "gas temperature 200 C: -40 to 60 C is allowed"),
        (lambda: figures.reference_factor(-40.5, 0.0, 15.0), "gas temperature -40.5 C: -40 to 60 C is allowed"),
        (
            lambda: figures.reference_factor(15.0, 0.0, 60.5),
            "temperature of the heating value 60.5 C: -40 to 60 C is allowed",
        ),
        (
            lambda: figures.reference_factor(15.0, 0.0, -40.5),
            "temperature of the heating value -40.5 C: -40 to 60 C is allowed",
        ),
        (
            lambda: figures.reference_factor(15.0, -0.5, 15.0),
            "pressure at the meter -0.5 Pa: 0 to 100000 Pa is allowed",
        ),
        (
            lambda: figures.reference_factor(15.0, 100_001.0, 15.0),
            "pressure at the meter 100001 Pa: 0 to 100000 Pa is allowed",
        ),
        (lambda: figures.reference_factor(15.0, 0.0, 15.0, 1013.0), "barometer 1013 Pa: 60000 to 110000 Pa is allowed"),
        (
            lambda: figures.reference_factor(15.0, 0.0, 15.0, 110_001.0),
            "barometer 110001 Pa: 60000 to 110000 Pa is allowed",
        ),
        (lambda: figures.co_co2_ratio(50.0, 0.0), "CO2 0 %: more than 0 is needed for CO/CO2"),
        (lambda: figures.chance_truly_in_band(9.2, 0.0, 9.0, 9.4, 0.1), CHANCE),
        (lambda: figures.chance_truly_in_band(9.2, 0.1, 9.0, 9.4, -0.1), CHANCE),
        (lambda: figures.chance_truly_in_band(9.2, 0.1, 9.4, 9.4, 0.1), CHANCE),
        (
            lambda: figures.pressure_drop((0.0, "mbar"), (1.0, "mbar")),
            "standing pressure 0 mbar: more than 0 is needed",
        ),
        (
            lambda: meter.timed_input_kw("1 22", (38.5, "MJ/m3")),
            "'1 22': dial, its unit and the seconds, such as 1 ft3 22 or 0.1 m3 95",
        ),
        (
            lambda: units.power_kw(1.0, "hp"),
            "power unit 'hp' is not known; allowed are kW, W, Btu/h",
        ),
    ],
)
def test_what_can_t_be_is_refused(call: object, message: str) -> None:
    """What it is and what is allowed."""
    with pytest.raises(RangeError) as refused:
        call()  # type: ignore[operator]
    assert str(refused.value) == message
