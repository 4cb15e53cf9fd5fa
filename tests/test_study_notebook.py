"""The notebook runs from a clean clone, here with fewer jobs, and keeps the outputs of its full run."""

import re
from typing import Any

import nbformat
import pandas as pd
import pytest
from console import ROOT
from make_notebook import ran

NOTEBOOK = ROOT / "notebooks" / "convergence_study.ipynb"


def outputs(notebook: Any) -> list[Any]:
    return [output for cell in notebook.cells for output in cell.get("outputs", ())]


def test_the_notebook_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every cell runs, from the notebook's own folder, on fewer jobs."""
    monkeypatch.setenv("STUDY_JOBS", "3")
    monkeypatch.chdir(NOTEBOOK.parent)
    names: dict[str, Any] = {}
    cells = [cell.source for cell in nbformat.read(NOTEBOOK, as_version=4).cells if cell.cell_type == "code"]
    with pd.option_context("display.max_colwidth", 50, "display.width", 80):  # a cell changes them for good
        printed = [ran(source, names)[0] for source in cells]
    assert any("3 jobs ended in band: " in text for text in printed)


def test_the_notebook_keeps_the_outputs_of_its_full_run() -> None:
    """2,000 jobs, run in order, no error, every picture there, and no path of the machine it ran on."""
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    counts = [cell.execution_count for cell in notebook.cells if cell.cell_type == "code"]
    printed = "".join(output.get("text", "") for output in outputs(notebook))
    assert counts == list(range(1, len(counts) + 1))
    assert not [output for output in outputs(notebook) if output.output_type == "error"]
    assert sum("image/png" in output.get("data", {}) for output in outputs(notebook)) == 6
    assert "2,000 jobs ended in band: " in printed
    assert not re.search(r"/(tmp|home|work|root)/", printed)
