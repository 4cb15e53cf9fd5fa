"""Prior files: what a study writes, `open` takes, and says which part of it and why."""

from pathlib import Path

import pytest
from console import run
from study_cases import fleet_rows, one_line

from advisor import study
from advisor.errors import LogError
from advisor.job_setup.prior import Prior
from advisor.job_setup.prior_file import read_prior
from advisor.study import learned_priors

ALL = "[[prior]]\njobs = 90\n"
FAMILY_B = """
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
NO_FAMILY, ANY_FAMILY = FAMILY_B.replace('"B"', '""'), FAMILY_B.replace('valve_family = "B"', "")
ASSUMED = "; turndown 5 assumed, none was stated"
PROPANE = "--fuel propane --valve-family B"
ONLY_FOR = (
    "only for natural gas, turndown 6 and over and propane, turndown 4 to 6, and this job is natural gas, turndown 5"
)


def test_a_prior_file_goes_to_the_job_that_it_fits(tmp_path: Path) -> None:
    """What a study writes, open takes: the table that names the most about the job, and the log keeps which."""
    path, found = tmp_path / "prior.toml", study.evidence(fleet_rows(60, 5, tmp_path))
    path.write_text(learned_priors.as_toml(found, "sixty jobs"), encoding="utf-8")
    lively, source = read_prior(path, fuel="natural gas", valve_family="B", turndown=7.0)
    whole, other = read_prior(path, fuel="butane", valve_family="Z", turndown=3.0)
    assert lively.gain_per_turn["throttle"] > 1.15 * whole.gain_per_turn["throttle"]
    assert lively.gain_log_sd < Prior().gain_log_sd
    assert source.startswith("prior.toml: sixty jobs; natural gas, valve family B, turndown 6 and over (")
    assert source.endswith(" jobs)")
    assert other.startswith("prior.toml: sixty jobs; all jobs (")
    assert other.endswith(" jobs), as valve family Z is not in it")
    for name in learned_priors.priors(found)[0].values:  # each that was learned gets there
        assert getattr(whole, name) != getattr(Prior(), name)


def gas(label: str, turndown: float) -> str:
    return f"--fuel 'natural gas' --valve-family {label} --set turndown={turndown}"


@pytest.mark.parametrize(
    ("file", "options", "taken"),
    [
        (ALL + FAMILY_B, gas("B", 7), "natural gas, valve family B, turndown 6 and over (40 jobs)"),
        (ALL + FAMILY_B, gas("B", 5), f"all jobs (90 jobs), as valve family B is in it {ONLY_FOR}"),
        (ALL + FAMILY_B, gas("Z", 7), "all jobs (90 jobs), as valve family Z is not in it"),
        (ALL + FAMILY_B, gas("''", 7), "all jobs (90 jobs), as no valve family was stated"),
        (ALL + NO_FAMILY, gas("''", 5), f"all jobs (90 jobs), as jobs without a valve family are in it {ONLY_FOR}"),
        (ALL + NO_FAMILY, gas("''", 7), "natural gas, no valve family, turndown 6 and over (40 jobs)"),
        (ALL + ANY_FAMILY, gas("B", 5), "all jobs (90 jobs), as no group in it is for natural gas, turndown 5"),
        (ALL, gas("B", 7), "all jobs (90 jobs)"),
        (ALL.replace("90", "9"), gas("B", 7), "all jobs (only 9 jobs, so a weak guess)"),
        (
            ALL + FAMILY_B.replace("40", "1"), gas("B", 7),
            "natural gas, valve family B, turndown 6 and over (only 1 job, so a weak guess)",
        ),
        (ALL + FAMILY_B, PROPANE, "propane, valve family B, turndown 4 to 6 (30 jobs)" + ASSUMED),
        (ALL, PROPANE, "all jobs (90 jobs)"),
    ],
)  # fmt: skip
def test_open_says_which_guess_it_took_and_why(file: str, options: str, taken: str, tmp_path: Path) -> None:
    """The answer and the log name the group whose values are used; where it isn't the job's own, why not; and that the
    turndown was assumed, where the file asks for it.
    """
    path, log = tmp_path / "prior.toml", tmp_path / "new.csv"
    path.write_text(f'name = "a fleet"\n{file}', encoding="utf-8")
    answer = run(f"advisor open {log} --high 9:9.4 --low 8.6:9 {options} --confirm-band --prior {path}")
    assert f"Guess first guess from prior.toml: a fleet; {taken}. Before" in one_line(answer)
    assert f'# prior_source = "prior.toml: a fleet; {taken}"' in log.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("", ": no [[prior]] table in it. 'advisor study --out' writes one"),
        ("[[prior]]\ngain = 3", ": [[prior]] number 1: prior: 'gain' is not a known name; known are gain_per_turn, "),
        ("[[prior]]\ngain_log_sd = -1", ": [[prior]] number 1: prior gain_log_sd = -1: a number above 0 is needed"),
        ("[[prior]]\ngain_log_sd = 'x'", ": [[prior]] number 1: prior gain_log_sd: a number is needed"),
        ("[[prior]]\nturndown = [6, 4]", ": [[prior]] number 1: turndown is two rising numbers, such as [4.0, 6.0]"),
        ("[[prior]]\nfuel = 'propane'", ": no [[prior]] in it is for natural gas with turndown 5. Open without"),
        ("[[prior]]\njobs = 'x'", ": [[prior]] number 1: fuel and valve_family are text in double quotes, jobs a"),
        ("[[prior]]\njobs = ", ": not a prior file ("),
    ],
)
def test_a_bad_prior_file_says_what_is_wrong(text: str, wrong: str, tmp_path: Path) -> None:
    """File, place, what is allowed."""
    path = tmp_path / "p.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LogError) as caught:
        read_prior(path, fuel="natural gas", valve_family="", turndown=5.0)
    assert str(caught.value).startswith(f"{path}{wrong}")
