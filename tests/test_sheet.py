"""The record as pages: every figure can be read off the PDF, nothing overlaps, hostile text stays text."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from console import ROOT
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox
from pypdf import PdfReader
from replay import BANDS, Made, Told, at_high, new_job, of_demo, record
from test_cli import run, words

from advisor import Job
from advisor.errors import LogError
from advisor.log.events import Event
from advisor.report import pages, plots, sheet
from advisor.report.record_data import data_of

pytestmark = pytest.mark.usefixtures("workplace")

HOSTILE = (
    "x" * 900,
    "a\nb\tc\x1b[31m\x07 \x85 \u2028 end",
    "<b>bold</b> $x^2$ $\\frac{1}{ \\alpha _{}^ %&#~",
    "שלום עולם مرحبا \u202eevil\u202c",
    "=1+1",
    "@SUM(A1) -2+3",
    "漢字 😀 👩\u200d👩 \U000f0000",
    "word " * 190,
)


def demo(name: str) -> Path:
    return ROOT / "demo_logs" / f"{name}.csv"


def pdf_text(path: str = "sheet.pdf") -> str:
    """All text of a PDF as words one space apart."""
    return words(" ".join(page.extract_text() for page in PdfReader(path).pages))


def page_text(figures_made: Iterable[Figure]) -> str:
    """All text on pages as words one space apart, in the order it was written."""
    return words(" ".join(t.get_text() for figure in figures_made for t in figure.findobj(Text) if isinstance(t, Text)))


def opened() -> None:
    """A log with no row yet."""
    run("open", "visit.csv", "--fuel", "natural gas", "--high", "9.0:9.4", "--low", "8.6:9.0")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of the whole demo visit as a PDF."""
    path = tmp_path_factory.mktemp("whole") / "sheet.pdf"
    status, out, err = run("sheet", str(demo("whole_visit")), str(path))
    assert (status, "".join(out.split()), err) == (0, "".join(f"Wrote{path}.".split()), "")
    return path


def hostile_job(path: Path) -> Job:
    """A job with hostile text wherever text can be."""
    told, plate = Told(), (17.0, 25.0, "mbar")
    job = told.job = Job.create(
        path, fuel="natural gas", bands=BANDS, site="\n".join(HOSTILE), analyser=HOSTILE[3] + HOSTILE[6],
        pressures={HOSTILE[2]: plate, "=1+1": plate},
    )  # fmt: skip

    def at() -> datetime:
        return told.wait(40).now

    job.run_at("high", at=at(), note=HOSTILE[0])
    for index, odd in enumerate(HOSTILE):
        job.read("high", 8.3 + 0.05 * index, 6.2 - 0.09 * index, 22, at=at(), note=odd)
        job.turn("throttle", (-1) ** index / 24, at=at(), note=odd)
        job._append(Event(at(), "check", item=odd[:900], value=odd, unit=odd[:50], note=odd))
        job.note(odd, at=at())
        job.note(odd, item="skipped stage", value=odd, at=at())
    job.void(3, at=at(), note=HOSTILE[3])
    return job


def busy_job(n_turns: int, seconds: float = 8.0, both: bool = False) -> Job:
    """Many turns within a short time, in memory."""
    told = Told().run_at("high")
    for index in range(n_turns):
        told.wait(seconds).job.read("high", 9.0 + 0.1 * (index % 3), 5.0, 15, at=told.now)
        screw = "offset" if both and index % 2 else "throttle"
        told.wait(2).turn(screw, (-1) ** index * (1 / 24 + index % 2 / 8))
    return told.job


def seen(figure: Figure) -> list[Text]:
    """All text that is seen on a figure; of a tick's labels only where the tick is in view."""
    figure.draw_without_rendering()
    unseen = {
        label
        for axes in figure.axes
        for axis in (axes.xaxis, axes.yaxis)
        for tick in axis.get_major_ticks()
        for label in (tick.label1, tick.label2)
        if not min(axis.get_view_interval()) <= tick.get_loc() <= max(axis.get_view_interval())
    }
    found = [text for text in figure.findobj(Text) if text.get_visible() and text.get_text().strip()]
    return [text for text in found if text not in unseen]


def boxes(figure: Figure) -> list[tuple[str, Bbox]]:
    """Every text that a page shows, with what it covers in points."""
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    return [(text.get_text(), text.get_window_extent(renderer)) for text in seen(figure) if text.get_gid() != "stamp"]


def faults(figure: Figure) -> list[tuple[str, ...]]:
    """Pairs of texts that lie over each other by more than half a point, and texts that leave the page."""
    shown = boxes(figure)
    x0, y0, x1, y1 = np.array([box.padded(-0.5).extents for _, box in shown]).reshape(-1, 4).T
    apart = (x1[:, None] < x0) | (x1 < x0[:, None]) | (y1[:, None] < y0) | (y1 < y0[:, None])
    width, height = figure.get_size_inches() * figure.dpi
    beyond = np.nonzero((x0 < 0) | (y0 < 0) | (x1 > width) | (y1 > height))[0]
    pairs = [(shown[i][0], shown[j][0]) for i, j in zip(*np.nonzero(~apart), strict=True) if i < j]
    return [*pairs, *((shown[i][0],) for i in beyond)]


def test_every_as_left_figure_is_in_the_pdf_with_its_unit(whole: Path) -> None:
    """The text of the PDF holds the as-left figures of both rates, and what they are held against."""
    printed, made = pdf_text(str(whole)), of_demo("whole_visit")
    forms = ("{:.1f} %", "{:.1f} %", "{:.0f} ppm", "{:.0f} ppm", "{:.4f}", "{:.3f}", *["{:.1f} °C"] * 3, "{:.1f} %")
    for rate in made.rates.values():
        assert rate.as_left is not None
        for form, value in zip(forms, vars(rate.as_left.gas).values(), strict=True):
            assert form.format(value) in printed, value
        assert f"{rate.band[0]:.1f} to {rate.band[1]:.1f} %, ok" in printed
    for shown in ("Harbour Street cold store", "20.4 mbar", "data plate 17 to 25 mbar", "at most 400 ppm, ok"):
        assert shown in printed
    assert "NOT FINISHED" not in printed
    assert "PRACTICE" not in printed
    assert "not settled" not in printed.split("CO2 against time")[0]
    for turn in made.turns:
        assert f"{turn.time:%H:%M:%S} {turn.screw} " in printed
        assert plots.say_short(turn) in printed


def test_an_unfinished_job_says_so_first_and_what_is_missing() -> None:
    """NOT FINISHED stands at the top with every missing thing below; the as-left figure is MISSING, not guessed."""
    made = of_demo("loose_probe")
    printed = page_text(sheet.pages_of(made, "a"))
    assert printed.startswith("NOT FINISHED Combustion setting record NOT FINISHED")  # across the page, in its frame
    assert len(made.missing) > 2
    assert all(words(why.text) in printed for why in made.missing)
    assert made.rates["low"].left_note
    assert f"Low fire as left: MISSING, {made.rates['low'].left_note.text}" in printed
    assert printed.count("STOP at") == 1
    opened()
    status, out, _ = run("sheet", "visit.csv", "sheet.svg")
    assert status == 0
    assert words(out).startswith(
        "Wrote sheet.svg, sheet-2.svg. The sheet says NOT FINISHED at the top: Missing High fire: "
    )


def checked() -> Told:
    """Pressures in another unit and in that of the data plate, and two answers of words."""
    told = Told(pressures=dict.fromkeys(("working pressure", "standing pressure"), (7.0, 11.0, "inH2O")))
    told.check("working pressure", 81, "mbar").check("standing pressure", 9, "inH2O")
    return told.check("copy left", "yes").check("other appliances", "none there")


def over_two_days() -> Told:
    told = Told(pressures={"working pressure": (17.0, 25.0, "mbar")}).check("CO alarm", "no").wait(1)
    told.job.note("rain", at=told.now)
    told.wait(24 * 3600 - 1).check("working pressure", 20, "mbar").wait(3600).job.note("slip", at=told.now)
    return told.wait(3600).void()


def mended(told: Told) -> Told:
    """A stop for CO, and the cause told with the new start."""
    for firing, note in (("off", ""), ("high", "intake cleared")):
        told.job.run_at(firing, at=told.wait(10).now, note=note)
    return told.wait(150).read("high", 9.2).read("high", 9.2)


PRINTED: list[tuple[Made, list[str]]] = [  # job, what is printed and ("-") what is not
    (Told, ["NOT FINISHED", "High fire as left: MISSING, not read", "Low fire as left: MISSING, not read",
            "No stop came, and no warning stands.", "No reading was taken: there is nothing to draw."]),
    (lambda: Told().check("pressure drop", "no").skip("gas pressure"),  # skipped past a stop
     ["NOT FINISHED", "STOP at 09:00, row 1, still stands (see the top): ", "-No findings."]),
    (checked, ["81 mbar (32.52 inH2O) at 09:00, OUTSIDE", "9 inH2O at 09:00, ok", "-(9 inH2O",
               "A copy of the record stays with the boiler: yes", "Other appliances: none"]),
    (over_two_days, ["05-04 09:00 Room CO alarm on: no", "STOP at 05-04 09:00, row 1", "20 mbar at 05-05 09:00, ok",
                     "05-04 09:00, row 2, rain", "row 4, 05-05 10:00: note: slip"]),
    (at_high, ["Boiler Serial number Place Visit valve change",
               "Licensed person, name and licence Signature Date",  # lines to write on
               "Customer, name Signature Date"]),
    (lambda: at_high().check("serial number", "0012", "AB-7"),
     ["Serial number 0012 AB-7 Place", "-serial number: 0012"]),
    # a last reading that was not settled is said beside the figures as left
    (lambda: at_high(9.2).read("high", 9.2).at("low", 8.8).at("high", 9.5, after_s=35),
     ["last 09:07:05", "7, not settled"]),
    # how stops were cleared; a limit as it was stated; O2 of the band as `open` says it
    (lambda: mended(at_high(9.2, co_limit=(100.0, "ppm")).read("high", 9.2, 160)),
     ["by: intake cleared; high fire: CO2 9.2 %", "160 ppm, over its limit of 100. Cleared", "at most 100 ppm, ok",
      "9.0 to 9.4 % (O2 4.3 to 5.0 %)", "-No stage was skipped", "-4.3 to 5.5"]),
    (lambda: at_high(8.2).throttle(1 / 24, 8.4, co=80).throttle(1 / 24, 8.6),
     ["was turned richer though CO at high fire was too high for it. Cleared at 09:08"]),
    (lambda: at_high().skip("before"), ["Skipped: preparation. Reason: in a hurry"]),
]  # fmt: skip


@pytest.mark.parametrize(("made", "texts"), PRINTED, ids=[row[1][0] for row in PRINTED])
def test_the_sheet_prints_what_it_should(made: Made, texts: list[str]) -> None:
    """And nothing that would gainsay it."""
    printed = page_text(sheet.pages_of(record(made().job), "visit.csv"))
    assert [text for text in texts if (text.lstrip("-") in printed) == text.startswith("-")] == []


def test_the_picture_says_what_its_lines_and_letters_are() -> None:
    """One line under it; no word of letters where there are none."""
    change, letter = "Dash-dot line: change of firing rate.", "Letter in a box: a stop, named in the record"
    for name, lettered in (("whole_visit", False), ("reversed_screw", True)):
        printed = page_text(sheet.picture_of(of_demo(name), "visit.csv"))
        assert change in printed
        assert (letter in printed) is lettered


def test_every_run_of_a_rate_is_named_in_the_picture() -> None:
    """A run too short for LOW FIRE says LOW; one of seconds says L, and L is explained."""

    def told() -> Told:
        return at_high().wait(1200).read("high", 8.3).run_at("low")

    for made, rates, explained in (
        (told().wait(240).read("low", 8.8), ["HIGH FIRE", "LOW FIRE"], False),
        (told().wait(75).read("low", 8.8), ["HIGH FIRE", "LOW"], False),
        (told(), ["HIGH FIRE", "L"], True),
    ):
        (figure,) = sheet.picture_of(record(made.job), "visit.csv")
        assert [text.get_text() for text in figure.axes[0].texts] == rates
        assert ("H, L: high, low fire." in page_text([figure])) is explained
        assert faults(figure) == []


def test_the_same_log_gives_the_same_bytes(whole: Path) -> None:
    """No date of printing gets in: a rerun is the same file, in every format."""
    info = PdfReader(whole).metadata
    assert info is not None
    assert (info.title, "/CreationDate" in info) == (sheet.TITLE, False)
    drawn = [sheet.picture_of(record(busy_job(2)), "a") for _ in range(2)]
    for suffix in (".pdf", ".svg", ".png"):
        made = [pages.save(d, Path(f"{n}{suffix}"), "t")[0].read_bytes() for n, d in enumerate(drawn)]
        assert made[0] == made[1], suffix


def test_fonts_are_embedded_as_truetype(whole: Path) -> None:
    """The PDF carries its fonts (type 42), so that its text can be searched and prints everywhere."""
    kinds = set()
    for page in PdfReader(whole).pages:
        fonts: Any = page["/Resources"]["/Font"]  # type: ignore[index]
        for font in fonts.values():
            inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font.get_object()
            kinds.add(inner["/Subtype"])
            assert "/FontFile2" in inner["/FontDescriptor"]
    assert kinds
    assert kinds <= {"/CIDFontType2", "/TrueType"}


def test_no_texts_overlap_and_none_leaves_the_page() -> None:
    """On every page of every kind of job the texts lie apart, by the renderer's own extents."""
    for number, made in enumerate((
        *(sheet.pages_of(of_demo(name), name) for name in ("whole_visit", "loose_probe")),
        sheet.pages_of(of_demo("whole_visit"), "visit.csv", "letter"),
        sheet.pages_of(record(hostile_job(Path("hostile.csv"))), HOSTILE[0]),
        sheet.pages_of(record(busy_job(30, both=True)), "busy.csv"),
        sheet.picture_of(record(busy_job(30)), "busy.csv"),
        sheet.pages_of(record(new_job(fuel="propane")), "empty.csv"),
    )):  # fmt: skip
        assert [faults(figure) for figure in made] == [[] for _ in made], number


def test_the_overlap_test_can_fail() -> None:
    """Two texts at one place are found, and one beyond the edge."""
    figure = Figure(figsize=(4, 4), dpi=72)
    for place in (0.5, 0.505, 0.99):
        figure.text(place, 0.5, "9.2 %")
    assert faults(figure) == [("9.2 %", "9.2 %"), ("9.2 %",)]


def test_hostile_text_stays_text() -> None:
    """Markup, formulas, control and direction codes are printed as they are; the CSV is read back whole."""
    job = hostile_job(Path("visit.csv"))
    status, _, err = run("sheet", "visit.csv", "sheet.pdf")
    assert (status, err) == (0, "")
    printed = pdf_text()
    for shown in ("<b>bold</b> $x^2$", "=1+1", "\\x1b[31m\\x07", "\\u202eevil\\u202c", pages.LACKING):
        assert shown in printed
    assert "x" * 80 in printed
    assert not any(code in printed for code in ("\x1b", "\u202e", "\u202c"))
    again = Job.load("visit.csv")
    assert (again.events, again.setup) == (job.events, job.setup)
    frame = pd.read_csv("visit.csv", comment="#")
    assert len(frame) == len(job.events)
    assert not frame.map(lambda cell: str(cell).lstrip().startswith(("=", "+", "@"))).any(axis=None)


def test_a_job_of_120_rows_goes_on_over_pages() -> None:
    """Every turn of a very long job is listed and drawn, the picture in parts, each page numbered."""
    made = record(busy_job(60, 20.0))
    assert made.n_rows == 121
    drawn = sheet.pages_of(made, "long.csv")
    printed = page_text(drawn)
    assert f"page {len(drawn)} of {len(drawn)}" in printed
    assert "CO2 against time, part 2 of 2" in printed
    for turn in made.turns:
        assert f"{turn.time:%H:%M:%S} {turn.screw} " in printed
    labels = [t.get_text() for figure in drawn for axes in figure.axes for t in axes.texts]
    for say in {plots.say_short(turn) for turn in made.turns}:
        assert labels.count(say) == [plots.say_short(turn) for turn in made.turns].count(say)
    assert all(faults(figure) == [] for figure in drawn)


def test_practice_is_written_across_every_page() -> None:
    """A made-up boiler's record says PRACTICE on each page, also in the head; a real one's nowhere."""
    real = record(busy_job(2))
    made_up = replace(real, setup=replace(real.setup, practice=True))
    for record_made, stamps in ((real, 0), (made_up, 1)):
        drawn = sheet.pages_of(record_made, "a")
        for figure in (*drawn, *sheet.picture_of(record_made, "a")):
            assert stamps_of(figure).count("PRACTICE") == stamps
        assert ("Practice on a made-up boiler" in page_text(drawn)) == bool(stamps)


def stamps_of(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.texts if text.get_gid() == "stamp"]


def test_not_finished_and_what_is_open_stand_on_every_page() -> None:
    """Across the page, and by name at the top of each page but the first, which tells all of it."""
    told = Told().skip("before", "gas pressure").at("high", 9.2).at("low", 8.8)
    for _ in range(60):
        told.wait(60).job.note("a remark that takes its room " * 3, at=told.now)
    drawn = sheet.pages_of(record(told.job), "visit.csv")
    assert [stamps_of(figure) for figure in drawn] == [["NOT FINISHED"]] * len(drawn)
    assert len(drawn) > 2
    for figure in drawn:
        printed = page_text([figure])
        assert all(item in printed for item in ("NOT FINISHED", "CO alarm", "working pressure"))
        assert faults(figure) == []


def test_co_that_was_struck_is_printed_under_findings() -> None:
    """With its row, its reason and what it was."""
    told = at_high().read("high", 9.2, 900)
    told.wait(5).void(3, "probe touched the floor")
    printed = page_text(sheet.pages_of(record(told.job), "visit.csv"))
    assert "row 3, struck at 09:03 (probe touched the floor): CO at high fire was 1161 ppm air-free" in printed


@pytest.mark.parametrize(
    ("file", "status", "message"),
    [
        ("sheet.doc", 2, "'sheet.doc': the name must end in .pdf, .png or .svg"),
        ("sheet", 2, "'sheet': the name must end in .pdf, .png or .svg"),
        ("no/where.pdf", 1, "no/where.pdf: there is no folder no. Make it first, or choose another"),
        ("old.pdf", 1, "old.pdf: this file exists. Choose another name, or say --overwrite"),
        ("odd.pdf", 1, "odd.pdf: this is a folder. Give the name of a file, such as odd.pdf/sheet.pdf"),
    ],
)
def test_a_name_that_can_not_be_written_is_refused(file: str, status: int, message: str) -> None:
    """Another suffix, a missing folder, a file that is there: one sentence each, nothing is written."""
    opened()
    Path("old.pdf").write_text("mine", encoding="utf-8")
    Path("odd.pdf").mkdir()
    for command in (["sheet", "visit.csv", file], ["show", "visit.csv", "--plot", file]):
        got, out, err = run(*command)
        assert (got, out, words(err)) == (status, "", message)
    assert Path("old.pdf").read_text(encoding="utf-8") == "mine"
    assert {path.name for path in Path().iterdir()} == {"visit.csv", "old.pdf", "odd.pdf"}


def test_overwrite_replaces_the_file() -> None:
    """With --overwrite the old file gives way, whole."""
    opened()
    Path("old.svg").touch()
    assert run("sheet", "visit.csv", "old.svg", "--overwrite")[0] == 0
    assert Path("old.svg").read_bytes().startswith(b"<?xml")


def test_further_pages_of_a_picture_file_are_numbered() -> None:
    """Of .png and .svg the second page is NAME-2; where that name is taken nothing is written at all."""
    both = [Figure(figsize=(1, 1)), Figure(figsize=(1, 1))]
    assert pages.save(both, Path("a.png"), "t") == [Path("a.png"), Path("a-2.png")]
    Path("b-2.svg").write_text("mine", encoding="utf-8")
    with pytest.raises(LogError, match=r"^b-2\.svg: this file exists\."):
        pages.save(both, Path("b.svg"), "t")
    assert not Path("b.svg").exists()


def test_a_folder_that_may_not_be_written_is_said_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """A read-only folder is refused in plain words and nothing is left behind."""

    def refuse(self: Path, data: bytes) -> int:
        raise PermissionError(13, "Permission denied", str(self))

    opened()
    monkeypatch.setattr(Path, "write_bytes", refuse)
    status, out, err = run("sheet", "visit.csv", "sheet.svg")
    assert (status, out) == (1, "")
    assert words(err) == "sheet.svg: this may not be written: check the rights on the folder"
    assert [path.name for path in Path().iterdir()] == ["visit.csv"]


def test_letter_and_a4_have_their_sizes(whole: Path) -> None:
    """A4 (the default) is 210 by 297 mm (ISO 216), Letter 8.5 by 11 inches; another paper is refused."""
    opened()
    run("sheet", "visit.csv", "letter.pdf", "--paper", "Letter")
    for path, size in ((whole, (210 / 25.4 * 72, 297 / 25.4 * 72)), (Path("letter.pdf"), (612.0, 792.0))):
        box = PdfReader(path).pages[0].mediabox
        assert (float(box.width), float(box.height)) == pytest.approx(size, abs=0.1)
    status, _, err = run("sheet", "visit.csv", "b.pdf", "--paper", "b5")
    assert (status, words(err)) == (2, "paper 'b5': it is a4 or letter")


def test_show_plot_draws_and_still_says_the_job() -> None:
    """`show --plot` writes the picture beside its usual answer."""
    status, out, err = run("show", str(demo("half_way")), "--plot", "visit.svg")
    assert (status, err) == (0, "Wrote visit.svg.\n")
    assert out == run("show", str(demo("half_way")))[1]
    assert Path("visit.svg").read_text(encoding="utf-8").startswith("<?xml")


def test_readings_differ_by_shape_and_bands_by_hatch() -> None:
    """In black and white: settled, not settled and in doubt have different marks, the bands different hatches."""
    marks = {rate: [plots._sample(rate, state).get_marker() for state in plots.STATE_SIZE] for rate in BANDS}
    assert [len(set(of_rate)) for of_rate in marks.values()] == [3, 3]
    assert marks["high"][0] != marks["low"][0]
    assert len(set(plots.RATE_HATCH.values())) == 2


@pytest.mark.parametrize(
    ("wanted", "gap", "placed"),
    [
        ([0.0, 10.0], 1.0, [0.0, 10.0]),  # apart already
        ([5.0] * 6, 1.0, [2.5, 3.5, 4.5, 5.5, 6.5, 7.5]),
        ([9.9, 9.95], 1.0, [9.0, 10.0]),
        ([1.0, 1.0, 1.0], 9.0, [0.0, 5.0, 10.0]),  # no room for the gap: evenly
        ([3.0], 1.0, [3.0]),
        ([], 1.0, []),
    ],
)
def test_labels_are_spread_no_further_than_needed(wanted: list[float], gap: float, placed: list[float]) -> None:
    """Spread labels keep order, gap and ends; those that are apart already stay where they are."""
    assert plots.spaced(wanted, gap, 0.0, 10.0) == pytest.approx(placed)


def test_the_fitted_response_draws_the_numbers_it_is_given() -> None:
    """The line has the gain as slope, the hatched field its 90 % range, the dots the steps."""
    made = of_demo("whole_visit")
    axes = Figure().add_subplot()
    response = made.responses["throttle"]
    plots.draw_response(axes, response, made.steps["throttle"], 1 / 8)
    x, y = (np.asarray(values, dtype=float) for values in axes.lines[0].get_data())
    assert y == pytest.approx(response.gain_per_turn * x)
    edges = axes.collections[0].get_paths()[0].vertices
    at_right = sorted({round(float(v[1]), 9) for v in edges if v[0] == x[-1]})
    assert at_right == pytest.approx([response.gain_low * x[-1], response.gain_high * x[-1]])
    assert list(zip(*axes.lines[1].get_data(), strict=True)) == [pytest.approx(step) for step in made.steps["throttle"]]


@pytest.mark.parametrize("hostile", HOSTILE, ids=range(len(HOSTILE)))
def test_wrapped_lines_keep_their_width_and_lose_no_word(hostile: str) -> None:
    """No line is wider than asked for, and all that was to be printed is there."""
    lines = pages.wrapped(hostile, 120.0)
    assert [line for line in lines if pages.width_pt(line, 8.0) > 120.0] == []
    assert "".join("".join(lines).split()) == "".join(pages.clean(hostile).split())


def test_no_line_ends_between_a_figure_and_its_unit() -> None:
    """At any width a figure stands with its unit, and a word that begins like one is no unit."""
    told = "high fire left at 10.58 %, low at 9.19 %. CO 250 ppm for 15 s in 12 min; 3 screws"
    for width in range(120, 300, 4):
        lines = pages.wrapped(told, width)
        assert not [line for line in lines if line.startswith(("%", "ppm", "s ", "min"))]
        assert " ".join(lines) == told
        assert all(pages.width_pt(line, 8.0) <= width for line in lines)


def test_a_burner_that_went_off_is_on_page_1_and_in_the_picture() -> None:
    """A lock-out is no quiet visit: with its time and reason, and no rate is drawn as running meanwhile."""
    told = at_high()
    told.job.run_at("off", at=told.now, note="locked out")
    made = record(told.wait(300).run_at("high").wait(150).read("high", 8.3).job)
    printed = sheet.pages_of(made, "visit.csv")
    assert "row 3: locked out." in page_text(printed[:1])
    assert "No stop, no warning." not in page_text(printed)
    (figure,) = sheet.picture_of(made, "visit.csv")
    assert [text.get_text() for text in figure.axes[0].texts] == ["HIGH FIRE", "BURNER OFF", "HIGH FIRE"]
    assert data_of(made, "visit.csv")["burner_off"][0]["note"] == "locked out"
