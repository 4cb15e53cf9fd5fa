"""Public functions say their units, and formulas where they come from.

A name may carry the unit itself (`co2_pct`, `seconds`, as in the glossary of DEVELOPERS.md); otherwise its docstring
says it. A formula is a public function that gives numbers and multiplies, divides or raises something in its body; its
docstring, or that of its class or module, names a source, an equation that is derived there, or says "own".
"""

import ast
import re
from collections.abc import Iterator
from typing import NamedTuple

import pytest
from test_rooms import MODULES

CARRIED = re.compile(
    r"(^|_)(pct|ppm|c|s|pa|kw|m3|h|pt|turns|turn|turns_cw|cw|seconds|chance|share|shares|ratio|turndown|factor|sd|var"
    r"|percent|kwh|excess_air)(_|$)"
)
SAID = re.compile(
    r"%|\b(percent|ppm|turns?|s|C|K|Pa|pascal|mbar|kW|MJ/m3|m3/h|points?|columns?|seconds?|minutes?|bytes|dots"
    r"|moment|chances?|likelihood|share|ratio|units?|volumes?|mole fractions|noise variances?|straight|1970|0 to 1"
    r"|from 0|half a page|rows?|places|numbered)\b",
    re.IGNORECASE,
)
SOURCE = re.compile(
    r"\bown\b|\bfrom memory\b|\bequations?\b|\(\d\)|\[[CSXM]\]"
    r"|\b(NIST|ISO|IAPWS|ANSI|BImSchV|EPA|JCGM|BS|Gelman|Cochran|isotonic|Wilson|ideal gas|Simpson|generalised least"
    r" squares|play operator|sources are in figures)\b"
)
NUMBER = re.compile(r"\b(float|Array|NDArray|Values|Numbers)\b")


class Public(NamedTuple):
    """A public function, its words and those around it."""

    name: str
    node: ast.FunctionDef
    words: str  # its docstring
    around: str  # its class's and module's

    @property
    def takes(self) -> list[str]:
        """Names of its parameters that are numbers."""
        given = [*self.node.args.posonlyargs, *self.node.args.args, *self.node.args.kwonlyargs]
        return [arg.arg for arg in given if arg.annotation and NUMBER.search(ast.unparse(arg.annotation))]

    @property
    def gives_numbers(self) -> bool:
        """Whether it returns numbers."""
        return bool(self.node.returns and NUMBER.search(ast.unparse(self.node.returns)))

    @property
    def is_formula(self) -> bool:
        """Whether it gives numbers and reckons more than a sum."""
        reckons = (ast.Mult, ast.Div, ast.Pow, ast.MatMult)
        inside = (node for node in ast.walk(self.node) if isinstance(node, ast.BinOp))
        return self.gives_numbers and any(isinstance(node.op, reckons) for node in inside)


def public() -> Iterator[Public]:
    """Every public function and method of the package."""
    for room, path in MODULES.items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        module = ast.get_docstring(tree) or ""
        holders = [tree, *(node for node in tree.body if isinstance(node, ast.ClassDef) and node.name[0] != "_")]
        for holder in holders:
            own = (ast.get_docstring(holder) or "") if isinstance(holder, ast.ClassDef) else ""
            for node in holder.body:
                if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                    prefix = f"{holder.name}." if isinstance(holder, ast.ClassDef) else ""
                    yield Public(f"{room}.{prefix}{node.name}", node, ast.get_docstring(node) or "", f"{own}\n{module}")


FUNCTIONS = tuple(public())


def without_units(function: Public) -> list[str]:
    """Its numbers whose unit neither their name nor its docstring says; "return" is what it gives."""
    if SAID.search(function.words):
        return []
    bare = [name for name in function.takes if not CARRIED.search(name)]
    return bare + ["return"] * (function.gives_numbers and not CARRIED.search(function.node.name))


def test_every_public_function_says_what_it_does() -> None:
    """None is without a docstring."""
    assert len(FUNCTIONS) > 300
    assert [function.name for function in FUNCTIONS if not function.words] == []


def test_every_number_has_its_unit() -> None:
    """In its name or in words."""
    assert {function.name: bare for function in FUNCTIONS if (bare := without_units(function))} == {}


def test_every_formula_has_its_source() -> None:
    """A standard, a book, an equation derived in the module, or "own"."""
    formulas = [function for function in FUNCTIONS if function.is_formula]
    assert len(formulas) > 40
    bare = [function.name for function in formulas if not SOURCE.search(f"{function.words}\n{function.around}")]
    assert bare == []


@pytest.mark.parametrize(
    ("code", "bare", "sourced"),
    [
        ('def f(x: float) -> float:\n    """Twice."""\n    return 2 * x', ["x", "return"], False),
        ('def f(x_pct: float) -> float:\n    """Twice, %, own."""\n    return 2 * x_pct', [], True),
        ('def f(co2: float) -> str:\n    """Say it."""', ["co2"], False),
    ],
)
def test_the_rule_can_tell(code: str, bare: list[str], sourced: bool) -> None:
    """The rule itself finds what is missing."""
    node = ast.parse(code).body[0]
    assert isinstance(node, ast.FunctionDef)
    function = Public("f", node, ast.get_docstring(node) or "", "")
    assert without_units(function) == bare
    assert (function.is_formula and bool(SOURCE.search(function.words))) == sourced
