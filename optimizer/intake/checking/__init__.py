"""From columns to checked runs, or to rejects with a reason.

In come named columns; out come, for each row, canonical fields or the field, value and reason that
reject it. Whole columns are checked at a time.
"""
