"""The command line: parse, call, print. Errors become exit codes in `main` and nowhere else."""

import json
import logging
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from advisor import parsing
from advisor.cli import options, terminal
from advisor.dialogue import entries, moments
from advisor.errors import AdvisorError, LogError, RangeError
from advisor.job import Job
from advisor.job_setup.setup import VISITS, JobSetup
from advisor.log.file import create_log
from advisor.messages import Finding
from advisor.report import answers, overview
from advisor.screws import FIRINGS, SCREWS

ANSWERED, UNUSABLE, WRONG_USAGE, REFUSED = 0, 1, 2, 3

app = typer.Typer(
    cls=options.PlainGroup,
    help="How far to turn next: advice on setting the CO2 of a premix condensing boiler after its gas valve was "
    "changed. It advises; the maker's instructions, the local code and the licensed person on site decide.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
command = partial(app.command, cls=options.PlainHelp)

Log = Annotated[Path, typer.Argument(metavar="LOG", help="The job's log, a CSV file.", show_default=False)]
At = Annotated[
    str | None,
    typer.Option("--at", metavar="TIME", help="Moment, such as 10:32 or 2026-05-04T10:32:00+02:00; now if left out."),
]
AsOf = Annotated[
    str | None,
    typer.Option(
        "--at", metavar="TIME", help="Answer as of this moment; last: as of the log's last row; now if left out."
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the fields for a program.")]
Note = Annotated[str, typer.Option("--note", metavar="WORDS", help="Remark kept with the row.")]
Screw = Annotated[str, typer.Argument(metavar="SCREW", help="offset or throttle", show_default=False)]
Turn = Annotated[
    list[str],
    typer.Argument(metavar="TURN", help="How far, which way: 1/24 cw, 1/12 ccw, 30deg cw.", show_default=False),
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace a file that is there.")]
FiringArg = Annotated[str, typer.Argument(metavar="RATE", help="high or low", show_default=False)]


@command("open")
def open_log(
    log: Log,
    high: Annotated[
        str,
        typer.Option(metavar="BAND", help="CO2 band at high fire from the maker's instructions, such as 9.0:9.4."),
    ],
    low: Annotated[str, typer.Option(metavar="BAND", help="CO2 band at low fire, such as 8.6:9.0.")],
    fuel: Annotated[
        str, typer.Option(metavar="NAME", help="natural gas, propane, butane, methane; or a name for --mixture.")
    ],
    mixture: Annotated[str | None, typer.Option(metavar="PARTS", help="Composition, such as CH4=0.8,H2=0.2.")] = None,
    pressure: Annotated[
        list[str] | None,
        typer.Option(metavar="RANGE", help='Data plate: "working pressure=17:25 mbar". May be repeated.'),
    ] = None,
    setting: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="FACT",
            help='Any other fact: "clockwise.throttle=leaner", "cap_turns.offset=1/24". May be repeated.',
        ),
    ] = None,
    visit: Annotated[
        str, typer.Option(metavar="KIND", help="valve-change, conversion, service or complaint.")
    ] = VISITS[0],
    site: Annotated[str, typer.Option(metavar="WORDS", help="Free text for the record.")] = "",
    analyser: Annotated[
        str, typer.Option(metavar="WORDS", help="Analyser and its last calibration, for the record.")
    ] = "",
    valve_family: Annotated[
        str, typer.Option(metavar="LABEL", help="Your own label for valves that respond alike.")
    ] = "",
    prior: Annotated[
        Path | None, typer.Option(metavar="FILE", help="First guess learned from many jobs: a file study wrote.")
    ] = None,
) -> None:
    """Start a job log. Bands and fuel come from the maker's instructions."""
    settings = options.parse_settings(setting or [])
    setup = JobSetup(
        fuel=options.parse_fuel(fuel, mixture),
        bands={"high": parsing.parse_range(high, "--high"), "low": parsing.parse_range(low, "--low")},
        pressures=dict(map(options.parse_pressure, pressure or [])),
        visit=parsing.one_of(visit, VISITS),
        site=site,
        analyser=analyser,
        valve_family=valve_family,
        turndown_stated="turndown" in settings,
        **settings,
    )
    if prior:
        from advisor.job_setup import prior_file  # here, not above: no answer needs it

        setup = prior_file.with_prior_from(prior, setup)
    create_log(log, setup)
    typer.echo(answers.say_opened(setup, log))


@command("run-at")
def run_at(log: Log, firing: FiringArg, at: At = None, note: Note = "") -> None:
    """Log that the boiler now runs at high or low fire."""
    with entry(log, at) as job:
        job.run_at(parsing.one_of(firing, FIRINGS), at=moments.parse_time(at), note=note)


@command()
def read(
    log: Log,
    firing: FiringArg,
    co2: Annotated[str, typer.Argument(metavar="CO2", help="CO2 as displayed, %.", show_default=False)],
    o2: Annotated[str | None, typer.Argument(metavar="O2", help="O2 as displayed, %; or --o2.")] = None,
    co: Annotated[str | None, typer.Argument(metavar="CO", help="CO as displayed, ppm; or --co.")] = None,
    o2_option: Annotated[str | None, typer.Option("--o2", metavar="O2", help="O2 as displayed, %.")] = None,
    co_option: Annotated[str | None, typer.Option("--co", metavar="CO", help="CO as displayed, ppm.")] = None,
    at: At = None,
    note: Note = "",
) -> None:
    """Log a flue reading: read visit.csv low 8.1 6.5 24, or with --o2 6.5 --co 24."""
    with entry(log, at) as job:
        if parsing.one_of(co2, FIRINGS) in FIRINGS:
            raise RangeError(f"the rate comes before the reading: read {log} {parsing.one_of(co2, FIRINGS)} {firing}")
        if (o2 and o2_option) or (co and co_option) or (o2 and not co and o2_option):
            raise RangeError("O2 or CO was given twice: give each once")
        job.read(
            parsing.one_of(firing, FIRINGS),
            parsing.parse_number(co2, "CO2"),
            parsing.maybe_number(o2_option or o2, "O2"),
            parsing.maybe_number(co_option or co, "CO"),
            at=moments.parse_time(at),
            note=note,
        )


@command()
def turn(log: Log, screw: Screw, how_far: Turn, at: At = None, note: Note = "") -> None:
    """Log a turn that was made."""
    with entry(log, at) as job:
        job.turn(
            parsing.one_of(screw, SCREWS), parsing.parse_turn(" ".join(how_far)), at=moments.parse_time(at), note=note
        )


@command()
def check(
    log: Log,
    item: Annotated[
        str,
        typer.Argument(
            metavar="ITEM", help='What was looked at: "working pressure", "sample line".', show_default=False
        ),
    ],
    value: Annotated[
        str, typer.Argument(metavar="VALUE", help="What it was: 20.1, tight, leaner.", show_default=False)
    ],
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="Its unit.")] = "",
    at: At = None,
    note: Note = "",
) -> None:
    """Log a check: a gas pressure, the sample line, which way a screw works."""
    with entry(log, at) as job:
        job.check(item, value, unit, at=moments.parse_time(at), note=note)


@command()
def note(
    log: Log,
    words: Annotated[str, typer.Argument(metavar="WORDS", help="The remark.", show_default=False)],
    at: At = None,
) -> None:
    """Log a remark."""
    with entry(log, at) as job:
        job.note(words, at=moments.parse_time(at))


@command()
def void(
    log: Log,
    row: Annotated[
        str | None, typer.Argument(metavar="ROW", help="Number of the row (see show); the last one if left out.")
    ] = None,
    at: At = None,
    note: Note = "",
) -> None:
    """Strike a row that was logged by mistake. A turn that was really made stays."""
    with entry(log, at) as job:
        number = job.void(parsing.maybe_whole(row, "row"), at=moments.parse_time(at), note=note)
        typer.echo(answers.say_struck(job.events, number))


@command("next")
def next_step(log: Log, at: AsOf = None, as_json: AsJson = False) -> None:
    """How far next, which way, how long to wait, what to expect."""
    job = Job.load(log)
    answer(job, moments.moment_to_answer(at, job.ended), as_json)


@command()
def may(log: Log, screw: Screw, how_far: Turn, at: AsOf = None, as_json: AsJson = False) -> None:
    """May I turn this far? A refusal has exit status 3."""
    job = Job.load(log)
    moment = moments.moment_to_answer(at, job.ended)
    verdict = job.may(parsing.one_of(screw, SCREWS), parsing.parse_turn(" ".join(how_far)), at=moment)
    warn(job)
    typer.echo(as_text(verdict.as_dict()) if as_json else answers.say_verdict(verdict, job.progress(moment)))
    if not verdict.allowed:
        raise typer.Exit(REFUSED)


@command()
def show(
    log: Log,
    at: AsOf = None,
    as_json: AsJson = False,
    all_rows: Annotated[bool, typer.Option("--all", help="Every row; without it the last ones.")] = False,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw it too: a .png, .svg or .pdf file.", show_default=False)
    ] = None,
    overwrite: Overwrite = False,
) -> None:
    """The job so far: rows, fitted response, findings."""
    job = Job.load(log)
    moment = moments.moment_to_answer(at, job.ended)
    if plot:
        from advisor.report import pages, record, sheet

        made = record.record_of(job.setup, job.events, job.warnings)
        written = pages.save(sheet.picture_of(made, log.name), plot, "CO2 against time", overwrite)
        typer.echo(answers.say_written(written, ()), err=True)
    if as_json:
        return typer.echo(as_text(job.as_dict(moment)))
    moment = moment or max([moments.now(), *filter(None, [job.ended])])
    advice = job.next(moment)
    case, progress = job.case(moment), job.progress(moment, advice)
    typer.echo(overview.say_job(case, advice, progress, job.events, job.warnings, all_rows=all_rows))


@command("sheet")
def make_sheet(
    log: Log,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A .pdf, .png or .svg file.", show_default=False)],
    paper: Annotated[str, typer.Option(metavar="SIZE", help="a4 or letter")] = "a4",
    overwrite: Overwrite = False,
) -> None:
    """The record of the visit to print: as found, as left, every turn."""
    from advisor.report import pages, record, sheet

    job = Job.load(log)
    made = record.record_of(job.setup, job.events, job.warnings)
    written = pages.save(sheet.pages_of(made, log.name, paper.lower()), file, sheet.TITLE, overwrite)
    warn(job)
    typer.echo(answers.say_written(written, [missing.text for missing in made.missing]))


@command()
def guide(log: Log) -> None:
    """The whole visit, step by step, at the keyboard; can be left and resumed."""
    from advisor.cli.guide import Guide  # here, not above: no other command needs it

    Guide(log, terminal.Terminal()).run()


@command()
def lesson(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="Name of a lesson; all are listed if left out.")
    ] = None,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write it as a page too: .png, .pdf or .svg.")
    ] = None,
    as_slide: Annotated[
        bool, typer.Option("--slide", help="With --plot: the pictures alone, to be projected.")
    ] = False,
    handout: Annotated[
        Path | None, typer.Option(metavar="FILE", help="All lessons as one PDF, the answers on its last page.")
    ] = None,
    overwrite: Overwrite = False,
) -> None:
    """For the trainer: how jobs go wrong, played on made-up boilers."""
    from advisor.training import lesson_text as lesson_words
    from advisor.training import lessons
    from advisor.training.lesson_play import play

    if bool(handout) + bool(name) > 1 or (plot and not name) or (as_slide and not plot):
        raise RangeError(
            "give a lesson's name, with --plot (and --slide) or without; or --handout alone, for all lessons"
        )
    played = [play(lessons.by_name(name))] if name else []
    if plot or handout:
        from advisor.training import handout as lesson_pages

        if handout:
            lesson_pages.save_handout(map(play, lessons.LESSONS), handout, overwrite)
        elif plot:
            lesson_pages.save((lesson_pages.slide if as_slide else lesson_pages.page)(played[0]), plot, overwrite)
    typer.echo(lesson_words.say_lesson(played[0]) if name else lesson_words.say_list())
    for path in filter(None, (plot, handout)):
        typer.echo(f"Written: {path}")


@command()
def practise(
    fault: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="Practise with this fault, such as reversed; a name that is not known lists them."
        ),
    ] = None,
    hide: Annotated[bool, typer.Option("--hide", help="With --fault: the pupil is not told of it.")] = False,
    surprise: Annotated[bool, typer.Option("--surprise", help="A fault may be there, or none.")] = False,
    seed: Annotated[
        str | None, typer.Option(metavar="N", help="Number of the boiler; the same number is the same boiler.")
    ] = None,
    log: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Keep the session as a job log, marked as practice.")
    ] = None,
) -> None:
    """For the trainer: a made-up boiler to set at the keyboard; no time passes but in the game."""
    from advisor.training import practice as game

    if fault and surprise:
        raise RangeError("--fault and --surprise: give one of them")
    if hide and not fault:
        raise RangeError("--hide: say with --fault what there is to hide")
    game.run(game.begin(fault, surprise, parsing.maybe_whole(seed, "--seed"), log, hide=hide), input, typer.echo)


@command()
def study(
    logs: Annotated[
        list[str] | None,
        typer.Argument(metavar="LOGS", help="Job logs: files, folders, patterns.", show_default=False),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Folder for tables, plots and the learned prior.")
    ] = None,
    replay: Annotated[
        Path | None, typer.Option(metavar="LOG", help="One job instead: row by row, what was advised and done.")
    ] = None,
    sample: Annotated[
        str, typer.Option(metavar="N", help="Most jobs whose past advice is asked anew, drawn at random.")
    ] = "200",
    seed: Annotated[str, typer.Option(metavar="N", help="Seed of that draw.")] = "1",
    as_json: AsJson = False,
) -> None:
    """For the engineer: how valves respond, where jobs lose time, is the advice honest, a first guess for new jobs."""
    from advisor.cli import study_command as desk  # here, not above: it needs pandas

    most, draw = parsing.parse_whole(sample, "--sample"), parsing.parse_whole(seed, "--seed")
    if replay:
        return typer.echo(desk.replayed(replay, logs, out, as_json))
    typer.echo(desk.studied(logs or [], out, most, draw, as_json))


@contextmanager
def entry(log: Path, at: str | None) -> Iterator[Job]:
    """A job to enter something into; answers what is next, or says that nothing was logged."""
    job = Job.load(log)
    try:
        yield job
    except RangeError as error:
        raise RangeError(f"{error}\nNothing was logged.") from None
    moment, notes = entries.after_entry(job, moments.parse_time(at))
    answer(job, moment, notes=notes)


def answer(job: Job, moment: datetime | None, as_json: bool = False, notes: Sequence[Finding] = ()) -> None:
    """Print what `next` says, with notes on the entry it follows; a halt has exit status 3."""
    moment = moment or max([moments.now(), *filter(None, [job.ended])])
    advice = job.next(moment)
    advice = replace(advice, findings=(*advice.findings, *notes))
    warn(job)
    if as_json:
        typer.echo(as_text(advice.as_dict()))
    else:
        typer.echo(answers.say_next(job.case(moment), advice, job.progress(moment, advice)))
    if advice.action == "halt":
        raise typer.Exit(REFUSED)


def warn(job: Job) -> None:
    """Say on standard error what was odd but harmless in the log."""
    for warning in job.warnings:
        typer.echo(answers.say_plainly(f"Note: {warning}"), err=True)


def as_text(record: dict[str, Any]) -> str:
    """JSON with moments as ISO 8601."""
    return json.dumps(record, indent=2, ensure_ascii=False, default=lambda value: value.isoformat())


def main() -> None:
    """Run the command line; the one place where errors turn into exit codes."""
    terminal.open_streams()
    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # that no font cache can be kept is no news for the user
    try:
        app()
    except BrokenPipeError:
        sys.exit(UNUSABLE)
    except OSError as error:
        if error.filename is not None:  # such as a name that is too long, in a folder that may not be looked into
            typer.echo(answers.say_plainly(f"{error.filename}: {error.strerror}. Give another name"), err=True)
            sys.exit(UNUSABLE)
        sys.stderr.write(f"The answer can't be printed ({error.strerror}); what was entered is saved.\n")
        sys.exit(UNUSABLE)
    except AdvisorError as error:
        typer.echo(answers.say_plainly(str(error)), err=True)
        sys.exit(UNUSABLE if isinstance(error, LogError) else WRONG_USAGE)
