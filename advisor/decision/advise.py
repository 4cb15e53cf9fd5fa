"""How far next, which way, how long to wait, may I, am I done: one answer for a visit as it stands."""

from dataclasses import dataclass
from typing import Any

from advisor import units
from advisor.chemistry import limits
from advisor.decision.candidates import (
    ENOUGH_READINGS,
    PROVE_LINE,
    TINY,
    Move,
    Rate,
    gain_at_present,
    percent,
    say_wall,
)
from advisor.diagnosis.findings import find
from advisor.procedure.stages import CO_CAUSE, MENDED
from advisor.response.model import FIRING_FOR, SCREW_FOR
from advisor.response.reading_checks import Finding
from advisor.response.regression import Mixture
from advisor.response.situation import Visit, settled_from_s
from advisor.response.tracker import clockwise_item

REREAD_FROM = 0.5  # chance of being in band from which another reading is cheaper than another turn
LEFT = "Hours have passed since the last entry: run the boiler, log run-at, wait, and read again."
REOPEN = "To go on with this boiler, log run-at and a new reading first."
STALE = "The last reading is over a quarter of an hour old: read again before a turn."
SMALLEST_TURN = 1 / 200
FAR_TOO_LEAN_PCT = 1.0  # under the band of low fire, % CO2, from where a flame may lift; own choice
MOST_REREADS = 3  # readings at one standstill before a turn is tried all the same
UNPROVED = {  # what bars "done", by finding
    "fell": "Both rates are in band on the display, but CO2 fell short of its turns and the sample line has not been "
    'proved tight since: prove it, log check "sample line" tight.',
}
CO_STOPS = ("rich", "high-co", "co-climbing")  # codes of the findings that stop a job for carbon monoxide
STOPPED = "Stop: no turn until this is cleared."
STOPPED_LEANER = (
    "Leaner is the safe direction, but how far is not advised while a stop stands: do what the stop says, and follow "
    "the maker's instructions."
)


@dataclass(frozen=True)
class Advice:
    """The answer. Turns clockwise positive, seconds, % CO2, chances 0 to 1; None where it does not apply.

    action  `read`, `run_at`, `turn`, `wait`, `finish` or `halt`
    expect_*  the next displayed reading with its 90 % range; gain_* in % CO2 per turn clockwise at the
    present point, 90 % range
    open_items  names of what is still to be proved or done; with `finish` they are due before the job is finished
    """

    action: str
    firing: str | None = None
    screw: str | None = None
    turns_cw: float | None = None
    wait_s: float | None = None
    expect_co2_pct: float | None = None
    expect_low_pct: float | None = None
    expect_high_pct: float | None = None
    chance_in_band: float | None = None
    chance_past_band: float | None = None
    gain_per_turn: float | None = None
    gain_low: float | None = None
    gain_high: float | None = None
    findings: tuple[Finding, ...] = ()
    reasons: tuple[str, ...] = ()
    open_items: tuple[str, ...] = ()


@dataclass(frozen=True)
class Verdict:
    """May I turn this far? `reasons` starts with the one that matters; the rest, those of Advice, concern this turn."""

    allowed: bool
    screw: str
    turns_cw: float
    reasons: tuple[str, ...]
    firing: str | None = None
    wait_s: float | None = None
    expect_co2_pct: float | None = None
    expect_low_pct: float | None = None
    expect_high_pct: float | None = None
    chance_in_band: float | None = None
    chance_past_band: float | None = None
    findings: tuple[Finding, ...] = ()


def advise(visit: Visit) -> Advice:
    """The answer to "how far next?" for a visit as it stands."""
    findings = find(visit)
    halts = [finding for finding in findings if finding.severity == "halt"]
    firing = visit.firing
    if halts:
        return _about(visit, "halt", findings, tuple(finding.text for finding in halts))
    if left := visit.closed:
        said = f"Closed on {left.time:%Y-%m-%d at %H:%M}: the appliance was left {left.value}."
        return Advice("finish", findings=(Finding("closed", "note", said), *findings), reasons=(REOPEN,))
    if firing is None:
        why = "High fire comes first: light the boiler, run it at its maximum in test mode, and log it at once."
        return Advice(
            "run_at",
            firing="high",
            wait_s=max(limits.START_WAIT_S, visit.facts.min_wait_s["firing"]),
            findings=findings,
            reasons=(why,),
        )
    if visit.left:
        return _about(visit, "run_at", findings, (LEFT,), firing=firing)
    if firing == "low" and not visit.settled_readings("high", 0.0):
        why = "High fire comes first: the throttle screw works at both rates, the offset screw hardly at high fire."
        return _about(visit, "run_at", findings, (why,), firing="high")
    rate = Rate(visit, firing)
    if visit.unsure and not visit.settled_readings(visit.unsure.firing, visit.unsure.at_s):
        if visit.unsure.firing != firing:
            why = f"The last CO2 at {visit.unsure.firing} fire did not fit the ones before: read it again."
            return _about(visit, "run_at", findings, (why,), firing=visit.unsure.firing)
        if not visit.wait_left_s():
            return _about(visit, "read", findings, (f"{visit.say_step(visit.unsure)}: read again to be sure.",))
    if not visit.settled_readings(firing, visit.changed_at_s):
        return _settle(visit, findings)
    if visit.unsure_fall:
        return _about(visit, "read", findings, ("Where the line is tight, another reading shows whether it is so.",))
    if not rate.holds:
        return _set_rate(rate, findings)
    if not rate.has_as_left:
        why = f"{firing.capitalize()} fire holds; the record still needs CO: read CO2, O2 and CO once more."
        return _about(visit, "read", findings, (why,))
    other = Rate(visit, "low" if firing == "high" else "high")
    if other.holds and other.has_as_left:
        codes = {finding.code for finding in findings}
        if text := next((text for code, text in UNPROVED.items() if code in codes), None):
            return _about(visit, "halt", (Finding("not-proved", "halt", text), *findings), (text,))
        why = "Both rates are in band and were read, CO included, since the last turn."
        return _about(visit, "finish", findings, (why,))
    return _about(visit, "run_at", findings, (_why_other_rate(rate, other),), firing=other.firing)


def _settle(visit: Visit, findings: tuple[Finding, ...]) -> Advice:
    """The next step while no settled reading has been taken since the last change."""
    wait_s = visit.wait_left_s()
    if wait_s == 0:
        return _about(visit, "read", findings, ("It has settled.",))
    peek_s = visit.peek_in_s(wait_s)
    if peek_s == 0:
        why = "A reading on the way: it shows how fast this boiler answers. Turn only when told."
        return _about(visit, "read", findings, (why,))
    why = "Flame and sample are still on their way; a turn now would be on a figure that still moves."
    if visit.at.timestamp() < visit.history.start_over_s:
        why = "Two minutes after lighting comes the first reading to steer by; those before show how fast it answers."
    return _about(visit, "wait", findings, (why,), wait_s=wait_s if peek_s is None else peek_s)


def _why_other_rate(rate: Rate, other: Rate) -> str:
    if not other.visit.settled_readings(other.firing, 0.0):
        return f"{rate.firing.capitalize()} fire holds. {other.firing.capitalize()} fire has not been read yet."
    if not other.settled:
        return (
            f"{rate.firing.capitalize()} fire holds. Each screw also moves the other rate a little: "
            f"{other.firing} fire must be read again since the last turn."
        )
    left = "is not sure yet" if other.has_as_left else "was not read with CO since the last turn"
    return f"{rate.firing.capitalize()} fire holds; {other.firing} fire {left}."


def _set_rate(rate: Rate, findings: tuple[Finding, ...]) -> Advice:
    """The next step at a rate that does not hold yet and has a settled reading."""
    visit, best, chance = rate.visit, rate.best, rate.now.chance_in_band
    high = Rate(visit, "high")
    if rate.firing == "low" and high.now.chance_in_band < REREAD_FROM and not (_leaner(rate) and high.low_in_the_way):
        why = "High fire is not set yet, and its throttle screw moves low fire too: high fire first."
        return _about(visit, "run_at", findings, (why,), firing="high")
    if rate.against_low:
        unread = not visit.settled_readings("low", visit.fresh_from_s)
        if unread or _leaner(Rate(visit, "low")):
            return _about(visit, "run_at", findings, (rate.against_low,), firing="low")
    if best is None and rate.unread:
        return _about(visit, "read", findings, (rate.unread,))
    co_bars = rate.walled_off or (best is None and (rate.co_rising or rate.wall))
    if rate.too_lean and chance < REREAD_FROM and co_bars:
        seen = f"{say_wall(rate.wall, rate.firing)}, and" if rate.wall else "CO climbs while"
        text = (
            f"{seen} {rate.firing} fire is still too lean: look at burner, air intake and flue first. When the cause "
            f'is found and mended, log check "{CO_CAUSE}" {MENDED}.'
        )
        stuck = Finding("co-climbing", "halt", text)
        return _about(visit, "halt", (stuck, *findings), (text,))
    if best is None:
        stuck = _stuck(rate)
        in_turn = rate.firing == "high" or high.now.chance_in_band >= REREAD_FROM
        hopeless = stuck.code == "travel-limit" and chance < REREAD_FROM and in_turn  # no reading will help
        if hopeless or rate.settled >= ENOUGH_READINGS:
            return _about(visit, "halt", (stuck, *findings), (stuck.text,))
        why = (
            "No turn would better it for sure; another reading will show where it is."
            if chance >= REREAD_FROM
            else "Read again before turning: no turn is safe enough on what is known."
        )
        return _about(visit, "read", findings, (why,))
    if rate.goes_against and rate.settled < MOST_REREADS:
        why = "CO2 may have gone against the turn. Another reading costs less than a turn the wrong way."
        return _about(visit, "read", findings, (why,))
    if chance >= REREAD_FROM and rate.settled < MOST_REREADS:
        told, asked = percent(chance), percent(visit.facts.stop_chance)
        sure = (
            f"{told} sure of the band, {asked} is asked" if told != asked else f"not quite {asked} sure of the band yet"
        )
        why = f"Near an edge: {sure}. Another reading costs less than a turn."
        return _about(visit, "read", findings, (why,))
    if visit.stale:
        return _about(visit, "read", findings, (STALE,))
    return _turn(rate, best, findings)


def _leaner(rate: Rate) -> bool:
    """Whether this rate is still to be set leaner, and can be, or may be once it has been read again."""
    if rate.holds or rate.too_lean:
        return False
    return rate.best is not None or rate.settled < ENOUGH_READINGS


def _stuck(rate: Rate) -> Finding:
    side = "lean" if rate.too_lean else "rich"
    mark = rate.visit.facts.mark_turns[rate.screw]
    step = mark if rate.richer(mark) == rate.too_lean else -mark
    if abs(rate.travel_turns_cw + step) > rate.visit.facts.travel_limit_turns[rate.screw] + TINY:
        limit = units.say_fraction(rate.visit.facts.travel_limit_turns[rate.screw])
        return Finding(
            "travel-limit",
            "halt",
            f"The {rate.screw} screw is {limit} turn from as found, its travel limit, and {rate.firing} fire is still "
            f"too {side}. A sound valve should not need more: check gas pressure, fuel and air, or put it back and "
            "call the maker.",
        )
    if rate.against_low:
        return Finding(
            "low-rich",
            "halt",
            "High fire is too lean, and a turn richer would take low fire to where CO begins, though low fire can't be "
            "set leaner. The screws alone can't bring both in: check gas pressure and turndown, ask the maker.",
        )
    if not rate.direction_sure and rate.co_rising:
        return Finding(
            "no-safe-turn",
            "halt",
            f"CO at {rate.firing} fire is more than half of its limit, and nobody knows yet which way the {rate.screw} "
            "screw makes it leaner: no turn to find out here. Ask the maker, log "
            f'check "{clockwise_item(rate.screw)}" richer or leaner, then ask again.',
        )
    return Finding(
        "no-safe-turn",
        "halt",
        f"{rate.firing.capitalize()} fire is not surely in band and no turn is safe enough to better it. The band may "
        "be narrower than this display and screw can set: ask the maker.",
    )


def _turn(rate: Rate, move: Move, findings: tuple[Finding, ...]) -> Advice:
    visit = rate.visit
    low, high = rate.band
    here = rate.co2_pct(rate.now.forecast.mean)
    reasons = [f"CO2 at {rate.firing} fire is about {here:.2f} %, band {low:g} to {high:g} %."]
    if rate.first_try:
        reasons.append("What this screw does is not known yet: a small first move to find out.")
    elif rate.goes_against:
        reasons.append("Which way this screw works is in doubt: one small turn more shows it.")
    elif abs(move.turns_cw) > rate.cap_turns - TINY:
        reasons.append(f"No more than {units.say_fraction(rate.cap_turns)} turn at a time.")
    if lean := _low_goes_lean(rate, move):
        reasons.append(lean)
    outcome = _outcome(rate, move)
    return _about(visit, "turn", findings, tuple(reasons), screw=rate.screw, turns_cw=move.turns_cw, **outcome)


def _low_goes_lean(rate: Rate, move: Move) -> str | None:
    """What a leaner turn of the throttle does at low fire, where that has been read and is left far too lean."""
    visit = rate.visit
    seen = visit.settled_readings("low", visit.session_from_s)
    if rate.screw != "throttle" or rate.richer(move.turns_cw) or not seen:
        return None
    (there,) = visit.belief.settled_after("low", "throttle", [move.turns_cw])
    co2_pct = float(visit.belief.model.scales["low"].co2_pct(there.mean))
    if co2_pct > visit.facts.bands["low"][0] - FAR_TOO_LEAN_PCT:
        return None
    return f"Low fire goes leaner too, to about {co2_pct:.1f} %: there the flame may lift or go out until it is set."


def _outcome(rate: Rate, move: Move) -> dict[str, float]:
    """What to expect after a move: wait, next displayed reading with its 90 % range, chances."""
    visit, now_s = rate.visit, rate.visit.at.timestamp()
    after = visit.belief.turned(rate.screw, move.turns_cw, now_s)
    wait_s = settled_from_s(after, now_s + visit.facts.min_wait_s[rate.screw]) - now_s
    return {
        "wait_s": wait_s,
        **_expected(rate, after.displayed(now_s + wait_s)),
        "chance_in_band": move.chance_in_band,
        "chance_past_band": move.chance_past_band,
    }


def _expected(rate: Rate, displayed: Mixture) -> dict[str, float]:
    return {
        "expect_co2_pct": rate.co2_pct(displayed.mean),
        "expect_low_pct": rate.co2_pct(displayed.quantile(0.05)),
        "expect_high_pct": rate.co2_pct(displayed.quantile(0.95)),
    }


def _about(visit: Visit, action: str, findings: tuple[Finding, ...], reasons: tuple[str, ...], **more: Any) -> Advice:
    """An answer with everything that is known about the rate it is for."""
    known: dict[str, Any] = {"firing": visit.firing}
    if visit.firing is not None and action not in ("halt", "run_at"):
        rate = Rate(visit, visit.firing)
        known |= {"chance_in_band": rate.now.chance_in_band, "chance_past_band": rate.now.chance_past_band}
        if action in ("read", "wait"):
            known |= _expected(rate, visit.belief.displayed(visit.at.timestamp() + float(more.get("wait_s", 0.0))))
        if action in ("turn", "read", "wait"):
            known |= gain_at_present(visit, rate.screw, rate.firing)
    return Advice(action, findings=findings, reasons=reasons, **{**known, **more})


def permit(visit: Visit, screw: str, turns_cw: float) -> Verdict:
    """The answer to "may I turn this far?". Never allows what `advise` would refuse."""
    advice = advise(visit)
    refused = _not_now(visit, advice, screw, turns_cw)
    if refused:
        # what is due of the other screw is no reason against this turn; a stop is
        concern = advice.action == "halt" or visit.firing in (None, FIRING_FOR[screw])
        return Verdict(
            False,
            screw,
            turns_cw,
            tuple(dict.fromkeys((refused, *(advice.reasons if concern else ())))),
            visit.firing,
            advice.wait_s,
            findings=advice.findings,
        )
    rate = Rate(visit, FIRING_FOR[screw])
    move = rate.moves([turns_cw])[0]
    against = rate.refusal(move)
    first = f"{PROVE_LINE} first. " if visit.history.open_falls else ""
    reasons = (against,) if against else (f"{first}Within the cap and not likely to pass the band.",)
    outcome = _outcome(rate, move)
    return Verdict(against is None, screw, turns_cw, reasons, rate.firing, findings=advice.findings, **outcome)


def _leaner_from_co(visit: Visit, advice: Advice, screw: str, turns_cw: float) -> bool:
    """Whether CO stopped the job and this turn is away from it, as surely as anyone knows the screw's way."""
    stops = {finding.code for finding in advice.findings if finding.severity == "halt"}
    if not stops.intersection(CO_STOPS) or "wrong-way" in stops:
        return False
    rate = Rate(visit, FIRING_FOR[screw])
    return rate.direction_sure and not rate.richer(turns_cw)


def _not_now(visit: Visit, advice: Advice, screw: str, turns_cw: float) -> str | None:
    """Why no turn of this screw may be made at this moment, whatever its size."""
    if advice.action == "halt":
        return STOPPED_LEANER if _leaner_from_co(visit, advice, screw, turns_cw) else STOPPED
    if visit.closed:
        return f"The visit is closed. {REOPEN}"
    if visit.left:
        return LEFT
    if abs(turns_cw) < SMALLEST_TURN:
        return "No hand can turn that little."
    if visit.firing is not None and screw != SCREW_FOR[visit.firing]:
        return f"The {screw} screw is set at {FIRING_FOR[screw]} fire; the boiler runs at {visit.firing} fire."
    if advice.action == "wait":
        return f"Not settled: wait {units.say_seconds(advice.wait_s or 0)} more and read."
    if advice.action == "read":
        return f"{PROVE_LINE} first." if visit.unsure_fall else "Take a reading first."
    if advice.action in ("finish", "run_at"):
        if visit.firing is None:
            return "Run the boiler at high fire and take a reading first."
        return "No turn is needed here." if Rate(visit, visit.firing).holds else advice.reasons[0]
    return None
