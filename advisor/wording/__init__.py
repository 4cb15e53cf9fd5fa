"""Every sentence that people read, by code, in one place. A second language is one more set of these tables.

`numbers` says turns, waits and chances; `findings` what was seen; `reasons` why an answer is as it is; `visit` stages and
questions; `page` what the page says of its own. A sentence is a template: `{co2:.1f}` is a figure of the data,
`{turns:size}` a turn, `{prove_line}` something to do, which is typed otherwise on the command line, in the guide and in
practice (`ACTS`).
"""

from advisor.wording.findings import GIVE_UP, finding_text, further_steps, is_alarm, look_first, past_text, short_text
from advisor.wording.reasons import reason_text

__all__ = [
    "GIVE_UP",
    "finding_text",
    "further_steps",
    "is_alarm",
    "look_first",
    "past_text",
    "reason_text",
    "short_text",
]
