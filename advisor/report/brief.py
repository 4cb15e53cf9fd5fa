"""The answers in few lines: what to do, what to expect, where it stands, what is left. Made from a case.

Seven lines at 80 columns, ten at 40, twelve at 32; stops and warnings stand on top and do not count. All else is behind
`say_why`.
"""

from advisor.decision.advise import Case, expected_after, permit
from advisor.decision.answers import Advice, Verdict
from advisor.diagnosis.answers import answer_to
from advisor.diagnosis.carbon_monoxide import co_course, co_read_since_start
from advisor.log.check_items import COVER
from advisor.procedure.progress import Progress, due_before_lighting, unanswered
from advisor.procedure.stages import CLOSE, PROOF, RECORD
from advisor.report.answers import (
    CAUTION,
    CLOSING,
    DUE_FIRST,
    OVER,
    OVER_CAP,
    PRACTICE,
    PROVE_LINE,
    READ_BOTH,
    SHEET,
    may_end_the_job,
    say_findings,
    say_gain,
    say_stop,
    say_way_back,
    say_way_out,
)
from advisor.report.layout import labelled, listed, narrow, wrapped
from advisor.response.fitted import Response, response_of
from advisor.screws import FIRING_FOR, Firing, Screw
from advisor.wording import further_steps, is_alarm, reason_text
from advisor.wording.numbers import (
    say_band,
    say_chance,
    say_co2,
    say_degrees,
    say_fraction,
    say_size,
    say_wait,
    say_way,
)
from advisor.wording.templates import Voice
from advisor.wording.visit import STAGES

SHORT_CAUTION = "Maker's instructions come first."
ALL = "CO2, O2, CO"
# reasons of a turn that are said with it: what may go wrong; all others are behind `why`
WAY_UNKNOWN = ("way-unknown", "way-unknown-lean", "way-unknown-rich")
SAID_WITH_A_TURN = (*WAY_UNKNOWN, "low-goes-lean")
WAYS_OUT = ("way-out-undo", "way-out-as-found", "way-out-leaner")
UNSAID = ("settled", "in-band")  # reasons that the answer says by itself
OF_AN_ENTRY = (
    "unknown-check",
    "not-compared",
    "note-off",
    "pressure-when",
    "back-dated",
)  # notes on what was just entered
UNKNOWN_RANGE_PCT = 2.0  # % CO2; a wider range says nothing
CLOSE_UP = (f"{CLOSING}: {SHEET}.", f"Next cover on, read again; seal; {SHEET}.")
SAME_PCT = 0.05  # % CO2; what is likely is said beside what was read where they differ by more


def say_next(
    case: Case, advice: Advice, progress: Progress, voice: Voice = "log", *, why: bool = False, steps: bool = True
) -> str:
    """The answer of `next` as text; `why` adds reasons, ranges and the fitted response.

    steps  whether to say what to look at for a stop: not where it stands on the screen already
    """
    lines = wrapped(first_line(case, advice, voice))
    lines += wrapped(PRACTICE) if case.situation.setup.practice else []
    lines += say_findings(advice.findings, ("halt", "warn"), voice, skip_first_halt=advice.action == "halt")
    if advice.action == "halt":
        lines += _to_clear_it(case, advice)
        lines += (_what_to_look_at(advice) if steps and voice != "practice" else []) + say_way_out(case)
        lines += say_way_back(case) if any(map(may_end_the_job, advice.findings)) else []
    else:
        lines += _not_proved(case, advice, voice)
        lines += may_go_wrong(advice, voice) + say_way_out(case) + _then(case, advice) + _reasons(advice, voice)
    lines += [] if advice.has("closed") else say_now(case, advice)
    if advice.action == "finish" and not (advice.has("closed") or advice.open_items):
        lines += _say_close_up(case, progress, voice)
    lines += say_left(case, advice, progress, voice)
    lines += say_findings([each for each in advice.findings if each.code in OF_AN_ENTRY], ("note",), voice)
    lines += say_why(case, advice, voice) + _say_open(case, progress) if why else []
    if advice.action in ("turn", "finish", "halt") and not advice.has("closed"):
        lines += wrapped(SHORT_CAUTION if narrow() else CAUTION)
    return "\n".join(lines)


def _not_proved(case: Case, advice: Advice, voice: Voice) -> list[str]:
    """What was to be proved before the burner was lit and is not, where nobody asks for it stage by stage."""
    due = due_before_lighting(case.situation) if case.situation.firing and voice == "log" else []
    said = advice.action == "finish" or not due
    return [] if said else labelled("Warning", f"Not proved yet: {', '.join(due)}. Prove and log it first.")


def _say_close_up(case: Case, progress: Progress, voice: Voice) -> list[str]:
    """What is left once both rates are set."""
    if progress.working is None:
        return _labelled("Next", OVER, OVER)
    if progress.of(PROOF).over and voice == "log":
        left = [item for stage in (CLOSE, RECORD) for item in unanswered(case.situation, stage)]
        return _labelled("Next", f"log {', '.join(left)}; then {SHEET}.", f"Next log {', '.join(left)}.")
    if answer_to(case.situation, COVER, case.situation.turned_at_s):
        return _labelled("Next", f"{READ_BOTH}: {SHEET}.", f"Next read both again; seal; {SHEET}.")
    return _labelled("Next", *CLOSE_UP)


def first_line(case: Case, advice: Advice, voice: Voice = "log") -> str:
    """What to do now, in a sentence; before it what can't wait until a reading is due."""
    large = advice.action != "halt" and advice.has("large-turn")
    due = next((what for code, what in DUE_FIRST.items() if advice.has(code)), "")
    before = f"{OVER_CAP} " if large else ""
    return before + (say_stop(advice.stops[0], voice) if advice.action == "halt" else _to_do(case, advice, due, voice))


def _to_do(case: Case, advice: Advice, due: str, voice: Voice) -> str:
    firing = f"{advice.firing} fire"
    match advice.action:
        case "turn" if advice.screw and advice.turns_cw:
            turn = say_turn_of(case, advice.screw, advice.turns_cw)
            return f"{due} first. Then {turn[0].lower()}{turn[1:]}" if due else turn
        case "wait":
            first = f"{due}. " if due == PROVE_LINE else ""
            return f"{first}Wait {say_wait(case.situation.wait_left_s)} more, then read {ALL} at {firing}."
        case "read" if advice.asks_co:
            return f"Read CO at {firing} {'again ' if advice.due('co-again') else ''}now."
        case "read" if due == PROVE_LINE:
            return f"{due}. Then read {ALL} at {firing} again."
        case "read":
            on = ", and go on waiting" if advice.due("interim") else ""
            return f"Read {ALL} at {firing} now{on}."
        case "run_at":
            log_it = f" Log it: run-at {advice.firing}." if voice == "log" else ""
            if advice.due("off"):
                told = case.situation.off.event.note if case.situation.off else ""
                why = f" ({told})" if told else ": find out why first"
                return f"Burner off{why}. Once it may run again: {firing}.{log_it}"
            if not advice.due("light-first"):
                return f"Change to {firing}.{log_it}"
            untested = due_before_lighting(case.situation) if voice == "log" else []
            first = f"Before it is lit: {', '.join(untested)}. Then light" if untested else "Light"
            return f"{first} it and run {firing}.{log_it}"
        case _ if advice.has("closed"):
            return next(finding.text for finding in advice.findings if finding.code == "closed")
    if advice.open_items:
        return f"Both rates are in band. Not finished: {', '.join(advice.open_items)}."
    return "Done with the screws: both rates are in band."


def _to_clear_it(case: Case, advice: Advice) -> list[str]:
    """After CO was too high and the burner was lit again: when to read, which clears the stop."""
    situation, stop = case.situation, advice.stops[0]
    if situation.firing and stop.code == "pressure" and not co_read_since_start(case.situation):
        return _labelled("Then", "read CO at once, then the pressure; turn nothing.", "CO at once, then the pressure.")
    if situation.firing is None:
        return [line for told in advice.why for line in wrapped(reason_text(told.code, told.data))]
    if not stop.is_past:
        return []
    first = "read CO at once; " if situation.latest() is None or not co_read_since_start(case.situation) else ""
    return say_wait_and_read(situation.wait_left_s, situation.firing, first=first)


def _what_to_look_at(advice: Advice) -> list[str]:
    """What to look at for the first stop, numbered; what its sentence says already is left out."""
    if advice.stops[0].is_past:  # it was looked at before the burner was lit again
        return []
    code = advice.stops[0].code
    steps = further_steps(code)
    return [line for number, step in enumerate(steps, 1) for line in wrapped(f"{number} {step}", None, "", "  ")]


def say_turn_of(case: Case, screw: Screw, turns_cw: float) -> str:
    """A turn with what it does: "Offset screw: 15° (1/24 turn) clockwise, richer."."""
    setting = case.setting(FIRING_FOR[screw])
    does = ("richer" if setting.richer(turns_cw) else "leaner") if setting.direction_sure else "way not sure yet"
    size = f"{say_degrees(turns_cw)} ({say_fraction(turns_cw)})" if narrow() else say_size(turns_cw)
    return f"{screw.capitalize()} screw: {size} {say_way(turns_cw)}, {does}."


def _then(case: Case, advice: Advice) -> list[str]:
    """What follows, and what to expect of it."""
    wait_s = advice.wait_s
    lines = []
    if advice.action == "turn" and wait_s is not None:
        lines += say_wait_and_read(wait_s, advice.firing)
    if advice.action == "run_at" and wait_s is not None and not advice.due("off"):
        lines += _labelled("Then", f"read CO at once; turn nothing for {say_wait(wait_s)}.")
    if advice.action == "wait":
        return lines + say_expect(expected_after(case, case.situation.wait_left_s))
    return lines + say_expect(advice) if advice.action in ("turn", "read") and not advice.asks_co else lines


def say_wait_and_read(wait_s: float, firing: Firing | None, *, first: str = "") -> list[str]:
    """How long to wait after a turn, and what to read; `first` is said before it."""
    at = "" if narrow() or not firing else f" at {firing} fire"
    if wait_s <= 0:
        return _labelled("Then", f"read {ALL}{at}.", f"Read {ALL}.")
    wait = f"wait {say_wait(wait_s)}; read {ALL}"
    short = first + wait
    return _labelled("Then", f"{first}{wait}{at}.", f"{short[0].upper()}{short[1:]}.")


def say_expect(answer: Advice | Verdict) -> list[str]:
    """The next displayed reading with its range, and the risk to pass the edge ahead."""
    low, high, middle = answer.expect_low_pct, answer.expect_high_pct, answer.expect_co2_pct
    # where its way is not known its risks are said as a warning; a way out leads away from the edge
    no_risk = any(reason.code in (*WAY_UNKNOWN, *WAYS_OUT) for reason in answer.why)
    moves = (isinstance(answer, Verdict) or answer.action == "turn") and not no_risk
    risk = answer.chance_past_band
    overshoot = f" Overshoot risk {say_chance(risk)}." if moves and risk is not None else ""
    if low is None or high is None or middle is None or not is_known(answer):
        return _labelled("Expect", f"not known yet.{overshoot}") if overshoot else []
    said = f"{middle:.1f} %, likely {low:.1f} to {high:.1f}.{overshoot}"
    return _labelled("Expect", f"CO2 {said}", f"Expect {said}")


def is_known(answer: Advice | Verdict) -> bool:
    """Whether the range of the next reading says anything."""
    low, high = answer.expect_low_pct, answer.expect_high_pct
    return low is not None and high is not None and high - low <= UNKNOWN_RANGE_PCT


def may_go_wrong(advice: Advice | Verdict, voice: Voice) -> list[str]:
    """What may go wrong with a turn: a warning, not left for `say_why`."""
    said = [reason for reason in advice.why if reason.code in SAID_WITH_A_TURN]
    return [line for each in said for line in labelled("Warning", reason_text(each.code, each.data, voice))]


def _reasons(advice: Advice, voice: Voice) -> list[str]:
    """Why nothing is turned."""
    turns = advice.action == "turn"
    said = [
        each
        for each in advice.why
        if (each.code == "room-for-high" and not narrow() if turns else each.code not in UNSAID)
    ]
    words = [reason_text(reason.code, reason.data, voice) for reason in said]
    return [line for each in words for line in wrapped(each)] if narrow() else listed("Why", words)


def say_now(case: Case, advice: Advice | None = None) -> list[str]:
    """Where the rate that runs stands, at the finish both: CO2 and its band, CO as read, air-free, its limit."""
    situation = case.situation
    if advice is not None and advice.action == "finish":
        return [*_now_at(case, "high", "Now", "High ", at_end=True), *_now_at(case, "low", "", "Low ", at_end=True)]
    firing = situation.firing or situation.belief.firing
    label = "Now" if situation.firing else "Last"
    return _now_at(case, firing, label, f"{label} {firing} ") if firing else []


def _now_at(case: Case, firing: Firing, label: str, before: str, *, at_end: bool = False) -> list[str]:
    """Where a rate stands, at the end in fewer words; `before` begins it on a narrow screen."""
    situation, setting = case.situation, case.setting(firing)
    read, band, parts, short = situation.latest(firing), say_band(setting.band), [], []
    settled = situation.settled_readings(firing, max(situation.fresh_from_s, situation.tracker.started_s))
    doubted = read is not None and any(odd.number == read.number for odd in situation.tracker.outliers)
    if read and doubted:
        shown = f"CO2 {say_co2(read.event.co2_pct or 0.0)} %"
        parts, short = [f"{shown} ({band}), in doubt"], [f"{shown}, in doubt"]
    elif settled and not (read and settled[-1].at_s < situation.changed_at_s <= read.at_s):
        now = _say_reading(case, firing, with_likely=not at_end)
        parts, short = [f"{now} ({band})"], [f"{now} ({band})"]
    elif read and read.event.co2_pct is not None and read.at_s >= situation.session_from_s:
        shown = say_co2(read.event.co2_pct)
        steady = "air in the line" if situation.tracker.leaking else "not steady"
        age = steady if read.at_s >= situation.changed_at_s else f"before the {_last_change(case)}"
        parts, short = [f"CO2 {shown} % ({band}), {age}"], [f"CO2 {shown} % ({band}), {age}"]
    if course := co_course(situation, firing):
        shown = ", ".join(f"{ppm:g}" for ppm in course.shown_ppm) + " ppm"
        climbs = ": climbing" if course.climbs else ""
        air_free = f", {course.air_free_ppm:.0f} air-free" if course.air_free_ppm is not None else ""
        air_free += " (about, CO2 not read)" if air_free and course.about else ""
        climbs += "" if co_read_since_start(case.situation) or situation.off else " before the start"
        parts.append(f"CO {shown}{climbs}{air_free}, limit {course.limit_ppm:.0f}")
        short.append(
            f"CO {shown.removesuffix(' ppm')}{climbs}{air_free if not at_end else ''}"
            + ("" if at_end else f", limit {course.limit_ppm:.0f}")
        )
    if not parts:
        return []
    return _labelled(label, f"{firing} fire {', '.join(parts)}.", f"{before}{', '.join(short)}.")


def _last_change(case: Case) -> str:
    situation = case.situation
    if situation.turned_at_s >= situation.changed_at_s:
        return "turn"
    return "start" if situation.tracker.started_s >= situation.changed_at_s else "change of rate"


def _say_reading(case: Case, firing: Firing, *, with_likely: bool) -> str:
    """The last steady reading, with what CO2 likely is by all of them where that differs."""
    likely = case.setting(firing).co2_pct(case.setting(firing).now.forecast.mean)
    read = case.situation.settled_readings(firing, case.situation.fresh_from_s)[-1].event.co2_pct or likely
    differs = with_likely and abs(likely - read) >= SAME_PCT
    return f"CO2 {say_co2(read)} %" + (f", likely {likely:.2f}" if differs else "")


def say_left(case: Case, advice: Advice, progress: Progress, voice: Voice = "log") -> list[str]:
    """What is expected until both rates are set, and the stages that are still open by name."""
    said = []
    if advice.minutes_left is not None and advice.turns_left is not None:
        turns = max(round(advice.turns_left), 1 if advice.action == "turn" else 0)
        count = "" if narrow() or not turns else f", {turns} turn{'' if turns == 1 else 's'}"
        said.append(f"about {max(1, round(advice.minutes_left))} min{count}.")
    stages = (
        progress.to_do if advice.action == "finish" else progress.left_behind
    )  # while it is set what comes is clear
    names = [] if voice != "log" or advice.action == "halt" else [STAGES[name].called for name in stages]
    if names and not advice.has("closed"):
        # with the burner lit what comes before it is done, or was left out: it is not logged
        lit = advice.action != "finish" and case.situation.was_lit
        said.append(f"{'Open' if lit else 'To do'}: {', '.join(names)}.")
    short = f"Left {' '.join(said)}" if advice.minutes_left is not None else " ".join(said)
    return _labelled("Left", " ".join(said), short) if said else []


# ---- may I


def say_verdict(case: Case, verdict: Verdict, voice: Voice = "log", *, why: bool = False) -> str:
    """The answer of `may` as text: yes with what to expect; no with the reason, and what would be allowed."""
    first, *more = verdict.why
    turn = say_turn_of(case, verdict.screw, verdict.turns_cw)
    if not verdict.allowed:
        no = f"No: {turn[0].lower()}{turn[1:-1]}. {reason_text(first.code, first.data, voice)}"
        lines = wrapped(no) + say_findings(verdict.findings, ("halt",), voice) + _allowed(case, verdict)
        lines += listed("Why", [reason_text(reason.code, reason.data, voice) for reason in more]) if why else []
        return "\n".join(lines + say_now(case))
    stop = next((finding for finding in verdict.findings if finding.severity == "halt"), None)
    burner_off = stop is not None and is_alarm(stop.code) and not stop.is_past  # what puts the burner off
    lines = wrapped(say_stop(stop, voice)) if stop else []  # it comes first
    lines += wrapped(f"Allowed with the burner off: {turn[0].lower()}{turn[1:]}" if burner_off else f"Yes. {turn}")
    lines += say_findings(verdict.findings, ("halt", "warn"), voice, skip_first_halt=stop is not None)
    if not burner_off:
        lines += say_wait_and_read(verdict.wait_s, verdict.firing) if verdict.wait_s is not None else []
        lines += say_expect(verdict)
    lines += may_go_wrong(verdict, voice)
    told = [reason for reason in verdict.why if reason.code not in SAID_WITH_A_TURN and (why or reason.code != "may")]
    lines += listed("Why", [reason_text(reason.code, reason.data, voice) for reason in told])
    lines += say_now(case)
    return "\n".join([*lines, *wrapped(SHORT_CAUTION if narrow() else CAUTION)])


def _allowed(case: Case, verdict: Verdict) -> list[str]:
    """The largest turn of that screw and way that would be allowed now, or that none is."""
    mark = case.situation.setup.mark_turns[verdict.screw]
    way = 1 if verdict.turns_cw > 0 else -1
    most = min(abs(verdict.turns_cw), case.situation.setup.cap_turns[verdict.screw])
    caps = [reason.data["cap"] for reason in verdict.why[:1] if reason.data.get("cap", most) < most]
    for size in (*caps, *(count * mark for count in range(int(most / mark + 1e-6), 0, -1))):
        if permit(case, verdict.screw, way * size).allowed:
            return _labelled("Allowed", f"up to {say_size(size)} {say_way(way)}.")
    unsaid = verdict.why[0].code in ("read-first", "wait", "prove-line", "away", "far-edge", "far-edge-just")
    return _labelled("Allowed", f"nothing {say_way(way)} now.") if unsaid else []  # else its reason says as much


# ---- why


def say_why(case: Case, advice: Advice, voice: Voice = "log") -> list[str]:
    """Reasons, chances, the fitted response of the screw that is set here, and the notes."""
    lines = listed("Why", [reason_text(reason.code, reason.data, voice) for reason in advice.why])
    if advice.chance_in_band is not None and advice.action != "halt":
        lines += _labelled("Chance", f"{say_chance(advice.chance_in_band)} in band{' then' if advice.screw else ''}.")
    lines += say_gain(advice, case.situation.setup)
    if advice.firing and case.situation.firing:
        lines += say_response(case, case.setting(advice.firing).screw)
    rest = [each for each in advice.findings if each.code not in (*OF_AN_ENTRY, "closed")]
    return lines + say_findings(rest, ("note",), voice)


def _say_open(case: Case, progress: Progress) -> list[str]:
    """What the stages that are still to do ask."""
    stages = [state.stage for state in progress.states if state.stage.name in progress.to_do]
    asked = {stage.words.called: ", ".join(unanswered(case.situation, stage)) for stage in stages}
    return listed("To do", [f"{stage}: {items}" for stage, items in asked.items() if items])


def say_play(response: Response) -> str:
    """The play of a screw as fitted; nothing under a degree."""
    turns = response.backlash_turns
    return f", play about {say_degrees(turns)}" if turns * 360 >= 1 else ""


def say_response(case: Case, screw: Screw) -> list[str]:
    """Play and lag of a screw as fitted, and what is a guess yet."""
    response = response_of(case.situation, screw, FIRING_FOR[screw])
    said = f"{screw} screw{say_play(response)}; display lags about {response.lag_s:.0f} s."
    return _labelled("Fitted", said) + listed("Guess", list(response.not_known))


def _labelled(label: str, text: str, short: str = "") -> list[str]:
    """A text behind its label; on a narrow screen the short form, which says its label itself."""
    return wrapped(short) if short and narrow() else labelled(label, text)
