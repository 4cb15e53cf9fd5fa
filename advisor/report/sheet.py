"""The record of a visit as printed pages, and its pictures."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import partial

from matplotlib.figure import Figure

from advisor.chemistry import limits
from advisor.errors import RangeError
from advisor.job_setup.band_check import flue_of
from advisor.job_setup.setup import CHANGES_VALVE, JobSetup
from advisor.log.check_items import CLEAN_AIR_CO, CLEAN_AIR_O2, LEFT_OUT, OUTCOME
from advisor.log.events import Event
from advisor.procedure.stages import named
from advisor.report import plots
from advisor.report.answers import LABELS, say_event, say_stated
from advisor.report.flue import (
    NONE,
    FiringRecord,
    Flue,
    FlueQuantity,
    quantities,
    say_allowed,
    say_number,
    say_quantity,
)
from advisor.report.pages import LINE_SPACE, PAPERS_PT, TEXT_PT, Pages, plain_style, wrapped
from advisor.report.record import HighestCO, Record, Seen, Supply, Turn
from advisor.screws import FIRING_FOR, FIRINGS, SCREW_FOR, SCREWS, Screw
from advisor.wording.numbers import say_chance, say_turn
from advisor.wording.visit import STAGES

TITLE = "Combustion setting record"
STOPS = "Stops, warnings and skipped stages"  # heading
CAUTIONS = (
    "The maker's instructions and the local code come first; this tool advises, the licensed person who signs decides.",
    "All readings are as displayed, dry, and as {came}. A leak in the sample line does not show in them and makes a "
    "rich flame look lean. They hold for the gas, the gas pressure and the air of that day.",
    "CO alarm or soot: boiler off, air the room, leave, call from outside. Smell of gas: no flame, no switch, leave, "
    "call from outside.",
)
PICTURE_PT = (595.0, 640.0)
SIGN_PT = 48.0
NAME_PT, READING_PT, GAP_PT = 84.0, 56.0, 6.0  # columns of the table as found, as left
MOST_IN_COLUMN = 2  # lines
AS_LEFT = (2, 5)  # its cells
AXES_PT, LANES_PT, CLOCK_PT, LEGEND_PT, RESPONSE_PT = 128.0, 76.0, 28.0, 26.0, 112.0


def pages_of(record: Record, name: str, paper: str = "a4") -> list[Figure]:
    """The record as pages of `paper` ("a4" or "letter"); `name` is what the foot calls the log."""
    if paper not in PAPERS_PT:
        raise RangeError(f"paper '{paper}': it is {' or '.join(PAPERS_PT)}")
    with plain_style():
        unfinished = "" if record.finished else f"NOT FINISHED. Open: {record.open_names}."
        pages = Pages(PAPERS_PT[paper], _stamp(record) or ("" if record.finished else "NOT FINISHED"), unfinished)
        _head(pages, record)
        _facts(pages, record)
        _found_and_left(pages, record)
        _supply(pages, record)
        _findings(pages, record)
        _sign(pages, record)
        pages.new_page()
        _turns(pages, record)
        _pictures(pages, record, f"the stop with that letter on page 1, under {STOPS}")
        _rest(pages, record)
        pages.close(_origin(record, name))
    return pages.figures


def picture_of(record: Record, name: str) -> list[Figure]:
    """The pictures alone: CO2 against time and the fitted response."""
    with plain_style():
        pages = Pages(PICTURE_PT, _stamp(record))
        _pictures(pages, record, "a stop, named in the record (advisor sheet)")
        pages.close(_origin(record, name))
    return pages.figures


def _stamp(record: Record) -> str:
    return "PRACTICE" if record.setup.practice else ""


def _origin(record: Record, name: str) -> str:
    last = f"last entry {record.ended.isoformat(sep=' ', timespec='seconds')}" if record.ended else "no entries"
    return f"{name}, {_count(record.n_rows, 'row')}, {last}"


# ---- the head


def _head(pages: Pages, record: Record) -> None:
    pages.row([(TITLE, 0.0, pages.width)], 15, bold=True)
    pages.space(2)
    if record.setup.practice:
        pages.text("Practice on a made-up boiler: this is no record of a real one.", bold=True)
    if record.finished:
        skipped = f" Skipped: {', '.join(_called(stage) for stage, _ in record.skipped)}." if record.skipped else ""
        pages.text(f"Both rates are in band and were read, CO included, since the last turn.{skipped}", bold=True)
        return
    pages.space(4)
    with pages.frame():
        pages.text("NOT FINISHED", 12, bold=True)
        for missing in record.missing:
            pages.row([("\u2022", 4.0, 8.0), (missing.text, 13.0, pages.width - 13)])


def _facts(pages: Pages, record: Record) -> None:
    """Who, what, where, with which instrument, and how the boiler was left; what was not told is a line to write on."""
    setup = record.setup
    pages.heading("Boiler, visit and instruments")
    when = "no entries"
    if record.began and record.ended:
        until = f"{record.ended:%Y-%m-%d %H:%M}".removeprefix(f"{record.began:%Y-%m-%d} ")
        when = f"{record.began:%Y-%m-%d %H:%M} to {until} (UTC{record.began.isoformat()[-6:]})"
    bands = "; ".join(f"{firing} fire {_say_band(setup, edges)}" for firing, edges in setup.bands.items())
    source = "invented" if setup.practice else "by the maker's instructions"
    told = [
        ("Boiler", setup.boiler), ("Serial number", setup.serial), ("Place", setup.site),
        ("Visit", f"{setup.visit.replace('-', ' ')}, {when}"), ("Why", setup.reason),
        *([("New valve", setup.valve)] if setup.visit in CHANGES_VALVE else []), ("Done by", setup.technician),
        ("Analyser", _say_analyser(setup)), ("Calibrated", _say_calibrated(record)),
        ("Fuel, bands", f"{setup.fuel.name}; CO2 {bands}, {source}"),
        ("CO limit", f"{_say_co_limit(setup)}"), ("Appliance left", record.told.get(OUTCOME, "")),
    ]  # fmt: skip
    half = pages.width / 2
    for pair in (told[i : i + 2] for i in range(0, len(told), 2)):
        for index, (_, words) in enumerate(pair):
            if not words:
                with pages.at_level():
                    pages.down -= TEXT_PT + 1
                    pages.rule(half * index + 66, half - 76, 0.4)
        cells = [(label, half * index, 62.0) for index, (label, _) in enumerate(pair)]
        pages.row([*cells, *((words, half * i + 66, half - 76) for i, (_, words) in enumerate(pair))])


def _say_analyser(setup: JobSetup) -> str:
    if not setup.analyser:
        return ""
    serial = f", serial number {setup.analyser_serial}" if setup.analyser_serial else ""
    good = f", good to {setup.analyser_accuracy_pct:g} % CO2" if setup.analyser_accuracy_pct else ""
    return f"{setup.analyser}{serial}; display step {setup.display_step_pct:g} % CO2{good}"


def _say_calibrated(record: Record) -> str:
    """The last calibration and how old it is; what it showed in clean air today."""
    said = []
    if record.calibrated and record.calibration_age_days is not None:
        old = record.calibration_age_days > record.setup.policy.calibration_days
        said.append(f"{record.calibrated}, {_count(record.calibration_age_days, 'day')} before")
        said += ["is it still valid by its maker's word?"] if old else []
    shown = [
        f"{gas} {record.told[item]}"
        for gas, item in (("O2", CLEAN_AIR_O2), ("CO", CLEAN_AIR_CO))
        if item in record.told
    ]
    said += [f"in clean air today {', '.join(shown)}"] if shown else []
    return "; ".join(said)


def _say_co_limit(setup: JobSetup) -> str:
    stated = setup.stated_co_limit
    own = f"{say_stated(*stated)} by the maker; " if stated else ""
    return f"{own}published {limits.CO_AIR_FREE_PPM:g} ppm air-free (ANSI/BPI-1200-S-2017)"


def _say_band(setup: JobSetup, edges: tuple[float, float]) -> str:
    (most, least), _ = flue_of(setup.fuel, edges)
    return f"{' to '.join(say_number(edge, 1) for edge in edges)} % (O2 {least:.1f} to {most:.1f} %)"


# ---- as found, as left


def _found_and_left(pages: Pages, record: Record) -> None:
    pages.heading("As found and as left", 190)
    places, widths = _columns(pages.width)
    pages.row([(f"{f.upper()} FIRE", places[3 * i], 3 * READING_PT) for i, f in enumerate(FIRINGS)], bold=True)
    heads = ("as found", "as left", "held against")
    pages.row(list(zip(heads * 2, places, widths, strict=True)), bold=True)
    pages.rule()
    pages.space(2)
    rates = [record.rates[firing] for firing in FIRINGS]
    for both in zip(*(quantities(record.setup, rate) for rate in rates), strict=True):
        if all((f.found, f.left, f.low, f.high) == (None,) * 4 for f in both):
            continue
        words = [word for figure, rate in zip(both, rates, strict=True) for word in _cells(figure, rate)]
        pages.row([(both[0].name, 0.0, NAME_PT), *zip(words, places, widths, strict=True)], bold=AS_LEFT)
    for words in _chances(rates, record.setup.analyser_accuracy_pct):
        pages.row([("Sure of the band", 0.0, NAME_PT), *zip(words, places, widths, strict=True)], bold=AS_LEFT)
    for name, said, later in (
        ("Read at", partial(_when, record), "last {}"),  # beside the figures as left, so that they hide no reading
        ("Row of the log", _row, "{}, not settled"),
    ):
        words = [
            word
            for rate in rates
            for word in (
                said(rate.as_found),
                said(rate.as_left),
                later.format(said(rate.read_later)) if rate.read_later else "",
            )
        ]
        pages.row([(name, 0.0, NAME_PT), *zip(words, places, widths, strict=True)])
    pages.space(2)
    for rate in rates:
        if rate.found_notes:
            notes = ", ".join(note.text for note in rate.found_notes)
            pages.text(f"{rate.firing.capitalize()} fire as found: {notes}.")
        if rate.left_note:
            pages.text(f"{rate.firing.capitalize()} fire as left: MISSING, {rate.left_note.text}.", bold=True)
    pages.text(
        "CO air-free: without excess air. O2: against this fuel's line. Excess-air ratio, dew point: from CO2. "
        "Flue loss: before what condensing gives back.",
        6.5,
    )


def _chances(rates: Sequence[FiringRecord], accuracy_pct: float | None) -> Iterator[list[str]]:
    """Cells of the table: how sure the band is, by the readings and with the analyser's own accuracy counted in."""
    with_analyser = f"analyser \u00b1{accuracy_pct:g} % too" if accuracy_pct else ""
    for how, chances in (
        ("by the readings", [rate.chance_in_band for rate in rates]),
        (with_analyser, [rate.chance_with_accuracy for rate in rates]),
    ):
        if any(chance is not None for chance in chances):
            yield [cell for chance in chances for cell in ("", _sure(chance), how)]


def _sure(chance: float | None) -> str:
    if chance is None:
        return NONE
    return "over 99 %" if chance > 0.99 else say_chance(chance)


def _columns(width: float) -> tuple[list[float], list[float]]:
    """Places and widths of the six columns beside the names: as found, as left, held against, at either rate."""
    rate = (width - NAME_PT) / len(FIRINGS)
    widths = [READING_PT, READING_PT, rate - 2 * READING_PT - GAP_PT]
    starts = [0.0, READING_PT, 2 * READING_PT]
    return [NAME_PT + i * rate + start for i in range(len(FIRINGS)) for start in starts], widths * len(FIRINGS)


def _cells(quantity: FlueQuantity, rate: FiringRecord) -> tuple[str, str, str]:
    missing = "MISSING" if quantity.name == "CO2" else NONE
    left = say_quantity(quantity, quantity.left) if rate.as_left else missing
    return say_quantity(quantity, quantity.found), left, say_allowed(quantity)


def _when(record: Record, flue: Flue | None) -> str:
    return record.clock(flue.time, seconds=True) if flue else NONE


def _row(flue: Flue | None) -> str:
    return str(flue.row) if flue else NONE


# ---- pressures and turns


def _supply(pages: Pages, record: Record) -> None:
    pages.heading("Gas pressure and input against the data plate")
    if not record.supply:
        pages.text("No range of the data plate was stated and no input measured.")
    for supply in record.supply:
        plate = f"data plate {supply.plate[0]:g} to {supply.plate[1]:g} {supply.unit}" if supply.plate else ""
        name = supply.name[:1].upper() + supply.name[1:]
        pages.row([(name, 0.0, 150.0), (_say_supply(record, supply), 154.0, 190.0), (plate, 348.0, pages.width - 348)])
    if record.drop:
        pages.text(record.drop.text)


def _say_supply(record: Record, supply: Supply) -> str:
    if supply.value is None or supply.time is None:
        return "NOT CHECKED"
    verdict = {True: ", ok", False: ", OUTSIDE", None: ""}[supply.inside]
    value = f"{supply.value:.4g} {supply.unit}"
    return f"{f'{supply.typed} ({value})' if supply.typed else value} at {record.clock(supply.time)}{verdict}"


def _turns(pages: Pages, record: Record) -> None:
    pages.heading("Turns of the screws")
    for screw in SCREWS[::-1]:
        made = [turn for turn in record.turns if turn.screw == screw]
        net = record.net_turns_cw[screw]
        words = f"{_count(len(made), 'turn')}, net {say_turn(net)} from as found" if made else "not turned"
        taken = record.setup.clockwise[screw]
        way = "direction not known" if taken == "unknown" else f"clockwise is {taken}"
        pages.text(f"{screw.capitalize()} screw (set at {FIRING_FOR[screw]} fire; {way}): {words}.")
    pages.space(2)
    _in_columns(pages, [f"{record.clock(turn.time, seconds=True)}  {_say_turn_made(turn)}" for turn in record.turns])
    if any(seen.finding.severity == "halt" and not seen.cleared for seen in record.seen):
        for back in record.way_back:
            pages.text(f"To put it back as found: {back.text}")


def _in_columns(pages: Pages, lines: Sequence[str], count: int = 2) -> None:
    """Lines down columns; one below the other over the whole width where one of them is long."""
    if any(len(wrapped(line, pages.width / count - 8)) > MOST_IN_COLUMN for line in lines):
        count = 1
    column, deep = pages.width / count, -(-len(lines) // count)
    for index in range(deep):
        pages.row([(line, column * place, column - 8) for place, line in enumerate(lines[index::deep])])


def _say_turn_made(turn: Turn) -> str:
    at = f" at {turn.firing} fire" if turn.firing not in (None, FIRING_FOR[turn.screw]) else ""
    over = ", ! above the cap" if turn.over_cap else ""
    over = f", ! not advised: {turn.refused.text.removesuffix('.')}" if turn.refused else over
    note = f"; {turn.note}" if turn.note else ""
    return f"{turn.screw} {say_turn(turn.turns_cw)}{at}{over}{note}"


# ---- findings and the rest


def _findings(pages: Pages, record: Record) -> None:
    """What was wrong, and what was left out."""
    pages.heading(STOPS, 12)
    if record.highest_co:
        pages.text(_say_highest_co(record, record.highest_co))
    for row in record.offs:
        note = f": {row.event.note}" if row.event.note else ""
        pages.text(f"Burner off at {record.clock(row.event.time)}, row {row.number}{note}.")
    if not record.offs and not [seen for seen in record.seen if seen.finding.code != "closed"]:
        pages.text("No stop came, and no warning stands.")
    letters = plots.finding_letters(record)
    for index, (seen, letter) in enumerate(zip(record.seen, letters, strict=True)):
        if seen.finding.code != "closed":  # the appliance is left: said above
            later = record.seen[index + 1] if index + 1 < len(record.seen) else None
            same = later and later.finding.severity == "halt" and seen.told and later.told == seen.told
            said = _say_seen(record, seen, f"Cleared with {letters[index + 1]}." if same else "")
            pages.row([(letter, 0.0, 14.0), (said, 16.0, pages.width - 16)])
    if record.finished and not record.skipped:
        pages.text("No stage was skipped.")
    for stage, reason in record.skipped:
        pages.text(f"Skipped: {_called(stage)}. Reason: {reason or 'not given'}.")


def _called(stage: str) -> str:
    return STAGES[stage].called if stage in STAGES else stage


def _say_highest_co(record: Record, highest: HighestCO) -> str:
    air_free = "" if highest.air_free_ppm is None else f", {highest.air_free_ppm:.0f} air-free"
    at = f" at {highest.firing} fire" if highest.firing in FIRINGS else ""
    when = f"{record.clock(highest.time)}, row {highest.row}"
    return f"Highest CO of the visit: {highest.co_ppm:g} ppm{air_free}{at}, {when}."


def _say_seen(record: Record, seen: Seen, cleared: str) -> str:
    """What was seen, when, and how it was cleared: as `cleared` says, where it does."""
    label, headline = LABELS[seen.finding.severity], seen.headline
    since = f"{label} at {record.clock(seen.time)}, row {seen.row}"
    told = "; ".join(_say_told(row.event) for row in seen.told)
    if seen.struck and seen.cleared:
        return f"{since}, struck at {record.clock(seen.cleared)} ({seen.struck}): {headline}"
    if seen.finding.severity != "halt":
        over = f"{since}, over at {record.clock(seen.cleared)}: {headline}" if seen.cleared else ""
        return over or f"{label}: {seen.finding.text}"
    if seen.cleared:
        how = "Then turned at {}: {}." if seen.told[-1].event.event == "turn" else "Cleared at {} by: {}."
        return f"{since}: {headline} {cleared or how.format(record.clock(seen.cleared), told)}"
    return f"{since}, still stands (see the top): {headline}{f' Told since: {told}.' if told else ''}"


def _say_told(event: Event) -> str:
    """What clears a stop, or says why it came."""
    said = say_event(event).removeprefix("check: ")
    return event.note if event.event == "firing" and event.note else said


def _rest(pages: Pages, record: Record) -> None:
    """Checks, remarks, struck rows and what was odd about the log."""
    checks = [f"{record.clock(row.event.time)}  {_say_check(row.event)}" for row in record.checks]
    remarks = [
        f"{record.clock(row.event.time)}, row {row.number}, {say_event(row.event).removeprefix('note: ')}"
        for row in record.remarks
        if row.event.item != LEFT_OUT
    ]
    left_out: dict[str, list[str]] = {}  # by reason, each once
    for row in record.remarks:
        if row.event.item == LEFT_OUT:
            left_out.setdefault(row.event.note, []).append(row.event.value)
    remarks += [f"{LEFT_OUT} ({reason}): {', '.join(what)}" for reason, what in left_out.items()]
    struck = [f"row {row.number}, {record.clock(row.event.time)}: {say_event(row.event)}" for row in record.struck]
    for heading, lines, columns in (
        ("Checks", checks, 2),
        ("Remarks", remarks, 2),
        ("Rows struck: they do not count", struck, 2),
        ("About the log file", record.warnings, 1),
    ):
        if lines:
            pages.heading(heading, 12)
            _in_columns(pages, lines, columns)


def _say_check(event: Event) -> str:
    note = f"; {event.note}" if event.note else ""
    return f"{named(event.item)}: {event.value} {event.unit}".rstrip() + note


# ---- pictures


def _pictures(pages: Pages, record: Record, stops: str) -> None:
    """CO2 against time and the fitted response; `stops` says what a letter in a box is."""
    if not record.readings:
        pages.heading("CO2 against time")
        pages.text("No reading was taken: there is nothing to draw.")
        return
    parts = plots.spans(record, plots.most_turns(pages.width - 34))
    for number, (start, end) in enumerate(parts, 1):
        part = f", part {number} of {len(parts)}" if len(parts) > 1 else ""
        pages.heading(f"CO2 against time{part}", AXES_PT + LANES_PT + CLOCK_PT + LEGEND_PT + 10)
        _visit(pages, record, start, end, stops)
    pages.heading("What the screws did: fitted response", RESPONSE_PT + 30)
    _responses(pages, record)


def _visit(pages: Pages, record: Record, start: datetime, end: datetime, stops: str) -> None:
    figure, left = pages.figures[-1], 34.0
    frames = []
    for height in (AXES_PT, LANES_PT):
        frames.append(figure.add_axes(pages.area(height, left)))
        frames[-1].patch.set_alpha(0.0)
        pages.down -= height
    by_letter = plots.draw_visit(frames[0], frames[1], record, start, end)
    pages.down -= CLOCK_PT
    x, bottom, _, height = pages.area(LEGEND_PT, left)
    figure.legend(
        handles=plots.legend_handles(record), loc="upper left", bbox_to_anchor=(x, bottom + height), ncols=3,
        fontsize=plots.SMALL, frameon=False, borderaxespad=0.0, borderpad=0.2,
    )  # fmt: skip
    pages.down -= LEGEND_PT
    boxes = f"Letter in a box: {stops}." if any(plots.finding_letters(record)) else ""
    short = "H, L: high, low fire. " if by_letter else ""
    pages.text(f"Dash-dot line: change of firing rate. {short}{boxes}", 6.5)


def _responses(pages: Pages, record: Record) -> None:
    turned = [SCREW_FOR[firing] for firing in FIRINGS if record.read_since_turned(SCREW_FOR[firing])]
    column = pages.width / 2
    pages.down -= 4
    for index, screw in enumerate(turned):
        box = pages.area(RESPONSE_PT - 32, column * index + 36, column - 46)
        axes = pages.figures[-1].add_axes(box)
        axes.patch.set_alpha(0.0)
        plots.draw_response(axes, record.responses[screw], record.steps[screw], record.setup.cap_turns[screw])
    if turned:
        pages.down -= RESPONSE_PT
    cells = []
    for index, firing in enumerate(FIRINGS):
        cells.append((_say_effect(record, SCREW_FOR[firing]), column * index, column - 10))
    pages.row(cells)
    if turned:
        pages.text(
            "Line: CO2 change for a turn from where the screw stands now; hatched: its 90 % range; dots: "
            "what the display showed from one settled reading to the next, play and rounding in it.",
            6.5,
        )


def _say_effect(record: Record, screw: Screw) -> str:
    response = record.responses[screw]
    if not record.read_since_turned(screw):
        why = f"no settled reading at {response.firing} fire since it was turned" if response.n_moves else "not turned"
        return f"{screw.capitalize()} screw: {why}, so what it does is not known."
    gains = (response.gain_per_turn, response.gain_low, response.gain_high)
    gain, low, high = (round(value / 12, 2) + 0.0 for value in gains)  # no "-0.00"
    return (
        f"{screw.capitalize()} screw: 1/12 turn clockwise makes about {gain:+.2f} % CO2 at {response.firing} fire "
        f"(likely {low:+.2f} to {high:+.2f}). {' '.join(response.not_known)}"
    )


# ---- the end


def _sign(pages: Pages, record: Record) -> None:
    pages.heading("Cautions and signatures", 2 * SIGN_PT + 4 * TEXT_PT * LINE_SPACE)
    for caution in CAUTIONS:
        pages.text(caution.format(came="typed in or stored by the analyser" if record.traced else "typed in"))
    column = pages.width / 3
    for who in ("Licensed person, name and licence", "Customer, name"):
        pages.need(SIGN_PT)
        pages.space(SIGN_PT - 14)
        for index in range(3):
            pages.rule(column * index, column - 14, 0.8)
        pages.space(2)
        labels = (who, "Signature", "Date")
        pages.row([(label, column * index, column - 14) for index, label in enumerate(labels)], 7.0)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
