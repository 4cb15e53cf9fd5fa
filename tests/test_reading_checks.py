"""One flue reading by itself: the published limits in force, and which readings are those of a lean flame."""

from datetime import UTC, datetime

import pytest

from advisor import JobSetup
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.log.events import Event
from advisor.report.show import say_flue
from advisor.response.reading_checks import flue_gas_of, judge, usable

SETUP = JobSetup(NATURAL_GAS, {"high": (9.0, 9.4), "low": (8.6, 9.0)})


def reading(co2: float, o2: float | None = None, co: float | None = None) -> Event:
    noon = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
    return Event(noon, "reading", firing="high", co2_pct=co2, o2_pct=o2, co_ppm=co)


@pytest.mark.parametrize(("co_ppm", "codes"), [(20, []), (152, []), (153, ["co-rising"]), (304, ["co-rising"]),
                                               (305, ["high-co"])])  # fmt: skip
def test_co_is_held_against_the_published_limit(co_ppm: float, codes: list[str]) -> None:
    """400 ppm air-free, ANSI/BPI-1200-S-2017 [S]: 304.3 ppm at 5 % O2; from half of that (own choice) it is near."""
    found = judge(SETUP, reading(9.0, 5.0, co_ppm))
    assert [finding.code for finding in found] == codes
    assert all(finding.severity == ("halt" if finding.code == "high-co" else "warn") for finding in found)


@pytest.mark.parametrize(
    ("co_ppm", "said"),
    [
        (350.0, "CO/CO2 0.0039."),
        (360.0, "CO/CO2 is at or over 0.004: look at burner, air and flue."),
        (720.0, "CO/CO2 is at or over 0.004: look at burner, air and flue."),
        (721.0, "CO/CO2 is over 0.008: a boiler is not left in service like that."),
    ],
)
def test_too_much_co_for_its_co2_is_said(co_ppm: float, said: str) -> None:
    """From 0.004 it is worth a look, above 0.008 the boiler is not left in service: BS 7967 [S]."""
    assert say_flue(SETUP, flue_gas_of(SETUP, reading(9.0, 5.0, co_ppm))).endswith(said)


@pytest.mark.parametrize(
    ("co2", "o2", "co", "lean"),
    [
        (9.0, 5.0, 20.0, True),
        (9.0, 5.0, 5000.0, True),  # much CO, but O2 on the line
        (9.0, None, 5000.0, True),
        (9.0, 0.5, 5000.0, False),  # next to no O2: a rich flame, or another fuel
        (9.0, 0.5, 100.0, False),
        (9.0, 0.5, None, False),
        (3.0, None, None, True),
        (2.9, 20.5, 0.0, False),  # under a quarter of the most CO2: a probe in air
        (0.5, 20.5, 0.0, False),
        (0.2, 20.5, 0.0, False),
        (0.0, 20.5, 0.0, False),
    ],
)
def test_only_a_lean_flame_has_excess_air_and_losses(
    co2: float, o2: float | None, co: float | None, lean: bool
) -> None:
    """On the rich side, off the fuel's line or in air nothing but CO is worked out."""
    gas = flue_gas_of(SETUP, reading(co2, o2, co), 60.0, 20.0)
    assert usable(SETUP, reading(co2, o2, co)) is lean
    assert [value is not None for value in (gas.excess_air_ratio, gas.dew_point_c, gas.flue_loss_pct)] == [lean] * 3
    assert (gas.co_air_free_ppm is None) == (co is None)
