"""Past advice held against what came: every reading and turn of a job asked anew, as at that moment.

Each question goes to the full model of `advisor.job`, with the rows up to a moment before, so an answer costs tens of
milliseconds. A large fleet is asked on a random sample of its jobs; the sample and its error are always stated.
"""

from collections.abc import Iterator
from datetime import timedelta

import numpy as np
import pandas as pd

from advisor.errors import RangeError
from advisor.job import Job
from advisor.log.events import Event, Row
from advisor.response.situation import Situation
from advisor.screws import FIRING_FOR
from advisor.study.frames import job_events, job_facts

A_MOMENT = timedelta(milliseconds=1)
LEAST_CO2_PCT = 0.1  # plain air has no place on the straight scale
CERTAIN = 0.9  # the range stated with every expectation
FEWEST_CASES = 10  # in a bin of stated chances
KINDS = ("first at a rate", "after a turn", "same again")
PREDICTION_COLUMNS = (
    "job", "row", "kind", "firing", "shown_pct", "expect_pct", "low_pct", "high_pct", "rank", "covered",
    "chance_in_band", "in_band",
)  # fmt: skip
TURN_COLUMNS = (
    "job", "row", "screw", "chance_in_band", "chance_past_band", "shown_chance_in_band", "shown_chance_past_band",
    "in_band", "past_band", "began_past",
)  # fmt: skip
FINDING_COLUMNS = ("job", "code", "severity", "firing", "screw", "text")


def predictions(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per reading that could be expected: what the adviser would have said, and what the display showed.

    low_pct to high_pct: the range for 9 times in 10; rank: chance that was given to a lower reading (even from 0 to 1
    where the advice is honest); chance_in_band: that this reading would show in band.
    """
    found = [row for job in _jobs(rows) for row in _predicted(*job)]
    return _typed(pd.DataFrame(found, columns=list(PREDICTION_COLUMNS)))


def turns(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per turn at its own rate that was read settled before and after: chances stated before it, what came.

    chance_in_band, chance_past_band: as stated before it, of the true settled CO2. shown_chance_...: the same of what
    the first settled display would show, its noise and rounding included (which widens a band by half a display step
    either way): these are held against in_band, past_band, which are of that display. began_past: the display stood
    beyond the far edge before the turn, which so could not pass it.
    Settled here means more than in the `tables`: the adviser took it so, what it knew of the display's lag asked too. A
    chance of the settled CO2 can't be held against a display that still moves; tables of a fleet can't ask every lag.
    """
    found = [row for job in _jobs(rows) for row in _turned(*job)]
    return _typed(pd.DataFrame(found, columns=list(TURN_COLUMNS)))


def findings(rows: pd.DataFrame) -> pd.DataFrame:
    """What the adviser finds wrong in each job as of its last row: one row per job and finding, with the rate or the
    screw it is about and its meaning in words.
    """
    found = [
        (name, finding.code, finding.severity, finding.firing, finding.screw, finding.text)
        for name, job in _jobs(rows)
        for finding in job.findings(max(event.time for event in job.events))
    ]
    return _typed(pd.DataFrame(found, columns=list(FINDING_COLUMNS)))


def _typed(frame: pd.DataFrame) -> pd.DataFrame:
    words = {"job", "kind", "firing", "screw", "code", "severity", "text"}
    flags = {"covered", "in_band", "past_band", "began_past"}
    return frame.astype(
        {
            name: object if name in words else bool if name in flags else np.int64 if name == "row" else np.float64
            for name in frame
        }
    )


def _jobs(rows: pd.DataFrame) -> Iterator[tuple[str, Job]]:
    setup = job_facts(rows)
    for name, own in rows.groupby("job", sort=True):
        yield str(name), Job.of(setup[str(name)], job_events(own))


def _predicted(name: str, job: Job) -> Iterator[tuple[object, ...]]:
    step = job.setup.display_step_pct
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
        linearised = [float(scale.linearised(x)) for x in (shown, low_edge - step / 2, high_edge + step / 2)]
        figures = (forecast.ppf((1 - CERTAIN) / 2), forecast.mean, forecast.ppf((1 + CERTAIN) / 2))
        low, middle, high = (float(scale.co2_pct(figure)) for figure in figures)
        yield (
            name, row.number, _kind(situation, event), event.firing, event.co2_pct, middle, low, high,
            forecast.cdf(linearised[0]), low <= event.co2_pct <= high, forecast.interval_prob(*linearised[1:]),
            low_edge - 1e-9 <= event.co2_pct <= high_edge + 1e-9,
        )  # fmt: skip


def _kind(situation: Situation, event: Event) -> str:
    same = [row.event for row in situation.of("reading") if row.event.firing == event.firing]
    if not same:
        return KINDS[0]
    return KINDS[1] if same[-1].time.timestamp() < situation.changed_at_s else KINDS[2]


def _turned(name: str, job: Job) -> Iterator[tuple[object, ...]]:
    rows = job.rows()
    settled = {row.number for row in job.situation(rows[-1].event.time).tracker.settled} if rows else set()
    for place, row in enumerate(rows):
        event = row.event
        if event.event != "turn" or event.screw is None or event.turns_cw is None:
            continue
        situation = job.situation(event.time - A_MOMENT)
        firing = FIRING_FOR[event.screw]
        was = [read.event.co2_pct for read in situation.settled_readings(firing, 0.0)]
        if situation.belief.firing != firing or not was:
            continue
        after = _first_settled(settled, rows[place + 1 :])
        if after is None or after.firing != firing or after.co2_pct is None:
            continue
        scale, (low, high) = situation.belief.model.scales[firing], situation.setup.bands[firing]
        richer = event.turns_cw * situation.belief.model.toward_richer[event.screw] > 0
        true = situation.belief.settled_after(firing, event.screw, [event.turns_cw])[0]
        turned = situation.belief.turned(event.screw, event.turns_cw, event.time.timestamp())
        display, half = turned.displayed(after.time.timestamp()), situation.setup.display_step_pct / 2
        chances = []
        for forecast, wider in ((true, 0.0), (display, half)):
            edges = [float(scale.linearised(edge)) for edge in (low - wider, high + wider)]
            chances += [
                forecast.interval_prob(*edges), 1 - forecast.cdf(edges[1]) if richer else forecast.cdf(edges[0])
            ]  # fmt: skip
        shown = after.co2_pct
        yield (
            name, row.number, event.screw, *chances, low - 1e-9 <= shown <= high + 1e-9,
            *(co2 > high + 1e-9 if richer else co2 < low - 1e-9 for co2 in (shown, was[-1] or shown)),
        )  # fmt: skip


def _first_settled(settled: set[int], later: list[Row]) -> Event | None:
    """The first settled reading before anything else is changed."""
    for row in later:
        if row.event.event in ("turn", "firing"):
            return None
        if row.number in settled:
            return row.event
    return None


# --- counted ----------------------------------------------------------------------------------------


def share(hits: pd.Series, jobs: pd.Series) -> tuple[float, float]:
    """A share with its 95 % error, jobs (not single readings) taken as what was drawn at random; NaN for no jobs.

    Ratio estimate over clusters: Cochran, Sampling Techniques, 3rd ed., section 9.3 (from memory); never less than half
    the Wilson interval of as many independent cases, which is not 0 however alike few cases are.
    """
    table = pd.DataFrame({"hit": hits.to_numpy(np.float64), "one": 1.0}).groupby(jobs.to_numpy()).sum()
    count = len(table)
    if not count:
        return float("nan"), float("nan")
    p = float(table["hit"].sum() / table["one"].sum())
    left = table["hit"] - p * table["one"]
    error = np.sqrt(count / max(count - 1, 1) * float((left**2).sum())) / float(table["one"].sum())
    return p, max(1.96 * float(error), _wilson_half(p, len(hits)))


def coverage(found: pd.DataFrame) -> pd.DataFrame:
    """How often the range for 9 times in 10 held: all readings, and by kind. Columns: readings, holds, error (95 %)."""
    rows = []
    for kind in ("all", *KINDS):
        part = found if kind == "all" else found[found["kind"] == kind]
        rows.append((kind, len(part), *share(part["covered"], part["job"])))
    return pd.DataFrame(rows, columns=["kind", "readings", "holds", "error"])


def reliability(found: pd.DataFrame, chance: str = "chance_in_band", happened: str = "in_band") -> pd.DataFrame:
    """Stated chances against how often it happened. Columns: said (mean), happened, error (95 %), count.

    Ten bins; one of fewer than FEWEST_CASES is put together with the neighbour whose chances are nearest, so no case is
    left out.
    """
    place = np.minimum((found[chance].to_numpy() * 10).astype(int), 9)
    bins = [found[place == number] for number in np.unique(place)]
    while len(bins) > 1 and min(map(len, bins)) < FEWEST_CASES:
        thin = min(range(len(bins)), key=lambda at: len(bins[at]))
        said = [float(part[chance].mean()) for part in bins]
        beside = [at for at in (thin - 1, thin + 1) if 0 <= at < len(bins)]
        first, second = sorted((thin, min(beside, key=lambda at: abs(said[at] - said[thin]))))
        bins[first : second + 1] = [pd.concat([bins[first], bins[second]])]
    rows = [(float(part[chance].mean()), *share(part[happened], part["job"]), len(part)) for part in bins]
    return pd.DataFrame(rows, columns=["said", "happened", "error", "count"])


def of_turns(found: pd.DataFrame) -> pd.DataFrame:
    """`reliability` of the chances that the display would be in band after `turns`."""
    return reliability(found, "shown_chance_in_band")


def of_passing(found: pd.DataFrame) -> pd.DataFrame:
    """`reliability` of the chances of a display past the band, over the `turns` that began short of its far edge."""
    return reliability(found[~found["began_past"]], "shown_chance_past_band", "past_band")


def _wilson_half(p: float, n: int) -> float:
    """Half the 95 % Wilson interval of a share."""
    z = 1.96
    return z / (1 + z * z / n) * float(np.sqrt(p * (1 - p) / n + z * z / (4 * n * n)))


def drawn(jobs: list[str], most: int, seed: int) -> list[str]:
    """At most `most` of the jobs, drawn at random without replacement; the same seed draws the same. 0: none."""
    if most < 0:
        raise RangeError(f"a sample of {most} jobs: 0 or more is allowed")
    if len(jobs) <= most:
        return sorted(jobs)
    places = np.random.default_rng(seed).choice(len(jobs), size=most, replace=False)
    return sorted(sorted(jobs)[place] for place in places)
