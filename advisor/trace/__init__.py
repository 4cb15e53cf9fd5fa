"""An analyser's stored series as readings of a job: read, set to the log's clock, thinned; or followed as it comes."""

from advisor.trace.clock import Shift
from advisor.trace.following import Follower
from advisor.trace.series import Sample, Series, Unread, read_series
from advisor.trace.taking import Taken, take

__all__ = ["Follower", "Sample", "Series", "Shift", "Taken", "Unread", "read_series", "take"]
