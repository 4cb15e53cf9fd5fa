"""An analyser's own series as readings: the table read, its clock found, thinned, taken once; or followed as it comes."""

import io
import itertools
import queue
import time
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from console import run

from advisor import Job, LogError, RangeError
from advisor.cli import trace_command
from advisor.dialogue import moments
from advisor.report.layout import columns as columns_of
from advisor.response.fitted import response_of
from advisor.trace import Follower, Sample, Series, Taken, read_series, take
from advisor.trace.series import Reader
from advisor.training.simulated_visit import FACTS, SimulatedVisit, VisitSettings
from advisor.training.simulator import BASE, SCENARIOS, BurnerCO, draw

START = datetime(2026, 5, 12, 9, 0, tzinfo=UTC)
CENTRES = {"high": 9.2, "low": 8.8}
STEADY = {"co": BurnerCO()}  # little CO, no peak at lighting
SLOW = next(scenario for scenario in SCENARIOS if scenario.name == "slow-lag")
COLUMNS = {"time": "t", "co2": "CO2", "o2": "O2", "co": "CO"}
LIT = [Sample(line, 60.0 * line, 8.3, 6.2, 20.0) for line in range(1, 4)]


# ---- a visit, and what an analyser would have stored of it


@cache
def visited(seed: int = 1, slow: bool = False) -> SimulatedVisit:
    """Three throttle turns at high fire, one of the offset at low fire, three minutes each; few readings typed."""
    boiler = draw(SLOW if slow else BASE, np.random.default_rng(seed), CENTRES, stated=STEADY)
    visit = SimulatedVisit(boiler, settings=VisitSettings(sample_s=1.0), start=START)
    visit.run_at("high")
    visit.wait(150)
    for turns in (1 / 24, 1 / 24, -1 / 24):
        visit.read()
        visit.turn("throttle", turns)
        visit.wait(180)
    visit.run_at("low")
    visit.wait(180)
    visit.read()
    visit.turn("offset", 1 / 24)
    visit.wait(180)
    visit.run_at("high")
    visit.wait(180)
    visit.read()
    return visit


def stored(visit: SimulatedVisit, behind_s: float = 0.0) -> Series:
    """Every second of a visit as its display showed it, by a clock so many seconds behind."""
    rng, fuel = np.random.default_rng(5), visit.boiler.fuel
    samples = []
    for line, sample in enumerate(visit.trace, 2):
        co2 = sample.display_pct + visit.boiler.noise_sd_pct * rng.standard_normal()
        o2 = round(20.95 * (1 - co2 / fuel.co2_max_pct), 1)
        co = round(sample.co_air_free_ppm * (20.9 - o2) / 20.9)
        samples.append(Sample(line, START.timestamp() + sample.at_s - behind_s, round(co2, 1), o2, co))
    return Series("run.csv", "zoned", samples)


def copied(visit: SimulatedVisit) -> Job:
    """The job of a visit, to add to."""
    return Job.of(visit.job.setup, visit.job.events)


def traced(visit: SimulatedVisit, behind_s: float = 25.0, shift_s: float | None = 25.0) -> tuple[Job, Taken]:
    job = copied(visit)
    return job, take(job, stored(visit, behind_s), shift_s)


def written(path: Path, series: Series, *, comma: bool = True) -> Path:
    """The series as a file with clock times, semicolons and decimal commas."""
    lines = ["\ufeffInvented analyser; serial 7", "", "t;CO2;O2;CO"]
    for sample in series.samples:
        at = datetime.fromtimestamp(sample.at_s, UTC)
        lines.append(f"{at:%H:%M:%S};{sample.co2_pct};{sample.o2_pct};{sample.co_ppm:.0f}".replace(".", ","))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def read_text(tmp_path: Path, text: str, **names: str) -> Series:
    path = tmp_path / "run.csv"
    path.write_bytes(text.encode())
    return read_series(path, **(COLUMNS | names))


# ---- the table


@pytest.mark.parametrize(
    "text",
    [
        "t,CO2,O2,CO\n10:00:00,8.3,6.2,22\n10:00:01,8.4,6.1,21\n",
        "t;CO2;O2;CO\n10:00:00;8,3;6,2;22\n10:00:01;8,4;6,1;21\n",
        "t\tCO2\tO2\tCO\r\n10:00:00\t8,3\t6,2\t22\r\n10:00:01\t8.4\t6.1\t21\r\n".replace("8.4\t6.1", "8,4\t6,1"),
        '\ufeffAnalyser,7\nby hand\n\n"CO", "O2" ,Flue,"CO2",t\n22,6.2,51,8.3,10:00:00\n21,6.1,52,8.4,10:00:01\n',
        "t,CO2,O2,CO\n10:00:01,8.4,6.1,21\n10:00:00,8.3,6.2,22\n",
    ],
)
def test_any_table_is_read_by_the_names_of_its_columns(tmp_path: Path, text: str) -> None:
    """Comma, semicolon or tab, a mark at the start, lines above, other columns, the newest first: the same samples."""
    series = read_text(tmp_path, text)
    assert [sample[1:] for sample in series.samples] == [(36000.0, 8.3, 6.2, 22.0), (36001.0, 8.4, 6.1, 21.0)]
    assert series.unread == []


@pytest.mark.parametrize(
    ("times", "kind", "seconds"),
    [
        ("23:59:59,5 0:00:01,5", "clock", 2.0),
        ("2026-05-04T10:00:00 2026-05-04T10:00:02", "date", 2.0),
        ("2026-05-04T10:00:00+02:00 2026-05-04T08:00:02Z", "zoned", 2.0),
        ("0,5 2,5", "seconds", 2.0),
    ],
)
def test_times_are_clock_times_dates_or_seconds(tmp_path: Path, times: str, kind: str, seconds: float) -> None:
    """A clock may pass midnight, dates may name their zone, and seconds count from the start."""
    first, second = times.split()
    series = read_text(tmp_path, f"t;CO2;O2;CO\n{first};8,3;6,2;22\n{second};8,3;6,2;22\n")
    assert (series.kind, series.samples[1].at_s - series.samples[0].at_s) == (kind, seconds)


@pytest.mark.parametrize(
    ("text", "names", "said"),
    [
        ("", {}, "run.csv:1: no table is in it, only empty lines. Is this the right file?"),
        (
            "made up\nt,CO2,oxygen,CO\n1,2,3,4\n", {},
            "run.csv:2: no column 'O2'. Give each name as it stands in the file; this line has: 't', 'CO2', 'oxygen', "
            "'CO'",
        ),
        ("t,CO2,O2,CO,CO\n", {}, "run.csv:1: two columns 'CO': rename one of them"),
        ("t,CO2,O2,CO\n", {"o2": "CO2"}, "run.csv: 'CO2' is named twice: each column holds one thing"),
        ("t,CO2,O2,CO\n", {}, "run.csv:1: the table has no line; no line of this table can be read"),
        (
            "t,CO2,O2,CO\nnoon,8.3,6.2,22\n", {},
            "run.csv:2: 't' is 'noon': write 10:32:05, 2026-05-04T10:32:05 or seconds since the start; no line of this "
            "table can be read",
        ),
    ],
)  # fmt: skip
def test_what_is_no_such_table_is_refused_with_its_line(tmp_path: Path, text: str, names: dict[str, str], said: str) -> None:
    """The message says where, what is there, and what to give instead."""
    with pytest.raises((LogError, RangeError)) as refused:
        read_text(tmp_path, text, **names)
    assert str(refused.value).replace(f"{tmp_path}/", "") == said


def test_lines_that_cannot_be_read_are_kept_with_why(tmp_path: Path) -> None:
    """No line is left out in silence, and a comma that may part thousands is never taken for a decimal one."""
    text = "t;CO2;O2;CO\n[s];%;%;ppm\n1;8.3;6.2;22\n2;---;6.2;22\n3;8.3;6.2;1,234\n4;8.3\n5;;;\n\n6;8.3;;>4000\n7;;;30\n"
    series = read_text(tmp_path, text)
    assert [sample[1:] for sample in series.samples] == [
        (1.0, 8.3, 6.2, 22.0), (6.0, 8.3, None, 4000.0), (7.0, None, None, 30.0),
    ]  # fmt: skip
    assert [each.line for each in series.unread] == [2, 4, 5, 6, 7]
    assert series.unread[2].why == "'CO' is '1,234', and the decimals before had a point"


def test_names_with_letters_beyond_ascii_are_found_in_any_usual_encoding(tmp_path: Path) -> None:
    """UTF-8, UTF-16 and a one-byte alphabet, as stored data come."""
    for encoding in ("utf-8", "utf-16", "latin-1"):
        (tmp_path / "run.csv").write_bytes("t;CO2 °;O2;CO\n1;8,3;6,2;22\n".encode(encoding))
        assert read_series(tmp_path / "run.csv", time="t", co2="CO2 °").samples[0].co2_pct == 8.3


# ---- its clock


@pytest.mark.parametrize(("seed", "slow"), [(1, False), (2, False), (5, False), (1, True), (5, True)])
def test_the_shift_of_the_clock_is_found_from_the_changes(seed: int, slow: bool) -> None:
    """The true shift lies in the range that is told, which the dead time leaves some 20 s wide at most."""
    for behind_s in (-200.0, 25.0):
        _, taken = traced(visited(seed, slow), behind_s, None)
        assert taken.found
        assert taken.shift.low_s <= behind_s <= taken.shift.high_s
        assert taken.shift.high_s - taken.shift.low_s < 25


def test_times_since_a_start_are_placed_along_the_log() -> None:
    """Seconds since a start say nothing of the day: the changes of the log tell when second 0 was."""
    visit = visited()
    series = stored(visit)
    since = [sample._replace(at_s=sample.at_s - series.samples[0].at_s) for sample in series.samples[300:]]
    taken = take(copied(visit), Series("run.csv", "seconds", since))
    assert taken.second_0
    assert abs((taken.second_0 - START).total_seconds() - visit.trace[0].at_s) < 12


@pytest.mark.parametrize(("first", "last"), [(170, 320), (0, 140)])
def test_a_series_with_no_change_in_it_is_refused(first: int, last: int) -> None:
    """Nothing tells its clock from the log's, so the user has to."""
    visit = visited()
    quiet = [sample._replace(at_s=sample.at_s + 7200) for sample in stored(visit).samples[first:last]]
    with pytest.raises(RangeError, match="can't be told: no turn or change of rate of the log shows in it"):
        take(copied(visit), Series("run.csv", "zoned", quiet))


def test_a_series_that_shows_no_change_is_refused() -> None:
    """A display that stands still through every turn fits any shift."""
    visit = visited()
    still = [sample._replace(co2_pct=8.3) for sample in stored(visit).samples]
    with pytest.raises(RangeError, match="no turn or change of rate of the log shows in it"):
        take(copied(visit), Series("run.csv", "zoned", still))


# ---- what is taken


def test_the_same_series_again_adds_nothing_and_a_longer_one_only_what_is_new() -> None:
    """The shift it was taken with is kept in the log; another one is refused."""
    visit = visited()
    whole, job = stored(visit, 25.0), copied(visit)
    take(job, Series(whole.name, whole.kind, whole.samples[:700]))
    before = job.events
    again = take(job, Series(whole.name, whole.kind, whole.samples[:700]))
    assert (again.logged, job.events) == (0, before)
    more = take(job, whole)
    assert more.logged > 5
    assert more.shift.expected_s == again.shift.expected_s
    added = [event.time for event in job.events[len(before) :]]
    assert min(added) >= max(event.time for event in before if event.event == "reading" and event.time not in visit_times(visit)) - timedelta(seconds=60)
    with pytest.raises(RangeError, match="was taken into this log with a shift of"):
        take(job, whole, 12.0)


def visit_times(visit: SimulatedVisit) -> set[datetime]:
    return {event.time for event in visit.job.events}


def test_a_reading_beside_a_typed_one_counts_once() -> None:
    """Within ten seconds of a reading that was typed none is taken: it is the same display."""
    visit = visited()
    job, taken = traced(visit)
    typed = {event.time for event in visit.job.events if event.event == "reading"}
    new = [event.time for event in job.events if event.event == "reading" and event.time not in typed]
    assert taken.there > 0
    assert len(new) == taken.logged
    assert min(abs((a - b).total_seconds()) for a, b in itertools.product(new, typed)) >= 10


def test_the_thinned_fit_agrees_with_that_of_every_second() -> None:
    """A thirtieth of the readings tells the same levels, gains and lag, far inside their ranges."""
    visit = visited()
    job, taken = traced(visit)
    whole = copied(visit)
    for sample in stored(visit).samples:
        whole.read(next(s.firing for s in [visit.trace[sample.line - 2]]), sample.co2_pct or 0, sample.o2_pct, sample.co_ppm, at=datetime.fromtimestamp(sample.at_s, UTC))
    assert taken.logged < taken.readings / 20
    few, all_of_them = job.situation(visit.at), whole.situation(visit.at)
    for screw, firing in (("throttle", "high"), ("offset", "low")):
        one, other = response_of(few, screw, firing), response_of(all_of_them, screw, firing)
        assert few.belief.settled(firing).mean == pytest.approx(all_of_them.belief.settled(firing).mean, abs=0.03)
        assert one.gain_low <= other.gain_per_turn <= one.gain_high
        assert one.lag_s == pytest.approx(other.lag_s, abs=8)
