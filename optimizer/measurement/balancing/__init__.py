"""From a table of weighed and assayed streams to one result for each test.

`stream_table` reads the tests, `streams` adjusts their masses and assays so that they balance,
`balance` makes a `result` of each, and `fresh_feed` refers it to the fresh feed where the feed was
sampled after streams had joined it.
"""

from optimizer.measurement.balancing.balance import balance_tests
from optimizer.measurement.balancing.result import AdjustedStream, BalanceResult
from optimizer.measurement.balancing.streams import StreamBalance, reconcile_streams

__all__ = [
    "AdjustedStream",
    "BalanceResult",
    "StreamBalance",
    "balance_tests",
    "reconcile_streams",
]
