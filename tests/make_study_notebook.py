"""Make notebooks/convergence_study.ipynb anew and run it: `python tests/renew.py`."""

from pathlib import Path

import nbformat
from make_notebook import assembled, executed
from nbformat.v4 import new_code_cell, new_markdown_cell

NOTEBOOK = Path(__file__).resolve().parent.parent / "notebooks" / "convergence_study.ipynb"
CELLS = (
    (
        "story",
        """\
# What two thousand jobs teach

A firm has the logs of its gas-valve jobs. Three questions: how many boilers were truly left in band, where do
overshoots and minutes come from, and should the next job start with what these jobs taught? The logs here are made up:
invented boilers, bands and technicians with simple habits, by `tests/fleet.py` with a fixed seed. So each answer stands
beside the truth, which no real log holds.

`STUDY_JOBS` in the environment asks for fewer jobs.""",
    ),
    (
        "set-up",
        """\
import os
import sys
import tempfile
from io import BytesIO
from pathlib import Path

sys.path.insert(0, str(Path("../tests").resolve()))

import fleet
import numpy as np
import pandas as pd
from IPython.display import Image, display

from advisor import study
from advisor.study import calibration, plots, population, prior_trial, report

JOBS = int(os.environ.get("STUDY_JOBS", "2000"))
folder = tempfile.TemporaryDirectory()
os.chdir(folder.name)
fleet.make_fleet(JOBS, Path("logs"), seed=1)
fleet.make_fleet(min(JOBS, 100), Path("held_out"), seed=2)
found = study.study(["logs"], sample=200, play=min(JOBS // 4, 20))
record = study.summary(found)


def show(made):
    picture = BytesIO()
    made.savefig(picture, dpi=110)
    display(Image(picture.getvalue()))


def drawn(draw, *data, columns=1, **more):
    made, axes = plots.figure(columns, (6.4 if columns == 1 else 9.6, 3.8), share_y=columns > 1)
    for ax, own in zip(axes, data, strict=True):
        draw(ax, *own, **more)
    show(made)""",
    ),
    ("whole-title", "## The answer on one screen\n\nWhat `advisor study LOGS` prints; `--all` prints the whole."),
    ("whole", "print(study.brief(record))"),
    (
        "band-title",
        """\
## How many were truly left in band?

A technician stops when the display is in band, so the last display is no fair sample: it is the reading that was
waited for. The fit weighs all readings of the job. Beside both stands the truth, known here because the boilers are
made up.""",
    ),
    (
        "band",
        """\
sampled = found.jobs[found.jobs["asked_anew"]]
numbers = [int(Path(job).stem.removeprefix("job_")) for job in sampled["job"]]
visits = [fleet.make_visit(number, 1) for number in numbers]
truly = np.array([visit.in_band("high") and visit.in_band("low") for visit in visits])
shown = sampled["ended_in_band"].to_numpy()
pd.Series(
    {
        "by the last display": shown.mean(),
        "by the fit": sampled["chance_in_band_at_end"].mean(),
        "truly": truly.mean(),
    },
    name=f"share of {len(sampled)} jobs in band",
).round(3).to_frame()""",
    ),
    (
        "convergence-title",
        """\
## How jobs come into band

Each grey line is a job. The dashed line is the band's edge: a job is done under it, at both rates.""",
    ),
    ("moves", 'drawn(plots.convergence_by_moves, *((found.readings, rate) for rate in ("high", "low")), columns=2)'),
    ("minutes", "drawn(plots.share_in_band, (found.readings,))"),
    (
        "time-title",
        """\
## Where minutes and overshoots come from

Extra turns are those beyond the fewest that the way would have taken within the cap. Few jobs make most overshoots:
these are the ones to open, and `advisor study --replay LOG` shows each row by row.""",
    ),
    ("time", 'found.time_spent.drop(columns="job").mean().round(2).to_frame("a job, mean")'),
    ("overshoots", "drawn(plots.overshoots, (found.moves,))"),
    (
        "worst",
        """\
pd.set_option("display.max_colwidth", 90, "display.width", 140)
worst = study.worst(found.jobs)
worst.assign(job=worst["job"].map(lambda job: Path(job).name), trouble=worst["trouble"].round(1))""",
    ),
    (
        "refused-title",
        """\
Would the adviser have stopped them? Each turn of the sample was asked anew, as at its moment.""",
    ),
    ("refused", "calibration.refusals(found.verdicts, found.moves).round(3)"),
    (
        "calibration-title",
        """\
## Can the adviser's chances be believed?

Stated and observed, with one joint test and a direction, in all and by kind. The habits here are not those that the
adviser expects, so small departures show in so many readings.""",
    ),
    (
        "calibration",
        """\
asked = {"range": found.predictions, "readings": found.predictions, "turns": found.turns, "passing": found.turns}
pd.concat({of: calibration.judged(table, of) for of, table in asked.items()}).droplevel(1).round(3)""",
    ),
    ("reliability", 'drawn(plots.reliability, (calibration.reliability(found.predictions), "next reading in band"))'),
    (
        "learned-title",
        """\
## What these valves do, and what they truly do

Points: learned, with 90 % ranges of the estimate; crosses: the true median of each family.""",
    ),
    (
        "learned",
        """\
learned = population.as_table(found.evidence)
groups = learned[learned["fuel"] != ""].reset_index(drop=True)
truth = {
    (family.fuel.name, family.label, screw): gain
    for family in fleet.FAMILIES
    for screw, (gain, _) in fleet.population(family, 1000).items()
}
true = [truth[key] for key in zip(groups["fuel"], groups["valve_family"], groups["screw"], strict=True)]
made, (ax,) = plots.figure()
middle, low, high = (groups[f"gain_per_turn{end}"] for end in ("", "_low", "_high"))
ax.errorbar(middle, groups.index, xerr=[middle - low, high - middle], fmt="o", capsize=3, label="learned")
ax.plot(true, groups.index, "x", color="black", label="true")
ax.set_yticks(groups.index, groups["fuel"] + ", " + groups["valve_family"] + ", " + groups["screw"], fontsize="small")
ax.invert_yaxis()
ax.set_xlabel("gain of the middle valve, % CO2 per turn")
ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2, frameon=False)
show(made)""",
    ),
    ("gains", 'drawn(plots.gains, (found.screws, found.jobs), by="valve_family")'),
    (
        "decision-title",
        """\
## The decision: use the learned prior?

It is tried on jobs that it was not learned from, beside the built-in one: how well it foretells readings, and what the
adviser's visits to boilers like theirs take under each.""",
    ),
    (
        "decision",
        """\
report.write(found, record, Path("desk"), "the fleet of this notebook")
held = prior_trial.trial(Path("desk/prior.toml"), ["held_out"], sample=60, play=min(JOBS // 4, 15))
tried = prior_trial.trial_summary(held)
print(prior_trial.say_trial(tried))
os.chdir("/")
folder.cleanup()""",
    ),
    (
        "end",
        """\
If it foretells better and the visits are no longer: `advisor open LOG --prior prior.toml`. The adviser then says where
its first guess came from, and whether that rests on few jobs.""",
    ),
)
CODE = {"set-up", "whole", "band", "moves", "minutes", "time", "overshoots", "worst", "refused", "calibration",
        "reliability", "learned", "gains", "decision"}  # fmt: skip


def made() -> nbformat.NotebookNode:
    """The notebook, not yet run."""
    return assembled(
        [(new_code_cell if name in CODE else new_markdown_cell)(source, id=name) for name, source in CELLS]
    )


def main() -> int:
    nbformat.write(executed(made(), NOTEBOOK.parent, timeout_s=3000), NOTEBOOK)
    return 0
