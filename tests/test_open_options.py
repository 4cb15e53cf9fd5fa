"""Words typed as options of `open`: settings, mixtures, pressures and fuels."""

from collections.abc import Callable

import pytest
from refused import refusal

from advisor.chemistry.fuels import PROPANE
from advisor.cli.open_options import parse_fuel, parse_mixture, parse_pressure, parse_settings


def test_options_are_read_as_typed() -> None:
    """Fractions, numbers and words become facts; a screw's part goes into its mapping."""
    typed = ["cap_turns.offset=1/24", "cap_turns.throttle=1/12", "turndown=6", "clockwise.throttle=leaner"]
    assert parse_settings([*typed, "input_rate=33:36 kW", "heating_value=38.5 MJ/m3"]) == {
        "cap_turns": {"offset": 1 / 24, "throttle": 1 / 12},
        "turndown": 6.0,
        "clockwise": {"throttle": "leaner"},
        "input_rate": (33.0, 36.0, "kW"),
        "heating_value": (38.5, "MJ/m3"),
    }
    assert parse_mixture("CH4=0.8,H2=0.2") == {"CH4": 0.8, "H2": 0.2}
    assert parse_pressure("working pressure=17:25 mbar") == ("working pressure", (17.0, 25.0, "mbar"))
    assert parse_fuel("Propane", None) == PROPANE
    assert parse_fuel("town blend", "CH4=0.8,H2=0.2").composition == {"CH4": 0.8, "H2": 0.2}


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: parse_fuel("Propane", "CH4=0.8,H2=0.2"),
         "propane is built in with its own composition: leave --mixture out, or name the gas otherwise"),
        (lambda: parse_mixture("CH4"), "mixture 'CH4': give each part as name=share, such as CH4=0.8,H2=0.2"),
        (lambda: parse_pressure("17:25 mbar"),
         "pressure '17:25 mbar': give it as \"working pressure=17:25 mbar\""),
        (lambda: parse_settings(["turndown=1/0"]), "turndown: '1/0' divides by zero"),
    ],
)  # fmt: skip
def test_what_can_not_be_meant_is_asked_back(call: Callable[[], object], message: str) -> None:
    """The message says how it is typed."""
    assert refusal(call) == message
