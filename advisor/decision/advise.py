"""How far next, which way, how long to wait, may I, am I done: guards tried in order, each may answer.

`advise` gives the answer of the first guard that has one. `permit` asks the same guards: a turn is allowed only where
they come to a turn, and only one that the setting of that rate does not refuse; or where it is a way out of CO.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from advisor.chemistry import limits
from advisor.decision.answers import Action, Advice, Verdict
from advisor.decision.candidates import TINY, Move, Setting
from advisor.decision.way_out import WayOut, ways_out
from advisor.diagnosis.carbon_monoxide import cause_due, co_due_anew, flames_with_co, mended_while_off
from advisor.diagnosis.findings import find, outlier_data
from advisor.job_setup.setup import CHANGES_VALVE
from advisor.log.check_items import CO_CAUSE, WORKING
from advisor.messages import Finding, Reason
from advisor.response.fitted import gain_at_present
from advisor.response.predictive import Mixture
from advisor.response.situation import Situation, settled_from_s
from advisor.screws import FIRING_FOR, FIRINGS, SCREW_FOR, Firing, Screw, other_firing
from advisor.wording.numbers import say_chance


@dataclass(frozen=True)
class Case:
    """A situation with what the decision works out of it once: the findings and the setting of each rate."""

    situation: Situation

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """What is wrong, the gravest first."""
        return find(self.situation)

    @cached_property
    def high(self) -> Setting:
        """The setting of high fire."""
        return Setting(self.situation, "high")

    @cached_property
    def low(self) -> Setting:
        """The setting of low fire."""
        return Setting(self.situation, "low")

    def setting(self, firing: Firing) -> Setting:
        """The setting of a rate."""
        return self.high if firing == "high" else self.low

    @cached_property
    def here(self) -> Setting:
        """The setting of the rate that runs."""
        assert self.situation.firing is not None
        return self.setting(self.situation.firing)

    @cached_property
    def ways_out(self) -> tuple[WayOut, ...]:
        """The turns that may always be made."""
        return ways_out(self.situation)

    @cached_property
    def other(self) -> Setting:
        """The setting of the other rate."""
        return self.setting(other_firing(self.here.firing))


Guard = Callable[[Case], Advice | None]


def advise(situation: Situation) -> Advice:
    """The answer to "how far next?" for a job as it stands."""
    return advise_case(Case(situation))


def advise_case(case: Case) -> Advice:
    """The same, where the case is needed for more."""
    advice = _first(GUARDS, case)
    assert advice is not None  # the last guard always answers
    return advice


def _first(guards: Iterable[Guard], case: Case) -> Advice | None:
    return next((advice for guard in guards if (advice := guard(case))), None)


# --- guards: before anything is set --------------------------------------------------------------------


def stop(case: Case) -> Advice | None:
    """A finding that halts the job."""
    if any(finding.severity == "halt" for finding in case.findings):
        return _answer(case, "halt", *_cause_told(case.situation))
    return None


def _cause_told(situation: Situation) -> list[Reason]:
    """What the check of the cause of CO said since the burner was put off; a remark says nothing of it."""
    since_s = situation.off.at_s if situation.off else situation.at_s
    told = [row.event for row in situation.checks(CO_CAUSE) if row.at_s >= since_s]
    code = "cause-mended" if mended_while_off(situation) else "cause-told"
    return [Reason(code, {"words": f"{event.note}: {event.value}".removeprefix(": ")}) for event in told[-1:]]


def closed(case: Case) -> Advice | None:
    """The appliance was left, and nothing was done at it since."""
    left = case.situation.closed
    if left is None:
        return None
    found = Finding("closed", "note", data={"at": left.time, "how": left.value})
    return Advice("finish", findings=(found, *case.findings), why=(Reason("reopen"),))


def not_lit(case: Case) -> Advice | None:
    """The boiler does not run: not yet, then high fire first; or no more, then at the rate that ran."""
    situation = case.situation
    if situation.firing is not None:
        return None
    wait_s = max(limits.START_WAIT_S, situation.setup.min_wait_s["firing"])
    firing, off = situation.belief.firing or "high", situation.off
    why = Reason("off", {"why": off.event.note}) if off else Reason("light-first")
    return Advice("run_at", firing=firing, wait_s=wait_s, findings=case.findings, why=(why,))


def left_for_hours(case: Case) -> Advice | None:
    """Hours have passed: nothing that was read holds any more."""
    return _run_at(case, case.here.firing, Reason("left")) if case.situation.left else None


def high_fire_first(case: Case) -> Advice | None:
    """Low fire runs and high fire was never read."""
    if case.here.firing == "low" and not case.situation.settled_readings("high"):
        return _run_at(case, "high", Reason("high-first"))
    return None


def odd_reading(case: Case) -> Advice | None:
    """A lone reading moved a little with no turn made: read again."""
    situation, odd = case.situation, case.situation.unsure_outlier
    if not odd or situation.settled_readings(odd.firing, odd.at_s):
        return None
    if odd.firing != situation.firing:
        return _run_at(case, odd.firing, Reason("odd-reading", {"firing": odd.firing}))
    return None if situation.wait_left_s else _read(case, Reason("jumped", outlier_data(situation, odd)))


def co_first(case: Case) -> Advice | None:
    """Low fire runs again after turns of the throttle richer: CO before anything else."""
    situation, here = case.situation, case.here
    if here.firing == "high" or here.settled or not _made_richer_unseen(situation, case.high):
        return None
    return _read(case, Reason("co-first"))


def co_again(case: Case) -> Advice | None:
    """CO over what bars a turn richer is not waited out: it is read again at once, until it rises no more."""
    situation, firing = case.situation, case.here.firing
    barred = any(
        finding.code == "co-rising" and finding.variant == "barred" and finding.firing == firing
        for finding in case.findings
    )
    since = [row.event.co_ppm or 0.0 for row in flames_with_co(situation, firing) if row.at_s > situation.changed_at_s]
    rises = len(since) == 1 or since[-1:] > since[-2:-1]
    return _read(case, Reason("co-again")) if barred and since and rises and situation.wait_left_s else None


def not_steady(case: Case) -> Advice | None:
    """No settled reading has been taken since the last change."""
    situation = case.situation
    if situation.settled_readings(case.here.firing, situation.changed_at_s):
        return None
    wait_s = situation.wait_left_s
    if wait_s == 0:
        return _read(case, Reason("settled"))
    interim_s = situation.interim_reading_in_s(wait_s)
    if interim_s == 0:
        return _read(case, Reason("interim"))
    just_lit = situation.at_s < situation.tracker.start_over_s
    why = Reason("just-lit" if just_lit else "not-steady")
    return _answer(case, "wait", why, wait_s=wait_s if interim_s is None else interim_s)


def shortfall_to_confirm(case: Case) -> Advice | None:
    """The only settled reading fell short of its turn."""
    return _read(case, Reason("shortfall")) if case.situation.unsure_shortfall else None


def as_found_first(case: Case) -> Advice | None:
    """A visit that changes no valve reads both rates as found before the first turn."""
    situation, here, other = case.situation, case.here, case.other
    if situation.setup.visit in CHANGES_VALVE or situation.of("turn"):
        return None
    if not here.has_as_left:
        return _read(case, Reason("as-found", {"firing": here.firing}))
    return None if other.has_as_left else _run_at(case, other.firing, Reason("as-found", {"firing": other.firing}))


# --- guards: setting the rate that runs ----------------------------------------------------------------


def set_here(case: Case) -> Advice | None:
    """The rate that runs does not hold yet."""
    return None if case.here.holds else _first(SETTING_GUARDS, case)


def high_before_low(case: Case) -> Advice | None:
    """Low fire is not set while high fire is out: its screw moves low fire too."""
    if case.here.firing == "high" or case.high.now.chance_in_band >= case.situation.policy.reread_chance:
        return None
    if _to_be_set_leaner(case.low) and case.high.low_in_the_way:
        return None
    return _run_at(case, "high", Reason("high-not-set"))


def low_fire_in_the_way(case: Case) -> Advice | None:
    """Low fire forbids the turn that is wanted at high fire: look there, or set it leaner first."""
    why = case.here.against_low
    if why is None:
        return None
    situation = case.situation
    unread = not situation.settled_readings("low", situation.fresh_from_s) or co_due_anew(situation, "low")
    return _run_at(case, "low", why) if unread or _to_be_set_leaner(case.low) else None


def reading_due(case: Case) -> Advice | None:
    """No turn before O2 or CO, none richer before CO, was read since the last change."""
    due = case.here.reading_due
    return _read(case, due) if case.here.best is None and due else None


def co_before_band(case: Case) -> Advice | None:
    """CO keeps this rate from its band."""
    here = case.here
    bars = here.ceiling_below_band or (here.best is None and (here.co_bars_richer or here.co_ceiling))
    if not (here.too_lean and here.now.chance_in_band < case.situation.policy.reread_chance and bars):
        return None
    if here.co_ceiling:
        return _halt(case, Finding("co-climbing", "halt", here.firing, variant="ceiling", data=here.ceiling_data))
    variant = "untold" if cause_due(case.situation) else "climbs"
    return _halt(case, Finding("co-climbing", "halt", here.firing, variant=variant))


def no_turn(case: Case) -> Advice | None:
    """Nothing is allowed, or staying is better."""
    here, policy = case.here, case.situation.policy
    if here.best is not None:
        return None
    stuck = _stuck(here)
    in_turn = here.firing == "high" or case.high.now.chance_in_band >= policy.reread_chance
    unlikely = here.now.chance_in_band < policy.reread_chance
    hopeless = stuck.code == "travel-limit" and unlikely and in_turn  # no reading will help
    if hopeless or here.settled >= policy.enough_readings:
        return _halt(case, stuck)
    return _read(case, Reason("no-safe-turn-yet" if unlikely else "no-better-turn"))


def turn_in_doubt(case: Case) -> Advice | None:
    """CO2 may have gone against the turn."""
    here = case.here
    doubt = here.direction_doubted and here.settled < case.situation.policy.most_rereads
    return _read(case, Reason("maybe-against")) if doubt else None


def close_to_edge(case: Case) -> Advice | None:
    """Likely in band: a reading is cheaper than a turn, though each tells less than the one before."""
    here, policy = case.here, case.situation.policy
    chance, asked = here.now.chance_in_band, case.situation.setup.stop_chance
    if chance >= asked or chance < 1 - (1 - policy.reread_chance) ** max(here.settled, 1):
        return None
    code = "almost-sure" if say_chance(chance) == say_chance(asked) else "close-to-edge"
    return _read(case, Reason(code, {"chance": chance, "asked": asked}))


def stale(case: Case) -> Advice | None:
    """The last reading is too old to turn by."""
    return _read(case, Reason("stale")) if case.situation.stale else None


def turn(case: Case) -> Advice | None:
    """The best turn; none on a line in doubt: air in the sample makes a rich flame look lean."""
    here, move = case.here, case.here.best
    if move is None:
        return None
    if case.situation.tracker.open_shortfalls:
        return _read(case, Reason("prove-line"))
    asked = any(finding.code == "fell-again" for finding in case.findings)
    if asked and WORKING in case.situation.setup.pressures and here.richer(move.turns_cw):
        return _read(case, Reason("pressure-first"))
    low, high = here.band
    here_pct = here.co2_pct(here.now.forecast.mean)
    why = [Reason("here", {"firing": here.firing, "co2": here_pct, "low": low, "high": high})]
    if here.first_try:
        why.append(Reason("first-move"))
    elif here.direction_doubted:
        why.append(Reason("way-in-doubt"))
    elif here.no_effect_yet:
        why.append(Reason("no-effect-yet"))
    elif abs(move.turns_cw) > here.cap_turns - TINY:
        why.append(Reason("at-most", {"turns": here.cap_turns}))
    if not here.direction_sure:
        why.append(_either_way(here, move))
    if here.firing == "low" and case.high.now.chance_in_band < case.situation.policy.reread_chance:
        why.append(Reason("room-for-high"))
    lean = _low_goes_lean(case.situation, here, move)
    outcome = _outcome(here, move)
    return _answer(case, "turn", *why, *lean, screw=here.screw, turns_cw=move.turns_cw, **outcome)


# --- guards: the rate that runs holds ------------------------------------------------------------------


def co_for_record(case: Case) -> Advice | None:
    """The as-left readings need CO."""
    why = Reason("co-for-record", {"firing": case.here.firing})
    return None if case.here.has_as_left else _read(case, why)


def finish(case: Case) -> Advice | None:
    """Both rates hold."""
    if not (case.other.holds and case.other.has_as_left):
        return None
    if any(finding.code == "fell" for finding in case.findings):  # what was read rests on a line in doubt
        return _halt(case, Finding("not-proved", "halt"))
    return _answer(case, "finish", Reason("in-band"), *_accuracy_leaves(case))


def _accuracy_leaves(case: Case) -> list[Reason]:
    """What the analyser's own accuracy leaves open, where it is known."""
    accuracy_pct = case.situation.setup.analyser_accuracy_pct
    chances: dict[str, Any] = {firing: case.setting(firing).chance_with_accuracy for firing in FIRINGS}
    return [Reason("accuracy-leaves", {"accuracy": accuracy_pct, **chances})] if accuracy_pct else []


def other_rate(case: Case) -> Advice:
    """On to the other rate."""
    here, other = case.here, case.other
    if not case.situation.settled_readings(other.firing):
        code = "other-unread"
    elif not other.settled:
        code = "other-again"
    else:
        code = "other-unsure" if other.has_as_left else "other-no-co"
    return _run_at(case, other.firing, Reason(code, {"firing": here.firing, "other": other.firing}))


SETTING_GUARDS: tuple[Guard, ...] = (
    high_before_low, low_fire_in_the_way, reading_due, co_before_band, no_turn, turn_in_doubt, close_to_edge, stale,
    turn,
)  # fmt: skip
GUARDS: tuple[Guard, ...] = (
    stop, closed, not_lit, left_for_hours, high_fire_first, odd_reading, co_first, co_again, not_steady,
    shortfall_to_confirm, as_found_first, set_here, co_for_record, finish, other_rate,
)  # fmt: skip


# --- parts of the guards -------------------------------------------------------------------------------


def _to_be_set_leaner(setting: Setting) -> bool:
    """Whether this rate is still to be set leaner, and can be, or may be once it has been read again."""
    if setting.holds or setting.too_lean:
        return False
    return setting.best is not None or setting.settled < setting.situation.policy.enough_readings


def _made_richer_unseen(situation: Situation, high: Setting) -> bool:
    """Whether the throttle was turned richer in all, or may have been, since CO was last read at low fire today."""
    read_s = [row.at_s for row in flames_with_co(situation, "low")]
    since_s = max([situation.session_from_s, *read_s])
    turned = situation.net_turns_cw("throttle", since_s)
    return bool(turned) and (not high.direction_sure or high.richer(turned))


def _stuck(here: Setting) -> Finding:
    """Why no turn can be made at all."""
    setup, side = here.situation.setup, "lean" if here.too_lean else "rich"
    mark, limit = setup.mark_turns[here.screw], setup.travel_limit_turns[here.screw]
    step = mark if here.richer(mark) == here.too_lean else -mark
    if abs(here.travel_turns_cw + step) > limit + TINY:
        return Finding("travel-limit", "halt", here.firing, here.screw, data={"limit": limit, "side": side})
    if here.against_low:
        return Finding("low-rich", "halt")
    unknown = not here.direction_sure and here.co_bars_richer
    return Finding("no-safe-turn", "halt", here.firing, here.screw, "way_unknown" if unknown else "none")


def _either_way(setting: Setting, move: Move) -> Reason:
    """What a turn finds out and risks where its way is not sure; nothing of an edge that is passed already."""
    risks = {"rich": setting.chance_past_rich(move), "lean": setting.chance_past_lean(move)}
    now = setting.now
    lean, rich = setting.chance_past_lean(now) > 0.5, setting.chance_past_rich(now) > 0.5
    passed = "-lean" if lean else "-rich" if rich else ""
    return Reason(f"way-unknown{passed}", risks)


def _low_goes_lean(situation: Situation, here: Setting, move: Move) -> list[Reason]:
    """What a leaner turn of the throttle does at low fire, where that has been read and is left far too lean."""
    seen = situation.settled_readings("low", situation.session_from_s)
    if here.screw != "throttle" or here.richer(move.turns_cw) or not seen:
        return []
    (there,) = situation.belief.settled_after("low", "throttle", [move.turns_cw])
    co2_pct = float(situation.belief.model.scales["low"].co2_pct(there.mean))
    far = co2_pct <= situation.setup.bands["low"][0] - situation.policy.far_too_lean_pct
    return [Reason("low-goes-lean", {"co2": co2_pct})] if far else []


def _outcome(setting: Setting, move: Move) -> dict[str, float]:
    """What to expect after a move: wait, next displayed reading with its 90 % range, chances."""
    situation = setting.situation
    after = situation.belief.turned(setting.screw, move.turns_cw, situation.at_s)
    wait_s = settled_from_s(after, situation.at_s + situation.setup.min_wait_s[setting.screw]) - situation.at_s
    return {
        "wait_s": wait_s,
        **_expected(setting, after.displayed(situation.at_s + wait_s)),
        "chance_in_band": move.chance_in_band,
        "chance_past_band": move.chance_past_band,
    }


def expected_after(case: Case, wait_s: float) -> Advice:
    """To wait so long at the rate that runs, with the reading to expect then."""
    situation = case.situation
    expected: dict[str, Any] = _expected(case.here, situation.belief.displayed(situation.at_s + wait_s))
    return Advice("wait", firing=situation.firing, wait_s=wait_s, **expected)


def _expected(setting: Setting, displayed: Mixture) -> dict[str, float]:
    return {
        "expect_co2_pct": setting.co2_pct(displayed.mean),
        "expect_low_pct": setting.co2_pct(displayed.ppf(0.05)),
        "expect_high_pct": setting.co2_pct(displayed.ppf(0.95)),
    }


def _read(case: Case, why: Reason) -> Advice:
    return _answer(case, "read", why)


def _run_at(case: Case, firing: Firing, why: Reason) -> Advice:
    """To a rate; with what to watch at a low fire that went richer with high fire, unseen."""
    unseen = firing == "low" and case.situation.firing == "high" and _made_richer_unseen(case.situation, case.high)
    low = case.low
    watch = "co-first-rich" if unseen and low.now.forecast.ppf(0.95) > low.edges[1] else "co-first-there"
    return _answer(case, "run_at", why, *([Reason(watch)] if unseen else []), firing=firing)


def _halt(case: Case, finding: Finding) -> Advice:
    """A stop that only the decision finds."""
    return _answer(case, "halt", findings=(finding, *case.findings))


def _answer(case: Case, action: Action, *why: Reason, **more: Any) -> Advice:
    """An answer with everything that is known about the rate it is for."""
    situation = case.situation
    known: dict[str, Any] = {"firing": situation.firing, "findings": case.findings}
    if situation.firing is not None and action not in ("halt", "run_at"):
        now = case.here.now
        known |= {"chance_in_band": now.chance_in_band, "chance_past_band": now.chance_past_band}
        if action in ("read", "wait"):
            at_s = situation.at_s + float(more.get("wait_s", 0.0))
            known |= _expected(case.here, situation.belief.displayed(at_s))
        if action in ("turn", "read", "wait"):
            known |= gain_at_present(situation, case.here.screw, case.here.firing)
    return Advice(action, why=why, **{**known, **more})


# --- may I ---------------------------------------------------------------------------------------------


def permit(case: Case, screw: Screw, turns_cw: float) -> Verdict:
    """The answer to "may I turn this far?". Allows nothing that `advise` would refuse but a way out of CO."""
    verdict = _permit(case, screw, turns_cw)
    way = next((way for way in case.ways_out if way.covers(screw, turns_cw)), None)
    if verdict.allowed or way is None or abs(turns_cw) < case.situation.policy.smallest_turn:
        return verdict
    own, firing = case.setting(FIRING_FOR[screw]), case.situation.firing
    outcome = _outcome(own, own.moves([turns_cw])[0]) if firing == own.firing else {}
    return Verdict(True, screw, turns_cw, (way.reason,), firing, findings=verdict.findings, **outcome)


def _permit(case: Case, screw: Screw, turns_cw: float) -> Verdict:
    situation = case.situation
    advice = advise_case(case)
    refused = _not_now(case, advice, screw, turns_cw)
    if refused:
        # what is due of the other screw is no reason against this turn; a stop is
        concern = advice.action == "halt" or situation.firing in (None, FIRING_FOR[screw])
        why = tuple(dict.fromkeys((refused, *(advice.why if concern else ()))))
        return Verdict(False, screw, turns_cw, why, situation.firing, advice.wait_s, findings=advice.findings)
    setting = case.setting(FIRING_FOR[screw])
    move = setting.moves([turns_cw])[0]
    against = setting.refusal(move)
    why = (against or Reason("may"),)
    if not setting.direction_sure:
        why = (*why, _either_way(setting, move))
    outcome: dict[str, Any] = _outcome(setting, move)
    return Verdict(against is None, screw, turns_cw, why, setting.firing, findings=advice.findings, **outcome)


def _not_now(case: Case, advice: Advice, screw: Screw, turns_cw: float) -> Reason | None:
    """Why no turn of this screw may be made at this moment, whatever its size."""
    situation = case.situation
    if advice.action == "halt":
        return Reason("stopped")
    if situation.closed:
        return Reason("closed")
    if situation.left:
        return Reason("left")
    if abs(turns_cw) < situation.policy.smallest_turn:
        return Reason("too-little")
    if situation.firing is not None and screw != SCREW_FOR[situation.firing]:
        data = {"screw": screw, "own": FIRING_FOR[screw], "firing": situation.firing}
        return Reason("other-screw", data)
    if advice.action == "wait":
        return Reason("wait", {"wait_s": advice.wait_s or 0.0})
    if advice.action == "read":
        return Reason("prove-line" if situation.tracker.open_shortfalls else "read-first")
    if advice.action in ("finish", "run_at"):
        if situation.firing is None:
            return Reason("off-no-turn" if situation.off else "light-and-read")
        return Reason("not-needed") if case.here.holds else advice.why[0]
    return None
