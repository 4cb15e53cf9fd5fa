"""`advisor guide` with a clock that runs faster, as a program: fast_guide.py BEGAN SPEED LOG."""

import sys
import time
from datetime import datetime, timedelta

from on_site import START

from advisor.cli.guide import Guide
from advisor.cli.terminal import Terminal


class Fast:
    """Seconds since `began`, and sleep, `speed` times as fast."""

    def __init__(self, began: float, speed: float) -> None:
        self.began, self.speed = began, speed

    def monotonic(self) -> float:
        return (time.time() - self.began) * self.speed

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds / self.speed)

    def now(self) -> datetime:
        return START + timedelta(seconds=self.monotonic())


if __name__ == "__main__":
    clock = Fast(float(sys.argv[1]), float(sys.argv[2]))
    Guide(sys.argv[3], Terminal(clock=clock), clock.now).run()
