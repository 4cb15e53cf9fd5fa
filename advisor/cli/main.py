"""The command line: parse, call, print. Errors become exit codes in `main` and nowhere else."""

import json
import logging
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from advisor.cli import completion, open_options, terminal
from advisor.cli.usage import PlainGroup, PlainHelp, argument, option
from advisor.dialogue import entries, new_job
from advisor.dialogue.after_entry import after_entry
from advisor.dialogue.entries import Turn, log_turn
from advisor.dialogue.moments import moment_to_answer, parse_time
from advisor.dialogue.prompts import alarm_of
from advisor.errors import AdvisorError, LogError, RangeError
from advisor.job import Job
from advisor.job_setup.setup import VISITS
from advisor.log.check_items import CHECK_ITEMS, item_of, parse_date
from advisor.log.file import create_log
from advisor.messages import Finding
from advisor.parsing import maybe_number, maybe_whole, one_of, parse_co_limit, parse_number, parse_turn, parse_whole
from advisor.report import answers, brief
from advisor.report.show import say_job
from advisor.screws import FIRINGS, RUNNING, SCREWS

ANSWERED, UNUSABLE, WRONG_USAGE, REFUSED = 0, 1, 2, 3

app = typer.Typer(
    cls=PlainGroup,
    help="How far to turn next: advice on setting the CO2 of a premix condensing boiler after its gas valve was "
    "changed. It advises; the maker's instructions, the local code and the licensed person on site decide.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
command = partial(app.command, cls=PlainHelp)

Log = Annotated[Path, argument("LOG", "The job's log, a CSV file.", completion.logs)]
FiringWord = Annotated[str, argument("RATE", "high or low", completion.firings)]
RunningWord = Annotated[str, argument("RATE", "high, low or off", completion.running)]
ScrewWord = Annotated[str, argument("SCREW", "offset or throttle", completion.screws)]
TurnWords = Annotated[list[str], argument("TURN", "How far, which way: 15 cw (degrees), 1/24 ccw.")]
At = Annotated[
    str | None, option("TIME", "Moment, such as 10:32 or 2026-05-04T10:32:00+02:00; now if left out.", "--at")
]
AsOf = Annotated[
    str | None, option("TIME", "Answer as of this moment; last: as of the log's last row; now if left out.", "--at")
]
Why = Annotated[bool, option(None, "Reasons, ranges and the fitted response too.", "--why")]
AsJson = Annotated[bool, option(None, "Print the fields for a program.", "--json")]
Note = Annotated[str, option("WORDS", "Remark kept with the row.", "--note")]
Overwrite = Annotated[bool, option(None, "Replace a file that is there.", "--overwrite")]


@command("open")
def open_log(
    log: Log,
    fuel: Annotated[
        str | None, option("NAME", "natural gas, propane, butane, methane; or a name for --mixture.")
    ] = None,
    high: Annotated[
        str | None, option("BAND", "CO2 band at high fire from the maker's instructions, such as 9.0:9.4.")
    ] = None,
    low: Annotated[str | None, option("BAND", "CO2 band at low fire, such as 8.6:9.0.")] = None,
    high_o2: Annotated[
        str | None, option("BAND", "O2 band at high fire instead, such as 4.3:5.0.", "--high-o2")
    ] = None,
    low_o2: Annotated[str | None, option("BAND", "O2 band at low fire instead.", "--low-o2")] = None,
    confirm_band: Annotated[bool, option(None, "An unusual band is meant as given.", "--confirm-band")] = False,
    co_limit: Annotated[
        str | None, option("LIMIT", "Maker's CO limit: 100 ppm, 200 ppm air-free or 0.004 CO/CO2.", "--co-limit")
    ] = None,
    earlier: Annotated[
        Path | None,
        option("LOG", "The same boiler again: facts, and what its screws did, from its last log.", "--from"),
    ] = None,
    mixture: Annotated[str | None, option("PARTS", "Composition, such as CH4=0.8,H2=0.2.")] = None,
    pressure: Annotated[
        list[str] | None, option("RANGE", 'Data plate: "working pressure=17:25 mbar". May be repeated.')
    ] = None,
    setting: Annotated[
        list[str] | None,
        option(
            "FACT", 'Any other fact: "clockwise.throttle=leaner", "cap_turns.offset=1/24". May be repeated.', "--set"
        ),
    ] = None,
    visit: Annotated[
        str | None,
        option("KIND", "valve-change (taken if left out), conversion, service (taken with --from) or complaint."),
    ] = None,
    site: Annotated[str, option("WORDS", "For the record: where the boiler is.")] = "",
    boiler: Annotated[str, option("WORDS", "Its make and model.")] = "",
    serial: Annotated[str, option("WORDS", "Its serial number.")] = "",
    reason: Annotated[str, option("WORDS", "Why this visit.")] = "",
    valve: Annotated[str, option("WORDS", "Which gas valve was fitted.")] = "",
    technician: Annotated[str, option("WORDS", "Who does it.")] = "",
    analyser: Annotated[str, option("WORDS", "Which analyser.")] = "",
    analyser_serial: Annotated[str, option("WORDS", "Its serial number.", "--analyser-serial")] = "",
    calibrated: Annotated[str, option("DATE", "Its last calibration, such as 2026-02-11.")] = "",
    valve_family: Annotated[str, option("LABEL", "Your own label for valves that respond alike.")] = "",
    prior: Annotated[Path | None, option("FILE", "First guess learned from many jobs: a file study wrote.")] = None,
) -> None:
    """Start a job log. Bands and fuel come from the maker's instructions, or with --from from the last visit."""
    kind = None if visit is None else one_of(visit, VISITS)
    last_job = new_job.earlier_job(earlier) if earlier else None
    before = new_job.setup_from(last_job, earlier, kind) if last_job and earlier else None
    settings = open_options.parse_settings(setting or [])
    stated: dict[str, Any] = {
        "co_limit": parse_co_limit(co_limit) if co_limit else None,
        "pressures": dict(map(open_options.parse_pressure, pressure or [])),
        "visit": kind, "site": site, "boiler": boiler, "serial": serial, "reason": reason, "valve": valve,
        "technician": technician, "analyser": analyser, "analyser_serial": analyser_serial,
        "calibrated": parse_date(calibrated, date.today()) if calibrated else "", "valve_family": valve_family,
        **settings,
    }  # fmt: skip
    if "turndown" in settings or not before:
        stated["turndown_stated"] = "turndown" in settings
    ways = settings.get("clockwise", {})
    ways = ways if isinstance(ways, dict) else dict.fromkeys(SCREWS, ways)
    stated["clockwise_stated"] = {screw: True for screw, way in ways.items() if way != "unknown"}
    setup = open_options.stated_setup(before, fuel, mixture, {"high": (high, high_o2), "low": (low, low_o2)}, stated)
    if prior:
        from advisor.job_setup import prior_file  # here, not above: no answer needs it

        setup = prior_file.with_prior_from(prior, setup)
    open_options.ask_back_bands(setup, confirm_band)
    create_log(log, setup)
    last = ""
    if last_job:
        from advisor.report import record  # here, not above: no other answer needs it

        last = record.last_visit(record.record_of(last_job.setup, last_job.events))
    typer.echo(answers.say_opened(setup, log, ways, last))


@command("run-at")
def run_at(log: Log, firing: RunningWord, at: At = None, note: Note = "") -> None:
    """Log that the boiler now runs at high or low fire, or that the burner is off (--note says why)."""
    with entry(log, at) as job:
        job.run_at(one_of(firing, RUNNING), at=parse_time(at), note=note)


@command()
def co(log: Log, ppm: Annotated[str, argument("CO", "CO as displayed, ppm.")], at: At = None, note: Note = "") -> None:
    """Log CO alone, at any moment: it climbs, or it is read first."""
    with entry(log, at) as job:
        job.co(parse_number(ppm, "CO"), at=parse_time(at), note=note)


@command()
def read(
    log: Log,
    firing: FiringWord,
    co2: Annotated[str, argument("CO2", "CO2 as displayed, %.")],
    o2: Annotated[str | None, argument("O2", "O2 as displayed, %; or --o2.")] = None,
    co: Annotated[str | None, argument("CO", "CO as displayed, ppm; or --co.")] = None,
    o2_option: Annotated[str | None, option("O2", "O2 as displayed, %.", "--o2")] = None,
    co_option: Annotated[str | None, option("CO", "CO as displayed, ppm.", "--co")] = None,
    at: At = None,
    note: Note = "",
) -> None:
    """Log a flue reading: read visit.csv low 8.1 6.5 24, or with --o2 6.5 --co 24."""
    with entry(log, at) as job:
        if (swapped := one_of(co2, FIRINGS)) in FIRINGS:
            raise RangeError(f"the rate comes before the reading: read {log} {swapped} {firing}")
        if (o2 and o2_option) or (co and co_option) or (o2 and not co and o2_option):
            raise RangeError("O2 or CO was given twice: give each once")
        shown = parse_number(co2, "CO2"), maybe_number(o2_option or o2, "O2"), maybe_number(co_option or co, "CO")
        job.read(one_of(firing, FIRINGS), *shown, at=parse_time(at), note=note)


@command()
def turn(log: Log, screw: ScrewWord, how_far: TurnWords, at: At = None, note: Note = "") -> None:
    """Log a turn that was made."""
    with entry(log, at) as job:
        made = _turn(job, screw, how_far)
        if refused := answers.say_not_advised(log_turn(job, made, parse_time(at), note)):
            typer.echo(refused)


def _turn(job: Job, screw: str, how_far: list[str]) -> Turn:
    """The turn that was typed; of the screw of the rate that runs where none was named: "15 cw"."""
    if screw[:1].isdigit():
        return entries.parse_turn(" ".join([screw, *how_far]), job.situation(job.ended).firing)
    return Turn(one_of(screw, SCREWS), parse_turn(" ".join(how_far)))


@command()
def check(
    log: Log,
    item: Annotated[str, argument("ITEM", "What was looked at: working-pressure, sample-line.", completion.checks)],
    value: Annotated[str, argument("VALUE", "What it was: 20.1, tight, leaner.", completion.answers)],
    unit: Annotated[str, argument("UNIT", "Its unit.")] = "",
    at: At = None,
    note: Note = "",
) -> None:
    """Log a check: a gas pressure, the sample line, which way a screw works."""
    with entry(log, at) as job:
        if not entries.is_known(item_of(item), job) and item_of(f"{item} {value}") in CHECK_ITEMS:
            item, value, unit = f"{item} {value}", unit or "yes", ""  # cover on
        if not entries.is_known(item_of(item), job) and alarm_of(f"{item} {value}"):
            entries.log_remark(job, f"{item} {value}", parse_time(at))
        else:
            entries.log_check(job, item_of(item), value, unit, at=parse_time(at), note=note)


@command()
def note(log: Log, words: Annotated[str, argument("WORDS", "The remark.")], at: At = None) -> None:
    """Log a remark."""
    with entry(log, at) as job:
        entries.log_remark(job, words, parse_time(at))


@command()
def void(
    log: Log,
    row: Annotated[str | None, argument("ROW", "Number of the row (see show); the last one if left out.")] = None,
    at: At = None,
    note: Note = "",
) -> None:
    """Strike a row that was logged by mistake. A turn that was really made stays."""
    with entry(log, at) as job:
        number = job.void(maybe_whole(row, "row"), at=parse_time(at), note=note)
        typer.echo(answers.say_struck(job.events, number))


@command("next")
def next_step(log: Log, at: AsOf = None, why: Why = False, as_json: AsJson = False) -> None:
    """How far next, which way, how long to wait, what to expect."""
    job = Job.load(log)
    answer(job, moment_to_answer(at, job.ended), as_json, why=why)


@command()
def may(
    log: Log, screw: ScrewWord, how_far: TurnWords, at: AsOf = None, why: Why = False, as_json: AsJson = False
) -> None:
    """May I turn this far? A refusal has exit status 3."""
    job = Job.load(log)
    moment = moment_to_answer(at, job.ended)
    verdict = job.may(*_turn(job, screw, how_far), at=moment)
    warn(job)
    typer.echo(as_text(verdict.as_dict()) if as_json else brief.say_verdict(job.case(moment), verdict, why=why))
    if not verdict.allowed:
        raise typer.Exit(REFUSED)


@command()
def show(
    log: Log,
    at: AsOf = None,
    as_json: AsJson = False,
    all_rows: Annotated[bool, option(None, "Every row; without it the last ones.", "--all")] = False,
    plot: Annotated[Path | None, option("FILE", "Draw it too: a .png, .svg or .pdf file.")] = None,
    overwrite: Overwrite = False,
) -> None:
    """The job so far: rows, fitted response, findings."""
    job = Job.load(log)
    moment = moment_to_answer(at, job.ended)
    if plot:
        from advisor.report import pages, record, sheet

        made = record.record_of(job.setup, job.events, job.warnings)
        written = pages.save(sheet.picture_of(made, log.name), plot, "CO2 against time", overwrite)
        typer.echo(answers.say_written(written, ()), err=True)
    if as_json:
        return typer.echo(as_text(job.as_dict(moment)))
    case, advice = job.case(moment), job.next(moment)
    progress = job.progress(moment, advice)
    typer.echo(say_job(case, advice, progress, job.events, job.warnings, all_rows=all_rows))


@command("sheet")
def make_sheet(
    log: Log,
    file: Annotated[Path, argument("FILE", "A .pdf, .png or .svg file; .csv or .json for an office system.")],
    paper: Annotated[str, option("SIZE", "a4 or letter")] = "a4",
    overwrite: Overwrite = False,
) -> None:
    """The record of the visit to print: as found, as left, every turn."""
    from advisor.report import pages, record, record_data, sheet

    job = Job.load(log)
    made = record.record_of(job.setup, job.events, job.warnings)
    if file.suffix.lower() in record_data.SUFFIXES:
        written = record_data.save(made, log.name, file, overwrite)
    else:
        written = pages.save(sheet.pages_of(made, log.name, paper.lower()), file, sheet.TITLE, overwrite)
    warn(job)
    typer.echo(answers.say_written(written, [missing.text for missing in made.missing]))


@command()
def trace(
    log: Log,
    file: Annotated[
        str, argument("FILE", "The series: any CSV file; - for standard input, line by line.", completion.logs)
    ],
    time: Annotated[
        str, option("COLUMN", "Name of its column of times: 10:32:05, ISO dates or seconds since the start.")
    ],
    co2: Annotated[str, option("COLUMN", "Name of its column of CO2, dry %.")],
    o2: Annotated[str | None, option("COLUMN", "Name of its column of O2, dry %.")] = None,
    co: Annotated[str | None, option("COLUMN", "Name of its column of CO, ppm as displayed.")] = None,
    shift: Annotated[
        str | None,
        option(
            "S",
            "Seconds to add to its times for the log's, found from the turns if left out; or when its second 0 was.",
        ),
    ] = None,
) -> None:
    """Take an analyser's own stored series into the log as readings, or follow it as it comes."""
    from advisor.cli import trace_command  # here, not above: no other command needs it

    job = Job.load(log)
    columns = {"time": time, "co2": co2, "o2": o2, "co": co}
    if file == "-":
        warn(job)
        if trace_command.follow(job, columns, shift, terminal.Keys(sys.stdin), typer.echo):
            raise typer.Exit(REFUSED)
        return
    said, moment = trace_command.taken(job, file, columns, shift)
    typer.echo(said)
    answer(job, moment)


@command()
def guide(log: Log) -> None:
    """The whole visit, step by step, at the keyboard; can be left and resumed."""
    from advisor.cli.guide import Guide  # here, not above: no other command needs it

    Guide(log, terminal.Terminal()).run()


@command()
def page(
    folder: Annotated[Path, argument("FOLDER", "Folder of the visits' logs.")],
    port: Annotated[str, option("N", "Port to listen on.")] = "8765",
    lan: Annotated[bool, option(None, "A phone on the same network may open it too.", "--lan")] = False,
) -> None:
    """The visit on a phone: a small server for this device's browser, with --lan for the network's."""
    try:
        from advisor.page import server  # here, not above: it needs the extra
    except ModuleNotFoundError as error:
        raise LogError(
            f"the page needs packages of its own: pip install 'advisor[page]' ({error.name} is missing)"
        ) from None
    server.serve(folder, parse_whole(port, "--port"), lan, typer.echo)


@command()
def lesson(
    name: Annotated[str | None, argument("NAME", "Name of a lesson; all are listed if left out.")] = None,
    session: Annotated[Path | None, option("LOG", "A practice session told as a lesson.", "--from")] = None,
    plot: Annotated[Path | None, option("FILE", "Write it as a page too: .png, .pdf or .svg.")] = None,
    as_slide: Annotated[bool, option(None, "With --plot: the pictures alone, to be projected.", "--slide")] = False,
    handout: Annotated[Path | None, option("FILE", "All lessons as one PDF, the answers on its last pages.")] = None,
    slides: Annotated[Path | None, option("FILE", "All lessons as one PDF of slides.")] = None,
    overwrite: Overwrite = False,
) -> None:
    """For the trainer: how jobs go wrong, played on made-up boilers."""
    from advisor.cli import trainer_command  # here, not above: no other command needs it

    for said in trainer_command.lesson(name, session, plot, as_slide, handout, slides, overwrite):
        typer.echo(said)


@command()
def practise(
    fault: Annotated[
        str | None, option("NAME", "Practise with this fault, such as reversed; a name that is not known lists them.")
    ] = None,
    hide: Annotated[bool, option(None, "With --fault: the pupil is not told of it.", "--hide")] = False,
    surprise: Annotated[bool, option(None, "Half of the boilers have a fault, hidden.", "--surprise")] = False,
    level: Annotated[str | None, option("N", "1 to 3: how hard the boiler is.")] = None,
    seed: Annotated[str | None, option("N", "Number of the boiler; the same number is the same boiler.")] = None,
    log: Annotated[Path | None, option("FILE", "Keep the session as a job log, marked as practice.")] = None,
    plot: Annotated[Path | None, option("FILE", "Draw the session, or the class: .png, .pdf or .svg.")] = None,
    as_slide: Annotated[bool, option(None, "With --plot: the pictures alone, to be projected.", "--slide")] = False,
    class_file: Annotated[
        Path | None,
        option("FILE", "Results of a class, a CSV: shown, or with --pupil and --level added to.", "--class"),
    ] = None,
    pupil: Annotated[str | None, option("NAME", "With --class: who plays the next boiler of the level.")] = None,
    overwrite: Overwrite = False,
) -> None:
    """For the trainer: a made-up boiler to set at the keyboard; no time passes but in the game."""
    from advisor.cli import trainer_command  # here, not above: no other command needs it

    asked = trainer_command.Asked(
        fault, hide, surprise, maybe_whole(level, "--level"), maybe_whole(seed, "--seed"), log, plot, as_slide,
        class_file, pupil, overwrite,
    )  # fmt: skip
    for said in trainer_command.practise(asked, input, typer.echo):
        typer.echo(answers.say_plainly(said))


@command()
def study(
    logs: Annotated[list[str] | None, argument("LOGS", "Job logs: files, folders, patterns.")] = None,
    out: Annotated[Path | None, option("FOLDER", "Folder for tables, plots and the learned prior.")] = None,
    replay: Annotated[Path | None, option("LOG", "One job instead: row by row, what was advised and done.")] = None,
    sample: Annotated[str | None, option("N", "Most jobs asked anew, drawn at random (200, more of many).")] = None,
    play: Annotated[str, option("N", "Most of them set again as advised, at boilers like theirs.")] = "20",
    seed: Annotated[str, option("N", "Seed of that draw.")] = "1",
    with_prior: Annotated[
        Path | None, option("FILE", "Ask jobs anew under this prior, beside the built-in one.")
    ] = None,
    whole: Annotated[bool, option(None, "The whole, not one screen.", "--all")] = False,
    as_json: AsJson = False,
) -> None:
    """For the engineer: how valves respond, where jobs lose time, is the advice honest, a first guess for new jobs."""
    from advisor.cli import study_command as desk  # here, not above: it needs pandas

    most = None if sample is None else parse_whole(sample, "--sample")
    again, draw = parse_whole(play, "--play"), parse_whole(seed, "--seed")
    if replay:
        return typer.echo(desk.replayed(replay, logs, out, as_json))
    if with_prior:
        return typer.echo(desk.tried(with_prior, logs or [], most, again, draw, as_json))
    typer.echo(desk.studied(logs or [], out, most, again, draw, as_json, whole))


@contextmanager
def entry(log: Path, at: str | None) -> Iterator[Job]:
    """A job to enter something into; answers what is next, or says that nothing was logged."""
    job = Job.load(log)
    try:
        yield job
    except RangeError as error:
        raise RangeError(f"{error}\nNothing was logged.") from None
    moment, notes = after_entry(job, parse_time(at))
    answer(job, moment, notes=notes)


def answer(
    job: Job, moment: datetime, as_json: bool = False, notes: Sequence[Finding] = (), *, why: bool = False
) -> None:
    """Print what `next` says, with notes on the entry it follows; a halt has exit status 3."""
    advice = job.next(moment)
    advice = replace(advice, findings=(*advice.findings, *notes))
    warn(job)
    if as_json:
        typer.echo(as_text(advice.as_dict()))
    else:
        typer.echo(brief.say_next(job.case(moment), advice, job.progress(moment, advice), why=why))
    if advice.action == "halt":
        raise typer.Exit(REFUSED)


def warn(job: Job) -> None:
    """Say on standard error what was odd but harmless in the log."""
    for warning in job.warnings:
        typer.echo(answers.say_plainly(f"Note: {warning}"), err=True)


def as_text(record: dict[str, Any]) -> str:
    """JSON with moments as ISO 8601."""
    return json.dumps(record, indent=2, ensure_ascii=False, default=lambda value: value.isoformat())


def run(words: list[str]) -> None:
    """Run what was typed: its command alone, since typer builds all that it holds, which takes as long as an answer."""
    for info in app.registered_commands:
        if words and info.callback and words[0] == (info.name or info.callback.__name__):
            alone = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)
            alone.registered_commands.append(info)
            alone(words[1:], prog_name=f"advisor {words[0]}")
            return
    app()


def main() -> None:
    """Run the command line; the one place where errors turn into exit codes."""
    terminal.open_streams()
    terminal.keep_memory()
    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # that no font cache can be kept is no news for the user
    try:
        run(sys.argv[1:])
    except BrokenPipeError:
        sys.exit(UNUSABLE)
    except OSError as error:
        if error.filename is not None:  # such as a name that is too long, in a folder that may not be looked into
            typer.echo(answers.say_plainly(f"{error.filename}: {error.strerror}. Give another name"), err=True)
        else:
            sys.stderr.write(f"The answer can't be printed ({error.strerror}); what was entered is saved.\n")
        sys.exit(UNUSABLE)
    except AdvisorError as error:
        typer.echo(answers.say_plainly(str(error)), err=True)
        sys.exit(UNUSABLE if isinstance(error, LogError) else WRONG_USAGE)
