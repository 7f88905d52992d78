"""From checked runs to what is new in a history.

In come checked runs; known ones are recognized, contradictions and rejects are kept with their
reason, new ones are committed. Out comes a ``LoadReport``.
"""
