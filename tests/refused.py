"""What a refused value is answered with, for tests that compare the whole message."""

from collections.abc import Callable

import pytest

from advisor.errors import RangeError


def refusal(call: Callable[..., object], *given: object, error: type[Exception] = RangeError) -> str:
    """The message with which a call refuses what it was given."""
    with pytest.raises(error) as refused:
        call(*given)
    return str(refused.value)
