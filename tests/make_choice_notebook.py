# ruff: noqa: E501 (cells are text)
"""Make notebooks/how_the_advice_was_chosen.ipynb anew and run it: `python tests/make_choice_notebook.py`."""

import sys
from pathlib import Path

import nbformat
from make_notebook import assembled, executed
from nbformat.v4 import new_code_cell, new_markdown_cell

NOTEBOOK = Path(__file__).resolve().parent.parent / "notebooks" / "how_the_advice_was_chosen.ipynb"
INTRO = """\
# How the advice was chosen

Whole visits on made-up boilers that the adviser does not know; each alternative changes one thing and keeps the rest.
Seeds are fixed: every adviser meets the same boilers. The boilers are invented, so this proves the arithmetic and not the
trade. Sizes are set in the first cell (or by `CHOSEN_VISITS` and `CHOSEN_DRAWS`); the README's table has more visits."""
SET_UP = """\
import os
import sys
from pathlib import Path

root = next(p for p in (Path.cwd(), *Path.cwd().parents) if (p / "tests" / "bench").is_dir())
sys.path[:0] = [str(root), str(root / "tests" / "bench")]
VISITS = int(os.environ.get("CHOSEN_VISITS", 100))
DRAWS = int(os.environ.get("CHOSEN_DRAWS", 4000))

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

Shares with their 95 % Wilson interval, means with 1.96 standard errors. The last three rows are told what nobody on site
knows: they show how much of the time goes into learning the valve."""
ALTERNATIVES = """\
rows = alternatives.rows(VISITS, ["{scenario}"])
pd.DataFrame(rows, columns=alternatives.HEADER).drop(columns="boilers").set_index("adviser")"""
TITLE_SBC = """\
## Calibration under its own assumptions

Simulation-based calibration (Talts et al. 2018): truths drawn from the prior, jobs drawn from the truths; the place of
the truth in its posterior must be uniform. Bars: counts in 20 bins; grey: where 99 % of bins should lie."""
SBC = """\
from scipy import stats

found = calibration.places(DRAWS)
low, high = stats.binom(DRAWS, 1 / calibration.BINS).ppf([0.005, 0.995])
figure = Figure(figsize=(9, 4.6), layout="constrained")
for axes, name, place in zip(figure.subplots(2, 3).flat, calibration.QUANTITIES, found.T, strict=True):
    axes.axhspan(low, high, color="0.85")
    axes.hist(place, bins=calibration.BINS, range=(0, 1), histtype="step", color="black")
    axes.set(title=f"{name}: p = {calibration.uniform_p(place):.2f}", xlabel="place of the truth", ylabel="jobs", ylim=(0, None))
figure"""
TITLE_RELIABILITY = """\
## Are the stated chances honest on boilers it does not know?

All seven scenarios together. Each point: turns whose stated chance fell in one class; the bar is 1.96 standard errors."""
RELIABILITY = """\
names = [scenario.name for scenario in calibration.SCENARIOS]
made = calibration.claims(max(2, VISITS // 2), names)
figure = Figure(figsize=(9, 4.2), layout="constrained")
for axes, what in zip(figure.subplots(1, 2), ("in_band", "past_band"), strict=True):
    said = np.array([getattr(claim, what) for claim in made])
    came = np.array([getattr(claim, f"was_{what}") for claim in made])
    edges = calibration.EDGES if what == "in_band" else np.array([0, 0.002, 0.01, 0.02, 0.03, 0.04, 0.05])
    points = np.array(calibration.reliability(said, came, edges))
    axes.plot([0, edges[-1]], [0, edges[-1]], color="0.6")
    axes.errorbar(points[:, 1], points[:, 2], 1.96 * points[:, 3], fmt="ko", capsize=3)
    title = "in the band after the turn" if what == "in_band" else "past the far edge after the turn"
    axes.set(title=f"{title} ({len(said)} turns)", xlabel="chance stated", ylabel="share that came true")
    axes.set_ylim(bottom=0)
figure"""
CHOSEN = """\
## What was chosen, and why

* **Straight scale** (f²) rather than plain CO2: exact in the offset screw by physics. On these boilers the two differ by
  less than the error bars; it costs nothing.
* **Throttle's effect at low fire from where both rates stand**, and **a display that comes up at the start**: physics; they
  take the bias out of what is expected at low fire after a long travel and on the way to the first settled reading.
* **Less noise, learned faster**: fewer minutes, and a 90 % range that holds nearer to 90 %.
* **Hypotheses over slack, lag and sign** rather than one conjugate regression: with one regression the stated intervals are
  far too narrow, the visits long and the display's lag is taken for the valve's answer.
* **Log-normal gain** rather than normal: a gain near zero or reversed is then a statement of its own and not a tail.
* **One step ahead**: looking two steps ahead asks the same turns nearly everywhere, for many times the computing.
* **Small first move, high certainty at the end**: both cost minutes. They are kept because the first protects from lively
  valves and the second is what makes "in band" true.
* **The clock**: an adviser that is told gains and lag takes about as long as the one who knows the valve. The rest is the
  price of finding out, and of the usual minimum waits, which no rule may shorten."""
KEPT = """\
The figures above are the output of the committed code, kept from a run at the sizes of the first cell;
`python tests/make_choice_notebook.py` renews them."""


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


if __name__ == "__main__":
    sys.exit(main())
