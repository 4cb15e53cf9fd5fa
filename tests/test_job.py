"""Jobs in memory and on disk: entries, answers, replay, and what is refused."""

import copy
from collections.abc import Callable
from dataclasses import FrozenInstanceError, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from replay import BANDS, Told, at_high, moment, new_job

from advisor import AdvisorError, Job, LogError, RangeError
from advisor.chemistry import fuels
from advisor.decision.advise import LEFT, STALE


def test_a_job_starts_at_high_fire() -> None:
    """With nothing logged the answer is to run at high fire."""
    advice = new_job().next(moment(0))
    assert (advice.action, advice.firing) == ("run_at", "high")


def test_low_fire_first_is_sent_to_high_fire() -> None:
    """A job begun at low fire is told that high fire comes first."""
    told = Told().run_at("low").wait(180).read("low", 8.3)
    advice = told.next()
    assert (advice.action, advice.firing) == ("run_at", "high")


def test_a_whole_visit_reaches_the_finish() -> None:
    """High, low, high again: each rate holds, was read with CO since the last turn, and the job is done."""
    told = at_high(8.9).turn("throttle", 1 / 24).wait(150).read("high", 9.2)
    assert told.next().action == "run_at"
    told.run_at("low").wait(180).read("low", 8.3)
    assert (told.next().action, told.next().screw) == ("turn", "offset")
    told.turn("offset", 1 / 24).wait(150).read("low", 8.5).turn("offset", 1 / 12).wait(150).read("low", 8.8)
    advice = told.next()
    assert (advice.action, advice.firing) == ("run_at", "high")
    told.run_at("high").wait(180).read("high", 9.2)
    assert told.next().action == "finish"


def test_no_finish_without_co_at_both_rates() -> None:
    """A rate read without CO since the last turn is read again before the finish."""
    told = at_high(9.2).run_at("low").wait(180).read("low", 8.8, co=None)
    advice = told.next()
    assert (advice.action, advice.firing) == ("read", "low")
    assert told.read("low", 8.8).next().action == "finish"


def test_a_turn_after_the_readings_undoes_the_finish() -> None:
    """As-left figures from before a turn don't count."""
    told = at_high(9.2).run_at("low").wait(180).read("low", 8.8)
    assert told.next().action == "finish"
    assert told.turn("offset", 1 / 96).wait(200).read("low", 8.8).next().action == "run_at"


def test_a_reading_without_run_at_starts_the_rate_there() -> None:
    """A reading as the first word of a rate is logged, but the wait counts from it."""
    job = new_job()
    job.read("high", 8.3, 6.2, 20, at=moment(0))
    advice = job.next(moment(1))
    assert advice.action == "wait"
    assert "not-settled" in {finding.code for finding in advice.findings}


def test_memory_and_disk_give_the_same_answer(tmp_path: Path) -> None:
    """The same entries in memory, on disk and loaded again give the same advice and responses."""
    kept = Job.create(tmp_path / "visit.csv", fuel="natural gas", bands=BANDS)
    told = at_high()
    for event in told.job.events:
        if event.event == "firing":
            kept.run_at(event.firing or "", at=event.time)
        else:
            kept.read(event.firing or "", event.co2_pct or 0, event.o2_pct, event.co_ppm, at=event.time)
    loaded = Job.load(tmp_path / "visit.csv")
    at = moment(told.now_s)
    assert told.next() == kept.next(at) == loaded.next(at)
    assert told.job.response("throttle", at=at) == loaded.response("throttle", at=at)


def test_answers_step_by_step_equal_an_answer_from_the_whole_log() -> None:
    """Going on from the last answer gives exactly what a fresh job with the same rows gives."""
    told = at_high()
    told.next()
    told.turn("throttle", 1 / 24).wait(150).read("high", 8.5)
    told.next()
    told.turn("throttle", 1 / 12).wait(150).read("high", 8.9)
    fresh = new_job()
    fresh._events = told.job.events
    assert told.next() == fresh.next(moment(told.now_s))


def test_replay_knows_nothing_of_later_rows() -> None:
    """Asked as of an earlier moment, the job answers from the rows up to it."""
    told = at_high()
    then, said = moment(told.now_s), told.next()
    told.wait(1).turn("throttle", 1 / 24).wait(150).read("high", 8.5)
    assert told.job.next(then) == said


def test_a_late_entry_goes_where_it_belongs() -> None:
    """A turn logged late with its own time counts from that time."""
    told = at_high().turn("throttle", 1 / 24).wait(150).read("high", 8.5)
    late = new_job()
    rows = list(told.job.events)
    for event in (rows[0], rows[1], rows[3], rows[2]):
        late._events = (*late._events, event)
    assert late.next(moment(told.now_s)) == told.next()


def test_void_strikes_the_last_or_a_named_row_and_can_be_taken_back() -> None:
    """A void without a number strikes the last row; a void of the void lets it stand again."""
    told = at_high()
    said = told.next()
    told.read("high", 9.9)
    assert told.job.void(at=moment(told.now_s)) == 3
    assert (told.next().action, told.next().turns_cw) == (said.action, said.turns_cw)
    assert told.job.findings(moment(told.now_s - 5)) != told.job.findings(moment(told.now_s))  # not struck yet then
    assert len(told.job.events) == 4
    told.job.void(4, at=moment(told.now_s))
    assert len(told.job.rows()) == 3
    with pytest.raises(RangeError, match=r"^row 9 is not in this log: it has rows 1 to 5$"):
        told.job.void(9)


def test_nothing_left_to_strike_is_said() -> None:
    """An empty job has no row to void."""
    with pytest.raises(RangeError, match=r"^there is no row left to strike$"):
        new_job().void()


def test_a_turn_larger_than_the_cap_is_logged_all_the_same() -> None:
    """The log tells the truth: a turn that was made is kept, and the answer goes on from it."""
    told = at_high().turn("throttle", 1 / 2).wait(200).read("high", 10.3)
    assert told.job.events[-2].turns_cw == 0.5
    advice = told.next()
    assert advice.action == "turn"
    assert (advice.turns_cw or 0) < 0


def test_a_time_without_a_zone_is_refused() -> None:
    """Naive datetimes are an error, on entry and in questions."""
    naive = datetime(2026, 5, 4, 9, 0)
    message = r"^time 2026-05-04T09:00:00 has no time zone: give one, such as 2026-05-04T09:00:00\+00:00$"
    with pytest.raises(RangeError, match=message):
        new_job().run_at("high", at=naive)
    with pytest.raises(RangeError, match=message):
        new_job().next(naive)


def test_a_clock_set_back_does_not_reorder_the_job() -> None:
    """An entry without a moment is never put before the last row; a clock far behind the log is refused."""
    job = new_job()
    job.run_at("high", at=datetime.now(UTC) + timedelta(seconds=30))
    job.read("high", 8.3, 6.2, 20)
    assert job.events[1].time > job.events[0].time
    job.run_at("low", at=datetime.now(UTC) + timedelta(minutes=30))
    with pytest.raises(
        RangeError,
        match=r"^this clock shows \d\d:\d\d, but row 3 is of .*: set the clock; or if that row's time is wrong, "
        "strike it with void 3 and log it again$",
    ):
        job.read("low", 8.3, 6.2, 20)
    assert job.void(3) == 3  # without a moment of its own
    job.read("high", 8.3, 6.2, 20)
    assert [row.number for row in job.rows()] == [1, 2, 5]


def test_a_row_of_an_old_log_that_is_struck_today_does_not_count() -> None:
    """A row struck long after it was made is gone from every answer of today."""
    told = at_high()
    told.wait(10).read("high", 9.9)
    assert told.job.void(2) == 2
    assert 2 not in [row.number for row in told.job.situation().rows]


def test_a_log_of_far_too_many_rows_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer takes time with every row: past what any visit needs it is refused, not waited for."""
    path = tmp_path / "visit.csv"
    job = Job.create(path, fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)})
    monkeypatch.setattr("advisor.job.MOST_ROWS", 2)
    for _ in range(2):
        job.run_at("high")
    assert len(Job.load(path).events) == 2
    job.run_at("high")
    with pytest.raises(LogError) as caught:
        Job.load(path)
    assert str(caught.value) == f"{path}: more than 2 rows: no visit has so many. Start a new log"


def test_an_old_log_gets_no_turn() -> None:
    """Four hours after its last row the boiler is run and read anew first, for `next` and `may` alike."""
    told = at_high()
    assert told.job.ended
    assert told.job.next(told.job.ended).action == "turn"
    for later in (timedelta(hours=4, seconds=1), timedelta(days=400)):
        at = told.job.ended + later
        assert (told.job.next(at).action, told.job.next(at).reasons) == ("run_at", (LEFT,))
        assert told.job.may("throttle", 1 / 24, at).reasons[0] == LEFT


def test_a_reading_of_a_quarter_of_an_hour_ago_is_taken_anew_before_a_turn() -> None:
    """The answer is to read, and no turn is allowed, until it was."""
    told = at_high().wait(890)
    assert told.next().action == "turn"
    told.wait(20)
    assert (told.next().action, told.next().reasons) == ("read", (STALE,))
    assert not told.may("throttle", 1 / 24).allowed
    assert told.read("high", 8.3).next().action == "turn"


def test_a_visit_that_was_left_in_service_is_closed() -> None:
    """Nothing more is advised, a minute later or a year, until the boiler runs again."""
    told = at_high(9.2).run_at("low").wait(240).read("low", 8.8).check("appliance left", "in service").wait(60)
    for later_s in (0, 400 * 86400):
        advice = told.job.next(moment(told.now_s + later_s))
        assert (advice.action, advice.findings[0].code) == ("finish", "closed")
        assert "Closed on 2026-05-04 at" in advice.findings[0].text
    assert not told.may("offset", 1 / 24).allowed
    assert told.wait(86400).run_at("high").next().findings[0].code != "closed"


def test_advice_is_frozen() -> None:
    """An answer can't be changed after it was given."""
    with pytest.raises(FrozenInstanceError):
        at_high().next().action = "turn"  # type: ignore[misc]


def test_errors_are_of_one_family() -> None:
    """One except clause catches every error that the user can cause."""
    assert issubclass(LogError, AdvisorError)
    assert issubclass(RangeError, AdvisorError)
    assert issubclass(LogError, ValueError)


def test_two_jobs_on_one_log_see_each_others_rows(tmp_path: Path) -> None:
    """A second terminal's row is known after the next entry."""
    one = Job.create(tmp_path / "visit.csv", fuel="natural gas", bands=BANDS)
    two = Job.load(tmp_path / "visit.csv")
    one.run_at("high", at=moment(0))
    two.read("high", 8.3, 6.2, 20, at=moment(180))
    assert [event.event for event in two.events] == ["firing", "reading"]


def test_a_mixture_with_hydrogen_is_a_fuel_like_any_other(tmp_path: Path) -> None:
    """A blend given by composition survives the log and is used for the line."""
    blend = fuels.mixture("town blend", {"CH4": 0.8, "H2": 0.2})
    job = Job.create(tmp_path / "visit.csv", fuel=blend, bands={"high": (8.4, 8.8), "low": (8.0, 8.4)})
    assert Job.load(tmp_path / "visit.csv").setup.fuel == job.setup.fuel == blend


def test_response_says_what_is_not_known() -> None:
    """Before the first turn the gain is called a guess; after it, only what is still open is named."""
    told = at_high()
    before = told.job.response("throttle", at=moment(told.now_s))
    assert before.not_known[0] == "The gain is a guess: the throttle screw has not been turned yet."
    assert before.gain_low < before.gain_per_turn < before.gain_high
    told.turn("throttle", 1 / 24).wait(150).read("high", 8.5)
    after = told.job.response("throttle", "high", moment(told.now_s))
    assert (after.n_moves, after.n_readings) == (1, 2)
    assert after.gain_high - after.gain_low < before.gain_high - before.gain_low
    assert not any("gain is a guess" in sentence for sentence in after.not_known)


def test_a_cross_effect_is_called_worked_out() -> None:
    """The offset's gain at high fire is that at low fire over turndown squared, and said to be worked out."""
    told = at_high()
    low, high = (told.job.response("offset", firing, moment(told.now_s)) for firing in ("low", "high"))
    assert high.gain_per_turn == pytest.approx(low.gain_per_turn / 25, rel=0.15)
    assert any("worked out" in sentence for sentence in high.not_known)


NO_NAME = "can't be the name of a file: give the path of a job log, such as 'visit.csv'"
NO_TYPE_FITS: list[tuple[Callable[[Job], object], str]] = [
    (lambda job: job.read("high", co2_pct="8.3"), "co2_pct '8.3' is not a number: give it as one, not as text"),
    (lambda job: job.read("high", 8.3, o2_pct=[6.2]), "o2_pct [6.2] is not a number: give it as one, not as text"),
    (lambda job: job.read("high", 8.3, co_ppm=True), "co_ppm True is not a number: give it as one, not as text"),
    (lambda job: job.read(None, 8.3), "firing rate 'None': it is high or low"),
    (lambda job: job.read("high", None), "a reading needs co2_pct: give it"),
    (lambda job: job.turn("offset", "1/24"), "turns_cw '1/24' is not a number: give it as one, not as text"),
    (lambda job: job.may("offset", "1/24"), "turns_cw '1/24' is not a number: give it as one, not as text"),
    (lambda job: job.note(5), "note 5 is not text: give it as words"),
    (lambda job: job.run_at("high", note=b"x"), "note b'x' is not text: give it as words"),
    (lambda job: job.check("noise", [1]), "check 'noise' [1]: give what was looked at in words, and words or a number"),
    (lambda job: job.check(7, 1), "check 7 1: give what was looked at in words, and words or a number"),
    (lambda job: job.void("1"), "row 1 is not in this log: it has rows 1 to 2"),
    (lambda job: job.next(at="10:32"), "time '10:32' is no moment: give a datetime with its time zone"),
    (lambda job: job.run_at("high", at=12), "time 12 is no moment: give a datetime with its time zone"),
    (lambda job: job.rows(at="10:32"), "time '10:32' is no moment: give a datetime with its time zone"),
    (lambda job: job.moment(12), "time 12 is no moment: give a datetime with its time zone"),
    (lambda _: Job.load(None), f"log None {NO_NAME}"),
    (lambda _: Job.load(7), f"log 7 {NO_NAME}"),
    (lambda _: Job.load("a\0b"), f"log 'a\\x00b' {NO_NAME}"),
    (lambda _: Job.load(Path("two\nlines.csv")), f"log 'two\\nlines.csv' {NO_NAME}"),
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


def test_numbers_of_numpy_are_numbers(tmp_path: Path) -> None:
    """What comes out of an array is entered, kept and answered like any other number."""
    told, job = at_high(), Job.create(tmp_path / "visit.csv", fuel="natural gas", bands=BANDS)
    job.run_at("high", at=told.job.events[0].time)
    event = told.job.events[1]
    job.read("high", np.float32(8.25), np.int64(6), np.float64(20), at=event.time)
    assert Job.load(tmp_path / "visit.csv").events[1] == replace(event, co2_pct=8.25, o2_pct=6.0, co_ppm=20.0)


def test_a_job_can_be_copied() -> None:
    """deepcopy gives an independent job with the same answers."""
    told = at_high()
    twin = copy.deepcopy(told.job)
    assert twin.next(moment(told.now_s)) == told.next()
