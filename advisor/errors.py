"""The errors a user can meet. Each message says what is wrong, what is allowed and what to do."""


class AdvisorError(Exception):
    """Something the user gave, or a file the user has, can't be used as it is."""


class RangeError(AdvisorError, ValueError):
    """A number, name or unit outside what is allowed."""


class LogError(AdvisorError, ValueError):
    """A job log that can't be read or written; the message starts with `file:line:` where there is a line."""


class LogGrownError(LogError):
    """Another program has added to the log since it was read last; nothing was saved."""
