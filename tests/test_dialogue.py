"""What may be typed at a prompt, without a terminal: which entry it makes, or in which words it is refused."""

from datetime import timedelta

import pytest
from replay import at_high, moment, new_job

from advisor.decision.answers import Advice
from advisor.dialogue.entries import parse_entry, parse_may
from advisor.dialogue.prompts import READING, command_of, entry_prompt
from advisor.errors import RangeError
from advisor.job import Job
from advisor.messages import Reason
from advisor.procedure.stages import LINE_TEST

READ = Advice("read", firing="high")
TURN = Advice("turn", firing="high", screw="throttle", turns_cw=1 / 24)
CO_FIRST = Advice("read", firing="high", why=(Reason("co-first-lit"),))
AT = moment(600)
BEFORE = AT - timedelta(minutes=5)

ENTRIES = [
    # what was typed, what was advised, what the row holds
    ("8.1 6.5 24", READ, {"event": "reading", "firing": "high", "co2_pct": 8.1, "o2_pct": 6.5, "co_ppm": 24.0}),
    ("co2 8.1", TURN, {"event": "reading", "co2_pct": 8.1, "o2_pct": None}),
    ("yes", TURN, {"event": "turn", "screw": "throttle", "turns_cw": 1 / 24}),
    ("1/12 ccw", READ, {"event": "turn", "screw": "throttle", "turns_cw": -1 / 12}),
    ("offset 1/12 cw", TURN, {"event": "turn", "screw": "offset", "turns_cw": 1 / 12}),
    (f"1/24 ccw --at {BEFORE.isoformat()}", READ, {"event": "turn", "turns_cw": -1 / 24, "time": BEFORE}),
    ("", Advice("run_at", firing="low"), {"event": "firing", "firing": "low"}),
    ("l", READ, {"event": "firing", "firing": "low"}),
    ("co 900", TURN, {"event": "reading", "firing": "high", "co2_pct": None, "co_ppm": 900.0}),
    ("CO 24", Advice("halt"), {"event": "reading", "co_ppm": 24.0}),
    ("31", CO_FIRST, {"event": "reading", "co2_pct": None, "co_ppm": 31.0}),  # where CO alone is asked for
    ("8.1 6.5 24", CO_FIRST, {"event": "reading", "co2_pct": 8.1, "co_ppm": 24.0}),
    ("off locked out twice", READ, {"event": "firing", "firing": "off", "note": "locked out twice"}),
    ("leaking", READ, {"event": "check", "item": "sample line", "value": "leaking"}),
    ("leaner", READ, {"event": "check", "item": "throttle clockwise", "value": "leaner"}),
    ('check "sample line" tight', READ, {"event": "check", "item": "sample line", "value": "tight"}),
    ("check working pressure 19.8 mbar", READ, {"event": "check", "item": "working pressure", "value": "19.8"}),
    ("standing pressure 20 mbar", READ, {"event": "check", "item": "standing pressure", "value": "20"}),
    ("standing 20 mbar", READ, {"event": "check", "item": "standing pressure", "value": "20"}),
    ("900", READ, {"event": "reading", "co_ppm": 900.0, "co2_pct": None}),
    ("check cause of CO mended", READ, {"event": "check", "item": "cause of CO", "value": "mended"}),
    ("check maker's instructions yes", READ, {"event": "check", "item": "maker's instructions", "value": "yes"}),
    ('check "working pressure" 19.8 mbar', READ, {"event": "check", "value": "19.8", "unit": "mbar"}),
]
REFUSED = [
    # what was typed, what was advised, how the sentence starts
    ("0", TURN, "Then nothing was logged."),  # as a reading it would be no flame at all
    ("none", TURN, "Then nothing was logged."),
    ("1/24 ccw --at noon", READ, "time ' noon' can't be read"),
    ("", READ, f"Enter alone is no answer here: type {READING}"),
    ("", TURN, "Enter alone is no answer here: yes, if you turned it so"),
    ("perhaps", READ, f"'perhaps' is not understood: type {READING}"),
    ("co", TURN, "CO: nothing was given"),
    ("co 9oo", TURN, "CO '9oo' is not a number"),
    ("I did not turn it", READ, "Never made? Type void and its row"),
    ("check line tight", READ, "'line' is not a check known here: known are standing pressure, working pressure, "
     "sample line, offset clockwise, throttle clockwise, cause of CO, serial number and what the guide asks; a remark"),
    ("check line", READ, "check needs what and how it is"),
]  # fmt: skip


def lit() -> Job:
    """A job whose boiler runs at high fire."""
    job = new_job()
    job.run_at("high", at=moment(0))
    return job


@pytest.mark.parametrize(("typed", "advice", "row"), ENTRIES, ids=[entry[0] for entry in ENTRIES])
def test_what_is_typed_makes_an_entry(typed: str, advice: Advice, row: dict[str, object]) -> None:
    """At high fire; Enter alone is what was advised."""
    job = lit()
    parse_entry(typed, advice, "high")(job, AT)
    _, event = job.events
    assert {name: getattr(event, name) for name in row} == row


@pytest.mark.parametrize(("typed", "advice", "message"), REFUSED, ids=[entry[0] for entry in REFUSED])
def test_what_is_no_entry_is_refused_in_a_sentence(typed: str, advice: Advice, message: str) -> None:
    """Nothing is logged, a remark is not taken for a check."""
    job = lit()
    with pytest.raises(RangeError) as refused:
        parse_entry(typed, advice, "high")(job, AT)
    assert str(refused.value).startswith(message)
    assert len(job.events) == 1


def test_without_a_running_burner_its_rate_is_asked_for() -> None:
    """A reading belongs to a rate, a turn to a screw."""
    for typed, message in (("8.1", "At which rate does it run"), ("1/24 cw", "Which screw")):
        with pytest.raises(RangeError, match=message):
            parse_entry(typed, TURN, None)


def test_words_that_mean_the_same_at_every_prompt() -> None:
    """They are no answers, in any case; `may` asks and logs nothing."""
    words = {
        "?": "why",
        "Stop": "stop",
        "quit": "stop",
        "back": "back",
        "SKIP": "skip",
        "note x": "note",
        "notes": None,
    }
    assert {word: command_of(word) for word in words} == words
    assert parse_may("may 1/12 cw", "low") == ("offset", 1 / 12)
    assert parse_may("maybe", "low") is None


def test_after_a_shortfall_the_line_is_asked_for_and_what_else_is_logged_is_taken() -> None:
    """Enter alone turns nothing; a turn struck or put right, a reading, a pressure are taken as ever."""
    told = at_high(8.2)
    for co2 in (8.4, 8.6, 8.8):
        told.turn("throttle", 1 / 24).wait(150).read("high", co2)
    told.turn("throttle", 1 / 12).wait(150).read("high", 8.3)
    prompt = entry_prompt(READ, told.job.situation(moment(told.now_s)))
    assert prompt == (LINE_TEST.words.asks, f"tight, leaking; or {READING}")
    for typed, event in (("tight", "check"), ("void 9", "void"), ("8.3 6.2 12", "reading")):
        parse_entry(typed, READ, "high")(told.job, moment(told.now_s + 5))
        assert told.job.events[-1].event == event
