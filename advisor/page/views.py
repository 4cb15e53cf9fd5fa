"""What each address answers. Every answer is a whole page, so that the visit goes on without a script."""

import json
import logging
import threading
from collections import defaultdict
from collections.abc import Callable, Mapping
from math import ceil
from pathlib import Path
from typing import Any

import jinja2
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from advisor.chemistry import fuels
from advisor.decision.answers import Advice
from advisor.dialogue import new_job, taken_up
from advisor.dialogue.asked import Standing, is_urgent, say_above, say_then, say_trouble, standing
from advisor.dialogue.entries import NO_ANSWER
from advisor.dialogue.prompts import in_words, needs_cause
from advisor.dialogue.striking import last_row
from advisor.errors import AdvisorError, LogError, LogGrownError, RangeError
from advisor.job import Job
from advisor.job_setup.setup import VISITS
from advisor.messages import Finding
from advisor.page import forms, practice
from advisor.page.curve import BOTTOM, HEIGHT, LEFT, TOP, WIDTH, curve_of
from advisor.page.entering import enter
from advisor.page.visits import MOST_LISTED, Folder, Visit
from advisor.procedure.stages import BEFORE
from advisor.report import answers, brief
from advisor.report.layout import for_a_page
from advisor.response.situation import Situation
from advisor.screws import FIRINGS, SCREW_FOR
from advisor.wording.numbers import say_typed, say_way
from advisor.wording.page import SCRIPT, page_text

HERE = Path(__file__).parent
Post = Callable[[Request, Mapping[str, str]], Response]
BANDS_AT = 2  # answers before the bands, which one page asks for
REFRESH_S = 20  # at most, without a script; what is being typed then must not be lost too often
_drawing = threading.Lock()  # matplotlib draws one at a time


class Pages:
    """The pages of one folder."""

    def __init__(self, folder: Folder) -> None:
        self.folder = folder
        self.templates = jinja2.Environment(
            loader=jinja2.FileSystemLoader(HERE / "templates"), autoescape=True, undefined=jinja2.StrictUndefined,
            trim_blocks=True, lstrip_blocks=True,
        )  # fmt: skip
        self.templates.globals |= {"say": page_text, "script_says": json.dumps(dict(SCRIPT))}

    def app(self) -> Starlette:
        """The application, without its guard."""
        routes = [
            Route("/", self.visits),
            Route("/new", self.new, methods=["GET"]),
            Route("/new", _posted(self.take), methods=["POST"]),
            Route("/again", _posted(self.again), methods=["POST"]),
            Route("/practice", _posted(self.practise), methods=["POST"]),
            Route("/visit/{number:int}", self.visit, methods=["GET"]),
            Route("/visit/{number:int}", _posted(self.entered), methods=["POST"]),
            Route("/visit/{number:int}/curve", self.curve),
            Route("/visit/{number:int}/record.pdf", self.record),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ]
        handlers = {AdvisorError: self._wrong, HTTPException: _plainly, Exception: _failed}
        return Starlette(routes=routes, exception_handlers=handlers)

    def page(self, template: str, status: int = 200, **values: Any) -> Response:
        """A page of a template."""
        return HTMLResponse(self.templates.get_template(template).render(**values), status)

    # ---- the folder

    def visits(self, request: Request) -> Response:
        """All visits: open ones and finished ones."""
        found = self.folder.summaries()
        listed = found[:MOST_LISTED]
        return self.page(
            "visits.html", folder=self.folder.path.resolve().name, more=len(found) - len(listed),
            open=[each for each in listed if not each.left], over=[each for each in listed if each.left], kinds=VISITS,
            caution=BEFORE.words.caution,
        )  # fmt: skip

    def new(self, request: Request) -> Response:
        """The first question of a new visit."""
        return self._opening(new_job.Opening())

    def take(self, request: Request, given: Mapping[str, str]) -> Response:
        """The next question of a new visit, or the visit once all is told."""
        opening, status, trouble = new_job.Opening(), 200, ""
        opening.told = [given[name] for name in ("told0", "told1", "told2", "told3") if name in given]
        typed = given.get(forms.CHOICE, "")
        if typed in ("CO2", "O2"):
            edges = [forms.decimal(given.get(f"{edge}{n}", "")) for n in (0, 1) for edge in ("low", "high")]
            basis = "o2 " if typed == "O2" else ""
            typed = f"{basis}{edges[0]}:{edges[1]} {basis}{edges[2]}:{edges[3]}" if all(edges) else ""
        try:
            opening = _told(opening.told)
            if given.get(forms.CHOICE) == "back":
                opening.told = opening.told[:BANDS_AT] if len(opening.told) > BANDS_AT else opening.told[:-1]
            elif not typed:
                raise RangeError(page_text("bands-needed") if len(opening.told) == BANDS_AT else NO_ANSWER)
            elif setup := opening.take(typed):
                return RedirectResponse(f"/visit/{self.folder.start(setup)}", 303)
        except RangeError as error:
            status, trouble = 422, str(error)
        return self._opening(opening, trouble, status, given)

    def again(self, request: Request, given: Mapping[str, str]) -> Response:
        """A new visit to the boiler of an earlier one."""
        visit = self.folder.visit(int(given.get("visit", "0") or 0))
        setup = new_job.setup_from(new_job.earlier_job(visit.path), visit.path, given.get("kind"))
        return RedirectResponse(f"/visit/{self.folder.start(setup)}", 303)

    def practise(self, request: Request, given: Mapping[str, str]) -> Response:
        """A made-up boiler."""
        return RedirectResponse(f"/visit/{self.folder.start(practice.setup(), practice.begin)}", 303)

    def _opening(
        self, opening: new_job.Opening, trouble: str = "", status: int = 200, given: Mapping[str, str] | None = None
    ) -> Response:
        asks = page_text("bands") if len(opening.told) == BANDS_AT else opening.prompt.asks
        choices = {0: VISITS, 1: tuple(fuel.name for fuel in fuels.BUILT_IN)}.get(len(opening.told), ())
        return self.page(
            "new.html", status, told=opening.told, asks=asks, firings=FIRINGS, choices=choices,
            hint=opening.prompt.hint, why=new_job.WHY, trouble=trouble, given=defaultdict(str, given or {}),
        )  # fmt: skip

    # ---- one visit

    def visit(self, request: Request) -> Response:
        """What is asked now."""
        return self._visit(self.folder.visit(request.path_params["number"]))

    def entered(self, request: Request, given: Mapping[str, str]) -> Response:
        """Log what a form says, then ask what is asked next."""
        visit = self.folder.visit(request.path_params["number"])
        with visit.lock:
            try:
                said = enter(visit, given)
            except LogGrownError as error:
                return self._visit(visit, str(error), 409)
            except RangeError as error:
                return self._visit(visit, str(error), 422, given)
            visit.seen()
            visit.said = len(visit.job().events), said
        return RedirectResponse(f"/visit/{visit.number}", 303)

    def curve(self, request: Request) -> Response:
        """CO2 against time so far."""
        from advisor.report.record import record_of

        visit = self.folder.visit(request.path_params["number"])
        with visit.lock:
            job = visit.job()
            record = record_of(job.setup, job.events, job.warnings)
        sizes = {"width": WIDTH, "height": HEIGHT, "left": LEFT, "top": TOP, "bottom": BOTTOM}
        title, mocked = _title(visit, job), job.setup.practice
        return self.page("curve.html", visit=visit, title=title, practice=mocked, curve=curve_of(record), **sizes)

    def record(self, request: Request) -> Response:
        """The record as PDF."""
        from advisor.report import pages, record, sheet  # here, not above: drawing is heavy

        visit = self.folder.visit(request.path_params["number"])
        with visit.lock:
            job = visit.job()
        with _drawing:
            made = record.record_of(job.setup, job.events, job.warnings)
            figures = sheet.pages_of(made, visit.path.name)
            data = pages.as_pdf(figures, sheet.TITLE)
        name = f'inline; filename="record-{visit.number}.pdf"'
        return Response(data, media_type="application/pdf", headers={"content-disposition": name})

    def _visit(
        self, visit: Visit, trouble: str = "", status: int = 200, given: Mapping[str, str] | None = None
    ) -> Response:
        with visit.lock, for_a_page():
            job = visit.job()
            at = visit.now(job)
            visit.seen()
            fields = defaultdict(str, given or {})
            return self.page("visit.html", status, **_shown(visit, job, at), trouble=trouble, given=fields)

    # ---- what went wrong

    def _wrong(self, request: Request, error: Exception) -> Response:
        """A page that says what can't be read or written."""
        return self.page("wrong.html", 507 if isinstance(error, LogError) else 422, said=str(error))


def _shown(visit: Visit, job: Job, at: Any) -> dict[str, Any]:
    """What the page of a visit shows."""
    now = standing(job, at, "page")
    asked, situation, state = now.asked, now.situation, now.state
    visit.taken_up &= asked is not None and taken_up.asks_how_it_runs(situation)
    lines = [] if visit.taken_up else [*say_above(now, "page"), *filter(None, [say_trouble(now)])]
    if now.advice.stops and not (lines and asked and asked.answers) and is_urgent(now.advice):
        lines.insert(0, answers.say_stop(now.advice.stops[0], "page"))
    if state and state.why and asked and asked.question:
        why = state.why
        lines.append(answers.say_stop(why, "page") if isinstance(why, Finding) else f"STOP. {in_words(why, 'page')}")
    if asked is None:
        lines += brief.say_next(now.case, now.advice, now.progress, "page").splitlines()
    advice = asked.advice if asked else None
    turn, sheet = None, forms.sheet_of(now)
    asks_why = sheet.why if sheet else (asked.why,) if asked else ()
    wait_s, headline = ceil(asked.wait_s) if asked and not visit.taken_up else 0, _headline(visit, now, lines)
    if advice and advice.action == "turn" and advice.screw and advice.turns_cw and not wait_s:
        turn = {
            "screw": advice.screw, "typed": say_typed(advice.turns_cw),
            "says": page_text("turn", screw=advice.screw, turns_cw=advice.turns_cw, way=say_way(advice.turns_cw)),
        }  # fmt: skip
    return {
        "visit": visit, "title": _title(visit, job), "practice": job.setup.practice, "row": len(job.events),
        "runs": _runs(situation),
        "firing": situation.firing, "screw": SCREW_FOR[situation.firing] if situation.firing else None,
        "stage": state.stage if state else None,
        "shown": [_parted(line) for line in lines if _flat(line) != headline],
        "said": [_parted(line) for line in visit.said_now(job)],
        "asked": asked, "advice": advice, "turn": turn,
        "headline": headline,
        "form": sheet,
        "wait_s": wait_s, "then": say_then(now) if wait_s else "", "refresh_s": min(wait_s + 1, REFRESH_S),
        "why": [*asks_why, *map(_flat, brief.say_why(now.case, now.advice, "page"))],
        "choices_alike": bool(sheet and len(sheet.questions) == 1 and sheet.questions[0].check.choices),
        "needs_cause": needs_cause(now.advice, situation.firing),
        "last": last_row(job), "say_event": answers.say_event, "choice": forms.CHOICE,
        "instruments": practice.say_shown(job, at) if job.setup.practice else "",
        "truth": practice.say_truth(job, at) if job.setup.practice and asked is None else "",
        "warnings": job.warnings, "caution": answers.CAUTION,
    }  # fmt: skip


def _headline(visit: Visit, now: Standing, lines: list[str]) -> str:
    """What is to be done or answered now: the question, the first line of the answer, or the reading that is due."""
    asked, situation = now.asked, now.situation
    if visit.taken_up:
        return taken_up.ASKS
    if asked is None:
        return page_text("over")
    if asked.question:
        return ""
    assert asked.advice
    if lines and asked.advice.action != "run_at":
        return _flat(lines[0])
    said = asked.advice.action == "run_at" or asked.advice.asks_co
    return brief.first_line(now.case, asked.advice if said else Advice("read", firing=situation.firing), "page")


def _runs(situation: Situation) -> str:
    if situation.firing:
        return page_text("runs-at", firing=situation.firing)
    return page_text("burner-off" if situation.off else "not-lit")


def _title(visit: Visit, job: Job) -> str:
    setup = job.situation(job.ended).setup if job.events else job.setup
    return setup.boiler or setup.site or visit.path.stem


def _parted(line: str) -> tuple[str, str]:
    """A line of an answer as its label and its text."""
    label, tab, text = line.partition("\t")
    return (label, text) if tab else ("", line)


def _flat(line: str) -> str:
    return " ".join(line.split())


def _told(told: list[str]) -> new_job.Opening:
    """The opening with what was told already, each answer read anew. RangeError where one can't be."""
    opening = new_job.Opening()
    for answer in told:
        if len(opening.told) >= 4:
            break
        opening.take(answer)
    return opening


def _posted(answer: Post) -> Callable[[Request], Any]:
    """An endpoint for a form, worked on in a thread."""

    async def endpoint(request: Request) -> Response:
        async with request.form(max_files=0, max_fields=40) as form:
            given = {name: value for name, value in form.items() if isinstance(value, str)}
        return await run_in_threadpool(answer, request, given)

    return endpoint


def _plainly(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 400
    return PlainTextResponse(page_text("no-page"), status)


def _failed(request: Request, error: Exception) -> Response:
    logging.getLogger("advisor.page").error("request failed", exc_info=error)
    return PlainTextResponse(page_text("failed"), 500)
