"""The order of the rooms: imports go one way, start-up is light, modules stay short, the pages tell the truth."""

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from console import BLOCK, PAGE, ROOT, played
from matplotlib.image import imread

import advisor
from advisor import Job
from advisor.chemistry import limits

PACKAGE = Path(advisor.__file__).parent
ORDER = [
    "errors", "units", "lines", "terminal", "fuels", "limits", "events", "prior", "facts", "readings", "stages",
    "told", "figures", "meter", "valve", "hypotheses", "regression", "model", "response", "history", "visit",
    "monoxide", "measured", "answers", "findings", "rate", "flue", "decision", "progress", "trouble", "rows", "heads",
    "log", "job", "record", "text", "shown", "pages", "plots", "pictures", "sheet", "options", "entries", "guide",
    "made_visit", "made_policies", "lessons", "lesson_play", "lesson_words", "lesson_pages", "practise", "prior_file",
    "study.frames", "study.timeline", "study.tables", "study.batch", "study.learn", "study.priors", "study.honesty",
    "study.collect", "study.replay", "study.plots", "study.report", "study", "desk", "cli",
]  # fmt: skip
APART = {"simulator": {"fuels", "errors"}}  # shares nothing with the estimator
PLAY = {"made_visit", "lessons", "lesson_play", "practise"}  # may put a made-up boiler beside the adviser


def room(path: Path) -> str:
    """A module's name below `advisor`, such as "study.tables"; a package goes by its folder."""
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__")


FRONT = {PACKAGE / "__init__.py", PACKAGE / "__main__.py"}
MODULES = {room(path): path for path in PACKAGE.rglob("*.py") if path not in FRONT}


def imported(path: Path) -> set[str]:
    """Names of the advisor modules that a module imports anywhere."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "advisor":
            package = node.module.partition(".")[2]
            inside = {f"{package}.{alias.name}".lstrip(".") for alias in node.names} & set(MODULES)
            found |= inside or {package} - {""}
        elif isinstance(node, ast.Import):
            found |= {a.name.partition(".")[2] for a in node.names if a.name.startswith("advisor.")}
    return found


def test_imports_go_one_way() -> None:
    """Each module imports only modules before it in the order; the simulator stands apart."""
    assert set(MODULES) == set(ORDER) | set(APART)
    for name in ORDER:
        before = set(ORDER[: ORDER.index(name)]) | (set(APART) if name in PLAY else set())
        assert imported(MODULES[name]) <= before, name
    for name, allowed in APART.items():
        assert imported(MODULES[name]) <= allowed, name


def test_an_answer_loads_nothing_heavy() -> None:
    """`advisor next` imports neither pandas, matplotlib, scipy.stats nor the made-up boiler."""
    code = (
        "import sys; sys.argv = ['advisor', 'next', 'demo_logs/half_way.csv', '--at', 'last']\n"
        "from advisor.cli.main import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "heavy = ('pandas', 'matplotlib', 'scipy.stats', 'scipy.optimize', 'advisor.training.simulator', 'advisor.training.simulated_visit')\n"
        "heavy = [m for m in heavy if m in sys.modules]\n"
        "print('HEAVY', heavy)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.splitlines()[-1] == "HEAVY []"


def test_the_sessions_in_the_readme_are_what_the_commands_print() -> None:
    """Every console session of README.md, word for word (`python tests/console.py` renews them)."""
    page = PAGE.read_text(encoding="utf-8")
    assert played(page) == page


def test_the_python_examples_in_the_readme_run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The examples of README.md, of the study and of one job, work as printed."""
    monkeypatch.chdir(ROOT)
    blocks = re.findall(r"^```python\n(.*?)^```$", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    printed = []
    for code in blocks:
        exec(compile(code, "README.md", "exec"), {})
        printed.append(capsys.readouterr().out)
    many, one = printed
    assert all(word in many for word in ("demo_logs/half_way.csv", "turndown_range", "natural gas", "turned throttle"))
    assert "..." not in many  # every column is shown
    assert max(map(len, many.splitlines())) <= 80
    first, second = one.splitlines()
    assert first.startswith("turn throttle 0.0416")
    assert second == "1.259"


def test_every_command_is_in_the_readme() -> None:
    """Each command has its line in README.md."""
    from advisor.cli.main import app

    page = PAGE.read_text(encoding="utf-8")
    names = [command.name or command.callback.__name__ for command in app.registered_commands if command.callback]
    assert len(names) == 15
    for name in names:
        assert f"advisor {name} " in page, name


def test_demo_logs_are_what_their_script_makes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The logs in demo_logs come from the committed script and seeds, byte for byte; the pages as near as
    another version of matplotlib draws them.
    """
    import make_demo_logs

    kept = make_demo_logs.DEMO_LOGS
    monkeypatch.setattr(make_demo_logs, "DEMO_LOGS", tmp_path)
    make_demo_logs.main()
    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in kept.iterdir()}
    for path in tmp_path.iterdir():
        if path.suffix != ".png":
            assert path.read_bytes() == (kept / path.name).read_bytes(), path.name
            continue
        made, before = imread(path), imread(kept / path.name)
        assert made.shape == before.shape, path.name
        assert np.abs(made - before).mean() < 0.01, path.name  # of 1; one line of text more makes that much


@pytest.mark.parametrize(
    ("name", "action", "code"),
    [
        ("sound_job", "finish", ""),
        ("half_way", "turn", ""),
        ("slack_after_reversal", "turn", "slack"),
        ("read_too_soon", "wait", "not-settled"),
        ("loose_probe", "halt", "air-in-sample"),
        ("reversed_screw", "halt", "wrong-way"),
    ],
)
def test_each_demo_log_shows_what_its_line_says(name: str, action: str, code: str) -> None:
    """The answer on each demo log is the one it is there for."""
    job = Job.load(ROOT / "demo_logs" / f"{name}.csv")
    advice = job.next(max(event.time for event in job.events))
    assert advice.action == action
    assert not code or code in {finding.code for finding in advice.findings}


def test_no_target_has_a_default() -> None:
    """Bands, gas pressures and input rates are never built in."""
    with pytest.raises(TypeError):
        Job(fuel="natural gas")  # type: ignore[call-arg]
    assert dict(Job(fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)}).setup.pressures) == {}
    assert not any("band" in name.lower() or "pressure" in name.lower() for name in vars(limits))


def test_the_licence_ships_in_the_package() -> None:
    """The licence text lies in the package and its SPDX name in pyproject.toml."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["license"] == "MIT"
    assert (PACKAGE / "LICENSE").read_text(encoding="utf-8").startswith("MIT License")


def test_every_option_is_in_the_pages() -> None:
    """Each argument and option of each command is named in README.md or DEVELOPERS.md."""
    from typer.main import get_command

    from advisor.cli.main import app

    pages = PAGE.read_text(encoding="utf-8") + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    commands = get_command(app).commands  # type: ignore[attr-defined]
    options = {
        (name, word)
        for name, command in commands.items()
        for parameter in command.params
        for word in parameter.opts
        if word.startswith("-") and word != "--help"
    }
    assert len(options) > 30
    missing = sorted((name, word) for name, word in options if not re.search(rf"{word}(?![\w-])", pages))
    assert missing == []


def test_every_session_in_the_readme_is_one_that_is_played() -> None:
    """No block of README.md shows a prompt or an answer outside the sessions that are run."""
    page = PAGE.read_text(encoding="utf-8")
    fences = re.findall(r"^```(\w*)$", page, re.MULTILINE)
    assert fences[1::2] == [""] * (len(fences) // 2)
    assert set(fences[::2]) == {"console", "sh", "python"}
    assert page.count("```console\n") == len(BLOCK.findall(page)) >= 10
    outside = BLOCK.sub("", page)
    assert not re.search(r"^\$ ", outside, re.MULTILINE)
    for session in BLOCK.findall(page):
        assert session.startswith("$ advisor ")
