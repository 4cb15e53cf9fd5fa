"""What is expected until both rates are set."""

from replay import Told, at_high, known_throttle


def left(told: Told) -> tuple[float, float]:
    advice = told.next()
    assert advice.minutes_left is not None
    assert advice.turns_left is not None
    return advice.minutes_left, advice.turns_left


def test_before_the_boiler_is_lit_it_is_that_of_a_usual_visit() -> None:
    """The bench's base visits take 17 minutes and 7 turns on average."""
    minutes, turns = left(Told())
    assert 13 < minutes < 21
    assert 5 < turns < 9


def test_it_falls_as_the_rate_comes_to_its_band() -> None:
    """Far out takes longer than near; both longer than one that holds."""
    far, near, held = (left(at_high(co2).read("high", co2)) for co2 in (8.0, 8.9, 9.2))
    assert far > near > held


def test_a_livelier_screw_takes_fewer_turns() -> None:
    """The same distance in fewer caps."""
    assert left(known_throttle().wait(90).read("high", 9.0))[1] < left(at_high(8.0))[1]


def test_nothing_is_expected_at_a_stop_at_the_finish_or_with_the_burner_off() -> None:
    """What takes as long as it takes is not guessed."""
    done = Told().at("high", 9.2, 9.2).at("low", 8.8, 8.8)
    for told in (at_high(9.2).read("high", 9.2, 900.0, 4.6), done, at_high().run_at("off").wait(5)):
        advice = told.next()
        assert (advice.minutes_left, advice.turns_left) == (None, None), advice.action


def test_before_a_change_of_rate_the_time_that_the_other_rate_takes_is_counted() -> None:
    """High fire set, low fire close to its edge and not proved: the change with its wait is not forgotten."""
    told = Told().at("high", 9.2).at("low", 8.65).at("high", 9.2, 9.2, 9.2).says("run_at low")
    before, there = left(told)[0], left(told.run_at("low").wait(1))[0]
    assert before > 1.6
    assert before >= there - 0.5
