"""Make notebooks/overshoot_lessons.ipynb anew and run it: `python tests/renew.py`."""

import ast
import contextlib
import io
from pathlib import Path
from typing import Any

import nbformat
from nbclient import NotebookClient
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from advisor.training.lessons import LESSONS

NOTEBOOK = Path(__file__).resolve().parent.parent / "notebooks" / "overshoot_lessons.ipynb"
INTRO = """\
# Overshoot lessons

Thirteen lessons for a class without a boiler: what goes wrong when CO2 is set after a change of the gas valve, and what
the adviser would have said. Every picture is played on a simulated boiler with a fixed seed; boilers and bands are
invented. On site the maker's instructions come first.

To run it: install the package (`pip install .` in the folder above), open this notebook, run all cells. Each picture is
made for a slide; `advisor lesson --slides FILE.pdf` writes all slides, `advisor lesson --handout FILE.pdf` the same
lessons as pages for paper.
"""
SET_UP = """\
from IPython.display import Image

from advisor.training.handout import as_png, slide
from advisor.training.lesson_play import play
from advisor.training.lesson_text import say_lesson
from advisor.training.lessons import by_name"""
LESSON = """\
played = play(by_name("{name}"))
print(say_lesson(played))
Image(as_png(slide(played)))"""
COMPARED = """\
import pandas as pd

from advisor.training import marking
from advisor.training.lesson_text import three_figures
from advisor.training.lessons import LESSONS

rows = {}
for lesson in LESSONS:
    for way, visit in (("hand", play(lesson).hand), ("other way", play(lesson).other)):
        peak_co = max(sample.co_air_free_ppm for sample in visit.trace)
        harm = marking.harm_of(visit, visit.turns, visit.trace)
        out = [f"{harm.beyond_pct:.1f}", f"{marking.left_out_pct(visit):.1f}"]
        rows[lesson.name, way] = [*out, three_figures(peak_co), f"{harm.over_co_minutes:.1f}"]
columns = ["turned out by, %", "left out by, %", "CO, ppm", "over limit, min"]
pd.DataFrame.from_dict(rows, orient="index", columns=columns)"""


COMPARED_TITLE = """\
## All side by side

The harm that was done: how far turns carried the CO2 of either rate out of its band, beyond as found; how far out of
band the worse rate was left; the highest CO (air-free), and how long it was over its limit of 400 ppm. For the hand,
and for the other way on the same boiler: the adviser's, for the good job a fixed step, for the second look the same
visit with an empty log."""


def made() -> nbformat.NotebookNode:
    """The notebook, not yet run."""
    cells = [new_markdown_cell(INTRO, id="intro"), new_code_cell(SET_UP, id="set-up")]
    for lesson in LESSONS:
        cells.append(new_markdown_cell(f"## {lesson.title}\n\n{lesson.scene}", id=f"{lesson.name}-title"))
        cells.append(new_code_cell(LESSON.format(name=lesson.name), id=lesson.name))
    cells.append(new_markdown_cell(COMPARED_TITLE, id="compared-title"))
    cells.append(new_code_cell(COMPARED, id="compared"))
    return assembled(cells)


def assembled(cells: list[nbformat.NotebookNode]) -> nbformat.NotebookNode:
    """A Python notebook of these cells."""
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    return new_notebook(cells=cells, metadata={"kernelspec": kernel, "language_info": {"name": "python"}})


def ran(source: str, names: dict[str, Any]) -> tuple[str, Any]:
    """What a code cell prints in this process, and the value of its last line where that is an expression."""
    tree = ast.parse(source)
    last = (
        ast.Expression(tree.body.pop().value) if isinstance(tree.body[-1], ast.Expr) else ast.parse("None", mode="eval")
    )
    with contextlib.redirect_stdout(io.StringIO()) as printed:
        exec(compile(tree, "cell", "exec"), names)
        value = eval(compile(last, "cell", "eval"), names)
    return printed.getvalue(), value


def executed(notebook: nbformat.NotebookNode, folder: Path, timeout_s: int = 300) -> nbformat.NotebookNode:
    """The notebook after a run in `folder`; `timeout_s` for each cell."""
    resources = {"metadata": {"path": str(folder)}}
    NotebookClient(
        notebook, timeout=timeout_s, kernel_name="python3", resources=resources, record_timing=False
    ).execute()
    notebook.metadata.language_info = {"name": "python"}
    return notebook


def main() -> int:
    NOTEBOOK.parent.mkdir(exist_ok=True)
    nbformat.write(executed(made(), NOTEBOOK.parent), NOTEBOOK)
    return 0
