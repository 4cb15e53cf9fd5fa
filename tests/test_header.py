"""Setup <-> the header of a log: what is written reads back, what is wrong is said with its line."""

import copy
import pickle
from dataclasses import replace

import pytest
from console import ROOT
from hypothesis import given
from hypothesis import strategies as st
from log_cases import FACTS, HEAD, HEADER_ROW, bounded, read_back, refusal

from advisor import Job
from advisor.chemistry import fuels
from advisor.job_setup.prior import Prior
from advisor.job_setup.setup import SETUP_TYPES, VISITS, JobSetup
from advisor.log.events import COLUMNS
from advisor.log.header import format_header

site_text = st.text(st.characters(exclude_categories=("Cs",)), max_size=60) | st.text(
    alphabet='=+-@,;"\\\n\t# ', max_size=12
)
setups = st.builds(
    JobSetup,
    fuel=st.sampled_from(fuels.BUILT_IN[:1])
    | st.floats(0.7, 1).map(lambda x: fuels.mixture('town "gas", 2', {"CH4": x, "N2": 1 - x})),
    bands=st.floats(0.1, 1).map(lambda width: {"high": (8.5, 8.5 + width), "low": (8.0, 8.0 + width)}),
    cap_turns=st.floats(1 / 24, 1 / 12).map(lambda cap: {"offset": cap}),
    travel_limit_turns=st.floats(0.5, 4).map(lambda travel: {"throttle": travel}),
    clockwise=st.sampled_from(["richer", "leaner", "unknown"]).map(lambda way: {"throttle": way}),
    turndown=st.floats(1, 20),
    co_limit_ppm_air_free=st.none() | st.floats(1, 400),
    co_limit=st.none() | st.tuples(st.floats(1, 400), st.sampled_from(["ppm", "ppm air-free"])),
    visit=st.sampled_from(VISITS),
    analyser_accuracy_pct=st.none() | st.floats(0, 2),
    overshoot_chance=st.floats(0.001, 0.5),
    pressures=st.dictionaries(site_text, st.floats(1, 20).map(lambda low: (low, 2 * low, "mbar")), max_size=3),
    prior=st.builds(Prior, gain_log_sd=st.floats(0.1, 2), backlash_turns=st.floats(0.01, 0.2)) | st.just(Prior()),
    site=site_text,
    analyser=site_text,
    practice=st.booleans(),
    valve_family=site_text,
    prior_source=site_text,
)


@bounded
@given(setups)
def test_any_facts_read_back_as_themselves(stated: JobSetup) -> None:
    """Facts survive their lines to the last digit, one line a fact, with or without a byte-order mark."""
    data = format_header(stated).encode()
    assert read_back(data).setup == stated
    assert read_back(b"\xef\xbb\xbf" + data.replace(b"\n", b"\r\n")).setup == stated
    assert all(line.startswith("# ") for line in data.decode().splitlines()[:-1])


@bounded
@given(setups)
def test_any_facts_can_be_copied_and_sent_to_another_process(stated: JobSetup) -> None:
    """Pickled or copied in depth, facts and prior are the same, and as firmly closed to changes."""
    for again in (pickle.loads(pickle.dumps(stated)), copy.deepcopy(stated)):
        assert again == stated
        assert type(again.bands) is type(stated.bands)
        assert type(again.prior.gain_per_turn) is type(stated.prior.gain_per_turn)
    assert pickle.loads(pickle.dumps(stated.prior)) == copy.deepcopy(stated.prior) == stated.prior


def test_no_fact_is_run_by_a_spreadsheet() -> None:
    """Facts split into cells at their commas never make a cell that begins as a formula."""
    stated = replace(FACTS, site="cellar,=1+1, @x,-2")
    line = next(line for line in format_header(stated).splitlines() if "site" in line)
    assert line == r'# site = "cellar\u002c=1+1\u002c @x\u002c-2"'
    assert read_back(format_header(stated).encode()).setup == stated


KNOWN = ", ".join(SETUP_TYPES)
READ_WELL = (
    "can't be read: a fact is '# key = value' on one line, with text in double quotes, numbers with a point, "
    "lists in [ ] and tables in { }. A remark starts with '# #'"
)
HEAD_MESSAGES = [
    ("# format = 1", "# format = 2", "1: format 2: written by a newer version of this program. Read it with that"),
    ("# format = 1", "# format = 0", "1: format 0 is not known: 1 is needed"),
    ("# format = 1\n", "", "10: not a job log, which starts with '# format = 1'. 'advisor open' starts a log"),
    ("# turndown = 5.0", "# turndown = 50.0", "9: turndown = 50: from 1 to 20 is allowed"),
    ("# turndown = 5.0", "# turndown = nan", "9: turndown: a number is needed"),
    ("# turndown = 5.0", "# turndown = true", "9: turndown: a number is needed"),
    ("# turndown = 5.0", "# turndown = 5,0", f"9: '# turndown = 5,0' {READ_WELL}"),
    ("# turndown = 5.0", "# turned = 5.0",
     f"9: fact 'turned' is not known: it is one of {KNOWN}, format, fuel_composition"),
    ("# turndown = 5.0", "# a word", f"9: '# a word' {READ_WELL}"),
    ("# turndown = 5.0", "# format = 1", "9: fact 'format' is given twice, first in line 1: remove one"),
    ("# turndown = 5.0", "# site = 3", "9: site: text in double quotes is needed"),
    ("# turndown = 5.0", "# clockwise = 3", "9: fact 'clockwise' is given twice, first in line 7: remove one"),
    ("{high = [9.0, 9.4], low = [8.6, 9.0]}", "[9.0, 9.4]", "3: bands: a table in { } is needed"),
    ("high = [9.0, 9.4]", "high = [9.0]", "3: bands high: a list of 2 in [ ] is needed"),
    ("high = [9.0, 9.4]", "high = [9.4, 9.0]",
     "3: band at high fire 9.4 to 9: two rising numbers above 0 are needed, in % CO2"),
    ('# fuel = "natural gas"\n', "", "10: the fact 'fuel' is missing: add '# fuel = ...' above this"),
    ('fuel = "natural gas"', 'fuel = "coal"',
     "2: fuel 'coal' is not built in. Built in are natural gas, propane, butane, methane; "
     "for any other gas make a mixture from its composition"),
    ("# turndown = 5.0", "# fuel_composition = {CH4 = 0.5}",
     "9: fuel 'natural gas': the parts add up to 0.5, they must add up to 1 within 0.02. "
     "Give mole fractions (0.95 for 95 %) of all parts, nitrogen and CO2 too"),
    ("# turndown = 5.0", "# prior = {gain_log_sd = -1}", "9: prior gain_log_sd = -1: a number above 0 is needed"),
    (",unit,", ",units,", f"11: the header row has 'unit' 0 times: "
     f"each of {', '.join(COLUMNS)} is needed once, between commas"),
    (",unit,", ",unit,unit,", f"11: the header row has 'unit' 2 times: "
     f"each of {', '.join(COLUMNS)} is needed once, between commas"),
    (HEADER_ROW, HEADER_ROW + ",x" * 100, "11: 112 columns: up to 100 are allowed. Remove some"),
    (HEADER_ROW, "", "12: no header row down to here: it comes below the facts. 'advisor open' starts a log"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), HEAD_MESSAGES)
def test_a_bad_head_is_said_with_its_line(old: str, new: str, message: str) -> None:
    """What it is, what is allowed, what to do."""
    assert HEAD.decode().count(old) == 1
    assert refusal(HEAD.decode().replace(old, new).encode()) == f"visit.csv:{message}"


def test_a_newer_log_is_told_from_a_wrong_one() -> None:
    """Facts of a later format, unknown here, don't hide that the program is too old."""
    data = HEAD.replace(b"# format = 1\n", b"# format = 2\n# later = 1\n")
    assert refusal(data) == "visit.csv:1: format 2: written by a newer version of this program. Read it with that"


def test_a_log_with_earlier_names_gives_the_answer_it_gave() -> None:
    """A header whose prior says slack, standstill and hand is read as meant; the answer is pinned from then."""
    job = Job.load(ROOT / "tests" / "data" / "format_1.csv")
    prior = job.setup.prior
    assert (prior.backlash_turns, prior.segment_sd_pct, prior.actuation_sd) == (0.05, 0.03, 0.2)
    assert read_back(format_header(job.setup).encode()).setup == job.setup
    advice, response = job.next(job.ended), job.response("throttle", at=job.ended)
    assert (advice.action, advice.firing, advice.screw, advice.turns_cw) == ("turn", "low", "offset", -1 / 24)
    told = (advice.expect_low_pct, advice.expect_co2_pct, advice.expect_high_pct, advice.chance_in_band)
    assert told == pytest.approx((9.142911865, 9.533597914, 9.785442331, 0.0226864731), rel=1e-6)
    assert (response.gain_per_turn, response.backlash_turns) == pytest.approx((3.711818962, 0.0210263724), rel=1e-6)
