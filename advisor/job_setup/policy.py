"""Every threshold of checks, waits and decision, in one table.

Each field has its unit, its meaning and where its value comes from: "bench" (tests/bench, tuned on seeds below
100,000), "own choice", or "common practice" (no source). Published limits are in `chemistry.limits`; what is assumed
about a valve before its first turn is in `prior`; what a user may state is in `setup`.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Policy:
    """Thresholds. Chances are 0 to 1, CO2 in % by dry volume, turns in fractions of a full turn.

    One reading by itself:
    least_co2_share       CO2 over the fuel's maximum under which there is no flame that could be set; own choice
    co2_rounding_pct      CO2 above the fuel's maximum that rounding and a cell's accuracy explain; own choice
    plain_air_o2_pct      O2 from which a sample is plain air; own choice
    fuel_line_o2_pct      distance of O2 from the fuel's line at which fuel or analyser is doubted, % O2. Own choice:
                          pipeline gases differ by 0.2 to 0.3, two displays that step by 0.1 add 0.15, cells the rest
    co_near_share         share of the CO limit from which CO is called near it; own choice
    co_bar_share, co_bar_ppm  CO from which no turn richer is allowed: a share of its limit, and at most so many ppm
                          air-free; own choice: half the published limit
    co_at_once_ppm        CO as displayed, ppm, from which the burner goes off without waiting whether it falls; own
                          choice
    co_climb_times, co_climb_ppm  CO climbs when it is so many times the least read before, and up by so many ppm;
                          own choice: a display's noise makes neither
    co_rise_times         CO over its bar rises when it is so many times the reading before, no turn made between, and
                          up by as many ppm as above; own choice
    co_jump_times, co_jump_ppm  CO has jumped when it is so many times the least read before, and over so many ppm
                          air-free; own choice: a sound burner's 10 to 40 ppm stay far below
    just_lit_s            time after lighting, s, in which CO over its limit may fall by itself; common practice
    clean_sample_o2_pct, clean_sample_co2_pct  O2 over which, and CO2 under which, a sample is clean air with next to no
                          flue in it: no reading of a flame; own choice
    clean_air_o2_pct, clean_air_co_ppm  what an analyser may show in clean air, from and to; own choice: dry air has
                          20.95 % O2, a display step and a cell's zero explain the rest
    calibration_days      age of the analyser's calibration from which it is pointed out; common practice

    Readings over time:
    settled_chance        chance that less than half a display step is still to come, asked of a wait; bench
    accepted_chance       the same, asked of a reading that was taken; bench
    step_pct, step_sds    change of CO2 without a turn that counts as a jump: so large, and so many standard deviations
    certain_step_pct      a jump that one reading proves: no display noise makes it; own choice
    shortfall_chance      chance of so little CO2 after a turn below which the sample line is to be proved; bench
    unlikely_shortfall_chance  the same, below which the job is not finished before that, and a reading on the way
                          teaches nothing; bench
    unseen_turn_chance    chance of so little change after a turn below which it is asked whether it was made; bench
    fresh_start_sd_pct    how far CO2 may have moved where a check has explained it; own choice
    drift_pct, drift_span_s  creep of CO2 without a turn that stops the job, and over how long, s; own choice
    steady_pct            spread of the last three readings at which the creep has ended; own choice
    left_for_s            rows further apart than this, s, belong to two sessions: the boiler was cold; own choice
    stale_s               age of a settled reading, s, from which a turn asks for a new one; own choice

    Waits:
    longest_wait_s        a wait is asked anew after so many s; own choice
    most_interim_readings, interim_every_s, interim_margin_s  readings on the way in one wait, how far apart, and how
                          close to its end the last, s; bench

    The way a screw works, and whether it works:
    sure_of_way           chance from which a screw is said to work against its stated direction: backlash, drift and a
                          slow display look like it; bench (0 of 400 sound base visits pass 0.7, 1 of 1,000 passes 0.95)
    doubted_way           chance from which that is hinted at, and a turn read again for it: backlash and a weak gain
                          look like it too; bench
    sure_of_unstated_way  chance from which the way of a screw nobody stated is said; own choice
    shown_way             chance from which such a screw's 90 % range has one sign; follows from the range
    clearly_other_way     chance of the other direction from which turns change their way; bench
    way_in_doubt          from and to: chance of the other direction between which the way of an unstated screw is not
                          known; the lower one holds for a stated screw too; own choice
    useless_gain          gain, % CO2 per turn, under which a screw does next to nothing: a quarter turn moves CO2 by no
                          more than two steps of a display; own choice
    sure_of_dead, doubted_effect  chances of that from which it is said, and hinted; bench
    no_effect_chance      the same from which a turn says that none has shown a clear effect yet; own choice
    fewest_moves_for_dead  turns read before either; own choice
    backlash_worth_telling_turns  expected backlash from which it is pointed out; own choice

    Decision:
    accuracy_gain         chance in band that a turn to the middle must gain of what the analyser's own accuracy leaves
                          open; own choice
    enough_readings       readings in one segment after which more teach little; bench
    good_enough_chance    chance in band accepted then, where no turn betters it; own choice
    reread_chance         chance in band from which a reading is cheaper than a turn; after each further one half of
                          what was missing must be gone; bench
    most_rereads          readings in one segment after which no doubt asks for another: a turn is tried; own choice
    poorly_known_ratio    ratio of the gain's 90 % limits above which the first move is half the cap, in whole marks
                          rounded up; own choice
    mark_parts            parts of a mark that may be turned; own choice
    worth_a_part          by how much a part of a mark must lower the turns to go; bench
    near_edge_turns       turns still to come where CO2 is in band, but further than half the half band off; bench
    past_rich_turns       what surely passing the rich edge costs besides the way back, turns; bench
    lean_limit_pct        CO2 below its band, %, to which a turn leaner may hardly take it: lower a flame may lift;
                          own choice
    low_fire_over_pct, low_fire_o2_pct  most CO2 above its band, %, and least O2, %, of a low fire that was read while
                          high fire is set; own choice
    unseen_rich_chance, unread_rich_chance  most chance that a throttle turn takes low fire beyond either; and one that
                          was not read yet to under `least_o2_pct`; own choice, bench
    unseen_rise_pct       rise of high fire, % CO2, after which low fire is read before a turn richer; bench
    least_o2_pct          O2 below which CO begins, asked of a band's edge, and of a low fire that was not read; own
                          choice: a display step or two below is rich
    far_too_lean_pct      distance below low fire's band, % CO2, at which a flame may lift; own choice
    smallest_turn         least turn of a hand; own choice
    """

    least_co2_share: float = 0.25
    co2_rounding_pct: float = 0.15
    plain_air_o2_pct: float = 20.5
    fuel_line_o2_pct: float = 0.6
    co_near_share: float = 0.5
    co_bar_share: float = 0.75
    co_bar_ppm: float = 200.0
    co_at_once_ppm: float = 2000.0
    co_climb_times: float = 2.0
    co_climb_ppm: float = 30.0
    co_rise_times: float = 1.2
    co_jump_times: float = 3.0
    co_jump_ppm: float = 100.0
    just_lit_s: float = 60.0
    clean_sample_o2_pct: float = 19.0
    clean_sample_co2_pct: float = 1.0
    clean_air_o2_pct: tuple[float, float] = (20.7, 21.1)
    clean_air_co_ppm: tuple[float, float] = (0.0, 3.0)
    calibration_days: float = 365.0

    settled_chance: float = 0.95
    accepted_chance: float = 0.9
    step_pct: float = 0.25
    step_sds: float = 4.0
    certain_step_pct: float = 0.4
    shortfall_chance: float = 0.05
    unlikely_shortfall_chance: float = 1e-3
    unseen_turn_chance: float = 0.05
    fresh_start_sd_pct: float = 1.0
    drift_pct: float = 0.3
    drift_span_s: float = 120.0
    steady_pct: float = 0.1
    left_for_s: float = 4 * 3600.0
    stale_s: float = 900.0

    longest_wait_s: float = 900.0
    most_interim_readings: int = 3
    interim_every_s: float = 25.0
    interim_margin_s: float = 15.0

    sure_of_way: float = 0.95
    doubted_way: float = 0.5
    sure_of_unstated_way: float = 0.8
    shown_way: float = 0.95
    clearly_other_way: float = 0.7
    way_in_doubt: tuple[float, float] = (0.1, 0.9)
    useless_gain: float = 0.8
    sure_of_dead: float = 0.9
    doubted_effect: float = 0.3
    no_effect_chance: float = 0.1
    fewest_moves_for_dead: int = 2
    backlash_worth_telling_turns: float = 1 / 64

    accuracy_gain: float = 0.05
    enough_readings: int = 6
    good_enough_chance: float = 0.8
    reread_chance: float = 0.5
    most_rereads: int = 2
    poorly_known_ratio: float = 4.0
    mark_parts: tuple[int, ...] = (1, 2, 4, 8)
    worth_a_part: float = 0.1
    near_edge_turns: float = 0.4
    past_rich_turns: float = 8.0
    lean_limit_pct: float = 0.3
    low_fire_over_pct: float = 0.8
    low_fire_o2_pct: float = 2.5
    unseen_rich_chance: float = 0.05
    unread_rich_chance: float = 0.04
    unseen_rise_pct: float = 1.3
    least_o2_pct: float = 1.5
    far_too_lean_pct: float = 1.0
    smallest_turn: float = 1 / 200
