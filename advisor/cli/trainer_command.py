"""What `advisor lesson` and `advisor practise` do with their options."""

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from advisor.errors import LogError, RangeError
from advisor.training import lesson_text, practice
from advisor.training.lesson_play import Played, play
from advisor.training.lessons import LESSONS, by_name

ONE_OF = (
    "give a lesson's name or --from LOG, with --plot (and --slide) or without; or --handout or --slides alone, for all "
    "lessons"
)


def lesson(
    name: str | None,
    session: Path | None,
    plot: Path | None,
    as_slide: bool,
    handout: Path | None,
    slides: Path | None,
    overwrite: bool,
) -> Iterator[str]:
    """What is printed; files are written on the way."""
    alone = handout or slides
    if sum(map(bool, (name, session, alone))) > 1 or (plot and not (name or session)) or (as_slide and not plot):
        raise RangeError(ONE_OF)
    for path in filter(None, (plot, handout, slides)):
        _check_free(path, overwrite)
    told = play(by_name(name)) if name else practice.played(practice.again(session)) if session else None
    if plot and told:
        _draw(told, plot, as_slide, overwrite)
    for path in filter(None, (handout, slides)):
        from advisor.training import handout as pages  # here, not above: it needs matplotlib

        pages.save_all(map(play, LESSONS), path, overwrite, slides=path is slides)
    yield lesson_text.say_lesson(told) if told else lesson_text.say_list()
    for path in filter(None, (plot, handout, slides)):
        yield f"Written: {path}"


def _draw(told: Played, plot: Path, as_slide: bool, overwrite: bool) -> None:
    from advisor.training import handout as pages  # here, not above: it needs matplotlib

    pages.save([pages.slide(told)] if as_slide else pages.page(told), plot, overwrite)


@dataclass(frozen=True)
class Asked:
    """The options of `advisor practise`."""

    fault: str | None
    hide: bool
    surprise: bool
    level: int | None
    seed: int | None
    log: Path | None
    plot: Path | None
    as_slide: bool
    class_file: Path | None
    pupil: str | None
    overwrite: bool


def practise(asked: Asked, ask: Callable[[str], str], tell: Callable[[str], object]) -> Iterator[str]:
    """The session, or the class; what is printed after it."""
    if asked.as_slide and not asked.plot:
        raise RangeError("--slide: say with --plot where it is to be written")
    _check_plot(asked.plot, asked.overwrite)
    if not asked.class_file:
        if asked.pupil is not None:
            raise RangeError("--pupil: say with --class FILE where the results are kept")
        task = practice.task_of(asked.fault, asked.surprise, asked.seed, hide=asked.hide, level=asked.level)
        session = practice.begin(task, asked.log)
        practice.run(session, ask, tell)
    else:
        from advisor.training import classroom  # here, not above: it needs matplotlib

        file, level = asked.class_file, asked.level
        if asked.fault or asked.hide or asked.surprise or asked.seed is not None:
            raise RangeError("--class: its boilers are given by --level; leave --fault, --hide, --surprise, --seed out")
        if asked.pupil is None and level is None:
            yield classroom.say(file)
            if asked.plot:
                from advisor.report import pages

                pages.save([classroom.plot(file)], asked.plot, "Practice", asked.overwrite)
                yield f"Written: {asked.plot}"
            return
        if asked.pupil is None or level is None:
            raise RangeError("--class: give both --pupil and --level to play, or none to see the class")
        task = classroom.next_boiler(file, asked.pupil, level)
        _check_free(file, overwrite=True)
        session = practice.begin(task, asked.log)
        practice.run(session, ask, tell, partial(classroom.keep, file, asked.pupil, level, session))
        yield f"Kept in {file}. The class: advisor practise --class {file}"
    if asked.plot:
        _draw(practice.played(session), asked.plot, asked.as_slide, True)
        yield f"Written: {asked.plot}"


def _check_plot(plot: Path | None, overwrite: bool) -> None:
    """Before a session: that its picture can be written under this name."""
    if plot:
        from advisor.report import pages  # here, not above: it needs matplotlib

        if plot.suffix.lower() not in pages.SUFFIXES:
            raise RangeError(f"'{plot}': the name must end in {', '.join(pages.SUFFIXES[:-1])} or {pages.SUFFIXES[-1]}")
        _check_free(plot, overwrite)


def _check_free(path: Path, overwrite: bool) -> None:
    """Before anything is played or drawn: that the file can be written, and that nothing is replaced unasked."""
    if path.exists() and not overwrite:
        raise LogError(f"{path}: this file exists. Choose another name, or say --overwrite")
    if not path.parent.is_dir():
        raise LogError(f"{path}: there is no folder {path.parent}. Make it first, or choose another")
    if not os.access(path if path.exists() else path.parent, os.W_OK):
        raise LogError(f"{path}: may not be written: check the rights, or choose another folder")
