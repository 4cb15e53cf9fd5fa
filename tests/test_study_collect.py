"""Logs on disk: found, read once each, listed where they can't be read; the same study however it is run."""

import re
import tracemalloc
from pathlib import Path

import fleet
import pandas as pd
import pytest
from replay import BANDS
from study_cases import DEMO, SOUND, demo, log_file, rows_of

from advisor import Job, study
from advisor.cli import study_command
from advisor.errors import LogError
from advisor.study import plots, report

HALF_WAY = DEMO / "half_way.csv"


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("fleet")
    fleet.make_fleet(12, folder, seed=3, processes=1)
    return sorted(folder.glob("*.csv"))


def test_bad_logs_are_listed_with_their_lines_and_do_not_stop_the_rest(tmp_path: Path) -> None:
    """A log with a bad row, an empty one, a missing one: each listed; the good one studied, named twice but once."""
    good = HALF_WAY.read_text(encoding="utf-8")
    (tmp_path / "good.csv").write_text(good, encoding="utf-8")
    lines = good.splitlines(keepends=True)
    line = next(number for number, text in enumerate(lines) if re.search(r"reading,high,,,\d", text))
    lines[line] = lines[line].replace("reading,high,,,", "reading,high,,,9")
    (tmp_path / "bad.csv").write_text("".join(lines), encoding="utf-8")
    Job.create(tmp_path / "unused.csv", fuel="natural gas", bands=BANDS)
    found = study.study([tmp_path, tmp_path / "good.csv", tmp_path / "none*.csv"], sample=0)
    assert list(found.jobs["job"]) == [str(tmp_path / "good.csv")]
    bad, none, unused = found.bad
    assert bad.startswith(f"{tmp_path / 'bad.csv'}:{line + 1}: ")
    assert none.startswith(f"{tmp_path / 'none*.csv'}: no job log there.")
    assert unused == f"{tmp_path / 'unused.csv'}: no rows yet: a log that was opened and never used"
    with pytest.raises(LogError, match=r"no job log could be read\n.*nowhere: no job log there"):
        study.study([tmp_path / "nowhere"])


def test_an_absurdly_long_log_is_listed_and_not_read_to_its_end(tmp_path: Path) -> None:
    """200,000 rows, past what any answer takes: counted among the bad ones, less than half of it ever in memory."""
    good = HALF_WAY.read_bytes()
    row = next(line for line in good.splitlines(keepends=True) if b"reading" in line)
    long = tmp_path / "long.csv"
    long.write_bytes(good + row * 200_000 + b"no row at all\n")
    tracemalloc.start()
    frame, bad, _ = study.read_rows([str(long)])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert frame.empty
    assert bad == (f"{long}: more than 10,000 rows: no visit has so many. Start a new log",)
    assert peak < long.stat().st_size / 2


def test_a_copy_counts_once_and_a_line_cut_short_is_listed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Same setup and rows under another name, however its lines are written: left out and listed. A torn last row: its
    job counts, and the line is listed. So on screen and in the folder, until the next study.
    """
    monkeypatch.setattr(plots, "write_all", lambda study, folder: 0)
    good, other = (path.read_text(encoding="utf-8") for path in (HALF_WAY, SOUND))
    (tmp_path / "backup").mkdir()
    (tmp_path / "a.csv").write_text(good, encoding="utf-8")
    (tmp_path / "backup" / "a.csv").write_text(good.replace("\n", "\r\n") + "\r\n", encoding="utf-8", newline="")
    (tmp_path / "torn.csv").write_text(other + "2026-05-04T11:40:00+00:00,rea", encoding="utf-8")
    both = study.study([HALF_WAY, SOUND], sample=0)
    found = study.study([tmp_path], sample=0)
    assert list(found.jobs["job"]) == [str(tmp_path / "a.csv"), str(tmp_path / "torn.csv")]
    pd.testing.assert_frame_equal(found.evidence, both.evidence)
    copied, torn = found.notes
    assert found.bad == ()
    assert copied == f"{tmp_path / 'backup' / 'a.csv'}: a copy of {tmp_path / 'a.csv'}, left out"
    assert torn.startswith(f"{tmp_path / 'torn.csv'}:{other.count(chr(10)) + 1}: this line was cut short")
    out, record = tmp_path / "out", report.summary(found)
    assert record["notes"] == [copied, torn]
    assert report.write(found, record, out, "two").endswith("study.json, study.txt, notes.txt.")
    assert (out / "notes.txt").read_text(encoding="utf-8") == f"{copied}\n{torn}\n"
    report.write(both, report.summary(both), out, "one")
    assert [path.name for path in out.glob("*.txt")] == ["study.txt"]


def test_a_study_is_the_same_in_one_process_and_in_two_and_each_time(logs: list[Path], tmp_path: Path) -> None:
    """Sums are taken in the order of the paths, whichever process is done first: alike to the last digit. A copy is
    left out, and a line cut short listed, in either.
    """
    text = logs[5].read_text(encoding="utf-8")
    copy, torn = log_file(tmp_path / "copy.csv", Job.load(logs[0])), tmp_path / "torn.csv"
    torn.write_text(text + "2026-05-04T11:40:00+00:00,rea", encoding="utf-8")
    one, two, again = (study.study([*logs[:3], copy, torn], sample=1, processes=count) for count in (1, 2, 1))
    assert (len(one.notes), one.notes, one.sample) == (2, two.notes, two.sample)
    for name in report.TABLES:
        pd.testing.assert_frame_equal(report.table_of(one, name), report.table_of(two, name))
    pd.testing.assert_frame_equal(one.evidence, two.evidence, rtol=1e-9)
    assert report.as_json(report.summary(one)) == report.as_json(report.summary(again))


def test_practice_is_counted_and_teaches_nothing(logs: list[Path], tmp_path: Path) -> None:
    """Jobs on made-up boilers stand in the tables; evidence and prior are those of the real ones."""
    jobs = [Job.load(path) for path in logs[:8]]
    practice = [
        Job.load(log_file(tmp_path / f"{number}.csv", job, practice=True)) for number, job in enumerate(jobs[:3])
    ]
    alone, mixed = rows_of(*jobs[3:]), rows_of(*practice, *jobs[3:])
    assert list(study.jobs(mixed)["practice"]) == [True] * 3 + [False] * 5
    pd.testing.assert_frame_equal(study.evidence(alone), study.evidence(mixed))
    assert study.evidence(rows_of(*practice)).empty
    only = study.study([tmp_path], sample=0)
    assert report.summary(only)["learned"] == []
    assert "prior.toml" not in report.write(only, report.summary(only), tmp_path / "out", "practice")
    assert "PRACTICE" in study_command.replayed(tmp_path / "0.csv", None, None, as_json=False)


def test_a_study_is_saved_and_loaded_whole(tmp_path: Path) -> None:
    """Every table comes back with its values and types; what is said of it too."""
    found = study.study([SOUND, HALF_WAY], play=1)
    found.save(tmp_path / "desk.study")
    again = study.Study.load(tmp_path / "desk.study")
    for name in study.Study.tables():
        pd.testing.assert_frame_equal(getattr(again, name), getattr(found, name))
    assert (again.sample, again.seed, again.bad, again.notes) == (found.sample, found.seed, found.bad, found.notes)
    assert repr(again) == repr(found)
    assert report.summary(again) == report.summary(found)


def test_a_file_that_is_no_study_is_refused(tmp_path: Path) -> None:
    """Not there, not a study: said in words."""
    (tmp_path / "x").write_text("not a study", encoding="utf-8")
    for path, wrong in ((tmp_path / "x", "no study in it"), (tmp_path / "y", "No such file or directory")):
        with pytest.raises(LogError, match=wrong):
            study.Study.load(path)


def test_a_study_says_what_it_is() -> None:
    """At a prompt and in a notebook: jobs, turns, how many were asked anew, in band by display and fit."""
    text = repr(demo())
    assert text.startswith(
        f"<Study of 7 jobs, {len(demo().moves)} turns, 7 asked anew: in band at the end 29 % by the display, about 45 %"
    )
    assert "&lt;Study of 7 jobs" in demo()._repr_html_()
    assert "chance_in_band_at_end" in demo()._repr_html_()
    assert "by the fit" not in repr(study.study([SOUND], sample=0))


def test_rows_that_repeat_are_noted(tmp_path: Path) -> None:
    """A log that was pasted together holds rows twice: it is studied, and the engineer is told."""
    text = HALF_WAY.read_text(encoding="utf-8")
    last = text.splitlines(keepends=True)[-1]
    (tmp_path / "twice.csv").write_text(text + last, encoding="utf-8")
    assert study.study([tmp_path], sample=0).notes == (
        f"{tmp_path / 'twice.csv'}: 1 row repeats another word for word",
    )


def test_the_usual_sample_grows_with_the_fleet(logs: list[Path]) -> None:
    """All of a small fleet, however many are named; a smaller one only where it is asked for."""
    assert len(study.study(logs[:3]).sample) == 3
    assert len(study.study(logs[:3], sample=2).sample) == 2
