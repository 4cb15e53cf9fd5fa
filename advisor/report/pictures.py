"""The pictures of a visit laid out on pages: CO2 against time, and what the screws did."""

from datetime import datetime

from advisor.log.events import FIRINGS
from advisor.report import plots
from advisor.report.pages import Pages
from advisor.report.record import Record
from advisor.response.model import SCREW_FOR

AXES_PT, LANES_PT, CLOCK_PT, LEGEND_PT, RESPONSE_PT = 135.0, 92.0, 28.0, 26.0, 124.0


def draw(pages: Pages, record: Record) -> None:
    """CO2 against time and the fitted response."""
    if not record.readings:
        pages.heading("CO2 against time")
        pages.text("No reading was taken: there is nothing to draw.")
        return
    parts = plots.spans(record, plots.most_turns(pages.width - 34))
    for number, (start, end) in enumerate(parts, 1):
        part = f", part {number} of {len(parts)}" if len(parts) > 1 else ""
        pages.heading(f"CO2 against time{part}", AXES_PT + LANES_PT + CLOCK_PT + LEGEND_PT + 10)
        _visit(pages, record, start, end)
    pages.heading("What the screws did: fitted response", RESPONSE_PT + 30)
    _responses(pages, record)


def _visit(pages: Pages, record: Record, start: datetime, end: datetime) -> None:
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
    boxes = "Letter in a box: the stop with that letter under Findings." if any(plots.finding_letters(record)) else ""
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
        plots.draw_response(axes, record.responses[screw], record.steps[screw], record.facts.cap_turns[screw])
    if turned:
        pages.down -= RESPONSE_PT
    cells = []
    for index, firing in enumerate(FIRINGS):
        cells.append((_say_response(record, SCREW_FOR[firing]), column * index, column - 10))
    pages.row(cells)
    if turned:
        pages.text(
            "Line: CO2 change for a turn from where the screw stands now; hatched: where it lies 9 times in 10; dots: "
            "what the display showed from one settled reading to the next, slack and rounding in it.",
            6.5,
        )


def _say_response(record: Record, screw: str) -> str:
    response = record.responses[screw]
    if not record.read_since_turned(screw):
        why = f"no settled reading at {response.firing} fire since it was turned" if response.n_moves else "not turned"
        return f"{screw.capitalize()} screw: {why}, so what it does is not known."
    gains = (response.gain_per_turn, response.gain_low, response.gain_high)
    gain, low, high = (round(value / 12, 2) + 0.0 for value in gains)  # no "-0.00"
    return (
        f"{screw.capitalize()} screw: 1/12 turn clockwise makes about {gain:+.2f} % CO2 at {response.firing} fire "
        f"({low:+.2f} to {high:+.2f}, 9 times in 10). {' '.join(response.not_known)}"
    )
