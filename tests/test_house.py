"""Where things live: imports go one way between packages, an answer starts light, no target is built in."""

import ast
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from console import ROOT

import advisor
from advisor import Job

PACKAGE = Path(advisor.__file__).parent
ORDER = (  # each may use those before it; the modules and packages right below `advisor`
    "errors", "units", "parsing", "screws", "wording", "messages", "chemistry", "job_setup", "log", "response",
    "diagnosis", "decision", "procedure", "report", "job", "dialogue", "trace", "training", "study", "page", "cli",
)  # fmt: skip
JOINS_ITS_PARTS = {"", "study", "trace", "wording"}  # packages whose __init__ names what is public


def imports(path: Path) -> Iterator[str]:
    """Names below `advisor` that a module imports, anywhere in it: "log.events", "fuels"."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [f"{'.' * node.level}{node.module or ''}.{alias.name}" for alias in node.names]
        else:
            continue
        assert not any(name.startswith(".") for name in names), f"{path}: absolute imports only"
        yield from (name.removeprefix("advisor.") for name in names if name.startswith("advisor."))


def test_imports_go_one_way_between_packages() -> None:
    """Each package imports only itself and packages before it in the order, inside functions too."""
    upward = []
    for path in PACKAGE.rglob("*.py"):
        here = path.relative_to(PACKAGE).with_suffix("").parts[0]
        if here not in ("__init__", "__main__"):
            allowed = ORDER[: ORDER.index(here) + 1]
            upward += [f"{path} imports {name}" for name in imports(path) if name.split(".")[0] not in allowed]
    assert upward == []


def test_the_simulator_knows_nothing_of_the_response() -> None:
    """The made-up boiler's physics are its own: chemistry and errors, nothing that the estimate is made of."""
    used = {name.split(".")[0] for name in imports(PACKAGE / "training" / "simulator.py")}
    assert used <= {"chemistry", "errors", "screws"}


def test_a_package_holds_its_docstring_and_loads_nothing() -> None:
    """Whoever opens `__init__` reads what the package is about; only what is public is named there."""
    for path in PACKAGE.rglob("__init__.py"):
        module = ast.parse(path.read_text(encoding="utf-8"))
        assert ast.get_docstring(module), path
        name = ".".join(path.parent.relative_to(PACKAGE).parts)
        assert len(module.body) == 1 or name in JOINS_ITS_PARTS, path


def test_an_answer_loads_nothing_heavy() -> None:
    """`advisor next` imports neither pandas, matplotlib, scipy.stats nor the made-up boiler."""
    code = (
        "import sys; sys.argv = ['advisor', 'next', 'demo_logs/half_way.csv', '--at', 'last']\n"
        "from advisor.cli.main import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "heavy = ('pandas', 'matplotlib', 'scipy.stats', 'scipy.optimize', 'advisor.training', 'advisor.study')\n"
        "heavy += ('advisor.trace',)\n"
        "print('HEAVY', [name for name in heavy if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.startswith("Offset screw: ")
    assert done.stdout.splitlines()[-1] == "HEAVY []"


def test_no_target_has_a_default() -> None:
    """Bands, gas pressures and input rates come from the user, never built in."""
    with pytest.raises(TypeError):
        Job(fuel="natural gas")  # type: ignore[call-arg]
    setup = Job(fuel="natural gas", bands={"high": (9.0, 9.4), "low": (8.6, 9.0)}).setup
    assert (dict(setup.pressures), setup.input_rate, setup.heating_value) == ({}, None, None)


def test_the_licence_ships_in_the_package() -> None:
    """The licence text lies in the package and its SPDX name in pyproject.toml."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["project"]["license"] == "MIT"
    assert (PACKAGE / "LICENSE").read_text(encoding="utf-8").startswith("MIT License")
    assert project["tool"]["setuptools"]["package-data"]["advisor"][:2] == ["LICENSE", "py.typed"]
