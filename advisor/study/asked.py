"""Past advice asked anew: every reading and turn as at that moment, beside what came; and how the fit leaves each job.

Each question goes to the full model of `advisor.job`, with the rows up to a moment before, so a job costs some tenths
of a second. A large fleet is asked on a random sample of its jobs; the sample and its error are always stated.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import pandas as pd
from scipy.special import stdtr

from advisor.decision.answers import Verdict
from advisor.errors import RangeError
from advisor.job import Job
from advisor.log.events import Event, Row
from advisor.messages import Finding
from advisor.response.situation import Situation
from advisor.screws import FIRING_FOR, FIRINGS
from advisor.study.frames import job_events, job_setups
from advisor.study.tables import TINY

A_MOMENT = timedelta(milliseconds=1)
LEAST_CO2_PCT = 0.1  # plain air has no place on the linearised scale
LEAST_CHANCE = 1e-4  # that counts for a score, own choice
CERTAIN = 0.9  # the range stated with every expectation
KINDS = ("first at a rate", "after a turn", "same again")
TYPES = {  # of columns, where they are not numbers
    **dict.fromkeys(("job", "kind", "firing", "screw", "code", "severity", "text", "reason"), object),
    **dict.fromkeys(("covered", "in_band", "past_band", "began_past", "allowed"), bool),
    "row": np.int64,
}
COLUMNS = {  # of each table after `job`; their meaning stands in the function of that name
    "predictions": (
        "row", "kind", "firing", "shown_pct", "expect_pct", "low_pct", "high_pct", "rank", "covered", "chance_in_band",
        "in_band", "log_score",
    ),
    "turns": (
        "row", "screw", "chance_in_band", "chance_past_band", "shown_chance_in_band", "shown_chance_past_band",
        "in_band", "past_band", "began_past",
    ),
    "findings": ("code", "severity", "firing", "screw", "text"),
    "verdicts": ("row", "screw", "allowed", "reason"),
    "ends": ("chance_high", "chance_low", "chance_in_band_at_end"),
}  # fmt: skip
Records = Iterator[tuple[object, ...]]


def predictions(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per reading that could be expected: what the adviser would have stated, and what the display showed.

    job, row     name of the job, row of its log
    kind         one of KINDS: first reading at a rate, first after a turn or change, further reading of one segment
    firing       rate of the reading
    shown_pct    what the display showed, % CO2
    expect_pct, low_pct, high_pct  expected display and its 90 % range, % CO2
    rank         chance that was given to a lower reading, 0 to 1; even over that range where all is as stated
    covered      whether the range held
    chance_in_band, in_band  chance stated that the reading would show in band, 0 to 1; whether it did
    log_score    natural logarithm of the chance that was given to just this display, of LEAST_CHANCE at least, so that
                 a few boilers with faults don't decide; the mean is the higher, the better the expectations were
    """
    return asked(rows, "predictions")[0]


def turns(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per turn at its own rate that was read settled before and after.

    job, row, screw  name of the job, row of its log, which screw
    chance_in_band, chance_past_band  as stated before it: that the true settled CO2 ends in band; beyond the far edge,
                 0 to 1
    shown_chance_in_band, shown_chance_past_band  the same of what the first settled display would show, 0 to 1: its
                 noise and rounding included, which widens a band by half a display step either way
    in_band, past_band  whether that display was so: to be held against the latter two
    began_past   whether the display stood beyond the far edge before the turn, which so could not pass it

    Settled here means more than in `tables`: the adviser took it so, which also asks for the display's lag. A chance of
    the settled CO2 can't be held against a display that still moves.
    """
    return asked(rows, "turns")[0]


def findings(rows: pd.DataFrame) -> pd.DataFrame:
    """What the adviser finds wrong in each job as of its last row: one row per job and finding.

    job            name of the job
    code           a key of `advisor.wording.findings.FINDINGS`
    severity       "note", "warn" or "halt"
    firing, screw  the rate or the screw it is about, or missing
    text           its meaning in words
    """
    return asked(rows, "findings")[0]


def verdicts(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per turn: whether the adviser would have allowed it at that moment.

    job, row, screw  name of the job, row of its log, which screw
    allowed          what `may` answers a moment before
    reason           code of the reason that decides, a key of `advisor.wording.reasons`
    """
    return asked(rows, "verdicts")[0]


def ends(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per job: the chance that the true settled CO2 was in band as of its last row, by all that was logged.

    job            name of the job
    chance_high, chance_low  at each rate, 0 to 1
    chance_in_band_at_end    at both, 0 to 1

    A rate that was never read has the chance that the prior gives it.
    """
    return asked(rows, "ends")[0]


def asked(rows: pd.DataFrame, *names: str) -> tuple[pd.DataFrame, ...]:
    """Some of the tables of COLUMNS (all where none is named), each job asked once, in the order of its rows."""
    setups, wanted = job_setups(rows), names or tuple(COLUMNS)
    records: dict[str, list[tuple[object, ...]]] = {name: [] for name in wanted}
    for job, own in rows.groupby("job", sort=True):
        moments = _Moments.of(Job.of(setups[str(job)], job_events(own)), wanted)
        for name in wanted:
            records[name] += [(job, *record) for record in _ASKED[name](moments)]
    return tuple(_table(records[name], ("job", *COLUMNS[name])) for name in wanted)


def _table(records: list[tuple[object, ...]], columns: tuple[str, ...]) -> pd.DataFrame:
    types = {name: TYPES.get(name, np.float64) for name in columns}
    return pd.DataFrame(records, columns=list(columns)).astype(types)


@dataclass(frozen=True)
class _Moments:
    """One job, played once: each row that stands with the situation a moment before it, and the end.

    verdicts  what `may` answers to each turn, by the place of its row; empty where that is not wanted
    end       the situation as of the last row; None where there is no row
    findings  as of the log's end; empty where they are not wanted
    """

    rows: Sequence[Row]
    before: Sequence[Situation]
    verdicts: dict[int, Verdict]
    end: Situation | None
    findings: tuple[Finding, ...]

    @staticmethod
    def of(job: Job, wanted: Sequence[str]) -> "_Moments":
        rows, before, verdicts = job.rows(), [], {}
        for place, row in enumerate(rows):
            event, at = row.event, row.event.time - A_MOMENT
            before.append(job.situation(at))
            if "verdicts" in wanted and event.event == "turn" and event.screw and event.turns_cw:
                verdicts[place] = job.may(event.screw, event.turns_cw, at)
        ended = rows[-1].event.time if rows else None
        end = job.situation(ended) if ended else None
        found = job.findings(job.ended) if "findings" in wanted and job.ended else ()
        return _Moments(rows, before, verdicts, end, found)


def _predicted(moments: _Moments) -> Records:
    for row, situation in zip(moments.rows, moments.before, strict=True):
        event, setup, belief = row.event, situation.setup, situation.belief
        if event.event != "reading" or event.firing is None or event.co2_pct is None:
            continue
        if not belief.states or belief.firing != event.firing or situation.left:
            continue  # nobody logged this rate: there was nothing to expect
        scale, half_step = belief.model.scales[event.firing], setup.display_step_pct / 2
        shown = min(max(event.co2_pct, LEAST_CO2_PCT), scale.fuel.co2_max_pct)
        low_edge, high_edge = setup.bands[event.firing]
        forecast = belief.displayed(event.time.timestamp())
        rank_at, *edges = map(float, scale.linearised([shown, low_edge - half_step, high_edge + half_step]))
        just_this = map(float, scale.linearised([shown - half_step, min(shown + half_step, scale.fuel.co2_max_pct)]))
        log_score = float(np.log(max(forecast.interval_prob(*just_this), LEAST_CHANCE)))
        ends = forecast.ppf((1 - CERTAIN) / 2), forecast.mean, forecast.ppf((1 + CERTAIN) / 2)
        low, middle, high = map(float, scale.co2_pct(ends))
        yield (
            row.number, _kind(situation, event), event.firing, event.co2_pct, middle, low, high,
            forecast.cdf(rank_at), low <= event.co2_pct <= high, forecast.interval_prob(*edges),
            low_edge - TINY <= event.co2_pct <= high_edge + TINY, log_score,
        )  # fmt: skip


def _kind(situation: Situation, event: Event) -> str:
    same = [row.at_s for row in situation.of("reading") if row.event.firing == event.firing]
    if not same:
        return KINDS[0]
    return KINDS[1] if same[-1] < situation.changed_at_s else KINDS[2]


def _turned(moments: _Moments) -> Records:
    settled = {row.number for row in moments.end.tracker.settled} if moments.end else set()
    for place, (row, situation) in enumerate(zip(moments.rows, moments.before, strict=True)):
        event = row.event
        if event.event != "turn" or event.screw is None or event.turns_cw is None:
            continue
        firing = FIRING_FOR[event.screw]
        belief, (low, high) = situation.belief, situation.setup.bands[firing]
        before = [read.event.co2_pct for read in situation.settled_readings(firing)]
        after = _first_settled(settled, moments.rows[place + 1 :])
        if belief.firing != firing or not before or not after or after.firing != firing or after.co2_pct is None:
            continue
        richer = event.turns_cw * belief.model.toward_richer[event.screw] > 0
        true = belief.settled_after(firing, event.screw, [event.turns_cw])[0]
        display = belief.turned(event.screw, event.turns_cw, event.time.timestamp()).displayed(after.time.timestamp())
        chances: list[float] = []
        for forecast, wider in ((true, 0.0), (display, situation.setup.display_step_pct / 2)):
            edges = [float(edge) for edge in belief.model.scales[firing].linearised([low - wider, high + wider])]
            past = 1 - forecast.cdf(edges[1]) if richer else forecast.cdf(edges[0])
            chances += [forecast.interval_prob(*edges), past]
        shown = after.co2_pct
        past, began_past = (co2 > high + TINY if richer else co2 < low - TINY for co2 in (shown, before[-1] or shown))
        yield row.number, event.screw, *chances, low - TINY <= shown <= high + TINY, past, began_past


def _first_settled(settled: set[int], later: Sequence[Row]) -> Event | None:
    """The first settled reading before anything else is changed."""
    changes = (place for place, row in enumerate(later) if row.event.event in ("turn", "firing"))
    return next((row.event for row in later[: next(changes, None)] if row.number in settled), None)


def _found(moments: _Moments) -> Records:
    for finding in moments.findings:
        yield finding.code, finding.severity, finding.firing, finding.screw, finding.text


def _verdicts(moments: _Moments) -> Records:
    for place, verdict in moments.verdicts.items():
        reason = verdict.why[0].code if verdict.why else ""
        yield moments.rows[place].number, verdict.screw, verdict.allowed, reason


def _ended(moments: _Moments) -> Records:
    if moments.end:
        yield chances_in_band(moments.end)


def chances_in_band(situation: Situation) -> tuple[float, float, float]:
    """Chance that the true settled CO2 is in band at high fire, at low fire, at both.

    Both together is worked out under each hypothesis of the fit, which makes the rates depend on each other; within one
    they are taken as independent.
    """
    inside, weight = [], np.ones(1)
    for firing in FIRINGS:
        forecast = situation.belief.settled(firing)
        low, high = situation.belief.model.scales[firing].linearised(situation.setup.bands[firing])
        inside.append(np.diff([stdtr(forecast.df, (at - forecast.loc) / forecast.scale) for at in (low, high)], axis=0))
        weight = forecast.weight
    high_fire, low_fire, both = (float((weight * chance).sum()) for chance in (*inside, inside[0] * inside[1]))
    return high_fire, low_fire, both


_ASKED: dict[str, Callable[[_Moments], Records]] = {
    "predictions": _predicted, "turns": _turned, "findings": _found, "verdicts": _verdicts, "ends": _ended,
}  # fmt: skip


def drawn(jobs: list[str], most: int, seed: int) -> list[str]:
    """At most `most` of the jobs, drawn at random without replacement; the same seed draws the same. 0: none."""
    if most < 0:
        raise RangeError(f"a sample of {most} jobs: 0 or more is allowed")
    if len(jobs) <= most:
        return sorted(jobs)
    places = np.random.default_rng(seed).choice(len(jobs), size=most, replace=False)
    return sorted(sorted(jobs)[place] for place in places)
