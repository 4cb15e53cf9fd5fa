"""The fast regression and the learned prior against references, known populations, and jobs held out."""

import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import fleet
import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from console import run

from advisor import study
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.errors import LogError
from advisor.job_setup.prior import Prior
from advisor.job_setup.prior_file import format_priors, read_prior, say_turndowns
from advisor.study import batch, frames, learn, priors
from advisor.training.simulator import BASE

FAMILY_A = (fleet.FAMILIES[0],)


def rows_of(jobs: int, seed: int, families: tuple[fleet.Family, ...], tmp_path: Path) -> pd.DataFrame:
    """Rows of a made-up fleet."""
    folder = tmp_path / f"{families[0].label}{seed}"
    fleet.make_fleet(jobs, folder, seed=seed, processes=1, families=families)
    return study.read_rows(sorted(map(str, folder.glob("*.csv"))))[0]


def likelihood_of(log_gains: np.ndarray, errors: np.ndarray) -> np.ndarray:
    """Table of likelihoods (K, lags, slacks, gains) normal in the log gain, without slack and lag."""
    table = np.exp(-0.5 * ((batch.LOG_GAIN - log_gains[:, None]) / errors[:, None]) ** 2)
    shape = (len(table), batch.TIME_CONSTANT.size, batch.BACKLASH.size, batch.LOG_GAIN.size)
    return np.broadcast_to(table[:, None, None, :], shape)


def test_the_fast_regression_is_weighted_least_squares_with_a_level_for_each_leg() -> None:
    """Sums of equation (2) give slope and error of statsmodels' WLS with leg dummies [X: statsmodels]."""
    rng = np.random.default_rng(5)
    leg = np.repeat([0, 1, 2, 3], [4, 5, 3, 6])
    job = np.repeat([0, 0, 7, 7], [4, 5, 3, 6])
    x, weight = rng.normal(size=(18, 1, 1)), rng.uniform(1, 4, 18)
    y = 5.0 * x[:, 0, 0] + leg + rng.normal(size=18)
    a, b, c, jobs = batch.sums(x, y, weight, leg, job)
    assert list(jobs) == [0, 7]
    for place, own in enumerate(jobs):
        mine = job == own
        design = np.column_stack([x[mine, 0, 0], pd.get_dummies(leg[mine]).to_numpy(float)])
        fitted = sm.WLS(y[mine], design, weights=weight[mine]).fit(cov_type="fixed scale")
        assert b[place, 0] / a[place, 0] == pytest.approx(fitted.params[0])
        assert a[place, 0] ** -0.5 == pytest.approx(fitted.bse[0])
        left = c[place] - b[place, 0] ** 2 / a[place, 0]
        assert left == pytest.approx(float(weight[mine] @ fitted.resid**2))


def test_the_hierarchical_estimate_is_the_numerical_integral() -> None:
    """Mean and spread of the log gain and of its spread equal a fine two-dimensional sum of the exact likelihood."""
    rng = np.random.default_rng(8)
    errors = rng.uniform(0.05, 0.3, 40)
    log_gains = rng.normal(np.log(5), 0.4, 40) + errors * rng.normal(size=40)
    mean, sd = np.log([5, 0.5, 1 / 32, 17]), np.array([1.0, 0.7, 0.7, 0.6])
    found, spread = learn.posterior(
        learn.log_likelihood(likelihood_of(log_gains, errors), np.full(40, 0.92), np.zeros(40)), mean, sd
    )
    m, s = np.meshgrid(np.linspace(1.0, 2.2, 241), np.log(np.geomspace(0.15, 0.9, 240)), indexing="ij")
    log = -0.5 * ((m - mean[0]) / sd[0]) ** 2 - 0.5 * ((s - mean[1]) / sd[1]) ** 2
    for x, error in zip(log_gains, errors, strict=True):
        var = np.exp(2 * s) + error**2
        log -= 0.5 * (np.log(var) + (x - m) ** 2 / var)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    for place, axis in enumerate((m, s)):
        expected = float((weight * axis).sum())
        assert found[place] == pytest.approx(expected, abs=0.004)
        assert spread[place] == pytest.approx(float((weight * (axis - expected) ** 2).sum()) ** 0.5, rel=0.05)


@pytest.mark.filterwarnings("ignore::statsmodels.tools.sm_exceptions.ConvergenceWarning")
def test_the_hierarchical_estimate_is_a_mixed_model() -> None:
    """With several measurements a job: mean and spread between jobs as MixedLM has them [X: statsmodels]."""
    rng = np.random.default_rng(9)
    jobs, each = 80, 5
    own = rng.normal(np.log(4), 0.35, jobs)
    y = np.repeat(own, each) + 0.2 * rng.normal(size=jobs * each)
    group = np.repeat(np.arange(jobs), each)
    mixed = sm.MixedLM(y, np.ones((y.size, 1)), groups=group).fit(reml=False)
    error = np.full(jobs, np.sqrt(mixed.scale / each))
    table = learn.log_likelihood(
        likelihood_of(y.reshape(jobs, each).mean(axis=1), error), np.full(jobs, 0.92), np.zeros(jobs)
    )
    found, spread = learn.posterior(table, np.log([4, 0.4, 1 / 32, 17]), np.array([9.0, 9.0, 0.7, 0.6]))
    assert found[0] == pytest.approx(float(mixed.fe_params[0]), abs=0.005)
    assert spread[0] == pytest.approx(float(mixed.bse_fe[0]), rel=0.06)
    assert np.exp(found[1]) == pytest.approx(float(mixed.cov_re[0, 0]) ** 0.5, rel=0.03)


def test_no_jobs_give_the_belief_back() -> None:
    """An empty table leaves the built-in belief, within the grid's reach."""
    mean, sd = np.log([5, 0.4, 1 / 40, 20]), np.array([0.2, 0.15, 0.2, 0.2])
    found, spread = learn.posterior(np.zeros(learn.FIGURES - learn.FIRST_CELL), mean, sd)
    assert found == pytest.approx(mean, abs=0.02)
    assert spread == pytest.approx(sd, rel=0.1)


def test_faulty_screws_do_not_move_the_gain() -> None:
    """A few jobs whose screw works the other way or does nothing leave the estimate where it was."""
    rng = np.random.default_rng(10)
    sound, errors = likelihood_of(rng.normal(np.log(5), 0.3, 60), np.full(60, 0.1)), np.zeros(60)
    dead = np.full((4, *sound.shape[1:]), 1e-12)
    start = np.log([5, 0.4, 1 / 40, 20]), np.array([1.0, 0.7, 0.7, 0.6])
    without = learn.posterior(learn.log_likelihood(sound, np.full(60, 0.92), errors), *start)[0]
    table = learn.log_likelihood(
        np.concatenate([sound, dead]), np.full(64, 0.92), np.concatenate([errors, np.full(4, 0.05)])
    )
    assert learn.posterior(table, *start)[0] == pytest.approx(without, abs=0.02)


def test_noise_comes_from_readings_taken_twice() -> None:
    """Rounded readings of one state with a known noise give it back within its error."""
    rng = np.random.default_rng(11)
    level, noise = rng.uniform(8, 9, 4000), rng.normal(0, 0.035, (2, 4000))
    apart = np.abs(np.diff(np.round((level + noise) / 0.1) * 0.1, axis=0))[0]
    row = np.zeros(learn.FIGURES)
    row[1:4] = 4000, apart.sum(), (apart**2).sum()
    found = learn.noise_sd_pct(learn.as_evidence({("natural gas", "", "4 to 6", "offset"): row}))
    assert found is not None
    assert found[0] == pytest.approx(0.035, abs=0.002)


def test_a_small_group_is_drawn_to_the_fleet_and_a_large_one_is_not() -> None:
    """Shrinkage: four jobs far from the fleet move towards it; two hundred hardly do."""
    rng = np.random.default_rng(12)

    def group(jobs: int, gain: float) -> np.ndarray:
        table = likelihood_of(rng.normal(np.log(gain), 0.3, jobs), np.full(jobs, 0.3))
        counts = [float(jobs), 0, 0, 0]
        return np.concatenate([counts, learn.log_likelihood(table, np.full(jobs, 0.92), np.zeros(jobs))])

    key = ("natural gas", "A", "4 to 6", "offset")
    alike = {
        ("natural gas", name, "4 to 6", "offset"): group(200, gain)
        for name, gain in (("B", 4.8), ("C", 5.2), ("D", 5.0))
    }
    moved = {}
    for jobs in (4, 200):
        row = group(jobs, 8.0)
        alone = learn.posterior(row[learn.FIRST_CELL :], np.log([5, 0.5, 1 / 32, 17]), np.array([9.0, 0.7, 0.7, 0.6]))
        shrunk = learn.estimates(learn.as_evidence({key: row, **alike}))[1][key]
        moved[jobs] = shrunk.mean[0] - alone[0][0]
    assert moved[4] < -0.02
    assert abs(moved[200]) < 0.01


@pytest.mark.parametrize(
    ("fleets", "jobs", "least"), [(6, 40, 0.7), pytest.param(30, 250, 0.85, marks=pytest.mark.slow)]
)
def test_known_populations_are_recovered(fleets: int, jobs: int, least: float, tmp_path: Path) -> None:
    """Median and spread of the gains, widest slack and lag lie in their 90 % intervals in about 90 % of made-up fleets.

    `least` is 90 % less three binomial spreads (fleets x 2 screws for each figure), and less what the few cases of the
    small run may miss.
    """
    truth = fleet.population(FAMILY_A[0], 1500)
    low, high = BASE.time_constant_s
    hits: dict[str, list[bool]] = {name: [] for name in learn.NAMES}
    for seed in range(fleets):
        found, _ = learn.estimates(study.evidence(rows_of(jobs, 100 + seed, FAMILY_A, tmp_path)))
        for screw, estimate in found.items():
            true = (*truth[screw], BASE.backlash_turns[1], np.sqrt(low * high))
            for name, value in zip(learn.NAMES, true, strict=True):
                _, least_value, most_value = estimate.interval(name)
                hits[name].append(least_value <= value <= most_value)
    shares = {name: float(np.mean(inside)) for name, inside in hits.items()}
    assert min(shares.values()) >= least, shares


def test_a_prior_file_goes_to_the_job_that_it_fits(tmp_path: Path) -> None:
    """What a study writes, open takes: the table that names the most about the job, and the log keeps which."""
    found = study.evidence(rows_of(60, 5, fleet.FAMILIES, tmp_path))
    path = tmp_path / "prior.toml"
    path.write_text(priors.as_toml(found, "sixty jobs"), encoding="utf-8")
    lively, source = read_prior(path, fuel="natural gas", valve_family="B", turndown=7.0)
    whole, other = read_prior(path, fuel="butane", valve_family="Z", turndown=3.0)
    assert lively.gain_per_turn["throttle"] > 1.15 * whole.gain_per_turn["throttle"]
    assert lively.gain_log_sd < Prior().gain_log_sd
    assert source.startswith("prior.toml: sixty jobs; natural gas, valve family B, turndown 6 and over (")
    assert source.endswith(" jobs)")
    assert other.startswith("prior.toml: sixty jobs; all jobs (")
    assert other.endswith(" jobs), as valve family Z is not in it")
    learned = priors.learned(found)
    assert {name for table in learned for name in table.values} <= set(Prior.__dataclass_fields__)
    assert path.read_text(encoding="utf-8").startswith(format_priors("sixty jobs", learned, priors.REMARKS))


A_FAMILY = """
[[prior]]
jobs = 90
[[prior]]
fuel = "natural gas"
valve_family = "B"
turndown = [6.0, 20.5]
jobs = 40
[[prior]]
fuel = "propane"
valve_family = "B"
turndown = [4.0, 6.0]
jobs = 30
"""


@pytest.mark.parametrize(
    ("file", "job", "taken"),
    [
        (A_FAMILY, ("B", 7), "natural gas, valve family B, turndown 6 and over (40 jobs)"),
        (
            A_FAMILY,
            ("B", 5),
            "all jobs (90 jobs), as valve family B is in it only for natural gas, turndown 6 and over and propane, "
            "turndown 4 to 6, and this job is natural gas, turndown 5",
        ),
        (A_FAMILY, ("Z", 7), "all jobs (90 jobs), as valve family Z is not in it"),
        (A_FAMILY, ("", 7), "all jobs (90 jobs), as no valve family was stated"),
        (
            A_FAMILY.replace('"B"', '""'),
            ("", 5),
            "all jobs (90 jobs), as jobs without a valve family are in it only for natural gas, turndown 6 and over "
            "and propane, turndown 4 to 6, and this job is natural gas, turndown 5",
        ),
        (A_FAMILY.replace('"B"', '""'), ("", 7), "natural gas, no valve family, turndown 6 and over (40 jobs)"),
        (
            A_FAMILY.replace('valve_family = "B"', ""),
            ("B", 5),
            "all jobs (90 jobs), as no group in it is for natural gas, turndown 5",
        ),
        ("[[prior]]\njobs = 90\n", ("B", 7), "all jobs (90 jobs)"),
    ],
)
def test_a_guess_of_less_than_the_jobs_own_group_says_why(
    file: str, job: tuple[str, float], taken: str, tmp_path: Path
) -> None:
    """The answer of `open` names the group whose figures are used and, where it isn't the job's own, why not."""
    path = tmp_path / "prior.toml"
    path.write_text(f'name = "a fleet"\n{file}', encoding="utf-8")
    family, turndown = job
    _, source = read_prior(path, fuel="natural gas", valve_family=family, turndown=turndown)
    assert source == f"prior.toml: a fleet; {taken}"
    log = tmp_path / "new.csv"
    label = f"--valve-family {family}" if family else ""
    setup = f"--fuel 'natural gas' --high 9:9.4 --low 8.6:9 {label} --set turndown={turndown}"
    said = " ".join(run(f"advisor open {log} {setup} --prior {path}").split())
    assert f"Guess first guess from prior.toml: a fleet; {taken}. Before" in said


def test_a_turndown_that_nobody_stated_is_said_to_be_assumed(tmp_path: Path) -> None:
    """Without `--set turndown` the usual one picks the group: `open` and the log say so, where the file asks for it."""
    path = tmp_path / "prior.toml"
    setup = "--fuel propane --high 9:9.4 --low 8.6:9 --valve-family B"
    for file, number, said in (
        (
            A_FAMILY,
            1,
            "propane, valve family B, turndown 4 to 6 (30 jobs); turndown 5 assumed, none was stated. Before",
        ),
        ("[[prior]]\njobs = 90\n", 2, "all jobs (90 jobs). Before"),
    ):
        path.write_text(f'name = "a fleet"\n{file}', encoding="utf-8")
        log = tmp_path / f"new{number}.csv"
        opened = " ".join(run(f"advisor open {log} {setup} --prior {path}").split())
        assert f"Guess first guess from prior.toml: a fleet; {said}" in opened
        assert ("turndown 5 assumed" in log.read_text(encoding="utf-8")) == (number == 1)


BAD = {
    "": ": no [[prior]] table in it. 'advisor study --out' writes one",
    "gain = 3": ": [[prior]] number 1: prior: 'gain' is not a known name; known are gain_per_turn, ",
    "gain_log_sd = -1": ": [[prior]] number 1: prior gain_log_sd = -1: a number above 0 is needed",
    "gain_log_sd = 'x'": ": [[prior]] number 1: prior gain_log_sd: a number is needed",
    "turndown = [6, 4]": ": [[prior]] number 1: turndown is two rising numbers, such as [4.0, 6.0]",
    "fuel = 'propane'": ": no [[prior]] in it is for natural gas with turndown 5. Open without --prior",
    "jobs = 'x'": ": [[prior]] number 1: fuel and valve_family are text in double quotes, jobs a whole number",
    "jobs = ": ": not a prior file (",
}


@pytest.mark.parametrize("line", BAD)
def test_a_bad_prior_file_says_what_is_wrong(line: str, tmp_path: Path) -> None:
    """File, place, what is allowed."""
    path = tmp_path / "p.toml"
    path.write_text(f"[[prior]]\n{line}\n" if line else "", encoding="utf-8")
    with pytest.raises(LogError) as caught:
        read_prior(path, fuel="natural gas", valve_family="", turndown=5.0)
    assert str(caught.value).startswith(f"{path}{BAD[line]}")


def test_the_frame_of_no_jobs_teaches_nothing() -> None:
    """No rows: no evidence, no priors, an empty table."""
    nothing = study.evidence(frames.rows_frame([]))
    assert nothing.empty
    assert priors.learned(nothing) == []
    assert priors.as_table(nothing).empty
    assert learn.noise_sd_pct(nothing) is None


def test_turndown_ranges_leave_no_gap() -> None:
    """Every turndown a job may have lies in the range it is counted in, and the ranges touch."""
    ranges = [study.tables.turndown_limits(study.tables.turndown_range(t)) for t in (1, 3.9, 4, 5.9, 6, 20)]
    assert study.tables.turndown_range(3.9) == "under 4"
    assert study.tables.turndown_range(20) == say_turndowns(6.0, 20.5) == "6 and over"
    for turndown, (low, high) in zip((1, 3.9, 4, 5.9, 6, 20), ranges, strict=True):
        assert low <= turndown < high
    unique = sorted(set(ranges))
    assert all(one[1] == two[0] for one, two in pairwise(unique))


def test_the_gain_of_one_job_is_the_valves(tmp_path: Path) -> None:
    """A sound screw turned many times: its gain within the 90 % range in about 9 jobs of 10, and no fault seen."""
    quiet = replace(BASE, name="quiet", backlash_turns=(0.0, 1e-6), as_found_sd_pct=1.2)
    family = fleet.Family("Q", NATURAL_GAS, {"high": 9.2, "low": 8.8}, quiet, 1.0)
    found = study.screws(rows_of(60, 21, (family,), tmp_path))
    assert (found["chance_reversed"] + found["chance_dead"] > 0.9).sum() <= 6  # 4 % of the fleet's boilers are faulty
    known = found[found["gain_doubt_log_sd"] < 0.25]
    assert len(known) > 20
    assert known["gain_per_turn"].between(1, 20).mean() > 0.9
    assert (known["gain_per_turn_low"] < known["gain_per_turn"]).all()
    assert (known["gain_per_turn"] < known["gain_per_turn_high"]).all()


@pytest.mark.slow
def test_a_learned_prior_saves_moves_and_a_wrong_one_stays_safe(tmp_path: Path) -> None:
    """Boilers held out from what was learned, the same for each prior, set by the adviser.

    With the learned prior fewer turns are needed in all; with gains off by 2 either way at most one visit in 20 passes
    the band (and what chance adds in 60 visits: 7 of them).
    """
    sys.path.insert(0, str(Path(__file__).parent / "bench"))
    import policies

    weak = fleet.FAMILIES[3]
    learned = priors.learned(study.evidence(rows_of(150, 31, (weak,), tmp_path)))[0]

    def visits(prior: Prior) -> list[Any]:
        return [policies.advised(weak.scenario, seed, prior=prior) for seed in range(70_000, 70_060)]

    def off_by(factor: float) -> Prior:
        gains = {screw: factor * gain for screw, gain in learned.values["gain_per_turn"].items()}
        return replace(learned, values={**learned.values, "gain_per_turn": gains}).prior

    built_in, better = visits(Prior()), visits(learned.prior)
    assert sum(one.both for one in better) >= 58
    assert sum(one.moves for one in better) < 0.97 * sum(one.moves for one in built_in)
    assert sum(one.overshot for one in better) <= 7
    for factor in (0.5, 2.0):
        assert sum(one.overshot for one in visits(off_by(factor))) <= 7
