"""One job row by row: what was known, what was advised, what was done and what it cost."""

from datetime import timedelta

import pandas as pd

from advisor import units
from advisor.decision import Advice
from advisor.events import Event
from advisor.facts import Facts
from advisor.history import Row
from advisor.job import Job
from advisor.model import FIRING_FOR

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
    (NaN where nothing was read there yet); advised: what `next` would have said then; took_s: since the row before;
    cost: what went against the job, in words, empty where nothing did.
    """
    rows, found = job.rows(), []
    settled = {row.number for row in job.visit(rows[-1].event.time).history.settled} if rows else set()
    before = rows[0].event.time if rows else None
    for place, row in enumerate(rows):
        event = row.event
        assert before is not None
        if event.event in ("reading", "turn", "firing"):
            advice = job.next(event.time - A_MOMENT)
            followed = _followed(advice, event, job.facts)
            took_s = (event.time - before).total_seconds()
            cost = _cost(job.facts, advice, followed, event, rows[:place], rows[place + 1 :], settled)
            found.append(
                (row.number, event.time, done(event), advised(advice), followed, took_s, *_known(job, event), cost)
            )
            before = event.time
    return pd.DataFrame(found, columns=list(COLUMNS))


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
            return f"wait {units.say_seconds(round(advice.wait_s or 0))} more"
        case "read":
            return "read"
        case "run_at":
            return f"change to {advice.firing} fire"
        case "finish":
            return "finish: both rates in band"
    halts = [finding.code for finding in advice.findings if finding.severity == "halt"]
    return f"stop ({halts[0]})"


def _turn(turns_cw: float) -> str:
    return f"{units.say_fraction(abs(turns_cw))} {'cw' if turns_cw > 0 else 'ccw'}"


def _followed(advice: Advice, event: Event, facts: Facts) -> bool:
    if event.event == "turn":
        mark = facts.mark_turns[event.screw or "offset"]
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
    visit = job.visit(event.time - A_MOMENT)
    firing = event.firing or FIRING_FOR[event.screw or "offset"]
    if not visit.settled_readings(firing, 0.0):
        return nothing
    scale, forecast = visit.belief.model.scales[firing], visit.belief.settled(firing)
    edges = [float(scale.straight(edge)) for edge in visit.facts.bands[firing]]
    figures = (forecast.mean, forecast.quantile(0.05), forecast.quantile(0.95))
    middle, low, high = (float(scale.co2_pct(figure)) for figure in figures)
    return middle, low, high, forecast.between(*edges)


def _cost(
    facts: Facts, advice: Advice, followed: bool, event: Event, earlier: list[Row], later: list[Row], settled: set[int]
) -> str:
    """What a row cost the job, in words."""
    if event.event == "turn":
        return _cost_of_turn(facts, advice, followed, event, earlier, later, settled)
    if event.event == "reading" and advice.action == "wait" and not followed:
        return f"read {units.say_seconds(round(advice.wait_s or 0))} too soon: no turn on it"
    if advice.action == "finish":
        return "the job was done before this"
    return ""


def _cost_of_turn(
    facts: Facts, advice: Advice, followed: bool, event: Event, earlier: list[Row], later: list[Row], settled: set[int]
) -> str:
    costs = []
    if advice.action == "wait":
        costs.append("turned before it had settled")
    if advice.action == "halt":
        costs.append("turned against a stop")
    elif not followed and advice.action == "turn" and advice.screw == event.screw:
        more = abs(event.turns_cw or 0.0) > abs(advice.turns_cw or 0.0)
        opposite = (event.turns_cw or 0.0) * (advice.turns_cw or 0.0) < 0
        costs.append("turned the other way" if opposite else f"{'more' if more else 'less'} than advised")
    firing = FIRING_FOR[event.screw or "offset"]
    was = _display(list(reversed(earlier)), firing, settled)
    now = _display(later, firing, settled, until_change=True)
    if was is not None and now is not None:
        low, high = facts.bands[firing]
        centre = (low + high) / 2
        if (now > high + 1e-9 and was <= high + 1e-9) or (now < low - 1e-9 and was >= low - 1e-9):
            costs.append(f"passed the band: {was:g} to {now:g} %")
        elif abs(now - centre) > abs(was - centre) + 1e-9:
            costs.append(f"{abs(now - centre) - abs(was - centre):.1f} % CO2 further from the centre")
    return "; ".join(costs)


def _display(rows: list[Row], firing: str, settled: set[int], *, until_change: bool = False) -> float | None:
    """The first settled CO2 displayed at a rate among rows; until_change: only before the next change."""
    for row in rows:
        if until_change and row.event.event in ("turn", "firing"):
            return None
        if row.number in settled and row.event.firing == firing:
            return row.event.co2_pct
    return None
