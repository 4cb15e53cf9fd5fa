"""Carbon monoxide over a whole visit: what stands of it, whether it climbs with CO2, where it passed its limit."""

from typing import Any, NamedTuple

from advisor.log.check_items import CO_CAUSE, MENDED
from advisor.log.events import Event, Row
from advisor.messages import Finding
from advisor.response import reading_checks
from advisor.response.reading_checks import co_air_free_ppm, co_limit_ppm
from advisor.response.situation import Situation
from advisor.screws import Firing


class CoCeiling(NamedTuple):
    """Where CO went over its limit: CO2 then (dry volume percent), CO (ppm air-free), row of the log."""

    co2_pct: float
    co_air_free_ppm: float
    row: int


def co_standing(situation: Situation, firing: Firing) -> list[Finding]:
    """What stands of CO at a rate: only a settled, undoubted reading with CO at that rate lifts it."""
    standing: Event | None = None
    outdated = False  # whether CO was read after what stands
    for row in situation.of("reading"):
        if row.event.firing != firing or row.event.co_ppm is None:
            continue
        outdated = not _of_co(situation, row.event)
        if not outdated:
            standing = row.event
        elif row.number in situation.tracker.proven:
            standing = None
    return _of_co(situation, standing, outdated=outdated) if standing else _climbing(situation, firing)


def _of_co(situation: Situation, reading: Event, *, outdated: bool = False) -> list[Finding]:
    """What a reading says of CO by itself; nothing where it is clean."""
    found = reading_checks.judge(situation.setup, reading, outdated=outdated)
    return [finding for finding in found if finding.code in ("rich", "high-co", "co-rising")]


def co_ceiling(situation: Situation, firing: Firing) -> CoCeiling | None:
    """The least CO2 at which CO was over its limit at this rate in this session; None where it never was.

    A later settled reading at as much CO2 with CO under half the limit lifts it, and so does the check that its cause
    is mended: CO that is gone at less CO2 comes back with the next turn richer.
    """
    setup, ceiling = situation.setup, None
    limit, step = co_limit_ppm(setup), setup.display_step_pct / 2
    for row in _read_with_co(situation, firing):
        co2, air_free = row.event.co2_pct or 0.0, _air_free(situation, row.event)
        if air_free > limit and (ceiling is None or co2 < ceiling.co2_pct):
            ceiling = CoCeiling(co2, air_free, row.number)
        proven = row.number in situation.tracker.proven and air_free <= limit * setup.policy.co_near_share
        if ceiling is not None and proven and co2 >= ceiling.co2_pct - step:
            ceiling = None
    return ceiling


def _climbing(situation: Situation, firing: Firing) -> list[Finding]:
    """CO well below its limit that has risen several times over with CO2: the limit is a turn or two away."""
    rows = [row.event for row in _read_with_co(situation, firing)]
    leaner = [event for event in rows if (event.co2_pct or 0.0) < (rows[-1].co2_pct or 0.0)]
    rise = _rise(situation, leaner, rows[-1]) if leaner else None
    return [Finding("co-rising", "warn", firing, variant="climbs", data=rise)] if rise else []


def co_by_itself(situation: Situation, firing: Firing) -> list[Finding]:
    """CO that has risen several times over with no more CO2 than before, by a settled reading: more air did not help.

    A warning only; it is said until CO stands out by itself (`co_standing`).
    """
    settled = situation.settled_readings(firing)
    rows = [row.event for row in _read_with_co(situation, firing) if row in settled]
    rise = _rise(situation, rows[:-1], rows[-1]) if len(rows) > 1 else None
    return [Finding("co-by-itself", "warn", firing, data=rise)] if rise and not co_standing(situation, firing) else []


def _rise(situation: Situation, earlier: list[Event], last: Event) -> dict[str, Any] | None:
    """How far CO rose to this reading from the least of those before; None where that is no jump."""
    policy = situation.policy
    before = min(earlier, key=lambda event: _air_free(situation, event))
    least, now = _air_free(situation, before), _air_free(situation, last)
    if now <= policy.co_jump_ppm or now < policy.co_jump_times * least:
        return None
    return {"least": least, "now": now, "co2_before": before.co2_pct, "co2_now": last.co2_pct}


def _read_with_co(situation: Situation, firing: Firing) -> list[Row]:
    """Readings with CO at a rate in this session, since its cause was last said to be mended."""
    mended_s = [row.at_s for row in situation.checks(CO_CAUSE) if row.event.value == MENDED]
    since_s = max([situation.session_from_s, *mended_s])
    return [
        row
        for row in situation.of("reading")
        if row.event.firing == firing and row.event.co_ppm is not None and row.at_s >= since_s
    ]


def _air_free(situation: Situation, reading: Event) -> float:
    return co_air_free_ppm(situation.setup, reading) or 0.0
