"""Make anew all that is generated and kept, and say what changed: `python tests/renew.py`.

Demo logs with their pictures, pictures of the page (where there is chromium), the
sessions of README.md and demo_logs/SESSIONS.md, the notebooks on lessons and on the
study. The notebook on how the advice was chosen takes an hour: only with `--chosen`.
"""

import hashlib
import subprocess
import sys
from collections.abc import Callable

import console
import make_choice_notebook
import make_demo_logs
import make_notebook
import make_page_pictures
import make_study_notebook

FOLDERS = (console.ROOT / "demo_logs", console.ROOT / "notebooks")


def pages() -> None:
    """The sessions of all pages."""
    for page in console.PAGES:
        page.write_text(console.played(page.read_text(encoding="utf-8")), encoding="utf-8")


def kept() -> dict[str, str]:
    """Every generated file with its digest."""
    files = [console.ROOT / "README.md", *(file for folder in FOLDERS for file in folder.iterdir() if file.is_file())]
    return {str(file.relative_to(console.ROOT)): hashlib.sha256(file.read_bytes()).hexdigest() for file in files}


def main() -> int:
    """Renew in order: the pages play the demo logs."""
    steps: list[Callable[[], object]] = [
        make_demo_logs.main,
        make_page_pictures.main,
        pages,
        make_notebook.main,
        make_study_notebook.main,
    ]
    if "--chosen" in sys.argv[1:]:
        steps.append(make_choice_notebook.main)
    before = kept()
    for step in steps:
        step()
    after = kept()
    changed = sorted(name for name in before.keys() | after.keys() if before.get(name) != after.get(name))
    print(f"{len(changed)} of {len(after)} files changed.", flush=True)
    return subprocess.run(["git", "diff", "--stat", "--", *changed], cwd=console.ROOT).returncode if changed else 0


if __name__ == "__main__":
    sys.exit(main())
