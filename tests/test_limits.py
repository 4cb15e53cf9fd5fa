"""The limits hang together; each value's source and status stands beside it in the module."""

import pytest

from advisor.chemistry import limits


@pytest.mark.parametrize(
    ("value", "published", "source"),
    [(limits.CO_AIR_FREE_PPM, 400.0, "ANSI/BPI-1200-S-2017, boilers, ppm air-free [S]")],
)
def test_published_limits(value: float, published: float, source: str) -> None:
    """A published limit is the number its source gives."""
    assert value == published, source


@pytest.mark.parametrize(
    ("value", "usual"),
    [
        (limits.USUAL_CAP_TURNS["offset"], 1 / 12),
        (limits.USUAL_CAP_TURNS["throttle"], 1 / 8),
        (limits.USUAL_MIN_WAIT_S["offset"], 60.0),
        (limits.USUAL_MIN_WAIT_S["firing"], 30.0),
    ],
)
def test_common_practice(value: float, usual: float) -> None:
    """Caps and waits are those of the trade (common practice, no source)."""
    assert value == usual


@pytest.mark.parametrize("screw", ["offset", "throttle"])
def test_turns_rise_from_mark_to_travel(screw: str) -> None:
    """For each screw a mark fits in the cap, the cap under the ceiling, the ceiling in the travel."""
    assert (
        0
        < limits.USUAL_MARK_TURNS[screw]
        < limits.USUAL_CAP_TURNS[screw]
        < limits.HARD_CAP_TURNS[screw]
        < limits.USUAL_TRAVEL_TURNS[screw]
    )


@pytest.mark.parametrize(
    "table",
    [
        limits.USUAL_MIN_WAIT_S,
        limits.USUAL_CAP_TURNS,
        limits.HARD_CAP_TURNS,
        limits.USUAL_MARK_TURNS,
        limits.USUAL_TRAVEL_TURNS,
    ],
)
def test_limits_can_not_be_changed(table: dict[str, float]) -> None:
    """No program that uses the limits can change them for the rest."""
    with pytest.raises(TypeError):
        table["offset"] = 1.0


def test_no_default_for_what_the_data_plate_gives() -> None:
    """There is no built-in target band, gas pressure or input rate."""
    names = " ".join(name for name in vars(limits) if name.isupper()).lower()
    assert not [word for word in ("band", "pressure", "rate", "input", "target") if word in names]
