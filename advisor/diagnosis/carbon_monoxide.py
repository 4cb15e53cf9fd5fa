"""Carbon monoxide over a whole visit: what stands of it, whether it climbs with CO2, where it passed its limit."""

from typing import NamedTuple

from advisor.chemistry.limits import CO_JUMP_PPM, CO_JUMP_TIMES
from advisor.log.events import Event
from advisor.procedure.stages import CO_CAUSE, MENDED
from advisor.response import reading_checks as readings
from advisor.response.reading_checks import CO_NEAR_SHARE, Finding, co_air_free_ppm, co_limit_ppm
from advisor.response.situation import Visit
from advisor.response.tracker import Row


class Wall(NamedTuple):
    """Where CO went over its limit: CO2 then (dry volume percent), CO (ppm air-free), row of the log."""

    co2_pct: float
    co_air_free_ppm: float
    row: int


def co_standing(visit: Visit, firing: str) -> list[Finding]:
    """What stands of CO at a rate: only a settled, undoubted reading with CO at that rate lifts it."""
    standing: Event | None = None
    outdated = False  # whether CO was read after what stands
    for row in visit.of("reading"):
        if row.event.firing != firing or row.event.co_ppm is None:
            continue
        outdated = not _of_co(visit, row.event)
        if not outdated:
            standing = row.event
        elif row.number in visit.history.proven:
            standing = None
    return _of_co(visit, standing, outdated=outdated) if standing else _climbing(visit, firing)


def _of_co(visit: Visit, reading: Event, *, outdated: bool = False) -> list[Finding]:
    """What a reading says of CO by itself; nothing where it is clean."""
    found = readings.judge(visit.facts, reading, outdated=outdated)
    return [finding for finding in found if finding.code in ("rich", "high-co", "co-rising")]


def co_wall(visit: Visit, firing: str) -> Wall | None:
    """The least CO2 at which CO was over its limit at this rate in this session; None where it never was.

    A later settled reading at as much CO2 with CO under half the limit lifts it, and so does the check that its cause
    is mended: CO that is gone at less CO2 comes back with the next turn richer.
    """
    facts, wall = visit.facts, None
    limit, step = co_limit_ppm(facts), facts.display_step_pct / 2
    for row in _read_with_co(visit, firing):
        co2, air_free = row.event.co2_pct or 0.0, _air_free(visit, row.event)
        if air_free > limit and (wall is None or co2 < wall.co2_pct):
            wall = Wall(co2, air_free, row.number)
        proven = row.number in visit.history.proven and air_free <= limit * CO_NEAR_SHARE
        if wall is not None and proven and co2 >= wall.co2_pct - step:
            wall = None
    return wall


def _climbing(visit: Visit, firing: str) -> list[Finding]:
    """CO well below its limit that has risen several times over with CO2: the limit is a turn or two away."""
    rows = [row.event for row in _read_with_co(visit, firing)]
    leaner = [event for event in rows if (event.co2_pct or 0.0) < (rows[-1].co2_pct or 0.0)]
    rise = _rise(visit, leaner, rows[-1], " while") if leaner else None
    text = f"{rise} No turn richer; look at burner, air and flue."
    return [Finding("co-rising", "warn", text, firing)] if rise else []


def co_by_itself(visit: Visit, firing: str) -> list[Finding]:
    """CO that has risen several times over with no more CO2 than before, by a settled reading: more air did not help.

    A warning only; it is said until CO stands out by itself (`co_standing`).
    """
    settled = visit.settled_readings(firing)
    rows = [row.event for row in _read_with_co(visit, firing) if row in settled]
    rise = _rise(visit, rows[:-1], rows[-1], ", though") if len(rows) > 1 else None
    text = f"{rise} Watch CO; look at burner, air intake and flue."
    return [Finding("co-by-itself", "warn", text, firing)] if rise and not co_standing(visit, firing) else []


def _rise(visit: Visit, earlier: list[Event], last: Event, link: str) -> str | None:
    """How far CO rose to this reading from the least of those before, in words; None where that is no jump."""
    before = min(earlier, key=lambda event: _air_free(visit, event))
    least, now = _air_free(visit, before), _air_free(visit, last)
    if now <= CO_JUMP_PPM or now < CO_JUMP_TIMES * least:
        return None
    return (
        f"CO at {last.firing} fire rose from {least:.0f} to {now:.0f} ppm air-free{link} CO2 went from "
        f"{before.co2_pct:.1f} to {last.co2_pct:.1f} %."
    )


def _read_with_co(visit: Visit, firing: str) -> list[Row]:
    """Readings with CO at a rate in this session, since its cause was last said to be mended."""
    mended = [row.event for row in visit.of("check") if row.event.item == CO_CAUSE and row.event.value == MENDED]
    since_s = max([visit.session_from_s, *(event.time.timestamp() for event in mended)])
    return [
        row
        for row in visit.of("reading")
        if row.event.firing == firing and row.event.co_ppm is not None and row.event.time.timestamp() >= since_s
    ]


def _air_free(visit: Visit, reading: Event) -> float:
    return co_air_free_ppm(visit.facts, reading) or 0.0
