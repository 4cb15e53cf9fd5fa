"""One job row by row: what was known, what was advised, what was done and what it cost.

A reading is settled, a wait is kept and the band is passed here as in `tables`, from which these are taken. The adviser
itself may ask for a longer wait, for a slow display: that has words of its own.
"""

import math
from collections.abc import Mapping
from datetime import timedelta
from itertools import takewhile
from typing import Any

import pandas as pd

from advisor.decision.answers import Advice
from advisor.job import Job
from advisor.job_setup.setup import JobSetup
from advisor.log.events import Event, Row
from advisor.log.file import Log
from advisor.report.brief import first_line
from advisor.screws import FIRING_FOR
from advisor.study import tables
from advisor.study.frames import plain, rows_frame
from advisor.study.timeline import timeline
from advisor.wording.numbers import say_brief_turn, say_seconds

A_MOMENT = timedelta(milliseconds=1)
SAME_TURN = 0.1  # of a mark: a turn this close to the advised one is the advised one
TINY_SHARE = 1e-6  # of a mark
FORGIVEN_S = 5.0  # read so much before the wait was over: as advised
COLUMNS = (
    "row", "time", "event", "done", "action", "advised", "followed", "took_s", "known_pct", "known_low_pct",
    "known_high_pct", "chance_in_band", "cost", "allowed", "cost_min", "cost_pct",
)  # fmt: skip


def replay(job: Job) -> pd.DataFrame:
    """One row per reading, turn and change of rate that stands, in order of time.

    row, time        number in the log; when
    event, done      "reading", "turn" or "firing"; in words
    action, advised  `Advice.action` of what `next` would have answered a moment before; in words
    followed         whether the row is that: the same turn to within SAME_TURN of a mark, the same change of rate, a
                     reading where one was asked for or was FORGIVEN_S or less too early (a reading during a stop is
                     not, though it may lift it)
    took_s           time since the row before, s
    known_pct, known_low_pct, known_high_pct  true settled CO2 at the rate of the row with its 90 % range, as known a
                     moment before it, % CO2; NaN where nothing was read there yet
    chance_in_band   its chance of being in band, 0 to 1
    cost             what went against the job, in words; empty where nothing did
    allowed          of a turn that `may` would have refused: what would have been allowed then, in words; else empty
    cost_min         of a turn that took the display further from the band's centre: from the turn until a settled
                     reading was as near again as before it, or else to the job's last row, min; NaN for other rows
    cost_pct         of such a turn: how much further, by the settled displays before and after it, % CO2
    """
    rows, records = job.rows(), []
    line = timeline(rows_frame([("", Log(job.setup, job.events, ()))]))
    judged = {
        (kind, row["row"]): row
        for kind, table in (("turn", tables.moves(line)), ("reading", tables.readings(line)))
        for row in plain(table)
    }
    before = rows[0].event.time if rows else None
    for place, row in enumerate(rows):
        event = row.event
        if before is None or event.event not in ("reading", "turn", "firing"):
            continue
        advice = job.next(event.time - A_MOMENT)
        followed = _followed(advice, event, job.setup)
        cost = _cost(job.setup, advice, followed, event, judged.get((event.event, row.number), {}), rows[:place])
        records.append(
            (row.number, event.time, event.event, done(event), advice.action, advised(advice), followed,
             (event.time - before).total_seconds(), *_known(job, event), cost, _allowed(job, advice, event),
             *_lost(rows[place:], judged, row.number, job.setup))
        )  # fmt: skip
        before = event.time
    return pd.DataFrame(records, columns=list(COLUMNS))


def at_end(job: Job) -> str:
    """How a job stands at its last row, in the words of `next`'s first line; nothing where there is no row."""
    if not job.ended:
        return ""
    return first_line(job.case(job.ended), job.next(job.ended))


def done(event: Event) -> str:
    """A row in few words."""
    if event.event == "reading":
        if event.co2_pct is None:
            return f"read CO {event.co_ppm:g} ppm"
        return f"read {event.firing} CO2 {event.co2_pct:g} %"
    if event.event == "firing":
        return f"changed to {event.firing} fire" if event.rate else "burner off"
    return f"turned {event.screw} {say_brief_turn(event.turns_cw or 0.0)}"


def advised(advice: Advice) -> str:
    """An answer in few words."""
    return {
        "turn": f"turn {advice.screw} {say_brief_turn(advice.turns_cw or 0.0)}",
        "wait": f"wait {say_seconds(round(advice.wait_s or 0))} more",
        "read": "read",
        "run_at": f"change to {advice.firing} fire",
        "finish": "finish: both rates in band",
        "halt": f"stop ({', '.join(stop.code for stop in advice.stops[:1])})",
    }[advice.action]


def _followed(advice: Advice, event: Event, setup: JobSetup) -> bool:
    if event.event == "turn":
        off = abs((advice.turns_cw or 0.0) - (event.turns_cw or 0.0))
        same = advice.action == "turn" and advice.screw == event.screw
        return same and off <= SAME_TURN * setup.mark_turns[event.screw or "offset"]
    if event.event == "firing":
        if event.rate is None:  # a stop may put the burner off
            return advice.action == "halt"
        return advice.action == "run_at" and advice.firing == event.rate
    return advice.action == "read" or (advice.action == "wait" and (advice.wait_s or 0.0) <= FORGIVEN_S)


def _known(job: Job, event: Event) -> tuple[float, float, float, float]:
    """True settled CO2 at the rate of a row with its 90 % range, and its chance of being in band, a moment before."""
    situation = job.situation(event.time - A_MOMENT)
    firing = event.rate or FIRING_FOR[event.screw or "offset"]
    if not situation.settled_readings(firing):
        return (float("nan"),) * 4
    scale, forecast = situation.belief.model.scales[firing], situation.belief.settled(firing)
    middle, low, high = map(float, scale.co2_pct([forecast.mean, forecast.ppf(0.05), forecast.ppf(0.95)]))
    return middle, low, high, forecast.interval_prob(*map(float, scale.linearised(situation.setup.bands[firing])))


def _cost(
    setup: JobSetup, advice: Advice, followed: bool, event: Event, judged: dict[str, Any], earlier: list[Row]
) -> str:
    """What a row cost the job, in words; `judged`: its row in `tables.moves` or `tables.readings`."""
    waits, slow = advice.action == "wait", "before so slow a display had settled"  # the shortest waits were over
    if event.event == "reading" and waits and not followed:
        return f"read {slow}" if judged["settled"] else "read too soon: no turn on it"
    if event.event != "turn":
        return "the job was done before this" if advice.action == "finish" else ""
    costs = []
    if not judged["wait_kept"]:
        costs.append("turned without a settled reading")
    elif waits:
        costs.append(f"turned {slow}")
    if advice.action == "halt":
        costs.append("turned against a stop")
    elif not followed and advice.action == "turn" and advice.screw == event.screw:
        made, asked = event.turns_cw or 0.0, advice.turns_cw or 0.0
        size = "more" if abs(made) > abs(asked) else "less"
        costs.append("turned the other way" if made * asked < 0 else f"{size} than advised")
    return "; ".join([*costs, *_cost_on_display(setup, event, judged, earlier)])


def _cost_on_display(setup: JobSetup, event: Event, move: dict[str, Any], earlier: list[Row]) -> list[str]:
    """What the display shows of a turn's cost, from the settled reading before it to the one after it.

    Where nothing settled was read before it, from what was read last, named as too soon.
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


def _allowed(job: Job, advice: Advice, event: Event) -> str:
    """What would have been allowed a moment before a turn that would have been refused, in words."""
    if event.event != "turn" or event.screw is None or not event.turns_cw:
        return ""
    at = event.time - A_MOMENT
    if job.may(event.screw, event.turns_cw, at).allowed:
        return ""
    mark, way = job.setup.mark_turns[event.screw], 1 if event.turns_cw > 0 else -1
    most = min(abs(event.turns_cw), job.setup.cap_turns[event.screw]) / mark
    for marks in range(math.ceil(most - TINY_SHARE), 0, -1):
        if marks * mark < abs(event.turns_cw) and job.may(event.screw, way * marks * mark, at).allowed:
            return f"{say_brief_turn(way * marks * mark)} would have been allowed"
    return f"no turn this way would have been allowed; advised: {advised(advice)}"


def _lost(
    rows: list[Row], judged: Mapping[tuple[str, int], dict[str, Any]], number: int, setup: JobSetup
) -> tuple[float, float]:
    """Minutes and % CO2 that a turn cost, the first of `rows`; NaN where it cost nothing that the display shows."""
    event, move = rows[0].event, judged.get(("turn", number), {})
    was, now = move.get("before_pct"), move.get("after_pct")
    if event.screw is None or was is None or now is None:
        return float("nan"), float("nan")
    firing = FIRING_FOR[event.screw]
    centre = sum(setup.bands[firing]) / 2
    further = abs(now - centre) - abs(was - centre)
    if further <= tables.TINY:
        return float("nan"), float("nan")
    back = (
        row
        for row in rows[1:]
        if row.event.firing == firing and row.event.co2_pct is not None
        and judged.get(("reading", row.number), {}).get("settled")
        and abs(row.event.co2_pct - centre) <= abs(was - centre) + tables.TINY
    )  # fmt: skip
    until = next(back, rows[-1]).event.time
    return (until - event.time).total_seconds() / 60, further


def _last_shown(earlier: list[Row], firing: str) -> float | None:
    """The CO2 last read at a rate since anything was changed."""
    events = (row.event for row in reversed(earlier) if row.event.event in ("reading", "turn", "firing"))
    since = takewhile(lambda event: event.event == "reading", events)
    return next((event.co2_pct for event in since if event.firing == firing and event.co2_pct is not None), None)
