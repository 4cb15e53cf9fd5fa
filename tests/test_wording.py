"""Sentences: every template of every table is filled with what the logic really says, and reads as a sentence."""

import string
from collections.abc import Iterable, Iterator, Mapping
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
import test_decision
import test_findings
import test_record
import test_way_out
from replay import Told, at_high, known_leaner, record
from test_progress import BEFORE, BLOCKS, timed, walk

import advisor
from advisor.diagnosis.way_back import way_back
from advisor.dialogue.after_entry import after_entry
from advisor.log.check_items import CHECK_ITEMS, CLEAN_AIR_CO, CLEAN_AIR_O2, STANDING, WORKING
from advisor.messages import Finding, Reason
from advisor.report.show import measured
from advisor.wording import GIVE_UP, finding_text, further_steps, look_first, past_text, reason_text, short_text
from advisor.wording.findings import FINDINGS
from advisor.wording.page import PAGE, SCRIPT
from advisor.wording.reasons import REASONS
from advisor.wording.templates import ACTS, Voice
from advisor.wording.visit import QUESTIONS, STAGES

Said = Finding | Reason


class Words(HTMLParser):
    """The words that stand in a template itself."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_data(self, data: str) -> None:
        self.found += [word for word in data.split() if any(map(str.isalpha, word))]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [
            value for name, value in attrs if name in ("aria-label", "title", "placeholder", "alt") and value
        ]


VOICES: tuple[Voice, ...] = ("log", "guide", "practice", "page")
BANNED = ("settled figure", "on the way", "surely", "hour hand", "9 times in 10")
CO_STOPS = ("rich", "high-co", "co-climbing")
# parts of a sentence: notes of the record, and a figure among others
FRAGMENTS = {
    "not-read", "found-after-turns", "found-not-settled", "found-in-doubt", "found-line-leaked", "left-for-hours",
    "left-no-co", "left-not-settled", "left-doubted-later", "flue-loss",
}  # fmt: skip
BY_ITEM = {"not-ready", "wrong-answer"}  # begin with the name of a check as it is typed
NO_STEPS = {  # findings of severity warn or halt that need no list of what to look at first
    "not-ready": "says what to do, by its check",
    "wrong-answer": "says what to do, by its check",
    "pressure-skipped": "was decided, and why is said",
    "co2-alone": "says what to read",
}


def plain(job: Told) -> Iterator[Said]:
    """What the answers say of a job: advice, verdicts, stages, responses, what was measured, the way back."""
    advice, progress = job.next(), job.job.progress(job.now)
    yield from (*advice.findings, *advice.why, *measured(job.situation))
    for screw in ("offset", "throttle"):
        for turns_cw in (1 / 400, advice.turns_cw or 1 / 24):
            yield from job.may(screw, turns_cw).why
        yield from job.job.response(screw, "high", job.now).open_points
    yield from (why for why in (*(state.why for state in progress.states), progress.barred) if why)
    yield from (reason for back in way_back(job.situation) for reason in back.reasons)


def recorded(job: Told) -> Iterator[Said]:
    """What the record says of a job."""
    made = record(job.job)
    yield from (*made.missing, *(seen.finding for seen in made.seen))
    for rate in made.rates.values():
        yield from rate.found_notes
        yield from filter(None, [rate.left_note])
    yield from filter(None, [made.drop])


def noted(job: Told, at_s: float) -> list[Finding]:
    """What is noted of the last entry of a job."""
    return after_entry(job.job, Told().wait(at_s).now)[1]


CO_READINGS = (
    # CO2, O2, CO: rich by CO and by O2, over the limit above and under the band's edge, and so far over that at once
    (10.8, 0.2, 9000.0), (8.1, 0.1, None), (10.6, 2.1, 600.0), (9.2, 4.6, 900.0), (10.6, 2.1, 2500.0),
    (9.2, 4.6, 2500.0),
)  # fmt: skip


def of_co() -> Iterator[Told]:
    """High CO and rich flames by when they were read: now, just lit, burner off by now, lit again since."""
    for reading in CO_READINGS:
        yield Told().run_at("high").wait(20).bare("high", *reading)
        yield at_high().bare("high", *reading)
        yield at_high().bare("high", *reading).run_at("off").wait(20)
        yield at_high().bare("high", *reading).run_at("off").wait(20).run_at("high").wait(5)
    yield Told().run_at("high").wait(150).run_at("off").wait(20).bare("high", 0.2, 20.5, 300.0)
    yield at_high().read("high", 8.3, 160.0).wait(20).read("high", 8.3, 220.0)
    yield at_high().read("high", 8.3, 160.0).wait(20).read("high", 8.3, 220.0).run_at("off").wait(20)
    yield at_high().throttle(1 / 24, 8.5, co=160.0).wait(20).turn("throttle", 1 / 24).wait(5)
    yield at_high().turn("throttle", 1 / 24).wait(20).read("high", 8.5, 200.0).wait(10).read("high", 8.6, 280.0)
    yield at_high().check("smell of gas", "yes")
    yield at_high().wait(20).co(900.0).run_at("off").wait(60).run_at("high").wait(180).reads("high", 8.3, 8.3)
    yield at_high().read("high", 8.3, 900.0).run_at("off").wait(20).check("cause of CO", "mended").wait(5)
    strict = at_high(co_limit_ppm_air_free=100).read("high", 8.3, 45.0)
    yield strict
    yield (
        Told(co_limit_ppm_air_free=100).at("high", 8.3, co=45.0).turn("throttle", 1 / 24).wait(5).read("high", 8.4, 5.0)
    )


def more() -> list[Told]:
    """Jobs of which the stages, the record and the way back have more to say."""
    plate: dict[str, Any] = {"heating_value": (38.5, "MJ/m3"), "input_rate": (33.0, 37.0, "kW")}
    burner = {**plate, "pressures": {"burner pressure": (8.0, 10.0, "mbar")}}
    return [
        *(made() for made, *_ in (*test_record.NOT_LEFT, *test_record.FOUND)),
        test_record.skipped().at("high", 9.2).at("low", 8.8),
        at_high(9.0),
        test_decision.almost_sure(),
        known_leaner().wait(150).reads("high", 7.7, 7.7),
        walk(**plate).prepared().set_right().answer("cover on"),
        *(walk(**burner).at("high").answer(*row).skip("before") for row in (("input rate", "3.44 kW"),
          ("burner pressure", "12 mbar"), ("clean air O2", "19.2 %"), ("input rate", "35 kW"))),
        walk(**plate).at("low").answer("input rate", "7 kW"),
        walk().at("high").answer("input rate", "35 kW").answer("standing pressure").answer("working pressure"),
        *(walk().answer("calibration date", date) for date in ("2026-02-11", "2024-02-11")),
        test_findings.hand_edited(walk().answer_all(BEFORE).answer("clean air O2"), "abc"),
        walk().skip("both again"),
        timed("3.44").skip("proof", "both again"),
        Told().at("low", 10.4).at("high", 8.3).throttle(1 / 24, 8.4).check("cause of CO", "mended").reads("high", 8.4),
        Told().at("low", 9.6).at("high", 8.3).at("low", 9.6),
        Told().at("high", 9.9, co=500).run_at("off").check("cause of CO", "not found"),
        *(job.throttle(-1 / 12).turn("throttle", -1 / 24) for job in (at_high(), Told().at("high", 9.9, co=500))),
        at_high().throttle(1 / 12, 8.6).turn("throttle", -1 / 12),
    ]  # fmt: skip


@pytest.fixture(scope="module")
def said() -> list[Said]:
    """All that the logic says in these jobs and in those of the tests of findings, decision and stages."""
    tables = (*test_findings.TROUBLES, *test_decision.ANSWERS, *((made,) for _, made, _ in BLOCKS))
    found = [each for job in (*(made() for made, *_ in tables), *more(), *of_co()) for each in plain(job)]
    turns = (*test_decision.REFUSALS, *((made, "throttle", size, code) for made, size, code in test_way_out.WAYS))
    found += [each for made, screw, size, _ in turns for each in made().may(screw, size).why]
    found += [each for job in more() for each in recorded(job)]
    found += noted(at_high().check("noise", "loud"), 300) + noted(at_high(), 100)
    found += noted(at_high().check("standing pressure", "20 mbar"), 300)
    found += noted(at_high().run_at("low").wait(5).check("working pressure", "20 mbar"), 300)
    remark = at_high()
    remark.job.note("off for lunch", at=remark.wait(5).now)
    found += noted(remark, 300)
    # made only where they are said
    by_hand = {
        "flue-loss": {"loss_pct": 2.1}, "way-out-start": {"screw": "throttle"}, "co-first-lit": {},
        "never-proved": {"item": "sample line"},
    }  # fmt: skip
    return [*found, *(Reason(code, data) for code, data in by_hand.items())]


def of(said: Iterable[Said], kind: type[Said]) -> list[Said]:
    return [each for each in said if isinstance(each, kind)]


def variants(code: str) -> list[str]:
    words = FINDINGS[code]
    return list(words.long) if isinstance(words.long, Mapping) else [""]


def check(text: str, *, begins: bool = True, ends: bool = True) -> None:
    """That it reads as a sentence: begins with a capital, a number or a name in quotes, and ends with one stop."""
    assert text == " ".join(text.split()), text
    assert not set("{}").intersection(text), text
    assert "None" not in text, text
    assert not [phrase for phrase in (*BANNED, "..", ". .") if phrase in text.lower()], text
    assert not begins or text[0].isupper() or text[0] in "0123456789'", text
    assert (text[-1] in ".?" and text[-2] not in ".?!,; ") if ends else text[-1] not in ".?!,; ", text


def test_the_logic_says_what_the_tables_hold_and_nothing_else(said: list[Said]) -> None:
    """Codes of findings with their variants, and codes of reasons, are the keys of the tables."""
    assert {(each.code, each.variant) for each in of(said, Finding)} == {
        (code, variant) for code in FINDINGS for variant in variants(code)
    }
    assert {each.code for each in of(said, Reason)} == set(REASONS)


def test_every_finding_is_a_sentence_in_every_voice_and_in_the_past(said: list[Said]) -> None:
    """With the figures that the logic gave it."""
    for finding in of(said, Finding):
        for text in (*(finding_text(finding, voice) for voice in VOICES), past_text(finding)):
            check(text, begins=finding.code not in BY_ITEM)


def test_every_reason_is_a_sentence_in_every_voice(said: list[Said]) -> None:
    """But those that are parts of one."""
    for reason in of(said, Reason):
        for voice in VOICES:
            whole = reason.code not in FRAGMENTS
            check(reason_text(reason.code, reason.data, voice), begins=whole, ends=whole)


def test_what_is_to_be_typed_is_said_in_every_voice_and_used() -> None:
    """Every act of the table stands in a sentence, and every voice has its words."""
    templates = [*REASONS.values()]
    for words in FINDINGS.values():
        templates += [words.long] if isinstance(words.long, str) else words.long.values()
    fields = {name for template in templates for _, name, _, _ in string.Formatter().parse(template) if name}
    assert fields >= set(ACTS)
    assert all(set(words) == set(VOICES) and all(words.values()) for words in ACTS.values())


def test_every_finding_has_its_short_name_and_its_steps(said: list[Said]) -> None:
    """A name in a few words, what it means, and what to look at first wherever it stops or warns."""
    for code, words in FINDINGS.items():
        check(short_text(code), begins=False, ends=False)
        assert len(short_text(code)) < 40, code
        assert words.about, code
        assert isinstance(words.past, str) or list(words.past) == variants(code)
        for step in look_first(code):
            check(step)
        severities = {each.severity for each in of(said, Finding) if each.code == code}
        assert (severities == {"note"} or bool(look_first(code))) != (code in NO_STEPS), code


def test_stops_for_co_name_the_burner_and_the_air_of_the_room(said: list[Said]) -> None:
    """And none of them says richer, but never."""
    stops = [each for each in of(said, Finding) if each.code in CO_STOPS]
    assert {stop.code for stop in stops} == set(CO_STOPS)
    for stop in stops:
        for voice in VOICES:
            text = " ".join((finding_text(stop, voice), *further_steps(stop.code))).lower()
            if "before" in stop.variant or stop.severity != "halt":  # CO was read again since
                continue
            if stop.code in ("co-climbing", "richer-in-co"):  # CO below its limit: what is barred is said
                assert "burner off" in text
                continue
            assert "burner off" in text or "burner stays off" in text
            assert "air the room" in text
            assert text.count("richer") == text.count("never richer")
            assert "never richer" in text or stop.code == "rich"


BEGINS = {  # by when CO was read: what the stop begins with
    "now": "BURNER OFF. Air", "lighting": "BURNER OFF unless it falls at once. Air",
    "at_once": "BURNER OFF AT ONCE. Air", "off": "BURNER STAYS OFF. Air", "before": ("CO at", "The flame was rich"),
}  # fmt: skip


def test_a_stop_for_co_begins_with_the_burner(said: list[Said]) -> None:
    """Unless it falls at once, in the first minute; at once, where the flame is rich or CO over 2,000 ppm."""
    begun = set()
    for stop in of(said, Finding):
        if stop.code in ("rich", "high-co"):
            (when,) = [when for when in BEGINS if when in stop.variant]
            when = "at_once" if stop.code == "rich" and when in ("now", "lighting") else when
            assert finding_text(stop).startswith(BEGINS[when]), stop.variant
            begun.add((stop.code, when))
    assert len(begun) == 2 * len(BEGINS) - 2


@pytest.mark.parametrize("code", ["rich", "high-co", "co-climbing", "no-effect", "pressure", "travel-limit", "drift"])
def test_what_may_end_the_job_ends_with_the_maker(code: str) -> None:
    """These may end with the appliance out of service; a slip that is put right on site does not."""
    assert look_first(code)[-1] == GIVE_UP
    assert GIVE_UP not in look_first("wrong-way") + look_first("other-fuel")


def test_questions_and_stages_are_said_short_and_why() -> None:
    """A reason behind every question, what to do behind every answer that stops, one caution at every stage."""
    for item, words in QUESTIONS.items():
        assert len(words.asks) < 90, item
        check(words.asks, ends=False)
        check(words.why)
        known = CHECK_ITEMS[item]
        if known.passes or item in (STANDING, WORKING, CLEAN_AIR_O2, CLEAN_AIR_CO):
            check(words.stop)
    assert set(QUESTIONS) == set(CHECK_ITEMS)
    cautions = {words.caution for words in STAGES.values()}
    assert len(cautions) == len(STAGES)
    for caution in cautions:
        check(caution)
        assert 20 < len(caution) < 240
    lighting = f"{STAGES['lighting'].does}. {STAGES['lighting'].caution}"
    for lit in ("gas on, joints, probe in", "watch CO from the first second", "burner off"):
        assert lit in lighting


def test_the_page_says_nothing_twice() -> None:
    """One code for each sentence of the page and its script, and none that a stage or a question says already."""
    said = [*PAGE.values(), *SCRIPT.values()]
    elsewhere = {words for stage in STAGES.values() for words in (stage.does, stage.caution)}
    elsewhere |= {words for question in QUESTIONS.values() for words in (question.asks, question.why)}
    assert sorted(words for words in said if len(words) > 12 and said.count(words) > 1) == []
    assert elsewhere & set(said) == set()


def test_templates_of_the_page_keep_structure_only() -> None:
    """No word between the marks of a template, nor in a label for screen readers: all of them come from the table."""
    jinja2 = pytest.importorskip("jinja2")
    folder = Path(advisor.__file__).parent / "page" / "templates"
    found = []
    for path in folder.glob("*.html"):
        plain = "".join(text for _, kind, text in jinja2.Environment().lex(path.read_text()) if kind == "data")
        marks = Words()
        marks.feed(plain)
        found += [(path.name, words) for words in marks.found]
    assert found == []


def test_what_was_expected_is_not_told_as_read_and_what_is_not_read_is_low_fire() -> None:
    """In the sentences that a technician misread."""
    jumped = {"expected": 9.0, "seen": 8.7, "row": 5, "of_screw": ""}
    for text in (
        reason_text("jumped", jumped),
        finding_text(Finding("air-in-sample", "halt", "high", variant="no_o2", data=jumped)),
    ):
        assert text.startswith("CO2 9.0 % was expected, with no turn made; 8.7 came (row 5).")
    assert "; low fire is not read yet." in reason_text("low-unread", {})
    assert "; low fire was not read since high fire rose 1.4 %." in reason_text("low-unread-rise", {"rise": 1.4})
