"""The notebook runs from a clean clone, here with fewer jobs, and keeps the outputs of its full run."""

import re
from pathlib import Path
from typing import Any

import nbformat
import pytest
from console import ROOT

NOTEBOOK = ROOT / "notebooks" / "convergence_study.ipynb"


def read() -> Any:
    """The notebook as it is kept."""
    return nbformat.read(NOTEBOOK, as_version=4)  # type: ignore[no-untyped-call]


def printed(notebook: Any) -> str:
    """All text that its cells printed."""
    return "".join(
        output.get("text", "") for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs
    )


@pytest.mark.filterwarnings("default")
def test_the_notebook_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every cell runs, from the notebook's own folder, on fewer jobs."""
    from nbclient import NotebookClient

    monkeypatch.setenv("STUDY_JOBS", "40")
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    notebook = read()
    NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(Path(NOTEBOOK).parent)}}).execute()
    assert "40 jobs: " in printed(notebook)


def test_the_notebook_keeps_the_outputs_of_its_full_run() -> None:
    """2,000 jobs, run in order, no error, every picture there, and no path of the machine it ran on."""
    notebook = read()
    cells = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert [cell.execution_count for cell in cells] == list(range(1, len(cells) + 1))
    outputs = [output for cell in cells for output in cell.outputs]
    assert not [output for output in outputs if output.output_type == "error"]
    assert sum("image/png" in output.get("data", {}) for output in outputs) == 7
    assert "2,000 jobs: " in printed(notebook)
    assert not re.search(r"/(tmp|home|work|root)/", printed(notebook))
