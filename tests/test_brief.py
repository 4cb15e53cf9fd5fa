"""The answers in few lines: how many, how wide, what stands in them."""

import itertools
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from replay import Told, at_high, known_throttle
from test_findings import TROUBLES

from advisor import Job
from advisor.decision.advise import Case
from advisor.decision.answers import Advice
from advisor.procedure.progress import Progress
from advisor.report.answers import say_findings
from advisor.report.brief import may_go_wrong, say_next, say_verdict
from advisor.report.layout import columns
from advisor.wording.templates import Voice

DEMO_LOGS = sorted((Path(__file__).resolve().parent.parent / "demo_logs").glob("*.csv"))
VOICES: tuple[Voice, ...] = ("log", "guide")
MOST = {80: 7, 40: 10, 32: 12}  # lines by columns of the terminal; stops and warnings do not count


def answers(log: Path) -> Iterator[tuple[Case, Advice, Progress]]:
    """What `next` answers after every row of a log, as data."""
    whole = Job.load(log)
    job = Job.of(whole.setup, ())
    for event in whole.events:
        job._append(event)
        advice = job.next(job.ended)
        yield job.case(job.ended), advice, job.progress(job.ended, advice)


@pytest.mark.parametrize("log", DEMO_LOGS, ids=lambda log: log.stem)
def test_an_answer_is_short_and_no_wider_than_the_terminal(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After every row of the demo logs, in the words of the command line and of the guide."""
    for answer in answers(log):
        advice = answer[1]
        for width, voice in itertools.product(MOST, VOICES):
            monkeypatch.setenv("COLUMNS", str(width))
            text = say_next(*answer, voice)
            lines = text.splitlines()
            assert max(map(columns, lines)) <= width, text
            warned = [*say_findings(advice.findings, ("halt", "warn"), voice), *may_go_wrong(advice, voice)]
            assert advice.action == "halt" or len(lines) - len(warned) <= MOST[width], text


@pytest.mark.parametrize("width", MOST)
def test_stops_and_warnings_too_are_no_wider_than_the_terminal(width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever trouble there is."""
    monkeypatch.setenv("COLUMNS", str(width))
    for made, *_ in TROUBLES:
        text = said(made())
        assert max(map(columns, text.splitlines())) <= width, text


def said(told: Told, *, why: bool = False) -> str:
    advice = told.next()
    return say_next(told.job.case(told.now), advice, told.job.progress(told.now, advice), why=why)


def test_a_turn_is_said_in_degrees_with_what_it_does_what_to_wait_for_and_what_is_left() -> None:
    """Degrees first, the way in words, richer or leaner; then, expect, now, left; the maker last."""
    text = said(at_high(8.3))
    assert re.match(r"Throttle screw: \d+° \(1/\d+ turn\) clockwise, richer\.\n", text)
    assert re.findall(r"^(Then|Expect|Now|Left|Maker)", text, re.MULTILINE) == [
        "Then",
        "Expect",
        "Now",
        "Left",
        "Maker",
    ]
    assert "CO 20 ppm, 29 air-free, limit 400" in text
    assert re.search(r"^Left     about \d+ min, \d+ turns?\. Open: preparation, ", text, re.MULTILINE)


def test_a_reading_on_a_leaking_line_is_said_as_air() -> None:
    """Not as one that is only not steady."""
    assert "8.3 % (9.0 to 9.4), air in the line" in " ".join(said(at_high(8.3).check("sample line", "leaking")).split())


def test_a_no_to_every_turn_that_way_says_so() -> None:
    """Where nothing may be turned before a reading."""
    told = at_high(8.3).turn("throttle", 1 / 24).wait(400)
    text = say_verdict(told.job.case(told.now), told.may("throttle", 1 / 12))
    assert re.search(r"^Allowed  nothing clockwise now\.", text, re.MULTILINE)


def test_why_names_every_open_item_of_every_open_stage() -> None:
    """The pressure's too, whatever rate runs."""
    text = " ".join(said(at_high(9.2).at("low", 8.8), why=True).split())
    assert "lighting: gas on, opened joints, inlet pressure range, standing pressure, probe in flue" in text
    assert "pressure: other appliances, working pressure, pressure drop" in text


def test_why_is_asked_for() -> None:
    """Reasons, chance, what a mark does, play and lag stand behind --why, and the short answer is the same without."""
    short, whole = (
        said(known_throttle().wait(90).read("high", 9.0)),
        said(known_throttle().wait(90).read("high", 9.0), why=True),
    )
    extra = re.findall(r"^(Why|Chance|Screw|Fitted)\b", whole, re.MULTILINE)
    assert {"Chance", "Screw", "Fitted"} <= set(extra)
    assert set(short.splitlines()) <= set(whole.splitlines())


def test_co_that_climbs_is_said_with_its_course() -> None:
    """The last figures one after the other, and the word."""
    told = at_high(8.6)
    for co in (40.0, 70.0, 120.0):
        told.wait(20).read("high", 8.6, co)
    assert "CO 20, 40, 70, 120 ppm: climbing" in said(told)


def test_a_stop_begins_with_what_saves_people_and_numbers_what_to_look_at() -> None:
    """Burner off first; the steps after it count from 1."""
    text = said(at_high(9.2).read("high", 9.2, 900.0, 4.6))
    assert text.startswith("BURNER OFF")
    assert re.findall(r"^(\d) ", text, re.MULTILINE)[:3] == ["1", "2", "3"]


def test_a_refusal_says_why_and_what_would_be_allowed() -> None:
    """No wait, nothing to expect; up to how far it may be turned."""
    told = at_high(8.3)
    verdict = told.may("throttle", 1 / 4)
    text = say_verdict(told.job.case(told.now), verdict)
    assert " ".join(text.split()).startswith(
        "No: throttle screw: 90° (1/4 turn) clockwise, richer. Over the cap of 45° (1/8 turn) at"
    )
    allowed = re.search(r"^Allowed  up to (\d+)° ", text, re.MULTILINE)
    assert allowed
    assert told.may("throttle", int(allowed[1]) / 360).allowed
    assert not re.search("^(Then|Expect)", text, re.MULTILINE)


def test_the_cap_that_a_refusal_names_is_what_it_allows() -> None:
    """A first move of half the cap, in whole marks rounded up."""
    told = Told().at("low", 7.8).at("high", 7.2)
    text = " ".join(say_verdict(told.job.case(told.now), told.may("throttle", 1 / 8)).split())
    assert "first move 30° (1/12 turn) at most" in text
    assert "Allowed up to 30° (1/12 turn) clockwise." in text


def test_co_that_leaps_up_after_a_turn_is_said_with_the_way_back() -> None:
    """Not only that no turn goes richer: burner off if it rises more, and the turn that undoes the last one."""
    told = at_high(8.6).throttle(1 / 24, 9.0).wait(10).read("high", 9.0, 290.0)
    text = " ".join(said(told).split())
    assert "No turn richer. Burner off if it rises more" in text
    assert "May Undo the last turn: throttle screw 15° (1/24 turn) counterclockwise, or part of it." in text


def test_under_burner_stays_off_no_turn_is_named_and_the_cause_is_asked_for() -> None:
    """What may be turned is said while it burns; with the burner off how the cause is told."""
    told = at_high(8.6).throttle(1 / 24, 9.0).wait(10).read("high", 9.0, 900.0)
    assert re.search(r"^May ", said(told), re.MULTILINE)
    off = said(told.run_at("off").wait(20))
    assert off.startswith("BURNER STAYS OFF")
    assert not re.search(r"^May ", off, re.MULTILINE)
    assert 'log check cause-of-CO mended --note "what it was"' in " ".join(off.split())


def test_once_the_cause_is_mended_the_burner_is_lit_and_no_turn_is_named_before_co2_is_read_anew() -> None:
    """Burner off: light it, CO from the first second. Lit: no turn away from CO by a reading from before."""
    told = at_high(10.6).read("high", 10.6, 600.0)
    assert "May Away from CO" in " ".join(said(told).replace("\n", " ").split())
    told.run_at("off").wait(60).check("cause of CO", "mended").wait(10)
    text = said(told)
    assert "Light it, CO from the first second." in text
    assert not re.search("STAYS OFF|mended, log|^1 |^May ", text, re.MULTILINE)
    assert not re.search("^May ", said(told.run_at("high").wait(10).co(40.0)), re.MULTILINE)


def test_a_rich_flame_stays_off_though_its_cause_is_mended() -> None:
    """It is lit from the maker's starting position only."""
    told = at_high(9.0).bare("high", 10.8, 0.2, 9000.0).run_at("off").wait(60).check("cause of CO", "mended")
    assert "Light again only from the maker's starting position." in " ".join(said(told).split())


def test_what_was_read_is_told_beside_what_is_likely() -> None:
    """A figure that nobody typed is not given as read."""
    told = at_high(8.3).wait(20).read("high", 8.5)
    assert re.search(r"^Now      high fire CO2 8\.5 %, likely 8\.4\d? \(9\.0 to 9\.4\)", said(told), re.MULTILINE)


def test_an_allowed_turn_says_what_it_would_do() -> None:
    """As `next` says it."""
    told = at_high(8.3)
    text = say_verdict(told.job.case(told.now), told.may("throttle", 1 / 24))
    assert text.startswith("Yes. Throttle screw: 15° (1/24 turn) clockwise, richer.\nThen     wait ")
    assert "\nExpect   CO2 " in text


def test_a_way_out_of_co_comes_after_burner_off_and_promises_nothing() -> None:
    """The stop first, the turn with the burner off; no wait after it, no risk of an edge it leads away from."""
    told = at_high(8.6).throttle(1 / 24, 8.8, co=600.0)
    text = say_verdict(told.job.case(told.now), told.may("throttle", -1 / 24))
    assert text.startswith("BURNER OFF. Air the room. Never richer.")
    assert "\nAllowed with the burner off: throttle screw: 15° (1/24 turn) counterclockwise" in text
    assert not re.search("^(Yes|Then|Expect)|Overshoot", text, re.MULTILINE)


def test_a_way_that_is_not_known_is_said_with_both_risks() -> None:
    """Past either edge, and to turn it back if CO rises: not left for --why."""
    text = said(at_high(8.3, clockwise={"throttle": "unknown"}))
    assert "way not sure yet" in text.partition("\n")[0]
    assert "If CO rises, turn it back." in " ".join(text.split())


def test_co_alone_is_said_as_about_where_no_co2_was_read_at_that_rate() -> None:
    """How much it was diluted is not known: beside the figure, and in the stop."""
    unread = Told().run_at("high").wait(20).co(20.0)
    assert "air-free (about, CO2 not read), limit 400" in " ".join(said(unread).split())
    assert "air-free (about, CO2 not read), over its limit" in " ".join(said(unread.wait(90).co(900.0)).split())
    assert "about, CO2" not in said(at_high(8.3).wait(20).co(20.0))


def test_once_both_rates_are_in_band_the_stages_that_the_guide_still_asks_are_named() -> None:
    """The proof with cover on, closing up and the record: not only what was left behind."""
    text = " ".join(said(Told().at("high", 9.2, 9.2).at("low", 8.8, 8.8)).split())
    assert "To do: preparation, valve, lighting, pressure, proof with cover on, closing up, record." in text
