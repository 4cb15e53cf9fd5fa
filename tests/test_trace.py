"""An analyser's own series as readings: table read, clock found, thinned, taken once; or followed as it comes."""

import itertools
import queue
import time
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from console import run
from matplotlib.figure import Figure

from advisor import Job, LogError, RangeError
from advisor.cli import trace_command
from advisor.dialogue import moments
from advisor.report.layout import columns as columns_of
from advisor.report.plots import RATE_COLOUR, draw_course
from advisor.report.record import record_of
from advisor.response.fitted import response_of
from advisor.trace import Follower, Sample, Series, Taken, read_series, take
from advisor.training.simulated_visit import FACTS, SimulatedVisit, VisitSettings
from advisor.training.simulator import BASE, SCENARIOS, BurnerCO, draw

START = datetime(2026, 5, 12, 9, 0, tzinfo=UTC)
CENTRES = {"high": 9.2, "low": 8.8}
STEADY = {"co": BurnerCO()}  # little CO, no peak at lighting
SLOW = next(scenario for scenario in SCENARIOS if scenario.name == "slow-lag")
COLUMNS = {"time": "t", "co2": "CO2", "o2": "O2", "co": "CO"}


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


def written(path: Path, series: Series) -> Path:
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
        "t\tCO2\tO2\tCO\r\n10:00:00\t8,3\t6,2\t22\r\n10:00:01\t8,4\t6,1\t21\r\n",
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
def test_what_is_no_such_table_is_refused_with_its_line(
    tmp_path: Path, text: str, names: dict[str, str], said: str
) -> None:
    """The message says where, what is there, and what to give instead."""
    with pytest.raises((LogError, RangeError)) as refused:
        read_text(tmp_path, text, **names)
    assert str(refused.value).replace(f"{tmp_path}/", "") == said


def test_lines_that_cannot_be_read_are_kept_with_why(tmp_path: Path) -> None:
    """No line is left out in silence, and a comma that may part thousands is never taken for a decimal one."""
    text = (
        "t;CO2;O2;CO\n[s];%;%;ppm\n1;8.3;6.2;22\n2;---;6.2;22\n3;8.3;6.2;1,234\n4;8.3\n"
        "5;;;\n\n6;8.3;;>4000\n7;;;30\n8;8.3;6.2;2"
    )
    series = read_text(tmp_path, text)
    assert [sample[1:] for sample in series.samples] == [
        (1.0, 8.3, 6.2, 22.0), (6.0, 8.3, None, 4000.0), (7.0, None, None, 30.0),
    ]  # fmt: skip
    assert [each.line for each in series.unread] == [2, 4, 5, 6, 7, 11]
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
    with pytest.raises(RangeError, match="can't be told: no turn or change of rate shows in it"):
        take(copied(visit), Series("run.csv", "zoned", quiet))


def test_a_series_that_shows_no_change_is_refused() -> None:
    """A display that stands still through every turn fits any shift."""
    visit = visited()
    still = [sample._replace(co2_pct=8.3) for sample in stored(visit).samples]
    with pytest.raises(RangeError, match="no turn or change of rate shows in it"):
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
    assert again.ended
    assert more.logged > 5
    assert more.shift.expected_s == again.shift.expected_s
    assert min(event.time for event in job.events[len(before) :]) > again.ended - timedelta(seconds=60)
    with pytest.raises(RangeError, match="was taken into this log with a shift of"):
        take(job, whole, 12.0)


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
        firing, at = visit.trace[sample.line - 2].firing, datetime.fromtimestamp(sample.at_s, UTC)
        whole.read(firing, sample.co2_pct or 0.0, sample.o2_pct, sample.co_ppm, at=at)
    assert taken.logged < taken.readings / 20
    few, all_of_them = job.situation(visit.at), whole.situation(visit.at)
    for screw, firing in (("throttle", "high"), ("offset", "low")):
        one, other = response_of(few, screw, firing), response_of(all_of_them, screw, firing)
        assert few.belief.settled(firing).mean == pytest.approx(all_of_them.belief.settled(firing).mean, abs=0.03)
        assert one.gain_low <= other.gain_per_turn <= one.gain_high
        assert one.lag_s == pytest.approx(other.lag_s, abs=8)


def test_every_rise_of_co_is_taken_and_stops_as_if_typed() -> None:
    """The first over its limit, each clearly higher one, the highest and those beside it are readings."""
    visit = visited()
    series = stored(visit)
    at = 300
    for step, co_ppm in enumerate((150.0, 420.0, 880.0, 890.0, 900.0, 870.0, 610.0, 90.0)):
        series.samples[at + step] = series.samples[at + step]._replace(co_ppm=co_ppm)
    job = Job.of(visit.job.setup, visit.job.events)
    taken = take(job, Series("run.csv", "zoned", series.samples[: at + 6]), 0.0)
    shown = [event.co_ppm for event in job.events if event.event == "reading"]
    assert taken.highest_co_ppm == 900.0
    assert {150.0, 420.0, 880.0, 900.0} <= set(shown)
    high = datetime.fromtimestamp(series.samples[at + 5].at_s, UTC)
    typed = copied(visit)
    typed.read("high", 8.3, 6.2, 900.0, at=high)
    assert job.next(high).action == typed.next(high).action == "halt"
    assert job.next(high).stops[0].code == typed.next(high).stops[0].code == "high-co"
    whole = copied(visit)
    take(whole, series, 0.0)
    assert {900.0, 870.0, 90.0} <= {event.co_ppm for event in whole.events}


def test_an_hour_over_the_co_limit_does_not_flood_the_log() -> None:
    """Between the first, every higher one and the first back under the bar one reading in five seconds is enough."""
    visit = visited()
    flood = [sample._replace(co_ppm=500.0) for sample in stored(visit).samples]
    taken = take(copied(visit), Series("run.csv", "zoned", flood), 0.0)
    assert 0.1 < taken.logged / taken.readings < 0.25


def test_clean_air_and_a_burner_that_is_off_are_no_readings_of_a_flame() -> None:
    """What is in air, comes up from it, or is of no burner is counted; CO that no flue explains is logged."""
    job = Job(**FACTS)
    job.run_at("high", at=START + timedelta(seconds=100))
    job.run_at("off", at=START + timedelta(seconds=400))
    job.note("burner stays off", at=START + timedelta(seconds=600))
    flue = (
        [(0.0, 20.9, 0.0)] * 150
        + [(4.0, 14.0, 10.0)] * 10
        + [(8.3, 6.3, 20.0)] * 300
        + [(0.0, 20.9, 900.0)] * 10
        + [(0.0, 20.9, 0.0)] * 120
    )
    flue[550] = (0.0, 20.9, 700.0)
    at_s = START.timestamp()
    series = Series("run.csv", "zoned", [Sample(n, at_s + n, *figures) for n, figures in enumerate(flue, 2)])
    taken = take(job, series, 0.0)
    read = [event for event in job.events if event.event == "reading"]
    assert (taken.not_lit, taken.in_air) == (98 + 192 - 1, 52 + 59)
    assert {event.co2_pct for event in read} == {8.3, None}
    assert [event.co_ppm for event in read if event.co2_pct is None] == [700.0]


def test_nothing_is_taken_once_the_boiler_was_left_or_long_after_the_last_entry() -> None:
    """A closed visit stays closed, and what ran ten minutes after the last entry nobody knows."""
    for outcome, minutes in ((True, 0), (False, 3)):
        job = Job(**FACTS)
        job.run_at("high", at=START)
        if outcome:
            job.check("appliance left", "in service", at=START + timedelta(seconds=150))
        at_s = START.timestamp()
        samples = [Sample(second, at_s + second, 8.3, 6.3, 20.0) for second in range(1800)]
        taken = take(job, Series("run.csv", "zoned", samples), 0.0)
        last = max(event.time for event in job.events if event.event == "reading")
        assert last <= START + timedelta(seconds=150 if outcome else 60 * minutes)
        assert taken.not_lit > 1400
        assert bool(job.situation(job.ended).closed) == outcome


def test_a_whole_day_that_was_stored_is_taken_as_the_visit_alone_is() -> None:
    """Hours before and after the visit change neither the shift nor the record's beginning."""
    visit = visited()
    series = stored(visit, 25.0)
    first, last = series.samples[0], series.samples[-1]
    idle = [Sample(0, first.at_s - second, 9.1, 4.8, 12.0) for second in range(4 * 3600, 0, -1)]
    after = [Sample(0, last.at_s + second, 7.0, 8.4, 12.0) for second in range(1, 3600)]
    day, alone = copied(visit), copied(visit)
    taken = take(day, Series("day.csv", "zoned", [*idle, *series.samples, *after]))
    assert taken.shift.expected_s == pytest.approx(take(alone, series).shift.expected_s, abs=3)
    assert min(event.time for event in day.events) == visit.job.events[0].time
    lag_s = [job.response("throttle", at=visit.at).lag_s for job in (day, alone)]
    assert lag_s[0] == pytest.approx(lag_s[1], abs=6)


def test_figures_that_no_display_shows_are_named_not_taken() -> None:
    """The checks of typed readings hold: 83 % CO2 and 22 % O2 can't be."""
    visit = visited()
    series = stored(visit)
    series.samples[200] = series.samples[200]._replace(co2_pct=83.0)
    taken = take(copied(visit), series)
    assert taken.shift.low_s <= 0 <= taken.shift.high_s
    assert [(each.line, each.why) for each in taken.unread] == [
        (series.samples[200].line, "83 % CO2 can't be. Did you mean 8.3?")
    ]


# ---- what it teaches


@pytest.mark.parametrize("seed", [1, 5, 9])
def test_the_lag_is_measured_and_waits_get_no_longer(seed: int) -> None:
    """The time constant narrows about the true one; a full turn waits less, and never less than the usual minimum."""
    visit = visited(seed)
    spread, wait_s = [], []
    for job in (copied(visit), traced(visit)[0]):
        belief = job.situation(visit.at).belief
        log_s, chance = np.log(belief.model.lag.time_constant_s), belief.lag_chances()
        mean = float(chance @ log_s)
        spread.append(float(chance @ (log_s - mean) ** 2) ** 0.5)
        job.turn("throttle", 1 / 8, at=visit.at + timedelta(seconds=1))
        wait_s.append(job.situation(visit.at + timedelta(seconds=1)).wait_left_s)
    assert spread[1] < 0.7 * spread[0]
    assert visit.boiler.time_constant_s / 1.5 < np.exp(mean) < visit.boiler.time_constant_s * 1.5
    assert visit.job.setup.min_wait_s["throttle"] <= wait_s[1] + 1e-6
    assert wait_s[1] < wait_s[0]


def test_half_an_hour_of_seconds_is_answered_within_a_second(tmp_path: Path) -> None:
    """Read, set to the log's clock, thinned, logged and answered, of processor time beside the start-up."""
    visit = visited(2)
    path, job = written(tmp_path / "run.csv", stored(visit, 25.0)), Job.create(tmp_path / "visit.csv", **FACTS)
    with job.together():
        for event in visit.job.events:
            job._append(event)
    began_s = time.process_time()
    take(job, read_series(path, **COLUMNS))
    job.next(job.ended)
    assert time.process_time() - began_s < 1.0


def test_the_picture_joins_the_readings_of_a_stored_series() -> None:
    """A thin line leads along the measured curve; typed readings alone stay apart."""
    visit = visited()
    lines = []
    for job in (copied(visit), traced(visit)[0]):
        axes = Figure().subplots()
        draw_course(axes, record_of(job.setup, job.events))
        curve = [line for line in axes.lines if line.get_linestyle() == "-" and len(line.get_xdata()) == 2]
        lines.append([line for line in curve if line.get_color() in RATE_COLOUR.values()])
    assert lines[0] == []
    assert len(lines[1]) > 30


# ---- followed as it comes


class Live:
    """A technician at a made-up boiler who does what the answers say, its display streamed each second."""

    def __init__(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch, boiler_co: BurnerCO | None = None, seed: int = 5
    ) -> None:
        self.boiler = draw(BASE, np.random.default_rng(seed), CENTRES, stated={"co": boiler_co or BurnerCO()})
        monkeypatch.setattr(moments, "now", self.now)
        Job.create(folder / "visit.csv", **FACTS)
        self.entries, self.job = Job.load(folder / "visit.csv"), Job.load(folder / "visit.csv")
        self.follower = Follower(self.job, COLUMNS)
        self.actions: list[str] = []
        self.longest_s = 0.0

    def now(self) -> datetime:
        return START + timedelta(seconds=self.boiler.now_s)

    def line(self) -> str:
        self.boiler.wait(1.0)
        shown = self.boiler.read() if self.boiler.firing else None
        figures = f"{shown.co2_pct};{shown.o2_pct};{shown.co_ppm}" if shown else "0;20.9;0"
        return f"{self.now():%H:%M:%S};{figures}\n"

    def second(self) -> None:
        line = self.line()
        began_s = time.process_time()
        answer = self.follower.answer(self.follower.hear([line]))
        self.longest_s = max(self.longest_s, time.process_time() - began_s)
        if answer is None:
            return
        advice = answer.advice
        self.actions.append(advice.action)
        self.entries.refresh()
        if advice.action == "run_at" and advice.firing:
            self.boiler.wait(5)
            self.boiler.run_at(advice.firing)
            self.entries.run_at(advice.firing, at=self.now())
        if advice.action == "turn" and advice.screw and advice.turns_cw:
            self.boiler.wait(10)
            self.boiler.turn(advice.screw, advice.turns_cw)
            self.entries.turn(advice.screw, advice.turns_cw, at=self.now())


def test_a_whole_visit_can_be_led_by_a_followed_series(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Readings come when they are due, turns only on steady ones; both rates end truly in band, each line in 50 ms."""
    live = Live(tmp_path, monkeypatch)
    live.follower.hear(["made up\n", "t;CO2;O2;CO\n"])
    while live.actions[-1:] != ["finish"] and live.boiler.now_s < 3600:
        live.second()
    assert live.actions[-1] == "finish"
    for firing, (low, high) in FACTS["bands"].items():
        assert low <= live.boiler.settled_pct(firing) <= high
    assert len(live.job.events) < 150
    assert live.longest_s < 0.1  # once more than 50 ms on a busy machine
    assert live.follower.close() == []
    assert Job.load(tmp_path / "visit.csv").events == live.job.events


def test_a_followed_series_stops_at_once_for_co(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first line with CO over its limit is logged and answered with the stop, however soon after a reading."""
    live = Live(tmp_path, monkeypatch)
    live.follower.hear(["t;CO2;O2;CO\n"])
    for _ in range(200):
        live.second()
    assert live.actions[-1] != "halt"
    made = live.follower.hear([live.line()])
    live.follower.answer(made)
    made = live.follower.hear([f"{live.now():%H:%M:%S};8.3;6.2;900\n"])
    answer = live.follower.answer(made)
    assert answer
    assert answer.advice.action == "halt"
    assert Job.load(tmp_path / "visit.csv").events[-1].co_ppm == 900.0


class Typed:
    """Lines that come one by one, then nothing more, or Ctrl-C."""

    def __init__(self, lines: list[str], *, interrupted: bool = False) -> None:
        self._lines, self._interrupted = iter(lines), interrupted

    def start(self) -> None:
        pass

    def line(self, seconds: float | None = None) -> str | None:
        if seconds is not None:
            raise queue.Empty
        line = next(self._lines, None)
        if line is None and self._interrupted:
            raise KeyboardInterrupt
        return line


@pytest.mark.parametrize("interrupted", [False, True])
def test_following_ends_cleanly_with_nothing_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, interrupted: bool
) -> None:
    """At the end of the input and at Ctrl-C alike: what was answered is in the log, and it is said what came."""
    live, said = Live(tmp_path, monkeypatch), list[str]()
    live.entries.run_at("high", at=live.now())
    live.boiler.run_at("high")
    lines = [live.line() for _ in range(90)]
    live.boiler.wait(-89)
    keys = Typed(["t;CO2;O2;CO\n", *lines], interrupted=interrupted)
    job = Job.load(tmp_path / "visit.csv")
    stopped = trace_command.follow(job, COLUMNS, None, keys, said.append)  # type: ignore[arg-type]
    assert not stopped
    read = [event for event in Job.load(tmp_path / "visit.csv").events if event.event == "reading"]
    assert sum("high fire: CO2" in text for text in said) == len(read) > 4
    assert "of 90 readings of standard input logged" in said[-1]


def test_a_past_series_on_standard_input_needs_its_shift(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A line that is far from now is not taken for one of now."""
    live = Live(tmp_path, monkeypatch)
    with pytest.raises(RangeError, match="this reading is 120 min from now"):
        live.follower.hear(["t;CO2;O2;CO\n", "07:00:00;8.3;6.2;22\n"])


# ---- at the terminal


@pytest.mark.parametrize("width", ["80", "40"])
def test_the_command_says_what_it_took_and_what_is_next(
    workplace: Path, monkeypatch: pytest.MonkeyPatch, width: str
) -> None:
    """In the terminal's width: how many, the clock, what was left out, then the answer as of the log's last row."""
    monkeypatch.setenv("COLUMNS", width)
    visit = SimulatedVisit(
        draw(BASE, np.random.default_rng(5), CENTRES, stated=STEADY),
        settings=VisitSettings(log=Path("visit.csv")),
        start=START,
    )
    for event in visited(5).job.events:
        visit.job._append(event)
    written(Path("run.csv"), stored(visited(5), 25.0))
    said = run("advisor trace visit.csv run.csv --time t --co2 CO2 --o2 O2 --co CO")
    words = " ".join(said.split())
    for part in (
        "readings of run.csv logged",
        "s behind the log's, give or take",
        "tell little more",
        "CO highest",
        "As of 2026-05-12 09:2",
    ):
        assert part in words
    assert max(map(columns_of, said.splitlines())) <= int(width)
    assert "0 of 1" in run("advisor trace visit.csv run.csv --time t --co2 CO2 --o2 O2 --co CO").splitlines()[0]


def test_second_0_is_said_as_a_time_of_day(workplace: Path) -> None:
    """For seconds since a start the shift is the moment of second 0; a number of seconds would be of nothing."""
    Job.create("visit.csv", **FACTS).run_at("high", at=START)
    Path("run.csv").write_text("s,CO2\n" + "".join(f"{second},8.3\n" for second in range(300)))
    refused = run("advisor trace visit.csv run.csv --time s --co2 CO2 --shift 12")
    assert "Give the time of day of its second 0, such as 10:03:00" in " ".join(refused.split())
    said = run("advisor trace visit.csv run.csv --time s --co2 CO2 --shift 9:00:10")
    assert "second 0 of the file is 09:00:10." in said
    assert "not in this series: read CO and log it." in said
    assert min(event.time for event in Job.load("visit.csv").events if event.event == "reading") == START + timedelta(
        seconds=10
    )
