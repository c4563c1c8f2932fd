"""The blocks composed, pure: a log in, operating points out; a history in, a finding out.

Nothing here touches the disk (but for reading the one log it is given), the clock, the network or
a figure. The service, the commands and the bench all call these functions, so what an analyst tunes
is what an owner gets.
"""

from healthtrack.chain.assess import assess, log_bar
from healthtrack.chain.borrowing import lent
from healthtrack.chain.going_on import (
    Asked,
    Assessed,
    Misfit,
    assess_on,
    assess_whole,
    neighbours,
)
from healthtrack.chain.kept import Kept, basis_of, misfit, windows_to_read
from healthtrack.chain.kept_form import (
    kept_baselines,
    kept_from_parts,
    kept_outline,
    kept_to_parts,
)
from healthtrack.chain.logs import ProcessedLog, process_log
from healthtrack.chain.meanwhile import beside_others, with_others

__all__ = [
    "Asked",
    "Assessed",
    "Kept",
    "Misfit",
    "ProcessedLog",
    "assess",
    "assess_on",
    "assess_whole",
    "basis_of",
    "beside_others",
    "kept_baselines",
    "kept_from_parts",
    "kept_outline",
    "kept_to_parts",
    "lent",
    "log_bar",
    "misfit",
    "neighbours",
    "process_log",
    "windows_to_read",
    "with_others",
]
