"""What all tests share."""

from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("patient", deadline=None)  # a busy machine is no defect
settings.load_profile("patient")


@pytest.fixture
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own to work in."""
    monkeypatch.chdir(tmp_path)
    return tmp_path
