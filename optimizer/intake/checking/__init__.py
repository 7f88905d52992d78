"""From columns to checked runs, or to rejects with a reason.

In come named columns. Out come, for each row, either canonical fields, or the field, value and
reason for which the row is rejected. Checks work on whole columns.
"""
