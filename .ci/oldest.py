"""Print the oldest allowed version of each package that `advisor` needs to run, as pip's constraints.

The lower bounds are those of pyproject.toml and stand nowhere else.
"""

import tomllib
from pathlib import Path

page = Path(__file__).resolve().parent.parent / "pyproject.toml"
for requirement in tomllib.loads(page.read_text(encoding="utf-8"))["project"]["dependencies"]:
    name, bound, version = requirement.partition(">=")
    if not bound or "," in version:
        raise SystemExit(f"{requirement}: one lower bound is expected")
    print(f"{name}=={version}")
