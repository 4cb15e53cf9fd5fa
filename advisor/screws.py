"""The two screws and the two firing rates: their names, and which screw is set at which rate."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

Firing = Literal["high", "low"]
Running = Literal["high", "low", "off"]  # what a change of rate may lead to
Screw = Literal["offset", "throttle"]
Direction = Literal["richer", "leaner", "unknown"]  # what a clockwise turn makes of the flame

FIRINGS: tuple[Firing, ...] = ("high", "low")
OFF: Literal["off"] = "off"  # the burner is off or locked out
RUNNING: tuple[Running, ...] = (*FIRINGS, OFF)
SCREWS: tuple[Screw, ...] = ("offset", "throttle")
DIRECTIONS: tuple[Direction, ...] = ("richer", "leaner", "unknown")
FIRING_FOR: Mapping[Screw, Firing] = MappingProxyType({"offset": "low", "throttle": "high"})
SCREW_FOR: Mapping[Firing, Screw] = MappingProxyType({"low": "offset", "high": "throttle"})


def other_firing(firing: Firing) -> Firing:
    """The other firing rate."""
    return "low" if firing == "high" else "high"


def other_direction(way: Direction) -> Direction:
    """The other way; unknown stays unknown."""
    return "leaner" if way == "richer" else "richer" if way == "leaner" else way
