"""The answers in words: the first line is the answer, then what to expect and why. Made from a case, not from a job."""

import math
from collections.abc import Container, Iterable, Sequence

from advisor.chemistry import limits
from advisor.decision.advise import Case
from advisor.decision.answers import Advice, Verdict
from advisor.decision.way_out import WayOut
from advisor.diagnosis.carbon_monoxide import stops_for_co
from advisor.diagnosis.way_back import way_back
from advisor.job_setup.band_check import flue_of
from advisor.job_setup.setup import AIR_FREE, DISPLAYED, JobSetup
from advisor.log.events import Event
from advisor.messages import Finding
from advisor.report.layout import labelled, listed, wrapped
from advisor.screws import FIRING_FOR, SCREW_FOR, SCREWS, Screw
from advisor.wording import GIVE_UP, finding_text, is_alarm, look_first, reason_text, short_text
from advisor.wording.numbers import say_band, say_size, say_turn, say_way
from advisor.wording.templates import Voice

PRACTICE = "PRACTICE: a made-up boiler. None of this is about a real one."
CAUTION = "Maker's instructions and your own judgement come first."
BEFORE = (
    "Maker's instructions and target table at hand; room CO alarm on.",
    "Analyser warmed up and zeroed in clean air (O2 20.9 %, CO 0), water trap empty.",
    "Sample line proved tight; log it: check sample-line tight.",
    "Every gas joint that was opened tested tight; gas pressures inside the data plate.",
)
READ_ALL = "CO2, O2 and CO"
OVER_CAP = "Watch CO: the last turn was over the cap."
PROVE_LINE, CHECK_PRESSURE = "Prove the sample line tight", "Check the gas pressure"
CHECK_SCREW = "Make sure the screw turns"
DUE_FIRST = {  # by finding
    "fell": PROVE_LINE, "fell-short": PROVE_LINE, "pressure-unknown": CHECK_PRESSURE,
    "pressure-due": CHECK_PRESSURE, "no-effect": CHECK_SCREW,
    "turn-unseen": CHECK_SCREW,
}  # fmt: skip
LABELS = {"halt": "STOP", "warn": "Warning", "note": "Note"}
PUBLISHED_CO = f"{limits.CO_AIR_FREE_PPM:g} ppm air-free, ANSI/BPI-1200-S-2017, read in a secondary copy"
SMALLEST_GAIN = 0.06  # % CO2 per turn; 1/12 turn of less shows as 0.00
SHEET = "advisor sheet LOG FILE"
OVER = f"The visit is over; the record: {SHEET}"
READ_BOTH = "Read both again, seal; record"
CLOSING = "Cover on, read both again, seal; record"


def say_way_out(case: Case) -> list[str]:
    """What may be turned where CO stops the job, or stands so high that no turn goes richer."""
    situation = case.situation
    if situation.off:  # nothing is turned before the burner may run again
        return []
    if not any(map(stops_for_co, case.findings)):
        rises = [finding for finding in case.findings if finding.code == "co-rising"]
        undo = [way.reason.text for way in case.ways_out if way.kind == "undo" and way_leads_leaner(case, way)]
        return listed("May", undo) if any(not each.variant.startswith("near") for each in rises) else []
    ways = [
        way.reason.text
        for way in case.ways_out
        if way.kind != "as found" and way_leads_leaner(case, way) and (way.kind == "undo" or _too_rich(case, way))
    ]
    unsure = [
        screw for screw in SCREWS if situation.turns_of(screw) and not case.setting(FIRING_FOR[screw]).direction_sure
    ]
    ways += [reason_text("way-out-start", {"screw": screw}) for screw in unsure]
    return listed("May", ways)


def _too_rich(case: Case, way: WayOut) -> bool:
    """Whether CO2, read since the burner was lit, is in the band or above it: below it the screws are not the cause."""
    firing = FIRING_FOR[way.screw]
    read = case.situation.latest(firing)
    return (
        read is not None
        and read.at_s >= case.situation.tracker.started_s
        and (read.event.co2_pct or 0.0) >= case.setting(firing).band[0]
    )


def way_leads_leaner(case: Case, way: WayOut) -> bool:
    """Whether a way out makes the flame leaner, or undoes a turn nobody knows the way of."""
    setting = case.setting(FIRING_FOR[way.screw])
    return not setting.direction_sure or not setting.richer(way.turns_cw)


def say_stop(stop: Finding, voice: Voice = "log") -> str:
    """A stop in words: what saves people comes first, and needs no word before it."""
    alarm = is_alarm(stop.code) and not stop.is_past
    return finding_text(stop, voice) if alarm else f"STOP. {finding_text(stop, voice)}"


def may_end_the_job(finding: Finding) -> bool:
    """Whether this stop may end with the appliance out of service, so that the way back is said."""
    return finding.severity == "halt" and GIVE_UP in look_first(finding.code)


def say_way_back(case: Case) -> list[str]:
    """How to put the turned screws back as found, as lines."""
    return listed("Restore", [back.text for back in way_back(case.situation)])


def say_look_first(findings: Iterable[Finding]) -> list[str]:
    """What to look at first for each stop and warning, in order, as lines."""
    lines = []
    for finding in findings:
        steps = look_first(finding.code)
        if finding.severity != "note" and steps:
            lines.append(f"  Look first ({short_text(finding.code)}):")
            lines += [line for number, step in enumerate(steps, 1) for line in labelled(f"{number:>5}", step)]
    return lines


def say_not_advised(verdict: Verdict, voice: Voice = "log") -> str:
    """What is said first of a turn that was made though it was not allowed; empty where it was."""
    if verdict.allowed:
        return ""
    why = verdict.why[0]
    return "\n".join(wrapped(f"Not advised: {reason_text(why.code, why.data, voice)}"))


def say_opened(setup: JobSetup, path: object, ways: Container[str] = (), last: str = "") -> str:
    """What `open` prints: where the log is, what to prepare, and where to start.

    ways  screws whose way was stated
    last  what was wrong on the last visit, "" where nothing was
    """
    lines = wrapped(f"Log {path} is open. Start at high fire.")
    lines += labelled("Last", last) if last else []
    for firing, (low, high) in setup.bands.items():
        o2, air = flue_of(setup.fuel, (low, high))
        lines += labelled(
            firing.capitalize(),
            f"CO2 {say_band((low, high))} % of {setup.fuel.name} is O2 {o2[0]:.1f} to {o2[1]:.1f} %, excess air "
            f"{air[0]:.0f} to {air[1]:.0f} %.",
        )
    for screw, way in setup.clockwise.items():
        asks = f"Which way is clockwise? Look it up, log check {screw}-clockwise richer or leaner; till then {way}."
        if way == "leaner" or (screw in ways and way != "unknown"):
            asks = f"Clockwise makes it {way}, as stated."
        shown = f"Clockwise was {way} last time." if screw in setup.prior.gain_log_sd_of and screw not in ways else asks
        lines += labelled(screw.capitalize(), f"up to {say_size(setup.cap_turns[screw])} at a time. {shown}")
    lines += labelled("CO limit", _say_co_limit(setup))
    if setup.prior.gain_log_sd_of:
        marks = [f"{screw} about {gain / 24:.2f} % CO2 in 15°" for screw, gain in setup.prior.gain_per_turn.items()
                 if screw in setup.prior.gain_log_sd_of]  # fmt: skip
        lines += labelled("Known", f"{', '.join(marks)}; from {setup.prior_source}; a year may have changed it.")
    elif setup.prior_source:
        lines += labelled("Guess", f"first guess from {setup.prior_source}.")
    for caution in BEFORE:
        lines += labelled("Before", caution)
    lines += wrapped(CAUTION)
    return "\n".join(lines)


def _say_co_limit(setup: JobSetup) -> str:
    if setup.stated_co_limit is None:
        return f"the published {PUBLISHED_CO}; a stricter one of the maker's: --co-limit."
    value, basis = setup.stated_co_limit
    if basis == AIR_FREE and value <= limits.CO_AIR_FREE_PPM:
        return f"the maker's {say_stated(value, basis)}."
    return f"the maker's {say_stated(*setup.stated_co_limit)}; the published {PUBLISHED_CO} where that is stricter."


def say_stated(value: float, basis: str) -> str:
    """A CO limit in words: "100 ppm as displayed"."""
    return f"{value:g} {'ppm as displayed' if basis == DISPLAYED else basis}"


def say_written(paths: Sequence[object], missing: Sequence[str]) -> str:
    """What `sheet` prints: the files, and what keeps the job from being finished."""
    lines = wrapped(f"Wrote {', '.join(map(str, paths))}.")
    if missing:
        lines += wrapped("The sheet says NOT FINISHED at the top:")
        lines += [line for sentence in missing for line in labelled("Missing", sentence)]
    return "\n".join(lines)


def say_struck(events: Sequence[Event], number: int, voice: Voice = "log") -> str:
    """What `void` says first: the row just struck, when it was, the way back; for a turn, how to put it right."""
    event = events[number - 1]
    by = max(row for row, each in enumerate(events, 1) if each.event == "void" and each.value == str(number))
    struck, made = events[by - 1].time, event.time
    today = (made.date(), made.utcoffset()) == (struck.date(), struck.utcoffset())
    moment = f"{made:%H:%M:%S}" if today else made.isoformat(timespec="seconds")
    lines = wrapped(f"Struck row {number}, {moment}, {say_event(event)}.")
    if event.event == "void":
        lines += wrapped(f"Row {event.value} counts again.")
    if event.event == "turn":
        lines += wrapped(f"If a turn was made there after all, log it as it was, with --at {moment}, before all else.")
    lines += wrapped(f"Not meant? Undo it: {'advisor void LOG ' if voice == 'log' else 'type void '}{by}")
    return "\n".join(lines)


def say_plainly(message: str) -> str:
    """A message wrapped for the terminal, its own line ends kept."""
    return "\n".join(line for part in message.splitlines() for line in wrapped(part))


def say_gain(advice: Advice, setup: JobSetup) -> list[str]:
    """What a mark of the screw that is set here does, as far as it is known."""
    gain, low, high = advice.gain_per_turn, advice.gain_low, advice.gain_high
    if gain is None or low is None or high is None or advice.firing is None:
        return []
    screw = SCREW_FOR[advice.firing]
    mark = math.copysign(setup.mark_turns[screw], advice.turns_cw or 1.0)
    if way_unknown(gain, low, high, setup, screw):
        most = max(abs(low * mark), abs(high * mark))
        return labelled("Screw", f"which way it works is not sure yet (at most {most:.1f} % CO2 a mark).")
    turn = f"{say_size(mark)} {say_way(mark)}"
    if low * high <= 0:
        far = max((low * mark, high * mark), key=lambda end: end * gain * mark)
        return labelled("Screw", f"{turn} may make {gain * mark:+.2f} % CO2, at most {far:+.2f}; no effect seen yet.")
    ends = sorted((low * mark, high * mark), key=abs)
    return labelled("Screw", f"{turn} makes about {gain * mark:+.2f} % CO2, likely {ends[0]:+.2f} to {ends[1]:+.2f}.")


def way_unknown(gain: float, low: float, high: float, setup: JobSetup, screw: Screw) -> bool:
    """Whether a gain (% CO2 per turn, 90 % range) says nothing: either sign can be, and nobody told the way."""
    return low * high <= 0 and (setup.clockwise[screw] == "unknown" or abs(gain) < SMALLEST_GAIN)


def say_findings(
    findings: Iterable[Finding], severities: Sequence[str], voice: Voice = "log", *, skip_first_halt: bool = False
) -> list[str]:
    """Findings of some severities as lines; the first stop left out where the first line said it."""
    lines = []
    for finding in findings:
        if skip_first_halt and finding.severity == "halt":
            skip_first_halt = False
        elif finding.severity in severities:
            lines += labelled(LABELS[finding.severity], finding_text(finding, voice))
    return lines


def say_event(event: Event) -> str:
    """One row of the log in words."""
    match event.event:
        case "reading":
            o2 = "" if event.o2_pct is None else f", O2 {event.o2_pct:g} %"
            co = "" if event.co_ppm is None else f", CO {event.co_ppm:g} ppm"
            at = f"{event.rate} fire" if event.rate else "burner off" if event.firing else "not lit"
            said = f"{at}: CO2 {event.co2_pct:g} %{o2}{co}" if event.co2_pct is not None else f"{at}: {co.strip(', ')}"
        case "turn":
            said = f"{event.screw} screw {say_turn(event.turns_cw or 0)}"
        case "firing":
            said = f"change to {event.firing} fire" if event.rate else "burner off"
        case "check":
            said = f"check: {event.item} {event.value} {event.unit}".rstrip()
        case "void":
            said = f"row {event.value} struck"
        case _:
            about = f"{event.item} {event.value} {event.unit}".strip()
            return f"note: {about}; {event.note}" if about else f"note: {event.note}"
    return f"{said}; {event.note}" if event.note else said
