# ruff: noqa: E501 (cells are text)
"""Make notebooks/how_the_advice_was_chosen.ipynb anew and run it: `python tests/renew.py --chosen`."""

from pathlib import Path

import nbformat
from make_notebook import assembled, executed
from nbformat.v4 import new_code_cell, new_markdown_cell

NOTEBOOK = Path(__file__).resolve().parent.parent / "notebooks" / "how_the_advice_was_chosen.ipynb"
INTRO = """\
# How the advice was chosen

Whole visits on simulated boilers that the adviser does not know; each alternative changes one thing and keeps the rest.
Seeds are fixed: every adviser meets the same boilers. The boilers are invented, so this proves the arithmetic and not the
trade. Sizes are set in the first cell (or by `CHOSEN_VISITS` and `CHOSEN_DRAWS`); the README's table has more visits."""
SET_UP = """\
import os
import sys
from pathlib import Path

root = next(p for p in (Path.cwd(), *Path.cwd().parents) if (p / "tests" / "bench").is_dir())
sys.path[:0] = [str(root), str(root / "tests" / "bench")]
VISITS = int(os.environ.get("CHOSEN_VISITS", 50))
DRAWS = int(os.environ.get("CHOSEN_DRAWS", 1700))

import alternatives
import calibration
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from IPython import get_ipython

get_ipython().run_line_magic("matplotlib", "inline")
pd.set_option("display.max_colwidth", 60, "display.width", 200)"""
TITLE_ALTERNATIVES = """\
## Alternatives

Shares with their 95 % Wilson interval, means with 1.96 standard errors. The last five columns set each alternative beside
the adviser as built on the same boilers: mean difference ± 1.96 standard errors, and visits counted for both, in brackets
those in which only one of the two did it. A star marks what is told from none: a mean beyond its 1.96 standard errors, a
count where the boilers that tell the two apart do so at 5 % (sign test). Of all these comparisons one in twenty has a star
by chance alone; what has none is not shown to be equal.

The last three rows are told what nobody on site knows: they show how much of the time goes into learning the valve."""
ALTERNATIVES = """\
rows = pd.DataFrame(alternatives.compared("{scenario}", VISITS), columns=alternatives.HEADER)
rows.drop(columns="boilers").set_index("adviser")"""
TITLE_SBC = """\
## Calibration under its own assumptions

Simulation-based calibration (Talts et al. 2018): truths drawn from the prior, jobs played on them by a generator that has
its own backlash, lag, hand and flame; the place of the truth in its posterior must be uniform. Bars: counts in 20 bins; grey:
where 99 % of bins should lie. Over a half in the middle of a picture: too cautious; high at both ends: too sure. Jobs with
readings beyond the linearised scale are set aside, by the readings alone."""
SBC = """\
from scipy import stats

found = calibration.places(DRAWS)
low, high = stats.binom(len(found), 1 / calibration.BINS).ppf([0.005, 0.995])
figure = Figure(figsize=(9, 6.6), layout="constrained")
figure.suptitle(f"{len(found)} jobs; {DRAWS - len(found)} more set aside", fontsize="medium")
for axes, name, place in zip(figure.subplots(3, 3).flat, calibration.QUANTITIES, found.T, strict=True):
    axes.axhspan(low, high, color="0.85")
    axes.hist(place, bins=calibration.BINS, range=(0, 1), histtype="step", color="black")
    title = f"{name}: p = {calibration.uniform_p(place):.2g}, 90 % holds {100 * calibration.middle(place)[0]:.1f} %"
    axes.set_title(title, fontsize="small")
    axes.set(xlabel="place of the truth", ylabel="jobs", ylim=(0, None))
figure"""
TITLE_RELIABILITY = """\
## Are the stated chances honest on boilers it does not know?

All seven scenarios together. Each point: turns whose stated chance fell in one class; the bar is its 95 % Wilson interval.
Under it by scenario, as the boilers of some are likelier to pass the far edge than of others."""
RELIABILITY = """\
made = calibration.claims(max(2, VISITS // 2))
figure = Figure(figsize=(9, 4.2), layout="constrained")
for axes, what in zip(figure.subplots(1, 2), ("in_band", "past_band"), strict=True):
    edges = calibration.EDGES if what == "in_band" else np.array([0, 0.002, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5])
    _, stated, true, low, high = calibration.reliability(made, what, edges).to_numpy().T
    axes.plot([0, edges[-1]], [0, edges[-1]], color="0.6")
    axes.errorbar(stated, true, [true - low, high - true], fmt="ko", capsize=3)
    title = "in the band after the turn" if what == "in_band" else "past the far edge after the turn"
    axes.set(title=f"{title} ({len(made)} turns)", xlabel="chance stated", ylabel="share that came true")
    axes.set_ylim(bottom=0)
figure"""
PAST = """calibration.past_the_edge(made).round(2).set_index("scenario")"""
CHOSEN = """\
## What was chosen, and why

The reasons. What each brings is in the tables.

* **Linearised scale** (f²) rather than plain CO2: exact in the offset screw by physics, and it costs nothing.
* **Throttle's effect at low fire from where both rates stand**, and **a display that comes up at the start**: physics; they
  are what is expected at low fire after a long travel and on the way to the first settled reading.
* **Noise with little said of it before the job**: each display and flame has its own, and the job's readings tell it.
* **Hypotheses over backlash, lag and sign** rather than one conjugate regression: a display that is still on its way must not
  be taken for the valve's answer, nor a turn that the backlash took for a dead screw.
* **Log-normal gain** rather than normal: a gain near zero or reversed is then a statement of its own and not a tail. **More on
  the very lively** than it has: these pass the edge. It costs minutes.
* **Turns to go** rather than squared distance: a cost that is bounded near the band does not shrink every early turn while
  the gain is hardly known. Past the rich edge is danger and a limit; past the lean edge is a minute, limited only where the
  flame may lift. **One step ahead**: looking two steps ahead takes many times the computing.
* **Each part of the model** is switched off alone: the rows "without". What a part buys stands in the last columns.
* **Small first move**: caution while the gain is not known. **High certainty at the end**: what makes "in band" true is
  worth readings. Look at what both cost and bring above.
* **The clock**: the rows that are told gains and lag show how much of the time is the price of finding out. The rest is
  turns, the usual minimum waits, which no rule may shorten, and the final readings."""
KEPT = """\
The figures above are the output of the committed code, kept from a run at the sizes of the first cell;
`python tests/renew.py --chosen` renews them."""


def made() -> nbformat.NotebookNode:
    """The notebook, not yet run."""
    cells = [
        new_markdown_cell(INTRO, id="intro"),
        new_code_cell(SET_UP, id="set-up"),
        new_markdown_cell(TITLE_ALTERNATIVES, id="alternatives"),
        new_code_cell(ALTERNATIVES.format(scenario="base"), id="base"),
        new_markdown_cell("### Everything at once", id="everything-title"),
        new_code_cell(ALTERNATIVES.format(scenario="everything-at-once"), id="everything"),
        new_markdown_cell(TITLE_SBC, id="sbc-title"),
        new_code_cell(SBC, id="sbc"),
        new_markdown_cell(TITLE_RELIABILITY, id="reliability-title"),
        new_code_cell(RELIABILITY, id="reliability"),
        new_code_cell(PAST, id="past"),
        new_markdown_cell(CHOSEN, id="chosen"),
        new_markdown_cell(KEPT, id="kept"),
    ]
    return assembled(cells)


def results_only(notebook: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """The notebook without progress bars, which are for the one who runs it."""
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs = [output for output in cell.outputs if output.output_type == "execute_result"]
    return notebook


def main() -> int:
    NOTEBOOK.parent.mkdir(exist_ok=True)
    nbformat.write(results_only(executed(made(), NOTEBOOK.parent, timeout_s=7200)), NOTEBOOK)
    return 0
