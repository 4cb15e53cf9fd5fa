"""The bench in small: the adviser on boilers it does not know, beside one who knows them and a rule of thumb."""

import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent / "bench"))

import alternatives
import calibration
import policies
import rules
import run as bench

from advisor import model
from advisor.events import Event
from advisor.facts import Facts
from advisor.fuels import NATURAL_GAS
from advisor.rate import Rate
from advisor.response import Belief
from advisor.simulator import BASE, SCENARIOS


@pytest.mark.parametrize("draws", [160, pytest.param(4000, marks=pytest.mark.slow)])
def test_truths_lie_evenly_in_their_posteriors(draws: int) -> None:
    """Simulation-based calibration (Talts et al. 2018): uniform for level, gain and slack."""
    found = calibration.places(draws)
    assert found.shape == (draws, len(calibration.QUANTITIES))
    for name, place in zip(calibration.QUANTITIES, found.T, strict=True):
        assert calibration.uniform_p(place) > 0.001, name


def test_truths_are_drawn_about_what_the_belief_takes_them_to_be() -> None:
    """With no errors drawn the truth is the belief's mean, after every event: a start comes up from clean air."""
    belief = Belief.before_any_event(Facts(fuel=NATURAL_GAS, bands=calibration.BANDS))
    truth = calibration.Truth(np.random.default_rng(1), belief.unfolded("offset").unfolded("throttle"))
    truth.unknowns = truth.belief.fit.mean[(..., *truth.at)].copy()
    truth.error = lambda var: 0.0  # type: ignore[method-assign]
    seconds = iter(range(0, 1000, 60))
    for event in (
        Event(calibration.START, "firing", firing="high"),
        Event(calibration.START, "turn", screw="throttle", turns_cw=1 / 24),
        Event(calibration.START, "firing", firing="low"),
        Event(calibration.START, "turn", screw="offset", turns_cw=1 / 24),
    ):
        moment = calibration.START + timedelta(seconds=next(seconds))
        truth.after(replace(event, time=moment))
        assert truth.unknowns == pytest.approx(truth.belief.fit.mean[(..., *truth.at)], abs=1e-9)
        truth.read(moment + timedelta(seconds=30))
        assert truth.unknowns == pytest.approx(truth.belief.fit.mean[(..., *truth.at)], abs=1e-6)


def test_a_posterior_that_is_too_sure_is_not_called_even() -> None:
    """The check can fail: places crowded at the ends, or to one side, are told from even ones."""
    even = (np.arange(2000) + 0.5) / 2000
    assert calibration.uniform_p(even) > 0.99
    assert calibration.uniform_p(np.clip(0.5 + 1.3 * (even - 0.5), 0, 1)) < 1e-6
    assert calibration.uniform_p(even**1.2) < 1e-3


def test_claims_are_put_into_classes() -> None:
    """A reliability row holds count, mean stated chance, share that came true and its standard error."""
    rows = calibration.reliability(np.array([0.05, 0.05, 0.95, 1.0]), np.array([False, True, True, True]))
    assert [row[0] for row in rows] == [2, 1, 1]
    assert rows[0][1:3] == (0.05, 0.5)
    assert rows[0][3] == pytest.approx(0.5 / 2**0.5)


@pytest.mark.parametrize("alternative", alternatives.ALTERNATIVES, ids=lambda a: a.name)
def test_every_alternative_finishes_a_visit(alternative: alternatives.Alternative) -> None:
    """Each other way to build the adviser runs on the bench, and its change is gone afterwards."""
    kept = (model.StraightScale, model.screw_hypotheses, model.lag_hypotheses, Rate.first_try, Rate.best)
    (outcome,) = alternatives.outcomes(alternative, "base", 1)
    assert outcome.finished
    assert outcome.minutes > 3
    assert kept == (model.StraightScale, model.screw_hypotheses, model.lag_hypotheses, Rate.first_try, Rate.best)


@pytest.mark.parametrize("visits", [24, pytest.param(400, marks=pytest.mark.slow)])
def test_sound_boilers_end_in_band(visits: int) -> None:
    """On base boilers nearly every visit ends, truly in band at both rates, and beats the guarded secant."""
    advised = [policies.advised(BASE, seed) for seed in range(visits)]
    ended = [outcome for outcome in advised if outcome.finished]
    assert len(ended) >= 0.95 * visits
    assert sum(outcome.both for outcome in ended) >= 0.96 * len(ended)
    assert sum(outcome.overshot for outcome in advised) <= max(1, 0.02 * visits)
    secant = [rules.by_rule(BASE, seed, "guarded secant") for seed in range(visits)]
    assert sum(outcome.both for outcome in ended) / len(ended) > sum(outcome.both for outcome in secant) / visits


def test_one_who_knows_the_valve_nearly_always_ends_in_band() -> None:
    """The omniscient policy is a fair yardstick: in band in nearly all base visits."""
    known = [policies.omniscient(BASE, seed) for seed in range(200)]
    assert all(outcome.finished for outcome in known)
    assert sum(outcome.both for outcome in known) >= 0.97 * len(known)


@pytest.mark.parametrize(
    ("fault", "codes"),
    [
        ("reversed screw", {"wrong-way", "high-co"}),
        ("dead screw", {"no-effect"}),
        ("analyser on another fuel", {"other-fuel"}),
        ("rich start", {"rich"}),
    ],
)
def test_faults_that_show_are_found(fault: str, codes: set[str]) -> None:
    """A fault that shows in the data stops the visit under its own name in nearly all jobs."""
    outcomes = [policies.advised(BASE, seed, fault) for seed in range(8)]
    assert sum(outcome.halted in codes for outcome in outcomes) >= 7


def test_air_from_the_start_cannot_be_seen() -> None:
    """A leak present from the start stays on the fuel's own line: the visit ends, truly richer than shown."""
    outcomes = [policies.advised(BASE, seed, "air in the sample") for seed in range(6)]
    ended = [outcome for outcome in outcomes if outcome.finished]
    assert ended
    assert sum(outcome.both for outcome in ended) <= len(ended) / 2


def test_the_table_has_a_row_for_each_policy_and_scenario(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The bench command prints and writes its table with intervals."""
    words = ["--visits", "2", "--scenarios", "base,narrow-band", "--policies", "omniscient,fixed 1/24"]
    assert bench.main([*words, "--out", str(tmp_path)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 2 + 4
    assert (tmp_path / "bench.md").read_text(encoding="utf-8").splitlines() == lines
    assert (tmp_path / "bench.csv").read_text(encoding="utf-8").count("\n") == 1 + 8


def test_the_same_seed_is_the_same_boiler_for_every_policy() -> None:
    """Policies are compared on the same boilers."""
    found = {
        policy: policies.Site(scenario, policy, 5).boiler.settled_pct("low")
        for scenario in SCENARIOS[:1]
        for policy in ("a", "b")
    }
    assert len(set(found.values())) == 1
