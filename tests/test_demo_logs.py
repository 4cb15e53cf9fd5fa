"""The demo logs are what their script makes, and each shows what it is there for."""

from pathlib import Path

import numpy as np
import pytest
from console import ROOT
from matplotlib.image import imread

from advisor import Job


def test_demo_logs_are_what_their_script_makes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The logs in demo_logs come from the committed script and seeds, byte for byte; the pages as near as
    another version of matplotlib draws them.
    """
    import make_demo_logs

    kept = make_demo_logs.DEMO_LOGS
    monkeypatch.setattr(make_demo_logs, "DEMO_LOGS", tmp_path)
    make_demo_logs.main()
    others = {"SESSIONS.md", *(path.name for path in kept.glob("page_*.png"))}  # of scripts of their own
    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in kept.iterdir()} - others
    for path in tmp_path.iterdir():
        if path.suffix != ".png":
            assert path.read_bytes() == (kept / path.name).read_bytes(), path.name
            continue
        made, before = imread(path), imread(kept / path.name)
        assert made.shape == before.shape, path.name
        assert np.abs(made - before).mean() < 0.01, path.name  # of 1; one line of text more makes that much


@pytest.mark.parametrize(
    ("name", "action", "code"),
    [
        ("sound_job", "finish", ""),
        ("half_way", "turn", ""),
        ("slack_after_reversal", "turn", "slack"),
        ("read_too_soon", "wait", "not-settled"),
        ("loose_probe", "halt", "air-in-sample"),
        ("reversed_screw", "halt", "wrong-way"),
    ],
)
def test_each_demo_log_shows_what_its_line_says(name: str, action: str, code: str) -> None:
    """The answer on each demo log is the one it is there for."""
    job = Job.load(ROOT / "demo_logs" / f"{name}.csv")
    advice = job.next(max(event.time for event in job.events))
    assert advice.action == action
    assert not code or code in {finding.code for finding in advice.findings}
