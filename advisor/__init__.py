"""Advice on setting the CO2 of a modulating premix condensing boiler after its gas valve was changed."""

from advisor.chemistry import fuels
from advisor.errors import AdvisorError, LogError, RangeError
from advisor.job import Job

__all__ = ["AdvisorError", "Job", "LogError", "RangeError", "fuels"]
