"""What was measured on a visit beside the screws, taken from its rows: flue figures, pressures, input rate, dates."""

from collections.abc import Callable, Iterable
from datetime import date

from advisor import units
from advisor.chemistry import flue_gas as figures
from advisor.chemistry import limits
from advisor.chemistry.flue_gas import FlueFigures
from advisor.errors import RangeError
from advisor.job_setup.setup import Facts
from advisor.log.events import Event
from advisor.procedure import stages
from advisor.response.reading_checks import co_limit_ppm
from advisor.response.situation import Visit
from advisor.response.tracker import checked_pressure

Convert = Callable[[float, str], float]  # a value and its unit to the value in one unit


def latest(visit: Visit, item: str, to: Convert, firing: str | None = None) -> float | None:
    """Value of the latest check of this name (made while the boiler ran at `firing`), converted by `to`.

    None where there is none, or where its number or unit can't be read.
    """
    running, found = None, None
    for event in (row.event for row in visit.rows):
        running = event.firing or running
        if event.event == "check" and event.item == item and firing in (None, running):
            try:
                found = to(units.parse_number(event.value, item), event.unit)
            except RangeError:
                found = None
    return found


def input_kw(value: float, unit: str) -> float:
    """A logged input rate in kW; kW where no unit was logged. RangeError for an unknown unit."""
    return units.power_kw(value, unit or "kW")


def flue_at(visit: Visit, firing: str) -> FlueFigures | None:
    """Flue figures of the latest reading at a rate, with the temperatures measured at that rate."""
    reading = visit.latest(firing)
    if reading is None:
        return None
    flue_c, air_c = (latest(visit, item, units.celsius, firing) for item in (stages.FLUE_C, stages.AIR_C))
    return figures.flue_figures(visit.facts, reading, flue_c, air_c)


def say_flue(facts: Facts, flue: FlueFigures) -> str:
    """Flue figures in a sentence."""
    parts = [f"excess air {flue.excess_air_pct:.0f} %"]
    if flue.dew_point_c is not None:
        parts.append(f"dew point {flue.dew_point_c:.0f} C")
    if flue.flue_loss_pct is not None:
        parts.append(say_flue_loss(flue.flue_loss_pct))
    if flue.co_air_free_ppm is not None and flue.co_co2 is not None:
        parts.append(f"CO {flue.co_air_free_ppm:.0f} ppm air-free (limit {co_limit_ppm(facts):g})")
        parts.append(f"CO/CO2 {flue.co_co2:.4f}")
    said = ", ".join(parts) + "."
    if flue.co_co2 is not None and flue.co_co2 > limits.CO_CO2_RATIO_OUT_OF_SERVICE:
        said += f" CO/CO2 is over {limits.CO_CO2_RATIO_OUT_OF_SERVICE:g}: a boiler is not left in service like that."
    elif flue.co_co2 is not None and flue.co_co2 >= limits.CO_CO2_RATIO:
        said += f" CO/CO2 is at or over {limits.CO_CO2_RATIO:g}: look at burner, air and flue."
    return said


def say_flue_loss(loss_pct: float) -> str:
    """The flue loss, and what it leaves out."""
    return f"flue loss {loss_pct:.1f} % before what condensing gives back"


def say_drop(visit: Visit) -> str:
    """Drop from standing to working pressure in a sentence; "" where one of them was not measured."""
    pair = []
    for name in (stages.STANDING, stages.WORKING):
        checks = [row.event for row in visit.of("check") if row.event.item == name]
        try:
            pair.append((checked_pressure(visit.facts, checks[-1]), visit.facts.pressures[name][2]))
        except (IndexError, KeyError, RangeError):
            return ""
    drop, share = figures.pressure_drop(*pair)
    return f"From standing to working the pressure drops {drop:.3g} {pair[0][1]} ({share:.0f} %)."


def side_of_plate(timed_kw: float, plate: tuple[float, float, str]) -> str:
    """Where an input rate at high fire, kW, lies by the data plate's range: "below", "inside" or "above"."""
    low, high = (units.power_kw(value, plate[2]) for value in plate[:2])
    return "inside" if low <= timed_kw <= high else "below" if timed_kw < low else "above"


def input_rate_side(visit: Visit) -> str:
    """Where the input rate timed at high fire lies by the data plate, as `side_of_plate`; "" where it is not known."""
    timed_kw, plate = latest(visit, stages.INPUT_RATE, input_kw, "high"), visit.facts.input_rate
    return "" if timed_kw is None or plate is None else side_of_plate(timed_kw, plate)


def say_input_rate(visit: Visit) -> str:
    """The timed input rate in a sentence; against the data plate if at high fire; "" where it was not timed."""
    at_high_kw = latest(visit, stages.INPUT_RATE, input_kw, "high")
    measured_kw = latest(visit, stages.INPUT_RATE, input_kw) if at_high_kw is None else at_high_kw
    if measured_kw is None:
        return ""
    said = f"Input rate by the meter {measured_kw:.3g} kW (gross)"
    if visit.facts.input_rate is None:
        return f"{said}; no range of the data plate to compare with."
    low, high, unit = visit.facts.input_rate
    if at_high_kw is None:
        return f"{said}, not timed at high fire: the data plate's {low:g} to {high:g} {unit} is for high fire."
    return f"{said}, {input_rate_side(visit)} the data plate's {low:g} to {high:g} {unit}."


def say_calibration(events: Iterable[Event], today: date) -> str:
    """Age of the analyser's calibration in a sentence; "" where its date is not known."""
    told = [event.value for event in events if event.event == "check" and event.item == stages.CALIBRATED]
    try:
        days = figures.calibration_age_days(date.fromisoformat(told[-1]), today)
    except (IndexError, ValueError):
        return ""
    old = days > 365 * stages.CALIBRATION_YEARS
    return f"Analyser calibrated {days} days ago." + (" Is it still valid by its maker's word?" if old else "")
