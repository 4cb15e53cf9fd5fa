"""Carbon monoxide over a whole visit: what stands of it, whether it climbs, where it passed its limit."""

from typing import Any, NamedTuple

from advisor.job_setup.setup import JobSetup
from advisor.log.check_items import CO_CAUSE, MENDED
from advisor.log.events import Event, Row
from advisor.messages import SEVERITIES, Finding
from advisor.response import reading_checks
from advisor.response.reading_checks import (
    When,
    co_air_free_ppm,
    co_as_stated,
    co_bar_ppm,
    co_limit_ppm,
    mostly_air,
    without_flue,
)
from advisor.response.situation import Situation, Struck
from advisor.screws import FIRINGS, OFF, SCREW_FOR, SCREWS, Firing, Screw

CO_STOPS = (
    "rich",
    "high-co",
    "co-rises",
    "richer-in-co",
    "co-no-flame",
    "co-climbing",
)  # codes of findings that stop a job for carbon monoxide
OF_CO = ("rich", "high-co", "co-rising")  # codes of findings that one reading of CO may give


def stops_for_co(finding: Finding) -> bool:
    """Whether this finding stops a job for carbon monoxide."""
    return finding.severity == "halt" and finding.code in CO_STOPS


def co_read_since_start(situation: Situation) -> bool:
    """Whether CO was read since the burner was last lit."""
    read = [row.at_s for row in situation.of("reading") if row.event.co_ppm is not None]
    return bool(read) and read[-1] >= situation.tracker.started_s


class CoCeiling(NamedTuple):
    """Where CO went over its limit: CO2 then (dry volume percent), CO (ppm air-free), row of the log."""

    co2_pct: float
    co_air_free_ppm: float
    row: int


class CoCourse(NamedTuple):
    """CO at one rate as read in this session.

    shown_ppm    the last readings as displayed, ppm, oldest first: one, or up to four where CO climbs
    climbs       whether it climbs
    air_free_ppm of the last one, ppm; None where it can't be known, or its limit was stated as displayed
    limit_ppm    its limit on the same basis: ppm air-free, or as displayed
    about        whether that is a guess, as no CO2 was read at that rate
    """

    shown_ppm: tuple[float, ...]
    climbs: bool
    air_free_ppm: float | None
    limit_ppm: float
    about: bool


def co_standing(situation: Situation, firing: Firing) -> list[Finding]:
    """What stands of CO at a rate: only a settled, undoubted reading with CO at that rate lifts it.

    What was read just after lighting is lifted by any later one of the same start: the peak has fallen.
    """
    standing: Row | None = None
    peak: Row | None = None
    outdated = False  # whether CO was read after what stands
    for row in flames_with_co(situation, firing):
        said, proven = _of_co(situation, row, "now"), row.number in situation.tracker.proven
        outdated = not said
        if _just_lit(situation, row):
            peak = row if said else None
            continue
        peak = None
        if proven or standing is None or _gravity(said) >= _gravity(_of_co(situation, standing, "now")):
            standing = row if said else None if proven else standing
    found = [_of_co(situation, peak, said_when(situation, peak))] if peak else []
    if standing:
        found.append(_of_co(situation, standing, "before" if outdated else said_when(situation, standing)))
    return max(found, key=_gravity) if found else _rising(situation, firing)


def _just_lit(situation: Situation, row: Row) -> bool:
    """Whether a row is of the time after the latest start in which CO may fall by itself."""
    return 0 <= row.at_s - situation.tracker.started_s < situation.policy.just_lit_s and situation.off is None


def _of_co(situation: Situation, row: Row, when: When) -> list[Finding]:
    """What a reading says of CO by itself; nothing where it is clean."""
    return [finding for finding in reading_checks.judge(situation.setup, row.event, when=when) if finding.code in OF_CO]


def _gravity(found: list[Finding]) -> int:
    return max((SEVERITIES.index(finding.severity) for finding in found), default=-1)


def said_when(situation: Situation, row: Row) -> When:
    """How what a reading says of CO, or of a rich flame, is said now."""
    if situation.off is not None:
        rich = any(finding.code == "rich" for finding in reading_checks.judge(situation.setup, row.event))
        return "before" if mended_while_off(situation) and not rich else "off"
    if row.at_s < situation.tracker.started_s:  # lit again since
        return "before"
    return "lighting" if situation.at_s - situation.tracker.started_s < situation.policy.just_lit_s else "now"


def mended_while_off(situation: Situation) -> bool:
    """Whether the burner is off, and what was said last of the cause of CO since is that it is mended."""
    off = situation.off
    told = [row.event.value for row in situation.checks(CO_CAUSE) if off and row.at_s >= off.at_s]
    return told[-1:] == [MENDED]


def cause_due(situation: Situation) -> bool:
    """Whether CO put the burner off in this session, and nobody has said since that its cause is mended."""
    read = sorted((row for firing in FIRINGS for row in _since_mended(situation, firing)), key=lambda row: row.at_s)
    offs = [row.at_s for row in situation.of("firing") if row.event.firing == OFF]
    last = [[row for row in read if row.at_s <= off_s][-1:] for off_s in offs]
    return any(finding.severity == "halt" for rows in last for row in rows for finding in _of_co(situation, row, "now"))


def bars_richer(situation: Situation, firing: Firing) -> bool:
    """Whether CO bars every turn richer: over its limit or `policy.co_bar_ppm`, leaping up, or its cause is due."""
    return cause_due(situation) or any(
        finding.code != "co-rising" or finding.variant == "climbs" or finding.data["air_free"] > finding.data["bar"]
        for finding in co_standing(situation, firing)
    )


def co_ceiling(situation: Situation, firing: Firing) -> CoCeiling | None:
    """The least CO2 at which CO was over its limit at this rate in this session; None where it never was.

    The check that its cause is mended lifts it; where its reading was not steady, also a later settled one at as much
    CO2 with CO under half the limit. CO that is gone at less CO2 comes back with the next turn richer.
    """
    setup, ceiling = situation.setup, None
    step, known = setup.display_step_pct / 2, _settled(situation, firing)
    for row in _since_mended(situation, firing):
        if row.event.co2_pct is None:
            continue
        air_free, limit = _air_free(situation, row.event), co_limit_ppm(setup, row.event)
        co2 = row.event.co2_pct
        if air_free > limit and (ceiling is None or co2 < ceiling.co2_pct):
            ceiling = CoCeiling(co2, air_free, row.number)
        proven = row.number in situation.tracker.proven and air_free <= limit * setup.policy.co_near_share
        if ceiling is not None and proven and ceiling.row not in known and co2 >= ceiling.co2_pct - step:
            ceiling = None
    return ceiling


def _rising(situation: Situation, firing: Firing) -> list[Finding]:
    """CO well below its limit that has risen several times over with CO2: the limit is a turn or two away.

    It has risen from a settled reading: one just after a change of rate still shows the flue of the other.
    """
    rows = [row.event for row in _since_mended(situation, firing) if row.event.co2_pct is not None]
    settled = [event for event in _settled_with_co(situation, firing) if event.co2_pct is not None]
    leaner = [event for event in settled if (event.co2_pct or 0.0) < (rows[-1].co2_pct or 0.0)]
    rise = _rise(situation, leaner, rows[-1]) if leaner else None
    return [Finding("co-rising", "warn", firing, variant="climbs", data=rise)] if rise else []


def co_by_itself(situation: Situation, firing: Firing) -> list[Finding]:
    """CO that has risen several times over with no more CO2 than before, by a settled reading: more air did not help.

    A warning only; it is said until CO stands out by itself (`co_standing`).
    """
    rows = [event for event in _settled_with_co(situation, firing) if event.co2_pct is not None]
    as_rich = [event for event in rows[:-1] if (event.co2_pct or 0.0) >= (rows[-1].co2_pct or 0.0)]
    rise = _rise(situation, as_rich, rows[-1]) if as_rich else None
    return [Finding("co-by-itself", "warn", firing, data=rise)] if rise and not co_standing(situation, firing) else []


def co_climbs(situation: Situation, firing: Firing) -> list[Finding]:
    """CO that has doubled between settled readings, far below its limit yet: said, and richer is one mark at most."""
    climb = co_climb(situation, firing)
    return [Finding("co-climbs", "warn", firing, data=climb)] if climb and not co_standing(situation, firing) else []


def co_climb(situation: Situation, firing: Firing) -> dict[str, Any] | None:
    """How CO has climbed between settled readings: the last as shown, the least and the last, ppm air-free."""
    policy, rows = situation.policy, _settled_with_co(situation, firing)
    if len(rows) < 2:
        return None
    least, now = min(_air_free(situation, event) for event in rows[:-1]), _air_free(situation, rows[-1])
    if now < policy.co_climb_times * least or now - least < policy.co_climb_ppm:
        return None
    return {"shown": tuple(event.co_ppm for event in rows[-4:]), "least": least, "now": now}


def co_rises(situation: Situation, firing: Firing) -> list[Finding]:
    """CO over what bars a turn richer, by a settled reading, that goes on rising with no turn made.

    No turn and no change of rate lifts it: a later reading does, or a new start.
    """
    policy, read = situation.policy, flames_with_co(situation, firing)
    last_s = read[-1].at_s if read else 0.0
    if not read or (last_s < situation.tracker.started_s and situation.off is None) or mended_while_off(situation):
        return []
    changes = [row.at_s for row in situation.rows if row.event.event in ("turn", "firing") and row.event.firing != OFF]
    since_s = max((at_s for at_s in changes if at_s < last_s), default=0.0)
    rows = [row for row in read if row.at_s > since_s and not _just_lit(situation, row)]
    if len(rows) < 2:
        return []
    turned = sum(turn.event.turns_cw or 0.0 for turn in situation.of("turn") if turn.at_s == since_s)
    richer = turned * situation.belief.model.toward_richer[SCREW_FOR[firing]] > 0
    steady = rows[-2].number in _settled(situation, firing)
    if not (richer or steady):
        return []  # on the way to a new level CO rises with CO2; after a turn richer that is reason enough
    over = all(_air_free(situation, row.event) > co_bar_ppm(situation.setup, row.event) for row in rows[-2:])
    before, now = (row.event.co_ppm or 0.0 for row in rows[-2:])
    if not over or now < policy.co_rise_times * before or now - before < policy.co_climb_ppm:
        return []
    variant = "off" if situation.off is not None else "now" if steady else "turned"
    return [Finding("co-rises", "halt", firing, variant=variant, data={"before": before, "now": now})]


def richer_in_co(situation: Situation, firing: Firing) -> list[Finding]:
    """A turn that was made richer though CO barred it, until it is turned back or CO is read again at that rate."""
    read, belief = flames_with_co(situation, firing), situation.belief
    if not read or situation.off is not None:
        return []
    moved: tuple[Screw, ...] = ("throttle",) if firing == "high" else SCREWS
    for screw in moved:
        net = situation.net_turns_cw(screw, read[-1].at_s) * belief.model.toward_richer[screw]
        if net > 0 and belief.reversed_chance(screw) < situation.policy.doubted_way:
            stopped = any(map(stops_for_co, co_standing(situation, firing)))
            barred = bars_richer(situation, firing) and not stopped
            return [Finding("richer-in-co", "halt", firing, screw)] if barred else []
    return []


def was_over_limit(situation: Situation, firing: Firing) -> bool:
    """Whether CO was over its limit at a rate in this session."""
    rows = _in_session(situation, firing)
    return any(_air_free(situation, row.event) > co_limit_ppm(situation.setup, row.event) for row in rows)


def co_without_flame(situation: Situation) -> list[Finding]:
    """CO in a sample that has no flue in it: the burner is off or not lit, or the probe hangs in the room."""
    setup = situation.setup
    read = [row for row in situation.of("reading") if row.event.co_ppm is not None]
    if not read or read[-1].at_s < situation.tracker.started_s:
        return []
    last = read[-1].event
    if last.rate is not None and not mostly_air(setup, last):
        return []
    co_ppm = last.co_ppm or 0.0
    high = co_ppm > co_bar_ppm(setup) * situation.policy.co_near_share
    return [Finding("co-no-flame", "halt", data={"co": co_ppm})] if high else []


def co_course(situation: Situation, firing: Firing) -> CoCourse | None:
    """CO at a rate for every answer; None where it was not read in this session."""
    rows = [row.event for row in _in_session(situation, firing)]
    if not rows:
        return None
    setup, last, climb = situation.setup, rows[-1], co_climb(situation, firing)
    now_ppm, shown = last.co_ppm or 0.0, tuple(climb["shown"]) if climb else ()
    if not shown or now_ppm < shown[-1]:  # it does not climb any more
        climb, shown = None, (now_ppm,)
    elif now_ppm > shown[-1]:  # not steady yet
        shown = (*shown[-3:], now_ppm)
    stated = co_as_stated(setup, last)
    if stated is None:
        return CoCourse(shown, bool(climb), None, co_limit_ppm(setup, last), about=False)
    ppm = None if stated.displayed else stated.ppm
    return CoCourse(shown, bool(climb), ppm, stated.limit_ppm, about=without_flue(last))


def _rise(situation: Situation, earlier: list[Event], last: Event) -> dict[str, Any] | None:
    """How far CO rose to this reading from the least of those before; None where that is no jump."""
    policy = situation.policy
    before = min(earlier, key=lambda event: _air_free(situation, event))
    least, now = _air_free(situation, before), _air_free(situation, last)
    if now <= policy.co_jump_ppm or now < policy.co_jump_times * least:
        return None
    return {"least": least, "now": now, "co2_before": before.co2_pct, "co2_now": last.co2_pct}


def _air_free(situation: Situation, reading: Event) -> float:
    return co_air_free_ppm(situation.setup, reading) or 0.0


def flames_with_co(situation: Situation, firing: Firing) -> list[Row]:
    """Readings of a flame with CO at a rate."""
    return [
        row
        for row in situation.of("reading")
        if row.event.firing == firing and row.event.co_ppm is not None and not mostly_air(situation.setup, row.event)
    ]


def _in_session(situation: Situation, firing: Firing) -> list[Row]:
    """The same in this session."""
    return [row for row in flames_with_co(situation, firing) if row.at_s >= situation.session_from_s]


def _since_mended(situation: Situation, firing: Firing) -> list[Row]:
    """The same in this session, since the cause of CO was last said to be mended."""
    mended_s = [row.at_s for row in situation.checks(CO_CAUSE) if row.event.value == MENDED]
    return [row for row in _in_session(situation, firing) if row.at_s >= max(mended_s, default=0.0)]


def _settled(situation: Situation, firing: Firing) -> set[int]:
    """Numbers of the rows of CO that were read settled at a rate."""
    return {row.number for row in situation.co_readings(firing)}


def _settled_with_co(situation: Situation, firing: Firing) -> list[Event]:
    settled = _settled(situation, firing)
    return [row.event for row in _since_mended(situation, firing) if row.number in settled]


# ---- struck readings


def co_struck(situation: Situation, firing: Firing | None = None) -> list[Struck]:
    """Struck readings (at one rate) whose CO was such that their reason is kept."""
    return [
        struck
        for struck in situation.struck
        if firing in (None, struck.row.event.firing) and worth_a_reason(situation.setup, struck.row.event)
    ]


def co_due_anew(situation: Situation, firing: Firing) -> bool:
    """Whether CO is still to be read at a rate since a reading there whose CO was high was struck."""
    struck_by = max((struck.by.number for struck in co_struck(situation, firing)), default=0)
    return bool(struck_by) and not any(row.number > struck_by for row in situation.co_readings(firing))


def worth_a_reason(setup: JobSetup, reading: Event) -> bool:
    """Whether a reading is not struck without a reason: its CO is over half its limit, or over what bars a turn."""
    if reading.event != "reading" or reading.co_ppm is None:
        return False
    near = co_limit_ppm(setup, reading) * setup.policy.co_near_share
    return (co_air_free_ppm(setup, reading) or reading.co_ppm) > min(near, co_bar_ppm(setup, reading))
