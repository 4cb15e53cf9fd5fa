"""The flue of one job as found and as left: every figure with its unit and what it is held against.

A figure that was not read, and can't be known from what was, is None; an as-left figure is never guessed.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime

from advisor import units
from advisor.chemistry import limits
from advisor.chemistry.flue_gas import chance_truly_in_band, co_co2_ratio, flue_figures
from advisor.decision.candidates import Rate
from advisor.errors import RangeError
from advisor.job_setup.setup import Facts
from advisor.procedure.stages import AIR_C, FLUE_C
from advisor.response.reading_checks import co_air_free_ppm, co_limit_ppm, judge
from advisor.response.situation import Visit
from advisor.response.tracker import LEAKING, SAMPLE_LINE, Row

NONE = "\u2013"  # in place of a figure that is not there
ROUNDING = 1e-9  # a figure on an edge keeps it
MAINLY_METHANE = 0.75  # share of methane from which the CO/CO2 rule for natural gas is held against, own choice
SETTLED, ON_THE_WAY, DOUBTED = "settled", "on the way", "in doubt"


@dataclass(frozen=True)
class Flue:
    """The flue at one reading, dry volume; None where it was not read or can't be known from what was.

    row, time         of the reading
    state             SETTLED, ON_THE_WAY or DOUBTED
    co_air_free_ppm   CO x 20.9 / (20.9 - O2), O2 from the fuel's line where it was not read
    co_co2_ratio      CO / CO2 by volume
    excess_air_ratio  from CO2, lean side
    dew_point_c       of the flue with dry combustion air at 1 atm, C
    flue_c, air_c     entered nearest to the reading, at its rate and with the screws as then, C
    flue_loss_pct     of the input, without what condensing gives back
    """

    row: int
    time: datetime
    state: str
    co2_pct: float
    o2_pct: float | None = None
    co_ppm: float | None = None
    co_air_free_ppm: float | None = None
    co_co2_ratio: float | None = None
    excess_air_ratio: float | None = None
    dew_point_c: float | None = None
    flue_c: float | None = None
    air_c: float | None = None
    flue_loss_pct: float | None = None


@dataclass(frozen=True)
class RateRecord:
    """One firing rate: its band (% CO2), the flue as found and as left, and what must be said about each.

    found_note  why it is not the flue as found, or why there is none; empty where it is
    left_note   why there is no as-left figure; empty where there is one
    read_later  the last reading, where it came after the one as left and was not settled
    chance_in_band       of the true settled CO2 by the readings, 0 to 1; None without an as-left figure
    chance_with_accuracy the same with the analyser's own accuracy counted in; None where that is not known
    """

    firing: str
    band: tuple[float, float]
    as_found: Flue | None
    found_note: str
    as_left: Flue | None
    left_note: str
    read_later: Flue | None = None
    chance_in_band: float | None = None
    chance_with_accuracy: float | None = None


@dataclass(frozen=True)
class FlueFigure:
    """One figure of a rate, as found and as left, with its unit and the limits it is held against, if any.

    decimals  to show at least
    low, high  allowed from and to, as left; None where there is no limit on that side
    """

    name: str
    unit: str
    decimals: int
    found: float | None
    left: float | None
    low: float | None = None
    high: float | None = None

    @property
    def inside(self) -> bool | None:
        """Whether the as-left figure keeps its limits; None where there is no figure or no limit."""
        if self.left is None or (self.low is None and self.high is None):
            return None
        low, high = self.low or 0.0, self.high or float("inf")
        return low * (1 - ROUNDING) <= self.left <= high * (1 + ROUNDING)


QUANTITIES = (  # name, unit, decimals, field of Flue
    ("CO2", "%", 1, "co2_pct"),
    ("O2", "%", 1, "o2_pct"),
    ("CO", "ppm", 0, "co_ppm"),
    ("CO air-free", "ppm", 0, "co_air_free_ppm"),
    ("CO/CO2", "", 4, "co_co2_ratio"),
    ("Excess-air ratio", "", 3, "excess_air_ratio"),
    ("Dew point", "°C", 1, "dew_point_c"),
    ("Flue temperature", "°C", 1, "flue_c"),
    ("Air temperature", "°C", 1, "air_c"),
    ("Flue loss", "%", 1, "flue_loss_pct"),
)


MEASURED = frozenset({"CO2", "O2", "CO", "Flue temperature", "Air temperature"})  # the rest is computed from these


def figures(facts: Facts, rate: RateRecord) -> tuple[FlueFigure, ...]:
    """All figures of a rate in the order of the record; O2 is held against the fuel's line at the as-left CO2."""
    least, most = (float(facts.fuel.excess_air_ratio(co2_pct=edge)) for edge in reversed(rate.band))
    held: dict[str, tuple[float | None, float | None]] = {
        "co2_pct": rate.band,
        "co_air_free_ppm": (None, co_limit_ppm(facts)),
        "excess_air_ratio": (least, most),
    }
    if facts.fuel.composition.get("CH4", 0.0) >= MAINLY_METHANE:
        held["co_co2_ratio"] = None, limits.CO_CO2_RATIO
    if rate.as_left and rate.as_left.co2_pct <= facts.fuel.co2_max_pct:
        line = float(facts.fuel.o2_from_co2_pct(rate.as_left.co2_pct))
        held["o2_pct"] = max(0.0, line - limits.FUEL_LINE_TOLERANCE_PCT), line + limits.FUEL_LINE_TOLERANCE_PCT
    return tuple(
        FlueFigure(
            name,
            unit,
            decimals,
            getattr(rate.as_found, field, None),
            getattr(rate.as_left, field, None),
            *held.get(field, (None, None)),
        )
        for name, unit, decimals, field in QUANTITIES
    )


def say_number(value: float, decimals: int) -> str:
    """A figure (of any unit) with its usual decimals, or as many as it was typed with."""
    typed = f"{value:.10g}".partition(".")[2]
    return f"{value:.{max(decimals, len(typed)) if len(typed) <= 3 else decimals}f}"


def say_figure(figure: FlueFigure, value: float | None) -> str:
    """A figure with its unit, a dash where there is none."""
    if value is None:
        return NONE
    said = say_number(value, figure.decimals) if figure.name in MEASURED else f"{value:.{figure.decimals}f}"
    return f"{said} {figure.unit}".rstrip()


def say_allowed(figure: FlueFigure) -> str:
    """The limits of a figure and whether the as-left one keeps them."""
    if figure.low is None and figure.high is None:
        return ""
    high = f"{figure.high:.{figure.decimals}f}" if figure.high is not None else ""
    said = f"at most {high}" if figure.low is None else f"{figure.low:.{figure.decimals}f} to {high}"
    return f"{said} {figure.unit}".rstrip() + {True: ", ok", False: ", OUT", None: ""}[figure.inside]


def rate_record(visit: Visit, firing: str, states: Mapping[int, str], running: Mapping[int, str | None]) -> RateRecord:
    """The record of one rate; `states` of the readings and `running` rates by row number."""
    rows = [row for row in visit.of("reading") if row.event.firing == firing]
    found, found_note = _as_found(visit, rows, states)
    left, left_note = _as_left(visit, rows, states)
    unsettled = left and rows[-1].number != left.number and states[rows[-1].number] == ON_THE_WAY
    return RateRecord(
        firing,
        visit.facts.bands[firing],
        _flue(visit, found, states, running) if found else None,
        found_note,
        _flue(visit, left, states, running) if left else None,
        left_note,
        _flue(visit, rows[-1], states, running) if unsettled else None,
        *(_chances(visit, firing) if left else ()),
    )


def _chances(visit: Visit, firing: str) -> tuple[float, float | None]:
    """Chance that the true settled CO2 is in band, by the readings and with the analyser's accuracy counted in."""
    rate, band, accuracy = Rate(visit, firing), visit.facts.bands[firing], visit.facts.analyser_accuracy_pct
    chance, forecast = rate.now.chance_in_band, rate.now.forecast
    if not accuracy:
        return chance, None
    return chance, chance_truly_in_band(rate.co2_pct(forecast.mean), forecast.var**0.5, *band, accuracy)


def _as_found(visit: Visit, rows: Sequence[Row], states: Mapping[int, str]) -> tuple[Row | None, str]:
    """The reading before any turn that says most: settled with CO, settled, or the first.

    Where there is none, from the first reading up to the next turn; the note says after how many turns that is.
    """
    if not rows:
        return None, "not read"
    turned = [row.event.time for row in visit.of("turn")]
    until = min((time for time in turned if time >= rows[0].event.time), default=None)
    same = [row for row in rows if until is None or row.event.time <= until]  # the screws as at the first reading
    settled = [row for row in same if states[row.number] == SETTLED]
    found = next((row for row in settled if row.event.co_ppm is not None), (settled or same)[0])
    notes = []
    n_turns = sum(time < found.event.time for time in turned)
    if n_turns:
        notes.append(f"first read after {n_turns} turn{'s' if n_turns > 1 else ''}")
    if states[found.number] != SETTLED:
        notes.append("not settled" if states[found.number] == ON_THE_WAY else "in doubt, see findings")
    lines = [row.event for row in visit.of("check") if row.event.item == SAMPLE_LINE]
    if any(line.value == LEAKING and line.time >= found.event.time for line in lines):
        notes.append("the sample line was found leaking after it")
    return found, ", ".join(notes)


def _as_left(visit: Visit, rows: Sequence[Row], states: Mapping[int, str]) -> tuple[Row | None, str]:
    """The last settled reading with CO since the last turn of any screw, or why there is none."""
    if not rows:
        return None, "not read"
    since = "since the last turn" if visit.of("turn") else "yet"
    if visit.left:
        return None, "hours have passed since the last entry"
    settled = visit.settled_readings(rows[0].event.firing or "", visit.fresh_from_s)
    with_co = [row for row in settled if row.event.co_ppm is not None]
    if not with_co:
        return None, f"no settled reading{' with CO' if settled else ''} {since}"
    for row in rows[rows.index(with_co[-1]) + 1 :]:
        if states[row.number] == DOUBTED or any(f.severity == "halt" for f in judge(visit.facts, row.event)):
            return None, f"row {row.number}, read later, is in doubt or stopped the job"
    return with_co[-1], ""


def _flue(visit: Visit, row: Row, states: Mapping[int, str], running: Mapping[int, str | None]) -> Flue:
    event = row.event
    flue_c, air_c = (_temperature(visit, row, running, item) for item in (FLUE_C, AIR_C))
    meant = flue_figures(visit.facts, event, flue_c, air_c)
    return Flue(
        row=row.number,
        time=event.time,
        state=states[row.number],
        co2_pct=event.co2_pct or 0.0,
        o2_pct=event.o2_pct,
        co_ppm=event.co_ppm,
        co_air_free_ppm=co_air_free_ppm(visit.facts, event),
        co_co2_ratio=co_co2_ratio(event.co_ppm, event.co2_pct) if event.co_ppm is not None and event.co2_pct else None,
        excess_air_ratio=1 + meant.excess_air_pct / 100 if meant else None,
        dew_point_c=meant.dew_point_c if meant else None,
        flue_c=flue_c,
        air_c=air_c,
        flue_loss_pct=meant.flue_loss_pct if meant else None,
    )


def _temperature(visit: Visit, reading: Row, running: Mapping[int, str | None], item: str) -> float | None:
    """The temperature entered nearest to a reading, at its rate and between the same two turns; C."""
    turned = [row.event.time for row in visit.of("turn")]
    at = reading.event.time
    since = max((time for time in turned if time < at), default=None)
    until = min((time for time in turned if time >= at), default=None)
    entered = [
        row.event
        for row in visit.of("check")
        if row.event.item == item
        and running[row.number] == reading.event.firing
        and (since is None or row.event.time >= since)
        and (until is None or row.event.time <= until)
    ]
    for event in sorted(entered, key=lambda event: abs(event.time - at)):
        with suppress(RangeError):
            return units.celsius(units.parse_number(event.value, item), event.unit)
    return None
