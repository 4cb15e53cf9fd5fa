"""One job row by row: what was known, what was advised, what was done and what it cost.

A reading is settled, a wait is kept and the band is passed here as in the `tables`, from which these are taken. The
adviser itself may ask for a longer wait, for a slow display: that is said in words of its own.
"""

from datetime import timedelta
from typing import Any

import pandas as pd

from advisor.decision.answers import Advice
from advisor.job import Job
from advisor.job_setup.setup import JobSetup
from advisor.log.events import Event, Row
from advisor.log.file import Log
from advisor.report.answers import first_line
from advisor.screws import FIRING_FOR
from advisor.study import tables
from advisor.study.frames import plain, rows_frame
from advisor.study.timeline import timeline
from advisor.wording import numbers

A_MOMENT = timedelta(milliseconds=1)
SAME_TURN = 0.1  # of a mark: a turn this close to the advised one is the advised one
FORGIVEN_S = 5.0  # read so much before the wait was over: as advised
COLUMNS = (
    "row", "time", "done", "advised", "followed", "took_s", "known_pct", "known_low_pct", "known_high_pct",
    "chance_in_band", "cost",
)  # fmt: skip


def replay(job: Job) -> pd.DataFrame:
    """One row per reading, turn and change of rate that stands, in order of time.

    known_pct with its 90 % range and chance_in_band: of the true settled CO2 at the rate of the row, a moment before it
    (NaN where nothing was read there yet); advised: what `next` would have said then; followed: whether the row is
    that: the same turn to within SAME_TURN of a mark, the same change of rate, a reading where one was asked for or was
    FORGIVEN_S or less too early (a reading during a stop is not, though it may lift it); took_s: since the row before;
    cost: what went against the job, in words, empty where nothing did.
    """
    rows, found = job.rows(), []
    line = timeline(rows_frame([("", Log(job.setup, job.events, ()))]))
    told = {row["row"]: row for table in (tables.moves_of(line), tables.readings_of(line)) for row in plain(table)}
    before = rows[0].event.time if rows else None
    for place, row in enumerate(rows):
        event = row.event
        assert before is not None
        if event.event in ("reading", "turn", "firing"):
            advice = job.next(event.time - A_MOMENT)
            followed = _followed(advice, event, job.setup)
            took_s = (event.time - before).total_seconds()
            cost = _cost(job.setup, advice, followed, event, told.get(row.number, {}), rows[:place])
            found.append(
                (row.number, event.time, done(event), advised(advice), followed, took_s, *_known(job, event), cost)
            )
            before = event.time
    return pd.DataFrame(found, columns=list(COLUMNS))


def at_end(job: Job) -> str:
    """How a job stands at its last row, in the words of `next`'s first line; nothing where there is no row."""
    return first_line(job.next(max(event.time for event in job.events))) if job.events else ""


def done(event: Event) -> str:
    """A row in few words."""
    if event.event == "reading":
        return f"read {event.firing} CO2 {event.co2_pct:g} %"
    if event.event == "firing":
        return f"changed to {event.firing} fire"
    return f"turned {event.screw} {_turn(event.turns_cw or 0.0)}"


def advised(advice: Advice) -> str:
    """An answer in few words."""
    match advice.action:
        case "turn":
            return f"turn {advice.screw} {_turn(advice.turns_cw or 0.0)}"
        case "wait":
            return f"wait {numbers.say_seconds(round(advice.wait_s or 0))} more"
        case "read":
            return "read"
        case "run_at":
            return f"change to {advice.firing} fire"
        case "finish":
            return "finish: both rates in band"
    halts = [finding.code for finding in advice.findings if finding.severity == "halt"]
    return f"stop ({halts[0]})"


def _turn(turns_cw: float) -> str:
    return f"{numbers.say_fraction(abs(turns_cw))} {'cw' if turns_cw > 0 else 'ccw'}"


def _followed(advice: Advice, event: Event, setup: JobSetup) -> bool:
    if event.event == "turn":
        mark = setup.mark_turns[event.screw or "offset"]
        return (
            advice.action == "turn"
            and advice.screw == event.screw
            and abs((advice.turns_cw or 0.0) - (event.turns_cw or 0.0)) <= SAME_TURN * mark
        )
    if event.event == "firing":
        return advice.action == "run_at" and advice.firing == event.firing
    return advice.action == "read" or (advice.action == "wait" and (advice.wait_s or 0.0) <= FORGIVEN_S)


def _known(job: Job, event: Event) -> tuple[float, float, float, float]:
    """True settled CO2 at the rate of a row with its 90 % range, and its chance of being in band, a moment before."""
    nothing = (float("nan"),) * 4
    situation = job.situation(event.time - A_MOMENT)
    firing = event.rate or FIRING_FOR[event.screw or "offset"]
    if not situation.settled_readings(firing):
        return nothing
    scale, forecast = situation.belief.model.scales[firing], situation.belief.settled(firing)
    edges = [float(scale.linearised(edge)) for edge in situation.setup.bands[firing]]
    figures = (forecast.mean, forecast.ppf(0.05), forecast.ppf(0.95))
    middle, low, high = (float(scale.co2_pct(figure)) for figure in figures)
    return middle, low, high, forecast.interval_prob(*edges)


def _cost(
    setup: JobSetup, advice: Advice, followed: bool, event: Event, told: dict[str, Any], earlier: list[Row]
) -> str:
    """What a row cost the job, in words; `told`: its row in `tables.moves` or `tables.readings`."""
    if event.event == "turn":
        return "; ".join(
            [*_cost_of_hand(advice, followed, event, told), *_cost_on_display(setup, event, told, earlier)]
        )
    if event.event == "reading" and advice.action == "wait" and not followed:
        return _too_soon("read", advice) if told["settled"] else f"{_early('read', advice)}: no turn on it"
    if advice.action == "finish":
        return "the job was done before this"
    return ""


def _early(done: str, advice: Advice) -> str:
    return f"{done} {numbers.say_seconds(round(advice.wait_s or 0))} too soon"


def _too_soon(done: str, advice: Advice) -> str:
    """The shortest waits were over, and the adviser still asked to wait."""
    return f"{_early(done, advice)} for so slow a display"


def _cost_of_hand(advice: Advice, followed: bool, event: Event, move: dict[str, Any]) -> list[str]:
    costs = []
    if not move["wait_kept"]:
        costs.append("turned without a settled reading")
    elif advice.action == "wait":
        costs.append(_too_soon("turned", advice))
    if advice.action == "halt":
        costs.append("turned against a stop")
    elif not followed and advice.action == "turn" and advice.screw == event.screw:
        more = abs(event.turns_cw or 0.0) > abs(advice.turns_cw or 0.0)
        opposite = (event.turns_cw or 0.0) * (advice.turns_cw or 0.0) < 0
        costs.append("turned the other way" if opposite else f"{'more' if more else 'less'} than advised")
    return costs


def _cost_on_display(setup: JobSetup, event: Event, move: dict[str, Any], earlier: list[Row]) -> list[str]:
    """What the display shows of a turn's cost, from the settled reading before it to the one after it.

    Where nothing settled was read before it, what was read last, and it is said that this was too soon.
    """
    was, now, firing = move["before_pct"], move["after_pct"], FIRING_FOR[event.screw or "offset"]
    early = "" if was is not None else " (read too soon)"
    if early and move["firing"] == firing:
        was = _last_shown(earlier, firing)
    if was is None or now is None:
        return []
    low, high = setup.bands[firing]
    if tables.passed(was, now, low, high):
        return [f"passed the band: {was:g}{early} to {now:g} %"]
    further = abs(now - (low + high) / 2) - abs(was - (low + high) / 2)
    return [f"{further:.1f} % CO2 further from the centre"] if further > tables.TINY and not early else []


def _last_shown(earlier: list[Row], firing: str) -> float | None:
    """The CO2 last read at a rate since anything was changed."""
    for row in reversed(earlier):
        if row.event.event in ("turn", "firing"):
            return None
        if row.event.event == "reading" and row.event.firing == firing:
            return row.event.co2_pct
    return None
