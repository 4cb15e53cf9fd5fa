"""Jobs set again at boilers like theirs, and a prior tried on jobs that it was not learned from."""

import json
from functools import cache
from pathlib import Path

import fleet
import numpy as np
import pandas as pd
import pytest
from console import run
from replay import Told
from study_cases import documented, one_line, rows_of

from advisor import study
from advisor.job_setup.setup import JobSetup
from advisor.study import learned_priors, prior_trial
from advisor.study.played import boiler_like
from advisor.training.simulated_visit import SimulatedVisit, VisitSettings
from advisor.training.simulator import draw
from advisor.training.strategies import adviser

FAMILY = fleet.FAMILIES[0]
WEAK = fleet.FAMILIES[3]
SETTINGS = VisitSettings(longest_s=3600.0, most_turns=40)
RULE = fleet.HABITS["in proportion"]


@cache
def jobs(count: int) -> list[SimulatedVisit]:
    return [fleet.make_visit(number, 5, (FAMILY,), rule=RULE) for number in range(count)]


def folder_of(path: Path, numbers: range, family: fleet.Family) -> Path:
    path.mkdir()
    for number in numbers:
        visit = fleet.make_visit(number, 7, (family,), rule=RULE)
        (path / f"{number}.csv").write_text(fleet.text_of(visit), encoding="utf-8")
    return path


def learned(path: Path, family: fleet.Family, count: int) -> Path:
    """A prior file learned from that many jobs of a family."""
    made = [fleet.make_visit(number, 7, (family,), rule=RULE).job for number in range(1000, 1000 + count)]
    path.write_text(learned_priors.as_toml(study.evidence(rows_of(*made)), "a fleet"), encoding="utf-8")
    return path


def test_a_drawn_boiler_is_the_one_that_the_job_describes() -> None:
    """Levels as found, the throttle's gain: over many draws they are those of the fit."""
    told = Told().at("high", 8.3, 8.3).throttle(1 / 24, 8.5, 8.5).throttle(1 / 24, 8.7).throttle(1 / 12, 9.2, 9.2)
    told.at("low", 8.8, 8.8).at("high", 9.2)
    rng, end = np.random.default_rng(3), told.job.situation(told.job.ended)
    boilers = [boiler_like(end.belief, rng) for _ in range(60)]
    assert np.mean([boiler.settled_pct("high") for boiler in boilers]) == pytest.approx(8.3, abs=0.06)
    made = [
        boiler.settled_after("high", "throttle", 1 / 6 + boiler.backlash_turns["throttle"] / 4) for boiler in boilers
    ]
    assert np.mean(made) == pytest.approx(9.2, abs=0.15)


def test_the_same_seed_plays_the_same_whatever_other_jobs_stand_beside() -> None:
    """A job's draw hangs on the seed and its own name only."""
    one, two = (visit.job for visit in jobs(2))
    both = study.played(rows_of(one, two))
    alone = study.played(rows_of(one))
    pd.testing.assert_frame_equal(both[both["job"] == "j0"].reset_index(drop=True), alone)
    assert study.played(rows_of(Told().at("high", 8.3))).empty  # never read at low fire


@pytest.mark.slow
def test_jobs_set_again_take_what_the_true_boilers_take() -> None:
    """Minutes and turns of the adviser at boilers as the fits describe them are those at the true ones, within 15 %."""
    count = 60
    again = study.played(rows_of(*(visit.job for visit in jobs(count))))
    minutes, turns = [], []
    for number, visit in enumerate(jobs(count)):
        rng = np.random.default_rng([5, number])
        rng.choice(1, p=[1.0])
        rng.choice(len(fleet.HABITS), p=fleet.HABIT_SHARES)
        boiler = draw(FAMILY.scenario, rng, FAMILY.centres, fuel=FAMILY.fuel)
        facts = {name: getattr(visit.job.setup, name) for name in ("fuel", "bands", "turndown")}
        true = adviser(SimulatedVisit(boiler, {**facts, "pressures": {"working pressure": (17, 25, "mbar")}}, SETTINGS))
        minutes.append(true.score().minutes - next(act.at_s for act in true.acts if act.kind == "run_at") / 60)
        turns.append(true.score().turns)
    assert again["minutes"].mean() == pytest.approx(np.mean(minutes), rel=0.15)
    assert again["moves"].mean() == pytest.approx(np.mean(turns), rel=0.15)
    done = again["ending"] == "done"
    assert done.mean() > 0.9  # the others are stopped for CO
    assert again.loc[done, "in_band"].mean() > 0.95


def test_a_prior_learned_from_such_valves_foretells_them_better(tmp_path: Path) -> None:
    """Weak valves, held out: readings were likelier under the prior learned from others of their kind; the sample and
    the jobs set again are the same under both.
    """
    prior = learned(tmp_path / "prior.toml", WEAK, 40)
    held = prior_trial.trial(prior, [str(folder_of(tmp_path / "held", range(8), WEAK))], sample=6, play=1)
    record = prior_trial.trial_summary(held)
    assert documented(prior_trial.trial_summary) == list(record)
    assert record["jobs"] == 6
    assert record["of"] == 8
    assert record["better"]["log_score"] > 0
    assert list(held.played[0]["job"]) == list(held.played[1]["job"])
    assert list(held.predictions[0]["row"]) == list(held.predictions[1]["row"])


def test_a_prior_tried_against_itself_is_no_better(tmp_path: Path) -> None:
    """A file that names nothing leaves the built-in prior: every figure is the same twice."""
    path = tmp_path / "same.toml"
    path.write_text('name = "nothing"\n[[prior]]\njobs = 0\n', encoding="utf-8")
    logs = folder_of(tmp_path / "held", range(3), FAMILY)
    record = json.loads(run(f"advisor study {logs} --with-prior {path} --play 1 --json"))
    assert record["learned"] == record["built_in"]
    assert (record["better"]["log_score"], record["better"]["minutes"]) == (0, 0)
    answer = one_line(run(f"advisor study {logs} --with-prior {path} --play 0"))
    assert "no better and no worse than the built-in prior: 3 of 3 jobs asked anew" in answer
    assert "Jobs that it was learned from prove nothing." in answer


def test_rows_under_another_setup_keep_everything_else() -> None:
    """Only the head of each job's log changes."""
    rows = rows_of(*(visit.job for visit in jobs(2)))
    marked: dict[str, JobSetup] = study.frames.job_setups(prior_trial.under(rows, prior_trial.built_in))
    assert marked == study.frames.job_setups(rows)
    pd.testing.assert_frame_equal(
        prior_trial.under(rows, prior_trial.built_in).drop(columns="header"), rows.drop(columns="header")
    )


@pytest.mark.parametrize(
    ("command", "answer"),
    [
        ("--with-prior nothing.toml", "--with-prior needs jobs that the prior was not learned from: name their logs"),
        ("demo_logs/sound_job.csv --with-prior nothing.toml", "nothing.toml: No such file or directory."),
    ],
)
def test_wrong_use_of_a_trial_is_answered_in_words(command: str, answer: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is missing is named, and no traceback."""
    from console import ROOT

    monkeypatch.chdir(ROOT)
    assert answer in one_line(run(f"advisor study {command}"))
