"""Events told in seconds from a start, for tests of what rows teach."""

from datetime import UTC, datetime, timedelta

from advisor.log.events import Event

MARK = 1 / 24


def at(seconds: float) -> datetime:
    return datetime(2024, 1, 15, 9, 0, tzinfo=UTC) + timedelta(seconds=seconds)


def firing(seconds: float, rate: str) -> Event:
    return Event(at(seconds), "firing", firing=rate)


def reading(seconds: float, rate: str, co2_pct: float) -> Event:
    return Event(at(seconds), "reading", firing=rate, co2_pct=co2_pct)


def turn(seconds: float, screw: str, turns_cw: float) -> Event:
    return Event(at(seconds), "turn", screw=screw, turns_cw=turns_cw)
