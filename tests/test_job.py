"""Jobs in memory and on disk: entries, answers, replay, the library's own views, and what is refused."""

import copy
from collections.abc import Callable
from contextlib import suppress
from dataclasses import FrozenInstanceError, fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from replay import BANDS, Told, at_high, moment, new_job

import advisor
from advisor import Advice, Event, Finding, Job, JobSetup, LogError, Prior, RangeError, Response, Verdict, fuels


def on_disk(folder: Path, **setup: Any) -> Job:
    return Job.create(folder / "visit.csv", **{"fuel": "natural gas", "bands": BANDS, **setup})


def with_rows(rows: Any) -> Job:
    """A job in memory with these rows."""
    return Job.of(new_job().setup, rows)


def test_memory_and_disk_give_the_same_answer(tmp_path: Path) -> None:
    """The same entries in memory, on disk and loaded again give the same advice and responses."""
    kept, told = on_disk(tmp_path), at_high()
    kept.run_at("high", at=moment(0))
    kept.read("high", 8.3, 6.3, 20.0, at=moment(180))
    assert kept.events == told.job.events
    loaded = Job.load(tmp_path / "visit.csv")
    assert told.next() == kept.next(told.now) == loaded.next(told.now)
    assert told.job.response("throttle", at=told.now) == loaded.response("throttle", at=told.now)


def test_rows_give_one_answer_however_they_came() -> None:
    """Step by step or all at once, entered late, copied; as of an earlier moment nothing of later rows is known."""
    told = at_high()
    then, said = told.now, told.next()
    told.wait(1).throttle(1 / 24, 8.5).next()
    told.throttle(1 / 12, 8.9)
    rows = told.job.events
    for job in (with_rows(rows), with_rows((*rows[:2], rows[3], rows[2], *rows[4:])), copy.deepcopy(told.job)):
        assert job.next(told.now) == told.next()
    assert told.job.next(then) == said


def test_two_jobs_on_one_log_see_each_others_rows(tmp_path: Path) -> None:
    """A second terminal's row is known after the next entry."""
    one = on_disk(tmp_path)
    two = Job.load(tmp_path / "visit.csv")
    one.run_at("high", at=moment(0))
    two.read("high", 8.3, 6.2, 20, at=moment(180))
    assert [event.event for event in two.events] == ["firing", "reading"]


def test_a_mixture_with_hydrogen_is_a_fuel_like_any_other(tmp_path: Path) -> None:
    """A blend given by composition survives the log and is used for the line."""
    blend = fuels.mixture("town blend", {"CH4": 0.8, "H2": 0.2})
    job = on_disk(tmp_path, fuel=blend, bands={"high": (8.4, 8.8), "low": (8.0, 8.4)})
    assert Job.load(tmp_path / "visit.csv").setup.fuel == job.setup.fuel == blend


def test_numbers_of_numpy_are_numbers(tmp_path: Path) -> None:
    """What comes out of an array is entered, kept and answered like any other number."""
    on_disk(tmp_path).read("high", np.float32(8.25), np.int64(6), np.float64(20), at=moment(0))
    (event,) = Job.load(tmp_path / "visit.csv").events
    assert event == replace(event, co2_pct=8.25, o2_pct=6.0, co_ppm=20.0)


def test_four_hours_after_its_last_row_a_log_gets_no_turn() -> None:
    """The boiler is run and read anew first, for `next` and `may` alike, a year later too."""
    job = at_high().job
    assert job.ended
    assert job.next(job.ended + timedelta(minutes=14)).action == "turn"
    for later in (timedelta(hours=4, seconds=1), timedelta(days=400)):
        advice, verdict = job.next(job.ended + later), job.may("throttle", 1 / 24, job.ended + later)
        assert (advice.action, [reason.code for reason in advice.why]) == ("run_at", ["left"])
        assert (verdict.allowed, verdict.why[0].code) == (False, "left")


def test_void_strikes_the_last_or_a_named_row_and_can_be_taken_back() -> None:
    """A void without a number strikes the last row; a void of the void lets it stand again."""
    told = at_high()
    said = told.next()
    told.read("high", 9.9)
    assert told.job.void(at=told.now) == 3
    assert (told.next().action, told.next().turns_cw) == (said.action, said.turns_cw)
    assert told.job.findings(moment(told.now_s - 5)) != told.job.findings(told.now)  # not struck yet then
    assert len(told.job.events) == 4
    assert len(told.void(4).job.rows()) == 3
    for job, row, message in (
        (told.job, 9, "row 9 is not in this log: it has rows 1 to 5"), (told.job, 4, "row 4 is struck already"),
        (new_job(), None, "there is no row left to strike"),
    ):  # fmt: skip
        with pytest.raises(RangeError, match=f"^{message}$"):
            job.void(row)
    told.job.void(2)  # today, long after it was made
    assert 2 not in [row.number for row in told.job.situation().rows]


def test_a_clock_set_back_does_not_reorder_the_job() -> None:
    """An entry without a moment is never put before the last row; a clock far behind the log is refused."""
    job = new_job()
    job.run_at("high", at=datetime.now(UTC) + timedelta(seconds=30))
    job.read("high", 8.3, 6.2, 20)
    assert job.events[1].time > job.events[0].time
    job.run_at("low", at=datetime.now(UTC) + timedelta(minutes=30))
    with pytest.raises(
        RangeError, match=r"^this clock shows \d\d:\d\d, but row 3 is of .*: set the clock; or if that "
    ):
        job.read("low", 8.3, 6.2, 20)
    assert job.void(3) == 3  # without a moment of its own
    job.read("high", 8.3, 6.2, 20)
    assert [row.number for row in job.rows()] == [1, 2, 5]


def test_what_the_library_gives_is_of_the_public_types() -> None:
    """Advice, verdict, response, findings, rows and setup; none of them can be changed after it was given."""
    told = at_high(prior=Prior())
    advice, response = told.next(), told.job.response("offset", firing="low", at=told.now)
    for value, kind in (
        (advice, Advice), (told.may("throttle", 1 / 24), Verdict), (response, Response), (advice.findings[0], Finding),
        (told.job.events[0], Event), (told.job.setup, JobSetup), (told.job.setup.prior, Prior),
    ):  # fmt: skip
        assert type(value) is kind
        with pytest.raises(FrozenInstanceError):
            setattr(value, fields(value)[0].name, None)
    assert 0 < response.backlash_turns < 1 / 16
    assert response.lag_s == pytest.approx(response.dead_time_s + response.time_constant_s)
    assert issubclass(LogError, advisor.AdvisorError)
    assert issubclass(LogError, ValueError)
    assert issubclass(RangeError, advisor.AdvisorError)


OF_ADVICE = {"action", "open_items", "gain_per_turn", "gain_low", "gain_high", "minutes_left", "turns_left"}
COMMON = {
    "firing", "screw", "turns_cw", "wait_s", "expect_co2_pct", "expect_low_pct", "expect_high_pct", "chance_in_band",
    "chance_past_band", "findings", "reasons", "reason_codes",
}  # fmt: skip


@pytest.mark.parametrize("job", [Told(), at_high(), at_high().throttle(1 / 16, 8.5), at_high().read("high", 9.2, 900)])
def test_answers_as_plain_values_hold_the_fields_of_the_contract(job: Told) -> None:
    """The same names for a program as for Python, reasons in sentences with their codes beside them."""
    advice, verdict = job.next(), job.may("throttle", 1 / 24)
    assert set(advice.as_dict()) == {*OF_ADVICE, *COMMON}
    assert set(verdict.as_dict()) == {"allowed", *COMMON}
    for answer in (advice, verdict):
        plain = answer.as_dict()
        assert plain["reasons"] == list(answer.reasons)
        assert plain["reason_codes"] == [reason.code for reason in answer.why]
        assert len(set(plain["reason_codes"])) == len(plain["reason_codes"])
        assert [finding["code"] for finding in plain["findings"]] == [finding.code for finding in answer.findings]
        assert all(finding["text"] for finding in plain["findings"])


def test_a_job_says_in_a_line_what_it_is(tmp_path: Path) -> None:
    """Fuel, rows and what is due; where its log is; hostile text of fuel and notes is no markup on a page."""
    assert repr(new_job()) == "<Job natural gas, 0 rows, no rows yet>"
    assert repr(at_high().job) == "<Job natural gas, 2 rows, turn>"
    assert str(tmp_path / "visit.csv") in repr(on_disk(tmp_path))
    hostile = new_job(fuel=fuels.mixture("<b>x</b>", {"CH4": 1.0}))
    hostile.run_at("high", at=moment(0), note="<script>alert(1)</script> & more")
    page = hostile._repr_html_()
    assert "9 to 9.4 % CO2" in page
    assert "&lt;script&gt;" in page
    assert not any(markup in page for markup in ("<script", "<b>x"))


def test_rows_come_as_a_frame() -> None:
    """One line a row in the order of the log, the columns of the log, numbers as numbers; struck rows are marked."""
    frame = at_high().throttle(1 / 24, 8.5).void(4).job.to_frame()
    columns = [field.name for field in fields(Event)]
    assert list(frame.columns) == ["row", *columns, "stands"]
    assert list(frame["row"]) == [1, 2, 3, 4, 5]
    assert list(frame["stands"]) == [True, True, True, False, True]
    assert list(frame["co2_pct"].dropna()) == [8.3, 8.5]
    assert pd.api.types.is_numeric_dtype(frame["turns_cw"])
    assert list(new_job().to_frame().columns) == list(frame.columns)


@pytest.mark.parametrize("job", [new_job(), at_high().throttle(1 / 24, 8.5).job], ids=["empty", "read"])
def test_the_course_is_drawn_on_the_axes_that_are_given(job: Job) -> None:
    """And these are returned; new ones where none were given. Every reading is a mark."""
    figure, ax = plt.subplots()
    assert job.plot(ax) is ax
    own = job.plot()
    assert own is not ax
    marks = [line for line in ax.lines if line.get_marker() not in ("None", None, "")]
    assert len(marks) >= sum(event.event == "reading" for event in job.events)
    for drawn in (figure, own.figure):
        plt.close(drawn)


def test_response_says_what_is_not_known() -> None:
    """Before the first turn the gain is called a guess; after it, only what is still open is named."""
    told = at_high()
    before = told.job.response("throttle", at=told.now)
    assert before.open_points[0].code == "gain-not-turned"
    assert before.gain_low < before.gain_per_turn < before.gain_high
    told.turn("throttle", 1 / 24).wait(150)
    assert told.job.response("throttle", at=told.now).open_points[0].code == "gain-not-read"
    after = told.read("high", 8.5).job.response("throttle", "high", told.now)
    assert (after.n_moves, after.n_readings) == (1, 2)
    assert after.gain_high - after.gain_low < before.gain_high - before.gain_low
    assert [point.code for point in after.open_points] == ["play-one-way", "lag-not-seen"]
    assert len(after.not_known) == 2


def test_a_cross_effect_is_called_worked_out() -> None:
    """The offset's gain at high fire is that at low fire over turndown squared, and said to be worked out."""
    told = at_high()
    low, high = (told.job.response("offset", firing, told.now) for firing in ("low", "high"))
    assert high.gain_per_turn == pytest.approx(low.gain_per_turn / 25, rel=0.15)
    assert "gain-other-rate" in [point.code for point in high.open_points]


def test_a_log_of_far_too_many_rows_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer takes time with every row: past what any visit needs it is refused, not waited for."""
    job, path = on_disk(tmp_path), tmp_path / "visit.csv"
    monkeypatch.setattr("advisor.job.MOST_ROWS", 2)
    for _ in range(2):
        job.run_at("high")
    assert len(Job.load(path).events) == 2
    job.run_at("high")
    with pytest.raises(LogError) as caught:
        Job.load(path)
    assert str(caught.value) == f"{path}: more than 2 rows: no visit has so many. Start a new log"


NO_ZONE = "time 2026-05-04T09:00:00 has no time zone: give one, such as 2026-05-04T09:00:00+00:00"
NO_NAME = "can't be the name of a file: give the path of a job log, such as 'visit.csv'"
NO_TYPE_FITS: list[tuple[Callable[[Job], object], str]] = [
    (lambda job: job.read("high", co2_pct="8.3"), "co2_pct '8.3' is not a number: give it as one, not as text"),
    (lambda job: job.read("high", 8.3, o2_pct=[6.2]), "o2_pct [6.2] is not a number: give it as one, not as text"),
    (lambda job: job.read("high", 8.3, co_ppm=True), "co_ppm True is not a number: give it as one, not as text"),
    (lambda job: job.read(None, 8.3), "firing rate 'None': it is high or low"),
    (lambda job: job.read("high", None), "a reading needs co2_pct: give it; CO alone may be given too"),
    (lambda job: job.read("high", 0.2, 21.5, 0), "21.5 % O2 can't be: clean air has 20.95. Zero the analyser in clean "
     "air, read again"),
    (lambda _: new_job().turn("offset", 1 / 24), "the boiler was not lit yet: what is turned before that is the "
     "maker's starting position. Log it as check \"screws at start\" yes"),
    (lambda job: job.run_at("mid"), "firing rate 'mid': it is high, low or off"),
    (lambda job: job.turn("offset", "1/24"), "turns_cw '1/24' is not a number: give it as one, not as text"),
    (lambda job: job.note(5), "note 5 is not text: give it as words"),
    (lambda job: job.run_at("high", note=b"x"), "note b'x' is not text: give it as words"),
    (lambda job: job.check("noise", [1]), "check 'noise' [1]: give what was looked at in words, and words or a number"),
    (lambda job: job.check(7, 1), "check 7 1: give what was looked at in words, and words or a number"),
    (lambda job: job.void("1"), "row 1 is not in this log: it has rows 1 to 2"),
    (lambda job: job.run_at("high", at=datetime(2026, 5, 4, 9)), NO_ZONE),
    (lambda job: job.next(datetime(2026, 5, 4, 9)), NO_ZONE),
    (lambda job: job.next(at="10:32"), "time '10:32' is no moment: give a datetime with its time zone"),
    (lambda _: Job.load(None), f"log None {NO_NAME}"),
    (lambda _: Job.load("a\0b"), f"log 'a\\x00b' {NO_NAME}"),
    (lambda _: Job.load("\ud800"), f"log '\\ud800' {NO_NAME}"),
    (lambda _: Job.create(["visit.csv"], fuel="natural gas", bands=BANDS), f"log ['visit.csv'] {NO_NAME}"),
    (lambda _: fuels.by_name(None), "fuel None: the name of a fuel in words is needed"),
    (lambda job: job.response(3), "screw '3': it is offset or throttle"),
    (lambda _: new_job(fuel=None), "fuel: the name of a fuel or a Fuel is needed"),
    (lambda _: new_job(bands=9.2), "bands: a table in { } is needed"),
    (lambda _: new_job(bands={"high": ("9", 9.4), "low": (8.6, 9.0)}), "bands high: a number is needed"),
    (lambda _: new_job(bands={"high": 9.0, "low": (8.6, 9.0)}), "bands high: a list of 2 in [ ] is needed"),
    (lambda _: new_job(turndown="5"), "turndown: a number is needed"),
    (lambda _: new_job(cap_turns="1/24"), "cap_turns: a number is needed"),
    (lambda _: new_job(cap_turns={"offset": "1/24"}), "cap_turns offset: a number is needed"),
    (lambda _: new_job(site=5), "site: text in double quotes is needed"),
    (lambda _: new_job(pressures={"working pressure": (17, 25)}),
     "pressures working pressure: a list of 3 in [ ] is needed"),
    (lambda _: new_job(prior={"gain_log_sd": "x"}), "prior gain_log_sd: a number is needed"),
    (lambda _: fuels.fuel_factor("x", 5.0), "'x' is not a number: give one, or an array of them"),  # type: ignore[type-var]
    (lambda _: fuels.NATURAL_GAS.co2_pct(None), "excess air ratio nan: 1 or more is allowed, below 1 is rich"),  # type: ignore[type-var]
]  # fmt: skip


@pytest.mark.parametrize(("call", "message"), NO_TYPE_FITS, ids=[row[1] for row in NO_TYPE_FITS])
def test_what_is_of_the_wrong_type_is_refused_in_a_sentence(call: Callable[[Any], object], message: str) -> None:
    """Text for a number and the like are the project's own error, and nothing is logged."""
    job = at_high().job
    with pytest.raises(RangeError) as caught:
        call(job)
    assert str(caught.value) == message
    assert len(job.events) == 2


def test_entries_made_together_are_written_in_one_go_or_not_at_all(tmp_path: Path) -> None:
    """One write for all of them; where one is refused, or anything else ends it before, none is in the log."""
    job = on_disk(tmp_path)
    with job.together():
        job.run_at("high", at=moment(0))
        job.read("high", 8.3, 6.2, 22, at=moment(120))
        assert Job.load(tmp_path / "visit.csv").events == ()
        assert [event.event for event in job.events] == ["firing", "reading"]
    assert Job.load(tmp_path / "visit.csv").events == job.events
    with suppress(RangeError), job.together():
        job.read("high", 8.4, 6.1, 22, at=moment(180))
        job.read("high", 84, at=moment(240))
    assert len(job.events) == len(Job.load(tmp_path / "visit.csv").events) == 2
