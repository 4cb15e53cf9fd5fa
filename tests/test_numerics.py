"""Numbers that hold anywhere: whatever the number of BLAS threads, and in extreme but legal jobs."""

import json
import math
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from console import ROOT
from replay import Told, at_high, moment

from advisor.job_setup.prior import Prior
from advisor.screws import FIRINGS, SCREWS

DAY_S = 86_400.0
ASK = """
import json
import sys
from advisor import Job
from advisor.report import brief, show
from advisor.study import collect, report
records = {}
for name in sys.argv[1:]:
    job = Job.load(name)
    at = job.ended
    asked = job.case(at), job.next(at), job.progress(at)
    records[name] = [job.as_dict(at), brief.say_next(*asked), show.say_job(*asked, job.events, all_rows=True)]
records["study"] = report.summary(collect.study(sys.argv[1:], sample=1, processes=1))
print(json.dumps(records, default=str))
"""


def numbers_and_words(value: Any) -> tuple[list[float], list[str]]:
    """All numbers and all other leaves of a JSON value, in order."""
    if isinstance(value, dict | list):
        parts = [numbers_and_words(part) for part in (value.values() if isinstance(value, dict) else value)]
        return [n for numbers, _ in parts for n in numbers], [w for _, words in parts for w in words]
    if isinstance(value, int | float) and not isinstance(value, bool):
        return [float(value)], []
    return [], [str(value)]


def test_answers_do_not_depend_on_the_number_of_threads() -> None:
    """One thread or two of the linear-algebra library: the same words, and numbers to 1e-9."""
    logs = ["demo_logs/reversed_screw.csv"]

    def answers(threads: str) -> Any:
        names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
        set_to = {**os.environ, **dict.fromkeys(names, threads)}
        done = subprocess.run(
            [sys.executable, "-c", ASK, *logs], env=set_to, cwd=ROOT, capture_output=True, text=True, check=True
        )
        return json.loads(done.stdout)

    (one, said_by_one), (two, said_by_two) = (numbers_and_words(answers(threads)) for threads in "12")
    assert len(one) > 300
    assert said_by_one == said_by_two
    np.testing.assert_allclose(one, two, rtol=1e-9, atol=1e-9)


# ---- extreme but legal


def repeated(count: int, co2: Callable[[int], float], apart_s: float = 10.0) -> Told:
    """High fire read again and again."""
    told = Told().run_at("high").wait(180)
    for number in range(count):
        told.read("high", co2(number)).wait(apart_s - 10.0)
    return told


def worked(moves: int, answer_per_turn: float, apart_s: float = 150.0, **setup: Any) -> Told:
    """The throttle turned a mark at a time, forward and back, on a valve that answers so much."""
    told = at_high(8.6, **setup)
    travelled = 0.0
    for number in range(moves):
        turn = (1 if number % 4 < 2 else -1) / 24
        travelled += turn
        told.turn("throttle", turn).wait(apart_s).read("high", round(8.6 + answer_per_turn * travelled, 1))
    return told


SMALL_GAIN = Prior(gain_per_turn={"offset": 1e-3, "throttle": 1e-3})
EXTREME = {
    "nothing": Told,
    "1 reading": lambda: repeated(1, lambda _: 8.3),
    "40 identical readings": lambda: repeated(40, lambda _: 8.3),
    "200 readings": lambda: repeated(200, lambda number: 8.3 + 0.1 * (number % 2)),
    "200 readings a second apart": lambda: repeated(200, lambda number: 8.3 + 0.1 * (number % 2), 1.0),
    "readings a day apart": lambda: repeated(10, lambda _: 8.3, DAY_S),
    "moves a day apart": lambda: worked(6, 4.0, DAY_S),
    "60 moves": lambda: worked(60, 4.0),
    "gain near zero": lambda: worked(12, 0.0),
    "gain believed near zero": lambda: worked(12, 0.0, prior=SMALL_GAIN),
    "gain very large": lambda: worked(4, 20.0),
    "a fine display": lambda: worked(6, 4.0, display_step_pct=0.001),
    "CO2 at the band's edge": lambda: repeated(3, lambda _: 9.0),
}


def finite(value: Any) -> bool:
    """Whether every number in an answer is a finite one."""
    return all(map(math.isfinite, numbers_and_words(value)[0]))


@pytest.fixture(scope="module", params=EXTREME)
def extreme(request: pytest.FixtureRequest) -> Told:
    """One extreme job, told to its end."""
    return EXTREME[request.param]()


def test_answers_stay_finite_and_sensible(extreme: Told) -> None:
    """Numbers are finite, chances from 0 to 1, ranges in order, and no move is larger than the cap."""
    job, at = extreme.job, moment(extreme.now_s)
    advice = job.next(at)
    assert finite(asdict(advice))
    cap = job.setup.cap_turns[advice.screw] if advice.screw else 0.0
    assert abs(advice.turns_cw or 0.0) <= cap
    assert 0 <= (advice.wait_s or 0.0) <= 1800
    for chance in (advice.chance_in_band, advice.chance_past_band):
        assert chance is None or 0 <= chance <= 1
    if advice.expect_co2_pct is not None:
        assert 0 < advice.expect_low_pct <= advice.expect_co2_pct <= advice.expect_high_pct < 14
    for screw in SCREWS:
        for firing in FIRINGS:
            found = job.response(screw, firing, at)
            assert finite(asdict(found))
            assert found.gain_low <= found.gain_high
            assert 0 <= found.chance_reversed <= 1
            assert 0 <= found.chance_dead <= 1
        verdict = job.may(screw, 1 / 24, at)
        assert finite(asdict(verdict))
    assert job.next(at + timedelta(days=400)).action in ("read", "run_at", "wait", "turn", "finish", "halt")


def test_the_regression_stays_well_conditioned(extreme: Told) -> None:
    """Covariances stay symmetric and, to rounding, without negative variance in any direction."""
    posterior = extreme.job.situation(moment(extreme.now_s)).belief.posterior
    size = posterior.mean.shape[0]
    covs = np.moveaxis(posterior.cov.reshape(size, size, -1), -1, 0)
    spread = np.sqrt(np.maximum(np.diagonal(covs, axis1=1, axis2=2), 0.0))
    assert np.isfinite(covs).all()
    assert (np.diagonal(covs, axis1=1, axis2=2) >= 0).all()
    scaled = np.where(spread > 0, spread, 1.0)
    correlation = covs / (scaled[:, :, None] * scaled[:, None, :])
    np.testing.assert_allclose(correlation, np.swapaxes(correlation, 1, 2), atol=1e-9)
    assert np.abs(correlation).max() <= 1 + 1e-9
    assert np.linalg.eigvalsh(correlation).min() > -1e-9
    assert (posterior.scale > 0).all()
    assert np.isfinite(posterior.log_weight).any()


def test_identical_readings_make_sure_but_never_more_than_the_display_allows() -> None:
    """Forty times the same figure is no proof of more than the display's step and what readings share."""
    one, forty = (repeated(count, lambda _: 8.3).next() for count in (1, 40))
    for advice in (one, forty):
        assert advice.expect_low_pct is not None
    assert forty.expect_high_pct - forty.expect_low_pct <= one.expect_high_pct - one.expect_low_pct
    assert forty.expect_high_pct - forty.expect_low_pct >= 0.1


def test_a_screw_that_shows_nothing_is_never_called_sure_to_work() -> None:
    """Small moves to and fro without effect: little gain is left to expect, and the job stops."""
    told = worked(8, 0.0)
    found = told.job.response("throttle", at=moment(told.now_s))
    assert found.chance_dead > 0.5
    assert abs(found.gain_per_turn) < 0.5
    assert told.next().action == "halt"
