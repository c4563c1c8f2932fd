"""The blocks composed, pure: a log in, operating points out; a history in, a finding out.

Nothing here touches the disk (but for reading the one log it is given), the clock, the network or
a figure. The service, the commands and the bench all call these functions, so what an analyst tunes
is what an owner gets.
"""

from healthtrack.chain.assess import assess, log_bar
from healthtrack.chain.borrowing import lent
from healthtrack.chain.logs import ProcessedLog, process_log

__all__ = ["ProcessedLog", "assess", "lent", "log_bar", "process_log"]
