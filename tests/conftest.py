"""What all tests share."""

import gc
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

settings.register_profile("patient", deadline=None)  # a busy machine is no defect
settings.load_profile("patient")


def pytest_collection_finish() -> None:
    """What the imports made lives to the end: the collector need not look through it, nor look as often."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(5_000)


@pytest.fixture(scope="session", autouse=True)
def no_wait_for_the_disk() -> Iterator[None]:
    """No test here cuts the power; programs that are started and killed wait for the disk as ever."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda handle: None)
        yield


@pytest.fixture
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own to work in."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture(scope="session")
def sm() -> Any:
    """Statsmodels, loaded where it is asked for: that takes half a second."""
    import statsmodels.api  # type: ignore[import-untyped]

    return statsmodels.api
