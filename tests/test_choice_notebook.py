"""The notebook on how the advice was chosen: its cells are those that the script makes, run, and keep their outputs."""

import re
import sys
from pathlib import Path

import nbformat
import pytest
from console import ROOT
from make_choice_notebook import NOTEBOOK, made
from make_notebook import executed

sys.path.insert(0, str(Path(__file__).parent / "bench"))

import alternatives


def test_the_notebook_keeps_its_outputs() -> None:
    """All tables, both figures, no error, no path of the machine it ran on."""
    kept = nbformat.read(NOTEBOOK, as_version=4)
    assert [cell.source for cell in kept.cells] == [cell.source for cell in made().cells]
    outputs = [output for cell in kept.cells if cell.cell_type == "code" for output in cell.outputs]
    assert all(output.output_type == "execute_result" for output in outputs)
    assert sum("image/png" in output.data for output in outputs) == 2
    tables = [output.data["text/plain"] for output in outputs if "image/png" not in output.data]
    assert len(tables) == 3  # alternatives twice, turns past the edge
    assert all(table.count(other.name) >= 1 for table in tables[:2] for other in alternatives.ALTERNATIVES)
    assert not re.search(r"/(tmp|home|work|root)/", "".join(tables))


@pytest.mark.slow
def test_the_notebook_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every cell runs at its smallest size."""
    monkeypatch.setenv("CHOSEN_VISITS", "2")
    monkeypatch.setenv("CHOSEN_DRAWS", "40")
    ran = executed(made(), Path(ROOT) / "notebooks")
    assert all(cell.execution_count for cell in ran.cells if cell.cell_type == "code")
