"""What `show` prints: the job so far on a page or two, the answer first."""

from datetime import datetime

from advisor.decision.candidates import percent
from advisor.diagnosis import measured
from advisor.job import Job, Response
from advisor.log.csv_rows import one_line
from advisor.log.events import FIRINGS, SCREWS
from advisor.report.answers import (
    PRACTICE,
    first_line,
    may_end_the_job,
    say_event,
    say_findings,
    say_stage,
    say_trouble,
    say_way_back,
    way_unknown,
)
from advisor.report.layout import WIDTH, labelled, listed, wrapped
from advisor.response.situation import Visit

LAST_ROWS = 24  # shown unless all are asked for: about a screen


def say_job(job: Job, at: datetime | None = None, *, all_rows: bool = False) -> str:
    """The job so far as text, the answer first: facts, the last rows or all of them, fitted response, findings."""
    visit = job.visit(at)
    facts = visit.facts
    bands = ", ".join(f"{firing} {low:g} to {high:g} %" for firing, (low, high) in facts.bands.items())
    advice = job.next(at)
    lines = [*wrapped(first_line(advice)), *([PRACTICE] if facts.practice else [])]
    lines += ["", *labelled("Job", f"{facts.fuel.name}; CO2 bands {bands}")]
    for name, value in (("Site", facts.site), ("Analyser", facts.analyser)):
        if value:
            lines += labelled(name, value)
    progress = job.progress(at, advice)
    lines += labelled("Stage", say_stage(progress))
    lines += listed("Skipped", [f"{s.stage.name}: {s.reason}" for s in progress.states if s.state == "skipped"])
    lines += ["", " row  time      what", *_say_rows(job, visit, 0 if all_rows else len(job.events) - LAST_ROWS), ""]
    for screw in SCREWS:
        lines += _say_response(job.response(screw, at=at), facts.clockwise[screw])
    for firing in FIRINGS:
        lines += _say_standing(visit, firing)
    lines += _measured(visit)
    lines += say_findings(advice.findings, skip_first_halt=advice.action == "halt")
    lines += say_trouble(advice.findings)
    if any(may_end_the_job(finding) for finding in advice.findings):
        lines += say_way_back(visit)
    lines += [line for warning in job.warnings for line in labelled("Log", warning)]
    return "\n".join(lines)


def _say_rows(job: Job, visit: Visit, left_out: int) -> list[str]:
    """The rows of the log but for so many of the first."""
    folded = f"      {_count(left_out, 'earlier row')} left out; every row: advisor show LOG --all"
    lines = [folded] if left_out > 0 else []
    standing = {row.number for row in visit.rows}
    for number, event in enumerate(job.events, 1):
        if number > left_out:
            struck = "" if number in standing or event.event == "void" else "  (struck)"
            head = f"{number:4d}  {event.time:%H:%M:%S}  "
            lines += wrapped(one_line(say_event(event)) + struck, WIDTH, head, " " * len(head)) or [head]
    return lines


def _measured(visit: Visit) -> list[str]:
    """Flue figures at both rates, pressures, input rate and calibration, as far as they were measured."""
    flue = {firing: measured.flue_at(visit, firing) for firing in FIRINGS}
    lines = listed(
        "Flue", [f"{f} fire: {measured.say_flue(visit.facts, figure)}" for f, figure in flue.items() if figure]
    )
    calibration = measured.say_calibration((row.event for row in visit.rows), visit.at.date())
    checked = [measured.say_drop(visit), measured.say_input_rate(visit), calibration]
    return lines + listed("Checked", [sentence for sentence in checked if sentence])


def _say_response(response: Response, clockwise: str) -> list[str]:
    gain, low, high = response.gain_per_turn, response.gain_low, response.gain_high
    if way_unknown(gain, low, high, clockwise):
        most = max(-low, high) / 12
        effect = f"what it does at {response.firing} fire is not known yet (1/12 turn: at most {most:.2f} % CO2)"
    else:
        effect = (
            f"1/12 turn clockwise makes {gain / 12:+.2f} % CO2 at {response.firing} fire ({low / 12:+.2f} to "
            f"{high / 12:+.2f}, 9 times in 10); per turn {gain:+.1f} ({low:+.1f} to {high:+.1f})"
        )
    lines = labelled(
        response.screw.capitalize(),
        f"{effect}; slack about {response.slack:.3f} turn; lag about {response.lag:.0f} s; "
        f"{_count(response.n_moves, 'turn')}, {_count(response.n_readings, 'settled reading')}.",
    )
    for sentence in response.not_known:
        lines += labelled("", f"Not known: {sentence}")
    return lines


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _say_standing(visit: Visit, firing: str) -> list[str]:
    if not visit.settled_readings(firing, 0.0):
        return labelled(f"{firing.capitalize()}", "no settled reading yet.")
    forecast, scale = visit.belief.settled(firing), visit.belief.model.scales[firing]
    low, high = (float(edge) for edge in scale.straight(visit.facts.bands[firing]))
    co2 = [float(scale.co2_pct(value)) for value in (forecast.mean, forecast.quantile(0.05), forecast.quantile(0.95))]
    return labelled(
        firing.capitalize(),
        f"true CO2 about {co2[0]:.2f} % ({co2[1]:.2f} to {co2[2]:.2f}, 9 times in 10); in band: "
        f"{percent(forecast.between(low, high))}.{_with_accuracy(visit, firing, co2[0], forecast.var**0.5)}",
    )


def _with_accuracy(visit: Visit, firing: str, co2_pct: float, sd_pct: float) -> str:
    """The chance in band with the analyser's own accuracy in it, where that is known."""
    accuracy = visit.facts.analyser_accuracy_pct
    if not accuracy:
        return ""
    from advisor.chemistry.flue_gas import chance_truly_in_band  # here, not above: `next` does without it

    chance = chance_truly_in_band(co2_pct, sd_pct, *visit.facts.bands[firing], accuracy)
    return f" With the analyser's own accuracy of {accuracy:g} % CO2 either way: {percent(chance)}."
