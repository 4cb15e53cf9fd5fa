"""The notebook runs from nothing and its kept output is what the package prints now."""

from pathlib import Path

import nbformat
from make_notebook import NOTEBOOK, executed, made

from advisor.training.lessons import LESSONS


def told(notebook: nbformat.NotebookNode) -> list[tuple[str, str, list[str], list[str]]]:
    """Of each cell: kind, source, printed text and tables, kinds of the pictures."""
    cells = []
    for cell in notebook.cells:
        outputs = cell.get("outputs", [])
        texts = [output.text for output in outputs if output.output_type == "stream"]
        shown = [output.data for output in outputs if "data" in output]
        texts += [data["text/plain"] for data in shown if "image/png" not in data]
        pictures = [kind for data in shown for kind in data if kind.startswith("image/")]
        cells.append((cell.cell_type, cell.source, texts, pictures))
    return cells


def test_the_notebook_is_kept_as_it_runs(tmp_path: Path) -> None:
    """Run anew in an empty folder, every cell gives the text that is kept, and a picture where one is kept.

    `python tests/renew.py` renews it.
    """
    kept = nbformat.read(NOTEBOOK, as_version=4)
    assert [cell.source for cell in kept.cells] == [cell.source for cell in made().cells]
    assert sum("image/png" in pictures for *_, pictures in told(kept)) == len(LESSONS)
    assert all(len(cell.source.splitlines()) <= 15 for cell in kept.cells)
    assert told(executed(made(), tmp_path)) == told(kept)
