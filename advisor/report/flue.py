"""The flue of one job as found and as left: every quantity with its unit and what it is held against.

A quantity that was not read, and can't be known from what was, is None; an as-left figure is never guessed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from advisor.chemistry import limits
from advisor.chemistry.flue_gas import FlueGas
from advisor.decision.advise import Case
from advisor.diagnosis.answers import flue_gas_of_row
from advisor.job_setup.setup import AIR_FREE, DISPLAYED, RATIO, JobSetup
from advisor.log.check_items import LEAKING, SAMPLE_LINE
from advisor.log.events import Row
from advisor.messages import Reason
from advisor.response.reading_checks import judge
from advisor.response.situation import Situation
from advisor.screws import OFF, Firing

NONE = "\u2013"  # in place of a quantity that is not there
ROUNDING = 1e-9  # a value on an edge keeps it
MAINLY_METHANE = 0.75  # share of methane from which the CO/CO2 rule for natural gas is held against, own choice

ReadingState = Literal["settled", "on the way", "in doubt"]
SETTLED: ReadingState = "settled"
ON_THE_WAY: ReadingState = "on the way"
DOUBTED: ReadingState = "in doubt"


@dataclass(frozen=True)
class Flue:
    """The flue at one reading: the row it was read in, its moment and state, and everything worked out from it."""

    row: int
    time: datetime
    state: ReadingState
    gas: FlueGas


@dataclass(frozen=True)
class FiringRecord:
    """One firing rate: its band (% CO2), the flue as found and as left, and what must be said about each.

    found_notes why it is not the flue as found, or why there is none; empty where it is
    left_note   why there is no as-left figure; None where there is one
    read_later  the last reading, where it came after the one as left and was not settled
    chance_in_band       of the true settled CO2 by the readings, 0 to 1; None without an as-left figure
    chance_with_accuracy the same with the analyser's own accuracy counted in; None where that is not known
    """

    firing: Firing
    band: tuple[float, float]
    as_found: Flue | None
    found_notes: tuple[Reason, ...]
    as_left: Flue | None
    left_note: Reason | None
    read_later: Flue | None = None
    chance_in_band: float | None = None
    chance_with_accuracy: float | None = None


@dataclass(frozen=True)
class FlueQuantity:
    """One quantity of a rate, as found and as left, with its unit and the limits it is held against, if any.

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
        """Whether the as-left value keeps its limits; None where there is no value or no limit."""
        if self.left is None or (self.low is None and self.high is None):
            return None
        low, high = self.low or 0.0, self.high or float("inf")
        return low * (1 - ROUNDING) <= self.left <= high * (1 + ROUNDING)


QUANTITIES = (  # name, unit, decimals, field of FlueGas
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


def quantities(setup: JobSetup, record: FiringRecord) -> tuple[FlueQuantity, ...]:
    """All quantities of a rate in the order of the record; O2 is held against the fuel's line at the as-left CO2.

    The maker's CO limit is held against on the basis that it was stated on.
    """
    least, most = (float(setup.fuel.excess_air_ratio(co2_pct=edge)) for edge in reversed(record.band))
    held: dict[str, tuple[float | None, float | None]] = {
        "co2_pct": record.band,
        "co_air_free_ppm": (None, limits.CO_AIR_FREE_PPM),
        "excess_air_ratio": (least, most),
    }
    if setup.fuel.composition.get("CH4", 0.0) >= MAINLY_METHANE:
        held["co_co2_ratio"] = None, limits.CO_CO2_RATIO
    stated = setup.stated_co_limit
    if stated:
        value, basis = stated
        field = {AIR_FREE: "co_air_free_ppm", DISPLAYED: "co_ppm", RATIO: "co_co2_ratio"}[basis]
        held[field] = None, min(value, held.get(field, (None, None))[1] or value)
    left = record.as_left.gas if record.as_left else FlueGas()
    found = record.as_found.gas if record.as_found else FlueGas()
    if left.co2_pct and left.co2_pct <= setup.fuel.co2_max_pct:
        line, tolerance = float(setup.fuel.o2_from_co2_pct(left.co2_pct)), setup.policy.fuel_line_o2_pct
        held["o2_pct"] = max(0.0, line - tolerance), line + tolerance
    return tuple(
        FlueQuantity(name, unit, decimals, getattr(found, field), getattr(left, field), *held.get(field, (None, None)))
        for name, unit, decimals, field in QUANTITIES
    )


def co_limit(setup: JobSetup) -> tuple[float, str]:
    """The CO limit in force and its basis: as stated, or the published one where none was or it is stricter."""
    value, basis = setup.stated_co_limit or (limits.CO_AIR_FREE_PPM, AIR_FREE)
    return min(value, limits.CO_AIR_FREE_PPM) if basis == AIR_FREE else value, basis


def say_number(value: float, decimals: int) -> str:
    """A value (of any unit) with its usual decimals, or as many as it was typed with."""
    typed = f"{value:.10g}".partition(".")[2]
    return f"{value:.{max(decimals, len(typed)) if len(typed) <= 3 else decimals}f}"


def say_quantity(quantity: FlueQuantity, value: float | None) -> str:
    """A value with its unit, a dash where there is none."""
    if value is None:
        return NONE
    measured = quantity.name in MEASURED
    said = say_number(value, quantity.decimals) if measured else f"{value:.{quantity.decimals}f}"
    return f"{said} {quantity.unit}".rstrip()


def say_allowed(quantity: FlueQuantity) -> str:
    """The limits of a quantity and whether the as-left value keeps them."""
    if quantity.low is None and quantity.high is None:
        return ""
    high = f"{quantity.high:.{quantity.decimals}f}" if quantity.high is not None else ""
    said = f"at most {high}" if quantity.low is None else f"{quantity.low:.{quantity.decimals}f} to {high}"
    if quantity.name == "O2" and quantity.low is not None and quantity.high is not None:  # no band of its own
        line, tolerance = (quantity.high + quantity.low) / 2, (quantity.high - quantity.low) / 2
        said = f"{line:.1f} \u00b1{tolerance:.1f}"
    return f"{said} {quantity.unit}".rstrip() + {True: ", ok", False: ", OUT", None: ""}[quantity.inside]


def firing_record(case: Case, firing: Firing, states: Mapping[int, ReadingState]) -> FiringRecord:
    """The record of one rate; `states` of the readings by row number."""
    situation = case.situation
    rows = [row for row in situation.of("reading") if row.event.firing == firing and row.event.co2_pct is not None]
    found, found_notes = _as_found(situation, rows, states)
    left, left_note = _as_left(situation, firing, rows, states)
    unsettled = left and rows[-1].number != left.number and states[rows[-1].number] == ON_THE_WAY
    return FiringRecord(
        firing,
        situation.setup.bands[firing],
        _flue(situation, found, states) if found else None,
        found_notes,
        _flue(situation, left, states) if left else None,
        left_note,
        _flue(situation, rows[-1], states) if unsettled else None,
        *(_chances(case, firing) if left else ()),
    )


def _chances(case: Case, firing: Firing) -> tuple[float, float | None]:
    """Chance that the true settled CO2 is in band, by the readings and with the analyser's accuracy counted in."""
    setting = case.setting(firing)
    return setting.now.chance_in_band, setting.chance_with_accuracy


def _as_found(
    situation: Situation, rows: Sequence[Row], states: Mapping[int, ReadingState]
) -> tuple[Row | None, tuple[Reason, ...]]:
    """The reading as it was found that says most: settled with CO, settled, or the first.

    Found is what was read before the next turn, and before the burner went off and was mended.
    The note says after how many turns the first reading came.
    """
    if not rows:
        return None, (Reason("not-read"),)
    turned_s = [row.at_s for row in situation.of("turn")]
    off_s = [row.at_s for row in situation.of("firing") if row.event.firing == OFF]
    until_s = min((at_s for at_s in (*turned_s, *off_s) if at_s >= rows[0].at_s), default=float("inf"))
    same = [row for row in rows if row.at_s <= until_s]  # screws and burner as at the first reading
    settled = [row for row in same if states[row.number] == SETTLED]
    found = next((row for row in settled if row.event.co_ppm is not None), (settled or same)[0])
    notes = []
    if n_turns := sum(at_s < found.at_s for at_s in turned_s):
        notes.append(Reason("found-after-turns", {"turns": n_turns, "plural": "s" if n_turns > 1 else ""}))
    if states[found.number] != SETTLED:
        notes.append(Reason("found-not-settled" if states[found.number] == ON_THE_WAY else "found-in-doubt"))
    if any(line.event.value == LEAKING and line.at_s >= found.at_s for line in situation.checks(SAMPLE_LINE)):
        notes.append(Reason("found-line-leaked"))
    return found, tuple(notes)


def _as_left(
    situation: Situation, firing: Firing, rows: Sequence[Row], states: Mapping[int, ReadingState]
) -> tuple[Row | None, Reason | None]:
    """The last settled reading with CO since the last turn of any screw, or why there is none."""
    if not rows:
        return None, Reason("not-read")
    if situation.left:
        return None, Reason("left-for-hours")
    settled = situation.settled_readings(firing, situation.fresh_from_s)
    with_co = [row for row in settled if row.event.co_ppm is not None]
    if not with_co:
        since = "since the last turn" if situation.of("turn") else "yet"
        return None, Reason("left-no-co" if settled else "left-not-settled", {"since": since})
    for row in rows[rows.index(with_co[-1]) + 1 :]:
        if states[row.number] == DOUBTED or any(f.severity == "halt" for f in judge(situation.setup, row.event)):
            return None, Reason("left-doubted-later", {"row": row.number})
    return with_co[-1], None


def _flue(situation: Situation, row: Row, states: Mapping[int, ReadingState]) -> Flue:
    return Flue(row.number, row.event.time, states[row.number], flue_gas_of_row(situation, row))
