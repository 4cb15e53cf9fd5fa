"""Advice on setting the CO2 of a modulating premix condensing boiler after its gas valve was changed."""

from advisor.chemistry import fuels
from advisor.decision.answers import Advice, Verdict
from advisor.errors import AdvisorError, LogError, RangeError
from advisor.job import Job
from advisor.job_setup.prior import Prior
from advisor.job_setup.setup import JobSetup
from advisor.log.events import Event
from advisor.messages import Finding
from advisor.response.fitted import Response

__all__ = [
    "Advice", "AdvisorError", "Event", "Finding", "Job", "JobSetup", "LogError", "Prior", "RangeError", "Response",
    "Verdict", "fuels",
]  # fmt: skip
