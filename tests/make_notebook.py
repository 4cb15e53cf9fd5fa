"""Make notebooks/overshoot_lessons.ipynb anew and run it: `python tests/make_notebook.py`."""

import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from advisor.training.lessons import LESSONS

NOTEBOOK = Path(__file__).resolve().parent.parent / "notebooks" / "overshoot_lessons.ipynb"
INTRO = """\
# Overshoot lessons

Twelve lessons for a class without a boiler: what goes wrong when CO2 is set after a change of the gas valve, and what
the adviser would have said. Every picture is played on a simulated boiler with a fixed seed; boilers and bands are
invented. On site the maker's instructions come first.

To run it: install the package (`pip install .` in the folder above), open this notebook, run all cells. Each picture is
made for a slide; `advisor lesson --handout FILE.pdf` writes the same lessons as pages for paper.
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

from advisor.training.lessons import LESSONS

rows = [(lesson.name, play(lesson).hand.score(), play(lesson).other.score()) for lesson in LESSONS]
pd.DataFrame(
    [
        (name, hand.overshoots, other.overshoots, round(hand.peak_co_air_free_ppm), round(other.peak_co_air_free_ppm))
        for name, hand, other in rows
    ],
    columns=["lesson", "overshoots", "other way", "CO, ppm", "CO, other way"],
).set_index("lesson")"""


COMPARED_TITLE = """\
## All side by side

Overshoots and the highest CO (air-free) of the hand, and of the other way on the same boiler: the adviser's, and
for the good job a fixed step."""


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


if __name__ == "__main__":
    sys.exit(main())
