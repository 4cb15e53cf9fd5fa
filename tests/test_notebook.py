"""The notebook's kept output is what its cells give now."""

from pathlib import Path
from typing import Any

import nbformat
import pandas as pd
import pytest
from IPython.display import Image
from make_notebook import NOTEBOOK, made, ran

from advisor.training.lessons import LESSONS


def test_the_notebook_is_kept_as_it_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run anew in an empty folder, every cell gives the text that is kept, and a picture where one is kept.

    `python tests/renew.py` renews it, in a kernel.
    """
    monkeypatch.chdir(tmp_path)
    kept, names, pictures = nbformat.read(NOTEBOOK, as_version=4), dict[str, Any](), 0
    assert [cell.source for cell in kept.cells] == [cell.source for cell in made().cells]
    assert all(len(cell.source.splitlines()) <= 15 for cell in kept.cells)
    for cell in kept.cells:
        if cell.cell_type != "code":
            continue
        printed, value = ran(cell.source, names)
        # what was printed may have come in pieces
        assert printed == "".join(output.text for output in cell.outputs if output.output_type == "stream")
        (shown,) = [output.data for output in cell.outputs if "data" in output] or [{}]
        assert isinstance(value, Image) == ("image/png" in shown)
        with pd.option_context("display.max_columns", 20):  # as in a notebook
            assert isinstance(value, Image) or shown.get("text/plain", "None") == repr(value)
        pictures += isinstance(value, Image)
    assert pictures == len(LESSONS)
