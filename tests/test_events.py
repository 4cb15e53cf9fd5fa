"""Rows in order of time: those of one moment keep the log's order, and rows typed late give the same answers."""

import itertools
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_events import MARK, at, firing, reading, turn

from advisor import Job
from advisor.chemistry.fuels import NATURAL_GAS
from advisor.job_setup.setup import JobSetup
from advisor.log.events import Event

SETUP = JobSetup(NATURAL_GAS, {"high": (8.8, 9.2), "low": (8.3, 8.7)})
SAME_MOMENTS = [
    [firing(0, "high")],
    [reading(150, "high", 8.3), reading(150, "high", 8.4), turn(150, "throttle", 2 * MARK)],
    [reading(260, "high", 8.8), reading(260, "high", 8.7)],
    [reading(330, "high", 8.8), firing(330, "low")],
    [reading(480, "low", 7.9), turn(480, "offset", MARK), turn(480, "throttle", -MARK)],
    [reading(600, "low", 8.0)],
]
IN_ORDER = [event for group in SAME_MOMENTS for event in group]


def answer(events: list[Event]) -> tuple[Any, ...]:
    job = Job.of(SETUP, events)
    return job.next(at(610)), job.response("offset", at=at(610)), job.response("throttle", at=at(610))


def test_rows_of_one_moment_keep_the_order_of_the_log() -> None:
    """Whoever types minutes gets the answer of whoever types seconds, in the order in which the rows were typed."""
    in_seconds = [replace(event, time=event.time + timedelta(seconds=number)) for group in SAME_MOMENTS
                  for number, event in enumerate(group)]  # fmt: skip
    for ours, exact in zip(answer(IN_ORDER), answer(in_seconds), strict=True):
        for name, value in vars(exact).items():
            assert getattr(ours, name) == (pytest.approx(value, rel=0.1) if isinstance(value, float) else value), name


def test_a_reading_and_the_change_of_rate_after_it_may_carry_the_same_minute() -> None:
    """The reading belongs to the rate before it; nothing is taken for a change that nobody logged."""
    job = Job(fuel=NATURAL_GAS, bands=SETUP.bands)
    job.run_at("high", at=at(0))
    job.read("high", 9.2, 4.6, 30, at=at(180))
    job.run_at("low", at=at(180))
    assert [(row.number, row.event.event) for row in job.rows()] == [(1, "firing"), (2, "reading"), (3, "firing")]
    assert job.situation(at(180)).firing == "low"
    advice = job.next(at(180))
    assert advice.action == "wait"
    assert "not-settled" not in [finding.code for finding in advice.findings]
    job.read("low", 8.8, 5.4, 20, at=at(360))
    assert [row.number for row in job.situation(at(360)).settled_readings("low")] == [4]


def test_no_two_rows_share_a_moment() -> None:
    """Rows of one moment lie a microsecond apart, so that every comparison of moments finds their order."""
    assert all(a.event.time < b.event.time for a, b in itertools.pairwise(Job.of(SETUP, IN_ORDER).rows()))


@given(st.permutations(SAME_MOMENTS))
@settings(max_examples=8)
def test_order_of_the_log_does_not_matter(order: list[list[Event]]) -> None:
    """Rows typed late give the answer of the same rows in order of time."""
    assert answer([event for group in order for event in group]) == answer(IN_ORDER)
