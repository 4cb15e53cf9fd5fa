"""What all tests share."""

import gc
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("patient", deadline=None)  # a busy machine is no defect
settings.load_profile("patient")


def pytest_collection_finish() -> None:
    """What the imports made lives to the end: the collector need not look through it again and again."""
    gc.collect()
    gc.freeze()


@pytest.fixture
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own to work in."""
    monkeypatch.chdir(tmp_path)
    return tmp_path
