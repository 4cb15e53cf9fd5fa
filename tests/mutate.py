"""Mutation testing by hand, a group of modules at a time: `python tests/mutate.py GROUP`.

Needs mutmut, in an environment that has the `test` extra too. Works in a copy outside the repository. mutmut leaves
decorated functions alone, so in the copy `@property def f` stands as `def f` and `f = property(f)`, and `lru_cache`
is left off. Constants outside functions are not changed by it.
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
    "decision": (("decision.candidates", "decision.advise"), ("test_decision.py", "test_findings.py", "test_job.py")),
}
SLOW = "tests/test_decision.py::test_invariants"  # two minutes by itself
OPENED = ("property", "cached_property", "lru_cache")
PROFILE = """
from hypothesis import Phase, settings

settings.register_profile(  # no time spent on making a failure small
    "mutation", max_examples=12, deadline=None, derandomize=True, database=None, phases=[Phase.explicit, Phase.generate]
)
settings.load_profile("mutation")
"""
KILLED = {1, 3, 36, 24, -24, 152, 255}  # a test failed, or (from the third on) none came to an end
STATUS = {None: "not run", 0: "survived", 5: "no tests", 33: "no tests"}


def opened(source: str) -> str:
    """The same module with its decorated functions as plain ones, decorated in a line of their own."""
    lines = source.splitlines()
    found = [
        node
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.FunctionDef)
        and len(node.decorator_list) == 1
        and ast.unparse(node.decorator_list[0]).partition("(")[0] in OPENED
    ]
    for node in sorted(found, key=lambda node: -node.lineno):
        (decorator,) = node.decorator_list
        if "lru_cache" not in ast.unparse(decorator):  # what is remembered from before the change would hide it
            again = " " * node.col_offset + f"{node.name} = {ast.unparse(decorator)}({node.name})"
            lines.insert(node.end_lineno or node.lineno, again)
        del lines[decorator.lineno - 1]
    return "\n".join(lines) + "\n"


def path_of(module: str) -> str:
    """Path in the repository of a module named as below `advisor`."""
    return f"advisor/{module.replace('.', '/')}.py"


def prepare(group: str, folder: Path) -> None:
    """Lay out a copy of the repository in which mutmut changes the modules of this group only."""
    modules, tests = GROUPS[group]
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for name in ("advisor", "tests", "demo_logs"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(ROOT / name, folder / name)
    for module in modules:
        path = folder / path_of(module)
        path.write_text(opened(path.read_text(encoding="utf-8")), encoding="utf-8")
    (folder / "tests" / "conftest.py").write_text(PROFILE)
    settings = {
        "source_paths": ["advisor/"],
        "only_mutate": [path_of(module) for module in modules],
        "also_copy": ["demo_logs", "README.md", "DEVELOPERS.md"],
        "pytest_add_cli_args_test_selection": [f"tests/{name}" for name in tests],
        "pytest_add_cli_args": [f"--deselect={SLOW}", "-p", "no:cacheprovider", "-n", "0"],
        "timeout_multiplier": ["6"],
        "timeout_constant": ["4"],
        "track_dependencies": ["false"],
        "use_git_change_detection": ["false"],
    }
    parts = [
        f"{key} =\n    " + "\n    ".join(value) if len(value) > 1 else f"{key} = {value[0]}"
        for key, value in settings.items()
    ]
    (folder / "setup.cfg").write_text("[mutmut]\n" + "\n".join(parts) + "\n")


def mutmut(folder: Path, *words: str) -> str:
    """Run mutmut in the copy, one process, and give what it printed."""
    path = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    done = subprocess.run(
        [sys.executable, "-m", "mutmut", *words], cwd=folder, env=path, capture_output=True, text=True
    )
    return done.stdout + done.stderr


def results(folder: Path) -> dict[str, int | None]:
    """Exit code of the tests for each mutant."""
    codes: dict[str, int | None] = {}
    for path in sorted(folder.glob("mutants/advisor/**/*.meta")):
        codes |= json.loads(path.read_text())["exit_code_by_key"]
    return codes


def main() -> None:
    """Run a group, or a random sample of it, or named mutants; print the shares and the survivors."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("group", choices=GROUPS)
    parser.add_argument("--sample", type=int, help="so many mutants of each module, drawn at random")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--names", nargs="*", default=[], help="these mutants only")
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "mutants_of_advisor")
    given = parser.parse_args()
    folder = given.folder / given.group
    prepare(given.group, folder)
    names = given.names
    if not names:
        # a name that fits no mutant: lays the mutants out and times the tests, runs none
        print(mutmut(folder, "run", "--max-children", "1", "none.such")[-300:])
        for module in GROUPS[given.group][0]:
            drawn = sorted(name for name in results(folder) if name.startswith(f"advisor.{module}."))
            if given.sample and given.sample < len(drawn):
                drawn = random.Random(given.seed).sample(drawn, given.sample)
            names += drawn
    print(len(names), "mutants", flush=True)
    print(mutmut(folder, "run", "--max-children", "1", *names)[-300:])
    codes = results(folder)
    for module in GROUPS[given.group][0]:
        ours = [name for name in names if name.startswith(f"advisor.{module}.")]
        if ours:
            killed = sum(codes[name] in KILLED for name in ours)
            low, high = binomtest(killed, len(ours)).proportion_ci(method="wilson")
            print(f"{module}: {killed} of {len(ours)} killed, {killed / len(ours):.1%} ({low:.1%} to {high:.1%})")
    for name in names:
        if codes[name] not in KILLED:
            print(STATUS.get(codes[name], codes[name]), mutmut(folder, "show", name))


if __name__ == "__main__":
    main()
