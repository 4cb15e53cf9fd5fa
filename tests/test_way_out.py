"""The way out of CO: the turns that may always be made, burner off too, and those that lead back into it."""

import pytest
from replay import Made, Told, at_high, co_in_band

MARK = 1 / 24
UNSTATED = {"clockwise": {"throttle": "unknown"}}


def too_much(co2: float = 10.6, **setup: object) -> Told:
    """600 ppm at high fire, as found."""
    return at_high(co2, **setup).read("high", co2, 600)


def turned_into_co(**setup: object) -> Told:
    """Clean as found, 600 ppm after a turn."""
    return at_high(8.6, **setup).throttle(MARK, 8.8, co=600.0)


WAYS: list[tuple[Made, float, str]] = [
    # job, turn of the throttle screw, what `may` says
    # leaner within the cap, the burner off too
    (too_much, -1 / 12, "way-out-leaner"),
    (lambda: too_much().run_at("off").wait(20), -1 / 8, "way-out-leaner"),
    (lambda: too_much(clockwise={"throttle": "leaner"}), 1 / 12, "way-out-leaner"),
    (lambda: at_high(co_limit_ppm_air_free=100).read("high", 8.3, 90), -1 / 12, "way-out-leaner"),
    (too_much, -1 / 6, "stopped"),
    (lambda: too_much().turn("throttle", -1 / 12).wait(5), -MARK, "way-out-leaner"),
    (lambda: too_much().turn("throttle", -1 / 12).wait(5), -1 / 12, "stopped"),  # with the one before over the cap
    (lambda: too_much().turn("throttle", -1 / 12).wait(150).read("high", 10.2, 500), -1 / 12, "way-out-leaner"),
    (lambda: at_high(8.3).throttle(1 / 12, 8.5).throttle(1 / 12, 8.7, co=600.0), -1 / 6, "way-out-as-found"),
    # not where CO is low, the way is not sure, or the flame may be rich
    (lambda: at_high(9.2).run_at("off").wait(20), -MARK, "off-no-turn"),
    (lambda: too_much(**UNSTATED), -MARK, "stopped"),
    (lambda: at_high().bare("high", 11.2, 1.3, 600.0), -MARK, "stopped"),
    (lambda: Told().at("high").bare("high", 8.3, None, 600.0), -MARK, "stopped"),
    (lambda: at_high().wait(20).turn("throttle", 1 / 4).wait(5).bare("high", 11.2, None, 600.0), -1 / 3, "stopped"),
    # the last turn undone, and no more than that
    (turned_into_co, -MARK, "way-out-undo"),
    (lambda: turned_into_co().run_at("off").wait(20), -MARK / 2, "way-out-undo"),
    (lambda: turned_into_co(**UNSTATED), -MARK, "way-out-undo"),
    (lambda: at_high(8.6, **UNSTATED).turn("throttle", MARK).wait(5).bare("high", 8.6, 5.7, 600.0), -1 / 12, "stopped"),
    (lambda: at_high().turn("throttle", 1 / 2).wait(5), -1 / 2, "way-out-undo"),
    (lambda: at_high().turn("throttle", MARK).wait(5), -1 / 400, "too-little"),
    # a turn leaner that put the flame out
    (lambda: at_high(9.9).turn("throttle", -1 / 12).wait(9).run_at("off").wait(20), 1 / 12, "way-out-undo"),
    # no undoing into CO, to where CO was not read, or after a strike that is not made good
    (co_in_band, 1 / 24, "stopped"),
    (lambda: too_much().turn("throttle", -1 / 12).wait(150).read("high", 10.2), 1 / 12, "away"),
    (lambda: Told().at("high").bare("high", 10.2, 2.8).turn("throttle", -MARK).run_at("off").wait(20), MARK,
     "off-no-turn"),
    (lambda: at_high().turn("throttle", MARK).wait(5).turn("throttle", -MARK).run_at("off").wait(20), MARK,
     "off-no-turn"),
    (lambda: too_much().void(why="mistyped").wait(5).turn("throttle", -MARK).run_at("off").wait(20), MARK,
     "off-no-turn"),
    (lambda: Told().at("low", 9.3, co=290).at("high", 9.9).turn("throttle", -MARK).run_at("off").wait(20), MARK,
     "off-no-turn"),
    # neither on a log that is closed or was left
    (lambda: turned_into_co().check("appliance left", "out of service").wait(60), -MARK, "stopped"),
    (lambda: turned_into_co().wait(5 * 3600), -MARK, "stopped"),
]  # fmt: skip


@pytest.mark.parametrize(("made", "turns", "code"), WAYS, ids=[f"{code} {turns:.3f}" for _, turns, code in WAYS])
def test_what_leads_out_of_co_may_always_be_turned_and_nothing_that_leads_into_it(
    made: Made, turns: float, code: str
) -> None:
    """By what `may` says first, whatever `next` says."""
    verdict = made().may("throttle", turns)
    assert (verdict.allowed, verdict.why[0].code) == (code.startswith("way-out"), code)


@pytest.mark.parametrize(
    ("limit", "co", "answer", "codes"),
    [
        # natural gas at 8.3 % CO2: air-free is 1.43 times the figure
        (100, 45, "turn throttle cw", ["co-rising"]),  # 64: over half the limit, a warning
        (100, 75, "halt high-co", ["high-co"]),  # 107: over the limit
        (350, 135, "turn throttle cw", ["co-rising"]),  # 193
        (350, 145, "halt co-climbing", ["co-climbing", "co-rising"]),  # 207: no turn richer over 200
        (None, 135, "turn throttle cw", []),
        (None, 145, "halt co-climbing", ["co-climbing", "co-rising"]),
        (None, 290, "halt high-co", ["high-co"]),  # 414: over the published 400
    ],
)
def test_co_under_its_limit_warns_and_bars_richer_over_200_ppm_air_free(
    limit: float | None, co: float, answer: str, codes: list[str]
) -> None:
    """A strict limit does not stop a sound boiler at half of it; richer is barred over the lower of limit and 200."""
    told = Told(co_limit_ppm_air_free=limit).at("high", 8.3, co=co).says(answer)
    assert sorted(told.codes - {"sample-line"}) == codes
