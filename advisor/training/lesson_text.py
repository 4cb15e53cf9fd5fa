"""A lesson told in words, 80 columns."""

from advisor.job import Job
from advisor.report.layout import labelled, wrapped
from advisor.screws import SCREWS
from advisor.training.lesson_play import Played, Step, what_the_adviser_said
from advisor.training.lessons import FOLLOW, LESSONS
from advisor.training.simulated_visit import FACTS, SimulatedVisit
from advisor.wording import numbers

LABEL_WIDTH = 14
INVENTED = "A made-up boiler; its bands are invented. On site the maker's instructions come first."
BANDS = "CO2 " + ", ".join(f"{low:.1f} to {high:.1f} % at {rate} fire" for rate, (low, high) in FACTS["bands"].items())
HEAD = (
    "                          display before it          truth of the flame",
    "  no  min  the hand        CO2, %  O2, %  CO, ppm     CO2, %   CO, ppm air-free",
)
ASKED = "Asked before each turn, the adviser would have said:"
PARTS = (("The hand", "did"), ("The display", "showed"), ("The flame", "flame"), ("The cost", "cost"))


def say_list() -> str:
    """The names of the lessons."""
    lines = [f"{len(LESSONS)} lessons, each on a made-up boiler: advisor lesson NAME", ""]
    lines += [f"  {lesson.name:<{LABEL_WIDTH}}{lesson.title}" for lesson in LESSONS]
    lines += [
        "",
        *wrapped(
            "As a page: --plot FILE (.png, .pdf or .svg); as a slide: with --slide. All on paper: --handout FILE.pdf; "
            "all as slides: --slides FILE.pdf. A practice session: --from LOG."
        ),
    ]
    return "\n".join(lines)


def say_lesson(played: Played) -> str:
    """A lesson: what happened in words, each step with the truth beside the display, the adviser, the question."""
    lines = wrapped(f"{played.lesson.title}. {played.say('scene')}")
    lines += _labelled("The lesson", played.say("lesson"))
    lines += _labelled("The bands", f"{BANDS}.")
    for label, name in PARTS:
        lines += _labelled(label, played.say(name)) if played.say(name) else []
    if played.steps:
        lines += ["", *HEAD, *map(_row, played.steps)]
        lines += wrapped(
            "(cw clockwise, ccw counterclockwise. Truth: before and after the step; its CO after it.)",
            first="  ",
            others="  ",
        )
    lines += ["", ASKED]
    for number, answer in what_the_adviser_said(played):
        lines += _labelled(number, answer)
    lines += ["", *_labelled(contrast_label(played), f"{played.say('contrast')} {in_figures(played.other)}".strip())]
    if played.lesson.question:
        lines += ["", *_labelled("Question", played.say("question")), *_labelled("Answer", played.say("answer"))]
    return "\n".join([*lines, "", *wrapped(terms(" ".join(lines)))])


def terms(told: str) -> str:
    """What the words of the trade mean that are used in what was told, and that all of it is invented."""
    if " mark" not in told and " cap" not in told:
        return INVENTED
    setup = Job(**FACTS).setup
    mark = numbers.say_size(setup.mark_turns["throttle"])
    caps = " and ".join(f"{numbers.say_size(setup.cap_turns[screw])} of the {screw}" for screw in reversed(SCREWS))
    return (
        f"A mark is the step in which turns are advised, {mark} here. The cap is the largest turn allowed at one "
        f"time, {caps} here. {INVENTED}"
    )


def _row(step: Step) -> str:
    """A step of the hand in a line of the table."""
    hand = f"{step.act.screw} {step.turn}" if step.turn else f"mended: {step.act.mended}"
    shown = f"{step.shown.co2_pct:6.1f}{step.shown.o2_pct:7.1f}{step.shown.co_ppm:9.0f}" if step.shown else " " * 22
    (before, after), co_ppm = step.act.co2_pct(), step.act.after[step.act.running].co_air_free_ppm
    truth = f"{before:8.2f} to {after:<5.2f}{three_figures(co_ppm):>8}"
    return f"  {step.number:2d} {step.act.at_s / 60:4.1f}  {hand:<17.17}{shown}{truth}"


def contrast_label(played: Played) -> str:
    """What the other way is called."""
    if played.earlier:
        return "Empty log"
    return "A fixed step" if played.lesson.script == FOLLOW else "The adviser"


def in_figures(visit: SimulatedVisit) -> str:
    """What a way cost, in brackets."""
    score = visit.score()
    turns = f"{score.turns} turn{'' if score.turns == 1 else 's'}"
    peak = three_figures(score.peak_co_air_free_ppm)
    return f"({score.minutes:.0f} min, {turns}, CO at most {peak} ppm air-free.)"


def three_figures(ppm: float) -> str:
    """CO without false digits: three figures above 1,000 ppm, whole ppm below."""
    return f"{float(f'{ppm:.3g}') if ppm >= 1000 else ppm:.0f}"


def _labelled(label: str, text: str) -> list[str]:
    return labelled(label, text, LABEL_WIDTH)
