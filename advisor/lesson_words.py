"""A lesson told in words, 80 columns."""

from advisor.lesson_play import Played, Run, what_the_adviser_said
from advisor.lessons import LESSONS
from advisor.lines import labelled, wrapped

LABEL_WIDTH = 14
INVENTED = "A made-up boiler; its bands are invented. On site the maker's instructions come first."
PARTS = (("The hand", "did"), ("The display", "showed"), ("The flame", "flame"), ("The cost", "cost"))


def say_list() -> str:
    """The names of the lessons."""
    lines = ["Ten lessons, each on a made-up boiler: advisor lesson NAME", ""]
    lines += [f"  {lesson.name:<{LABEL_WIDTH}}{lesson.title}" for lesson in LESSONS]
    lines += ["", *wrapped("As a page: --plot FILE (.png, .pdf or .svg). All on paper: --handout FILE.pdf.")]
    return "\n".join(lines)


def say_lesson(played: Played) -> str:
    """A lesson: what happened in words, each step with the truth beside the display, the adviser, the question."""
    lines = wrapped(f"{played.lesson.title}. {played.say('scene')}")
    for label, name in PARTS:
        lines += _labelled(label, played.say(name))
    if played.steps:
        lines += ["", "  no   min  the hand                           display   true CO2       CO"]
    for step in played.steps:
        shown = "" if step.shown_pct is None else f"{step.shown_pct:.1f}"
        lines.append(
            f"  {step.number:2d}  {step.at_s / 60:4.1f}  {step.hand:<35.35}{shown:>7}"
            f"{step.before_pct:7.1f} > {step.after_pct:4.1f}  {step.co_air_free_ppm:6.0f}"
        )
    if played.steps:
        lines.append("  (display before the step; truth before > after; CO in ppm air-free after it)")
    lines += ["", "What the adviser would have said:"]
    for number, answer in what_the_adviser_said(played):
        lines += _labelled(number, answer)
    lines += ["", *_labelled(contrast_label(played), f"{played.say('contrast')} {in_figures(played.other)}")]
    lines += ["", *_labelled("Question", played.say("question")), *_labelled("Answer", played.say("answer"))]
    return "\n".join([*lines, "", *wrapped(INVENTED)])


def contrast_label(played: Played) -> str:
    """What the other way is called."""
    return "The adviser" if played.lesson.name != "good-job" else "A fixed step"


def in_figures(run: Run) -> str:
    """What a way cost, in brackets."""
    turns = f"{run.score.moves} turn{'' if run.score.moves == 1 else 's'}"
    return f"({run.score.minutes:.0f} min, {turns}, CO at most {run.score.peak_co_air_free_ppm:.0f} ppm air-free.)"


def _labelled(label: str, text: str) -> list[str]:
    return labelled(label, text, LABEL_WIDTH)
