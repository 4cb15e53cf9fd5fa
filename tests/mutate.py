"""Mutation testing by hand, a group of modules at a time: `python tests/mutate.py GROUP`, or a sample of it.

Needs mutmut, in an environment that has the `test` extra too. Works in a copy outside the repository. mutmut leaves
decorated functions alone, so in the copy `@property def f` stands as `def f` and `f = property(f)`, and `lru_cache`
is left off. Constants outside functions are not changed by it, nor is what a test computes when it is collected.
"""

import argparse
import ast
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from scipy.stats import binomtest

ROOT = Path(__file__).parents[1]
GROUPS = {  # modules, and the tests that ought to catch a fault in them
    "chemistry": (
        ("chemistry.fuels", "chemistry.flue_gas", "chemistry.gas_meter"),
        ("test_fuels.py", "test_flue_gas.py", "test_gas_meter.py"),
    ),
    "regression": (("response.regression", "response.predictive"), ("test_regression.py", "test_predictive.py")),
    "decision": (
        ("decision.candidates", "decision.advise"),
        ("test_decision.py", "test_findings.py", "test_job.py", "test_wording.py"),
    ),
}
OPENED = ("property", "cached_property", "lru_cache")
PROFILE = """
from hypothesis import Phase, settings

settings.register_profile(  # no time spent on making a failure small
    "mutation", max_examples=12, deadline=None, derandomize=True, database=None, phases=[Phase.explicit, Phase.generate]
)
settings.load_profile("mutation")
"""
SETTINGS = """[mutmut]
source_paths = advisor/
only_mutate =
    {modules}
also_copy =
    demo_logs
    README.md
    DEVELOPERS.md
pytest_add_cli_args_test_selection =
    {tests}
pytest_add_cli_args =
    --deselect=tests/test_decision.py::test_no_answer_breaks_a_limit
    -p
    no:cacheprovider
    -n
    0
timeout_multiplier = 6
timeout_constant = 4
track_dependencies = false
use_git_change_detection = false
"""
KILLED = {1, 3, 36, 24, -24, 152, 255}  # a test failed, or (from the third on) none came to an end


def opened(source: str) -> str:
    """The same module with its decorated functions as plain ones, decorated in a line of their own."""
    lines = source.splitlines()
    functions = [node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.FunctionDef)]
    for node in sorted(functions, key=lambda node: -node.lineno):
        decorators = [ast.unparse(decorator) for decorator in node.decorator_list]
        if len(decorators) != 1 or decorators[0].partition("(")[0] not in OPENED:
            continue
        if not decorators[0].startswith("lru_cache"):  # what is remembered from before the change would hide it
            again = f"{node.name} = {decorators[0]}({node.name})"
            lines.insert(node.end_lineno or node.lineno, " " * node.col_offset + again)
        del lines[node.decorator_list[0].lineno - 1]
    return "\n".join(lines) + "\n"


def prepare(group: str, folder: Path) -> None:
    """Lay out a copy of the repository in which mutmut changes the modules of this group only."""
    modules, tests = GROUPS[group]
    shutil.rmtree(folder, ignore_errors=True)
    for name in ("advisor", "tests", "demo_logs"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(ROOT / name, folder / name)
    paths = [f"advisor/{module.replace('.', '/')}.py" for module in modules]
    for path in paths:
        (folder / path).write_text(opened((folder / path).read_text(encoding="utf-8")), encoding="utf-8")
    with (folder / "tests" / "conftest.py").open("a", encoding="utf-8") as conftest:
        conftest.write(PROFILE)
    named = {"modules": "\n    ".join(paths), "tests": "\n    ".join(f"tests/{name}" for name in tests)}
    (folder / "setup.cfg").write_text(SETTINGS.format(**named))


def mutmut(folder: Path, *words: str) -> str:
    """Run mutmut in the copy, one process, and give what it printed."""
    path = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    command = [sys.executable, "-m", "mutmut", *words]
    done = subprocess.run(command, cwd=folder, env=path, capture_output=True, text=True)
    return done.stdout + done.stderr


def results(folder: Path) -> dict[str, int | None]:
    """Exit code of the tests for each mutant."""
    codes: dict[str, int | None] = {}
    for path in sorted(folder.glob("mutants/advisor/**/*.meta")):
        codes |= json.loads(path.read_text())["exit_code_by_key"]
    return codes


def main() -> None:
    """Run a group, or a random sample of each of its modules; print the shares and the survivors."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("group", choices=GROUPS)
    parser.add_argument("--sample", type=int, help="so many mutants of each module, drawn at random")
    given = parser.parse_args()
    folder = Path(tempfile.gettempdir()) / "mutants_of_advisor" / given.group
    prepare(given.group, folder)
    # a name that fits no mutant: lays the mutants out and times the tests, runs none
    print(mutmut(folder, "run", "--max-children", "1", "none.such")[-300:])
    drawn: dict[str, list[str]] = {}
    for module in GROUPS[given.group][0]:
        names = sorted(name for name in results(folder) if name.startswith(f"advisor.{module}."))
        drawn[module] = random.Random(1).sample(names, min(given.sample or len(names), len(names)))
    mutmut(folder, "run", "--max-children", "1", *(name for names in drawn.values() for name in names))
    codes = results(folder)
    for module, names in drawn.items():
        killed = sum(codes[name] in KILLED for name in names)
        low, high = binomtest(killed, len(names)).proportion_ci(method="wilson")
        print(f"{module}: {killed} of {len(names)} killed, {killed / len(names):.1%} ({low:.1%} to {high:.1%})")
        for name in names:
            if codes[name] not in KILLED:
                print(codes[name], mutmut(folder, "show", name))


if __name__ == "__main__":
    main()
