"""From checked runs to new runs in a history.

In come checked runs. Known runs are recognized, contradictions and rejects are stored with their
reasons, and new runs are committed. Out comes a ``LoadReport``.
"""
