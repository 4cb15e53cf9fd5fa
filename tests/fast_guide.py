"""`advisor guide` with a clock that runs faster, as a program: fast_guide.py BEGAN SPEED LOG."""

import sys
import time
from datetime import timedelta
from types import SimpleNamespace

from on_site import START

from advisor.cli import terminal
from advisor.cli.guide import Guide

if __name__ == "__main__":
    began, speed = map(float, sys.argv[1:3])
    terminal.REDRAW_EVERY_S = min(1.0, 20.0 / speed)

    def monotonic() -> float:
        """Seconds since the visit began."""
        return (time.time() - began) * speed

    clock = SimpleNamespace(monotonic=monotonic, sleep=lambda seconds: time.sleep(seconds / speed))
    Guide(sys.argv[3], terminal.Terminal(clock=clock), lambda: START + timedelta(seconds=monotonic())).run()
