"""Starting a job: three answers from the maker's instructions, read back before anything is kept."""

from advisor import parsing
from advisor.chemistry import fuels
from advisor.dialogue.entries import NO_ANSWER
from advisor.dialogue.prompts import Prompt
from advisor.errors import RangeError
from advisor.job_setup.setup import JobSetup
from advisor.screws import FIRINGS, Firing

WHY = "It is in the maker's instructions for this model, fuel and altitude; none is built in."
_ASKS = (
    f"Fuel ({', '.join(fuel.name for fuel in fuels.BUILT_IN)})",
    *(f"CO2 band at {firing} fire, %, such as 9.0:9.4" for firing in FIRINGS),
)


class Opening:
    """Fuel and bands, one answer after the other; `told` holds them as typed, each of them read already."""

    def __init__(self) -> None:
        self.told: list[str] = []

    @property
    def prompt(self) -> Prompt:
        """The next question, or what was told, read back as it was understood."""
        if len(self.told) < len(_ASKS):
            return Prompt(_ASKS[len(self.told)])
        bands = [f"{low:g} to {high:g} % at {firing} fire" for firing, (low, high) in self._bands().items()]
        return Prompt(f"Read back: {fuels.by_name(self.told[0]).name}, CO2 {', '.join(bands)}", "Enter: right; back")

    def back(self) -> None:
        """Forget the last answer. RangeError where there is none."""
        if not self.told:
            raise RangeError("There is nothing to go back to.")
        self.told.pop()

    def take(self, typed: str) -> JobSetup | None:
        """Take an answer; the setup once all was read back and is right. RangeError for what is no answer."""
        if len(self.told) < len(_ASKS):
            if not typed:
                raise RangeError(f"{NO_ANSWER}.")
            (_parse_band if self.told else fuels.by_name)(typed)
            self.told.append(typed)
            return None
        if typed.lower() not in ("", "y", "yes"):
            raise RangeError("Enter where it is right; back asks the last one again.")
        try:
            return JobSetup(fuel=fuels.by_name(self.told[0]), bands=self._bands())
        except RangeError:
            self.told.clear()
            raise

    def _bands(self) -> dict[Firing, tuple[float, float]]:
        return dict(zip(FIRINGS, map(_parse_band, self.told[1:]), strict=True))


def _parse_band(typed: str) -> tuple[float, float]:
    return parsing.parse_limits(typed, "band", with_unit=False)[:2]
