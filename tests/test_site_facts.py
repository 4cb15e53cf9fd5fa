"""What checks say about the setup and the flue: values with their units, as logged by whoever wrote the row."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from advisor import Job, JobSetup
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.diagnosis.answers import flue_gas_at, input_of
from advisor.log.events import Event
from advisor.messages import Reason
from advisor.report.show import calibration_reasons, input_reasons

SETUP = JobSetup(NATURAL_GAS, {"high": (9.0, 9.4), "low": (8.6, 9.0)})
NOON = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
START = [Event(NOON, "firing", firing="high"), Event(NOON, "reading", firing="high", co2_pct=9.0, o2_pct=5.0)]


def check(item: str, value: str, unit: str = "") -> Event:
    return Event(NOON, "check", item=item, value=value, unit=unit)


@pytest.mark.parametrize(
    ("flue", "air", "loss"),
    [
        (("60", "C"), ("20", ""), 40 * (0.66 / 16 + 0.009)),  # 1. BImSchV Annex 2 No. 3.4 [C]
        (("140", "F"), ("68", "F"), 40 * (0.66 / 16 + 0.009)),
        (("333", "K"), ("20", "C"), None),  # an unknown unit gives no loss, not a wrong one
    ],
)
def test_a_temperature_counts_in_the_unit_it_was_logged_in(
    flue: tuple[str, str], air: tuple[str, str], loss: float | None
) -> None:
    """140 F and 68 F are 60 C and 20 C, whoever wrote the row."""
    checks = [check("flue temperature", *flue), check("air temperature", *air)]
    found = flue_gas_at(Job.of(SETUP, [*START, *checks]).situation(NOON), "high")
    assert found is not None
    assert found.flue_loss_pct == (None if loss is None else pytest.approx(loss))


@pytest.mark.parametrize(
    ("value", "unit", "kw", "side"),
    [
        ("120000", "Btu/h", 35.17, "inside"),
        ("35", "", 35.0, "inside"),
        ("32.9", "kW", 32.9, "below"),
        ("37.1", "kW", 37.1, "above"),
    ],
)
def test_an_input_rate_is_held_against_the_data_plate_in_its_own_unit(
    value: str, unit: str, kw: float, side: str
) -> None:
    """120 000 Btu/h are 35.2 kW, inside 33 to 37 kW."""
    setup = replace(SETUP, input_rate=(33.0, 37.0, "kW"))
    found = input_of(Job.of(setup, [*START, check("input rate", value, unit)]).situation(NOON))
    assert found is not None
    assert (found.kw, found.firing, found.side) == (pytest.approx(kw, abs=0.005), "high", side)


def test_an_input_rate_without_a_range_of_the_data_plate_is_compared_with_nothing() -> None:
    """And the answer says so."""
    situation = Job.of(SETUP, [*START, check("input rate", "35", "kW")]).situation(NOON)
    assert input_of(situation) == (35.0, "high", "")
    assert input_reasons(situation) == [Reason("input-no-plate", {"kw": 35.0})]


@pytest.mark.parametrize(("days", "code"), [(0, "calibrated"), (90, "calibrated"), (365, "calibrated"),
                                            (366, "calibrated-long-ago"), (-1, "calibrated")])  # fmt: skip
def test_age_of_a_calibration_is_told_in_whole_days(days: int, code: str) -> None:
    """Never less than none; over a year it is pointed out."""
    calibrated = (NOON - timedelta(days=days)).date().isoformat()
    (reason,) = calibration_reasons(Job.of(SETUP, [check("calibration date", calibrated)]).situation(NOON))
    assert (reason.code, reason.data["days"]) == (code, max(0, days))
