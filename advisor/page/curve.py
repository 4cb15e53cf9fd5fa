"""The course of CO2 as points of a picture: readings, bands, turns, for a narrow screen. The template draws it."""

from dataclasses import dataclass
from datetime import datetime

from advisor.report.plots import say_short
from advisor.report.record import Record
from advisor.wording.page import page_text

WIDTH, HEIGHT = 360, 380
LEFT, RIGHT, TOP, BOTTOM = 58, 12, 34, 44  # around the picture, in its own units: some pixels on a phone
LEAST_SPAN_S, LEAST_SPAN_PCT = 300.0, 1.0


@dataclass(frozen=True)
class Point:
    """A reading or a turn in the picture: where, and what is said of it."""

    x: float
    y: float
    firing: str
    says: str = ""


@dataclass(frozen=True)
class Curve:
    """What the picture shows.

    bands  by rate: top and height
    ticks  CO2 beside the axis: y and label
    clock  first and last moment
    """

    readings: tuple[Point, ...]
    turns: tuple[Point, ...]
    bands: tuple[tuple[str, float, float], ...]
    ticks: tuple[tuple[float, str], ...]
    clock: tuple[str, str]
    says: str


def curve_of(record: Record) -> Curve | None:
    """The curve so far; None before the first reading."""
    readings = record.readings
    if not readings:
        return None
    first = readings[0].time
    span_s = max((readings[-1].time - first).total_seconds(), LEAST_SPAN_S)
    edges = [edge for band in record.setup.bands.values() for edge in band]
    values = [*edges, *(reading.co2_pct for reading in readings)]
    middle, span = (max(values) + min(values)) / 2, max(max(values) - min(values), LEAST_SPAN_PCT) * 1.1

    def x(at: datetime) -> float:
        along = (at - first).total_seconds() / span_s
        return round(LEFT + 8 + max(0.0, min(1.0, along)) * (WIDTH - LEFT - RIGHT - 16), 1)

    def y(co2_pct: float) -> float:
        return round(TOP + (0.5 - (co2_pct - middle) / span) * (HEIGHT - TOP - BOTTOM), 1)

    step = 0.5 if span <= 3 else 2.0
    lowest = int((middle - span / 2) / step) + 1
    ticks = [lowest * step + count * step for count in range(12)]
    last = readings[-1]
    says = page_text(
        "curve-says", readings=len(readings), turns=len(record.turns), firing=last.firing, co2_pct=last.co2_pct
    )
    return Curve(
        tuple(
            Point(x(r.time), y(r.co2_pct), r.firing, page_text("point", firing=r.firing, co2_pct=r.co2_pct))
            for r in readings
        ),
        tuple(Point(x(turn.time), HEIGHT - BOTTOM, turn.firing or "", say_short(turn)) for turn in record.turns),
        tuple((firing, y(high), y(low) - y(high)) for firing, (low, high) in record.setup.bands.items()),
        tuple((y(value), f"{value:.1f}") for value in ticks if value < middle + span / 2),
        (record.clock(first), record.clock(last.time)),
        says,
    )
