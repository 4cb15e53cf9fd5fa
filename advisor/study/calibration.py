"""Calibration of past advice: every reading and turn asked anew, as at that moment, and held against what came.

Each question goes to the full model of `advisor.job`, with the rows up to a moment before, so an answer costs tens of
milliseconds. A large fleet is asked on a random sample of its jobs; the sample and its error are always stated.
"""

from collections.abc import Callable, Iterator
from datetime import timedelta

import numpy as np
import pandas as pd

from advisor.errors import RangeError
from advisor.job import Job
from advisor.log.events import Event, Row
from advisor.response.situation import Situation
from advisor.screws import FIRING_FOR
from advisor.study.frames import job_events, job_setups
from advisor.study.tables import TINY

A_MOMENT = timedelta(milliseconds=1)
LEAST_CO2_PCT = 0.1  # plain air has no place on the linearised scale
CERTAIN = 0.9  # the range stated with every expectation
FEWEST_CASES = 10  # in a bin of stated chances
KINDS = ("first at a rate", "after a turn", "same again")
TYPES = {  # of columns, where they are not numbers
    **dict.fromkeys(("job", "kind", "firing", "screw", "code", "severity", "text"), object),
    **dict.fromkeys(("covered", "in_band", "past_band", "began_past"), bool),
    "row": np.int64,
}
CHANCE_OF = {  # columns of a chance and of what it is held against
    "readings": ("chance_in_band", "in_band"),
    "turns": ("shown_chance_in_band", "in_band"),
    "passing": ("shown_chance_past_band", "past_band"),
}


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
    """
    stated = ("expect_pct", "low_pct", "high_pct", "rank", "covered", "chance_in_band", "in_band")
    return _table(rows, _predicted, ("row", "kind", "firing", "shown_pct", *stated))


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
    chances = ("chance_in_band", "chance_past_band", "shown_chance_in_band", "shown_chance_past_band")
    return _table(rows, _turned, ("row", "screw", *chances, "in_band", "past_band", "began_past"))


def findings(rows: pd.DataFrame) -> pd.DataFrame:
    """What the adviser finds wrong in each job as of its last row: one row per job and finding.

    job            name of the job
    code           a key of `advisor.wording.findings.FINDINGS`
    severity       "note", "warn" or "halt"
    firing, screw  the rate or the screw it is about, or missing
    text           its meaning in words
    """
    return _table(rows, _found, ("code", "severity", "firing", "screw", "text"))


_Records = Iterator[tuple[object, ...]]


def _table(rows: pd.DataFrame, ask: Callable[[Job], _Records], columns: tuple[str, ...]) -> pd.DataFrame:
    setups = job_setups(rows)
    records = [
        (name, *record)
        for name, own in rows.groupby("job", sort=True)
        for record in ask(Job.of(setups[str(name)], job_events(own)))
    ]
    types = {name: TYPES.get(name, np.float64) for name in ("job", *columns)}
    return pd.DataFrame(records, columns=list(types)).astype(types)


def _predicted(job: Job) -> _Records:
    half_step = job.setup.display_step_pct / 2
    for row in job.rows():
        event = row.event
        if event.event != "reading" or event.firing is None or event.co2_pct is None:
            continue
        situation = job.situation(event.time - A_MOMENT)
        if not situation.belief.states or situation.belief.firing != event.firing or situation.left:
            continue  # nobody logged this rate: there was nothing to expect
        scale = situation.belief.model.scales[event.firing]
        shown = min(max(event.co2_pct, LEAST_CO2_PCT), scale.fuel.co2_max_pct)
        low_edge, high_edge = situation.setup.bands[event.firing]
        forecast = situation.belief.displayed(event.time.timestamp())
        rank_at, *edges = map(float, scale.linearised([shown, low_edge - half_step, high_edge + half_step]))
        ends = forecast.ppf((1 - CERTAIN) / 2), forecast.mean, forecast.ppf((1 + CERTAIN) / 2)
        low, middle, high = map(float, scale.co2_pct(ends))
        yield (
            row.number, _kind(situation, event), event.firing, event.co2_pct, middle, low, high,
            forecast.cdf(rank_at), low <= event.co2_pct <= high, forecast.interval_prob(*edges),
            low_edge - TINY <= event.co2_pct <= high_edge + TINY,
        )  # fmt: skip


def _kind(situation: Situation, event: Event) -> str:
    same = [row.at_s for row in situation.of("reading") if row.event.firing == event.firing]
    if not same:
        return KINDS[0]
    return KINDS[1] if same[-1] < situation.changed_at_s else KINDS[2]


def _turned(job: Job) -> _Records:
    rows = job.rows()
    settled = {row.number for row in job.situation(rows[-1].event.time).tracker.settled} if rows else set()
    for place, row in enumerate(rows):
        event = row.event
        if event.event != "turn" or event.screw is None or event.turns_cw is None:
            continue
        situation, firing = job.situation(event.time - A_MOMENT), FIRING_FOR[event.screw]
        belief, (low, high) = situation.belief, situation.setup.bands[firing]
        before = [read.event.co2_pct for read in situation.settled_readings(firing)]
        after = _first_settled(settled, rows[place + 1 :])
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


def _first_settled(settled: set[int], later: list[Row]) -> Event | None:
    """The first settled reading before anything else is changed."""
    changes = (place for place, row in enumerate(later) if row.event.event in ("turn", "firing"))
    return next((row.event for row in later[: next(changes, None)] if row.number in settled), None)


def _found(job: Job) -> _Records:
    for finding in job.findings(max(event.time for event in job.events)):
        yield finding.code, finding.severity, finding.firing, finding.screw, finding.text


# --- counted ----------------------------------------------------------------------------------------


def share(hits: pd.Series, jobs: pd.Series) -> tuple[float, float]:
    """A share with its 95 % error, jobs (not single readings) taken as what was drawn at random; NaN for no jobs.

    Ratio estimate over clusters: Cochran, Sampling Techniques, 3rd ed., section 9.3 [M]; never less than half the
    Wilson interval of as many independent cases, which is not 0 however alike few cases are.
    """
    table = pd.DataFrame({"hit": hits.to_numpy(np.float64), "one": 1.0}).groupby(jobs.to_numpy()).sum()
    count, cases, z = len(table), len(hits), 1.96
    if not count:
        return float("nan"), float("nan")
    p = float(table["hit"].sum()) / cases
    left = table["hit"] - p * table["one"]
    error = z * float(np.sqrt(count / max(count - 1, 1) * (left**2).sum())) / cases
    wilson = z / (1 + z * z / cases) * float(np.sqrt(p * (1 - p) / cases + (z / 2 / cases) ** 2))
    return p, max(error, wilson)


def coverage(found: pd.DataFrame) -> pd.DataFrame:
    """How often the 90 % range of `predictions` held.

    kind      "all", or one of KINDS
    readings  how many
    holds, error  share of them that lay in the range, 0 to 1; its 95 % error
    """
    parts = {"all": found, **{kind: found[found["kind"] == kind] for kind in KINDS}}
    rows = [(kind, len(part), *share(part["covered"], part["job"])) for kind, part in parts.items()]
    return pd.DataFrame(rows, columns=["kind", "readings", "holds", "error"])


def reliability(found: pd.DataFrame, of: str = "readings") -> pd.DataFrame:
    """Stated chances against how often it happened, in classes of like chances.

    stated    mean chance stated, 0 to 1
    observed, error  share that happened, 0 to 1; its 95 % error
    count     cases

    Of the `predictions` ("readings": in band), or of the `turns` ("turns": display in band; "passing": display past the
    band, of those that began short of its far edge). Ten bins; one of fewer than FEWEST_CASES is put together with the
    neighbour whose chances are nearest, so no case is left out.
    """
    chance, happened = CHANCE_OF[of]
    found = found[~found["began_past"]] if of == "passing" else found
    place = np.minimum((found[chance].to_numpy() * 10).astype(int), 9)
    bins = [found[place == number] for number in np.unique(place)]
    while len(bins) > 1 and min(map(len, bins)) < FEWEST_CASES:
        thin = min(range(len(bins)), key=lambda at: len(bins[at]))
        stated = [float(part[chance].mean()) for part in bins]
        beside = [at for at in (thin - 1, thin + 1) if 0 <= at < len(bins)]
        first, second = sorted((thin, min(beside, key=lambda at: abs(stated[at] - stated[thin]))))
        bins[first : second + 1] = [pd.concat([bins[first], bins[second]])]
    rows = [(float(part[chance].mean()), *share(part[happened], part["job"]), len(part)) for part in bins]
    return pd.DataFrame(rows, columns=["stated", "observed", "error", "count"])


def drawn(jobs: list[str], most: int, seed: int) -> list[str]:
    """At most `most` of the jobs, drawn at random without replacement; the same seed draws the same. 0: none."""
    if most < 0:
        raise RangeError(f"a sample of {most} jobs: 0 or more is allowed")
    if len(jobs) <= most:
        return sorted(jobs)
    places = np.random.default_rng(seed).choice(len(jobs), size=most, replace=False)
    return sorted(sorted(jobs)[place] for place in places)
