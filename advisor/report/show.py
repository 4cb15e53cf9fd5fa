"""What `show` prints: the job so far on a page or two, the answer first."""

from collections.abc import Sequence
from datetime import date

from advisor.chemistry import limits
from advisor.chemistry.flue_gas import FlueGas
from advisor.decision.advise import Case
from advisor.decision.answers import Advice
from advisor.diagnosis.answers import drop_of, flue_gas_at, input_of
from advisor.job_setup.setup import AIR_FREE, CO_BASES, DISPLAYED, RATIO, JobSetup
from advisor.log.csv_rows import one_line
from advisor.log.events import Event
from advisor.messages import Reason
from advisor.procedure.progress import Progress
from advisor.report.answers import (
    PRACTICE,
    may_end_the_job,
    say_event,
    say_findings,
    say_look_first,
    say_way_back,
    way_unknown,
)
from advisor.report.brief import first_line, say_left, say_play
from advisor.report.flue import co_limit
from advisor.report.layout import labelled, listed, wrapped
from advisor.response.fitted import response_of
from advisor.response.situation import Situation
from advisor.screws import FIRING_FOR, FIRINGS, SCREWS, Firing, Screw
from advisor.wording.numbers import say_chance

LAST_ROWS = 24  # shown unless all are asked for: about a screen


def say_job(
    case: Case,
    advice: Advice,
    progress: Progress,
    events: Sequence[Event],
    warnings: Sequence[str] = (),
    *,
    all_rows: bool = False,
) -> str:
    """The job so far as text, the answer first: setup, the last rows or all of them, fitted response, findings."""
    situation, setup = case.situation, case.situation.setup
    bands = ", ".join(f"{firing} {low:g} to {high:g} %" for firing, (low, high) in setup.bands.items())
    lines = [*wrapped(first_line(case, advice)), *([PRACTICE] if setup.practice else [])]
    lines += ["", *labelled("Job", f"{setup.fuel.name}; CO2 bands {bands}")]
    for name, value in (("Site", setup.site), ("Analyser", setup.analyser)):
        if value:
            lines += labelled(name, value)
    lines += say_left(case, advice, progress)
    lines += listed("Skipped", [f"{s.stage.name}: {s.skipped}" for s in progress.states if s.state == "skipped"])
    left_out = 0 if all_rows else len(events) - LAST_ROWS
    lines += ["", " row  time      what", *_say_rows(situation, events, left_out), ""]
    for screw in SCREWS:
        lines += _say_response(situation, screw)
    for firing in FIRINGS:
        lines += _say_standing(case, firing)
    lines += _measured(situation)
    lines += say_findings(advice.findings, ("halt", "warn", "note"), skip_first_halt=advice.action == "halt")
    lines += say_look_first(advice.findings)
    if any(may_end_the_job(finding) for finding in advice.findings):
        lines += say_way_back(case)
    lines += [line for warning in warnings for line in labelled("Log", warning)]
    return "\n".join(lines)


def _say_rows(situation: Situation, events: Sequence[Event], left_out: int) -> list[str]:
    """The rows of the log but for so many of the first."""
    folded = f"      {_count(left_out, 'earlier row')} left out; every row: advisor show LOG --all"
    lines = [folded] if left_out > 0 else []
    standing = {row.number for row in situation.rows}
    for number, event in enumerate(events, 1):
        if number > left_out:
            struck = "" if number in standing or event.event == "void" else "  (struck)"
            head = f"{number:4d}  {event.time:%H:%M:%S}  "
            lines += wrapped(one_line(say_event(event)) + struck, None, head, " " * len(head)) or [head]
    return lines


def _measured(situation: Situation) -> list[str]:
    """Flue gas at both rates, pressures, input rate and calibration, as far as they were measured."""
    flue = {firing: flue_gas_at(situation, firing) for firing in FIRINGS}
    said = [f"{f} fire: {say_flue(situation.setup, gas)}" for f, gas in flue.items() if gas and gas.excess_air_ratio]
    return listed("Flue", said) + listed("Checked", [reason.text for reason in measured(situation)])


def say_flue(setup: JobSetup, gas: FlueGas) -> str:
    """What a reading comes to, in a sentence."""
    parts = [f"excess air {100 * ((gas.excess_air_ratio or 1) - 1):.0f} %"]
    if gas.dew_point_c is not None:
        parts.append(f"dew point {gas.dew_point_c:.0f} C")
    if gas.flue_loss_pct is not None:
        parts.append(Reason("flue-loss", {"loss_pct": gas.flue_loss_pct}).text)
    if gas.co_air_free_ppm is not None and gas.co_co2_ratio is not None:
        value, basis = co_limit(setup)
        limit = dict.fromkeys(CO_BASES, "") | {basis: f" (limit {value:g})"}
        parts.append(f"CO {gas.co_ppm:g} ppm{limit[DISPLAYED]}, {gas.co_air_free_ppm:.0f} air-free{limit[AIR_FREE]}")
        parts.append(f"CO/CO2 {gas.co_co2_ratio:.4f}{limit[RATIO]}")
    said = ", ".join(parts) + "."
    if gas.co_co2_ratio is not None and gas.co_co2_ratio > limits.CO_CO2_RATIO_OUT_OF_SERVICE:
        said += f" CO/CO2 is over {limits.CO_CO2_RATIO_OUT_OF_SERVICE:g}: a boiler is not left in service like that."
    elif gas.co_co2_ratio is not None and gas.co_co2_ratio >= limits.CO_CO2_RATIO:
        said += f" CO/CO2 is at or over {limits.CO_CO2_RATIO:g}: look at burner, air and flue."
    return said


def measured(situation: Situation) -> list[Reason]:
    """What was measured beside the screws: drop of pressure, input rate, age of the calibration."""
    return [*drop_reasons(situation), *input_reasons(situation), *calibration_reasons(situation)]


def drop_reasons(situation: Situation) -> list[Reason]:
    """The drop from standing to working pressure, where both were measured."""
    drop = drop_of(situation)
    return [Reason("drop", drop._asdict())] if drop else []


def input_reasons(situation: Situation) -> list[Reason]:
    """The timed input rate, against the data plate if at high fire."""
    timed, plate = input_of(situation), situation.setup.input_rate
    if timed is None:
        return []
    if plate is None:
        return [Reason("input-no-plate", {"kw": timed.kw})]
    data = {"kw": timed.kw, "side": timed.side, "low": plate[0], "high": plate[1], "unit": plate[2]}
    return [Reason("input" if timed.firing == "high" else "input-not-high", data)]


def calibration_reasons(situation: Situation) -> list[Reason]:
    """Age of the analyser's calibration, where its date is known."""

    try:
        days = max(0, (situation.at.date() - date.fromisoformat(situation.setup.calibrated)).days)
    except ValueError:
        return []
    old = days > situation.policy.calibration_days
    return [Reason("calibrated-long-ago" if old else "calibrated", {"days": days})]


def _say_response(situation: Situation, screw: Screw) -> list[str]:
    response = response_of(situation, screw, FIRING_FOR[screw])
    gain, low, high = response.gain_per_turn, response.gain_low, response.gain_high
    if way_unknown(gain, low, high, situation.setup, screw):
        most = max(-low, high) / 12
        effect = f"what it does at {response.firing} fire is not known yet (1/12 turn: at most {most:.2f} % CO2)"
    else:
        effect = (
            f"1/12 turn clockwise makes {gain / 12:+.2f} % CO2 at {response.firing} fire, likely {low / 12:+.2f} to "
            f"{high / 12:+.2f}; per turn {gain:+.1f} ({low:+.1f} to {high:+.1f})"
        )
    lines = labelled(
        screw.capitalize(),
        f"{effect}{say_play(response).replace(',', ';')}; lag about {response.lag_s:.0f} s; "
        f"{_count(response.n_moves, 'turn')}, {_count(response.n_readings, 'steady reading')}.",
    )
    return lines + [line for sentence in response.not_known for line in labelled("", f"Not known: {sentence}")]


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _say_standing(case: Case, firing: Firing) -> list[str]:
    if not case.situation.settled_readings(firing):
        return labelled(f"{firing.capitalize()}", "no steady reading yet.")
    setting, accuracy = case.setting(firing), case.situation.setup.analyser_accuracy_pct
    forecast = setting.now.forecast
    low, mean, high = (setting.co2_pct(value) for value in (forecast.ppf(0.05), forecast.mean, forecast.ppf(0.95)))
    said = f"true CO2 about {mean:.2f} %, likely {low:.2f} to {high:.2f}; in band: "
    said += f"{say_chance(forecast.interval_prob(*setting.edges))}."
    if (chance := setting.chance_with_accuracy) is not None:
        said += f" With the analyser's own accuracy of {accuracy:g} % CO2 either way: {say_chance(chance)}."
    return labelled(firing.capitalize(), said)
