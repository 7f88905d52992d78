"""From log files to checked runs; rejected rows are stored with the reason.

In come logs as text, workbooks or Parquet, packed or not, or rows in memory; out comes a report
that accounts for every row. ``formats`` opens logs, ``reading`` finds headings, fields and numbers
in them, ``checking`` converts the columns to runs or rejects, and ``settling`` adds the new runs to
the history and has the entry functions (``settling/load.py``).
"""
